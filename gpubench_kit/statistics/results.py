"""Rows of ``comparisons`` and ``overall``: tested at their levels, judged, and back in percent and words."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.statistics.comparison import Measured
from gpubench_kit.statistics.design import CLASSES, ROUNDS, installed_once
from gpubench_kit.statistics.equivalence import Uncertainty, half_width, one_sided_p, two_sided_p, uncertainty_of
from gpubench_kit.statistics.games import TWO_BLOCKS, Games
from gpubench_kit.statistics.looks import QUESTIONS
from gpubench_kit.statistics.multiplicity import NO_VERDICT, UNDECIDED, adjust_in_families, decide
from gpubench_kit.statistics.overall import OverallEstimate
from gpubench_kit.statistics.page import change_in_unit, influence
from gpubench_kit.statistics.restarts import tipping_point
from gpubench_kit.statistics.units import direction_of, in_percent, is_ratio, scaled_margin
from gpubench_kit.statistics.withheld import NEVER_COMPARED
from gpubench_kit.wording.reasons import SEPARATOR

_P_VALUES = tuple(f"p_{name}" for name in QUESTIONS)

#: Reasons with which intervals and p-values are still shown.
EXPLORATORY = "too_many_looks"


@dataclass(frozen=True)
class Levels:
    """Levels of one set of rows, per question: arrays (rows,) in the order of `QUESTIONS`.

    Attributes
    ----------
    present : level of the present look, number or array; nan for what is no member of the page
    of : by question, the level that a verdict is given at
    kept, no_loss : verdict and no loss that an earlier look gave on the same runs; empty where it is judged now
    """

    present: float | np.ndarray
    of: tuple[np.ndarray, ...]
    kept: np.ndarray | None = None
    no_loss: np.ndarray | None = None

    @property
    def is_kept(self) -> np.ndarray:
        """Rows whose verdict stands as an earlier look gave it."""
        return np.zeros(len(self.of[0]), dtype=bool) if self.kept is None else self.kept != ""

    def stand(self, verdict: np.ndarray, no_loss: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return verdicts and no loss, those of earlier looks where these stand."""
        is_kept = self.is_kept
        if not np.any(is_kept):
            return verdict, no_loss
        return np.where(is_kept, self.kept, verdict), np.where(is_kept, self.no_loss == "True", no_loss)


def pair_columns(pair, count: int) -> dict[str, np.ndarray]:
    """Return the columns that name a pair, repeated."""
    names = {}
    for side, subject in (("of", pair.of), ("against", pair.against)):
        for part in ("card", "tuning", "bench"):
            names[f"{side}_{part}"] = np.full(count, getattr(subject, part) or "", dtype=object)
    return names


def comparison_columns(measured: Measured, *, plan) -> dict[str, np.ndarray]:
    """Return all columns of ``comparisons`` that need no other row and no level; changes on the scale of the tests.

    Parameters
    ----------
    measured : one pair in one metric
    plan : ReviewPlan, gives the margin

    Returns
    -------
    dict of arrays (cells,)
    """
    pair, metric = measured.pair, measured.pair.metric
    shown = np.isin(measured.withheld, ("", EXPLORATORY, *TWO_BLOCKS))
    used, own = (measured.uncertainty(one) for one in (measured.used, measured.own))
    values = np.exp(measured.units.side_means) if is_ratio(metric) else measured.units.side_means
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
        "cautions": _cautions(measured),
        **_constants(metric, pair.n_cells, plan=plan),
    }


