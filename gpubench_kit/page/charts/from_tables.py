"""States of cards with their names, colours and runs; lanes, and watts against frame rate, from tables."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import pandas as pd

from gpubench_kit.logs.run_facts import RunFacts
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page.charts.lanes import Cell, Lane, Lanes
from gpubench_kit.page.charts.marks import NBSP, RIVAL, Axis, is_known, known_ends, unit_of, value_text
from gpubench_kit.page.charts.plane import Scatter, ScatterPoint
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import change_text, number_text
from gpubench_kit.wording.terms import capital, margin_band, metric_of, scene_names, scene_text, sign_of

#: A run to draw: its name, the place of its colour, its facts.
Shown = tuple[str, int | None, RunFacts]


@dataclass(frozen=True)
class State:
    """One card under one tuning on one bench: its name in charts and the place of its colour."""

    card: str
    tuning: str
    bench: str
    name: str
    place: int

    def rows(self, table: pd.DataFrame) -> pd.DataFrame:
        """Return the rows of this state."""
        is_own = (table["card"] == self.card) & (table["tuning"] == self.tuning)
        return table[is_own & (table["bench"] == self.bench)] if "bench" in table else table[is_own]


def states_in(table: pd.DataFrame, plan: ReviewPlan) -> tuple[State, ...]:
    """Return the states of a table, in the plan's order: the card of the review by tuning, other cards as rivals.

    Parameters
    ----------
    table : with ``card``, ``tuning``, ``bench``
    plan : ReviewPlan, whose first card is that of the review
    """
    found = set(table[["card", "bench", "tuning"]].itertuples(index=False, name=None))
    with_card, with_bench = len({one[0] for one in found}) > 1, len({one[1] for one in found}) > 1
    order = [
        (card.name, bench.name, tuning.name)
        for card in plan.cards
        for bench in plan.benches
        for tuning in plan.tunings
    ]
    places = {tuning.name: place for place, tuning in enumerate(plan.tunings)}
    out = []
    for card, bench, tuning in [*(one for one in order if one in found), *sorted(found.difference(order))]:
        name = ", ".join(filter(None, (card * with_card, tuning, bench * with_bench)))
        is_rival = bool(plan.cards) and card != plan.cards[0].name
        out.append(State(card, tuning, bench, name, RIVAL if is_rival else places.get(tuning, len(places))))
    return tuple(out)


def of_scene(table: pd.DataFrame, scene: tuple[str, str]) -> pd.DataFrame:
    """Return the rows of one game and setting."""
    return table[(table["game"] == scene[0]) & (table["setting"] == scene[1])]


def runs_of(state: State, runs: pd.DataFrame, *, scene: tuple[str, str], purpose: str = "measure") -> pd.DataFrame:
    """Return the used runs of a state in one game and setting.

    Parameters
    ----------
    state : whose runs
    runs : DataFrame, one row per run; see ``tables.RUNS``
    scene : game and setting
    purpose : purpose of the runs wanted
    """
    own = of_scene(state.rows(runs), scene)
    own = own[own["purpose"] == purpose]
    return own[own["used"].fillna(True).astype(bool)] if "used" in own else own


def middle_runs(
    facts: Iterable[RunFacts],
    runs: pd.DataFrame,
    *,
    scene: tuple[str, str],
    states: Sequence[State],
    purpose: str = "measure",
) -> list[Shown]:
    """Return the run of each state with the middle frame rate, the slower one of two; none without a frame log.

    Parameters
    ----------
    facts : facts of the runs
    runs : DataFrame, one row per run; see ``tables.RUNS``
    scene : game and setting
    states : whose runs, in order
    purpose : purpose of the runs: ``measure``, or ``soak`` for the long ones, which sensors alone may have seen
    """
    known = [one for one in facts if purpose != "measure" or (one.n_frames and one.duration_s > 0)]
    out: list[Shown] = []
    for state in states:
        names = set(runs_of(state, runs, scene=scene, purpose=purpose)["run"])
        own = [one for one in known if one.run in names]
        own.sort(key=lambda one: (one.n_frames / one.duration_s if one.duration_s else 0.0, one.run))
        out += [(state.name, state.place, one) for one in own[(len(own) - 1) // 2 :][:1]]
    return out


AVERAGE, LOW, POWER = "avg_fps", "low_1pct_fps", "board_w"
#: Rows of one chart of an archive; the tables beside the page hold all.
MOST_ROWS = 24
#: What a state is found by in a table.
_STATE = ["card", "tuning", "bench"]


def heading_of(metric: str) -> str:
    """Return the heading of an axis: short name and unit."""
    facts = metric_of(metric)
    if facts.unit == "fps":
        return (facts.short or facts.label).replace(" %", f"{NBSP}%")
    return f"{capital(facts.label)}, {facts.unit}" if facts.unit else capital(facts.label)


def runs_of_game(
    usable: pd.DataFrame,
    levels: pd.DataFrame,
    *,
    scene: tuple[str, str],
    states: Sequence[State],
    metrics: Sequence[str] = (AVERAGE, LOW),
) -> Lanes | None:
    """Return every run as a dot, with mean and interval of each state.

    Parameters
    ----------
    usable : DataFrame, one row per (run, metric); see ``tables.USABLE``
    levels : DataFrame, see `gpubench_kit.statistics.compare.LEVELS`
    scene : game and setting
    states : rows, top first
    metrics : axes, side by side; those that no run has are left out

    Returns
    -------
    Lanes; None where nothing was measured
    """
    own = of_scene(usable, scene)
    own = own[own["purpose"] == own["metric"].map(lambda one: metric_of(one).purpose)]
    metrics = [one for one in metrics if (own["metric"] == one).any()]
    if not metrics:
        return None
    runs = {
        key: tuple(zip(part["run"].astype(str), part["value"].astype(float), strict=True))
        for key, part in own[own["value"].notna()].groupby([*_STATE, "metric"], sort=False)
    }
    means = _means(levels, scene)
    lanes = []
    for one in states:
        keys = [(one.card, one.tuning, one.bench, metric) for metric in metrics]
        cells = (Cell(runs[key], *means.get(key, (None,) * 3)) if key in runs else None for key in keys)
        lanes.append(Lane(one.name, one.place, tuple(cells)))
    axes = tuple(Axis(heading_of(one), unit_of(one)) for one in metrics)
    return Lanes(say("charts.every_run", scene=scene_text(*scene)), axes, tuple(lanes))


def frame_rates(
    levels: pd.DataFrame, *, scene: tuple[str, str], states: Sequence[State], limit: float | None = None
) -> Lanes | None:
    """Return average frame rates as bars, the 1 % low as a notch.

    Parameters
    ----------
    levels : DataFrame, see `gpubench_kit.statistics.compare.LEVELS`
    scene : game and setting
    states : rows, top first
    limit : end of the axis, common to several charts [FPS]

    Returns
    -------
    Lanes; None where no average frame rate was measured
    """
    means = _means(levels, scene)
    rates, lows = (
        {one: means.get((one.card, one.tuning, one.bench, metric), (None,))[0] for one in states}
        for metric in (AVERAGE, LOW)
    )
    if not any(rate is not None for rate in rates.values()):
        return None
    most = max(one for one in (*rates.values(), *lows.values()) if one is not None)
    lanes = []
    for one, rate in rates.items():
        text = value_text(rate, "FPS").split(NBSP)[0]
        cell = None if rate is None else Cell(centre=rate, notch=lows[one], bar=True, text=text)
        lanes.append(Lane(one.name, one.place, (cell,)))
    axis = Axis("FPS", "FPS", low=0.0, high=limit or most or 1.0)
    return Lanes(say("charts.rates", scene=scene_text(*scene)), (axis,), tuple(lanes))


def _means(
    levels: pd.DataFrame, scene: tuple[str, str]
) -> dict[tuple[str, ...], tuple[float | None, float | None, float | None]]:
    """Return mean and interval of each state and metric of a scene."""
    rows = of_scene(levels, scene)[[*_STATE, "metric", "value", "ci_low", "ci_high"]]
    known = {row[:4]: row[4:] for row in rows.itertuples(index=False, name=None)}
    return {
        key: (*known_ends(value, None)[:1], *known_ends(low, high)) for key, (value, low, high) in known.items()
    }


def watts_against_fps(
    levels: pd.DataFrame, *, group: str, states: Sequence[State]
) -> tuple[Scatter, Scatter] | None:
    """Return watts against frame rate over all games of a group, wide and for a narrow screen.

    Parameters
    ----------
    levels : DataFrame, see `gpubench_kit.statistics.compare.LEVELS`; both axes are its means over games, which are
        geometric, so that frames per watt are their ratio
    group : group of settings
    states : the reference first

    Returns
    -------
    pair of Scatter, 640 and 360 wide; None unless the reference and one more have both values
    """
    rows = levels[(levels["group"] == group) & (levels["game"] == "")]
    points: list[ScatterPoint] = []
    for one in states:
        own = one.rows(rows).set_index("metric")["value"]
        x, y = own.get(POWER), own.get(AVERAGE)
        if x is not None and y is not None and is_known(float(x), float(y)):
            more = 100 * (y / x / (points[0].y / points[0].x) - 1) if points else 0.0
            note = say("charts.per_watt", change=change_text(more)) if points else ""
            points.append(ScatterPoint(one.name, one.place, float(x), float(y), note))
    if len(points) < 2 or points[0].name != states[0].name:
        return None
    x_axis = Axis(say("charts.board_power"), "W", decimals=1)
    wide, narrow = (Axis(say(f"charts.{one}"), decimals=1) for one in ("mean_of_games", "mean"))
    title = say("charts.watts")
    return (
        Scatter(title, x_axis, wide, tuple(points), 640.0, 380.0),
        Scatter(title, x_axis, narrow, tuple(points), 360.0, 340.0),
    )


def interval_cell(row: Any, unit: str = "%") -> Cell:
    """Return change, interval and verdict of one row of a table of changes."""
    change = float(row.change)
    text = f"{sign_of(row.verdict, change)} {change_text(change, unit)}".strip()
    return Cell((), change, *known_ends(row.ci_low, row.ci_high), row.verdict, text)


def change_lanes(
    named: Iterable[tuple[str, Any]],
    heading: str,
    *,
    unit: str = "%",
    margin: tuple[float, float] | None = None,
    limit: float | None = None,
) -> Lanes:
    """Return changes with their intervals against zero and the margin, one row each.

    Parameters
    ----------
    named : name and row (change, ci_low, ci_high, verdict) of each change, top first
    heading : what the axis shows
    unit : of the changes
    margin : ends of the band; None for none
    limit : half the width of the axis; None by the values
    """
    lanes = tuple(Lane(name, None, (interval_cell(row, unit),)) for name, row in named)
    axis = Axis(heading, unit, low=None if limit is None else -limit, high=limit, signed=True, margin=margin)
    return Lanes(heading, (axis,), lanes)


def noise_of_games(noise: pd.DataFrame, *, metric: str, margin: float | None) -> Lanes | None:
    """Return the noise of each game between runs of one tuning, and the difference that its runs would show.

    Parameters
    ----------
    noise : rows of ``noise`` of one group of settings
    metric : name of the metric, on the ratio scale
    margin : of the metric [%]; None for none

    Returns
    -------
    Lanes, noisiest first: a dot for each tuning, a mark at the smallest difference found with 80 % chance; None
    where no noise is known
    """
    data = noise[(noise["metric"] == metric) & noise["cv_pct"].notna()]
    if not len(data):
        return None
    scenes, (with_card, with_bench) = scene_names(data), (data[name].nunique() > 1 for name in ("card", "bench"))
    parts = []
    for (card, bench, *scene), part in data.groupby(["card", "bench", "game", "setting"], sort=False):
        name = ", ".join(filter(None, (scenes[tuple(scene)], card * with_card, bench * with_bench)))
        parts.append((-part["cv_pct"].max(), name, part))
    lanes = []
    for _, name, part in sorted(parts, key=lambda one: one[:2]):
        dots = tuple(zip(part["tuning"].astype(str), part["cv_pct"].astype(float), strict=True))
        found = known_ends(part["detectable_pct"].max(), None)[0]
        size = value_text(found, "%", decimals=1)
        text = say("charts.one_run") if found is None else say("charts.detects", size=size)
        lanes.append(Lane(name, None, (Cell(dots, text=text, notch=found),)))
    band = (0.0, margin) if margin is not None and is_known(margin) else None
    axis = Axis(say("charts.noise_axis"), "%", decimals=1, margin=band, low=0.0)
    return Lanes(say("charts.noise", metric=metric_of(metric).label), (axis,), tuple(lanes))


def archive_noise_lanes(noise: pd.DataFrame, *, metric: str) -> Lanes | None:
    """Return the run-to-run noise of each game with its interval, noisiest first.

    Parameters
    ----------
    noise : DataFrame; see ``archive.gather.RUN_NOISE``
    metric : name of the metric

    Returns
    -------
    Lanes; None where the noise of no game is known
    """
    data = noise[(noise["scope"] == "all") & (noise["metric"] == metric)].sort_values("noise", ascending=False)
    data = data.head(MOST_ROWS)
    if not len(data):
        return None
    names, unit = scene_names(data), data["unit"].iloc[0]
    lanes = []
    for row in data.itertuples():
        text = f"{number_text(row.noise, decimals=2)} {unit}"
        cell = Cell((), float(row.noise), *known_ends(row.ci_low, row.ci_high), text=text)
        lanes.append(Lane(names[row.game, row.setting], None, (cell,)))
    heading = say("charts.archive_noise", metric=capital(metric_of(metric).label), unit=unit)
    # An interval from few runs may be far wider than all else.
    axis = Axis(heading, unit, decimals=2, low=0.0, high=3.2 * float(data["noise"].max()) or None)
    return Lanes(heading, (axis,), tuple(lanes))


def archive_change_lanes(rows: pd.DataFrame, *, metric: str, title: str) -> Lanes | None:
    """Return changes of an archive with their intervals, one row each; see `change_lanes`.

    Parameters
    ----------
    rows : DataFrame with ``label`` and the columns of changes in ``archive.gather``, in the order drawn
    metric : name of the metric
    title : what is compared

    Returns
    -------
    Lanes; None where there is no change of this metric
    """
    data = rows[(rows["metric"] == metric) & rows["change"].notna()].tail(MOST_ROWS)
    if not len(data):
        return None
    facts, unit = metric_of(metric), data["unit"].iloc[0]
    heading = say("charts.change_of", title=title, metric=facts.label, unit=unit)
    margin = margin_band(float(data["margin"].iloc[-1]), facts.scale)
    return change_lanes(((row.label, row) for row in data.itertuples()), heading, unit=unit, margin=margin)


def card_lanes(cards: pd.DataFrame, *, metric: str) -> Lanes | None:
    """Return the level of each card in its reference tuning, in the order of time.

    Parameters
    ----------
    cards : DataFrame with ``label`` and the columns of ``archive.gather.CARDS``
    metric : name of the metric

    Returns
    -------
    Lanes; None where fewer than two levels are linked by games
    """
    known = cards[cards["metric"] == metric]
    data = known[known["linked"].isin(known["linked"].mode().iloc[:1])].tail(MOST_ROWS)
    if len(data) < 2:
        return None
    cells = [(row.label, Cell(centre=float(row.level), text=number_text(row.level))) for row in data.itertuples()]
    heading = say("charts.levels", metric=capital(metric_of(metric).label))
    return Lanes(heading, (Axis(heading, decimals=1),), tuple(Lane(name, None, (cell,)) for name, cell in cells))


def with_lows(bars: Lanes) -> Lanes:
    """Return bars whose words also give the 1 % low, where there is any."""
    lanes = []
    for lane in bars.lanes:
        (cell,) = lane.cells
        if cell and is_known(cell.notch):
            cell = replace(cell, text=f"{cell.text} | {value_text(cell.notch, 'FPS').split(NBSP)[0]}")
        lanes.append(replace(lane, cells=(cell,)))
    if tuple(lanes) == bars.lanes:
        return bars
    return replace(bars, axes=(replace(bars.axes[0], label=say("film.fps_and_low")),), lanes=tuple(lanes))
