"""Which pairs a plan compares: those asked for, or every tuning against the reference and card against rival."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from gpubench_kit.model.plan.sections import Bench, Card, SubjectText, Tuning


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
        pairs += [_pair((unit.name, one), (unit.name, reference), bench) for bench in benches for one in own]
    reviewed = [unit for unit in units if unit.role == "reviewed"]
    for unit, rival in ((unit, rival) for unit in reviewed for rival in units if rival.role == "rival"):
        both = [one for one in tunings if unit.has(one) and rival.has(one)]
        pairs += [_pair((unit.name, one), (rival.name, one), bench) for bench in benches for one in both]
    return tuple(pairs)


@dataclass(frozen=True)
class PairReader:
    """Fills in what a written pair leaves out.

    Attributes
    ----------
    units : cards of the plan
    tunings : tunings of the plan
    benches : names of the benches
    """

    units: tuple[CardUnit, ...]
    tunings: tuple[Tuning, ...]
    benches: tuple[str, ...]

    def pairs(self, of: SubjectText, against: SubjectText) -> tuple[Pair, ...]:
        """Return the pairs that a comparison or a claim asks for: one, or one per bench.

        ``of`` without a card means the card that alone has the tuning, else the reviewed card; without
        a tuning, the reference. What ``against`` leaves out is as in ``of``. Without a bench on either side
        the pair is compared on every bench.

        Parameters
        ----------
        of, against : the two sides as written
        """
        given = {(of.bench or against.bench, against.bench or of.bench)}
        benches = given if of.bench or against.bench else {(bench, bench) for bench in self.benches}
        of_tuning = of.tuning or next((one.name for one in self.tunings if one.reference), "")
        of_card = self._unit_name(of.card) or self._usual_card(of_tuning)
        against_tuning = against.tuning or of_tuning
        against_card = self._unit_name(against.card) or of_card
        return tuple(
            Pair(Subject(of_card, of_tuning, left), Subject(against_card, against_tuning, right))
            for left, right in sorted(benches)
        )

    def _unit_name(self, written: str) -> str:
        """Return the name that a written card goes by in pairs: a model of one card is that card."""
        for unit in self.units:
            if written == unit.cards[0].model and len(unit.cards) == 1:
                return unit.name
        return written

    def _usual_card(self, tuning: str) -> str:
        """Return the card meant where none is written."""
        alone = next((one.card for one in self.tunings if one.name == tuning), "")
        return self._unit_name(alone) or self.units[0].name


def _pair(of: tuple[str, Tuning], against: tuple[str, Tuning], bench: Bench) -> Pair:
    """Return a pair of (card, tuning) on one bench."""
    return Pair(
        Subject(of[0], of[1].name, bench.name),
        Subject(against[0], against[1].name, bench.name),
    )
