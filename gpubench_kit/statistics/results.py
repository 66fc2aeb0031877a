"""Rows of ``comparisons`` and ``overall``: tested at their levels, judged, and back in percent and words."""

from __future__ import annotations

import numpy as np
import pandas as pd

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.statistics.comparison import NEVER_COMPARED, Measured
from gpubench_kit.statistics.design import CLASSES, ROUNDS, installed_once
from gpubench_kit.statistics.games import TWO_BLOCKS, Games
from gpubench_kit.statistics.looks import QUESTIONS, Levels
from gpubench_kit.statistics.overall import OverallEstimate, change_in_unit, influence
from gpubench_kit.statistics.restarts import tipping_point
from gpubench_kit.statistics.testing import (
    NO_VERDICT,
    UNDECIDED,
    Uncertainty,
    adjust_in_families,
    decide,
    half_width,
    one_sided_p,
    two_sided_p,
    uncertainty_of,
)
from gpubench_kit.statistics.variance import direction_of, in_percent, is_ratio, scaled_margin
from gpubench_kit.wording.terms import SEPARATOR

_P_VALUES = tuple(f"p_{name}" for name in QUESTIONS)

#: Reasons with which intervals and p-values are still shown.
EXPLORATORY = "too_many_looks"


def comparison_columns(measured: Measured, *, plan: ReviewPlan) -> dict[str, np.ndarray]:
    """Return all columns of ``comparisons`` that need no other row and no level; changes on the scale of the tests.

    Parameters
    ----------
    measured : one pair in one metric
    plan : gives the margin

    Returns
    -------
    dict of arrays (cells,)
    """
    pair, metric = measured.pair, measured.pair.metric
    shown = np.isin(measured.withheld, ("", EXPLORATORY, *TWO_BLOCKS))
    used, own = (measured.uncertainty(one) for one in (measured.used, measured.own))
    values = np.exp(measured.units.side_means) if is_ratio(metric) else measured.units.side_means
    design, widened, in_rounds = measured.design, measured.is_widened, measured.design.classes == ROUNDS
    cautions = np.full(pair.n_cells, "", dtype=object)
    if measured.spread is not None:
        cautions = _joined(cautions, measured.spread.reason, widened)
        cautions = _joined(cautions, "not_stated", widened & design.unstated)
    cautions = _joined(cautions, "installed_once", widened & installed_once(pair, design.changes))
    cautions = _joined(cautions, "order_stated_alternated", in_rounds & design.by_statement)
    cautions = _joined(cautions, "order_same_every_time", in_rounds & design.same_order[pair.family])
    cautions = _joined(cautions, "two_runs_only", measured.units.n_runs.min(axis=1) == 2)
    return {
        "game": pair.cell_text("game"),
        "setting": pair.cell_text("setting"),
        "group": pair.cell_text("group"),
        "metric": np.full(pair.n_cells, metric, dtype=object),
        "layout": np.array(CLASSES, dtype=object)[measured.design.classes],
        "n": measured.units.n_runs[:, 0],
        "n_against": measured.units.n_runs[:, 1],
        "n_blocks": measured.used.n_units,
        "of_value": values[:, 0],
        "against_value": values[:, 1],
        "change": np.where(np.isin(measured.withheld, NEVER_COMPARED), np.nan, measured.used.change),
        **_noise_columns(used, shown),
        "own_se": np.where(shown, np.sqrt(own.error), np.nan),
        "own_df": np.where(shown, own.df, np.nan),
        "borrowed": measured.borrowed,
        "withheld": measured.withheld,
        "drifts": measured.drifts,
        "cautions": cautions,
        # Rounds do not narrow what restarts add.
        "sigma": np.where(measured.is_widened, np.nan, np.sqrt(measured.used.variance)),
        "margin_scaled": np.full(pair.n_cells, scaled_margin(plan, metric)),
        "flagged": pair.any_in_cell(pair.runs.numbers["flagged"] > 0),
        **_constants(measured, pair.n_cells, plan=plan),
    }


