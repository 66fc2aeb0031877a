"""Checks of a plan that look at more than one key: unique names, one reference, levels and margins."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

from gpubench_kit.model.errors import Fault, listed, shown, suggestion
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan.faults import Loc, place
from gpubench_kit.model.plan.references import (
    Problem,
    check_claims,
    check_comparisons,
    check_logs,
    check_session_plan,
    check_sweep,
    unknown_name,
)
from gpubench_kit.model.plan.rules import LEAST_RESTARTS, RESTARTS
from gpubench_kit.model.plan.sections import AMOUNT_KEYS, OVER_WORDS

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
            where = place(problem.loc, data)
            found.append(Fault(f"{file}, {where}", problem.problem, problem.action))
    return found


def _unique(section: str, key: str = "name") -> Check:
    """Return the check that no two entries of a list share their name."""
    return lambda plan: _repeated(getattr(plan, section), key, loc=(section,))


def _repeated(entries: Iterable[Any], key: str, *, loc: Loc) -> Iterator[Problem]:
    """Yield a problem for each entry whose name an earlier one has."""
    seen: Counter[str] = Counter()
    for number, entry in enumerate(entries):
        name = getattr(entry, key)
        if seen[name]:
            found = f"the {key} {shown(name)} is used twice" if name else f"two entries have no {key}"
            yield Problem((*loc, number), f"{found}; each entry needs its own.", "Give it another.")
        seen[name] += 1


def _unnamed(entries: Iterable[Any], *, loc: Loc) -> Iterator[Problem]:
    """Yield a problem if one of several entries has no name; the run sheet could not name it."""
    entries = list(entries)
    for number, entry in enumerate(entries):
        if len(entries) > 1 and not entry.name:
            yield Problem((*loc, number), "no name; where there is more than one, each needs a name.", "Add name.")


_check("cards")(_unique("cards"))


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
    yield from _unnamed(plan.benches, loc=("benches",))
    yield from _repeated([bench for bench in plan.benches if bench.name], "name", loc=("benches",))


_check("tunings")(_unique("tunings"))


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
        yield from unknown_name(("tunings", number, "card"), tuning.card, what="card", known=known)


_check("games")(_unique("games"))


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
        loc = ("games", number, "settings")
        yield from _unnamed(game.settings, loc=loc)
        yield from _repeated([setting for setting in game.settings if setting.name], "name", loc=loc)


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


_NO_SPREAD = (
    "0 was found; a number above 0 is expected, since some difference between restarts is never ruled out.",
    "Measure it, or leave it out where it is not known: what rests on it then has no verdict.",
)


@_check("analysis.restart_spread")
def _restart_spread(plan: Any) -> Iterator[Problem]:
    """Yield problems of the keys, the spreads and the count in ``restart_spread``."""
    loc, known = ("analysis", "restart_spread"), [*METRICS, RESTARTS]
    # From few restarts the archive may find 0, which then widens nothing and gives no verdict.
    is_idle = 0 < plan.analysis.restart_spread.get(RESTARTS, 0) < LEAST_RESTARTS
    for key, value in plan.analysis.restart_spread.items():
        if key not in known:
            problem = f"{shown(key)} is neither a metric nor 'restarts'."
            yield Problem(loc, problem, suggestion(key, known))
        if key == RESTARTS and value != int(value):
            problem = f"{value:g} was found; a whole number of restarts is expected."
            yield Problem((*loc, key), problem, "0 means that the spread is assumed.")
        if key in METRICS and value == 0 and not is_idle:
            yield Problem((*loc, key), *_NO_SPREAD)


@_check("analysis.hitch_window_frames")
def _hitch_window(plan: Any) -> Iterator[Problem]:
    """Yield a problem for an even window, which has no middle frame."""
    frames = plan.analysis.hitch_window_frames
    if frames % 2 == 0:
        problem = f"{frames} was found; an odd number is expected, so that the window has a middle."
        yield Problem(("analysis", "hitch_window_frames"), problem, f"For example: {frames + 1}")


_check("logs.sensors cards.name")(check_logs)
_check(f"comparisons.of comparisons.against {_SUBJECTS}")(check_comparisons)
_check("claims")(_unique("claims", "id"))
_check(f"{_SUBJECTS} games.name analysis.metrics {_CLAIMS}")(check_claims)
_check("tunings.name session_plan.must_have")(check_session_plan)
_check("tunings.name tunings.changes sweep.ladder")(check_sweep)
