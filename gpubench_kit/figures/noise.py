"""How noisy each game is, and which difference its runs could show."""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd

from gpubench_kit.figures.described import DescribedFigure
from gpubench_kit.figures.row_layouts import draw_rows
from gpubench_kit.figures.rows import Axis, Block, Mark, Row, RowChart
from gpubench_kit.figures.scales import padded_range
from gpubench_kit.figures.sheet import Heading
from gpubench_kit.file_names import slug
from gpubench_kit.wording.numbers import number_text, percent_text
from gpubench_kit.wording.terms import metric_of, names_text, of_group, scene_names

_PLACE = ["card", "bench", "game", "setting"]
_KEY = "Dots: run-to-run noise of each tuning. Diamond: smallest difference that these runs would show."


def draw_noise(noise: pd.DataFrame, plan, *, metric: str, group: str = "all") -> DescribedFigure | None:
    """Draw run-to-run noise and the smallest detectable difference of each game, noisiest first.

    Parameters
    ----------
    noise : DataFrame, one row per (card, bench, tuning, game, setting, metric); see ``tables.NOISE``
    plan : ReviewPlan, gives the margin, the groups of settings and the style
    metric : name of the metric, on the ratio scale
    group : group of settings

    Returns
    -------
    DescribedFigure; None when the metric has no noise in percent (one run each, or not on the ratio scale)
    """
    data = noise[(noise["metric"] == metric) & noise["cv_pct"].notna() & _in_group(noise, plan, group=group)]
    if not len(data):
        return None
    facts, margin = metric_of(metric), plan.margin_of(metric)
    ranked = sorted(_games(data), key=lambda one: -one[1]["cv_pct"].max())
    rows = tuple(_noise_row(label, part) for label, part in ranked)
    found = {label: part["detectable_pct"].max() for label, part in ranked}
    has_margin = margin is not None and np.isfinite(margin)
    axis = Axis(
        0.0, padded_range([*data["cv_pct"], *data["detectable_pct"]], include=[margin] if has_margin else [])[1],
        "noise and smallest difference [%]",
        band=(0.0, margin) if has_margin else None, band_text=_margin_words(margin) if has_margin else "",
    )  # fmt: skip
    title = of_group(f"Noise of the {facts.label}", group)
    chart = RowChart(Heading(title, _runs_text(data), _KEY), (Block("", rows),), axis)
    return DescribedFigure(
        name=slug("noise", metric, "" if group == "all" else group),
        data=data.reset_index(drop=True),
        caption=f"Noise of the {facts.label} between runs of one tuning, and the smallest difference that as many "
        "runs would show with 80 % chance. A game whose diamond lies beyond the margin cannot settle it.",
        alternative_text=_alternative(found, facts.label, margin=margin if has_margin else None),
        drawing=partial(draw_rows, chart=chart),
        style=plan.style,
    )


def _in_group(noise: pd.DataFrame, plan, *, group: str) -> np.ndarray:
    """Return which rows belong to a group of settings."""
    groups = {(game.name, one.name): one.group for game in plan.games for one in game.settings}
    keys = zip(noise["game"], noise["setting"], strict=True)
    return np.array([groups.get(key, "all") == group for key in keys], dtype=bool)


def _games(data: pd.DataFrame) -> list[tuple[str, pd.DataFrame]]:
    """Return label and rows of each game and setting, by card and bench where there are several."""
    scenes, several = scene_names(data), [data[name].nunique() > 1 for name in ("card", "bench")]
    out = []
    for (card, bench, game, setting), part in data.groupby(_PLACE, sort=False):
        names = [scenes[game, setting], card * several[0], bench * several[1]]
        out.append((", ".join(name for name in names if name), part))
    return out


def _noise_row(label: str, part: pd.DataFrame) -> Row:
    """Return the row of one game: a dot for each tuning's noise, a diamond for what can be found."""
    dots = tuple(Mark(value, role="series-1") for value in part["cv_pct"])
    most, found = part["cv_pct"].max(), part["detectable_pct"].max()
    diamond = Mark(found, role="series-2", shape="D", is_hollow=True)
    text = f"noise {_percent(most)} · finds {_percent(found)}"
    return Row(label, text, (*dots, diamond), f"{number_text(most)} | {_percent(found)}")


def _percent(value: float) -> str:
    """Return a percentage with one decimal; what cannot be told is a dash."""
    return f"{number_text(value)} %" if np.isfinite(value) else number_text(None)


def _margin_words(margin: float) -> str:
    """Return what the band from zero is."""
    return f"up to the margin of {percent_text(margin)}"


def _runs_text(data: pd.DataFrame) -> str:
    """Return how many runs each tuning has."""
    runs = sorted(set(data["n"].dropna().astype(int)))
    return f"n = {runs[0] if len(runs) == 1 else f'{runs[0]} to {runs[-1]}'} runs per tuning and game."


def _alternative(found: dict[str, float], label: str, *, margin: float | None) -> str:
    """Return what the chart shows: which differences can be found, and where the margin is out of reach."""
    known = {game: value for game, value in found.items() if np.isfinite(value)}
    if not known:
        return f"Noise of the {label}: no game has enough runs to say which difference it could show."
    least, most = min(known, key=known.get), max(known, key=known.get)
    text = f"Smallest detectable difference in {label}: {_percent(known[least])} ({least})"
    text += f" to {_percent(known[most])} ({most})." if len(known) > 1 else "."
    if margin is None:
        return text
    beyond = [game for game, value in known.items() if value > margin]
    if not beyond:
        return f"{text} It is within the margin of {percent_text(margin)} in every game."
    short = f"In {len(beyond)} of {len(known)} games it is larger than the margin of {percent_text(margin)}"
    return f"{text} {short}: {names_text(beyond)}."
