"""The section that holds every sentence of the script against the data."""

from __future__ import annotations

from typing import Any

import pandas as pd

from gpubench_kit.claims.proposals import Proposals
from gpubench_kit.page.elements import Markup, bullets, heading, join, link, paragraph, terms, tied
from gpubench_kit.page.section import Section, left_out

_OUTCOMES = {
    "supported": ("▲", "up", "supported", "The data show what the sentence says."),
    "contradicted": ("▼", "down", "contradicted", "The data show the opposite of what the sentence says."),
    "not_shown": ("?", "open", "not shown", "The data neither show nor refute it: it should not be said."),
}


def script(claims: pd.DataFrame, plan, proposals: Proposals | None = None) -> Section:
    """Return the section on the sentences of the script.

    Parameters
    ----------
    claims : DataFrame, one row per claim; see ``tables.CLAIMS``
    plan : ReviewPlan
    proposals : see `gpubench_kit.claims.proposals.proposed_sentences`; None for none

    Returns
    -------
    Section; left out where the plan makes no claims and nothing is proposed
    """
    name, title = "script", "The script, held against the data"
    sentences = proposals or Proposals((), ())
    if not len(claims) and not sentences.safe and not sentences.not_shown:
        return left_out(name, title, "the plan makes no claims, and nothing could be compared")
    sheet = join(["The same for the script, as plain text: ", link("tables/claims.txt", "claims.txt"), "."])
    blocks = [_claims(claims), _proposed(sentences), paragraph(sheet) if proposals else Markup("")]
    return Section(name, title, join(blocks))


def _claims(claims: pd.DataFrame) -> Markup:
    """Return the claims of the plan; nothing where it makes none."""
    if not len(claims):
        return Markup("")
    text = (
        "Sentences that were written down in the plan. Under “may be said” stands the strongest sentence that the "
        "data bear out where a claim is supported, else the weakest true one."
    )
    found = set(claims["verdict"])
    key = terms(((_mark(one), _OUTCOMES[one][3]) for one in _OUTCOMES if one in found), css="key")
    listed = join(_claim(row) for row in claims.itertuples())
    return join([paragraph(text), key, Markup('<ul class="claims">\n{}</ul>\n').format(listed)])


def _proposed(sentences: Proposals) -> Markup:
    """Return the sentences that the data bear out, and those often said that they do not."""
    safe = [
        Markup('{} <span class="muted">{}</span>').format(tied(one.text), tied(one.why)) for one in sentences.safe
    ]
    unsafe = ((one.text, one.why) for one in sentences.not_shown)
    parts = [(heading("Safe to say"), bullets(safe)), (heading("Often said, but not shown"), terms(unsafe))]
    return join(join(part) for part in parts if part[1])


def _claim(row: Any) -> Markup:
    """Return one claim: its sentence, the outcome, and what stands behind it, each with its name."""
    facts = [
        ("Evidence", f"{row.evidence} {row.to_settle}".rstrip()),
        ("May be said", row.suggested_text or row.text),
    ]
    head = Markup("<p><q>{}</q> {}</p>").format(tied(row.text), _mark(row.verdict))
    return Markup('<li class="{}">{}\n{}</li>\n').format(_OUTCOMES[row.verdict][1], head, terms(facts))


def _mark(outcome: str) -> Markup:
    """Return an outcome as a word with its sign."""
    sign, way, word, _ = _OUTCOMES[outcome]
    mark = '<span class="verdict {}"><span aria-hidden="true">{}</span>{}</span>'
    return Markup(mark).format(way, sign, word)
