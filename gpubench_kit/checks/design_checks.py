"""Checks of the session as a whole: rules of the plan, order done, drift, patches, layouts, values that changed."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np
import pandas as pd

from gpubench_kit.checks.evidence import Evidence, Found, chosen, place_text, run_text, usual_spread
from gpubench_kit.logs.match_files import clock_set_back, is_in_doubt
from gpubench_kit.model.errors import listed, shown
from gpubench_kit.model.metrics import METRICS, change_unit
from gpubench_kit.model.plan.rules import LEAST_RESTARTS
from gpubench_kit.statistics.design import CLASSES, SAME_ORDER_ROUNDS, Design, classify, estimate_drift
from gpubench_kit.statistics.runs import PairRuns, select_pair
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import change_text, count_text, number_text, p_text, value_text
from gpubench_kit.wording.terms import capital, metric_of, not_compared_words, pair_text

#: A shift of a whole game is also this many usual spreads of a run.
_SHIFT_SPREADS = 5.0


def min_duration_s(evidence: Evidence) -> Iterator[Found]:
    """Yield runs that are shorter than the plan's shortest, unless their game ends after a number of frames."""
    limit, runs = evidence.plan.exclude.min_duration_s, evidence.runs
    for row in chosen(runs, (runs["duration_s"] < limit) & (runs["ends"] == "time")):
        length, least = (number_text(one, decimals=1) for one in (row.duration_s, limit))
        yield Found(row, row.duration_s, limit, {"length": length, "least": least})


def warm_up_runs_per_launch(evidence: Evidence) -> Iterator[Found]:
    """Yield the first measured runs of each launch, as many as the plan leaves out.

    Runs excluded for a logged cause count too: they have warmed the game up all the same.
    """
    if evidence.plan.exclude.warm_up_runs_per_launch == 0:
        return
    rows = _in_order(evidence)
    rows = rows[rows["launch"] != ""]
    place = rows.groupby(["card", "bench", "session", "game", "launch"]).cumcount() + 1
    yield from _first_of(rows, place, evidence, limit=evidence.plan.exclude.warm_up_runs_per_launch)


def extra_runs_after_patch(evidence: Evidence) -> Iterator[Found]:
    """Yield the first measured runs after each change of a game's version, as many as the plan leaves out."""
    if evidence.plan.exclude.extra_runs_after_patch == 0:
        return
    warm_up = {one.row.run for one in warm_up_runs_per_launch(evidence)}
    rows = _in_order(evidence)
    rows = rows[(rows["game_version"] != "") & ~rows["run"].isin(warm_up)]
    for _, same in rows.groupby(["card", "bench", "game"], sort=False):
        block = same["game_version"].ne(same["game_version"].shift()).cumsum()
        place = (same.groupby(block).cumcount() + 1)[block > 1]
        limit = evidence.plan.exclude.extra_runs_after_patch
        yield from _first_of(same[block > 1], place, evidence, limit=limit)


def _in_order(evidence: Evidence) -> pd.DataFrame:
    """Return all measured runs in the order done."""
    order = evidence.all_runs["order_done"].to_numpy(dtype=float, na_value=np.nan)
    rows = evidence.all_runs.iloc[np.argsort(order, kind="stable")]
    return rows[rows["purpose"] == "measure"]


def _first_of(rows: pd.DataFrame, place: pd.Series, evidence: Evidence, *, limit: int) -> Iterator[Found]:
    """Yield runs for their place in a launch or a version."""
    mask = (place <= limit) & rows["run"].isin(evidence.runs["run"])
    for row in chosen(rows, mask, beside={"number": place.to_numpy()}):
        told = {"number": row.number, "limit": limit, "launch": shown(row.launch)}
        yield Found(row, row.number, limit, told | {"version": shown(row.game_version)})


def order_not_verified(evidence: Evidence) -> Iterator[Found]:
    """Yield whether the order done is not known from clocks; that of pilot runs enters no verdict."""
    runs = evidence.all_runs
    if not (runs["purpose"] == "pilot").all():
        runs = runs[runs["purpose"] != "pilot"]
    if len(runs) and not runs["order_known"].astype(bool).all():
        is_doubted = runs["other_clock_start_s"].notna().any() or (
            not evidence.plan.logs.date_order and is_in_doubt(runs["started_at"])
        )
        yield Found(None, None, None, {}, kind="dates" if is_doubted else "clocks")


