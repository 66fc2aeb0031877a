"""Which amount a claim can state of what, and what takes the place of the amounts with signs of version 0.1.0."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from gpubench_kit.model.errors import shown
from gpubench_kit.model.metrics import METRICS

#: Amounts where less is better, and where more is: of the better way, then of the worse.
OF_LESS, OF_MORE = ("saves_at_least", "costs_at_most"), ("gains_at_least", "loses_at_most")

_ESTIMATES = {
    "running_cost": OF_LESS,
    "total_cost": OF_LESS,
    "break_even_time": OF_LESS,
    "value_for_money": OF_MORE,
}


def keys_for(topic: str) -> tuple[str, str]:
    """Return the keys of amounts that fit a metric or an estimate of cost.

    Parameters
    ----------
    topic : its name

    Returns
    -------
    tuple of two keys: where neither more nor less is better, those that say more and less of it
    """
    if topic in _ESTIMATES:
        return _ESTIMATES[topic]
    return OF_LESS if topic in METRICS and METRICS[topic].better == "lower" else OF_MORE


def signed_amount(given: Mapping[str, Any]) -> tuple[str, str]:
    """Return why an amount with a sign is refused, and the lines to write in its place.

    Parameters
    ----------
    given : a claim as written, with ``by`` or ``by_pct``, or ``says = "at_least"`` or ``"at_most"``
    """
    says, found = given.get("says"), [key for key in ("by", "by_pct") if key in given]
    problem = (
        f"says = {shown(says)} with {found[0]} = {shown(given[found[0]])} was found; since version 0.2.0 an amount "
        "is positive and its key says which way."
        if found
        else f"says = {shown(says)} was found without an amount; a key like saves_at_least = 30 is expected."
    )
    amount = given[found[0]] if found else None
    if says not in ("at_least", "at_most") or not isinstance(amount, (int, float)) or isinstance(amount, bool):
        less, more = " or ".join(OF_LESS), " or ".join(OF_MORE)
        return problem, f"Write {less} where less is better, {more} where more is, and leave says and by out."
    lines = _lines(given, says, float(amount), is_percent=found[0] == "by_pct")
    return problem, f"Replace these keys by: {'; '.join(lines)}"


def _lines(given: Mapping[str, Any], says: str, amount: float, *, is_percent: bool) -> list[str]:
    """Return the lines that say the same with a positive amount; the two sides change places where they must."""
    better, worse = keys_for(given.get("metric", ""))
    is_of_less = better == "saves_at_least"
    fits = says == ("at_most" if is_of_less else "at_least")
    good = amount <= 0 if is_of_less else amount >= 0
    key = better if good == fits else worse
    size, sides = abs(amount), []
    if not fits:
        sides = [
            f"{one} = {_inline(given.get(other, {}))}" for one, other in (("of", "against"), ("against", "of"))
        ]
        size = abs(100 * (1 / (1 + amount / 100) - 1)) if is_percent and amount > -100 else size
    return [*sides, f'{key} = "{size:.4g} %"' if is_percent else f"{key} = {size:g}"]


def _inline(side: Any) -> str:
    """Return one side of a claim as an inline table."""
    pairs = side.items() if isinstance(side, Mapping) else ()
    return "{ " + ", ".join(f"{key} = {shown(value).replace(chr(39), chr(34))}" for key, value in pairs) + " }"
