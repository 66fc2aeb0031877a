"""The sweep: from usable runs at a ladder of settings to the lowest power that loses nothing that matters.

Three questions, answered apart from each other: how far down the loss stays inside the margin (tests in fixed
order, which need no curve), which setting spends least energy on a frame, and where frame rate stops keeping up
with power (the fitted curve). No setting is called stable.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd

from gpubench_kit.model.errors import DesignError, GpubenchError
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.comparisons import Ladder, ladder_of
from gpubench_kit.statistics.compare import estimate_noise, levels_of_games
from gpubench_kit.statistics.looks import level_of_looks
from gpubench_kit.statistics.runs import CodedRuns, encode_runs
from gpubench_kit.sweep.answers import (
    ANSWERS,
    BETWEEN,
    CURVES,
    NEXT,
    READINGS,
    SWEEP,
    answer_line,
    most_efficient,
    setting_rows,
)
from gpubench_kit.sweep.curves import (
    PARTS,
    Curves,
    Side,
    between_rows,
    curve_rows,
    fit_curves,
    losses_to_read,
    powers_to_read,
    reading_rows,
)
from gpubench_kit.sweep.measured import (
    ENERGY,
    POWER,
    RATE,
    Failures,
    Measured,
    failures_of,
    measure_ladder,
    most_efficient_set,
    ruled_out,
)
from gpubench_kit.wording.catalogue import say

_DECLARED = {"settings": SWEEP, "curves": CURVES, "answers": ANSWERS, "proposals": NEXT, "readings": READINGS}


@dataclass(frozen=True)
class Sweep:
    """What a sweep shows.

    Attributes
    ----------
    settings : one row per setting; see ``sweep.answers.SWEEP``
    curves : fitted curves; see ``sweep.answers.CURVES``
    answers : one row per line of settings; see ``sweep.answers.ANSWERS``
    proposals : what to measure next; see ``sweep.answers.NEXT``
    readings : read off the curves; see ``sweep.answers.READINGS``
    between : two cards at equal power and at equal frame rate; see ``sweep.answers.BETWEEN``
    ladders : the ladder of each card
    failures : what failed, by (card, tuning)
    too_many_looks : whether the results were looked at too often for any test
    """

    settings: pd.DataFrame
    curves: pd.DataFrame
    answers: pd.DataFrame
    proposals: pd.DataFrame
    readings: pd.DataFrame
    between: pd.DataFrame
    ladders: Mapping[str, Ladder]
    failures: Mapping[tuple[str, str], Failures]
    too_many_looks: bool

    @property
    def tables(self) -> dict[str, pd.DataFrame]:
        """All tables by the names of ``sweep.answers.SWEEP_TABLES``."""
        return {"sweep": self.settings, "sweep_curves": self.curves, "sweep_answers": self.answers,
                "sweep_next": self.proposals, "sweep_readings": self.readings,
                "sweep_between": self.between}  # fmt: skip


def find_tuning(usable: pd.DataFrame, runs: pd.DataFrame, plan: ReviewPlan, *, looks_made: int = 0) -> Sweep:
    """Search the ladder of a plan, and fit frame rate, power and energy per frame over it.

    Parameters
    ----------
    usable : DataFrame, one row per usable run and metric; see ``tables.USABLE``
    runs : DataFrame, one row per run, those left out too; see ``tables.RUNS``
    plan : ReviewPlan, gives ``sweep.ladder``, the tunings with their changes, margin and level
    looks_made : looks at verdicts so far, this one included

    Returns
    -------
    Sweep; each card on each bench is searched on its own, and groups of game settings are never pooled

    Raises
    ------
    TableError : ``usable`` lacks a column
    PlanError : the ladder is not named and cannot be told, or two tunings are one setting
    DesignError : no setting stands beside the factory state

    Notes
    -----
    A sweep is a family of its own: nothing on the page is corrected for it, nor is it for the page. Its level is
    that of the plan's confidence, 5 %; from a second look on it is that of any later look. The level is shared
    between lines of settings (Bonferroni); within a line no correction is needed, since each step is tested
    only if the one before it passed.
    """
    later, too_many = level_of_looks(plan, looks_made=looks_made)
    level = later if looks_made > 1 else round(1 - plan.analysis.confidence, 12)
    swept = [_swept(one, (usable, runs), plan, level=level) for one in _ladders(usable, plan)]
    parts = [
        _rows_of(one, group, plan, is_judged=not too_many)
        for one in swept
        for group in range(len(one.measured.groups))
    ]
    rows = {name: [row for part in parts for row in part[name]] for name in _DECLARED}
    return Sweep(
        **{name: table.frame(rows[name]) for name, table in _DECLARED.items()},
        between=BETWEEN.frame(list(_between(usable, swept, plan)) if not too_many else []),
        ladders={one.measured.card: one.measured.ladder for one in swept},
        failures={(one.measured.card, tuning): failed for one in swept for tuning, failed in one.failures.items()},
        too_many_looks=too_many,
    )


def _between(usable: pd.DataFrame, swept: Sequence[_Swept], plan: ReviewPlan) -> Iterator[dict]:
    """Yield readings of the card under review against each rival that was swept on the same bench."""
    roles = {unit.name: unit.role for unit in plan.card_units}
    reviewed, rivals = (
        [one for one in swept if roles[one.measured.card] == role] for role in ("reviewed", "rival")
    )
    couples = [two for two in product(reviewed, rivals) if two[0].measured.bench == two[1].measured.bench]
    if not couples:
        return
    coded = encode_runs(usable)
    for of, against in couples:
        for group in (one for one in of.measured.groups if one in against.measured.groups):
            sides = [_side(one, group, plan) for one in (of, against)]
            yield from between_rows(coded, sides, group=group, plan=plan)


def _side(swept: _Swept, group: str, plan: ReviewPlan) -> Side:
    """Return a card with curves along the line of its factory state."""
    measured, place = swept.measured, swept.measured.groups.index(group)
    home = next((line for line in measured.ladder.lines if line.has_factory), measured.ladder.lines[0])
    curves = fit_curves(measured, home, group=place, seed=plan.analysis.seed, parts=PARTS)
    factory = {metric: _factory_value(swept, metric, place) for metric in (RATE, POWER)}
    shapes = dict(zip((RATE, POWER), curves.both, strict=True)) if curves.both else {}
    return Side(measured, shapes, factory)


@dataclass(frozen=True)
class _Swept:
    """One card on one bench: its runs, levels, measured settings and failures."""

    coded: CodedRuns
    levels: pd.DataFrame
    measured: Measured
    failures: Mapping[str, Failures]

    @property
    def ruled_out(self) -> frozenset[str]:
        """Settings that are not named, since they or nearer ones failed."""
        return ruled_out(self.measured.ladder, self.failures)


def _swept(
    place: tuple[str, str, Ladder], data: tuple[pd.DataFrame, pd.DataFrame], plan: ReviewPlan, *, level: float
) -> _Swept:
    """Return what was measured on one card and bench."""
    (card, bench, ladder), (usable, runs) = place, data
    own = _of_subject(usable, (card, bench), plan)
    coded = encode_runs(own)
    levels = levels_of_games(estimate_noise(own, plan), plan)
    measured = measure_ladder(coded, ladder, subject=(card, bench), plan=plan, level=level)
    tunings = (ladder.reference, *measured.tunings)
    failures = {one: failures_of(one, runs, subject=(card, bench), plan=plan) for one in tunings}
    return _Swept(coded, levels, measured, failures)


def _rows_of(swept: _Swept, group: int, plan: ReviewPlan, *, is_judged: bool) -> dict[str, list[dict]]:
    """Return the rows of every table for one group of game settings."""
    measured, failures = swept.measured, swept.failures
    factory = {metric: _factory_value(swept, metric, group) for metric in (RATE, POWER, ENERGY)}
    lines, seed = measured.ladder.lines, plan.analysis.seed
    curves = [fit_curves(measured, line, group=group, seed=seed) for line in lines]
    answers = [
        answer_line(measured, one, failures=failures, group=group, plan=plan, is_judged=is_judged) for one in curves
    ]
    settings = list(setting_rows(measured, answers, failures, group=group, factory=factory))
    kept, best = _most_efficient_set(swept, group, plan), most_efficient(settings, swept.ruled_out)
    powers, losses = powers_to_read(curves, factory[POWER], plan), losses_to_read(plan)
    readings = [
        _of_line(one, row)
        for one in curves
        for row in reading_rows(one, powers, losses, factory_w=factory[POWER], factory_fps=factory[RATE])
    ]
    made = {
        "settings": [row | {"may_be_most_efficient": kept.get(row["tuning"])} for row in settings],
        "curves": [_of_line(one, row) for one in curves for row in curve_rows(one)],
        "answers": [_of_line(one.curves, one.row) | {"most_efficient_tuning": best} for one in answers],
        "proposals": [_of_line(one.curves, row) for one in answers for row in one.proposals],
        "readings": readings,
    }
    subject = {"card": measured.card, "bench": measured.bench, "group": measured.groups[group]}
    return {name: [subject | row for row in rows] for name, rows in made.items()}


def _factory_value(swept: _Swept, metric: str, group: int) -> float:
    """Return the factory state's mean over all games; nan where it was not measured."""
    measured, levels = swept.measured, swept.levels
    found = levels[(levels["tuning"] == measured.ladder.reference) & (levels["metric"] == metric)
                   & (levels["group"] == measured.groups[group]) & (levels["game"] == "")]  # fmt: skip
    return float(found["value"].iloc[0]) if len(found) else np.nan