def clock_was_set_back(evidence: Evidence) -> Iterator[Found]:
    """Yield whether the clock was set back by an hour between runs."""
    runs = evidence.all_runs[evidence.all_runs["purpose"] != "pilot"]
    behind = clock_set_back(runs, runs) if len(runs) and runs["order_known"].astype(bool).all() else ()
    if behind:
        first = runs[runs["run"] == behind[0]].iloc[0]
        yield Found(None, len(behind), None, {"run": run_text(first), "runs": count_text(len(behind), "run")})


def order_not_as_planned(evidence: Evidence) -> Iterator[Found]:
    """Yield whether runs were done in another order than planned."""
    runs = evidence.all_runs[evidence.all_runs["purpose"] != "pilot"]
    if not len(runs) or not runs["order_known"].astype(bool).all():
        return
    planned, done = (
        runs[name].rank(method="first").to_numpy(dtype=float, na_value=np.nan) for name in ("order", "order_done")
    )
    moved = np.isfinite(planned) & np.isfinite(done) & (planned != done)
    if moved.any():
        count = int(moved.sum())
        told = {"runs": count_text(count, "run"), "all": len(runs), "run": run_text(runs[moved].iloc[0])}
        yield Found(None, count, 0.0, told)


def session_resumed(evidence: Evidence) -> Iterator[Found]:
    """Yield sessions of which runs were done after another session began: one ends where the next begins."""
    runs = evidence.runs
    timed = runs[runs["order_known"].astype(bool) & (runs["session"] != "")].sort_values(
        "order_done", kind="stable"
    )
    for _, same in timed.groupby("bench", sort=False):
        begun = [""]
        late: dict[tuple[str, str], list] = {}
        for row in same.itertuples():
            if row.session in begun[:-1]:
                late.setdefault((row.session, begun[-1]), []).append(row)
            elif row.session != begun[-1]:
                begun.append(row.session)
        for (session, other), rows in late.items():
            told = {"runs": count_text(len(rows), "run"), "names": listed([one.run for one in rows])}
            yield Found(rows[0], len(rows), 0.0, {"session": shown(session), "other": shown(other), **told})


def same_order_every_time(evidence: Evidence) -> Iterator[Found]:
    """Yield each two tunings of which one came first in every round of every game.

    Notes
    -----
    Counted over at least six rounds, as the statistics do: from there on it is no accident, and drift
    cannot be told from a difference.
    """
    runs = evidence.runs
    measured = runs[(runs["purpose"] == "measure") & runs["round"].notna() & runs["order_done"].notna()]
    key = ["card", "bench", "game", "setting", "session", "round"]
    for names, same in measured.groupby(["card", "bench"], sort=False):
        first = same.groupby([*key, "tuning"])["order_done"].min().unstack("tuning")
        for pair in combinations(first.columns, 2):
            order = first[list(pair)].dropna().astype(float)
            ahead, n_rounds = int((order[pair[0]] < order[pair[1]]).sum()), len(order)
            if n_rounds >= SAME_ORDER_ROUNDS and ahead in (0, n_rounds):
                one, other = map(shown, pair if ahead else pair[::-1])
                told = {"where": _where(*names), "first": one, "other": other, "rounds": n_rounds}
                yield Found(None, n_rounds, SAME_ORDER_ROUNDS, told)


def drift(evidence: Evidence) -> Iterator[Found]:
    """Yield metrics that drift visibly with the order in which runs were done.

    Notes
    -----
    Slope of ln y on order in ``y ~ game:tuning + order``, per card and bench, over measured runs, for
    metrics on the ratio scale; visible above the plan's ``drift_pct_per_run`` with p < 0.05.
    """
    limit = evidence.limits.drift_pct_per_run
    sure = evidence.sure_values
    values = sure[(sure["purpose"] == "measure") & sure["order_done"].notna()]
    bench, names = pd.factorize(pd.MultiIndex.from_frame(values[["card", "bench"]]))
    value, cells = (values[name].to_numpy() for name in ("value", "cell"))
    orders = values["order_done"].to_numpy(dtype=float, na_value=np.nan)
    for metric in evidence.plan.analysis.metrics:
        rows = np.flatnonzero((values["metric"] == metric) & (value > 0))
        if METRICS[metric].scale != "ratio" or not len(rows):
            continue
        family, benches = pd.factorize(bench[rows])
        cell = pd.factorize(cells[rows])[0]
        found = estimate_drift(np.log(value[rows]), orders[rows], cell=cell, family=family)
        for place in np.flatnonzero(found.is_visible(limit / 100)):
            slope, p = 100 * float(np.expm1(found.slope[place])), p_text(float(found.p[place]))
            where, label = _where(*names[benches[place]]), metric_of(metric).label
            yield Found(None, slope, limit, {"where": where, "label": label, "slope": change_text(slope), "p": p})


