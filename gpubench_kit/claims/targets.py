"""What a claim is held against: rows of the results, seen from its side and in its unit."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import astuple, dataclass
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.model.metrics import METRICS, change_unit
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.sections import OVER_WORDS, Claim
from gpubench_kit.model.tables import PAIR_KEY
from gpubench_kit.statistics.contrasts import (
    families_of,
    game_in_unit,
    games_in_unit,
    has_entered,
    mirrored,
    scaled,
)
from gpubench_kit.statistics.testing import NO_VERDICT, adjust_in_families, half_width, uncertainty_of
from gpubench_kit.statistics.variance import in_percent
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.terms import metric_of, scene_text

_ENDS = ("change", "ci_low", "ci_high", "equivalence_ci_low", "equivalence_ci_high")


@dataclass(frozen=True)
class Amounts:
    """A change with its intervals, all in one unit: ``ci_*`` two-sided, ``equivalence_ci_*`` one-sided each."""

    change: float
    ci_low: float
    ci_high: float
    equivalence_ci_low: float
    equivalence_ci_high: float
    unit: str


@dataclass(frozen=True)
class Target:
    """One result that a claim must agree with.

    Attributes
    ----------
    row : row of ``comparisons``, or of ``overall``, seen from the claim's side
    amounts : its change in the unit that the claim speaks in
    own : the same from the game's own runs alone; None for results over games
    is_named : whether the claim singles this game out, so that its own runs alone must agree
    games : rows of ``comparisons`` behind a result over games
    """

    row: Any
    amounts: Amounts
    own: Amounts | None
    is_named: bool
    games: tuple[Any, ...] = ()


@dataclass(frozen=True)
class Found:
    """All results that a claim must agree with, and why some are not there: one sentence each."""

    targets: tuple[Target, ...]
    lacking: tuple[str, ...]


@dataclass(frozen=True)
class Results:
    """Rows of both tables by pair, every pair seen from either side, with the test beyond the margin."""

    comparisons: dict[tuple[str, ...], list[Any]]
    overall: dict[tuple[str, ...], list[Any]]


def both_ways(comparisons: pd.DataFrame, overall: pd.DataFrame, *, plan: ReviewPlan) -> Results:
    """Return the results with every pair seen from either side.

    Parameters
    ----------
    comparisons, overall : DataFrames, see ``tables.COMPARISONS`` and ``tables.OVERALL``
    plan : ReviewPlan

    Returns
    -------
    Results; a pair is as ``tables.PAIR_KEY``, and rows have a further column ``p_beyond_adjusted``
    """
    tables = (_with_beyond(table, plan) for table in (comparisons, overall))
    by_pair: list[dict[tuple[str, ...], list[Any]]] = []
    for table in tables:
        by_pair.append({})
        for row in pd.concat([table, mirrored(table, plan)], ignore_index=True).itertuples(index=False):
            by_pair[-1].setdefault(tuple(getattr(row, name) for name in PAIR_KEY), []).append(row)
    return Results(*by_pair)


def find_targets(claim: Claim, results: Results, *, plan: ReviewPlan) -> Found:
    """Return what a claim must agree with.

    Parameters
    ----------
    claim : entry of ``plan.claims``
    results : see `both_ways`
    plan : ReviewPlan

    Returns
    -------
    Found : a claim that leaves out bench or group must hold on every bench and in every group
    """
    if claim.is_in_unit and METRICS[claim.metric].scale == "ratio" and claim.over == "games_like_these":
        return Found((), (say("claims.lacking.in_unit", unit=METRICS[claim.metric].unit),))
    targets: list[Target] = []
    lacking: list[str] = []
    for pair in plan.pairs_of(claim):
        key = (*astuple(pair.of), *astuple(pair.against))
        games = _of_claim(results.comparisons, key, claim=claim)
        if not games:
            lacking.append(_why_nothing(results.comparisons.get(key, []), claim))
        elif claim.over in ("these_games", "games_like_these"):
            rows = [row for row in _of_claim(results.overall, key, claim=claim) if row.scope == claim.over]
            for row in rows:
                entered = tuple(game for game in games if game.group == row.group and has_entered(game, row))
                is_in_unit = claim.is_in_unit and row.scale == "ratio" and entered
                amounts = (
                    _of_unit(games_in_unit(pd.DataFrame(entered), row), row.unit) if is_in_unit else _amounts(row)
                )
                targets.append(Target(row, amounts, own=None, is_named=False, games=entered))
            lacking += [] if rows else [say("claims.lacking.too_few")]
        else:
            wanted = [row for row in games if claim.over in ("every_game", row.game)]
            for row in wanted:
                is_in_unit = claim.is_in_unit and row.scale == "ratio"
                amounts, own = (
                    _of_unit(game_in_unit(row, strict=strict), row.unit) if is_in_unit else _amounts(row, stem=stem)
                    for strict, stem in ((False, ""), (True, "own_"))
                )
                targets.append(Target(row, amounts, own, is_named=claim.over == row.game))
            lacking += _missing_games(wanted, claim, plan)
    return Found(tuple(targets), tuple(dict.fromkeys(lacking)))


def _with_beyond(table: pd.DataFrame, plan: ReviewPlan) -> pd.DataFrame:
    """Return the table with adjusted p-values against a difference no larger than the margin."""
    p = 1 - table["p_equivalence"].to_numpy(dtype=float)
    p = np.where(table["verdict"] == NO_VERDICT, np.nan, p)
    if "scope" in table:
        # One-sided ends, as far out as those of games: a claim is one test.
        level = table["level"].fillna(1 - table["confidence"]).to_numpy(dtype=float)
        half = half_width(2 * level, uncertainty_of(table))
        ends = {
            f"equivalence_ci_{end}": scaled(table, "change") + way * half for end, way in (("low", -1), ("high", 1))
        }
        ratio = (table["scale"] == "ratio").to_numpy()
        ends = {name: np.where(ratio, in_percent(np.where(ratio, one, 0.0)), one) for name, one in ends.items()}
        return table.assign(p_beyond_adjusted=np.minimum(2 * p, 1.0), **ends)
    return table.assign(p_beyond_adjusted=adjust_in_families(p, families_of(table), method=plan.analysis.adjust))


def _of_claim(table: dict[tuple[str, ...], list[Any]], key: tuple[str, ...], *, claim: Claim) -> list[Any]:
    """Return the rows of one pair, the claim's metric and, where it names one, its group."""
    rows = table.get(key, [])
    return [row for row in rows if row.metric == claim.metric and claim.group in ("", row.group)]