def judge(
    rows: pd.DataFrame, levels: Levels, plan: ReviewPlan, *, family: np.ndarray | None = None
) -> pd.DataFrame:
    """Add p-values, verdicts, intervals and reasons to rows; changes stay on the scale of the tests.

    Parameters
    ----------
    rows : of ``comparisons`` or ``overall``: change on the scale of the tests, its uncertainty (see
        `uncertainty_of`), ``metric, withheld, cautions, drifts``
    levels : of each row
    plan : gives margins and ``analysis.adjust``
    family : array (rows,), comparisons that are adjusted together, held against the level of the first look; None:
        results over games, of which one interval decides all
    """
    found, change = uncertainty_of(rows), rows["change"].to_numpy(dtype=float)
    counts, lacks = counted(rows), rows["withheld"].to_numpy() != ""
    direction = rows["metric"].map(direction_of).to_numpy()
    p_values = _p_values(rows, found, plan)
    asked = [np.where(counts, p, np.nan) for p in p_values]
    if family is None:
        # One interval decides all: the one-sided tests are at half its level.
        tested = [p * share / level for p, share, level in zip(asked, (1, 2, 2), levels.of, strict=True)]
        adjusted, limit = [np.minimum(ratio * levels.present, 1.0) for ratio in tested], 1.0
    else:
        limit, method = levels.first, plan.analysis.adjust
        scaled = [np.minimum(p * (limit / level), 1.0) for p, level in zip(asked, levels.of, strict=True)]
        tested = adjusted = [adjust_in_families(p, family, method=method) for p in scaled]
    verdict = decide(change, *tested[:2], level=limit, direction=direction)
    verdict, no_loss = levels.stand(verdict, tested[2] <= limit)
    verdict[lacks] = NO_VERDICT
    # The level of the interval shown is that of the question which the verdict answers.
    same = verdict == "same_within_margin"
    real = ~same & (verdict != UNDECIDED) & (verdict != NO_VERDICT)
    level = np.select([real, same], levels.of[:2], np.minimum.reduce(levels.of))
    columns = dict(zip(_P_VALUES, asked, strict=True))
    columns |= {f"{name}_adjusted": p for name, p in zip(_P_VALUES, adjusted, strict=True)}
    columns |= {
        "verdict": verdict,
        "level": np.broadcast_to(levels.present if family is None else levels.first, verdict.shape),
        "confidence": 1 - level,
        "no_loss": pd.arrays.BooleanArray(np.asarray(no_loss, bool), ~np.isfinite(tested[2]) | lacks),
        **_interval("ci", change, half_width(level, found), counts),
        **_tipping_columns(rows, found, level),
    }
    cautions = rows["cautions"].to_numpy()
    if family is not None:
        own = uncertainty_of(rows, own=True)
        alone = [p / one for p, one in zip(_p_values(rows, own, plan)[:2], levels.of, strict=False)]
        columns["own_verdict"] = decide(change, *alone, level=1.0, direction=direction)
        columns["own_verdict"][lacks] = NO_VERDICT
        columns |= _interval("equivalence_ci", change, half_width(2 * level, found), counts)
        columns |= _interval("own_ci", change, half_width(level, own), counts)
        columns |= _interval("own_equivalence_ci", change, half_width(2 * level, own), counts)
        would_count = (verdict == UNDECIDED) & (p_values[0] <= levels.of[0])
        cautions = _joined(cautions, "alone_it_would_count", would_count)
    cautions = _joined(cautions, "given_at_earlier_look", levels.is_kept)
    columns["reason"] = np.where(verdict == NO_VERDICT, rows["withheld"], cautions)
    return rows.assign(**columns)


