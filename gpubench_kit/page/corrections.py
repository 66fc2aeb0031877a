"""The section of a report that was made again: what changed since the earlier one, and what it was made of."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pandas as pd

from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.page.elements import (
    Markup,
    bullets,
    columns,
    details,
    heading,
    join,
    link,
    listing,
    note,
    paragraph,
    verdict_shown,
)
from gpubench_kit.page.section import Section
from gpubench_kit.wording.catalogue import has, say
from gpubench_kit.wording.numbers import change_and_interval_text
from gpubench_kit.wording.terms import margin_text, metric_of, reason_text

#: Rows of a table that stand open on the page; longer ones are folded.
_OPEN = 12
#: Rows that the page prints at all; the table beside it holds every one.
_PRINTED = 200
_RESULTS, _SCRIPT = ("overall", "game"), ("claim", "claim_text")
#: Parts of what a report is made of; those that are counted.
_MADE_OF = ("title", "input", "input_name", "decision", "version", "looks")
_COUNTED = ("input", "input_name", "decision", "version")
_HASH_DIGITS = 12


def changes(corrections: pd.DataFrame, *, is_new: bool, fingerprint: str) -> Section:
    """Return the section on what changed since the earlier report.

    Parameters
    ----------
    corrections : DataFrame, one row per change; see ``report.changes.CHANGES``
    is_new : whether the latest correction was made by this report; else nothing changed since the earlier one
    fingerprint : hash of the earlier report
    """
    numbers = sorted(corrections["correction"].unique(), reverse=True)
    latest, older = (numbers[:1], numbers[1:]) if is_new else ([], numbers)
    parts = [_correction(corrections[corrections["correction"] == one]) for one in latest]
    parts = parts or [paragraph(say("changes.nothing"))]
    for number in older:
        body = _correction(corrections[corrections["correction"] == number], number=number)
        parts.append(details(say("changes.older", number=number), body))
    about = Markup('<span class="code">{}</span>').format(fingerprint[:_HASH_DIGITS])
    told = [say("changes.precise"), join([link("tables/changes.csv", "changes.csv"), "."])]
    parts.append(paragraph(*told, say("changes.fingerprint"), about))
    return Section("changes", say("changes.title"), join(parts))


def result_moves(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the results that read otherwise on the page, those with another verdict first.

    Parameters
    ----------
    rows : DataFrame, changes of one correction

    Returns
    -------
    DataFrame, with the further columns ``text_before``, ``text_now`` and ``is_verdict``
    """
    moved = rows[rows["part"].isin(_RESULTS)]
    texts = {
        f"text_{side}": [_result_text(row, side) for row in moved.to_dict("records")] for side in ("before", "now")
    }
    moved = moved.assign(**texts, is_verdict=moved["before"] != moved["now"])
    read = moved[(moved["text_before"] != moved["text_now"]) | moved["is_verdict"]]
    return read.sort_values("is_verdict", ascending=False, kind="stable")


def _correction(rows: pd.DataFrame, *, number: int | None = None) -> Markup:
    """Return one correction: what reads otherwise now, then what was changed beneath it."""
    moves = result_moves(rows)
    said, made_of = rows[rows["part"].isin(_SCRIPT)], rows[rows["part"].isin(_MADE_OF)]
    smaller = int(rows["part"].isin(_RESULTS).sum()) - len(moves)
    of = f" {say('changes.of', number=number)}" if number else ""
    parts = [paragraph(*_lead(moves, said))]
    parts += [paragraph(say("changes.smaller", n=smaller))] * bool(smaller)
    is_explained = made_of["part"].isin(("input", "decision", "version")).any()
    if (len(moves) or smaller or len(said)) and not is_explained:
        parts.append(note(say("changes.unexplained")))
    parts += [
        _before_and_now(moves, "compared", _compared, _result_cell, caption=say("changes.results", of=of)),
        _before_and_now(said, "sentence", lambda row: row["what"], _outcome, caption=say("changes.script", of=of)),
    ]
    if len(made_of):
        counts = [
            say(f"changes.count.{part}", n=count)
            for part in _COUNTED
            if (count := int((made_of["part"] == part).sum()))
        ]
        caption = say("changes.made_of", of=of)
        parts += [
            heading(say("changes.changed", of=of)), bullets(counts),
            _before_and_now(made_of, "what", _named, _made_of_cell, caption=caption),
        ]  # fmt: skip
    return join(parts)


