"""Every run on the page of `check`: pictures of what was found, small multiples, how each log was read, limits."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator
from itertools import product

import numpy as np
import pandas as pd

from gpubench_kit.checks import POSSIBLE, REDO
from gpubench_kit.checks.evidence import CELL_KEY
from gpubench_kit.checks.review import check_of
from gpubench_kit.logs.format import ColumnChoice
from gpubench_kit.logs.review import Review
from gpubench_kit.logs.run_facts import RunFacts
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.rules import list_limits
from gpubench_kit.model.tables import FINDINGS, NOISE, RUNS, Table
from gpubench_kit.page.charts import Plot
from gpubench_kit.page.charts.run_logs import every_run, run_sensors, run_trace
from gpubench_kit.page.data_quality import finding_text
from gpubench_kit.page.elements import (
    Markup,
    Section,
    bullets,
    columns,
    details,
    heading,
    join,
    left_out,
    link,
    listing,
    paragraph,
    terms,
)
from gpubench_kit.wording.catalogue import has, say
from gpubench_kit.wording.numbers import number_text
from gpubench_kit.wording.terms import capital, names_text, scene_text

_DOWNLOADS: tuple[Table, ...] = (POSSIBLE, REDO, FINDINGS, NOISE, RUNS)


def is_of_files(findings: pd.DataFrame) -> np.ndarray:
    """Return which findings are on the sheet and its files, which have a part of their own."""
    return np.array([check_of(one).is_of_files for one in findings["check"]], dtype=bool)


def pictures_of_run(
    review: Review, run: str, *, plan: ReviewPlan, checks: Collection[str], found_in: Collection[str]
) -> list[Plot]:
    """Return the pictures of a run that show what was found in it.

    Parameters
    ----------
    review : the runs, after their logs were read
    run : name of the run
    plan : ReviewPlan
    checks : names of the checks that found something
    found_in : all runs in which something was found; none of them serves as a peer

    Returns
    -------
    list of Plot; empty where the run has no trace
    """
    facts = review.facts_of(run)
    row = review.runs.set_index("run").loc[run]
    if facts is None:
        return []
    peer = _peer_of(review, run, found_in=found_in)
    what = f"{run}: {scene_text(row['game'], row['setting'])}, {row['tuning']}"
    shown_by = dict.fromkeys(name for check in checks for name in check_of(check).shown_by)
    marks = tuple(mark for check in checks for mark in _marks_of(facts, check) if np.isfinite(mark[0]))
    trace = run_trace(facts, title=say("check.picture.frames", what=what), marks=marks, peer=peer)
    drawn = [trace] if "frames" in shown_by and trace is not None else []
    return [
        *drawn,
        *run_sensors(
            facts,
            plan,
            title=say("check.picture.sensors", what=what),
            peer=peer,
            metrics=tuple(one for one in shown_by if one != "frames"),
        ),
    ]


def _peer_of(review: Review, run: str, *, found_in: Collection[str]) -> RunFacts | None:
    """Return the peer with the middle frame rate among those in which nothing was found."""
    runs = review.runs
    own = runs[runs["run"] == run].iloc[0]
    alike = np.logical_and.reduce([runs[name] == own[name] for name in CELL_KEY])
    names = runs.loc[alike & (runs["run"] != run) & (runs["excluded"] == "") & ~runs["run"].isin(found_in), "run"]
    known = [facts for facts in map(review.facts_of, names) if facts is not None and facts.trace is not None]
    known.sort(key=lambda one: one.n_frames / one.duration_s)
    return known[(len(known) - 1) // 2] if known else None


def _marks_of(facts: RunFacts, check: str) -> Iterator[tuple[float, str]]:
    """Yield the places that one check found."""
    if check == "gap":
        if facts.n_gaps > 1:
            yield facts.first_gap_s, say("check.mark.gaps", n=facts.n_gaps)
        yield facts.longest_at_s, f"{number_text(facts.longest_ms, decimals=0)} ms"
    elif check == "missing_frames":
        yield facts.first_hole_s, say("check.mark.missing", n=facts.n_holes)
    elif check == "time_goes_back":
        yield facts.first_backward_s, say("check.mark.back", n=facts.n_backward)
    elif check == "frame_too_short":
        yield facts.shortest_at_s, f"{number_text(facts.shortest_ms, decimals=3)} ms"
    elif check == "warm_up" and facts.trace is not None:
        yield float(facts.trace.time_s[facts.trace.time_s.size // 4]), say("check.mark.quarter")
    elif check in ("too_short", "too_long", "min_duration_s") and facts.trace is not None:
        # Where frames are missing, the run ends later than its frames take.
        yield (
            float(facts.trace.time_s[-1]),
            say("check.mark.end", seconds=number_text(facts.duration_s, decimals=1)),
        )


def check_runs(review: Review, findings: pd.DataFrame, *, runs: pd.DataFrame, plan: ReviewPlan) -> Section:
    """Return the section with the frame times of every run as small multiples, a fold for each game.

    Parameters
    ----------
    review : the runs, after their logs were read
    findings : DataFrame, one row per finding; see ``tables.FINDINGS``
    runs : DataFrame, one row per run; see ``tables.RUNS``
    plan : ReviewPlan

    Returns
    -------
    Section; left out where no run has a frame log. Games in which a run was marked stand open.
    """
    facts = [one for one in map(review.facts_of, runs["run"]) if one is not None]
    marked = set(findings["run"]) - {""}
    triangle = Markup('<span class="found" title="{}">▼</span>').format(say("check.runs.marked"))
    folds = []
    for scene in runs[["game", "setting"]].drop_duplicates().itertuples(index=False, name=None):
        small = every_run(facts, plan, runs=runs, scene=scene, marked=marked)
        items = join(Markup("<li>{}{}</li>\n").format(triangle if one.is_marked else "", one.plot) for one in small)
        found = sum(one.is_marked for one in small)
        name = say("check.runs.fold", scene=scene_text(*scene), n=len(small))
        name = join([name, say("check.runs.found", n=found)], ", ") if found else name
        if small:
            shown = Markup('<ul class="small-runs">{}</ul>\n').format(items)
            folds.append(details(name, shown, is_open=bool(found)))
    if not folds:
        return left_out("runs", say("check.runs.title"), say("check.runs.left_out"))
    return Section("runs", say("check.runs.title"), join([paragraph(say("check.runs.text")), *folds]))


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
    of_files = findings[is_of_files(findings)]
    is_row = of_files["check"] == "run_sheet_row"
    there = {
        "frame_log": {task.run for task in review.tasks if task.frame_path is not None},
        "sensor_log": {task.run for task in review.tasks if task.sensor_path is not None},
    }
    lost = (
        (row.run, getattr(row, column))
        for row, (column, runs) in product(review.runs.itertuples(), there.items())
        if getattr(row, column) and row.run not in runs
    )
    missing = (say("check.logs.names", run=run, file=file) for run, file in lost)
    parts = {
        "bad_rows": map(finding_text, of_files[is_row].itertuples()),
        "missing": missing,
        "files": map(finding_text, of_files[~is_row].itertuples()),
    }
    facts = [one for one in (review.facts_of(task.run) for task in review.tasks) if one is not None]
    parts["read"] = _how_read(facts)
    listed = {name: bullets(lines) for name, lines in parts.items()}
    body = [join([heading(say(f"check.logs.{name}")), shown]) for name, shown in listed.items() if shown]
    if not body:
        return left_out("logs", say("check.logs.title"), say("check.logs.left_out"))
    example = next((one for one in facts if one.frame_columns or one.sensor_columns), None)
    if example:
        choices = [*example.frame_columns, *example.sensor_columns]
        evidence = terms((capital(_role(one.role)), f"{one.label}: {one.why}") for one in choices)
        body.append(details(say("check.logs.why", run=example.run), evidence))
    return Section("logs", say("check.logs.title"), join(body))


def _how_read(facts: list[RunFacts]) -> Iterator[str]:
    """Yield how the logs were read: one line where all are alike."""
    yield from _ways([one for one in facts if one.frame_log], _frames_way, kind="frame")
    yield from _ways([one for one in facts if one.sensor_log], _sensors_way, kind="sensor")
    by_way: dict[str, list[RunFacts]] = {}
    for one in facts:
        if one.alignment:
            by_way.setdefault(one.alignment, []).append(one)
    for way, alike in by_way.items():
        shifts = np.array([one.shift_s for one in alike], dtype=float)
        known = shifts[np.isfinite(shifts)]
        key = f"check.alignment.{way}"
        moved = say("check.alignment.shifted", by=_range(known)) if known.size and way != "same_rows" else ""
        if way == "alone":
            yield say("check.alignment.alone", n=len(alike))
        else:
            yield say("check.alignment.text", n=len(alike), how=say(key) if has(key) else way, moved=moved)


def _ways(facts: list[RunFacts], way_of: Callable[[RunFacts], str], *, kind: str) -> Iterator[str]:
    """Yield each way in which logs were read, and which runs were read so."""
    by_way: dict[str, list[str]] = {}
    for one in facts:
        by_way.setdefault(way_of(one), []).append(one.run)
    for way, runs in sorted(by_way.items(), key=lambda item: -len(item[1])):
        scope = "all" if len(by_way) == 1 else "some"
        yield say(f"check.read.{kind}.{scope}", n=len(runs), way=way, runs=names_text(runs))


def _frames_way(facts: RunFacts) -> str:
    stamped = say(f"check.read.stamped.{facts.stamped}") if facts.stamped else ""
    return "; ".join(filter(None, [facts.frame_dialect, _columns(facts.frame_columns), stamped]))


def _sensors_way(facts: RunFacts) -> str:
    return _columns(facts.sensor_columns) or say("check.read.no_column")


def _columns(choices: Iterable[ColumnChoice]) -> str:
    """Return which column is what."""
    return ", ".join(
        say("check.read.column", role=_role(one.role), label=one.label) + (f" [{one.unit}]" if one.unit else "")
        for one in choices
    )


def _role(role: str) -> str:
    """Return what a column was taken for, in words."""
    if has(f"check.role.{role}"):
        return say(f"check.role.{role}")
    return METRICS[role].label if role in METRICS else role.replace("_", " ")


def _range(values: np.ndarray) -> str:
    low, high = (number_text(float(one), decimals=2) for one in (values.min(), values.max()))
    return f"{low if low == high else say('number.span', low=low, high=high)} s"


def check_limits(plan: ReviewPlan) -> Section:
    """Return the section with the limits of the checks, and the tables beside the page.

    Parameters
    ----------
    plan : ReviewPlan
    """
    fields = columns({
        "key": lambda one: one.key, "limit": lambda one: f"{getattr(plan.checks, one.key):g}",
        "default": lambda one: f"{one.default:g}", "meaning": lambda one: capital(one.meaning),
    }, numbers=("limit", "default"))  # fmt: skip
    changed = [one.key for one in list_limits() if getattr(plan.checks, one.key) != one.default]
    told = say("check.limits.changed", keys=names_text(changed)) if changed else say("check.limits.own")
    files = [
        join([link(f"check/tables/{one.name}.csv", f"{one.name}.csv"), say("files.rows", row=one.row)], ": ")
        for one in _DOWNLOADS
    ]
    guide = link("check/tables/datapackage.json", "datapackage.json")
    files.append(join([guide, say("check.limits.guide")], ": "))
    body = [
        paragraph(say("check.limits.text"), told),
        details(say("check.limits.every"), listing(fields, list_limits(), caption=say("check.limits.caption"))),
        heading(say("check.limits.tables")), bullets(files),
        paragraph(say("check.limits.no_means"), css="muted"),
    ]  # fmt: skip
    return Section("limits", say("check.limits.title"), join(body))
