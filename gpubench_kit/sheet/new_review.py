"""A new review folder: a short commented plan to fill in, an empty run sheet, a place for the logs."""

from __future__ import annotations

from pathlib import Path

from gpubench_kit.model.errors import Fault, ReportError, listed, shown
from gpubench_kit.model.plan import PLAN_FILE
from gpubench_kit.sheet.text import SHEET_FILES

SHEET_HEADINGS = (
    "run", "tuning", "game", "setting", "session", "round", "order", "started_at", "frame_log", "sensor_log",
    "excluded", "replaces", "note",
)  # fmt: skip

#: A plan with everything needed, the usual decisions spelt out, and gaps ("") for names to fill in.
PLAN_TEMPLATE = """\
# The plan of one review: decisions made before the data. Fill in what is "", delete what you do not need.
# All keys: docs/plan.schema.json, which many editors can check while you type.
#
# Tuning can void a warranty, lose unsaved work and damage parts. Back up, change one limit at a time until
#  each is known, stay inside the maker's limits; stop after a second crash, at picture errors, smell or heat.
#  Power at the wall or inline is mains or high current: enclosed instruments, local codes, licensed people.

[review]
title = ""                        # stands above the page

[[cards]]                         # one entry for each physical card
name = ""
# role = "rival"                  # for a card that is only compared with
# power_measured_at = "board_sensor"  # board_sensor, chip_sensor, inline or wall: where power was measured

[[tunings]]                       # the state that the others are compared with
name = "factory"
reference = true

[[tunings]]
name = ""                         # for example "quiet"
# changes = { power_limit_pct = -12, voltage_mv = -60 }

[[games]]                         # one entry for each game; six or more say most
name = ""
# scene = "harbour lap"           # the stretch that is measured
# limited_by = "card"             # card, processor, memory or frame_limit

[analysis]
metrics = ["avg_fps", "low_1pct_fps", "board_w", "energy_per_frame_j"]
margin_pct = 2.0                  # the smallest difference that matters, in percent
margins = { low_1pct_fps = 3.0 }  # the same for single metrics
looks = 1                         # how often you will look at verdicts; more looks, stricter verdicts

# [exclude]                       # runs are left out only by rules stated here, before the data
# min_duration_s = 55

# [[claims]]                      # sentences you want to say, held against the data
# id = "nothing-lost"
# text = "The quiet tuning loses nothing"
# metric = "avg_fps"
# of = { tuning = "quiet" }
# against = { tuning = "factory" }
# says = "no_loss"                # better, worse, no_loss or same; or an amount in its place:
#                                 # saves_at_least = 30 or costs_at_most = "3 %" where less is better,
#                                 # gains_at_least or loses_at_most where more is (a number: in the unit)
"""


def new_review(folder: str | Path) -> Path:
    """Make a review folder to fill in: ``plan.toml``, ``runs.csv`` and ``logs/``; nothing is overwritten.

    Parameters
    ----------
    folder : where; made where it is missing. It may hold logs already, but no plan and no run sheet

    Returns
    -------
    Path of the folder

    Raises
    ------
    ReportError : there is a plan or a run sheet, or the folder cannot be written
    """
    folder = Path(folder)
    taken = [name for name in (PLAN_FILE, *SHEET_FILES) if (folder / name).exists()]
    if taken:
        problem = f"there is {listed(taken)} already, and nothing is overwritten."
        raise ReportError(Fault(str(folder), problem, "Name another folder."))
    try:
        (folder / "logs").mkdir(parents=True, exist_ok=True)
        _write_new(folder / PLAN_FILE, PLAN_TEMPLATE)
        _write_new(folder / "runs.csv", ",".join(SHEET_HEADINGS) + "\n")
    except OSError as error:
        problem = f"the folder {shown(str(folder))} cannot be made ({error.strerror})."
        raise ReportError(Fault("new", problem, "Name a folder that you can write to.")) from error
    return folder


def is_review(folder: Path) -> bool:
    """Return whether a folder holds a plan or a run sheet.

    Parameters
    ----------
    folder : any folder
    """
    return any((folder / name).exists() for name in (PLAN_FILE, *SHEET_FILES))


def _write_new(file: Path, text: str) -> None:
    """Write a file that does not exist yet."""
    with file.open("x", encoding="utf-8", newline="\n") as writer:
        writer.write(text)
