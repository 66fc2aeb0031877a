"""The seaborn theme of the kit: its colours, and what all plots share."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl
import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib import pyplot as plt
from matplotlib.axes import Axes

from gpubench_kit.model.errors import Fault, TableError, check_given, listed, shown, suggestion
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.palette import colours
from gpubench_kit.wording.terms import capital, metric_of, scene_names

#: Colours of tunings beside the reference.
_TUNINGS = 5
_SIZE = (7.0, 4.0)


@contextmanager
def theme(kind: str = "light") -> Iterator[None]:
    """Draw in the kit's theme while the block runs; settings of the notebook are as before afterwards.

    Parameters
    ----------
    kind : ``light`` or ``dark``
    """
    tokens = colours(kind)
    settings: dict[Any, Any] = {
        "figure.facecolor": tokens["g"], "axes.facecolor": tokens["g"], "savefig.facecolor": tokens["g"],
        "axes.edgecolor": tokens["a"], "axes.labelcolor": tokens["i"], "text.color": tokens["i"],
        "xtick.color": tokens["m"], "ytick.color": tokens["m"], "grid.color": tokens["r"],
        "axes.titlecolor": tokens["i"], "axes.titleweight": "bold", "axes.titlelocation": "left",
        "axes.spines.top": False, "axes.spines.right": False, "legend.frameon": False,
        "axes.prop_cycle": plt.cycler(color=[tokens[f"t{place}"] for place in range(_TUNINGS + 1)]),
    }  # fmt: skip
    with sns.axes_style("whitegrid", rc=settings), sns.plotting_context("notebook"), mpl.rc_context(settings):
        yield


def axes_of(ax: Axes | None, *, rows: int = 0) -> Axes:
    """Return the axes given, or those of a new figure in the kit's theme; higher for many rows."""
    if ax is not None:
        action = "What is drawn is named: metric=..., game=..., tunings=...."
        check_given(ax, Axes, where="ax", wanted="a matplotlib Axes", action=action)
        return ax
    height = max(_SIZE[1], 1.2 + 0.32 * rows)
    with theme():
        return plt.subplots(figsize=(_SIZE[0], height), layout="constrained")[1]


def check_is_table(table: object, *, of: str) -> None:
    """Refuse what is no table.

    Parameters
    ----------
    table : what is to be drawn
    of : the function that asks

    Raises
    ------
    TableError : it is something else
    """
    action = f"Give one of the tables of a result: {getattr(table, '_named', 'metrics, comparisons, noise')}."
    check_given(table, pd.DataFrame, where=f"plots.{of}", wanted="a DataFrame", action=action)


def checked(
    table: pd.DataFrame,
    columns: Sequence[str],
    *,
    of: str,
    metric: str = "",
    numbers: Sequence[str] = (),
    needs: Sequence[str] = (),
) -> pd.DataFrame:
    """Return the table, its rows of a metric where one is named, or refuse it.

    Parameters
    ----------
    table : what is to be drawn
    columns : columns that it must have
    of : the function that asks
    metric : rows wanted; empty for all
    numbers : columns in which what is not finite becomes missing
    needs : those of them without which there is nothing to draw

    Returns
    -------
    DataFrame; games have their names in the further column ``scene``

    Raises
    ------
    TableError : it is no table, a column is missing, no row is of the metric, or none has what is to be drawn
    """
    check_is_table(table, of=of)
    missing = [name for name in columns if name not in table]
    if missing:
        found = ", ".join(map(str, table.columns[:8])) or "none"
        raise TableError(
            f"plots.{of}: the table lacks {', '.join(missing)} (found: {found}). Give the kit's own table."
        )
    rows = table[table["metric"] == metric] if metric else table
    if metric and not len(rows):
        names = ", ".join(sorted(set(table["metric"].astype(str)))) or "none"
        raise TableError(f"plots.{of}: the table has no row of metric '{metric}' (metrics: {names}).")
    rows = rows.assign(**{name: known(rows[name]) for name in numbers})
    if needs and not rows[list(needs)].notna().all(axis="columns").any():
        problem = f"there is nothing to draw: no row has a number in {listed(needs)}"
        raise TableError(f"plots.{of}: {problem}{f' of metric {shown(metric)}' if metric else ''}.")
    if {"game", "setting"} <= set(rows):
        scenes = scene_names(rows)
        rows = rows.assign(scene=[plain(scenes[key]) for key in zip(rows["game"], rows["setting"], strict=True)])
    return rows


def check_named(names: Iterable[str], known: Iterable[str], *, of: str, kind: str) -> None:
    """Refuse names that a table does not have: what they ask for would not be drawn, without a word.

    Parameters
    ----------
    names : what was asked for
    known : what there is
    of : the function that asks
    kind : what they are names of

    Raises
    ------
    TableError : the first name that is not there, with those that are
    """
    known = list(dict.fromkeys(map(str, known)))
    for name in names:
        if name not in known:
            problem = f"there is no {kind} {shown(name)} (there is: {listed(known)})."
            raise TableError(Fault(f"plots.{of}", problem, suggestion(str(name), known)))


def is_counted(data: pd.DataFrame, metric: str) -> pd.Series:
    """Return which runs enter verdicts: used ones, of the purpose that the verdicts of a metric use.

    Parameters
    ----------
    data : one row per run; without ``used`` or ``purpose`` all are taken to be
    metric : name of the metric
    """
    counted = pd.Series(True, index=data.index)
    if "used" in data:
        counted &= data["used"].astype("boolean").fillna(False).astype(bool)
    if "purpose" in data and metric in METRICS:
        counted &= data["purpose"].isin([METRICS[metric].purpose, ""])
    return counted


def tuning_colours(names: Sequence[str]) -> dict[str, str]:
    """Return the colour of each tuning by its place; from the sixth on they begin again."""
    tokens = colours("light")
    return {
        name: tokens[f"t{place if place <= _TUNINGS else (place - 1) % _TUNINGS + 1}"]
        for place, name in enumerate(names)
    }


def in_order(found: Iterable[str], wanted: Sequence[str]) -> list[str]:
    """Return the tunings found: those of a wanted order in it, further ones as they come."""
    names = list(dict.fromkeys(found))
    return [*(one for one in wanted if one in names), *(one for one in names if one not in wanted)]


def verdict_colour(verdict: str) -> str:
    """Return the colour of a verdict: good, bad, muted where nothing is decided, ink for all else."""
    colour = VERDICTS[verdict].colour
    return colours("light")["m" if colour == "n" else colour]


def label_of(metric: str) -> str:
    """Return the label of an axis that shows a metric."""
    facts = metric_of(metric)
    return f"{capital(facts.label)} [{facts.unit}]" if facts.unit else capital(facts.label)


def known(values: pd.Series) -> pd.Series:
    """Return values as numbers, what is not finite as missing."""
    numbers = pd.to_numeric(values, errors="coerce").astype(float)
    return numbers.where(np.isfinite(numbers))


def plain(text: object) -> str:
    """Return a name as matplotlib writes it: a dollar sign is no formula."""
    return str(text).replace("$", r"\$")
