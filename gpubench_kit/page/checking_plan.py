"""The page of `check`: how far the plan is done, the noise so far and the runs needed; never a difference."""

from __future__ import annotations

from functools import partial
from operator import attrgetter
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.checks.readiness import progress_of
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page.charts.curves import order_of_runs
from gpubench_kit.page.charts.from_tables import State, noise_of_games, states_in
from gpubench_kit.page.elements import (
    Field,
    Markup,
    Section,
    bullets,
    columns,
    details,
    figure,
    figures,
    heading,
    join,
    left_out,
    listing,
    paragraph,
)
from gpubench_kit.page.results import all_groups
from gpubench_kit.schedule.needs import plan_from_noise
from gpubench_kit.statistics.planning import MOST_ROUNDS
from gpubench_kit.wording.catalogue import has, say
from gpubench_kit.wording.numbers import (
    MISSING,
    count_text,
    is_missing,
    percent_text,
    significant_text,
    unit_text,
)
from gpubench_kit.wording.terms import capital, metric_of, scene_text

#: Rounds that stand side by side; more are summed up.
_MOST_ROUNDS = 12
_MOST_LISTED = 20
#: Two runs detect next to nothing: such games would flatten the chart, so it waits for a third run.
_FEWEST_DRAWN = 3
_MOST_DETECTABLE = 50.0
_PLACE = ["card", "bench", "game", "setting", "metric"]


def check_progress(runs: pd.DataFrame, plan: ReviewPlan) -> Section:
    """Return the section on how far the plan of the runs is done.

    Parameters
    ----------
    runs : DataFrame, one row per run; see ``tables.RUNS``
    plan : ReviewPlan

    Returns
    -------
    Section; left out where the run sheet has no rows
    """
    progress = progress_of(runs)
    if not len(progress):
        return left_out("progress", say("check.progress.title"), say("check.progress.left_out"))
    parts = [_progress_table(part, purpose) for purpose, part in progress.groupby("purpose", sort=False)]
    done, begun = progress["n_done"] == progress["n_planned"], progress["n_done"] > 0
    if done.all():
        told, tables = (
            say("check.progress.complete", n=len(progress)),
            details(say("check.progress.every"), join(parts)),
        )
    else:
        counts = {"begun": int((begun & ~done).sum()), "waiting": int((~begun).sum())}
        more = "".join(say(f"check.progress.{name}", count=count) for name, count in counts.items() if count)
        told = say(
            "check.progress.part", done=int(done.sum()), rounds=count_text(len(progress), "round"), more=more
        )
        tables = join(parts)
    body = join([paragraph(told), tables, _to_record(runs, with_card=len(plan.cards) > 1)])
    return Section("progress", say("check.progress.title"), body)


def _progress_table(progress: pd.DataFrame, purpose: str) -> Markup:
    """Return rounds of each game as a table: runs that count, of those planned."""
    by_game = progress.groupby(["card", "bench", "game", "setting", "round"], dropna=False)
    several = [name for name in ("card", "bench") if progress[name].nunique() > 1]
    several += ["session"] if by_game["session"].nunique().max() > 1 else []
    rounds = sorted(progress["round"].dropna().unique())
    fields = columns({"game": lambda part: scene_text(part.iloc[0]["game"], part.iloc[0]["setting"])})
    fields += columns({name: partial(_first_of, name=name) for name in several})
    if len(rounds) > _MOST_ROUNDS or progress["round"].isna().any():
        fields += columns({"rounds_complete": _rounds_done, "runs_counted": _runs_done},
                          numbers=("rounds_complete", "runs_counted"))  # fmt: skip
    else:
        fields += [
            Field(say("check.progress.round", number=number), partial(_in_round, number=number), is_number=True)
            for number in rounds
        ]  # fmt: skip
    parts = [part for _, part in progress.groupby([*several, "game", "setting"], sort=False, dropna=False)]
    key = f"check.progress.caption.{purpose}"
    caption = say(key) if has(key) else say("check.progress.caption_of", purpose=purpose)
    return listing(fields, parts, caption=caption)


def _first_of(part: pd.DataFrame, name: str) -> str:
    return part.iloc[0][name]


def _in_round(part: pd.DataFrame, number: int) -> str:
    return next((_of(row.n_done, row.n_planned) for row in part.itertuples() if row.round == number), MISSING)


def _rounds_done(part: pd.DataFrame) -> str:
    return _of(int((part["n_done"] == part["n_planned"]).sum()), len(part))


def _runs_done(part: pd.DataFrame) -> str:
    return _of(part["n_done"].sum(), part["n_planned"].sum())


def _of(count: int, whole: int) -> str:
    return say("archive.of", count=count, all=whole)


def _to_record(runs: pd.DataFrame, *, with_card: bool) -> Markup:
    """Return the rows that are not recorded yet, in the order planned."""
    rows = runs[runs["excluded_for"] == "not_recorded"].sort_values("order", kind="stable")
    fields = columns({
        "run": lambda row: row.run, "game": lambda row: scene_text(row.game, row.setting),
        "tuning": lambda row: row.tuning, "round": lambda row: count_text(row.round),
        "order": lambda row: count_text(row.order), **({"card": lambda row: row.card} if with_card else {}),
    }, numbers=("round", "order"))  # fmt: skip
    listed = listing(fields, rows.itertuples(), caption=say("check.waiting.caption"))
    return details(say("check.waiting.title", n=len(rows)), listed, is_open=len(rows) <= _MOST_LISTED)


