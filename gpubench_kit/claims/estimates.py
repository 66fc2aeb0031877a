"""Claims about money and claims read off a sweep, held against what follows from measurements and prices."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import astuple, dataclass
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.claims.rules import (
    NO_P,
    NOT_SHOWN,
    ClaimP,
    Held,
    asks_for_more,
    combined,
    outcome_of_all,
    outcome_of_interval,
    p_by_interval,
)
from gpubench_kit.claims.sentences import known_text, level_text, nothing_text, sides
from gpubench_kit.costs import PER_PRICE, Span, ahead_of_rival, estimate_costs, plain_text
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.comparisons import Pair, Subject
from gpubench_kit.model.plan.fields import ESTIMATES
from gpubench_kit.model.plan.sections import READINGS, Claim
from gpubench_kit.model.tables import PAIR_KEY
from gpubench_kit.statistics.adapters import normal_cdf, normal_quantile
from gpubench_kit.statistics.testing import uncertainty_of
from gpubench_kit.statistics.variance import direction_of
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import change_text, count_text, interval_text, is_missing, money_text, number_text
from gpubench_kit.wording.terms import capital, metric_of, reason_sentences

#: Quantities of which less is better.
_LESS_IS_BETTER = ("running_cost", "total_cost")


def money_estimates(comparisons: pd.DataFrame, overall: pd.DataFrame, plan: ReviewPlan) -> pd.DataFrame:
    """Return every estimate that claims may speak of, each pair seen from either side.

    Parameters
    ----------
    comparisons : DataFrame, one row per (pair, game, setting, metric); see ``tables.COMPARISONS``
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    plan : ReviewPlan

    Returns
    -------
    DataFrame, one row per pair, group and quantity: ``value``, ``low``, ``high``, ``unit``, ``confidence``,
    ``n_games``, ``reason``; nothing where no claim of the plan speaks of money
    """
    if not any(claim.metric in ESTIMATES for claim in plan.claims):
        return pd.DataFrame(columns=[*PAIR_KEY, "group", "quantity"])
    costs = estimate_costs(comparisons, overall, plan)
    ahead = ahead_of_rival(comparisons, overall, plan)
    worth = ahead[(ahead["quantity"] == PER_PRICE) & (ahead["game"] == "")]
    worth = worth.rename(columns={"change": "value"}).assign(quantity="value_for_money")
    costs = costs[costs["quantity"].isin(ESTIMATES) & (costs["quantity"] != "value_for_money")]
    worth = worth.assign(reason=[known_text(row, plan) for row in worth.itertuples()])
    rows = [row._asdict() for table in (costs, worth) for row in table.itertuples(index=False)]
    return pd.DataFrame([*rows, *map(_turned, rows)])


def hold_money(claim: Claim, estimates: pd.DataFrame, overall: pd.DataFrame, *, plan: ReviewPlan) -> Held:
    """Hold a claim about money against the estimates that it speaks of.

    Parameters
    ----------
    claim : entry of ``plan.claims`` whose ``metric`` is an estimate
    estimates : see `money_estimates`
    overall : results that the estimates follow from
    plan : ReviewPlan

    Returns
    -------
    Held; without p-values for a time that makes up a price, whose interval is no multiple of that of the power

    Notes
    -----
    An amount is supported where the whole two-sided interval of the estimate lies on its side, contradicted
    where it lies on the other: a stricter test than the one-sided one of measured amounts. A time that may
    never come supports no ``costs_at_most``.
    """
    # Every bench, and every group unless the claim names one.
    keys = [(*astuple(pair.of), *astuple(pair.against)) for pair in plan.pairs_of(claim)]
    of_metric = estimates[estimates["quantity"] == claim.metric].itertuples(index=False)
    every = [one for one in of_metric if claim.group in ("", one.group)]
    every = [one for one in every if tuple(getattr(one, name) for name in PAIR_KEY) in keys]
    rows = [row for row in every if not is_missing(row.value)]
    name = say(f"claims.money.{claim.metric}", years=plain_text(plan.costs.years))
    direction = -1 if claim.metric in _LESS_IS_BETTER else 1
    by = ""
    if claim.size is not None:
        unit = rows[0].unit if rows else ""
        by = f"{number_text(claim.size, decimals=2)} {unit}".rstrip()
        by = change_text(claim.size, "%").lstrip("+") if claim.is_percent else by
    if not rows:
        reasons = [row.reason for row in every if row.reason]
        why = "; ".join(dict.fromkeys([*reasons, say("claims.money.none", name=name)]))
        return Held(by, NOT_SHOWN, NO_P, why, nothing_text(why))
    is_up = asks_for_more(claim, direction)
    outcomes = (outcome_of_interval(row.ci_low, row.ci_high, claim, is_up=is_up) for row in rows)
    p = [_p_of_estimate(claim, row, overall, direction=direction) for row in rows]
    said = [_said(row, plan, name=name) for row in rows]
    evidence = " ".join([*(one for one, _ in said), say("claims.money.known")])
    p_value = NO_P if claim.metric == "break_even_time" else combined(p)
    return Held(by, outcome_of_all(outcomes, is_whole=True), p_value, evidence, " ".join(one for _, one in said))


def _p_of_estimate(claim: Claim, row: Any, overall: pd.DataFrame, *, direction: int) -> ClaimP:
    """Return the p-values of one estimate, from the result over games that it follows from."""
    of, against = ([getattr(row, f"{side}_{part}") for part in ("card", "tuning", "bench")]
                   for side in ("of", "against"))  # fmt: skip
    same = overall[(overall["metric"] == row.metric) & (overall["group"] == row.group)
                   & (overall["scope"] == "these_games")]  # fmt: skip
    key = [list(one) for one in same[list(PAIR_KEY)].itertuples(index=False)]
    same = same[[one in ([*of, *against], [*against, *of]) for one in key]]
    if len(same) != 1 or is_missing(row.ci_low):
        return NO_P
    ends, bound, found = [row.value, row.ci_low, row.ci_high], claim.amount or 0.0, uncertainty_of(same)
    if row.unit == "%":
        # On the log scale, as the test of an amount in percent.
        ends, bound = [math.log1p(one / 100) for one in ends], math.log1p(bound / 100)
    return p_by_interval(claim, ends, found, level=1 - row.confidence, bound=bound, direction=direction)


def _turned(row: dict[str, Any]) -> dict[str, Any]:
    """Return an estimate as seen from the other side."""
    ends = (row["value"], row["ci_high"], row["ci_low"])
    if row["quantity"] == "break_even_time":
        ends = (row["value"], row["ci_low"], row["ci_high"])
    elif row["quantity"] == "value_for_money":
        ends = tuple(100 * (1 / (1 + one / 100) - 1) for one in ends)
    else:
        ends = tuple(-one for one in ends)
    sides_turned = {f"{one}_{part}": row[f"{other}_{part}"]
                    for one, other in (("of", "against"), ("against", "of"))
                    for part in ("card", "tuning", "bench")}  # fmt: skip
    return row | sides_turned | dict(zip(("value", "ci_low", "ci_high"), ends, strict=True))


def _said(row: Any, plan: ReviewPlan, *, name: str) -> tuple[str, str]:
    """Return an estimate with its interval as evidence, and as what can be said."""
    of, against = sides(row, plan)
    values = {"of": of, "against": against, "name": name, "games": count_text(row.n_games, "game")}
    amounts = (_amount(one, row) for one in (row.value, row.ci_low, row.ci_high))
    values |= dict(zip(("value", "low", "high"), amounts, strict=True))
    level = level_text(row.confidence)
    kind = "change" if row.quantity != "break_even_time" else "never" if math.isinf(row.value) else "time"
    text = say("claims.money.evidence", **values, level=level), say(f"claims.money.said.{kind}", **values)
    evidence, instead = (f"{one} {row.reason}".strip() for one in text)
    return evidence, instead


def _amount(value: float, row: Any) -> str:
    """Return an amount in the unit of its estimate."""
    if row.unit == "years":
        if math.isinf(value):
            return say("claims.money.never")
        return say("claims.money.years", years=number_text(value, decimals=1))
    if row.unit == "%":
        return change_text(value, "%")
    return f"{'+' if value > 0 else ''}{money_text(value, row.unit)}"


#: In the place of key and value where a claim is not read off a sweep: no word is known for it.
_NOT_READ = ("", 0.0)
_ENDS = ("value", "ci_low", "ci_high")


@dataclass(frozen=True)
class _Read:
    """One reading under a claim: its span in the unit that the claim speaks in, and the words for both sides."""

    span: Span
    unit: str
    sides: tuple[str, str]
    n_games: int
    group: str

    @property
    def has_range(self) -> bool:
        """Whether there is a range to hold it against."""
        return bool(np.isfinite([self.span.low, self.span.high]).all())

    @property
    def text(self) -> str:
        """The reading with its range, as a sentence without a beginning."""
        values = {
            "value": change_text(self.span.value, self.unit), "games": count_text(self.n_games, "game"),
            "group": "" if self.group == "all" else say("claims.place.group", group=self.group),
            "range": interval_text(self.span.low, self.span.high, self.unit), "why": say("claims.read.no_range"),
        }  # fmt: skip
        return say(f"claims.read.{'text' if self.has_range else 'without'}", **values)


def hold_reading(claim: Claim, sweep: Any, plan: ReviewPlan) -> Held:
    """Hold a claim that is read off a sweep against its curves.

    Parameters
    ----------
    claim : entry of ``plan.claims`` with a ``reading``
    sweep : Sweep, or None where the review has none
    plan : ReviewPlan

    Returns
    -------
    Held

    Notes
    -----
    A claim is supported where the whole range of the reading lies on its side, contradicted where it lies on
    the other. Ranges are made of bands that hold together, so this is stricter than the test of a measured
    amount. On one card the factory state stands for itself, and any other tuning for the curve that it lies on.
    """
    found = list(_readings(claim, sweep, plan))
    reads = [one for one in found if isinstance(one, _Read)]
    lacking = list(dict.fromkeys(one for one in found if isinstance(one, str)))
    unit, lead = METRICS[claim.metric].unit if claim.is_in_unit else "%", _lead(claim)
    by = f"{change_text(claim.size, unit).lstrip('+')} {lead}" if claim.size is not None else lead
    if not reads:
        why = " ".join(lacking)
        return Held(by, NOT_SHOWN, NO_P, why, nothing_text(why))
    is_up, confidence = asks_for_more(claim, direction_of(claim.metric)), float(sweep.answers["confidence"].max())
    outcomes = [
        outcome_of_interval(one.span.low, one.span.high, claim, is_up=is_up) if one.has_range else NOT_SHOWN
        for one in reads
    ]
    p = [_p_of_span(claim, one, is_up=is_up, level=1 - confidence) for one in reads]
    evidence = [say("claims.read.how", level=level_text(confidence)),
                *(f"{capital(lead)}: {one.text}" for one in reads), *lacking]  # fmt: skip
    return Held(
        by, outcome_of_all(outcomes, is_whole=not lacking), combined(p, is_whole=len(reads) == len(found)),
        " ".join(evidence), " ".join(_sentence(claim, one) for one in reads),
    )  # fmt: skip


def _p_of_span(claim: Claim, read: _Read, *, is_up: bool, level: float) -> ClaimP:
    """Return the p-values of a claim by one range, two-sided as it is: at which it would meet what is claimed.

    The range is known at one confidence. Its width at others is taken to follow the normal quantiles, so the p is
    below the level just where the range lies on the claim's side.
    """
    if not read.has_range:
        return NO_P
    span, p = read.span, []
    distance = span.value - (claim.amount or 0.0)
    for end in (span.low, span.high) if is_up else (span.high, span.low):
        reach = end - span.value
        if distance * reach >= 0:
            p.append(1.0)
        else:
            # Rounded, so that a range that just meets what is claimed has the level itself.
            z = normal_quantile(1 - level / 2) * abs(distance / reach)
            p.append(round(float(2 * normal_cdf(-z)), 12))
    return ClaimP(*p)


def _readings(claim: Claim, sweep: Any, plan: ReviewPlan) -> Iterator[_Read | str]:
    """Yield what a claim must agree with, on every bench and in every group that it speaks of; or why not."""
    if sweep is None or sweep.too_many_looks:
        yield say("claims.read.looks" if sweep else "claims.read.no_sweep")
        return
    for pair in plan.pairs_of(claim):
        read = _on_one_card if pair.of.card == pair.against.card else _between_cards
        groups = [one for one in sweep.answers["group"].unique() if claim.group in ("", one)]
        for group in groups:
            yield read(claim, pair, sweep, group=group)


def _on_one_card(claim: Claim, pair: Pair, sweep: Any, *, group: str) -> _Read | str:
    """Return a setting's curve against the factory state, or against the curve of another setting."""
    read = [_side(claim, one, sweep, group=group) for one in (pair.of, pair.against)]
    lacking = [one for one in read if isinstance(one, str)]
    if lacking:
        return lacking[0]
    (of, of_words), (against, against_words) = (one for one in read if not isinstance(one, str))
    if of_words == against_words:
        return say("claims.read.one_curve")
    words = say("claims.read.our", card=pair.of.card, side=of_words), say("claims.read.that", side=against_words)
    change = of.minus(against) if claim.is_in_unit else of.change_from(against)
    return _made(claim, change, words, sweep, subject=(pair.of.card, pair.of.bench, group))


