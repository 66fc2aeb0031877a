"""The page of `check`: how far the plan is done, the noise so far and the runs needed; never a difference."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.checks.readiness import progress_of
from gpubench_kit.page.charts.quality import noise_of_games, order_of_runs
from gpubench_kit.page.charts.states import State, states_in
from gpubench_kit.page.drawn import figure, figures
from gpubench_kit.page.elements import Column, Markup, bullets, details, heading, join, paragraph, table
from gpubench_kit.page.results import all_groups
from gpubench_kit.page.section import Section, left_out
from gpubench_kit.statistics.levels import plan_from_noise
from gpubench_kit.statistics.planning import MOST_ROUNDS
from gpubench_kit.wording.numbers import count_text, is_missing, percent_text, significant_text, unit_text
from gpubench_kit.wording.terms import metric_of, of_group, scene_text, sentence

#: Rounds that stand side by side; more are summed up.
_MOST_ROUNDS = 12
_MOST_LISTED = 20
#: Two runs detect next to nothing: such games would flatten the chart, so it waits for a third run.
_FEWEST_DRAWN = 3
_MOST_DETECTABLE = 50.0
_PLACE = ["card", "bench", "game", "setting", "metric"]


def check_progress(runs: pd.DataFrame, plan) -> Section:
    """Return the section on how far the plan of the runs is done.

    Parameters
    ----------
    runs : DataFrame, one row per run; see ``tables.RUNS``
    plan : ReviewPlan

    Returns
    -------
    Section; left out where the run sheet has no rows
    """
    name, title = "progress", "Progress of the plan"
    progress = progress_of(runs)
    if not len(progress):
        return left_out(name, title, "the run sheet has no rows")
    parts = [_progress_table(part, purpose) for purpose, part in progress.groupby("purpose", sort=False)]
    is_done = bool((progress["n_done"] == progress["n_planned"]).all())
    tables = details("Every round", join(parts)) if is_done else join(parts)
    return Section(name, title, join([paragraph(_progress_sentence(progress)), tables, _to_record(runs, plan)]))


def _progress_sentence(progress: pd.DataFrame) -> str:
    """Return how many rounds are whole, begun, and not begun."""
    is_done, is_begun = progress["n_done"] == progress["n_planned"], progress["n_done"] > 0
    if is_done.all():
        return f"All {count_text(len(progress), 'round')} on the run sheet are complete, game by game."
    told = f"{count_text(int(is_done.sum()))} of {count_text(len(progress), 'round')} are complete, game by game"
    begun, waiting = int((is_begun & ~is_done).sum()), int((~is_begun).sum())
    more = [f"{count_text(begun)} begun"] * bool(begun) + [f"{count_text(waiting)} not begun"] * bool(waiting)
    return f"{', '.join([told, *more])}. A cell tells how many runs of a round count, of those on the run sheet."


def _progress_table(progress: pd.DataFrame, purpose: str) -> Markup:
    """Return rounds of each game as a table: runs that count, of those planned."""
    rows = ["card", "bench", "game", "setting"]
    by_game = progress.groupby([*rows, "round"], dropna=False)
    several = [name for name in ("card", "bench") if progress[name].nunique() > 1]
    several += ["session"] if by_game["session"].nunique().max() > 1 else []
    rounds = sorted(progress["round"].dropna().unique())
    is_wide = len(rounds) > _MOST_ROUNDS or progress["round"].isna().any()
    heads = ["Rounds complete", "Runs that count"] if is_wide else [f"Round {number}" for number in rounds]
    lines = []
    for _, part in progress.groupby([*several, "game", "setting"], sort=False, dropna=False):
        first = part.iloc[0]
        named = [scene_text(first["game"], first["setting"]), *(first[name] for name in several)]
        lines.append([*named, *(_summed(part) if is_wide else _by_round(part, rounds))])
    columns = [Column("Game"), *(Column(sentence(name)) for name in several)]
    columns += [Column(head, is_number=True) for head in heads]
    return table(columns, lines, caption=_CAPTIONS.get(purpose, f"Runs that count, purpose {purpose}"))


_CAPTIONS = {"measure": "Runs that count, of those on the run sheet", "soak": "Long runs that count",
             "pilot": "Pilot runs that count"}  # fmt: skip


def _by_round(part: pd.DataFrame, rounds: list[int]) -> list[str]:
    """Return the cell of each round."""
    by_round = {row.round: f"{row.n_done} of {row.n_planned}" for row in part.itertuples()}
    return [by_round.get(number, "–") for number in rounds]


def _summed(part: pd.DataFrame) -> list[str]:
    """Return rounds complete, and runs that count."""
    done = int((part["n_done"] == part["n_planned"]).sum())
    return [f"{done} of {len(part)}", f"{part['n_done'].sum()} of {part['n_planned'].sum()}"]


def _to_record(runs: pd.DataFrame, plan) -> Markup:
    """Return the rows that are not recorded yet, in the order planned."""
    rows = runs[runs["excluded_for"] == "not_recorded"].sort_values("order", kind="stable")
    with_card = len(plan.cards) > 1
    columns = [Column("Run"), Column("Game"), Column("Tuning"), Column("Round", is_number=True),
               Column("Order", is_number=True), *([Column("Card")] * with_card)]  # fmt: skip
    lines = [
        [row.run, scene_text(row.game, row.setting), row.tuning, count_text(row.round), count_text(row.order),
         *([row.card] * with_card)]
        for row in rows.itertuples()
    ]  # fmt: skip
    caption = "Rows of the run sheet with neither log nor numbers, in the order planned"
    listed = table(columns, lines, caption=caption, css="runs")
    return details(f"Not recorded yet: {count_text(len(rows), 'row')}", listed, is_open=len(rows) <= _MOST_LISTED)


def check_noise(noise: pd.DataFrame, usable: pd.DataFrame, plan) -> Section:
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
    name, title = "noise", "Noise so far, and runs needed"
    planned = plan_from_noise(noise[noise["metric"].isin(plan.analysis.metrics)], plan)
    planned = planned[planned["noise"].notna()]
    if not len(planned):
        return left_out(name, title, "no tuning has two runs of a game yet")
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
        paragraph(_NOISE_TEXT),
        bullets(_enough(planned[planned["metric"] == metric], metric) for metric in metrics),
        *(_needed_part(planned, plan, metric=metric) for metric in metrics),
        heading("Noise and order"),
        paragraph(_WAITING) if len(known) < len(noise) else "",
        figures([*drawn, *ordered]),
    ]
    return Section(name, title, join(body))


def _of_group(noise: pd.DataFrame, plan, group: str) -> pd.DataFrame:
    """Return the rows of a group of settings."""
    groups = {(game.name, one.name): one.group for game in plan.games for one in game.settings}
    keys = zip(noise["game"], noise["setting"], strict=True)
    # As booleans: an empty list would choose no columns.
    return noise[np.array([groups.get(key, "all") == group for key in keys], dtype=bool)]


def _machines(usable: pd.DataFrame, plan) -> list[tuple[State, ...]]:
    """Return the states of each card on each bench."""
    states = states_in(usable, plan)
    machines = dict.fromkeys((one.card, one.bench) for one in states)
    return [tuple(one for one in states if (one.card, one.bench) == machine) for machine in machines]


_NOISE_TEXT = (
    "Noise is how far runs of one tuning differ. It is pooled over the tunings of a game; nothing else is taken "
    "from the runs. Runs needed are those of each tuning that decide a game with a chance of 80 %, if it differs "
    "by nothing or by the margin or more. Odd runs count until a cause leaves them out."
)


_WAITING = f"Noise is drawn for games with {_FEWEST_DRAWN} or more runs of each tuning; the tables hold all games."


def _enough(rows: pd.DataFrame, metric: str) -> str:
    """Return in how many games the runs so far can settle the margin."""
    label, games = sentence(metric_of(metric).label), len(rows)
    margin = rows["margin"].iloc[0]
    if is_missing(margin):
        return f"{label}: the plan gives no margin, so no number of runs is needed."
    enough = int((rows["runs"] >= rows["runs_needed"]).fillna(False).sum())
    unit = rows["unit"].iloc[0]
    amount = percent_text(margin) if unit == "%" else unit_text(margin, unit)
    what = "game and setting" if rows["setting"].any() else "game"
    counted = count_text(games, what, "games and settings" if rows["setting"].any() else "games")
    return f"{label}: enough runs for a margin of {amount} in {enough} of {counted}."


def _needed_part(planned: pd.DataFrame, plan, *, metric: str) -> Markup:
    """Return the table of one metric; that of the primary one is open."""
    rows = planned[planned["metric"] == metric]
    several = [name for name in ("card", "bench") if planned[name].nunique() > 1]
    unit = rows["unit"].iloc[0]
    columns = [Column("Game"), *(Column(sentence(name)) for name in several), Column("Runs so far", is_number=True),
               Column("Noise", unit, is_number=True), Column("Detectable", unit, is_number=True),
               Column("Margin", unit, is_number=True), Column("Runs needed", is_number=True)]  # fmt: skip
    lines = [
        [scene_text(row.game, row.setting), *(getattr(row, name) for name in several), *_needed_cells(row)]
        for row in rows.itertuples()
    ]
    label = metric_of(metric).label
    listed = table(columns, lines, caption=f"Runs of each tuning, from the noise of the {label} alone")
    return details(sentence(of_group(label, "all")), listed, is_open=metric == plan.analysis.primary)


def _needed_cells(row: Any) -> list[str]:
    """Return the numbers of one game."""
    is_far = row.unit == "%" and row.detectable > _MOST_DETECTABLE
    found = f"over {_MOST_DETECTABLE:.0f}" if is_far else significant_text(row.detectable, digits=2)
    numbers = [significant_text(row.noise, digits=2), found]
    margin = "–" if is_missing(row.margin) else significant_text(row.margin, digits=2)
    return [count_text(row.runs), *numbers, margin, _runs_text(row.runs_needed, row.margin)]


def _runs_text(needed: int, margin: float) -> str:
    """Return a number of runs."""
    if is_missing(margin):
        return "–"
    return f"over {MOST_ROUNDS}" if is_missing(needed) else count_text(needed)