def overall_columns(
    games: Games, result: OverallEstimate, scope: str, *, plan: ReviewPlan
) -> dict[str, np.ndarray]:
    """Return the columns of ``overall`` that need no level, for one scope of one pair and metric.

    Parameters
    ----------
    games, result : the games of one pair and metric, and their result
    scope : ``these_games`` or ``games_like_these``
    plan : gives the margin

    Returns
    -------
    dict of arrays (families,); changes on the scale of the tests
    """
    measured, count = games.measured, games.n_families
    metric, design = measured.pair.metric, measured.design
    # The worst class of the games that entered, or of all where none did.
    worst, everywhere = np.full(count, -1), np.full(count, 0)
    np.maximum.at(worst, games.family[result.entered], design.classes[result.entered])
    np.maximum.at(everywhere, games.family, design.classes)
    layout = np.array(CLASSES, dtype=object)[np.where(worst < 0, everywhere, worst)]
    layout = np.where((layout == "rounds") & design.shared, "shared-rounds", layout)
    # Games that did not enter, with the setting where another setting of the game did.
    texts = np.full(count, "", dtype=object)
    names, settings = (measured.pair.cell_text(one) for one in ("game", "setting"))
    inside = {(games.family[cell], names[cell]) for cell in np.flatnonzero(result.entered)}
    found: dict[int, dict[str, None]] = {}
    for cell in np.flatnonzero(~result.entered):
        number, game = games.family[cell], names[cell]
        name = f"{game} ({settings[cell]})" if (number, game) in inside else game
        found.setdefault(number, {})[name] = None
    for number, left_out in found.items():
        texts[number] = SEPARATOR.join(left_out)
    return {
        "group": games.groups(),
        "scope": np.full(count, scope, dtype=object),
        "metric": np.full(count, metric, dtype=object),
        "layout": np.where(design.same_order, "confounded", layout),
        "n_games": result.n_games,
        "games_left_out": texts,
        "change": result.change,
        **_noise_columns(result.found, np.full(count, True)),
        "withheld": result.withheld,
        "cautions": _family_cautions(games, result),
        "drifts": games.any_in_family(measured.drifts),
        "spread_of_games": in_percent(result.spread) if is_ratio(metric) else result.spread,
        "exists": result.exists,
        "flagged": games.any_in_family(measured.pair.any_in_cell(measured.pair.runs.numbers["flagged"] > 0)),
        **_constants(measured, count, plan=plan),
    }


def influence_columns(
    games: Games, result: OverallEstimate, ratios: np.ndarray, *, level, plan: ReviewPlan
) -> dict:
    """Return the game that carries each result, the change without it, and the change in watts of a power.

    Parameters
    ----------
    games, result : the games of one pair and metric, and their result over these games
    ratios : see `gpubench_kit.statistics.overall.noise_ratios`
    level : array (families,), of each result
    plan : ReviewPlan, gives the margin
    """
    metric, counts = games.measured.pair.metric, np.isin(result.withheld, ("", EXPLORATORY))
    carrier, without = influence(games, result, ratios, level=level, margin=scaled_margin(plan, metric))
    names, texts = games.measured.pair.cell_text("game"), np.full(games.n_families, "", dtype=object)
    for number in np.flatnonzero(carrier >= 0):
        texts[number] = names[(games.family == number) & (games.place == carrier[number])][0]
    columns = {"carried_by": texts, "change_without": without}
    if METRICS[metric].unit == "W":
        change, low, high = change_in_unit(games, result, ratios, level=level)
        ends = {"change_w_ci_low": low, "change_w_ci_high": high}
        columns |= {"change_w": change} | {name: np.where(counts, end, np.nan) for name, end in ends.items()}
    return columns


def stacked(parts: list[dict[str, np.ndarray]]) -> dict[str, np.ndarray]:
    """Return columns that come in parts, one part after the other; what a part lacks is missing there.

    Parameters
    ----------
    parts : columns of each; arrays of one length within a part
    """
    names = dict.fromkeys(name for part in parts for name in part)
    missing = [np.full(len(next(iter(part.values()))), np.nan) for part in parts]
    return {
        name: np.concatenate([part.get(name, gap) for part, gap in zip(parts, missing, strict=True)])
        for name in names
    }


def counted(rows: pd.DataFrame) -> np.ndarray:
    """Return the rows of which intervals and p-values are shown."""
    return rows["withheld"].isin(("", EXPLORATORY)).to_numpy()


def _p_values(rows: pd.DataFrame, found: Uncertainty, plan: ReviewPlan) -> tuple[np.ndarray, ...]:
    """Return the p-values of each question."""
    change = rows["change"].to_numpy(dtype=float)
    margins = {metric: scaled_margin(plan, metric) for metric in rows["metric"].unique()}
    margin = rows["metric"].map(margins).to_numpy(dtype=float)
    direction = rows["metric"].map(direction_of).to_numpy()
    p_low, p_up = (one_sided_p(margin + way * change, found) for way in (1, -1))
    return (
        two_sided_p(change, found),
        np.maximum(p_low, p_up),
        np.select([direction > 0, direction < 0], [p_low, p_up], np.nan),
    )