def judge_comparisons(
    rows: pd.DataFrame, *, family: np.ndarray, levels: Levels, first_level: float, plan
) -> pd.DataFrame:
    """Add p-values, verdicts, intervals and reasons to the rows of all pairs and metrics.

    Parameters
    ----------
    rows : columns as made by `comparison_columns`
    family : array (rows,), comparisons that are adjusted together
    levels : of each row
    first_level : level of the first look, which adjusted p-values are held against
    plan : ReviewPlan, gives margins and ``analysis.adjust``

    Returns
    -------
    DataFrame, the rows with further columns, changes in percent on the ratio scale
    """
    rows, found, own = rows.copy(), uncertainty_of(rows), uncertainty_of(rows, own=True)
    counts, lacks = rows["withheld"].isin(("", EXPLORATORY)).to_numpy(), rows["withheld"].to_numpy() != ""
    direction = rows["metric"].map(direction_of).to_numpy()
    change, adjusted = rows["change"].to_numpy(dtype=float), []
    p_values, own_p_values = (_p_values(rows, one, plan) for one in (found, own))
    for name, p, level in zip(_P_VALUES, p_values, levels.of, strict=True):
        p = np.where(counts, p, np.nan)
        adjusted.append(
            adjust_in_families(np.minimum(p * (first_level / level), 1.0), family, method=plan.analysis.adjust)
        )
        rows[name], rows[f"{name}_adjusted"] = p, adjusted[-1]
    verdict = decide(change, *adjusted[:2], level=first_level, direction=direction)
    verdict, no_loss = levels.stand(verdict, adjusted[2] <= first_level)
    alone = [p / level for p, level in zip(own_p_values[:2], levels.of, strict=False)]
    own_verdict = decide(change, *alone, level=1.0, direction=direction)
    verdict[lacks], own_verdict[lacks] = NO_VERDICT, NO_VERDICT
    shown = _shown_level(levels, verdict)
    rows = rows.assign(verdict=verdict, own_verdict=own_verdict, level=first_level, confidence=1 - shown)
    for stem, one in (("", found), ("own_", own)):
        _add_interval(rows, f"{stem}ci", half_width(shown, one), counts)
        _add_interval(rows, f"{stem}equivalence_ci", half_width(2 * shown, one), counts)
    rows["no_loss"] = _truth(no_loss, np.isfinite(adjusted[2]) & ~lacks)
    _add_tipping(rows, found, shown)
    would_count = (verdict == UNDECIDED) & (p_values[0] <= levels.of[0])
    cautions = _joined(rows["cautions"].to_numpy(), "alone_it_would_count", would_count)
    cautions = _joined(cautions, "given_at_earlier_look", levels.is_kept)
    return published(rows.assign(reason=np.where(verdict == NO_VERDICT, rows["withheld"], cautions)), counts)


def judge_overall(rows: pd.DataFrame, *, levels: Levels, plan) -> pd.DataFrame:
    """Add p-values, verdicts, intervals and reasons to rows over games; one interval decides all of a row.

    Parameters
    ----------
    rows : change on the scale of the tests, its uncertainty (see `uncertainty_of`), ``metric, withheld, cautions,
        drifts``
    levels : of each row; ``present`` is the page's, nan for a result that is no member of it
    plan : ReviewPlan, gives margins

    Returns
    -------
    DataFrame, the rows with further columns, changes still on the scale of the tests
    """
    rows, found = rows.copy(), uncertainty_of(rows)
    counts, lacks = rows["withheld"].isin(("", EXPLORATORY)).to_numpy(), rows["withheld"].to_numpy() != ""
    direction, ratios = rows["metric"].map(direction_of).to_numpy(), []
    p_values = _p_values(rows, found, plan)
    # One interval decides all: the one-sided tests are at half its level.
    for name, p, share, level in zip(_P_VALUES, p_values, (1, 2, 2), levels.of, strict=True):
        ratios.append(np.where(counts, p * share / level, np.nan))
        rows[name], rows[f"{name}_adjusted"] = (
            np.where(counts, p, np.nan),
            np.minimum(ratios[-1] * levels.present, 1.0),
        )
    verdict = decide(rows["change"].to_numpy(dtype=float), *ratios[:2], level=1.0, direction=direction)
    verdict, no_loss = levels.stand(verdict, ratios[2] <= 1)
    verdict[lacks] = NO_VERDICT
    level = _shown_level(levels, verdict)
    rows = rows.assign(verdict=verdict, level=levels.present, confidence=1 - level)
    _add_interval(rows, "ci", half_width(level, found), counts)
    rows["no_loss"] = _truth(no_loss, np.isfinite(ratios[2]) & ~lacks)
    _add_tipping(rows, found, level)
    cautions = _joined(rows["cautions"].to_numpy(), "given_at_earlier_look", levels.is_kept)
    return rows.assign(reason=np.where(verdict == NO_VERDICT, rows["withheld"], cautions))


