"""Checks of a plan that look at more than one key: unique names, one reference, and names that sections share."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, NamedTuple

from gpubench_kit.model.errors import Fault, listed, shown, suggestion
from gpubench_kit.model.metrics import METRICS, SENSOR_METRICS
from gpubench_kit.model.plan.faults import Loc, place
from gpubench_kit.model.plan.fields import ESTIMATES, OF_LESS, OF_MORE, keys_for
from gpubench_kit.model.plan.rules import LEAST_RESTARTS, RESERVED_FOR_LOGS, RESTARTS, CardLogs
from gpubench_kit.model.plan.sections import AMOUNT_KEYS, OVER_WORDS, READINGS, Claim


class Problem(NamedTuple):
    """What is wrong across sections: the place, what was found and expected, what to do."""

    loc: Loc
    problem: str
    action: str = ""


Check = Callable[[Any], Iterable[Problem]]

_SUBJECTS = "cards.name cards.model cards.role tunings.name tunings.reference tunings.card benches.name"
_CLAIMS = " ".join(f"claims.{key}" for key in ("of", "against", "metric", "says", *AMOUNT_KEYS))

#: Each check, and the keys that it reads; faults stand in this order.
_CHECKS: list[tuple[Check, str]] = []


def _check(reads: str) -> Callable[[Check], Check]:
    """Return a decorator that adds a check which reads these keys."""

    def add(check: Check) -> Check:
        _CHECKS.append((check, reads))
        return check

    return add


def check_across_sections(plan: Any, data: Mapping[str, Any], *, touched: set[str], file: str) -> list[Fault]:
    """Return every fault that shows only when several keys are seen together.

    Parameters
    ----------
    plan : ReviewPlan, possibly repaired
    data : the plan as parsed, for the place of each fault
    touched : ``section`` or ``section.key`` whose values were repaired: checks that read them are left
        out, since their faults would only repeat those already found
    file : name of the file, for the place of each fault
    """
    found = []
    for check, reads in _CHECKS:
        if any(key in touched or key.partition(".")[0] in touched for key in reads.split()):
            continue
        for problem in check(plan):
            found.append(Fault(f"{file}, {place(problem.loc, data)}", problem.problem, problem.action))
    return found


def _unique(section: str, key: str = "name") -> None:
    """Add the check that no two entries of a list share their name."""
    _check(section)(lambda plan: _repeated(getattr(plan, section), key, loc=(section,)))


def _repeated(entries: Iterable[Any], key: str, *, loc: Loc) -> Iterator[Problem]:
    """Yield a problem for each entry whose name an earlier one has."""
    seen: Counter[str] = Counter()
    for number, entry in enumerate(entries):
        name = getattr(entry, key)
        if seen[name]:
            found = f"the {key} {shown(name)} is used twice" if name else f"two entries have no {key}"
            yield Problem((*loc, number), f"{found}; each entry needs its own.", "Give it another.")
        seen[name] += 1


def _named(entries: tuple[Any, ...], *, loc: Loc) -> Iterator[Problem]:
    """Yield problems of names that a single entry can do without: one that is missing, or used twice."""
    for number, entry in enumerate(entries):
        if len(entries) > 1 and not entry.name:
            yield Problem((*loc, number), "no name; where there is more than one, each needs a name.", "Add name.")
    yield from _repeated([entry for entry in entries if entry.name], "name", loc=loc)


_unique("cards")


@_check("cards.role cards.model")
def _roles(plan: Any) -> Iterator[Problem]:
    """Yield problems of the cards' roles: one reviewed card, or samples of one model."""
    reviewed = [card for card in plan.cards if card.role == "reviewed"]
    if not reviewed:
        problem = 'no card has role = "reviewed"; one is expected, or several samples of one model.'
        yield Problem(("cards",), problem, "Give the card under review that role.")
    if len({card.model for card in reviewed}) > 1:
        names = listed(card.name for card in reviewed)
        problem = f"{len(reviewed)} cards have the role reviewed ({names}); one is expected."
        action = 'Give the others role = "rival" or, if they are samples of one model, the same model.'
        yield Problem(("cards",), problem, action)