def _noise_columns(found: Uncertainty, shown: np.ndarray) -> dict[str, np.ndarray]:
    """Return how well a change is known, by origin, as columns."""
    restarts, rounding = (np.broadcast_to(one, shown.shape) for one in (found.restart_error, found.rounding_error))
    has_restarts = shown & (restarts > 0)
    df = np.where(np.isinf(found.restart_df), np.nan, found.restart_df)
    return {
        "se": np.where(shown, np.sqrt(found.error), np.nan),
        "df": np.where(shown, found.df, np.nan),
        "restart_se": np.where(has_restarts, np.sqrt(restarts), np.nan),
        "restart_df": np.where(has_restarts, df, np.nan),
        "rounding_se": np.where(shown & (rounding > 0), np.sqrt(rounding), np.nan),
    }


def _interval(stem: str, change: np.ndarray, half: np.ndarray, shown: np.ndarray) -> dict[str, np.ndarray]:
    half = np.where(shown, half, np.nan)
    return {f"{stem}_low": change - half, f"{stem}_high": change + half}


def _tipping_columns(rows: pd.DataFrame, found: Uncertainty, level: np.ndarray) -> dict[str, np.ndarray]:
    """Return what the bench must have done to explain a change between two blocks, where they are all there is."""
    wanted = rows["withheld"].isin(TWO_BLOCKS).to_numpy() & ~rows["drifts"].to_numpy(dtype=bool)
    noise = Uncertainty(np.where(wanted, found.error, np.nan), found.df)
    tipping = tipping_point(np.abs(rows["change"].to_numpy(dtype=float)), noise, level=level)
    return {"bench_change_pct": tipping.bench_change, "restart_spread_pct": tipping.restart_spread}


_NOISE = ("se", "df", "restart_se", "restart_df", "rounding_se", "own_se", "own_df")
#: Columns that are changes: percent on the ratio scale, else in the unit.
_CHANGES = (
    "change", "change_without", "bench_change_pct", "restart_spread_pct", "ci_low", "ci_high", "equivalence_ci_low",
    "equivalence_ci_high", "own_ci_low", "own_ci_high", "own_equivalence_ci_low", "own_equivalence_ci_high",
)  # fmt: skip


def published(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows with changes in percent on the ratio scale, and noise only where intervals are shown."""
    ratio, counts = (rows["scale"] == "ratio").to_numpy(), counted(rows)
    columns = {name: rows[name].where(counts) for name in _NOISE if name in rows}
    for name in set(_CHANGES) & set(rows):
        values = rows[name].to_numpy(dtype=float)
        columns[name] = np.where(ratio, in_percent(np.where(ratio, values, 0.0)), values)
    return rows.assign(**columns)


def _constants(measured: Measured, count: int, *, plan: ReviewPlan) -> dict[str, np.ndarray]:
    """Return the columns that are the same in every row of a pair and metric."""
    metric, pair = measured.pair.metric, plan.pairs()[measured.place]
    margin = plan.margin_of(metric)
    names = {
        f"{side}_{part}": np.full(count, getattr(subject, part) or "", dtype=object)
        for side, subject in (("of", pair.of), ("against", pair.against))
        for part in ("card", "tuning", "bench")
    }
    return names | {
        "place": np.full(count, measured.place),
        "unit": np.full(count, METRICS[metric].unit, dtype=object),
        "scale": np.full(count, METRICS[metric].scale, dtype=object),
        "margin": np.full(count, np.nan if margin is None else float(margin)),
    }


def _joined(texts: np.ndarray, word: str, where: np.ndarray) -> np.ndarray:
    """Return the texts with a word added where a condition holds."""
    longer = np.where(texts == "", word, texts + (SEPARATOR + word))
    return np.where(where, longer, texts)


def _family_cautions(games: Games, result: OverallEstimate) -> np.ndarray:
    """Return what to know about an overall verdict."""
    measured, texts = games.measured, np.full(games.n_families, "", dtype=object)
    widened = measured.is_widened & result.entered
    once = widened & installed_once(measured.pair, measured.design.changes)
    if measured.spread is not None:
        texts = _joined(texts, measured.spread.reason, games.any_in_family(widened))
    texts = _joined(texts, "installed_once", games.any_in_family(once))
    stated = measured.design.by_statement & result.entered
    return _joined(texts, "order_stated_alternated", games.any_in_family(stated))
