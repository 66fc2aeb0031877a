"""How ready the runs are: the verdicts they can give, the rounds done, the runs to repeat.

Whether a verdict is possible is decided from how runs were done and read; no difference is looked at.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import product

import numpy as np
import pandas as pd

from gpubench_kit.checks import POSSIBLE, REDO
from gpubench_kit.checks.evidence import CHECKED_PURPOSES
from gpubench_kit.checks.review import check_of, used_mask, used_runs
from gpubench_kit.files import swap_file
from gpubench_kit.logs.review import Review, formats_to_confirm
from gpubench_kit.model.errors import Fault, PlanError, ReportError, listed, shown
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import PLAN_FILE, ReviewPlan
from gpubench_kit.model.tables import Column, Table, columns_named
from gpubench_kit.statistics.compare import measure_pairs
from gpubench_kit.statistics.comparison import Measured
from gpubench_kit.statistics.design import CONFOUNDED
from gpubench_kit.statistics.looks import level_of_looks
from gpubench_kit.statistics.runs import AGAINST, OF, encode_runs
from gpubench_kit.wording.catalogue import has, say

_NO_RUNS = "not_measured"

#: Findings that tell why runs have no samples, those that most must be known first.
_NO_SAMPLES = (
    "clock_not_proven", "sensor_log_unusable", "sensor_log_of_another_run", "not_aligned", "samples_missing",
)  # fmt: skip
_NO_POWER = ("power_averages", "power_stands")

#: Reasons of single runs, which a design that gives no verdict at all goes before.
_OF_READING = ("", "format_not_confirmed", "one_run", "no_spread")


@dataclass(frozen=True)
class Readiness:
    """What the runs of a review are ready for.

    Attributes
    ----------
    possible : verdicts of the plan, and whether the runs can give them; see `gpubench_kit.checks.POSSIBLE`
    redo : runs to repeat; see `gpubench_kit.checks.REDO`
    review : the runs
    """

    possible: pd.DataFrame
    redo: pd.DataFrame
    review: Review

    def confirm_format(self, format_id: str, *, frames: str = "") -> str:
        """Write into the plan that a format of logs, which is only likely, is read rightly.

        Parameters
        ----------
        format_id : short name of the format, as the page and ``inspect`` print it
        frames : unit of the frame times, to say it once more; it has to be that of the proposal

        Returns
        -------
        str, the entry of ``[[logs.format]]`` that the plan now holds; it counts once the plan is loaded again

        Raises
        ------
        PlanError : no such format waits, or the proposal has another unit; the plan is as it was
        ReportError : the plan cannot be written
        """
        waiting = {one.facts.format_id: one.entry for one in formats_to_confirm(self.review)}
        entry = waiting.get(format_id)
        if entry is None:
            problem = f"no format {shown(format_id)} waits for it (waiting: {listed(waiting) or 'none'})."
            raise PlanError(Fault("confirm_format", problem, "Look at the page of check: it names what waits."))
        if frames and f'unit = "{frames}"' not in entry.partition("frames = ")[2]:
            problem = (
                f"{shown(format_id)} is not read in {shown(frames)}; the proposal is: {entry.splitlines()[-1]}"
            )
            raise PlanError(
                Fault("confirm_format", problem, "If that is wrong, write the entry into the plan by hand.")
            )
        file = self.review.plan.folder / PLAN_FILE
        try:
            before = file.read_bytes()
        except OSError as error:
            problem = f"it cannot be read ({error.strerror or error})."
            raise ReportError(Fault(file.name, problem, "Check its permissions.")) from error
        if entry.encode() not in before:
            swap_file(file, before + (b"\n" if before.endswith(b"\n") else b"\n\n") + entry.encode())
        return entry


def check_readiness(
    review: Review, usable: pd.DataFrame, *, findings: pd.DataFrame, looks_made: int = 0
) -> Readiness:
    """Tell which verdicts the runs so far can give, and which runs are to be repeated.

    Parameters
    ----------
    review : the runs, after their logs were read
    usable : DataFrame, one row per usable run and metric; see ``tables.USABLE``
    findings : DataFrame, one row per finding; see ``tables.FINDINGS``
    looks_made : looks at verdicts so far, a new one included

    Returns
    -------
    Readiness; see `possible_verdicts` and `runs_to_repeat`
    """
    runs = used_runs(review, findings)
    possible = possible_verdicts(usable, runs, findings=findings, plan=review.plan, looks_made=looks_made)
    return Readiness(possible, runs_to_repeat(review, findings), review)


def possible_verdicts(
    usable: pd.DataFrame, runs: pd.DataFrame, *, findings: pd.DataFrame, plan: ReviewPlan, looks_made: int
) -> pd.DataFrame:
    """Tell for each game and metric of the plan whether the runs so far can give a verdict, and why not.

    Parameters
    ----------
    usable : DataFrame, one row per usable run and metric; see ``tables.USABLE``
    runs : DataFrame, one row per run; see ``tables.RUNS``
    findings : DataFrame, one row per finding; see ``tables.FINDINGS``
    plan : the review's plan
    looks_made : looks at verdicts so far, a new one included

    Returns
    -------
    DataFrame, one row per metric, game and setting; see `POSSIBLE`. A verdict is possible where every pair of the
    plan can be judged, whatever the verdict would be; undecided is one. Pairs with a tuning that has no run yet are
    left out, as long as there are others.

    Notes
    -----
    Nothing of a difference enters: the reasons are those of the order of the runs, of how their logs were read and
    of what the checks found.
    """
    _, too_many = level_of_looks(plan, looks_made=looks_made)
    found: dict[tuple[str, str, str], tuple[str, tuple[str, str]]] = {}
    measured = set(usable["tuning"])
    judged = {place for place, one in enumerate(plan.pairs()) if {one.of.tuning, one.against.tuning} <= measured}
    absent = [one.name for one in plan.tunings if one.name not in measured] if judged else []
    for key, reason, in_turn in _cells(usable, plan, judged=judged):
        if key not in found or not found[key][0]:
            found[key] = ("too_many_looks" if too_many and not reason else reason, in_turn)
    rows = []
    for key in ((metric, *scene) for metric, scene in product(plan.analysis.metrics, plan.scenes)):
        reason, in_turn = found.get(key, (_NO_RUNS, ("", "")))
        reason = _why_no_runs(key, runs, findings) if reason == _NO_RUNS else reason
        fix = say(f"check.fix.{reason}") if has(f"check.fix.{reason}") else ""
        rows.append((*key, reason == "", reason, *in_turn, ", ".join(absent), fix))
    return POSSIBLE.frame(pd.DataFrame(rows, columns=POSSIBLE.names))


def _cells(
    usable: pd.DataFrame, plan: ReviewPlan, *, judged: set[int]
) -> Iterator[tuple[tuple[str, str, str], str, tuple[str, str]]]:
    """Yield metric, game and setting of each pair judged, why it has no verdict, and tunings measured in turn."""
    seen: dict[int, set[tuple[str, str, str]]] = {place: set() for place in judged}
    for measured in measure_pairs(encode_runs(usable), plan):
        pair = measured.pair
        scenes = zip(pair.cell_text("game"), pair.cell_text("setting"), strict=True)
        keys = [(pair.metric, *scene) for scene in scenes]
        seen[measured.place].update(keys)
        confounded = (measured.design.classes == CONFOUNDED) & ~measured.is_widened
        # The order of the runs goes before what can be put right in reading.
        goes_first = confounded & np.isin(measured.withheld, _OF_READING)
        by_order = np.where(measured.design.unstated, "not_stated", "confounded")
        reasons = np.where(goes_first, by_order, measured.withheld)
        yield from zip(keys, map(str, reasons), _one_after_another(measured, plan), strict=True)
    # A game that one pair has and another lacks cannot give every verdict of the plan.
    everywhere = set().union(*seen.values())
    yield from ((key, _NO_RUNS, ("", "")) for keys in seen.values() for key in sorted(everywhere - keys))


def _one_after_another(measured: Measured, plan: ReviewPlan) -> list[tuple[str, str]]:
    """Return, for each confounded game, the tuning whose runs all came first, and the other; else empty names."""
    pair, sides = measured.pair, plan.pairs()[measured.place]
    order, names = pair.runs.numbers["order"], (sides.of.tuning, sides.against.tuning)
    is_asked = (measured.design.classes == CONFOUNDED) & ~measured.design.unstated & (names[0] != names[1])
    found = []
    for cell in range(pair.n_cells):
        of, against = (order[(pair.cell == cell) & (pair.side == side)] for side in (OF, AGAINST))
        is_known = is_asked[cell] and len(of) and len(against) and np.isfinite([*of, *against]).all()
        if is_known and of.max() < against.min():
            found.append(names)
        else:
            found.append(names[::-1] if is_known and against.max() < of.min() else ("", ""))
    return found


def _why_no_runs(key: tuple[str, str, str], runs: pd.DataFrame, findings: pd.DataFrame) -> str:
    """Return why a side of a game has no value of a metric."""
    metric, game, setting = key
    here = runs[(runs["game"] == game) & (runs["setting"] == setting)]
    checks, states = set(findings["check"]), set(here["excluded_for"])
    if "not_recorded" in states:
        return "logs_not_matched" if "logs_not_matched" in checks else "not_recorded"
    if "log_unusable" in states:
        return "log_unusable"
    if len(here) and (here["purpose"] == "pilot").all():
        return "pilots_only"
    if METRICS[metric].needs not in ("sensors", "both") or not len(here):
        return _NO_RUNS
    of_here = set(findings.loc[findings["run"].isin([*here["run"], ""]), "check"])
    causes = (*_NO_SAMPLES, *(_NO_POWER if METRICS[metric].section in ("power", "energy") else ()))
    return next((one for one in causes if one in of_here), _NO_RUNS)


ROUND_KEY = ("card", "bench", "session", "game", "setting", "purpose", "round")

#: Inside the kit only.
PROGRESS = Table(
    "progress", "round of a game", ROUND_KEY,
    (
        *columns_named("card bench session game setting purpose round"),
        Column("n_planned", "integer", "runs of the round, repeats apart"),
        Column("n_done", "integer", "of these, recorded and used"),
        Column("n_to_record", "integer", "of these, not recorded yet"),
    ),
)  # fmt: skip

_SLOT_OF_ROUND = [*ROUND_KEY, "tuning"]


def progress_of(runs: pd.DataFrame) -> pd.DataFrame:
    """Return how far each round of each game is.

    Parameters
    ----------
    runs : DataFrame, one row per run of the sheet; see ``tables.RUNS``

    Returns
    -------
    DataFrame, one row per round, in sheet order; see `PROGRESS`. A repeat fills the place of the run that it
    replaces. What is neither done nor to record was left out, and waits for a repeat.

    Notes
    -----
    Rows without a round are one round, and each of them is a place of its own.
    """
    rows = runs[runs["purpose"].isin(CHECKED_PURPOSES)].copy()
    rows["is_done"] = rows["used"].fillna(False).astype(bool) | (
        (rows["purpose"] == "pilot") & (rows["excluded_for"] == "pilot")
    )
    rows["to_record"] = rows["excluded_for"] == "not_recorded"
    rows["place"] = rows["run"].where(rows["round"].isna(), "")
    slots = (
        rows.groupby([*_SLOT_OF_ROUND, "place"], sort=False, dropna=False)[["is_done", "to_record"]]
        .any()
        .reset_index()
    )
    slots["to_record"] &= ~slots["is_done"]
    rounds = slots.groupby(list(ROUND_KEY), sort=False, dropna=False).agg(
        n_planned=("is_done", "size"), n_done=("is_done", "sum"), n_to_record=("to_record", "sum")
    )
    return PROGRESS.frame(rounds.reset_index())


#: One run each: a slot that a repeat fills again.
_SLOT = ["card", "bench", "tuning", "game", "setting", "purpose", "session", "round"]
_BENCH_ORDER = ["card", "bench", "game", "setting", "round", "order"]


def runs_to_repeat(review: Review, findings: pd.DataFrame) -> pd.DataFrame:
    """List the runs that are to be redone, those that verdicts need first, sorted for the bench.

    Parameters
    ----------
    review : the runs, after their logs were read
    findings : see ``tables.FINDINGS``

    Returns
    -------
    DataFrame, one row per run; see `REDO`. Needed are runs that were excluded for a cause, or as too
    short, and not repeated yet, and runs that a ``stop`` concerns. Then come runs with a note that asks
    for a cause. Games are kept together, so that each is started once.
    """
    runs = review.runs
    used = used_mask(runs, findings)
    short = findings[findings["check"] == "min_duration_s"].drop_duplicates("run").set_index("run")["message"]
    by_cause = (runs["excluded"] != "") & runs["purpose"].isin(["measure", "soak", "pilot"])
    left_out = runs[by_cause | runs["run"].isin(short.index)]
    filled = set(map(tuple, runs.loc[used, _SLOT].fillna(-1).to_numpy()))
    replaced = set(runs.loc[used, "replaces"]) - {""}
    slots = map(tuple, left_out[_SLOT].fillna(-1).to_numpy())
    is_open = [slot not in filled and run not in replaced for slot, run in zip(slots, left_out["run"], strict=True)]
    rows = [
        (row.run, row.excluded or "min_duration_s", short.get(row.run, say("check.excluded", cause=row.excluded)))
        for row in left_out[is_open].itertuples()
    ]
    lost = pd.DataFrame(rows, columns=["run", "check", "message"])
    named = findings[(findings["run"] != "") & findings["run"].isin(runs.loc[used, "run"])]
    stops = named[named["severity"] == "stop"]
    asked = named[named["check"].map(lambda one: check_of(one).asks).astype(bool) & (named["severity"] == "note")]
    reasons = pd.concat([lost.assign(is_needed=True), stops.assign(is_needed=True), asked.assign(is_needed=False)])
    grouped = reasons.groupby("run", sort=False)
    why = pd.DataFrame({
        "is_needed": grouped["is_needed"].any(),
        "why": grouped["check"].agg(lambda checks: "; ".join(dict.fromkeys(checks))),
        "message": grouped["message"].agg(" ".join),
    })  # fmt: skip
    listed = runs.merge(why, left_on="run", right_index=True)
    return REDO.frame(
        listed.sort_values(["is_needed", *_BENCH_ORDER], ascending=[False] + [True] * len(_BENCH_ORDER))
    )
