"""``python -m gpubench_kit``: as ``gpubench-kit``, but Python itself has looked in the working directory before."""

import sys

if not sys.flags.safe_path:
    # First of all: whatever stands in the working directory would be imported in place of a library.
    del sys.path[0]

from gpubench_kit.cli import main

sys.exit(main())