def game_patched(evidence: Evidence) -> Iterator[Found]:
    """Yield games whose version changed between runs, with the first run after."""
    runs = evidence.all_runs
    versioned = runs[runs["game_version"] != ""].sort_values("order_done", kind="stable")
    for _, same in versioned.groupby(["card", "bench", "game"], sort=False):
        changed = same["game_version"].ne(same["game_version"].shift()).to_numpy()
        for place in np.flatnonzero(changed)[1:]:
            before, after = same.iloc[place - 1], same.iloc[place]
            versions = {"before": shown(before.game_version), "now": shown(after.game_version)}
            yield Found(after, None, None, {"game": shown(after.game), **versions})


def game_shifted(evidence: Evidence) -> Iterator[Found]:
    """Yield games that run at another level from some moment on, alike under every tuning.

    Notes
    -----
    At each moment with two tunings or more on both sides of it, each tuning's shift is the difference of its
    medians after and before, on natural logs; the game shifted if the smallest of them is beyond the plan's
    ``patch_pct`` and 5 usual spreads of a run, and all agree to within half of it. It excludes nothing: rounds
    take such a shift out, tunings on two sides of it cannot be compared.
    """
    limit, metric, values = evidence.limits.patch_pct, evidence.plan.analysis.primary, evidence.sure_values
    here = (values["metric"] == metric) & (values["purpose"] == "measure") & (values["value"] > 0)
    rows = values[here & values["order_done"].notna()]
    if METRICS[metric].scale != "ratio" or not len(rows):
        return
    rows = rows.assign(y=np.log(rows["value"].astype(float))).sort_values("order_done", kind="stable")
    versions = evidence.all_runs.set_index("run")["game_version"]
    for _, game in rows.groupby("of_game", sort=False):
        # A change of version that the sheet tells is a finding of its own.
        place, shift = (
            _clearest_shift(game, rows, limit) if versions.reindex(game["run"]).nunique() < 2 else (0, 0.0)
        )
        if place:
            last, first = game.iloc[place - 1], game.iloc[place]
            told = {"place": place_text(first), "first": shown(first.run), "last": shown(last.run)}
            yield Found(None, 100 * float(np.expm1(shift)), limit, told)


def _clearest_shift(game: pd.DataFrame, rows: pd.DataFrame, limit_pct: float) -> tuple[int, float]:
    """Return place and size of the clearest shift of a game that is alike under all of its tunings; 0 for none."""
    limit, best = np.log1p(limit_pct / 100), (0.0, 0, 0.0)
    y, tunings = game["y"].to_numpy(), game["tuning"].astype(str).to_numpy()
    of_tunings = [np.flatnonzero(tunings == tuning) for tuning in np.unique(tunings)]
    # Every tuning has runs on both sides.
    first, behind = max(one[0] for one in of_tunings) + 1, min(one[-1] for one in of_tunings) + 1
    places = np.arange(first, behind if len(of_tunings) > 1 else first)
    shifts = np.empty((len(of_tunings), len(places)))
    for row, one in enumerate(of_tunings):
        # The median of the values behind each place less that of those before it.
        n_before = np.searchsorted(one, places)
        before, after = (pd.Series(way).expanding().median().to_numpy() for way in (y[one], y[one][::-1]))
        shifts[row] = after[::-1][n_before] - before[n_before - 1]
    least = np.abs(shifts).min(axis=0)
    for at in np.flatnonzero((np.ptp(shifts, axis=0) <= least / 2) & (least > limit)):
        # The usual spread of runs of all games, those of this game apart before and after the moment.
        is_after = rows["run"].isin(game["run"].iloc[places[at] :]).to_numpy()
        spread = usual_spread(rows["y"].to_numpy(), 2 * rows["cell"].to_numpy() + is_after)
        if least[at] > max(best[0], _SHIFT_SPREADS * spread):
            best = (float(least[at]), int(places[at]), float(shifts[:, at].mean()))
    return best[1:]


def launch_not_given(evidence: Evidence) -> Iterator[Found]:
    """Yield whether the plan leaves out first runs after a start but the sheet does not say where starts are."""
    runs = evidence.all_runs
    lacking = runs[(runs["purpose"] == "measure") & (runs["launch"] == "")]
    if evidence.plan.exclude.warm_up_runs_per_launch and len(lacking):
        told = {"runs": count_text(len(lacking), "measured run"), "names": listed(lacking["run"], most=4)}
        yield Found(None, len(lacking), 0.0, told)