def _why_nothing(of_pair: list[Any], claim: Claim) -> str:
    """Return why there is no result at all for a claim."""
    if not of_pair:
        return say("claims.lacking.pair")
    if claim.group and all(row.group != claim.group for row in of_pair):
        return say("claims.lacking.group", group=claim.group)
    return say("claims.lacking.metric", label=metric_of(claim.metric).label)


def _missing_games(rows: list[Any], claim: Claim, plan: ReviewPlan) -> Iterator[str]:
    """Yield a sentence about the scenes that a claim speaks of but nobody measured."""
    there = {(row.game, row.setting) for row in rows}
    wanted = [scene for scene, one in plan.scenes.items()
              if claim.over in (scene[0], *OVER_WORDS) and claim.group in ("", one.group)]  # fmt: skip
    missing = [scene_text(*one) for one in wanted if one not in there]
    if missing:
        yield say("claims.lacking.games", games=listed(missing))


def listed(names: Iterable[str], most: int = 4) -> str:
    """Return names in a row: all where there are few, else the first and how many more."""
    names = list(names)
    if len(names) > most + 1:
        return say("claims.others", first="; ".join(names[:most]), n=len(names) - most)
    return "; ".join(names)


def _amounts(row: Any, stem: str = "") -> Amounts:
    """Return a row's change and intervals in the unit of the table."""
    ends = {name: getattr(row, f"{stem}{name}") for name in _ENDS[1:]}
    return Amounts(row.change, **ends, unit=change_unit(row))


def _of_unit(found: Any, unit: str) -> Amounts:
    """Return a difference in the metric's unit as amounts."""
    return Amounts(**{name: getattr(found, name) for name in _ENDS}, unit=unit)
