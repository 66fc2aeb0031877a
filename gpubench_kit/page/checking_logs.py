"""The page of `check`: every run as small multiples, how each log was read, the limits of the checks."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import numpy as np
import pandas as pd

from gpubench_kit.checks import POSSIBLE, REDO
from gpubench_kit.logs.format import ColumnChoice
from gpubench_kit.logs.review import Review
from gpubench_kit.logs.run_facts import RunFacts
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan.rules import list_limits
from gpubench_kit.model.tables import FINDINGS, NOISE, RUNS, Table
from gpubench_kit.page.charts.single_runs import SmallRun, every_run
from gpubench_kit.page.checking import OF_FILES, told_finding
from gpubench_kit.page.checking_pictures import scenes_of
from gpubench_kit.page.elements import (
    Column,
    Markup,
    bullets,
    details,
    heading,
    join,
    link,
    paragraph,
    table,
    terms,
)
from gpubench_kit.page.section import Section, left_out
from gpubench_kit.wording.numbers import count_text, number_text
from gpubench_kit.wording.terms import names_text, scene_text, sentence

_ROLES = {"frame_time": "frame time", "elapsed_time": "elapsed time", "clock_time": "clock time"}
_LINED_UP = {
    "one_clock": "by the one clock of their sensor log",
    "clock": "by the clocks of both logs",
    "declared": "by the offset in the plan",
    "same_clock": "as one clock, since both count seconds from one start",
    "load_edge": "by the edges of the load",
    "power_edge": "by the edges of the power",
    "together": "as started together, since nothing tells otherwise",
    "same_rows": "as columns of the frame log",
    "none": "not at all: these samples are not used",
}
_DOWNLOADS: tuple[Table, ...] = (POSSIBLE, REDO, FINDINGS, NOISE, RUNS)


def check_runs(review: Review, findings: pd.DataFrame, *, runs: pd.DataFrame, plan) -> Section:
    """Return the section with the frame times of every run as small multiples, one chart for each game.

    Parameters
    ----------
    review : the runs, after their logs were read
    findings : DataFrame, one row per finding; see ``tables.FINDINGS``
    runs : DataFrame, one row per run; see ``tables.RUNS``
    plan : ReviewPlan

    Returns
    -------
    Section; left out where no run has a frame log
    """
    name, title = "runs", "Every run"
    facts = [one for one in map(review.facts_of, runs["run"]) if one is not None]
    marked = set(findings["run"]) - {""}
    drawn = {scene: every_run(facts, plan, runs=runs, scene=scene, marked=marked) for scene in scenes_of(runs)}
    if not any(drawn.values()):
        return left_out(name, title, "no run has a frame log that can be read")
    text = (
        "Frame times of every run, left out or not, in the order in which they were done; all of a game on one "
        "scale. A run that looks unlike its neighbours is worth a second look, whatever the checks say. A triangle "
        "marks a run in which something was found; a black line does not enter verdicts."
    )
    body = [join([heading(scene_text(*scene)), _side_by_side(small)]) for scene, small in drawn.items() if small]
    return Section(name, title, join([paragraph(text), *body]))


def _side_by_side(small: Iterable[SmallRun]) -> Markup:
    """Return runs side by side, those in which something was found with a triangle."""
    found = Markup('<span class="found" title="{}">▼</span>')
    items = (
        Markup("<li>{}{}</li>\n").format(found.format("something was found") if one.is_marked else "", one.plot)
        for one in small
    )
    return Markup('<ul class="small-runs">{}</ul>\n').format(join(items))


def check_logs(review: Review, findings: pd.DataFrame) -> Section:
    """Return the section on files and rows: what has no counterpart, and how each log was read.

    Parameters
    ----------
    review : the runs, after their logs were read
    findings : DataFrame, one row per finding; see ``tables.FINDINGS``

    Returns
    -------
    Section; left out where there are no logs and nothing was found on rows and files
    """
    name, title = "logs", "Run sheet, files, and how they were read"
    facts = [one for one in (review.facts_of(task.run) for task in review.tasks) if one is not None]
    of_files = findings[findings["check"].isin(OF_FILES)]
    body = [
        _found(of_files[of_files["check"] == "run_sheet_row"], "Rows of the run sheet that cannot be used"),
        _missing(review),
        _found(of_files[of_files["check"] != "run_sheet_row"], "Rows and files"),
        _how_read(facts),
    ]
    if not any(body):
        return left_out(name, title, "there are no logs")
    return Section(name, title, join(body))


def _found(rows: pd.DataFrame, title: str) -> Markup:
    """Return findings on rows and files as a list under a heading."""
    if not len(rows):
        return Markup("")
    return join([heading(title), bullets(told_finding(row) for row in rows.itertuples())])


def _missing(review: Review) -> Markup:
    """Return the rows whose logs are not there."""
    with_frames = {task.run for task in review.tasks if task.frame_path is not None}
    with_sensors = {task.run for task in review.tasks if task.sensor_path is not None}
    runs = review.runs
    lost = [
        (row.run, name)
        for row in runs.itertuples()
        for name, there in ((row.frame_log, with_frames), (row.sensor_log, with_sensors))
        if name and row.run not in there
    ]
    listed = bullets(f"Run '{run}' names '{name}'." for run, name in lost)
    return join([heading("Rows whose log is missing"), listed]) if lost else Markup("")


def _how_read(facts: list[RunFacts]) -> Markup:
    """Return how the logs were read: one line where all are alike."""
    lines = [
        *_ways([one for one in facts if one.frame_log], _frames_way, what="frame log"),
        *_ways([one for one in facts if one.sensor_log], _sensors_way, what="sensor log"),
        *_line_ups(facts),
    ]
    if not lines:
        return Markup("")
    example = next((one for one in facts if one.frame_columns or one.sensor_columns), None)
    why = details(f"Why, for run {example.run}", _evidence(example)) if example else ""
    return join([heading("How the logs were read"), bullets(lines), why])


def _ways(facts: list[RunFacts], way_of, *, what: str) -> Iterator[str]:
    """Yield each way in which logs were read, and which runs were read so."""
    by_way: dict[str, list[str]] = {}
    for one in facts:
        by_way.setdefault(way_of(one), []).append(one.run)
    for way, runs in sorted(by_way.items(), key=lambda item: -len(item[1])):
        if len(by_way) == 1:
            who = f"All {count_text(len(runs), what)}" if len(runs) > 1 else f"The {what}"
        else:
            who = f"{count_text(len(runs), what)} ({names_text(runs)})"
        yield f"{who}: {way}."


def _frames_way(facts: RunFacts) -> str:
    """Return how a frame log was read."""
    parts = [facts.frame_dialect, _columns(facts.frame_columns)]
    if facts.stamped:
        parts.append(f"the time column marks the {facts.stamped} of a frame")
    return "; ".join(part for part in parts if part)


def _sensors_way(facts: RunFacts) -> str:
    """Return how a sensor log was read."""
    return _columns(facts.sensor_columns) or "no column was taken"


def _columns(choices: Iterable[ColumnChoice]) -> str:
    """Return which column is what."""
    return ", ".join(f"{_role(one.role)} from {one.label}{f' [{one.unit}]' if one.unit else ''}" for one in choices)


def _role(role: str) -> str:
    """Return what a column was taken for, in words."""
    return _ROLES.get(role) or (METRICS[role].label if role in METRICS else role.replace("_", " "))


def _line_ups(facts: list[RunFacts]) -> Iterator[str]:
    """Yield how samples were brought onto the frames' clock, with the range of shifts."""
    by_way: dict[str, list[RunFacts]] = {}
    for one in facts:
        if one.line_up:
            by_way.setdefault(one.line_up, []).append(one)
    for way, alike in by_way.items():
        shifts = np.array([one.shift_s for one in alike], dtype=float)
        known = shifts[np.isfinite(shifts)]
        moved = f", shifted by {_range(known)}" if known.size and way != "same_rows" else ""
        if way == "alone":
            yield f"Samples of {count_text(len(alike), 'run')} stand alone, without frames."
            continue
        yield f"Samples of {count_text(len(alike), 'run')} were lined up {_LINED_UP.get(way, way)}{moved}."