def overall_columns(
    games: Games, result: OverallEstimate, ratios: np.ndarray, *, scope: str, levels: Levels, plan
) -> pd.DataFrame:
    """Return the rows of ``overall`` for one scope of one pair and metric, judged.

    Parameters
    ----------
    games, result : the games of one pair and metric, and their result
    ratios : see `gpubench_kit.statistics.overall.noise_ratios`
    scope : ``these_games`` or ``games_like_these``
    levels : of each family, see `judge_overall`
    plan : ReviewPlan

    Returns
    -------
    DataFrame, one row for each family that the scope exists for
    """
    metric = games.measured.pair.metric
    rows = pd.DataFrame({
        "group": games.groups(),
        "scope": scope,
        "metric": metric,
        "layout": _family_layout(games, result),
        "n_games": result.n_games,
        "games_left_out": _left_out(games, result),
        "change": result.change,
        **_noise_columns(result.found, np.full(games.n_families, True)),
        "withheld": result.withheld,
        "cautions": _family_cautions(games, result),
        "drifts": games.any_in_family(games.measured.drifts),
        "spread_of_games": in_percent(result.spread) if is_ratio(metric) else result.spread,
        **_constants(metric, games.n_families, plan=plan),
    })  # fmt: skip
    rows = judge_overall(rows, levels=levels, plan=plan)
    counts, level = rows["withheld"].isin(("", EXPLORATORY)).to_numpy(), 1 - rows["confidence"].to_numpy()
    if scope == "these_games":
        rows = rows.assign(**_influence_columns(games, result, ratios, level=level, plan=plan))
        if METRICS[metric].unit == "W":
            watts = change_in_unit(games, result, ratios, level=level)
            ends = {"change_w_ci_low": watts.low, "change_w_ci_high": watts.high}
            rows = rows.assign(
                change_w=watts.change, **{name: np.where(counts, end, np.nan) for name, end in ends.items()}
            )
    return published(rows, counts)[result.exists]


def _p_values(rows: pd.DataFrame, found: Uncertainty, plan) -> tuple[np.ndarray, ...]:
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


def _shown_level(levels: Levels, verdict: np.ndarray) -> np.ndarray:
    """Return the level of the interval shown: that of the question which the verdict answers."""
    same = verdict == "same_within_margin"
    real = ~same & (verdict != UNDECIDED) & (verdict != NO_VERDICT)
    strictest = np.minimum.reduce(levels.of)
    return np.select([real, same], [levels.of[0], levels.of[1]], strictest)


def _add_interval(rows: pd.DataFrame, stem: str, half: np.ndarray, shown: np.ndarray) -> None:
    """Add both ends of an interval."""
    change, half = rows["change"].to_numpy(dtype=float), np.where(shown, half, np.nan)
    rows[f"{stem}_low"], rows[f"{stem}_high"] = change - half, change + half


def _add_tipping(rows: pd.DataFrame, found: Uncertainty, level: np.ndarray) -> None:
    """Add what the bench must have done to explain a change between two blocks, where they are all there is."""
    wanted = rows["withheld"].isin(TWO_BLOCKS).to_numpy() & ~rows["drifts"].to_numpy(dtype=bool)
    noise = Uncertainty(np.where(wanted, found.error, np.nan), found.df)
    tipping = tipping_point(np.abs(rows["change"].to_numpy(dtype=float)), noise, level=level)
    rows["bench_change_pct"], rows["restart_spread_pct"] = tipping.bench_change, tipping.restart_spread


def _influence_columns(games: Games, result: OverallEstimate, ratios, *, level, plan) -> dict[str, np.ndarray]:
    """Return the game that carries each result, and the change without it."""
    margin = scaled_margin(plan, games.measured.pair.metric)
    moved = influence(games, result, ratios, level=level, margin=margin)
    names, texts = games.measured.pair.cell_text("game"), np.full(games.n_families, "", dtype=object)
    for number in np.flatnonzero(moved.game >= 0):
        texts[number] = names[(games.family == number) & (games.place == moved.game[number])][0]
    return {"carried_by": texts, "change_without": moved.without}


