"""Results within each test setup, averaged over the setups: a table below the table by game."""

from __future__ import annotations

from typing import Any

from gpubench_kit.page.answer_card import unit_of_change
from gpubench_kit.page.elements import Field, Markup, join, listing, paragraph, stacked, verdict_markup
from gpubench_kit.page.results import Results
from gpubench_kit.statistics.contrasts import combine_benches
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.names import metric_label
from gpubench_kit.wording.numbers import change_and_interval_text
from gpubench_kit.wording.reasons import sentences_of
from gpubench_kit.wording.terms import of_group


def over_benches(results: Results) -> Markup:
    """Return what was found over the test setups; nothing with one setup."""
    rows = list(combine_benches(results.overall, results.plan).itertuples())
    if not rows:
        return Markup("")
    count = int(max(row.n_benches for row in rows))
    fields = [
        Field(say("benches.compared"), lambda row: of_group(_pair(row, results.plan), row.group)),
        Field(say("table.metric"), lambda row: metric_label(row.metric)),
        Field(say("benches.change"), _change, is_number=True),
        Field(say("benches.verdict"), verdict_markup),
    ]
    if any(sentences_of(row) for row in rows):
        fields.append(Field(say("benches.known"), lambda row: " ".join(sentences_of(row))))
    return join(
        [paragraph(say("benches.text", n=count)), listing(fields, rows, caption=say("benches.caption", n=count))]
    )


def _change(row: Any) -> Markup:
    """Return a change with its interval below it."""
    return stacked(change_and_interval_text(row.change, row.ci_low, row.ci_high, unit=unit_of_change(row)))


def _pair(row: Any, plan) -> str:
    """Return both sides of a pair; with cards where the plan has several."""
    of, against = (
        f"{getattr(row, f'{side}_card')}, {getattr(row, f'{side}_tuning')}"
        if len(plan.cards) > 1
        else getattr(row, f"{side}_tuning")
        for side in ("of", "against")
    )
    return say("answer.pair", of=of, against=against)