def _range(values: np.ndarray) -> str:
    """Return a range of seconds."""
    low, high = (number_text(float(one), decimals=2) for one in (values.min(), values.max()))
    return f"{low} s" if low == high else f"{low} to {high} s"


def _evidence(facts: RunFacts) -> Markup:
    """Return why each column of a run was taken for what it was."""
    choices = [*facts.frame_columns, *facts.sensor_columns]
    return terms((sentence(_role(one.role)), f"{one.label}: {one.why}") for one in choices)


def check_limits(plan) -> Section:
    """Return the section with the limits of the checks, and the tables beside the page.

    Parameters
    ----------
    plan : ReviewPlan

    Returns
    -------
    Section
    """
    columns = [Column("Key in [checks]"), Column("Limit", is_number=True), Column("Default", is_number=True),
               Column("Meaning")]  # fmt: skip
    lines = [
        [one.key, f"{getattr(plan.checks, one.key):g}", f"{one.default:g}", sentence(one.meaning)]
        for one in list_limits()
    ]
    changed = [one.key for one in list_limits() if getattr(plan.checks, one.key) != one.default]
    told = (
        f"The plan sets {names_text(changed)}; all other limits are the kit's."
        if changed
        else "All limits are the kit's."
    )
    files = [
        join([link(f"check/tables/{one.name}.csv", f"{one.name}.csv"), f": one row per {one.row}."])
        for one in _DOWNLOADS
    ]
    files.append(join([link("check/tables/datapackage.json", "datapackage.json"), ": columns, units and meaning."]))
    body = [
        paragraph("A finding says that something passed a limit, never that a run is wrong.", told),
        details("Every limit", table(columns, lines, caption="Limits of findings")),
        heading("Tables"), bullets(files), paragraph(_NO_MEANS, css="muted"),
    ]  # fmt: skip
    return Section("limits", "Limits of the checks, and tables", join(body))


_NO_MEANS = "The means in noise.csv are left empty here: side by side they would show a difference."
