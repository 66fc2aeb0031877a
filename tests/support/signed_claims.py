"""Claims by the end of a change that they state, with its sign, written as a plan states them."""

from __future__ import annotations

from gpubench_kit.model.plan.fields import OF_LESS, keys_for


def in_plan_words(claim: dict) -> dict:
    """Return a claim with ``says`` at_least or at_most and ``by`` or ``by_pct`` in the keys of a plan.

    What praises or finds fault with the other side changes sides, so that the amount is positive.
    """
    if claim.get("says") not in ("at_least", "at_most"):
        return claim
    out = {key: value for key, value in claim.items() if key not in ("says", "by", "by_pct")}
    amount, is_percent = claim.get("by", claim.get("by_pct")), "by_pct" in claim
    better, worse = keys = keys_for(claim.get("metric", "avg_fps"))
    is_of_less = keys == OF_LESS
    fits = claim["says"] == ("at_most" if is_of_less else "at_least")
    good = amount <= 0 if is_of_less else amount >= 0
    if not fits:
        out |= {"of": claim.get("against", {"tuning": "factory"}), "against": claim.get("of", {"tuning": "quiet"})}
        amount = 100 * (1 / (1 + amount / 100) - 1) if is_percent else amount
    return out | {better if good == fits else worse: f"{abs(amount):.12f} %" if is_percent else abs(amount)}