def _where(card: str, bench: str) -> str:
    """Return card and bench as the start of a sentence; empty names are left out."""
    named = [shown(name) for name in (card, bench) if name]
    return f"{', '.join(named)}: " if named else ""


def few_restarts(evidence: Evidence) -> Iterator[Found]:
    """Yield whether the spread between restarts was measured on a single one."""
    restarts = int(dict(evidence.plan.analysis.restart_spread).get("restarts", 0))
    if 0 < restarts < LEAST_RESTARTS:
        yield Found(None, restarts, LEAST_RESTARTS, {})


def restart_spread_from_archive(evidence: Evidence) -> Iterator[Found]:
    """Yield where the spread between restarts comes from, if not from the plan."""
    source, stated = evidence.plan.restart_spread_source, dict(evidence.plan.analysis.restart_spread)
    restarts = stated.pop("restarts", 0)
    if source:
        spreads = ", ".join(f"{one} {value:.3g} {change_unit(METRICS[one])}" for one, value in stated.items())
        yield Found(None, restarts, None, {"source": source, "spreads": spreads})


def session_not_given(evidence: Evidence) -> Iterator[Found]:
    """Yield whether no run has a session."""
    coded = evidence.coded
    if len(coded.change) and not coded.is_given("session").any():
        yield Found(None, None, None, {})


def layout(evidence: Evidence) -> Iterator[Found]:
    """Yield how the runs of each pair and group were laid out, and which tuning changes were counted.

    Judged by the runs of the primary metric.
    """
    plan, coded = evidence.plan, evidence.coded
    for pair in plan.pairs():
        runs = select_pair(coded, pair, metric=plan.analysis.primary)
        if runs is None:
            continue
        design = classify(runs, applied=plan.analysis.applied, typed_order=plan.analysis.typed_order)
        subjects = tuple(part for one in (pair.of, pair.against) for part in (one.card, one.tuning, one.bench))
        groups = runs.cell_text("group")
        for family in range(len(design.shared)):
            name = groups[runs.family == family][0]
            group = say("finding.layout.group", group=name) if runs.family.max() else ""
            yield Found(None, None, None, {"pair": pair_text(subjects, plan), "group": group,
                                           "design": _design_text(runs, design, family)})  # fmt: skip


def not_compared(evidence: Evidence) -> Iterator[Found]:
    """Yield which measured tunings the pairs that the plan names do not compare with the reference."""
    plan, runs = evidence.plan, evidence.runs
    measured = set(runs.loc[runs["purpose"] == "measure", ["card", "tuning", "bench"]].itertuples(False, None))
    left = [
        pair
        for pair in plan.pairs_not_asked_for()
        if any((card, pair.of.tuning, pair.of.bench) in measured for card in plan.cards_named(pair.of.card))
    ]
    if left:
        yield Found(None, len(left), None, not_compared_words(left, plan))


def _design_text(runs: PairRuns, design: Design, family: int) -> str:
    """Return how the runs of one group were laid out, in words."""
    classes = design.classes[runs.family == family]
    counts = [
        say("finding.layout.count", design=say(f"finding.layout.of.{CLASSES[one]}"), n=int(np.sum(classes == one)))
        for one in np.unique(classes)
    ]
    values = {"counts": say("list.and").join(counts), "all": len(classes)}
    if design.unstated[runs.family == family].all():
        return say("finding.layout.unstated", **values)
    source = say(f"finding.layout.from.{design.changes.source[family]}")
    return say("finding.layout.shared" if design.shared[family] else "finding.layout.own", **values, source=source)


def confirmed_after_look(evidence: Evidence) -> Iterator[Found]:
    """Yield metrics whose logs were confirmed after a look."""
    confirmed = evidence.looks.confirmed if evidence.looks else {}
    for metric, look in confirmed.items():
        yield Found(None, look, None, {"label": capital(metric_of(metric).label), "look": look})


def value_changed_after_look(evidence: Evidence) -> Iterator[Found]:
    """Yield values that a look showed otherwise where the sheet does not say why."""
    if evidence.looks is None:
        return
    moved = evidence.looks.moved
    rows = evidence.all_runs.set_index("run", drop=False)
    for one in moved[~moved["is_explained"].astype(bool)].itertuples():
        before, now = (value_text(value, one.metric) for value in (one.before, one.now))
        told = {"label": metric_of(one.metric).label, "before": before, "now": now, "look": one.look}
        kind = "typed" if one.run_id.startswith("r") else "logged"
        yield Found(rows.loc[one.run], one.now, one.before, told, METRICS[one.metric].unit, kind)
