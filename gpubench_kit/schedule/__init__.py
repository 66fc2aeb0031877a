"""The evening at the bench: runs needed, their order, their time, and what they will be able to say."""

from gpubench_kit.schedule.make import Schedule, make_schedule

__all__ = ["Schedule", "make_schedule"]