@_check("cards.name cards.role cards.model")
def _models(plan: Any) -> Iterator[Problem]:
    """Yield problems of the cards' models: one role per model, no model named as one of several cards."""
    role: dict[str, str] = {}
    by_name = {card.name: card.model for card in plan.cards}
    for number, card in enumerate(plan.cards):
        if role.setdefault(card.model, card.role) != card.role:
            problem = f"model {shown(card.model)} is both reviewed and rival; samples of one model share a role."
            yield Problem(("cards", number, "role"), problem, "Correct one of them.")
        if by_name.get(card.model, card.model) != card.model:
            problem = f"model {shown(card.model)} is also the name of a card of another model."
            yield Problem(("cards", number, "model"), problem, "Rename one of them.")
        elif card.name == card.model and sum(one.model == card.model for one in plan.cards) > 1:
            problem = f"card {shown(card.name)} has the name of its model, of which there are other samples."
            yield Problem(("cards", number, "name"), problem, "Name the sample otherwise: results name the model.")


@_check("benches")
def _benches(plan: Any) -> Iterator[Problem]:
    """Yield problems of the benches' names."""
    yield from _named(plan.benches, loc=("benches",))


_unique("tunings")


@_check("tunings.reference")
def _no_reference(plan: Any) -> Iterator[Problem]:
    """Yield a problem if no tuning is the reference."""
    if not any(tuning.reference for tuning in plan.tunings):
        problem = "no tuning has reference = true; exactly one is expected."
        yield Problem(("tunings",), problem, "Add reference = true to the one that the others are compared with.")


@_check("tunings")
def _several_references(plan: Any) -> Iterator[Problem]:
    """Yield a problem if more than one tuning is the reference."""
    found = [tuning.name for tuning in plan.tunings if tuning.reference]
    if len(found) > 1:
        problem = f"{len(found)} tunings have reference = true ({listed(found)}); exactly one is expected."
        yield Problem(("tunings",), problem, "Leave it at one of them.")


@_check("tunings.card cards.name cards.model")
def _tuning_cards(plan: Any) -> Iterator[Problem]:
    """Yield a problem for each tuning that belongs to a card the plan lacks."""
    known = list(dict.fromkeys(name for card in plan.cards for name in (card.name, card.model)))
    for number, tuning in enumerate(plan.tunings):
        yield from _unknown_name(("tunings", number, "card"), tuning.card, what="card", known=known)


_unique("games")


@_check("games")
def _games(plan: Any) -> Iterator[Problem]:
    """Yield a problem for a game whose name means something else in claims."""
    for number, game in enumerate(plan.games):
        if game.name in OVER_WORDS:
            problem = f"a game cannot be called {shown(game.name)}: in claims that means several games."
            yield Problem(("games", number, "name"), problem, "Write the name otherwise.")


@_check("games.settings")
def _settings(plan: Any) -> Iterator[Problem]:
    """Yield problems of the settings' names, game by game."""
    for number, game in enumerate(plan.games):
        yield from _named(game.settings, loc=("games", number, "settings"))


@_check("analysis.metrics analysis.primary")
def _metrics(plan: Any) -> Iterator[Problem]:
    """Yield problems of the list of metrics: one named twice, the primary one left out."""
    metrics, primary = plan.analysis.metrics, plan.analysis.primary
    twice = [name for name, times in Counter(metrics).items() if times > 1]
    if twice:
        yield Problem(("analysis", "metrics"), f"named more than once: {listed(twice)}.", "Name each metric once.")
    if primary not in metrics:
        problem = f"{shown(primary)} is not among the metrics compared ({listed(metrics)})."
        yield Problem(("analysis", "primary"), problem, "Add it to metrics, or name another primary.")


@_check("analysis.margins")
def _margins(plan: Any) -> Iterator[Problem]:
    """Yield a problem for each margin of 100 % or more."""
    for metric, margin in plan.analysis.margins.items():
        if METRICS[metric].scale == "ratio" and margin >= 100:
            problem = f"{margin:g} was found; a number below 100 is expected, since it is in percent."
            yield Problem(("analysis", "margins", metric), problem, "For example: 3.0")


