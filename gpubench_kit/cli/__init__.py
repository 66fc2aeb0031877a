"""The command `gpubench-kit`."""

from gpubench_kit.cli.command import main

__all__ = ["main"]