def _side(claim: Claim, subject: Subject, sweep: Any, *, group: str) -> tuple[Span, str] | str:
    """Return level and words of one side on one card, or why there is none."""
    place = {"card": subject.card, "bench": subject.bench, "group": group}
    rows = _of(sweep.settings, place | {"tuning": subject.tuning})
    if not len(rows):
        return say("claims.read.no_setting", tuning=subject.tuning, card=subject.card)
    setting = rows.iloc[0]
    if setting["is_factory"]:
        return Span(*[float(setting[claim.metric])] * 3), say("claims.read.factory")
    key, given = claim.reading or _NOT_READ
    read = _of(sweep.readings, place | {"line": setting["line"], "reading": READINGS[key][1], "given": given})
    alone = say("claims.read.alone", change=sweep.ladders[subject.card].label)
    words = say("claims.read.line", line=setting["line"] or alone)
    return (_span_of(read.iloc[0], *_ENDS), words) if len(read) else _out_of_reach(claim)


def _between_cards(claim: Claim, pair: Pair, sweep: Any, *, group: str) -> _Read | str:
    """Return one card's curve against that of another."""
    key, given = claim.reading or _NOT_READ
    cards = (pair.of.card, pair.against.card)
    for of, against in (cards, cards[::-1]):
        rows = _of(sweep.between, {"of_card": of, "against_card": against, "bench": pair.of.bench, "group": group})
        why = [one for one in rows["reason"] if one]
        if why:
            return " ".join(reason_sentences(why[0], between_cards=True))
        rows = _of(rows, {"reading": READINGS[key][1], "given": given})
        if not len(rows):
            continue
        change = _span_of(rows.iloc[0], "change", *_ENDS[1:])
        difference = _span_of(rows.iloc[0], *(f"difference{end}" for end in ("", "_ci_low", "_ci_high")))
        if of != cards[0]:
            whole = Span(100.0, 100.0, 100.0)
            change, difference = whole.change_from(change.plus(100)), difference.times(-1)
        words = say("claims.our.one", card=cards[0]), say("claims.read.that_of", card=cards[1])
        span = difference if claim.is_in_unit else change
        return _made(claim, span, words, sweep, subject=(cards[0], pair.of.bench, group))
    return _out_of_reach(claim)