def _most_efficient_set(swept: _Swept, group: int, plan: ReviewPlan) -> dict[str, bool]:
    """Return which settings without failures no other is shown to beat in energy per frame."""
    measured = swept.measured
    known = {one for row, one in enumerate(measured.tunings) if measured.energy.withheld[row, group] == ""}
    known.add(measured.ladder.reference)
    tunings = tuple(one for one in swept.failures if one in known and one not in swept.ruled_out)
    if len(tunings) < 2:
        return {}
    kept = most_efficient_set(swept.coded, measured, tunings, plan=plan)[:, group]
    return dict(zip(tunings, map(bool, kept), strict=True))


def _ladders(usable: pd.DataFrame, plan: ReviewPlan) -> Iterator[tuple[str, str, Ladder]]:
    """Yield card, bench and ladder of everything swept."""
    for unit in plan.card_units:
        try:
            ladder = ladder_of(plan, card=unit.name)
        except DesignError:
            # A rival may have none.
            if unit.role == "reviewed":
                raise
            continue
        for bench in plan.benches:
            rows = _of_subject(usable, (unit.name, bench.name), plan)
            if rows["tuning"].isin(ladder.tunings).any():
                yield unit.name, bench.name, ladder


def _of_subject(usable: pd.DataFrame, subject: tuple[str, str], plan: ReviewPlan) -> pd.DataFrame:
    """Return the runs of one card (or model) on one bench."""
    card, bench = subject
    rows = usable[usable["card"].isin(plan.cards_named(card))]
    return rows[rows["bench"] == bench] if "bench" in rows else rows