def check_noise(noise: pd.DataFrame, usable: pd.DataFrame, plan: ReviewPlan) -> Section:
    """Return the section on the noise so far and the runs needed, from noise alone.

    Parameters
    ----------
    noise : DataFrame, one row per (card, bench, tuning, game, setting, metric); see ``tables.NOISE``
    usable : DataFrame, one row per (run, metric); see ``tables.USABLE``
    plan : ReviewPlan

    Returns
    -------
    Section; left out before any tuning has two runs of a game
    """
    planned = plan_from_noise(noise[noise["metric"].isin(plan.analysis.metrics)], plan)
    planned = planned[planned["noise"].notna()]
    if not len(planned):
        return left_out("noise", say("check.noise.title"), say("check.noise.left_out"))
    primary = plan.analysis.primary
    known = noise[noise.groupby(_PLACE)["n"].transform("min") >= _FEWEST_DRAWN]
    margin = plan.margin_of(primary)
    drawn = [
        figure(noise_of_games(_of_group(known, plan, group), metric=primary, margin=margin))
        for group in all_groups(plan)
    ]
    ordered = [figure(order_of_runs(usable, metric=primary, states=states)) for states in _machines(usable, plan)]
    metrics = [one for one in plan.analysis.metrics if (planned["metric"] == one).any()]
    body = [
        paragraph(say("check.noise.text")),
        bullets(_enough(planned[planned["metric"] == metric], metric) for metric in metrics),
        *(_needed_part(planned, plan, metric=metric) for metric in metrics),
        heading(say("check.noise.order")),
        paragraph(say("check.noise.waiting", least=_FEWEST_DRAWN)) if len(known) < len(noise) else "",
        figures([*drawn, *ordered]),
    ]
    return Section("noise", say("check.noise.title"), join(body))


def _of_group(noise: pd.DataFrame, plan: ReviewPlan, group: str) -> pd.DataFrame:
    """Return the rows of a group of settings."""
    own = {scene for scene, one in plan.scenes.items() if one.group == group}
    # As booleans: an empty list would choose no columns.
    return noise[np.array([key in own for key in zip(noise["game"], noise["setting"], strict=True)], dtype=bool)]


def _machines(usable: pd.DataFrame, plan: ReviewPlan) -> list[tuple[State, ...]]:
    """Return the states of each card on each bench."""
    states = states_in(usable, plan)
    machines = dict.fromkeys((one.card, one.bench) for one in states)
    return [tuple(one for one in states if (one.card, one.bench) == machine) for machine in machines]


def _enough(rows: pd.DataFrame, metric: str) -> str:
    """Return in how many games the runs so far can settle the margin."""
    label, margin, unit = capital(metric_of(metric).label), rows["margin"].iloc[0], rows["unit"].iloc[0]
    if is_missing(margin):
        return say("check.noise.no_margin", metric=label)
    enough = int((rows["runs"] >= rows["runs_needed"]).fillna(False).sum())
    amount = percent_text(margin) if unit == "%" else unit_text(margin, unit)
    key = "check.noise.enough_settings" if rows["setting"].any() else "check.noise.enough"
    return say(key, metric=label, margin=amount, enough=enough, n=len(rows))


def _needed_part(planned: pd.DataFrame, plan: ReviewPlan, *, metric: str) -> Markup:
    """Return the table of one metric; that of the primary one is open."""
    rows = planned[planned["metric"] == metric]
    several = [name for name in ("card", "bench") if planned[name].nunique() > 1]
    fields = columns({
        "game": lambda row: scene_text(row.game, row.setting),
        **{name: attrgetter(name) for name in several},
        "runs_so_far": lambda row: count_text(row.runs),
        "noise": lambda row: significant_text(row.noise, digits=2), "detectable": _detectable,
        "margin": lambda row: MISSING if is_missing(row.margin) else significant_text(row.margin, digits=2),
        "runs_needed": _runs_needed,
    }, numbers=("runs_so_far", "noise", "detectable", "margin", "runs_needed"),
       units=dict.fromkeys(("noise", "detectable", "margin"), rows["unit"].iloc[0]))  # fmt: skip
    label = metric_of(metric).label
    listed = listing(fields, rows.itertuples(), caption=say("check.noise.caption", metric=label))
    return details(capital(label), listed, is_open=metric == plan.analysis.primary)


def _detectable(row: Any) -> str:
    if row.unit == "%" and row.detectable > _MOST_DETECTABLE:
        return say("check.noise.over", most=f"{_MOST_DETECTABLE:.0f}")
    return significant_text(row.detectable, digits=2)


def _runs_needed(row: Any) -> str:
    if is_missing(row.margin):
        return MISSING
    return say("check.noise.over", most=MOST_ROUNDS) if is_missing(row.runs_needed) else count_text(row.runs_needed)
