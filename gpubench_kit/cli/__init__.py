"""The command `gpubench-kit`."""

from __future__ import annotations

import sys
from collections.abc import Sequence

__all__ = ["main"]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; see `gpubench_kit.cli.command.main`.

    Parameters
    ----------
    arguments : words after the command's name; default those it was called with
    """
    try:
        from gpubench_kit.processes import start_safely

        start_safely()
        from gpubench_kit.cli.command import main as run
    except KeyboardInterrupt:
        from gpubench_kit.wording.catalogue import say

        print(say("told.stopped"), file=sys.stderr)
        return 130
    return run(arguments)
