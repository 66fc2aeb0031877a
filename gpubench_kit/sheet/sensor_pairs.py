"""Which sensor log belongs to which run: the only one, that of the same name, or that whose clock spans it."""

from __future__ import annotations

import math
import re
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from pathlib import PurePosixPath

from gpubench_kit.model.errors import listed, shown
from gpubench_kit.model.log_facts import LogFacts
from gpubench_kit.model.questions import Choice, Question, isolated
from gpubench_kit.model.words import fold
from gpubench_kit.sheet.draft import Cell
from gpubench_kit.sheet.name_roles import Labels
from gpubench_kit.sheet.name_words import GENERIC
from gpubench_kit.sheet.run_order import Timing

#: A log may begin so long after its run, and has to hold this share of it.
_LATE_S, _HELD = 30.0, 0.8


def pair_sensors(
    frames: Mapping[str, LogFacts], sensors: Mapping[str, LogFacts], timing: Timing, *, labels: Labels,
    answers: Mapping[str, str],
) -> str:  # fmt: skip
    """Find the sensor log of each run; cells and questions go into ``labels``.

    Parameters
    ----------
    frames, sensors : facts by path from the folder of logs
    timing : when the frame logs were recorded
    labels : cells of each frame log, in the order of ``frames``
    answers : answers so far, by key

    Returns
    -------
    What was found, for the side of the table; empty without sensor logs
    """
    every = range(len(frames))
    if not sensors:
        return ""
    if len(sensors) == 1:
        path, fact = next(iter(sensors.items()))
        apart = [one for one in every if _is_apart(fact, one, timing)]
        labels.put(every, "sensor_log", Cell(path, "the only sensor log"))
        if apart:
            text = f"The clock of {shown(isolated(path))} does not span {len(apart)} of the runs. Is it theirs?"
            question = Question(
                "sensor_log", text,
                choices=(Choice("yes, the clocks differ", "yes"), Choice("no", "no")), is_detail=True,
                paste="runs.csv: take the question marks away in the column sensor_log, or empty it",
            )  # fmt: skip
            answer = answers.get("sensor_log", "")
            labels.ask(question, apart, "sensor_log", is_answered=bool(answer))
            labels.put(apart if answer == "no" else (), "sensor_log", Cell("", "answered"))
        return f'sensors: "{isolated(path)}" for {len(frames) - len(apart)} of {len(frames)}'
    missing = _by_name_and_clock(list(frames), frames, sensors, timing=timing, labels=labels)
    if missing:
        names = listed((isolated(list(frames)[one]) for one in missing), most=3)
        question = Question(
            "which_sensor_log", f"Which sensor log belongs to {names}?", is_detail=True,
            paste="runs.csv: write the name of its sensor log into the column sensor_log, or empty the cell",
        )  # fmt: skip
        for one in missing:
            labels.put([one], "sensor_log", Cell("", "no sensor log of this name or time"))
        labels.ask(question, missing, "sensor_log")
    return f"sensors: {len(sensors)} logs for {len(frames) - len(missing)} of {len(frames)} runs"


def _is_apart(sensor: LogFacts, one: int, timing: Timing) -> bool:
    """Return whether both clocks are known, and the sensor log does not hold the run's start."""
    start_s = timing.start_s[one]
    if start_s is None or math.isnan(sensor.started_at_s) or math.isnan(sensor.length_s):
        return False
    if sensor.clock_kind == "time_of_day" or timing.why[one] == "time of day in the name":
        return False
    return not sensor.started_at_s - _LATE_S <= start_s <= sensor.started_at_s + sensor.length_s


def _by_name_and_clock(
    paths: Sequence[str], frames: Mapping[str, LogFacts], sensors: Mapping[str, LogFacts], *, timing: Timing,
    labels: Labels,
) -> list[int]:  # fmt: skip
    """Fill in sensor logs of the same name, else the only one whose clock spans the run; return what is left."""
    of_stem: dict[tuple[str, ...], list[str]] = defaultdict(list)
    for path in sensors:
        of_stem[stem_of(path)].append(path)
    is_one_each = Counter(stem_of(path) for path in paths)
    missing = []
    for one, path in enumerate(paths):
        named = of_stem.get(stem_of(path), []) if is_one_each[stem_of(path)] == 1 else []
        spanning = [other for other, fact in sensors.items() if _spans(fact, frames[path], timing.start_s[one])]
        if len(named) == 1 and (not spanning or named[0] in spanning):
            labels.put([one], "sensor_log", Cell(named[0], "the sensor log of the same name"))
        elif len(spanning) == 1 and not named:
            labels.put([one], "sensor_log", Cell(spanning[0], "the only sensor log whose clock spans the run"))
        else:
            missing.append(one)
    return missing


def stem_of(path: str) -> tuple[str, ...]:
    """Return the words and numbers of a name without those that say what kind of log it is.

    Parameters
    ----------
    path : of the log, with its folders
    """
    plain = PurePosixPath(re.sub(r"(\.\w+)+$", "", path))
    parts = re.split(r"[\s_\-.()/]+", fold(str(plain)))
    return tuple(part for part in parts if part and part not in GENERIC)


def _spans(sensor: LogFacts, frame: LogFacts, start_s: float | None) -> bool:
    """Return whether a sensor log's clock holds a run."""
    if start_s is None or math.isnan(sensor.started_at_s) or math.isnan(sensor.length_s):
        return False
    length_s = 0.0 if math.isnan(frame.length_s) else frame.length_s
    begins = sensor.started_at_s <= start_s + _LATE_S
    return begins and sensor.started_at_s + sensor.length_s >= start_s + _HELD * length_s
