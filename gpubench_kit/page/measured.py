"""Sections on what was measured besides frame rates: the everyday chart, power and energy, heat and clocks."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import pandas as pd

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.energy import draw_rate_against_power
from gpubench_kit.figures.levels import AVERAGE, LOWS, draw_everyday, draw_levels
from gpubench_kit.page.elements import Markup, bullets, join, note, paragraph
from gpubench_kit.page.pairs import groups_in
from gpubench_kit.page.places import chart_grid, pictures_of
from gpubench_kit.page.results import metric_blocks, verdict_terms
from gpubench_kit.page.section import Section, left_out
from gpubench_kit.page.topics import HEAT, POWER, in_topic
from gpubench_kit.wording.reasons import reason_sentences
from gpubench_kit.wording.terms import metric_of, sentence

_POINTS = {
    "board_sensor": "the card's own sensor for the whole board",
    "chip_sensor": "the card's own sensor for the chip alone",
    "inline": "a meter between power supply and card",
    "wall": "a meter at the wall, for the whole machine",
    None: "a point that the plan does not state",
}


def everyday(levels: pd.DataFrame, plan) -> Section:
    """Return the section with the everyday chart: average and low of every card and tuning.

    Parameters
    ----------
    levels : DataFrame, see `gpubench_kit.statistics.levels.LEVELS`
    plan : ReviewPlan

    Returns
    -------
    Section; left out where no frame rate was measured
    """
    name, title = "everyday", "Frame rates at a glance"
    groups = groups_in(levels, plan) if len(levels) else []
    over_games = [draw_everyday(levels, plan, group=group, game="") for group in groups]
    by_game = [draw_everyday(levels, plan, group=group) for group in groups]
    if not any(by_game):
        return left_out(name, title, "no average frame rate was measured")
    text = (
        "How high each tuning stands. Whether two of them really differ is answered below, by the interval of "
        "their difference: two lines may overlap here although the difference is real."
    )
    body = join([paragraph(text), chart_grid(by_game)])
    return Section(
        name, title, body, pictures=pictures_of([*over_games, *by_game, *_of_single_games(levels, plan)])
    )


def _of_single_games(levels: pd.DataFrame, plan) -> Iterator[DescribedFigure | None]:
    """Yield a chart for each game and metric that is good or bad: for films and articles, not for the page."""
    others = (one for one in plan.analysis.metrics if one not in (AVERAGE, *LOWS))
    singly = [one for one in others if metric_of(one).better != "neither"]
    of_games = levels[levels["game"] != ""]
    for (group, game), rows in of_games.groupby(["group", "game"], sort=False):
        yield draw_everyday(levels, plan, group=group, game=game)
        for metric in (one for one in singly if one in set(rows["metric"])):
            yield draw_levels(levels, plan, metric=metric, group=group, game=game)


def power(comparisons: pd.DataFrame, levels: pd.DataFrame, plan) -> Section:
    """Return the section on power and energy.

    Parameters
    ----------
    comparisons : DataFrame, one row per (pair, game, setting, metric); see ``tables.COMPARISONS``
    levels : DataFrame, see `gpubench_kit.statistics.levels.LEVELS`
    plan : ReviewPlan

    Returns
    -------
    Section; left out where no power was compared
    """
    name, title = "power", "Power and energy"
    rows = in_topic(comparisons, POWER)
    if not len(rows):
        return left_out(name, title, "no power was compared")
    charts = [draw_rate_against_power(levels, plan, group=group) for group in groups_in(rows, plan)]
    if len({card.power_measured_at for card in plan.cards}) > 1:
        charts = []
    blocks, more = metric_blocks(rows, plan)
    body = join([_power_points(plan), chart_grid(charts), blocks, verdict_terms(rows)])
    return Section(name, title, body, pictures=pictures_of([*charts, *more]))


def heat(comparisons: pd.DataFrame, plan, *, charts: Sequence[DescribedFigure] = ()) -> Section:
    """Return the section on temperatures, fan, sound and clocks.

    Parameters
    ----------
    comparisons, plan : as in `power`
    charts : sensors over the run; see `gpubench_kit.page.over_time.sensor_charts`

    Returns
    -------
    Section; left out where none of these was compared
    """
    name, title = "heat", "Temperatures, fan, sound and clocks"
    rows = in_topic(comparisons, HEAT)
    if not len(rows):
        return left_out(name, title, "no temperature, fan speed, sound level or clock was compared")
    judged = rows[rows["change"].notna()]
    text = (
        "Heat carries over between short runs that alternate, so temperature, fan and sound are compared only on "
        "soak runs, made after the card had warmed through; clocks and load on the runs that give the frame rates."
    )
    blocks, more = metric_blocks(judged, plan)
    body = join([paragraph(text), _not_judged(rows, judged), chart_grid(charts), blocks, verdict_terms(judged)])
    return Section(name, title, body, pictures=pictures_of([*charts, *more]))


def _power_points(plan) -> Markup:
    """Return where power was measured, card by card."""
    points = {card.name: _POINTS[card.power_measured_at] for card in plan.cards}
    if len(set(points.values())) == 1:
        return paragraph(f"Power was measured by {next(iter(points.values()))}.")
    told = "; ".join(f"{name}: {point}" for name, point in points.items())
    return note(f"Power was measured at different points, so cards are not compared in watts or energy. {told}.")


def _not_judged(rows: pd.DataFrame, judged: pd.DataFrame) -> Markup:
    """Return which quantities were asked for but could not be compared, and why."""
    missing = rows[~rows["metric"].isin(judged["metric"])]
    lines = []
    for metric, part in missing.groupby("metric", sort=False):
        why = dict.fromkeys(one for reason in part["reason"] for one in reason_sentences(reason))
        lines.append(f"{sentence(metric_of(metric).label)}: {' '.join(why)}")
    return join([paragraph("Not compared:"), bullets(lines)]) if lines else Markup("")
