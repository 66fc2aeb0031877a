"""What is said, checked: every sentence of the script with its outcome and what can be said instead."""

from __future__ import annotations

from typing import Any, NamedTuple

from gpubench_kit.claims.script import Proposals
from gpubench_kit.page.elements import render, slug
from gpubench_kit.page.results import Results
from gpubench_kit.page.section import Section, left_out
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.verdicts import Mark

_OUTCOMES = {"supported": ("✓", "vg"), "contradicted": ("✗", "vb"), "not_shown": ("?", "vu")}


class Sentence(NamedTuple):
    """One claim of the plan."""

    id: str
    text: str
    mark: Mark
    say: str
    evidence: str


def script(results: Results) -> Section:
    """Return the section on the sentences of the script; left out where there is none to check or to propose.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    """
    proposed = results.sentences or Proposals((), ())
    if not len(results.claims) and not proposed.safe and not proposed.not_shown:
        return left_out("script", say("script.heading"), say("script.left_out"))
    values = {
        "sentences": [_sentence(row) for row in results.claims.itertuples()],
        "safe": proposed.safe,
        "not_shown": proposed.not_shown,
    }
    return Section("script", say("script.heading"), render("script.html.j2", values))


def outcome_mark(outcome: str) -> Mark:
    """Return how the outcome of a claim is shown."""
    sign, css = _OUTCOMES[outcome]
    return Mark(say(f"script.outcome.{outcome}"), sign, css, "")


def _sentence(row: Any) -> Sentence:
    """Return one claim with what can be said instead."""
    instead = row.suggested_text if row.suggested_text != row.text else ""
    return Sentence(f"claim-{slug(row.id)}", row.text, outcome_mark(row.verdict), instead or row.text, row.evidence)
