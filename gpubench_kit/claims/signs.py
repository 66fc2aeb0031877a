"""Claims whose words go the other way than what they state: a likely slip of the key."""

from __future__ import annotations

import re

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan.fields import ESTIMATES, OF_LESS, OF_MORE, keys_for
from gpubench_kit.model.plan.sections import Claim
from gpubench_kit.model.questions import Choice, Question
from gpubench_kit.statistics.units import direction_of
from gpubench_kit.wording.catalogue import say

#: Words of a sentence by what they say of the side that it speaks of: it takes less or gives more, or the opposite.
_PRAISE = frozenset({
    "save", "saves", "saved", "saving", "cheaper", "quieter", "cooler", "faster", "gain", "gains", "gained",
    "gaining", "ahead", "leads",
})  # fmt: skip
_BLAME = frozenset({
    "cost", "costs", "lose", "loses", "lost", "losing", "louder", "hotter", "slower", "pricier", "behind",
    "trails",
})  # fmt: skip
_FALL = frozenset({
    "less", "lower", "fewer", "cut", "cuts", "drop", "drops", "reduces", "reduced",
})  # fmt: skip
_RISE = frozenset({
    "more", "higher", "adds", "added", "raises", "raised",
})  # fmt: skip

_SWAPPED = dict(zip((*OF_LESS, *OF_MORE), (*OF_LESS[::-1], *OF_MORE[::-1]), strict=True))
_OPPOSITE = {"better": "worse", "worse": "better"}
_OF_ESTIMATES = {name: 1 if keys_for(name) == OF_MORE else -1 for name in ESTIMATES}


def sign_note(claim: Claim) -> str:
    """Return how a claim is read and the line to paste if the other way was meant; empty where no slip is likely.

    Parameters
    ----------
    claim : entry of ``plan.claims``

    Notes
    -----
    A sentence in whose words both ways occur, one in which neither does, and one that names only the side compared
    with are left alone.
    """
    line = _line_meant(claim)
    way = "praises" if _way_of_words(claim) > 0 else "blames"
    return say(f"claims.sign.{way}", word=claim.word, line=line) if line else ""


def sign_question(claim: Claim) -> Question | None:
    """Return the question which of both is meant, a claim's words or its key; None where no slip is likely.

    Parameters
    ----------
    claim : entry of ``plan.claims``
    """
    line = _line_meant(claim)
    if not line:
        return None
    text = say("ask.claim.text", id=claim.id, sentence=claim.text, key=claim.word)
    choices = (
        Choice(say("ask.claim.sentence", line=line), line),
        Choice(say("ask.claim.key", key=claim.word), "keep"),
    )
    return Question(f"claims.{claim.id}", text, choices, paste=f"plan.toml, [[claims]] “{claim.id}”: {line}")


def _line_meant(claim: Claim) -> str:
    """Return the line that states what the words of a claim say; empty where they do not go the other way."""
    stated = {"better": 1, "worse": -1}.get(claim.says or "", 0)
    if claim.amount_keys:
        stated = 1 if claim.word in (OF_LESS[0], OF_MORE[0]) else -1
    if _way_of_words(claim) * stated >= 0:
        return ""
    if claim.says:
        return f'says = "{_OPPOSITE[claim.says]}"'
    written = f'"{claim.size:g} %"' if claim.is_percent else f"{claim.size:g}"
    return f"{_SWAPPED[claim.word]} = {written}"


def _way_of_words(claim: Claim) -> int:
    """Return 1 where the words of a sentence praise, -1 where they find fault, 0 where that cannot be told."""
    text = claim.text.casefold()
    of, against = ({one.card, one.tuning, one.bench} for one in (claim.of, claim.against))
    if _names(against - of, text) and not _names(of - against, text):
        return 0
    # Efficiency is praised by more of it, whatever the metric.
    text = re.sub(r"\b(more|less) (?=(power |energy )?(efficient|economical|frugal))",
                  lambda found: "gain " if found[1] == "more" else "lose ", text)  # fmt: skip
    found = set(re.findall(r"[^\W\d_]+", text))
    direction = direction_of(claim.metric) if claim.metric in METRICS else _OF_ESTIMATES[claim.metric]
    good = _PRAISE | ((_FALL if direction < 0 else _RISE) if direction else frozenset())
    bad = _BLAME | ((_RISE if direction < 0 else _FALL) if direction else frozenset())
    # "at least" and "no more than" say nothing of the way.
    found -= {"more", "less"} if re.search(r"\b(no|not|nothing) (more|less)\b", text) else set()
    if {"no", "not", "nothing", "never", "without"} & found:
        return 0
    return bool(good & found) - bool(bad & found)


def _names(names: set[str], text: str) -> bool:
    """Return whether one of some names stands in a sentence."""
    return any(re.search(rf"(?<!\w){re.escape(name.casefold())}(?!\w)", text) for name in names if name)
