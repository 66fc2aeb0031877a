"""How high every tuning of every card stands: the everyday chart, and bars for any one metric."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.row_layouts import draw_rows
from gpubench_kit.figures.rows import Axis, Block, Mark, Row, RowChart
from gpubench_kit.figures.scales import padded_range
from gpubench_kit.figures.sheet import Heading
from gpubench_kit.figures.subjects import SUBJECT, places_of, subject_names
from gpubench_kit.file_names import slug
from gpubench_kit.wording.numbers import count_text, number_text, percent_text, value_text
from gpubench_kit.wording.terms import metric_of, of_group, scene_names, sentence

AVERAGE, LOWS = "avg_fps", ("low_1pct_fps", "low_0p1pct_fps")
#: A chart of more games (all of them counts as one) states the overall levels and who leads how often.
_GAMES_SPELT_OUT = 5
_ORDER = {"higher": False, "lower": True, "neither": False}


@dataclass(frozen=True)
class _Scene:
    """A game at a setting, or all games: its name, and the rows of each subject, by metric, best first."""

    name: str
    game: str
    subjects: list[tuple[tuple, pd.DataFrame]]

    @property
    def setting_alone(self) -> str:
        """The setting where the heading, which names game and group, does not say it."""
        first = self.subjects[0][1].iloc[0]
        return "" if first["setting"] == first["group"] else first["setting"]


def draw_everyday(
    levels: pd.DataFrame, plan, *, group: str = "all", game: str | None = None
) -> DescribedFigure | None:
    """Draw average frame rate and 1 % low of every card and tuning, sorted within each game.

    Parameters
    ----------
    levels : DataFrame, one row per (card, bench, tuning, game, setting, group, metric); see
        `gpubench_kit.statistics.levels.LEVELS`
    plan : ReviewPlan, gives order, names and style
    group : group of settings
    game : None for all games below each other, '' for the result over all games alone, else one game

    Returns
    -------
    DescribedFigure; None when there is no average frame rate to draw
    """
    data = _chosen(levels, plan, metrics=(AVERAGE, *LOWS), group=group, game=game)
    low = next((one for one in LOWS if (data["metric"] == one).any()), None)
    if not (data["metric"] == AVERAGE).any():
        return None
    data = data[data["metric"].isin([AVERAGE, low])]
    scenes = _ranked_scenes(data, metric=AVERAGE)
    names = subject_names(data, plan)
    blocks = _blocks(
        scenes,
        names,
        places=places_of(data, plan),
        row_of=partial(_everyday_row, low=low),
        is_alone=game is not None,
    )
    title = "Average frame rate" + (f" and {metric_of(low).label}" if low else "")
    bars = f"Pale bar, first number: average. Slim bar, second: {metric_of(low).label}. " if low else ""
    heading = Heading(
        _title(title, group=group, game=game), f"{bars}Lines: {_level_text(plan)} intervals.", _note(data)
    )
    axis = Axis(0.0, padded_range(data["ci_high"], include=[*data["value"], 0.0], pad=0.02)[1], "frames per second")
    return DescribedFigure(
        name=slug("everyday", _group_slug(group), _game_slug(game)),
        data=data.reset_index(drop=True),
        caption=f"{title} of every tuning, best first. Each interval comes from the runs of its own bar; "
        "whether two tunings differ is told further down.",
        alternative_text=_alternative(scenes, names, metric=AVERAGE, title=of_group(title, group)),
        drawing=partial(draw_rows, chart=RowChart(heading, blocks, axis)),
        style=plan.style,
    )


def draw_levels(levels: pd.DataFrame, plan, *, metric: str, group: str = "all",
                game: str | None = None) -> DescribedFigure | None:  # fmt: skip
    """Draw one metric of every card and tuning: bars from zero, or points where zero has no meaning.

    Parameters
    ----------
    levels : DataFrame, see `draw_everyday`
    plan : ReviewPlan, gives order, names and style
    metric : name of the metric
    group : group of settings
    game : None for all games below each other, '' for the result over all games alone, else one game

    Returns
    -------
    DescribedFigure; None when the metric has no value
    """
    data = _chosen(levels, plan, metrics=(metric,), group=group, game=game)
    if not len(data):
        return None
    facts = metric_of(metric)
    row_of = partial(_level_row, is_bar=facts.scale == "ratio")
    scenes = _ranked_scenes(data, metric=metric)
    names = subject_names(data, plan)
    blocks = _blocks(scenes, names, places=places_of(data, plan), row_of=row_of, is_alone=game is not None)
    heading = Heading(
        _title(sentence(facts.label), group=group, game=game), f"Lines: {_level_text(plan)} intervals.", _note(data)
    )
    low, high = padded_range([*data["ci_low"], *data["ci_high"]], include=data["value"], pad=0.03)
    unit = f" [{facts.unit}]" if facts.unit else ""
    axis = Axis(0.0 if facts.scale == "ratio" else low, high, facts.label + unit)
    return DescribedFigure(
        name=slug("levels", metric, _group_slug(group), _game_slug(game)),
        data=data.reset_index(drop=True),
        caption=f"{sentence(facts.label)} of every tuning. {facts.help}".strip(),
        alternative_text=_alternative(scenes, names, metric=metric, title=of_group(sentence(facts.label), group)),
        drawing=partial(draw_rows, chart=RowChart(heading, blocks, axis)),
        style=plan.style,
    )


def _chosen(levels: pd.DataFrame, plan, *, metrics: tuple[str, ...], group: str, game: str | None) -> pd.DataFrame:
    """Return the rows to draw: all games first, then the games in the plan's order."""
    data = levels[levels["metric"].isin(metrics) & (levels["group"] == group) & levels["value"].notna()]
    if game is not None:
        data = data[data["game"] == game]
    elif data["game"].nunique() == 2:  # One game and "all games" would say the same twice.
        data = data[data["game"] != ""]
    order = {name: place for place, name in enumerate(["", *(one.name for one in plan.games)])}
    return data.assign(_place=data["game"].map(order)).sort_values("_place", kind="stable").drop(columns="_place")


