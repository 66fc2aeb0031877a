"""The section that holds every sentence of the script against the data."""

from __future__ import annotations

from typing import Any

import pandas as pd

from gpubench_kit.number_text import count_text, is_missing
from gpubench_kit.page.elements import Column, Markup, join, paragraph, table, terms
from gpubench_kit.page.section import Section, left_out

_OUTCOMES = {
    "supported": ("▲", "up", "supported", "The data show what the sentence says."),
    "contradicted": ("▼", "down", "contradicted", "The data show the opposite of what the sentence says."),
    "not_shown": ("?", "open", "not shown", "The data neither show nor refute it: it should not be said."),
}


def script(claims: pd.DataFrame, plan) -> Section:
    """Return the section on the sentences of the script.

    Parameters
    ----------
    claims : DataFrame, one row per claim; see ``tables.CLAIMS``
    plan : ReviewPlan

    Returns
    -------
    Section; left out where the plan makes no claims
    """
    name, title = "script", "The script, held against the data"
    if not len(claims):
        return left_out(name, title, "the plan makes no claims")
    text = "Sentences that were written down in the plan. What stands under “may be said” is the weakest true one."
    columns = [Column("Sentence"), Column("Outcome"), Column("Evidence"), Column("May be said")]
    listed = table(columns, [_line(row) for row in claims.itertuples()], caption="Claims of the plan", css="prose")
    found = set(claims["verdict"])
    key = terms(((_mark(one), _OUTCOMES[one][3]) for one in _OUTCOMES if one in found), css="key")
    return Section(name, title, join([paragraph(text), listed, key]))


def _line(row: Any) -> list[str | Markup]:
    """Return the cells of one claim."""
    more = "" if is_missing(row.more_runs) else f" {count_text(row.more_runs, 'further round')} would settle it."
    return [row.text, _mark(row.verdict), row.evidence + more, row.suggested_text or row.text]


def _mark(outcome: str) -> Markup:
    """Return an outcome as a word with its sign."""
    sign, way, word, _ = _OUTCOMES[outcome]
    mark = '<span class="verdict {}"><span aria-hidden="true">{}</span>{}</span>'
    return Markup(mark).format(way, sign, word)