@_check("analysis.restart_spread")
def _restart_spread(plan: Any) -> Iterator[Problem]:
    """Yield problems of the keys, the spreads and the count in ``restart_spread``."""
    loc, known, stated = ("analysis", "restart_spread"), [*METRICS, RESTARTS], plan.analysis.restart_spread
    # From few restarts the archive may find 0, which then widens nothing and gives no verdict.
    is_idle = 0 < stated.get(RESTARTS, 0) < LEAST_RESTARTS
    for key, value in stated.items():
        if key not in known:
            problem = f"{shown(key)} is neither a metric nor 'restarts'."
            yield Problem(loc, problem, suggestion(key, known))
        if key == RESTARTS and value != int(value):
            problem = f"{value:g} was found; a whole number of restarts is expected."
            yield Problem((*loc, key), problem, "0 means that the spread is assumed.")
        if key in METRICS and value == 0 and not is_idle:
            why = "since some difference between restarts is never ruled out"
            action = "Measure it, or leave it out where it is not known: what rests on it then has no verdict."
            yield Problem((*loc, key), f"0 was found; a number above 0 is expected, {why}.", action)


@_check("analysis.hitch_window_frames")
def _hitch_window(plan: Any) -> Iterator[Problem]:
    """Yield a problem for an even window, which has no middle frame."""
    frames = plan.analysis.hitch_window_frames
    if frames % 2 == 0:
        problem = f"{frames} was found; an odd number is expected, so that the window has a middle."
        yield Problem(("analysis", "hitch_window_frames"), problem, f"For example: {frames + 1}")


def _unknown_name(loc: Loc, name: str, *, what: str, known: Iterable[str]) -> Iterator[Problem]:
    """Yield a problem if a name that is written somewhere is not in the plan; an empty one was left out."""
    known = list(filter(None, known))
    if name and name not in known:
        problem = f"{what} {shown(name)} is not in the plan ({what}s: {listed(known)})."
        yield Problem(loc, problem, suggestion(name, known) or f"Add the {what} or correct the name.")


@_check("logs.sensors cards.name")
def _logs(plan: Any) -> Iterator[Problem]:
    """Yield problems of ``[logs]``: a table for a card that is not in the plan, a metric without a sensor."""
    cards = [card.name for card in plan.cards]
    known = [*cards, *CardLogs.model_fields, "format"]
    for name, own in plan.logs.by_card.items():
        if name not in cards:
            problem = f"{shown(name)} is neither a key of [logs] nor a card of the plan (cards: {listed(cards)})."
            yield Problem(("logs", name), problem, suggestion(name, known) or "Name a card.")
        yield from _sensors(own.sensors, loc=("logs", name))
    yield from _sensors(plan.logs.sensors, loc=("logs",))
    for number, card in enumerate(cards):
        if card in RESERVED_FOR_LOGS:
            problem = f"a card cannot be called {shown(card)}, which is a key of [logs]."
            yield Problem(("cards", number, "name"), problem, "Give the card another name.")
    for number, entry in enumerate(plan.logs.format):
        loc = ("logs", "format", number)
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


@_check(f"comparisons.of comparisons.against {_SUBJECTS}")
def _comparisons(plan: Any) -> Iterator[Problem]:
    """Yield problems of ``[[comparisons]]``: unknown names, a side against itself, a pair asked for twice."""
    asked_for = list(enumerate(plan.comparisons))
    problems = [found for n, asked in asked_for for found in _sides(plan, asked, loc=("comparisons", n))]
    yield from problems
    pairs = [] if problems else [(number, pair) for number, asked in asked_for for pair in plan.pairs_of(asked)]
    seen: dict[frozenset, int] = {}
    for number, pair in pairs:
        first = seen.setdefault(frozenset((pair.of, pair.against)), number)
        if first != number:
            problem = f"this pair is compared by entry {first + 1} already; one entry per pair is expected."
            yield Problem(("comparisons", number), problem, "Leave one of them out.")