def _ranked_scenes(data: pd.DataFrame, *, metric: str) -> list[_Scene]:
    """Return each game and setting with the rows of each card, bench and tuning that has the metric, best first."""
    names, scenes = scene_names(data), []
    for (game, setting), rows in data.groupby(["game", "setting"], sort=False):
        subjects = _sorted_subjects(rows, metric=metric)
        if subjects:
            scenes.append(_Scene(names[game, setting] if game else _all_games(rows), game, subjects))
    return scenes


def _sorted_subjects(rows: pd.DataFrame, *, metric: str) -> list[tuple[tuple, pd.DataFrame]]:
    """Return the rows of each card, bench and tuning that has the metric, by metric, best first."""
    parts = [(key, part.set_index("metric")) for key, part in rows.groupby(SUBJECT, sort=False)]
    sign = 1 if _ORDER[metric_of(metric).better] else -1
    return sorted((one for one in parts if metric in one[1].index), key=lambda one: sign * one[1]["value"][metric])


def _blocks(
    scenes: Sequence[_Scene], names: Mapping[tuple, str], *, places: Mapping[tuple, int], row_of, is_alone: bool
) -> tuple[Block, ...]:
    """Return one block per game and setting, rows best first; the heading names a game that stands alone."""
    blocks = []
    for scene in scenes:
        drawn = [row_of(rows, label=names[key], role=f"series-{places[key] % 8}") for key, rows in scene.subjects]
        blocks.append(Block(scene.setting_alone if is_alone else scene.name, tuple(drawn)))
    return tuple(blocks)


def _everyday_row(rows: pd.DataFrame, *, label: str, role: str, low: str | None) -> Row:
    """Return a row with the average as a pale bar and the low as a slim one."""
    average = rows.loc[AVERAGE]
    marks = [Mark(average["value"], average["ci_low"], average["ci_high"], role, kind="bar")]
    text, short = f"{number_text(average['value'])} average", number_text(average["value"])
    if low in rows.index:
        slow = rows.loc[low]
        marks.append(Mark(slow["value"], slow["ci_low"], slow["ci_high"], role, kind="inner"))
        text, short = f"{text} · {number_text(slow['value'])} low", f"{short} | {number_text(slow['value'])}"
    return Row(label, text, tuple(marks), short)


def _level_row(rows: pd.DataFrame, *, label: str, role: str, is_bar: bool) -> Row:
    """Return a row with one bar or point."""
    name, level = rows.index[0], rows.iloc[0]
    text = value_text(level["value"], name)
    mark = Mark(level["value"], level["ci_low"], level["ci_high"], role, kind="bar" if is_bar else "point")
    return Row(label, text, (mark,), text)


def _all_games(rows: pd.DataFrame) -> str:
    """Return the title of the block over all games."""
    return f"All games ({count_text(int(rows['n'].max()), 'game')})"


def _title(title: str, *, group: str, game: str | None) -> str:
    """Return the title with group and, where one is drawn alone, game."""
    place = {None: "", "": " over all games"}.get(game, f": {game}")
    return of_group(title + place, group)


def _note(data: pd.DataFrame) -> str:
    """Return how many runs stand behind a bar."""
    runs = sorted(set(data.loc[data["game"] != "", "n"].dropna().astype(int)))
    if not runs:
        return f"Mean of {count_text(int(data['n'].max()), 'game')}, each counting once."
    number = str(runs[0]) if len(runs) == 1 else f"{runs[0]} to {runs[-1]}"
    return (
        f"n = {number} runs per game and tuning." if runs != [1] else "n = 1 run per game and tuning: no interval."
    )


def _level_text(plan) -> str:
    """Return the confidence of the intervals."""
    return percent_text(100 * plan.analysis.confidence)


def _alternative(scenes: Sequence[_Scene], names: Mapping[tuple, str], *, metric: str, title: str) -> str:
    """Return what the chart shows: the levels over all games, or of the games, and who leads how often."""
    parts, leaders = [], []
    is_spelt_out = len({scene.game for scene in scenes}) <= _GAMES_SPELT_OUT
    for scene in scenes:
        if not scene.game or is_spelt_out:
            values = ", ".join(f"{names[key]} {_values(rows)}" for key, rows in scene.subjects)
            parts.append(f"{scene.name}: {values}")
        leaders += [names[scene.subjects[0][0]]] if scene.game else []
    counts = pd.Series(leaders, dtype="object").value_counts(sort=False)
    best = {"higher": "highest", "lower": "lowest"}.get(metric_of(metric).better, "highest")
    lead = "; ".join(f"{name} in {count} of {len(leaders)}" for name, count in counts.items())
    has_lead = len(leaders) > 1 and len(names) > 1
    return f"{title}. {'. '.join(parts)}." + (f" {sentence(best)} by game: {lead}." if has_lead else "")


def _values(rows: pd.DataFrame) -> str:
    """Return the values of one tuning, by metric, in words."""
    found = {name: value for name, value in rows["value"].items() if np.isfinite(value)}
    return " and ".join(value_text(value, name) if name not in LOWS else f"{value_text(value, name)} low"
                        for name, value in found.items())  # fmt: skip


def _group_slug(group: str) -> str:
    """Return the group for a file name; the only group has none."""
    return "" if group == "all" else group


def _game_slug(game: str | None) -> str:
    """Return the game for a file name."""
    return {None: "by-game", "": "all-games"}.get(game, game)
