"""Checks of what plan sections say about each other: names in comparisons, claims, session, sweep and logs."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any, NamedTuple

from gpubench_kit.model.errors import listed, shown, suggestion
from gpubench_kit.model.metrics import METRICS, SENSOR_METRICS
from gpubench_kit.model.plan.faults import Loc
from gpubench_kit.model.plan.fields import ESTIMATES, OF_LESS, OF_MORE, keys_for
from gpubench_kit.model.plan.rules import RESERVED_FOR_LOGS, CardLogs
from gpubench_kit.model.plan.sections import OVER_WORDS, READINGS, Bench, Card, Claim, SubjectText, Tuning


@dataclass(frozen=True)
class Subject:
    """One side of a comparison.

    Attributes
    ----------
    card : name of the card; the model's name where the plan has several cards of it
    tuning : name of the tuning
    bench : name of the bench; empty where the only bench has no name
    """

    card: str
    tuning: str
    bench: str

    @property
    def line(self) -> str:
        """What the plan has to hold for it: ``{ card = "Larkmoor 4", tuning = "quiet" }``."""
        return f"{{ {', '.join(f'{name} = {json.dumps(text)}' for name, text in vars(self).items() if text)} }}"


@dataclass(frozen=True)
class Pair:
    """Two subjects: what is judged, and what it is compared with."""

    of: Subject
    against: Subject


@dataclass(frozen=True)
class CardUnit:
    """What stands on one side of a comparison: one card, or all samples of one model.

    Attributes
    ----------
    name : name of the card, or of the model where the plan has several cards of it
    role : ``reviewed`` or ``rival``
    cards : the cards, at least one
    """

    name: str
    role: str
    cards: tuple[Card, ...]

    def has(self, tuning: Tuning) -> bool:
        """Return whether a tuning can be applied to this card."""
        return any(tuning.card in ("", card.name, card.model) for card in self.cards)


def card_units(cards: Iterable[Card]) -> tuple[CardUnit, ...]:
    """Return the cards as units of comparison, the reviewed one first.

    Parameters
    ----------
    cards : cards of the plan, in its order

    Returns
    -------
    tuple of CardUnit, one per model
    """
    by_model: dict[str, list[Card]] = {}
    for card in cards:
        by_model.setdefault(card.model, []).append(card)
    units = []
    for model, samples in by_model.items():
        name = model if len(samples) > 1 else samples[0].name
        units.append(CardUnit(name, samples[0].role, tuple(samples)))
    return tuple(sorted(units, key=lambda unit: unit.role != "reviewed"))


def default_pairs(
    units: Iterable[CardUnit], tunings: Iterable[Tuning], *, benches: Iterable[Bench]
) -> tuple[Pair, ...]:
    """Return every tuning against the reference, then the same tunings across cards.

    Parameters
    ----------
    units : cards of the plan, see `card_units`
    tunings : tunings of the plan, one of them the reference
    benches : benches of the plan; nothing is compared across benches

    Returns
    -------
    tuple of Pair: within each card and bench first, then the reviewed card against each rival
    """
    units, tunings, benches = tuple(units), tuple(tunings), tuple(benches)
    reference = next(tuning for tuning in tunings if tuning.reference)
    pairs = []
    for unit in units:
        own = [one for one in tunings if unit.has(one) and one is not reference and unit.has(reference)]
        pairs += [((unit, one), (unit, reference), bench) for bench in benches for one in own]
    reviewed = [unit for unit in units if unit.role == "reviewed"]
    for unit, rival in ((unit, rival) for unit in reviewed for rival in units if rival.role == "rival"):
        both = [one for one in tunings if unit.has(one) and rival.has(one)]
        pairs += [((unit, one), (rival, one), bench) for bench in benches for one in both]
    return tuple(
        Pair(*(Subject(unit.name, tuning.name, bench.name) for unit, tuning in sides)) for *sides, bench in pairs
    )


def written_pairs(
    of: SubjectText,
    against: SubjectText,
    *,
    units: Iterable[CardUnit],
    tunings: Iterable[Tuning],
    benches: Iterable[Bench],
) -> tuple[Pair, ...]:
    """Return the pairs that a comparison or a claim asks for: one, or one per bench.

    ``of`` without a card means the card that alone has the tuning, else the reviewed card; without a tuning, the
    reference. What ``against`` leaves out is as in ``of``. Without a bench on either side the pair is compared on
    every bench.

    Parameters
    ----------
    of, against : the two sides as written
    units, tunings, benches : of the plan
    """
    units = tuple(units)
    # A model of one card is that card.
    names = {unit.cards[0].model: unit.name for unit in reversed(units) if len(unit.cards) == 1}
    own_card = {one.name: names.get(one.card, one.card) for one in reversed(tuple(tunings))}
    of_tuning = of.tuning or next((one.name for one in tunings if one.reference), "")
    of_card = names.get(of.card, of.card) or own_card.get(of_tuning, "") or units[0].name
    against_tuning = against.tuning or of_tuning
    against_card = names.get(against.card, against.card) or of_card
    given = {(of.bench or against.bench, against.bench or of.bench)}
    every = given if of.bench or against.bench else {(one.name, one.name) for one in benches}
    return tuple(
        Pair(Subject(of_card, of_tuning, left), Subject(against_card, against_tuning, right))
        for left, right in sorted(every)
    )


#: What a claim may say of money, and of readings of a sweep: amounts, or which side is favoured.
_MONEY_WORDS = ("better", "worse")


class Problem(NamedTuple):
    """What is wrong across sections: the place, what was found and expected, what to do."""

    loc: Loc
    problem: str
    action: str = ""


def unknown_name(loc: Loc, name: str, *, what: str, known: Iterable[str]) -> Iterator[Problem]:
    """Yield a problem if a name that is written somewhere is not in the plan.

    Parameters
    ----------
    loc : place of the name
    name : the name; empty means that it was left out
    what : what it names, for example ``tuning``
    known : names in the plan
    """
    known = [one for one in known if one]
    if name and name not in known:
        problem = f"{what} {shown(name)} is not in the plan ({what}s: {listed(known)})."
        yield Problem(loc, problem, suggestion(name, known) or f"Add the {what} or correct the name.")


def check_comparisons(plan: Any) -> Iterator[Problem]:
    """Yield problems of ``[[comparisons]]``: unknown names, a side against itself, a pair asked for twice."""
    problems = [
        found for n, asked in enumerate(plan.comparisons) for found in _sides(plan, asked, loc=("comparisons", n))
    ]
    yield from problems
    asked_for = () if problems else enumerate(plan.comparisons)
    seen: dict[frozenset, int] = {}
    for number, pair in ((number, pair) for number, asked in asked_for for pair in plan.pairs_of(asked)):
        first = seen.setdefault(frozenset((pair.of, pair.against)), number)
        if first != number:
            problem = f"this pair is compared by entry {first + 1} already; one entry per pair is expected."
            yield Problem(("comparisons", number), problem, "Leave one of them out.")


def check_claims(plan: Any) -> Iterator[Problem]:
    """Yield problems of ``[[claims]]``: unknown names, metrics that are not compared, a missing amount."""
    compared = plan.analysis.metrics
    for number, claim in enumerate(plan.claims):
        loc = ("claims", number)
        yield from _sides(plan, claim, loc=loc)
        yield from _games_of_claim(plan, claim, loc=(*loc, "over"))
        groups = sorted({one.group for game in plan.games for one in game.settings})
        yield from unknown_name((*loc, "group"), claim.group, what="group", known=groups)
        if claim.reading:
            yield from _about_reading(plan, claim, loc)
            continue
        if claim.metric in ESTIMATES:
            yield from _about_money(plan, claim, loc)
            continue
        if claim.metric not in compared:
            problem = f"{shown(claim.metric)} is not compared ([analysis] metrics: {listed(compared)})."
            yield Problem((*loc, "metric"), problem, "Add it there, or name a metric that is compared.")
        yield from _amount(claim, loc)


def _games_of_claim(plan: Any, claim: Claim, *, loc: Loc) -> Iterator[Problem]:
    """Yield a problem if ``over`` is neither a game of the plan nor a word for several games."""
    known = [game.name for game in plan.games]
    if claim.over not in (*OVER_WORDS, *known):
        problem = f"game {shown(claim.over)} is not in the plan (games: {listed(known)})."
        yield Problem(
            loc, problem, suggestion(claim.over, [*OVER_WORDS, *known]) or f"Or say {listed(OVER_WORDS)}."
        )


def check_session_plan(plan: Any) -> Iterator[Problem]:
    """Yield problems of ``[session_plan]`` and ``[sweep]``: names that are not in the plan."""
    tunings = [tuning.name for tuning in plan.tunings]
    for number, name in enumerate(plan.session_plan.must_have):
        yield from unknown_name(("session_plan", "must_have", number), name, what="tuning", known=tunings)


def check_sweep(plan: Any) -> Iterator[Problem]:
    """Yield a problem if ``ladder`` is a change that no tuning makes."""
    changes = sorted({key for tuning in plan.tunings for key in tuning.changes})
    ladder = plan.sweep.ladder
    if ladder and ladder not in changes:
        problem = f"{shown(ladder)} is changed by no tuning (changes in the plan: {listed(changes)})."
        yield Problem(("sweep", "ladder"), problem, suggestion(ladder, changes) or "Give tunings that change it.")


def check_logs(plan: Any) -> Iterator[Problem]:
    """Yield problems of ``[logs]``: a table for a card that is not in the plan, a metric without a sensor."""
    cards = [card.name for card in plan.cards]
    known = [*cards, *CardLogs.model_fields, "format"]
    for name, own in plan.logs.by_card.items():
        if name not in cards:
            problem = f"{shown(name)} is neither a key of [logs] nor a card of the plan (cards: {listed(cards)})."
            yield Problem(("logs", name), problem, suggestion(name, known) or "Name a card.")
        yield from _sensors(own.sensors, loc=("logs", name))
    yield from _sensors(plan.logs.sensors, loc=("logs",))
    for place, card in enumerate(cards):
        if card in RESERVED_FOR_LOGS:
            problem = f"a card cannot be called {shown(card)}, which is a key of [logs]."
            yield Problem(("cards", place, "name"), problem, "Give the card another name.")
    for place, entry in enumerate(plan.logs.format):
        loc = ("logs", "format", place)
        if entry.card not in cards:
            problem = f"{shown(entry.card)} is no card of the plan (cards: {listed(cards)})."
            yield Problem((*loc, "card"), problem, suggestion(entry.card, cards) or "Name a card.")
        yield from _sensors(entry.sensors, loc=loc)


def _sensors(sensors: Iterable[str], *, loc: Loc) -> Iterator[Problem]:
    """Yield a problem for each metric that no sensor gives."""
    for metric in sensors:
        if metric not in SENSOR_METRICS:
            problem = f"{shown(metric)} is not read from a sensor log (sensors: {listed(SENSOR_METRICS, most=30)})."
            yield Problem((*loc, "sensors", metric), problem, "Leave it out.")


def _sides(plan: Any, asked: Any, *, loc: Loc) -> Iterator[Problem]:
    """Yield problems of ``of`` and ``against``: unknown names, tunings that the card lacks, equal sides."""
    problems: list[Problem] = []
    for side in ("of", "against"):
        written, place = getattr(asked, side), (*loc, side)
        cards = sorted({name for card in plan.cards for name in (card.name, card.model)})
        tunings, benches = [one.name for one in plan.tunings], [one.name for one in plan.benches]
        problems += unknown_name((*place, "card"), written.card, what="card", known=cards)
        problems += unknown_name((*place, "tuning"), written.tuning, what="tuning", known=tunings)
        problems += unknown_name((*place, "bench"), written.bench, what="bench", known=benches)
    yield from problems
    for pair in () if problems else plan.pairs_of(asked)[:1]:
        yield from _impossible(plan, pair, loc=loc)


def _impossible(plan: Any, pair: Any, *, loc: Loc) -> Iterator[Problem]:
    """Yield a problem if a pair compares a thing with itself or needs a tuning that the card lacks."""
    if pair.of == pair.against:
        problem = f"both sides are tuning {shown(pair.of.tuning)} of card {shown(pair.of.card)}."
        yield Problem(loc, problem, "Name another tuning, card or bench on one side.")
    for side, subject in (("of", pair.of), ("against", pair.against)):
        tuning = next(one for one in plan.tunings if one.name == subject.tuning)
        names = plan.cards_named(subject.card)
        cards = [card for card in plan.cards if card.name in names]
        if tuning.card and not any(tuning.card in (card.name, card.model) for card in cards):
            problem = f"tuning {shown(tuning.name)} is of card {shown(tuning.card)}, not of {shown(subject.card)}."
            yield Problem((*loc, side), problem, "Name a tuning of that card.")


def _about_reading(plan: Any, claim: Claim, loc: Loc) -> Iterator[Problem]:
    """Yield problems of a claim that is read off the sweep: its ladder, its metric, its games, its sides."""
    given = [key for key in READINGS if getattr(claim, key) is not None]
    key, metric = given[0], READINGS[given[0]][0]
    if len(given) > 1:
        problem = f"{listed(given)} are given; a claim is read off the sweep at one place."
        yield Problem((*loc, given[1]), problem, "Make two claims of it.")
    if not plan.sweep.ladder:
        problem = f"{key} is read off a sweep, and the plan names no ladder."
        yield Problem((*loc, key), problem, 'Name the change that is stepped: [sweep] ladder = "power_limit_pct"')
    if claim.metric != metric:
        yield Problem((*loc, "metric"), f"{key} goes with {shown(metric)}, not with {shown(claim.metric)}.")
    missing = [one for one in ("avg_fps", "board_w") if one not in plan.analysis.metrics]
    if missing:
        problem = f"{key} needs frame rate and power, and {listed(missing)} is not among [analysis] metrics."
        yield Problem((*loc, key), problem, "Add it there.")
    if claim.over != "these_games":
        problem = f"{key} is read off curves over the games measured, not over {shown(claim.over)}."
        yield Problem((*loc, "over"), problem, 'Leave it out, or say over = "these_games".')
    if claim.says and claim.says not in _MONEY_WORDS:
        problem = f"says = {shown(claim.says)} is not held against a reading of the sweep."
        yield Problem((*loc, "says"), problem, f"Say {listed(_MONEY_WORDS)}, or {' or '.join(keys_for(metric))}.")
    elif claim.metric == metric:
        yield from _amount(claim, loc)
    yield from _sides_of_reading(plan, claim, loc)


def _sides_of_reading(plan: Any, claim: Claim, loc: Loc) -> Iterator[Problem]:
    """Yield a problem where a reading does not suit one card, or two."""
    key = claim.reading[0] if claim.reading else ""
    pair = plan.pairs_of(claim)[0]
    is_of_two = pair.of.card != pair.against.card
    if key == "at_fps" and not is_of_two:
        problem = "at_fps is read between two cards, and both sides are one card."
        yield Problem((*loc, key), problem, "On one card say at_loss_pct: the frame rate given up.")
    if key == "at_loss_pct" and is_of_two:
        problem = "at_loss_pct is read on one card, and the sides are two."
        yield Problem((*loc, key), problem, "Between two cards say at_fps: the frame rate that both give.")
    tunings = {pair.of.tuning, pair.against.tuning}
    if is_of_two and tunings != {plan.reference_tuning}:
        problem = "between two cards, curves are read that begin at their factory states; tunings are named."
        yield Problem(loc, problem, "Leave the tunings out.")


def _about_money(plan: Any, claim: Claim, loc: Loc) -> Iterator[Problem]:
    """Yield problems of a claim about an estimate: its price, its games, its amount."""
    name, is_share = shown(claim.metric), claim.metric == "value_for_money"
    if plan.costs.price_per_kwh is None and not is_share:
        problem = f"{name} follows from the price of a kilowatt-hour, and none is given."
        yield Problem((*loc, "metric"), problem, "Give it: [costs] price_per_kwh = 0.31")
    if claim.over != "these_games":
        problem = f"{name} is estimated over the games measured, not over {shown(claim.over)}."
        yield Problem((*loc, "over"), problem, 'Leave it out, or say over = "these_games".')
    allowed = () if claim.metric == "break_even_time" else _MONEY_WORDS
    if claim.says and claim.says not in allowed:
        problem = f"says = {shown(claim.says)} is not held against {name}, which is an estimate."
        action = " or ".join([*(f'says = "{one}"' for one in allowed), *keys_for(claim.metric)])
        yield Problem((*loc, "says"), problem, f"Write {action}.")
    elif claim.metric == "break_even_time" and claim.amount_keys == ("saves_at_least",):
        problem = "saves_at_least says nothing of a time that makes up a price."
        yield Problem((*loc, "saves_at_least"), problem, "Write costs_at_most = 3, in years.")
    else:
        yield from _one_amount(claim, loc)
        if claim.size is not None and claim.is_percent != is_share:
            shown_amount = '"3 %"' if is_share else "30"
            needed = "percent" if is_share else "years" if claim.metric == "break_even_time" else "money"
            problem = f"{name} is estimated in {needed}, and the amount is not."
            yield Problem((*loc, claim.word), problem, f"Write {claim.word} = {shown_amount}.")


def _one_amount(claim: Claim, loc: Loc) -> Iterator[Problem]:
    """Yield problems unless a claim says one thing, by a word or by an amount that fits what it speaks of."""
    given, fitting = claim.amount_keys, keys_for(claim.metric)
    for key in given:
        if key not in fitting:
            better = "less" if fitting == OF_LESS else "more"
            right = fitting[(OF_LESS if fitting == OF_MORE else OF_MORE).index(key)]
            amount = getattr(claim, key)
            written = f'"{amount}"' if isinstance(amount, str) else f"{amount:g}"
            problem = f"{key} does not fit {shown(claim.metric)}, of which {better} is better."
            yield Problem((*loc, key), problem, f"Write {right} = {written}.")
    if len(given) + bool(claim.says) != 1:
        found = [*(["says"] if claim.says else []), *given]
        problem = f"{listed(found) if found else 'neither'} was found; one of says and an amount is expected."
        yield Problem(loc, problem, f'For example: says = "better", or {fitting[0]} = "3 %"')


def _amount(claim: Claim, loc: Loc) -> Iterator[Problem]:
    """Yield problems of what a claim says: one word or amount, in a unit and with a direction that exist."""
    metric = METRICS[claim.metric]
    yield from _one_amount(claim, loc)
    if not claim.says and len(claim.amount_keys) == 1 and claim.is_percent and metric.scale == "difference":
        problem = f"{metric.name} is compared in {metric.unit}, not in percent."
        yield Problem((*loc, claim.word), problem, f"Give a number in that unit: {claim.word} = 2")
    if metric.better == "neither" and claim.says in ("better", "worse", "no_loss"):
        problem = f"{metric.name} has no better direction, so {shown(claim.says)} says nothing about it."
        yield Problem((*loc, "says"), problem, "Say same, or write gains_at_least or loses_at_most.")
