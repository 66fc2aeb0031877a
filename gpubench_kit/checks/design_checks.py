"""Checks of the evening as a whole: order done, same order every time, drift, patches, rules that cannot apply."""

from __future__ import annotations

import bisect
from collections.abc import Iterator
from itertools import combinations

import numpy as np
import pandas as pd

from gpubench_kit.checks.evidence import Evidence, place_text, run_text, usual_spread
from gpubench_kit.logs.match_files import clock_set_back, is_in_doubt
from gpubench_kit.model.errors import listed, shown
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.rules import LEAST_RESTARTS
from gpubench_kit.statistics.design import CLASSES, SAME_ORDER_ROUNDS, Design, classify, estimate_drift
from gpubench_kit.statistics.runs import PairRuns, encode_runs, select_pair
from gpubench_kit.wording.numbers import change_text, count_text, p_text

#: A shift of a whole game is also this many usual spreads of a run.
_SHIFT_SPREADS = 5.0


def check_order(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note where the order done is not known, or is not the order planned.

    Parameters
    ----------
    evidence : what there is to check
    """
    runs = evidence.all_runs
    if not len(runs):
        return
    if not runs["order_known"].astype(bool).all():
        message = "The order in which the runs were done is not known from clocks: order as planned, not verified."
        action = "Let the recorder write the date and time, or fill in started_at in the run sheet."
        if runs["other_clock_start_s"].notna().any() or (
            not evidence.plan.logs.date_order and is_in_doubt(evidence.all_runs["started_at"])
        ):
            message = (
                "The order in which the runs were done depends on whether dates begin with the day or the month, "
                "which they do not tell: order as planned, not verified."
            )
            action = 'Say so in the plan: [logs] date_order = "day_first" (or "month_first").'
        yield Finding("note", "order_not_verified", message, action=action)
        return
    behind = clock_set_back(runs, runs)
    if behind:
        first = runs[runs["run"] == behind[0]].iloc[0]
        message = (
            f"By the logs' clocks, {run_text(first)} and what came behind it were done while earlier runs still "
            "went on: the clock was set back by an hour, as at the end of daylight saving. For the order done, the "
            f"hour was added to {count_text(len(behind), 'run')}."
        )
        action = "Let the recorder write the time with its zone, or do not measure through that night."
        yield Finding("note", "clock_set_back", message, "", float(len(behind)), unit="runs", action=action)
    planned = runs["order"].rank(method="first").to_numpy(dtype=float, na_value=np.nan)
    done = runs["order_done"].rank(method="first").to_numpy(dtype=float, na_value=np.nan)
    moved = np.isfinite(planned) & np.isfinite(done) & (planned != done)
    if moved.any():
        first = runs[moved].iloc[0]
        message = (
            f"{count_text(int(moved.sum()), 'run')} of {len(runs)} were done in another place than planned, "
            f"first {run_text(first)}; the order done, by clocks, decides."
        )
        action = "If clocks were changed in between, correct started_at in the run sheet."
        yield Finding("note", "order_not_as_planned", message, "", float(moved.sum()), 0.0, "runs", action)


def check_same_order(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note for each two tunings of which one came first in every round of every game.

    Parameters
    ----------
    evidence : what there is to check

    Notes
    -----
    Counted over at least six rounds, as the statistics do: from there on it is no accident, and drift
    cannot be told from a difference.
    """
    runs = evidence.runs
    measured = runs[(runs["purpose"] == "measure") & runs["round"].notna() & runs["order_done"].notna()]
    key = ["card", "bench", "game", "setting", "session", "round"]
    for (card, bench), same in measured.groupby(["card", "bench"], sort=False):
        first = same.groupby([*key, "tuning"])["order_done"].min().unstack("tuning")
        for pair in combinations(first.columns, 2):
            order = first[list(pair)].dropna().astype(float)
            ahead, n_rounds = int((order[pair[0]] < order[pair[1]]).sum()), len(order)
            if n_rounds < SAME_ORDER_ROUNDS or 0 < ahead < n_rounds:
                continue
            one, other = pair if ahead else pair[::-1]
            message = (
                f"{_where(card, bench)}{shown(one)} came before {shown(other)} in every one of {n_rounds} rounds: "
                "drift cannot be told from a difference."
            )
            action = "Alternate, or draw the order at random; `gpubench-kit schedule` does."
            found, limit = float(n_rounds), float(SAME_ORDER_ROUNDS)
            yield Finding("note", "same_order_every_time", message, "", found, limit, "rounds", action)


def check_drift(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note for each metric that drifts visibly with the order in which runs were done.

    Parameters
    ----------
    evidence : what there is to check

    Notes
    -----
    Slope of ln y on order in ``y ~ game:tuning + order``, per card and bench, over measured runs, for
    metrics on the ratio scale; visible above the plan's ``drift_pct_per_run`` with p < 0.05.
    """
    limit_pct = evidence.plan.checks.drift_pct_per_run
    values = evidence.values[(evidence.values["purpose"] == "measure") & evidence.values["order_done"].notna()]
    for metric in evidence.plan.analysis.metrics:
        rows = values[(values["metric"] == metric) & (values["value"] > 0)]
        if METRICS[metric].scale != "ratio" or not len(rows):
            continue
        family, names = pd.factorize(pd.MultiIndex.from_frame(rows[["card", "bench"]]))
        order = rows["order_done"].to_numpy(dtype=float, na_value=np.nan)
        cell = pd.factorize(rows["cell"])[0]
        drift = estimate_drift(np.log(rows["value"].to_numpy(dtype=float)), order, cell=cell, family=family)
        for place in np.flatnonzero(drift.is_visible(limit_pct / 100)):
            slope_pct = 100 * float(np.expm1(drift.slope[place]))
            message = (
                f"{_where(*names[place])}{METRICS[metric].label} drifts by {change_text(slope_pct)} per run over "
                f"the bench session ({p_text(float(drift.p[place]))})."
            )
            action = (
                "Rounds take a drift out; tunings measured one after the other cannot be compared. Let the machine "
                "warm through first."
            )
            yield Finding("note", "drift", message, "", slope_pct, limit_pct, "% per run", action)


def check_patches(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note for each game whose version changed between runs, naming the first run after.

    Parameters
    ----------
    evidence : what there is to check
    """
    runs = evidence.all_runs
    versioned = runs[runs["game_version"] != ""].sort_values("order_done", kind="stable")
    for _, same in versioned.groupby(["card", "bench", "game"], sort=False):
        changed = same["game_version"].ne(same["game_version"].shift()).to_numpy()
        for place in np.flatnonzero(changed)[1:]:
            before, after = same.iloc[place - 1], same.iloc[place]
            message = (
                f"{run_text(after)} is the first after {shown(after.game)} changed from version "
                f"{shown(before.game_version)} to {shown(after.game_version)}: caches are filled anew, and runs of "
                "two versions are not compared."
            )
            action = "Repeat the runs of this game under one version; state extra_runs_after_patch beforehand."
            yield Finding("note", "game_patched", message, str(after["run"]), action=action)


def check_shifts(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note for each game that runs at another level from some moment on, alike under every tuning.

    Parameters
    ----------
    evidence : what there is to check

    Notes
    -----
    At each moment with two tunings or more on both sides of it, each tuning's shift is the difference of its
    medians after and before, on natural logs; the game shifted if the smallest of them is beyond the plan's
    ``patch_pct`` and 5 usual spreads of a run, and all agree to within half of it. It excludes nothing: rounds
    take such a shift out, tunings on two sides of it cannot be compared.
    """
    limit_pct, metric = evidence.plan.checks.patch_pct, evidence.plan.analysis.primary
    values = evidence.values
    here = (values["metric"] == metric) & (values["purpose"] == "measure") & (values["value"] > 0)
    rows = values[here & values["order_done"].notna()]
    if METRICS[metric].scale != "ratio" or not len(rows):
        return
    rows = rows.assign(y=np.log(rows["value"].astype(float))).sort_values("order_done", kind="stable")
    versions = evidence.all_runs.set_index("run")["game_version"]
    for _, game in rows.groupby("of_game", sort=False):
        # A change of version that the sheet tells is a finding of its own.
        if versions.reindex(game["run"]).nunique() < 2:
            yield from _shift_of_game(game, rows, limit_pct)


def _shift_of_game(game: pd.DataFrame, rows: pd.DataFrame, limit_pct: float) -> Iterator[Finding]:
    """Yield the clearest shift of a game that is alike under all of its tunings, where there is one."""
    limit, best = np.log1p(limit_pct / 100), (0.0, 0, 0.0)
    y, tunings = game["y"].to_numpy(), game["tuning"].astype(str).to_numpy()
    of_tunings = [np.flatnonzero(tunings == tuning) for tuning in np.unique(tunings)]
    # Every tuning has runs on both sides.
    first, behind = max(one[0] for one in of_tunings) + 1, min(one[-1] for one in of_tunings) + 1
    places = np.arange(first, behind if len(of_tunings) > 1 else first)
    shifts = np.array([_shifts_at(y[one], np.searchsorted(one, places)) for one in of_tunings])
    least = np.abs(shifts).min(axis=0)
    for at in np.flatnonzero((np.ptp(shifts, axis=0) <= least / 2) & (least > limit)):
        if least[at] > max(best[0], _SHIFT_SPREADS * _spread_around(game, rows, places[at])):
            best = (float(least[at]), int(places[at]), float(shifts[:, at].mean()))
    if best[1]:
        last, first = game.iloc[best[1] - 1], game.iloc[best[1]]
        found = 100 * float(np.expm1(best[2]))
        message = (
            f"{place_text(first)} ran at another level under every tuning from run {shown(first.run)} on (the last "
            f"before it is {shown(last.run)}), as after a patch, a driver update or a changed setting."
        )
        action = (
            "Nothing is left out: rounds take such a shift out. If the game was patched, write game_version into "
            "the run sheet."
        )
        yield Finding("note", "game_shifted", message, "", found, limit_pct, "%", action)


def _shifts_at(y: np.ndarray, n_before: np.ndarray) -> np.ndarray:
    """Return the median of the values behind each place less that of those before it."""
    before, behind = _running_medians(y), _running_medians(y[::-1])[::-1]
    return behind[n_before] - before[n_before - 1]


def _running_medians(y: np.ndarray) -> np.ndarray:
    """Return the median of the first value, of the first two, and so on."""
    ordered: list[float] = []
    medians = []
    for value in y.tolist():
        bisect.insort(ordered, value)
        half = len(ordered) // 2
        medians.append((ordered[half] + ordered[-half - 1]) / 2)
    return np.array(medians)


def _spread_around(game: pd.DataFrame, rows: pd.DataFrame, place: int) -> float:
    """Return the usual spread of runs of all games, those of this game apart before and after a moment."""
    is_after = rows["run"].isin(game["run"].iloc[place:]).to_numpy()
    return usual_spread(rows["y"].to_numpy(), 2 * rows["cell"].to_numpy() + is_after)


def check_rules_apply(evidence: Evidence) -> Iterator[Finding]:
    """Yield a note where the plan leaves out first runs after a start but the sheet does not say where starts are.

    Parameters
    ----------
    evidence : what there is to check
    """
    if not evidence.plan.exclude.warm_up_runs_per_launch:
        return
    runs = evidence.all_runs
    lacking = runs[(runs["purpose"] == "measure") & (runs["launch"] == "")]
    if len(lacking):
        message = (
            f"warm_up_runs_per_launch is set, but {count_text(len(lacking), 'measured run')} "
            f"({listed(lacking['run'], most=4)}) have no launch in the run sheet; none of these is left out."
        )
        action = "Fill in the column launch: one name for all runs between two starts of a game."
        yield Finding("note", "launch_not_given", message, "", float(len(lacking)), 0.0, "runs", action)


def _where(card: str, bench: str) -> str:
    """Return card and bench as the start of a sentence; empty names are left out."""
    named = [shown(name) for name in (card, bench) if name]
    return f"{', '.join(named)}: " if named else ""


DESIGN_CHECKS = (check_order, check_same_order, check_drift, check_patches, check_shifts, check_rules_apply)

#: Where the tuning changes of a pair come from.
_SOURCES = {
    "declared": "as declared in the run sheet",
    "derived": "as the order done tells: every change of card, tuning, session, game or round is one",
    "each_run": "before each run, as the plan states",
    "each_block": "before each block of runs, as the plan states",
    "installation": "as cards or benches were exchanged",
}


def find_layouts(usable: pd.DataFrame, plan: ReviewPlan) -> tuple[Finding, ...]:
    """Return notes on how the runs of each pair were laid out and which tuning changes were counted.

    Parameters
    ----------
    usable : DataFrame, one row per usable run and metric; see ``tables.USABLE``
    plan : ReviewPlan

    Returns
    -------
    tuple of Finding, all notes: one for each pair and group, judged by the primary metric's runs; one
    where no session is given; one where a restart spread was measured on too few restarts, or
        taken from the archive
    """
    found, coded, stated = [], encode_runs(usable), dict(plan.analysis.restart_spread)
    restarts = int(stated.pop("restarts", 0))
    if 0 < restarts < LEAST_RESTARTS:
        message = "plan.toml: the restart spread was measured on a single restart; it widens no interval."
        action = "Measure three restarts of one tuning (two at least), or assume a spread with restarts = 0."
        limit = float(LEAST_RESTARTS)
        found.append(Finding("note", "few_restarts", message, "", float(restarts), limit, "restarts", action))
    if plan.restart_spread_source:
        units = {name: "%" if METRICS[name].scale == "ratio" else METRICS[name].unit for name in stated}
        spreads = ", ".join(f"{name} {value:.3g} {units[name]}" for name, value in stated.items())
        message = f"The spread between restarts is that of {plan.restart_spread_source}: {spreads}."
        name = "restart_spread_from_archive"
        found.append(Finding("note", name, message, found=float(restarts), unit="restarts"))
    if len(coded.change) and not coded.is_given("session").any():
        message = "No session is given: all runs count as one, without a restart in between."
        action = "Fill in the column session of the run sheet."
        found.append(Finding("note", "session_not_given", message, action=action))
    for pair in plan.pairs():
        runs = select_pair(coded, pair, metric=plan.analysis.primary)
        if runs is None:
            continue
        design = classify(runs, applied=plan.analysis.applied, typed_order=plan.analysis.typed_order)
        of, against = (
            ", ".join(f"'{part}'" for part in (one.card, one.tuning, one.bench) if part)
            for one in (pair.of, pair.against)
        )
        groups = runs.cell_text("group")
        for family in range(len(design.shared)):
            group = f", group '{groups[runs.family == family][0]}'" if runs.family.max() else ""
            message = f"{of} vs {against}{group}: {_layout_sentence(runs, design, family)}"
            found.append(Finding("note", "layout", message))
    return tuple(found)


def _layout_sentence(runs: PairRuns, design: Design, family: int) -> str:
    classes = design.classes[runs.family == family]
    counts = [f"{CLASSES[one].replace('_', ' ')} in {np.sum(classes == one)}" for one in np.unique(classes)]
    text = f"{' and '.join(counts)} of {len(classes)} games"
    if design.unstated[runs.family == family].all():
        return f"{text}; the order of the runs is not stated."
    text += f"; tuning changes {_SOURCES[design.changes.source[family]]}"
    return f"{text}; rounds or blocks serve several games." if design.shared[family] else f"{text}."