_NOISE = ("se", "df", "restart_se", "restart_df", "rounding_se", "own_se", "own_df")
#: Columns that are changes: percent on the ratio scale, else in the unit.
_CHANGES = (
    "change", "change_without", "bench_change_pct", "restart_spread_pct", "ci_low", "ci_high", "equivalence_ci_low",
    "equivalence_ci_high", "own_ci_low", "own_ci_high", "own_equivalence_ci_low", "own_equivalence_ci_high",
)  # fmt: skip


def published(rows: pd.DataFrame, counts: np.ndarray) -> pd.DataFrame:
    """Return the rows with changes in percent on the ratio scale, and noise only where intervals are shown."""
    ratio = (rows["scale"] == "ratio").to_numpy()
    columns = {name: rows[name].where(counts) for name in _NOISE if name in rows}
    for name in set(_CHANGES) & set(rows):
        values = rows[name].to_numpy(dtype=float)
        columns[name] = np.where(ratio, in_percent(np.where(ratio, values, 0.0)), values)
    return rows.assign(**columns)


def _truth(holds: np.ndarray, is_defined: np.ndarray) -> pd.array:
    """Return truth values, missing where they are not defined."""
    found = pd.array(np.where(is_defined, holds, False), dtype="boolean")
    found[~is_defined] = pd.NA
    return found


def _constants(metric: str, count: int, *, plan) -> dict[str, np.ndarray]:
    """Return the columns that are the same in every row of a metric."""
    margin = plan.margin_of(metric)
    return {
        "unit": np.full(count, METRICS[metric].unit, dtype=object),
        "scale": np.full(count, METRICS[metric].scale, dtype=object),
        "margin": np.full(count, np.nan if margin is None else float(margin)),
    }


def _joined(texts: np.ndarray, word: str, where: np.ndarray) -> np.ndarray:
    """Return the texts with a word added where a condition holds."""
    longer = np.where(texts == "", word, texts + (SEPARATOR + word))
    return np.where(where, longer, texts)


def _cautions(measured: Measured) -> np.ndarray:
    """Return what to know about a verdict, beside what other rows tell."""
    design, family = measured.design, measured.pair.family
    in_rounds = design.classes == ROUNDS
    texts = np.full(measured.pair.n_cells, "", dtype=object)
    if measured.spread is not None:
        texts = _joined(texts, measured.spread.reason, measured.is_widened)
        texts = _joined(texts, "not_stated", measured.is_widened & design.unstated)
    texts = _joined(texts, "installed_once", measured.is_widened & installed_once(measured.pair, design.changes))
    texts = _joined(texts, "order_stated_alternated", in_rounds & design.by_statement)
    texts = _joined(texts, "order_same_every_time", in_rounds & design.same_order[family])
    return _joined(texts, "two_runs_only", measured.units.n_runs.min(axis=1) == 2)


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


def _family_layout(games: Games, result: OverallEstimate) -> np.ndarray:
    """Return the class of each family: the worst of the games that entered, or of all where none did."""
    design = games.measured.design
    worst = np.full(games.n_families, -1)
    np.maximum.at(worst, games.family[result.entered], design.classes[result.entered])
    everywhere = np.full(len(worst), 0)
    np.maximum.at(everywhere, games.family, design.classes)
    words = np.array(CLASSES, dtype=object)[np.where(worst < 0, everywhere, worst)]
    words = np.where((words == "rounds") & design.shared, "shared-rounds", words)
    return np.where(design.same_order, "confounded", words)


def _left_out(games: Games, result: OverallEstimate) -> np.ndarray:
    """Return the games (with the setting where another setting of the game entered) that did not enter."""
    texts = np.full(games.n_families, "", dtype=object)
    names, settings = (games.measured.pair.cell_text(one) for one in ("game", "setting"))
    inside = {(games.family[cell], names[cell]) for cell in np.flatnonzero(result.entered)}
    found: dict[int, dict[str, None]] = {}
    for cell in np.flatnonzero(~result.entered):
        number, game = games.family[cell], names[cell]
        name = f"{game} ({settings[cell]})" if (number, game) in inside else game
        found.setdefault(number, {})[name] = None
    for number, left_out in found.items():
        texts[number] = SEPARATOR.join(left_out)
    return texts
