"""The page of `check`: runs to redo, every finding with its pictures, every run, how logs were read, limits."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator
from itertools import product
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.checks import POSSIBLE, REDO
from gpubench_kit.checks.evidence import CELL_KEY, run_text
from gpubench_kit.checks.review import check_of
from gpubench_kit.files import slug
from gpubench_kit.logs.format import ColumnChoice
from gpubench_kit.logs.review import Review
from gpubench_kit.logs.run_facts import RunFacts
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.rules import list_limits
from gpubench_kit.model.tables import FINDINGS, NOISE, RUNS, Table
from gpubench_kit.page import elements as html
from gpubench_kit.page.charts import Plot
from gpubench_kit.page.charts.run_logs import every_run, run_charts
from gpubench_kit.page.elements import Markup, Section
from gpubench_kit.page.method import finding_text
from gpubench_kit.wording.catalogue import has, isolated, say
from gpubench_kit.wording.numbers import number_text
from gpubench_kit.wording.terms import capital, check_words, names_text, scene_text

#: Runs shown with a picture; a page with more is slow to open, and says so.
_MOST_PICTURED = 40


def check_redo(redo: pd.DataFrame, plan: ReviewPlan) -> Section:
    """Return the list to take back to the bench: runs to redo first, then runs that ask for a cause.

    Parameters
    ----------
    redo : DataFrame, one row per run to redo; see `gpubench_kit.checks.REDO`
    plan : ReviewPlan
    """

    def what(row: Any) -> Markup:
        # As few words as fit beside each other on a telephone.
        below = ", ".join(filter(None, [row.tuning, _round(row.round)]))
        return Markup('{}<br><span class="unit">{}</span>').format(html.scene_of(row), below)

    columns = [
        ("run", lambda row: html.link(f"#{_address(row.run)}", row.run)), ("what", what),
        ("why", lambda row: ", ".join(row.why.replace("_", " ").split("; "))),
        *[("card", "card")] * (len(plan.cards) > 1), *[("bench", "bench")] * (len(plan.benches) > 1),
    ]  # fmt: skip
    body = []
    for kind, rows in (("first", redo[redo["is_needed"]]), ("cause", redo[~redo["is_needed"]])):
        if len(rows):
            table = html.listing(columns, rows.itertuples(), caption=say(f"check.redo.{kind}.caption"), css="redo")
            body += [
                html.heading(say(f"check.redo.{kind}.title")),
                html.paragraph(say(f"check.redo.{kind}.text")),
                table,
            ]
    return html.section("check.redo", body or [html.paragraph(say("check.redo.none"))])


def _round(number: Any) -> str:
    return "" if pd.isna(number) else say("check.round", round=number)


def check_findings(review: Review, findings: pd.DataFrame, *, redo: pd.DataFrame, plan: ReviewPlan) -> Section:
    """Return every finding: those on several runs, then those on single runs with pictures of the run.

    Parameters
    ----------
    review : the runs, after their logs were read
    findings : DataFrame, one row per finding; see ``tables.FINDINGS``
    redo : DataFrame, one row per run to redo; its runs come first
    plan : ReviewPlan

    Returns
    -------
    Section; left out where the checks found nothing
    """
    told, title = findings[~_is_of_files(findings)], say("quality.findings")
    if not len(told):
        return html.section("check.findings", [], title=title)
    single = told[told["run"].isin(review.runs["run"])]
    found_in = set(single["run"])
    order = [run for run in dict.fromkeys([*redo["run"], *single["run"]]) if run in found_in]
    several = told[~told["run"].isin(found_in)]
    routine = np.array([check_of(one).is_routine for one in several["check"]], dtype=bool)
    body = [
        html.heading(say("check.findings.several")) if not routine.all() else "",
        html.terms(map(_term, several[~routine].itertuples())),
        html.details(
            say("check.findings.notes", n=int(routine.sum())), html.terms(map(_term, several[routine].itertuples()))
        ),
    ]
    unseen = max(0, len(order) - _MOST_PICTURED)
    body += [html.paragraph(say("check.findings.unseen", n=unseen))] * bool(unseen)
    for place, run in enumerate(order):
        own = single[single["run"] == run]
        row = review.runs[review.runs["run"] == run].iloc[0]
        what = ", ".join(filter(None, [html.scene_of(row), row["tuning"], _round(row["round"])]))
        start = f"{isolated(run_text(row))}: "
        drawn: list[Plot] = []
        if place < _MOST_PICTURED:
            drawn = pictures_of_run(review, run, plan=plan, checks=tuple(own["check"]), found_in=found_in)
        listed = html.terms(_term(one, start) for one in own.itertuples())
        body += [html.heading(f"{run}: {what}", name=_address(run)), listed, html.figures(map(html.figure, drawn))]
    return html.section("check.findings", body, title=title)


def _term(row: Any, start: str = "") -> tuple[Markup | str, str]:
    """Return the name of a check with what its finding does where it does anything, and the finding in words."""
    key, name = f"check.does.{row.severity}", check_words(row.check)
    does = Markup('{} <span class="unit">{}</span>').format(name, say(key)) if has(key) else name
    return does, finding_text(row, start)


def _address(run: str) -> str:
    """Return the address of a run on the page."""
    return slug("run", run)


_DOWNLOADS: tuple[Table, ...] = (POSSIBLE, REDO, FINDINGS, NOISE, RUNS)


def _is_of_files(findings: pd.DataFrame) -> np.ndarray:
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
    list of Plot; empty where the run has no trace. The peer that it is laid over has the middle frame rate.
    """
    facts, runs = review.facts_of(run), review.runs
    if facts is None:
        return []
    own = runs[runs["run"] == run].iloc[0]
    alike = np.logical_and.reduce([runs[name] == own[name] for name in CELL_KEY])
    names = runs.loc[alike & (runs["run"] != run) & (runs["excluded"] == "") & ~runs["run"].isin(found_in), "run"]
    known = [one for one in map(review.facts_of, names) if one is not None and one.trace is not None]
    known.sort(key=lambda one: one.n_frames / one.duration_s)
    peer = known[(len(known) - 1) // 2] if known else None
    what = f"{run}: {html.scene_of(own)}, {own['tuning']}"
    shown_by = dict.fromkeys(name for check in checks for name in check_of(check).shown_by)
    marks = tuple(mark for check in checks for mark in _marks_of(facts, check) if np.isfinite(mark[0]))
    return run_charts(facts, plan, what=what, shown=shown_by, marks=marks, peer=peer)


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
        items = (Markup("<li>{}{}</li>\n").format(triangle if is_marked else "", plot) for is_marked, plot in small)
        found = sum(is_marked for is_marked, _ in small)
        name = [say("check.runs.fold", scene=scene_text(*scene), n=len(small))]
        name += [say("check.runs.found", n=found)] * bool(found)
        if small:
            shown = Markup('<ul class="small-runs">{}</ul>\n').format(html.join(items))
            folds.append(html.details(html.join(name, ", "), shown, is_open=bool(found)))
    return html.section("check.runs", [html.paragraph(say("check.runs.text")), *folds] if folds else [])


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
    of_files = findings[_is_of_files(findings)]
    is_row = of_files["check"] == "run_sheet_row"
    there = {
        "frame_log": {task.run for task in review.tasks if task.frame_path is not None},
        "sensor_log": {task.run for task in review.tasks if task.sensor_path is not None},
    }
    facts = [one for one in (review.facts_of(task.run) for task in review.tasks) if one is not None]
    parts: dict[str, Iterable[str]] = {
        "bad_rows": map(finding_text, of_files[is_row].itertuples()),
        "missing": (
            say("check.logs.names", run=row.run, file=getattr(row, column))
            for row, (column, runs) in product(review.runs.itertuples(), there.items())
            if getattr(row, column) and row.run not in runs
        ),
        "files": map(finding_text, of_files[~is_row].itertuples()),
        "read": _how_read(facts),
    }
    listed = {name: html.bullets(lines) for name, lines in parts.items()}
    body = [html.join([html.heading(say(f"check.logs.{name}")), shown]) for name, shown in listed.items() if shown]
    example = next((one for one in facts if one.frame_columns or one.sensor_columns), None)
    if body and example:
        choices = [*example.frame_columns, *example.sensor_columns]
        evidence = html.terms((capital(_role(one.role)), f"{one.label}: {one.why}") for one in choices)
        body.append(html.details(say("check.logs.why", run=example.run), evidence))
    return html.section("check.logs", body)


def _how_read(facts: list[RunFacts]) -> Iterator[str]:
    """Yield how the logs were read, each way once, with the runs that were read so."""
    frames: dict[str, list[str]] = {}
    sensors: dict[str, list[str]] = {}
    by_alignment: dict[str, list[RunFacts]] = {}
    for one in facts:
        if one.frame_log:
            stamped = say(f"check.read.stamped.{one.stamped}") if one.stamped else ""
            way = "; ".join(filter(None, [one.frame_dialect, _columns(one.frame_columns), stamped]))
            frames.setdefault(way, []).append(one.run)
        if one.sensor_log:
            way = _columns(one.sensor_columns) or say("check.read.no_column")
            sensors.setdefault(way, []).append(one.run)
        if one.alignment:
            by_alignment.setdefault(one.alignment, []).append(one)
    for kind, by_way in (("frame", frames), ("sensor", sensors)):
        scope = "all" if len(by_way) == 1 else "some"
        for way, runs in sorted(by_way.items(), key=lambda item: -len(item[1])):
            yield say(f"check.read.{kind}.{scope}", n=len(runs), way=way, runs=names_text(runs))
    for way, alike in by_alignment.items():
        shifts = np.array([one.shift_s for one in alike], dtype=float)
        known = shifts[np.isfinite(shifts)]
        key, moved = f"check.alignment.{way}", ""
        if known.size and way != "same_rows":
            low, high = (number_text(float(one), decimals=2) for one in (known.min(), known.max()))
            by = low if low == high else say("number.span", low=low, high=high)
            moved = say("check.alignment.shifted", by=f"{by} s")
        if way == "alone":
            yield say("check.alignment.alone", n=len(alike))
        else:
            yield say("check.alignment.text", n=len(alike), how=say(key) if has(key) else way, moved=moved)


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


def check_limits(plan: ReviewPlan) -> Section:
    """Return the section with the limits of the checks, and the tables beside the page.

    Parameters
    ----------
    plan : ReviewPlan
    """
    columns = [
        ("key", "key"), ("limit", lambda one: f"{getattr(plan.checks, one.key):g}", ""),
        ("default", lambda one: f"{one.default:g}", ""), ("meaning", lambda one: capital(one.meaning)),
    ]  # fmt: skip
    changed = [one.key for one in list_limits() if getattr(plan.checks, one.key) != one.default]
    told = say("check.limits.changed", keys=names_text(changed)) if changed else say("check.limits.own")
    guide = html.link("check/tables/datapackage.json", "datapackage.json")
    files = [*html.table_links("check/tables", _DOWNLOADS), html.join([guide, say("check.limits.guide")], ": ")]
    listed = html.listing(columns, list_limits(), caption=say("check.limits.caption"))
    return html.section("check.limits", [
        html.paragraph(say("check.limits.text"), told),
        html.details(say("check.limits.every"), listed),
        html.heading(say("check.limits.tables")), html.bullets(files),
        html.paragraph(say("check.limits.no_means"), css="muted"),
    ])  # fmt: skip
