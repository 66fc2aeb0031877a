"""The tuning found on a ladder of settings."""

from gpubench_kit.sweep.find import Sweep, find_tuning

__all__ = ["Sweep", "find_tuning"]
