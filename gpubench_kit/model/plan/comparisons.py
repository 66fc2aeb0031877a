"""What a plan compares: pairs of card, tuning and bench; and the settings of a sweep, on their ladder.

A *line* of a ladder is a row of settings that differ in the stepped change alone: with a second change (a lower
voltage, say, at every power limit) there is one line for each of its values. Its *sequence* runs from the factory
state outward, on the side on which it has more settings.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from gpubench_kit.model.errors import DesignError, Fault, PlanError
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


#: What the end of a change's name says about its unit.
_UNITS = {"pct": "%", "mv": "mV", "mhz": "MHz", "w": "W", "c": "°C", "rpm": "rpm"}
#: What a step of a change in power, voltage or clock moves.
_LOADS = {"power", "voltage", "clock"}
_LOAD_UNITS = {"mV": "voltage", "W": "power", "MHz": "clock"}


@dataclass(frozen=True)
class Setting:
    """One setting: its tuning, and where it stands on the ladder (offset from the factory state)."""

    tuning: str
    at: float


@dataclass(frozen=True)
class Line:
    """Settings that differ in the stepped change alone.

    Attributes
    ----------
    name : the other changes in words; empty on the line of the factory state
    settings : all of them but the factory state, by place on the ladder
    sequence : those that are tested, from the factory state outward
    has_factory : whether the factory state is on this line
    """

    name: str
    settings: tuple[Setting, ...]
    sequence: tuple[Setting, ...]
    has_factory: bool


@dataclass(frozen=True)
class Ladder:
    """All settings of a sweep.

    Attributes
    ----------
    change : name of the change that is stepped, as in the plan
    is_stated : whether the plan names it; else it is the only change that tunings make
    reference : the factory state
    lines : the line of the factory state first
    left_out : tunings that are not on the ladder
    """

    change: str
    is_stated: bool
    reference: str
    lines: tuple[Line, ...]
    left_out: tuple[str, ...]

    @property
    def tunings(self) -> tuple[str, ...]:
        """All settings beside the factory state, line by line."""
        return tuple(setting.tuning for line in self.lines for setting in line.settings)

    @property
    def step(self) -> float:
        """Least distance of neighbours on the ladder, the factory state among them."""
        places = sorted({0.0, *(setting.at for line in self.lines for setting in line.settings)})
        return min((after - before for before, after in pairwise(places)), default=1.0)

    def raises_load(self, at: float) -> bool:
        """Whether a place stands above the factory state in power, voltage or clock."""
        return at > 0 and _load_of(self.change) != ""

    def lowers_load(self, at: float) -> bool:
        """Whether a place stands below the factory state in power or voltage."""
        return at < 0 and _load_of(self.change) in ("power", "voltage")

    @property
    def label(self) -> str:
        """The stepped change in words, without its unit."""
        return change_words(self.change)[0]

    @property
    def unit(self) -> str:
        """Unit of the stepped change; empty where its name has none."""
        return change_words(self.change)[1]


def change_words(change: str) -> tuple[str, str]:
    """Return the name of a change in words, and its unit.

    Parameters
    ----------
    change : as in the plan, for example ``power_limit_pct``
    """
    words, _, ending = change.rpartition("_")
    if words and ending in _UNITS:
        return words.replace("_", " "), _UNITS[ending]
    return change.replace("_", " "), ""


def _load_of(change: str) -> str:
    """Return whether a change steps power, voltage or clock; empty for anything else."""
    words, unit = change_words(change)
    named = [word for word in words.split() if word in _LOADS]
    return named[0] if named else _LOAD_UNITS.get(unit, "")


def offset_text(change: str, offset: float) -> str:
    """Return an offset with sign and unit, for example ``−12 %``."""
    unit = change_words(change)[1]
    text = f"{offset:+g}".replace("-", "−") if offset else "0"
    return f"{text} {unit}".rstrip()


def ladder_of(plan: Any, *, card: str = "") -> Ladder:
    """Return the ladder of a plan.

    Parameters
    ----------
    plan : ReviewPlan, gives ``sweep.ladder`` and ``tunings``
    card : card, or model, whose tunings are meant; empty for all

    Returns
    -------
    Ladder. Tunings with a held point, and those in whose row nothing is stepped, are left out.

    Raises
    ------
    PlanError : no ladder is named and the tunings make several changes, or two tunings are one setting
    DesignError : no setting stands beside the factory state
    """
    unit = next((one for one in plan.card_units if one.name == card), None)
    tunings = [one for one in plan.tunings if unit is None or unit.has(one)]
    change, is_stated = _stepped_change(plan, tunings)
    reference = next(one for one in plan.tunings if one.reference)
    rows: dict[tuple, list[Setting]] = {}
    for one in tunings:
        if not one.held_at and not one.reference:
            at = one.changes.get(change, 0.0) - reference.changes.get(change, 0.0)
            rows.setdefault(_others(one, change), []).append(Setting(one.name, at))
    home = _others(reference, change)
    stepped = {key: row for key, row in rows.items() if len(row) > 1 or key == home}
    _raise_for_repeats(stepped, home, reference.name)
    if not stepped:
        problem = f"no setting of '{change}' stands beside the factory state."
        action = "Give each step as a tuning of its own, with this change and the others alike."
        raise DesignError(Fault("plan.toml, sweep", problem, action))
    keys = sorted(stepped, key=lambda key: key != home)
    lines = tuple(_line(key, stepped[key], has_factory=key == home) for key in keys)
    inside = {setting.tuning for line in lines for setting in line.settings} | {reference.name}
    left_out = tuple(one.name for one in tunings if one.name not in inside)
    return Ladder(change, is_stated, reference.name, lines, left_out)


def _stepped_change(plan: Any, tunings: Iterable) -> tuple[str, bool]:
    """Return the change that is stepped, and whether the plan names it."""
    if plan.sweep.ladder:
        return plan.sweep.ladder, True
    changes = sorted({name for one in tunings for name in one.changes})
    if len(changes) == 1:
        return changes[0], False
    found = f"tunings change {', '.join(repr(one) for one in changes)}" if changes else "no tuning changes anything"
    action = 'Say which change is stepped: [sweep] ladder = "power_limit_pct", and give each step as a tuning.'
    raise PlanError(Fault("plan.toml, sweep", f"no ladder is named, and {found}.", action))


def _others(tuning, change: str) -> tuple:
    """Return the changes of a tuning beside the stepped one."""
    return tuple(sorted((name, value) for name, value in tuning.changes.items() if name != change and value))


def _line(key: tuple, settings: list[Setting], *, has_factory: bool) -> Line:
    """Return a line with its sequence, from the factory state outward."""
    ordered = tuple(sorted(settings, key=lambda one: one.at))
    below, above = [one for one in ordered if one.at < 0], [one for one in ordered if one.at > 0]
    at_factory = [one for one in ordered if one.at == 0]
    side = below[::-1] if len(below) >= len(above) else above
    name = ", ".join(f"{change_words(change)[0]} {offset_text(change, value)}" for change, value in key)
    return Line("" if has_factory else name, ordered, (*at_factory, *side), has_factory)


def _raise_for_repeats(rows: dict[tuple, list[Setting]], home: tuple, reference: str) -> None:
    """Raise where two tunings are one setting."""
    names: dict[tuple, list[str]] = {(home, 0.0): [reference]}
    for key, setting in ((key, setting) for key, row in rows.items() for setting in row):
        names.setdefault((key, setting.at), []).append(setting.tuning)
    problem = "tunings '{}' and '{}' make the same changes."
    faults = [
        Fault("plan.toml, tunings", problem.format(*alike[:2]), "A setting of a sweep is one tuning.")
        for alike in names.values()
        if len(alike) > 1
    ]
    if faults:
        raise PlanError(faults)
