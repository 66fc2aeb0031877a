"""Stand-ins for the making of a report that end, hang, or say what is not so, by the name of the review."""

from __future__ import annotations

import os
import signal
import time
from uuid import uuid4

from gpubench_kit.model.errors import Fault
from gpubench_kit.report.manifest import file_hash
from gpubench_kit.report.many_reviews import Outcome, ReviewTask

_FOR_EVER_S = 3600


def odd_report(task: ReviewTask) -> Outcome:
    """Do what the name of the review says; any other makes a report of two small files.

    Parameters
    ----------
    task : its report's folder is called ``ends...``, ``hangs...``, ``fails...``, ``lies...`` or otherwise
    """
    name = task.report.name
    if (task.report / "manifest.json").exists():
        # Finished by a process that ended before it could say so; a true report would be up to date.
        return _made(task)
    staging = task.report.with_name(f".{name}.{uuid4().hex[:8]}.new.part")
    staging.mkdir(parents=True)
    if name.startswith("ends"):
        os.kill(os.getpid(), signal.SIGKILL)
    if name.startswith("hangs"):
        time.sleep(_FOR_EVER_S)
    if name.startswith("slow"):
        time.sleep(3)
    if name.startswith("fails"):
        staging.rmdir()
        return Outcome(task.given, "bad input", faults=(Fault("plan.toml", "one is wrong."),))
    if name.startswith("lies"):
        staging.rmdir()
        return Outcome(task.given, "made", page=task.report / "index.html", is_compared=True)
    (staging / "index.html").write_text(name, encoding="utf-8")
    (staging / "manifest.json").write_text(f'{{"title": "{name}"}}', encoding="utf-8")
    staging.rename(task.report)
    return _made(task)


def _made(task: ReviewTask) -> Outcome:
    """Return the outcome of a report that is there."""
    digest = file_hash(task.report / "manifest.json")
    return Outcome(task.given, "made", 1.0, task.report / "index.html", True, digest)