def _sides(plan: Any, asked: Any, *, loc: Loc) -> Iterator[Problem]:
    """Yield problems of ``of`` and ``against``: unknown names, tunings that the card lacks, equal sides."""
    problems: list[Problem] = []
    for side in ("of", "against"):
        written, at = getattr(asked, side), (*loc, side)
        cards = sorted({name for card in plan.cards for name in (card.name, card.model)})
        tunings, benches = [one.name for one in plan.tunings], [one.name for one in plan.benches]
        problems += _unknown_name((*at, "card"), written.card, what="card", known=cards)
        problems += _unknown_name((*at, "tuning"), written.tuning, what="tuning", known=tunings)
        problems += _unknown_name((*at, "bench"), written.bench, what="bench", known=benches)
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
        cards = [card for card in plan.cards if card.name in plan.cards_named(subject.card)]
        if tuning.card and not any(tuning.card in (card.name, card.model) for card in cards):
            problem = f"tuning {shown(tuning.name)} is of card {shown(tuning.card)}, not of {shown(subject.card)}."
            yield Problem((*loc, side), problem, "Name a tuning of that card.")


#: What a claim may say of money, and of readings of a sweep: amounts, or which side is favoured.
_MONEY_WORDS = ("better", "worse")

_unique("claims", "id")


@_check(f"{_SUBJECTS} games.name analysis.metrics {_CLAIMS}")
def _claims(plan: Any) -> Iterator[Problem]:
    """Yield problems of ``[[claims]]``: unknown names, metrics that are not compared, a missing amount."""
    compared, games = plan.analysis.metrics, [game.name for game in plan.games]
    groups = sorted({one.group for game in plan.games for one in game.settings})
    for number, claim in enumerate(plan.claims):
        loc = ("claims", number)
        yield from _sides(plan, claim, loc=loc)
        if claim.over not in (*OVER_WORDS, *games):
            problem = f"game {shown(claim.over)} is not in the plan (games: {listed(games)})."
            near = suggestion(claim.over, [*OVER_WORDS, *games])
            yield Problem((*loc, "over"), problem, near or f"Or say {listed(OVER_WORDS)}.")
        yield from _unknown_name((*loc, "group"), claim.group, what="group", known=groups)
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
    key, pair = claim.reading[0] if claim.reading else "", plan.pairs_of(claim)[0]
    is_of_two = pair.of.card != pair.against.card
    if key == "at_fps" and not is_of_two:
        problem = "at_fps is read between two cards, and both sides are one card."
        yield Problem((*loc, key), problem, "On one card say at_loss_pct: the frame rate given up.")
    if key == "at_loss_pct" and is_of_two:
        problem = "at_loss_pct is read on one card, and the sides are two."
        yield Problem((*loc, key), problem, "Between two cards say at_fps: the frame rate that both give.")
    if is_of_two and {pair.of.tuning, pair.against.tuning} != {plan.reference_tuning}:
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


@_check("tunings.name session_plan.must_have")
def _session_plan(plan: Any) -> Iterator[Problem]:
    """Yield problems of ``[session_plan]`` and ``[sweep]``: names that are not in the plan."""
    tunings = [tuning.name for tuning in plan.tunings]
    for number, name in enumerate(plan.session_plan.must_have):
        yield from _unknown_name(("session_plan", "must_have", number), name, what="tuning", known=tunings)


@_check("tunings.name tunings.changes sweep.ladder")
def _sweep(plan: Any) -> Iterator[Problem]:
    """Yield a problem if ``ladder`` is a change that no tuning makes."""
    changes, ladder = sorted({key for tuning in plan.tunings for key in tuning.changes}), plan.sweep.ladder
    if ladder and ladder not in changes:
        problem = f"{shown(ladder)} is changed by no tuning (changes in the plan: {listed(changes)})."
        yield Problem(("sweep", "ladder"), problem, suggestion(ladder, changes) or "Give tunings that change it.")