def _of_line(curves: Curves, row: dict) -> dict:
    """Return a row with the name of its line."""
    return {"line": curves.line.name} | row


@dataclass(frozen=True)
class SweepInReview:
    """A sweep, or why the review has none.

    Attributes
    ----------
    found : what the sweep shows; None where there is none
    why : why there is none; empty where there is one
    """

    found: Sweep | None
    why: str = ""

    @property
    def tables(self) -> Mapping[str, pd.DataFrame]:
        """Tables of the sweep by name; none without one."""
        return self.found.tables if self.found else {}


def sweep_in_review(
    usable: pd.DataFrame, runs: pd.DataFrame, plan: ReviewPlan, *, looks_made: int = 0
) -> SweepInReview:
    """Search the ladder of a review, where its plan names one.

    Parameters
    ----------
    usable : DataFrame, one row per usable run and metric; see ``tables.USABLE``
    runs : DataFrame, one row per run, those left out too; see ``tables.RUNS``
    plan : ReviewPlan
    looks_made : looks at verdicts so far, this one included

    Returns
    -------
    SweepInReview; a review without a sweep, or with one that cannot be searched, is a review all the same
    """
    if not plan.sweep.ladder:
        return SweepInReview(None, say("sweep.why_none.no_ladder"))
    try:
        found = find_tuning(usable, runs, plan, looks_made=looks_made)
    except GpubenchError as error:
        return SweepInReview(None, say("sweep.why_none.fault", problem=error.faults[0].problem.rstrip(".")))
    return SweepInReview(found) if len(found.answers) else SweepInReview(None, say("sweep.why_none.not_measured"))