def _lead(moves: pd.DataFrame, said: pd.DataFrame) -> Iterator[str]:
    """Yield what changed for a reader, in counts."""
    verdicts = int(moves["is_verdict"].sum())
    other = len(moves) - verdicts
    if not len(moves):
        yield say("changes.none")
    else:
        yield say("changes.verdicts", n=verdicts) if verdicts else say("changes.no_verdict")
    if other:
        yield say("changes.otherwise", n=other)
    outcomes = int((said["part"] == "claim").sum())
    if outcomes:
        yield say("changes.outcomes", n=outcomes)


def _before_and_now(
    rows: pd.DataFrame, head: str, name: Callable[[Any], str], cell: Callable[[Any, str], Any], *, caption: str
) -> Markup:
    """Return what changed as a table; folded away where it is long, with a word where it is cut."""
    fields = columns({head: name, "before": lambda row: cell(row, "before"), "now": lambda row: cell(row, "now")})
    made, count = listing(fields, rows.head(_PRINTED).to_dict("records"), caption=caption), len(rows)
    if count > _PRINTED:
        made = join([made, paragraph(say("changes.cut", printed=_PRINTED, count=count))])
    return details(f"{caption}: {count}", made) if count > _OPEN else made


def _compared(row: dict[str, Any]) -> str:
    return f"{row['what']}: {metric_of(row['metric']).label}"


def _outcome(row: dict[str, Any], side: str) -> str:
    """Return the outcome or the text of a sentence before, or now."""
    found = row[side]
    key = f"script.outcome.{found}"
    return (say(key) if has(key) else found) or say("changes.not_in_script")


def _result_cell(row: dict[str, Any], side: str) -> str | Markup:
    """Return a result before, or now: its numbers and its verdict."""
    found = row[side]
    if not found:
        return say("changes.not_compared")
    is_known = found in VERDICTS
    shown = verdict_shown(found, row["metric"], row[f"{side}_change"]) if is_known else found
    return join([row[f"text_{side}"], shown], " ")


def _result_text(row: dict[str, Any], side: str) -> str:
    """Return what a result says besides its verdict; margin, reason and loss only where they differ."""
    if not row[side]:
        return ""
    change, low, high, margin = (row[f"{side}_{one}"] for one in ("change", "ci_low", "ci_high", "margin"))
    parts = [change_and_interval_text(change, low, high, unit=row["unit"])]
    if row["before_margin"] != row["now_margin"] and pd.notna(margin):
        parts.append(margin_text(margin, row["unit"]))
    if row["before_reason"] != row["now_reason"] and row[f"{side}_reason"]:
        parts.append(reason_text(row[f"{side}_reason"]))
    if row["before_no_loss"] != row["now_no_loss"] and row["before"] == row["now"]:
        parts.append(say("changes.no_loss" if row[f"{side}_no_loss"] == "true" else "changes.loss_open"))
    return ", ".join(parts)


def _named(row: dict[str, Any]) -> str:
    """Return what was changed, with its kind unless its name says it."""
    return (
        row["what"] if row["part"] in ("title", "looks") else say(f"changes.kind.{row['part']}", what=row["what"])
    )


def _made_of_cell(row: dict[str, Any], side: str) -> str | Markup:
    """Return a hash, version or decision before, or now."""
    text = row[side]
    if not text:
        return say("changes.not_there")
    is_hash = row["part"] == "input" or (row["part"] == "decision" and len(text) == 64 and text.isalnum())
    return Markup('<span class="code">{}</span>').format(text[:_HASH_DIGITS]) if is_hash else text