def _made(claim: Claim, span: Span, sides: tuple[str, str], sweep: Any, *, subject: tuple[str, str, str]) -> _Read:
    """Return a reading, over as many games as the settings of its card."""
    settings = _of(sweep.settings, dict(zip(("card", "bench", "group"), subject, strict=True)))
    unit = METRICS[claim.metric].unit if claim.is_in_unit else "%"
    return _Read(span, unit, sides, int(settings["n_games"].max()), subject[2])


def _of(table: pd.DataFrame, wanted: dict[str, Any]) -> pd.DataFrame:
    """Return the rows of a table that have these values."""
    return table[np.logical_and.reduce([table[name] == value for name, value in wanted.items()])]


def _span_of(row: pd.Series, *names: str) -> Span:
    """Return columns as a span."""
    return Span(*(float(row[name]) for name in names))


def _lead(claim: Claim) -> str:
    """Return where a claim is read."""
    key, given = claim.reading or _NOT_READ
    return say(f"claims.read.lead.{key}", given=f"{given:g}")


def _out_of_reach(claim: Claim) -> str:
    """Return that the curves do not reach the place."""
    return say("claims.read.out_of_reach", lead=capital(_lead(claim)))


def _sentence(claim: Claim, read: _Read) -> str:
    """Return what can be said."""
    span, why = read.span, say("claims.read.no_range")
    values = {
        "lead": capital(_lead(claim)), "label": metric_of(claim.metric).label, "of": read.sides[0],
        "other": read.sides[1], "size": change_text(abs(span.value), read.unit).lstrip("+"),
        "why": why[:1].lower() + why[1:], "text": read.text.rstrip("."),
    }  # fmt: skip
    kind = "alike" if span.low <= 0 <= span.high else "higher" if span.value > 0 else "lower"
    return say(f"claims.read.said.{kind if read.has_range else 'none'}", **values)
