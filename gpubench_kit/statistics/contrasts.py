"""Published results read another way: in the metric's unit, from the other side, over some games, over benches.

A difference of two means carries the interval of their ratio, by the delta method.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import pandas as pd

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import PAIR_KEY, Column, Table
from gpubench_kit.model.verdicts import VERDICTS, other_way
from gpubench_kit.statistics.adapters import t_quantile, t_tail
from gpubench_kit.statistics.overall import LEAST_FOR_OTHERS
from gpubench_kit.statistics.testing import NO_VERDICT, adjust_in_families, decide, one_sided_p, uncertainty_of
from gpubench_kit.statistics.variance import direction_of, in_percent, scaled_margin
from gpubench_kit.wording.terms import SEPARATOR, reason_words

_ENDS = ("ci_low", "ci_high", "equivalence_ci_low", "equivalence_ci_high")


@dataclass(frozen=True)
class UnitChange:
    """A difference in the metric's unit with its intervals; nan where they are not known.

    Attributes
    ----------
    change, ci_low, ci_high, equivalence_ci_low, equivalence_ci_high : as in the tables, in the unit
    of_value, against_value : means of both sides, over the games with equal weight
    n_games : games that entered
    """

    change: float
    ci_low: float
    ci_high: float
    equivalence_ci_low: float
    equivalence_ci_high: float
    of_value: float
    against_value: float
    n_games: int


def game_in_unit(row, *, strict: bool = False) -> UnitChange:
    """Return the difference of one game in the metric's unit.

    Parameters
    ----------
    row : row of ``comparisons``
    strict : whether to use the interval from the game's own runs alone

    Returns
    -------
    UnitChange

    Notes
    -----
    With means ``A`` (against) and ``B = A exp(D)`` and equal noise on both sides the standard error of
    ``B - A`` is ``sqrt((A^2 + B^2)/2)`` times that of ``D``.
    """
    log = {name: _log(getattr(row, f"own_{name}" if strict else name), row.scale) for name in _ENDS}
    return _in_unit(pd.DataFrame([row._asdict()]), log)


def games_in_unit(games: pd.DataFrame, row) -> UnitChange:
    """Return the mean difference over games in the metric's unit, with the interval of the overall result.

    Parameters
    ----------
    games : rows of ``comparisons`` that entered the overall result, see `has_entered`
    row : row of ``overall``, scope ``these_games``

    Returns
    -------
    UnitChange : every game counts once, its settings averaged first

    Notes
    -----
    The half-width is that of the overall change on natural logs, times
    ``sqrt(sum w^2 g^2 v / sum w^2 v)`` with weights ``w``, error variances ``v`` of the games and
    ``g^2 = (A^2 + B^2)/2``: exact (to first order) for independent games, and no narrower than needed
    where all games share their rounds.
    """
    # One interval decides all of a result over games.
    one = {name: getattr(row, name, getattr(row, name.removeprefix("equivalence_"))) for name in _ENDS}
    ends = {name: _log(end, row.scale) for name, end in one.items()}
    return _in_unit(games, ends)


def has_entered(game, row) -> bool:
    """Return whether a game is part of a result over games.

    Parameters
    ----------
    game : row of ``comparisons`` of the same pair, metric and group
    row : row of ``overall``
    """
    if not np.isfinite(game.change) or (game.verdict == NO_VERDICT and row.scope == "these_games"):
        return False
    return not {game.game, f"{game.game} ({game.setting})"} & set(row.games_left_out.split(SEPARATOR))


def game_weights_of(games: pd.DataFrame) -> np.ndarray:
    """Return weights that count every game once, its settings sharing the weight; their sum is 1."""
    settings = games.groupby("game", sort=False)["setting"].transform("count").to_numpy(dtype=float)
    return 1 / (settings * max(games["game"].nunique(), 1))


def _in_unit(games: pd.DataFrame, log: dict[str, float]) -> UnitChange:
    """Return the mean difference over games, with ends that stand as far off as on the log scale."""
    weight = game_weights_of(games)
    against = games["against_value"].to_numpy(dtype=float)
    change = games["change"].to_numpy(dtype=float)
    is_ratio = bool((games["scale"] == "ratio").all())
    of = against * (1 + change / 100) if is_ratio else against + change
    middle = weight @ (np.log(of / against) if is_ratio else change)
    # By how much a standard error on natural logs grows in the unit.
    squares, se = (of**2 + against**2) / 2, games["se"].to_numpy(dtype=float)
    shares = weight**2 * (se**2 if np.isfinite(se).all() and (se > 0).any() else 1.0)
    gain = float(np.sqrt((shares @ squares) / shares.sum())) if is_ratio else 1.0
    mean = float(weight @ (of - against))
    ends: dict[str, float] = {}
    for low, high in (("ci_low", "ci_high"), ("equivalence_ci_low", "equivalence_ci_high")):
        # The centre of an interval is the change, but for games that share rounds of which some are cut.
        at, half = mean + gain * ((log[high] + log[low]) / 2 - middle), gain * (log[high] - log[low]) / 2
        ends |= {low: float(at - half), high: float(at + half)}
    levels = {"of_value": float(weight @ of), "against_value": float(weight @ against)}
    return UnitChange(mean, **ends, **levels, n_games=int(games["game"].nunique()))


def _log(change: float, scale: str) -> float:
    """Return a change on the scale of the tests."""
    return float(np.log1p(change / 100)) if scale == "ratio" else float(change)


#: A whole verdict, alone or as the detail of a reason.
_VERDICT = re.compile(rf"\b(?:{'|'.join(VERDICTS)})\b")

#: Columns that name one family of comparisons, as far as a table has them.
_FAMILY = ("of_card", "of_bench", "against_card", "against_bench", "metric", "group", "scope")


def scaled(table: pd.DataFrame, name: str) -> np.ndarray:
    """Return a column of changes on the scale of the tests: natural logs on the ratio scale.

    Parameters
    ----------
    table : ``comparisons`` or ``overall``
    name : ``change``, or an end of an interval
    """
    values = table[name].to_numpy(dtype=float)
    ratio = (table["scale"] == "ratio").to_numpy()
    return np.where(ratio, np.log1p(np.where(ratio, values, 0.0) / 100), values)


def families_of(table: pd.DataFrame) -> np.ndarray:
    """Return the number of the family, adjusted together, that each row belongs to."""
    return table.groupby([name for name in _FAMILY if name in table], sort=False).ngroup().to_numpy()


def mirrored(table: pd.DataFrame, plan: ReviewPlan) -> pd.DataFrame:
    """Return every row with its two sides exchanged.

    Parameters
    ----------
    table : ``comparisons`` or ``overall``
    plan : ReviewPlan, gives margins and ``analysis.adjust``

    Returns
    -------
    DataFrame with the same columns. The margin reaches as far up as down on the scale of the tests,
    so verdicts are the same ones seen from the other side; only the test against a loss is another.
    """
    out = table.copy()
    for name in PAIR_KEY:
        side, _, part = name.partition("_")
        out[name] = table[f"against_{part}" if side == "of" else f"of_{part}"]
    for name, other in (("n", "n_against"), ("of_value", "against_value")):
        if name in table:
            out[name], out[other] = table[other], table[name]
    for name in ("change", "change_without"):
        if name in table:
            out[name] = _inverted(table, name)
    if "change_w" in table:
        low, high = "change_w_ci_low", "change_w_ci_high"
        out["change_w"], out[low], out[high] = -table["change_w"], -table[high], -table[low]
    for stem in ("", "equivalence_", "own_", "own_equivalence_"):
        if f"{stem}ci_low" in table:
            low, high = f"{stem}ci_low", f"{stem}ci_high"
            out[low], out[high] = _inverted(table, high), _inverted(table, low)
    for name in ("verdict", "own_verdict", "reason"):
        if name in table:
            out[name] = table[name].map(lambda text: _VERDICT.sub(lambda one: other_way(one[0]), text))
    return _with_no_loss(out, plan)


def _inverted(table: pd.DataFrame, name: str) -> np.ndarray:
    """Return changes, or ends of intervals, seen from the other side."""
    values = -scaled(table, name)
    return np.where(table["scale"] == "ratio", in_percent(np.where(table["scale"] == "ratio", values, 0.0)), values)


def _with_no_loss(table: pd.DataFrame, plan: ReviewPlan) -> pd.DataFrame:
    """Return the table with its tests against a loss as large as the margin made anew."""
    out = table.copy()
    metrics = table["metric"]
    margin = metrics.map({one: scaled_margin(plan, one) for one in metrics.unique()}).to_numpy(dtype=float)
    way = metrics.map(direction_of).to_numpy() * scaled(table, "change")
    p = np.where(table["p_non_inferiority"].notna(), one_sided_p(way + margin, uncertainty_of(table)), np.nan)
    own_level, level = (1 - table["confidence"]).to_numpy(), table["level"].to_numpy(dtype=float)
    ratio = p / own_level
    if "scope" in table:
        # The interval over games is two-sided.
        ratio, level = 2 * ratio, np.where(np.isnan(level), 1.0, level)
        adjusted = np.minimum(ratio * level, 1.0)
    else:
        scaled_p = np.minimum(ratio * level, 1.0)
        adjusted = adjust_in_families(scaled_p, families_of(table), method=plan.analysis.adjust)
    out["p_non_inferiority"] = p
    out["p_non_inferiority_adjusted"] = np.where(np.isnan(table["level"]), np.nan, adjusted)
    # Whether it would hold without a flagged run is not known from the table.
    is_firm = ~table["reason"].map(lambda text: "flagged_run" in reason_words(text)).to_numpy(dtype=bool)
    out["no_loss"] = pd.array((adjusted <= level) & is_firm, dtype="boolean")
    out.loc[table["no_loss"].isna(), "no_loss"] = pd.NA
    return out


#: Layout in which the games do not share what their runs have in common.
_INDEPENDENT = "rounds"


@dataclass(frozen=True)
class PartResult:
    """Mean change over a part of the games, on the scale of the tests.

    Attributes
    ----------
    n_games : games in it
    change, se, df : mean, standard error and degrees of freedom; nan where they are not known
    """

    n_games: int
    change: float
    se: float
    df: float

    def p_loss(self, margin: float, *, direction: int) -> float:
        """Return the p-value against a loss as large as the margin; nan where nothing is known."""
        return float(t_tail((direction * self.change + margin) / self.se, self.df)) if self.se > 0 else float("nan")

    def lower(self, level: float, *, direction: int) -> float:
        """Return the one-sided lower end of the change for the better."""
        return float(direction * self.change - t_quantile(1 - level, self.df) * self.se)


def over_part(games: pd.DataFrame, *, scope: str, layout: str) -> PartResult:
    """Return the mean change over games with its standard error.

    Parameters
    ----------
    games : rows of ``comparisons`` of one pair, metric and group
    scope : ``these_games`` or ``games_like_these``
    layout : of the overall result

    Returns
    -------
    PartResult

    Notes
    -----
    Every game counts once, its settings averaged first. These games: ``V = sum(w^2 V_g)`` with own
    variances and Satterthwaite's df; where games share rounds or restarts, what they have in common is
    not in the table, so the standard error is the mean of the games', which no correlation exceeds, with
    the fewest df of any. Games like these: one-sample t on the games' changes, for at least three games.
    """
    n_games = games["game"].nunique() if len(games) else 0
    if not n_games:
        return PartResult(0, *[float("nan")] * 3)
    weight, change = game_weights_of(games), scaled(games, "change")
    mean, is_shared = float(weight @ change), layout != _INDEPENDENT
    se, df = _own_errors(games)
    error, error_df = (weight @ se, df.min()) if is_shared else _sum(weight * se, df)
    if scope == "these_games":
        return PartResult(n_games, mean, float(error), float(error_df))
    if n_games < LEAST_FOR_OTHERS:
        return PartResult(n_games, mean, float("nan"), float("nan"))
    of_game = pd.Series(change).groupby(games["game"].to_numpy()).mean()
    between = float(of_game.std(ddof=1) / np.sqrt(n_games))
    parts = np.array([between, error if is_shared and np.isfinite(error) else 0.0])
    error, error_df = _sum(parts, np.array([n_games - 1, max(error_df, 1) if np.isfinite(error_df) else 1]))
    return PartResult(n_games, mean, float(error), float(error_df))


def _own_errors(games: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """Return standard error and degrees of freedom of each game from its own runs alone."""
    borrowed = games["borrowed"].fillna(False).to_numpy(dtype=bool)
    level, df = 1 - games["confidence"].to_numpy(dtype=float), games["df"].to_numpy(dtype=float)
    # Noise is borrowed in rounds only, where a game of n rounds has n - 1 degrees of freedom of its own.
    df = np.where(borrowed, games["n_blocks"].to_numpy(dtype=float) - 1, df)
    half = (scaled(games, "own_ci_high") - scaled(games, "own_ci_low")) / 2
    own = half / t_quantile(1 - level / 2, df)
    return np.where(borrowed, own, games["se"].to_numpy(dtype=float)), df


def _sum(errors: np.ndarray, df: np.ndarray) -> tuple[float, float]:
    """Return the standard error of a sum of independent parts, and its degrees of freedom (Satterthwaite 1946)."""
    total, uncertain = (errors**2).sum(), (errors**4 / df).sum()
    return float(np.sqrt(total)), float(total**2 / uncertain) if uncertain > 0 else float("nan")


_KEY = ("of_card", "of_tuning", "against_card", "against_tuning", "group", "metric")

#: Inside the kit only: one row per pair, group and metric that two or more benches have a result on.
OVER_BENCHES = Table(
    "over_benches", "pair of cards and tunings, group and metric", _KEY,
    (
        *(Column(name, "text", name.replace("_", " ")) for name in _KEY),
        Column("benches", "text", "benches that entered, separated by a semicolon"),
        Column("n_benches", "integer", "their number"),
        Column("n_games", "integer", "games on each bench"),
        Column("change", "number", "mean over benches, every bench counting once: % or unit"),
        Column("ci_low", "number", "lower end of its interval"),
        Column("ci_high", "number", "upper end of its interval"),
        Column("unit", "text", "unit of the metric"),
        Column("scale", "text", "ratio or difference"),
        Column("confidence", "number", "of the interval"),
        Column("margin", "number", "smallest difference that matters"),
        Column("verdict", "text", "as in `overall`"),
        Column("no_loss", "truth", "whether a loss as large as the margin is ruled out"),
        Column("reason", "text", "why there is no verdict, or what to know about the one given"),
    ),
)  # fmt: skip


def combine_benches(overall: pd.DataFrame, plan: ReviewPlan) -> pd.DataFrame:
    """Combine results within benches over the benches.

    Parameters
    ----------
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    plan : ReviewPlan, gives margins

    Returns
    -------
    DataFrame, see `OVER_BENCHES`; empty with one bench

    Notes
    -----
    With B benches the change, and both ends of its interval, are the means of those of the benches, every bench
    counting once. A pair on several benches is one result of the page, whose level the benches share, so the mean
    holds at that level whatever the benches have in common. It speaks of these benches and these games. A pair
    without a verdict on one bench, or with other games there, has none here.
    """
    within = overall[(overall["scope"] == "these_games") & (overall["of_bench"] == overall["against_bench"])]
    parts = [part for _, part in within.groupby(list(_KEY), sort=False) if part["of_bench"].nunique() > 1]
    return OVER_BENCHES.frame([_row(part, plan) for part in parts])


def _row(part: pd.DataFrame, plan: ReviewPlan) -> dict:
    """Return one pair, group and metric over its benches."""
    first, count = part.iloc[0], len(part)
    metric, without = first["metric"], part.loc[part["verdict"] == NO_VERDICT, "reason"].tolist()
    has_others = part["n_games"].nunique() > 1 or part["games_left_out"].nunique() > 1
    withheld = next(iter(without), "different_games" if has_others else "")
    change, low, high = (float(scaled(part, name).mean()) for name in ("change", "ci_low", "ci_high"))
    change = change if withheld != "different_games" else np.nan
    low, high = (np.nan, np.nan) if withheld else (low, high)
    margin, direction = scaled_margin(plan, metric), direction_of(metric)
    verdict = decide(
        np.array([change]), np.array([0.0 if low > 0 or high < 0 else 1.0]),
        np.array([0.0 if -margin < low and high < margin else 1.0]), level=0.5, direction=np.asarray(direction),
    )[0]  # fmt: skip
    least = {1: low, -1: -high, 0: np.nan}[direction]
    cautions = dict.fromkeys(word for reason in part["reason"] for word in reason.split(SEPARATOR) if word)
    return {
        **{name: first[name] for name in (*_KEY, "unit", "scale", "margin")},
        "benches": SEPARATOR.join(part["of_bench"]),
        "n_benches": count,
        "n_games": int(part["n_games"].min()),
        "change": _readable(change, first["scale"]),
        "ci_low": _readable(low, first["scale"]),
        "ci_high": _readable(high, first["scale"]),
        "confidence": 1 - float((1 - part["confidence"]).sum()),
        "verdict": NO_VERDICT if withheld else verdict,
        "no_loss": pd.NA if withheld or np.isnan(least + margin) else bool(least > -margin),
        "reason": withheld or SEPARATOR.join(cautions),
    }


def _readable(change: float, scale: str) -> float:
    """Return a change in percent on the ratio scale, else in the unit."""
    return float(in_percent(change)) if scale == "ratio" else float(change)
