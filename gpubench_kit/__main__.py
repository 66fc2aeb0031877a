"""``python -m gpubench_kit``, the same as ``gpubench-kit``."""

import sys

from gpubench_kit.cli import main

sys.exit(main())
