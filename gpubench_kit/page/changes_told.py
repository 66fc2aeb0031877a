"""The section of a report that was made again: what changed since the earlier one, and what it was made of."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd

from gpubench_kit.page.elements import (
    Column,
    Markup,
    bullets,
    details,
    heading,
    join,
    link,
    note,
    paragraph,
    table,
    verdict_shown,
)
from gpubench_kit.page.section import Section
from gpubench_kit.wording.numbers import change_and_interval_text, count_text
from gpubench_kit.wording.terms import VERDICT_WORDS, margin_text, metric_of, reason_text, sentence

NAME, TITLE = "changes", "Changes since the earlier report"

#: Rows of a table that stand open on the page; longer ones are folded.
_OPEN = 12
#: Rows that the page prints at all; the table beside it holds every one.
_PRINTED = 200
_RESULTS, _SCRIPT = ("overall", "game"), ("claim", "claim_text")
_HASH_DIGITS = 12

_KINDS = {
    "title": "title", "input": "input file", "input_name": "renamed input file", "decision": "decision",
    "version": "version", "looks": "looks made",
}  # fmt: skip
_OUTCOMES = {"supported": "supported", "contradicted": "contradicted", "not_shown": "not shown"}
_UNEXPLAINED = (
    "No input, decision or version differs, so nothing that the two reports record explains this: one of the two "
    "was not made by the kit as it stands."
)
_NOTHING = (
    "Nothing changed since the earlier report: it was made of the same inputs, decisions and versions, and has the "
    "same verdicts and numbers."
)


def changes(corrections: pd.DataFrame, *, is_new: bool, fingerprint: str) -> Section:
    """Return the section on what changed since the earlier report.

    Parameters
    ----------
    corrections : DataFrame, one row per change; see ``report.changes.CHANGES``
    is_new : whether the latest correction was made by this report; else nothing changed since the earlier one
    fingerprint : hash of the earlier report

    Returns
    -------
    Section
    """
    numbers = sorted(corrections["correction"].unique(), reverse=True)
    latest, older = (numbers[:1], numbers[1:]) if is_new else ([], numbers)
    parts = [_correction(corrections[corrections["correction"] == one]) for one in latest]
    parts = parts or [paragraph(_NOTHING)]
    for number in older:
        body = _correction(corrections[corrections["correction"] == number], number=number)
        parts.append(details(f"Correction {number}, listed by the earlier report", body))
    about = Markup('<span class="code">{}</span>').format(fingerprint[:_HASH_DIGITS])
    told = ["All changes in full precision:", join([link("tables/changes.csv", "changes.csv"), "."])]
    return Section(NAME, TITLE, join([*parts, paragraph(*told, "Fingerprint of the earlier report:", about)]))


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
    said, made_of = rows[rows["part"].isin(_SCRIPT)], rows[rows["part"].isin(_KINDS)]
    smaller = int(rows["part"].isin(_RESULTS).sum()) - len(moves)
    of = f" (correction {number})" if number else ""
    is_explained = made_of["part"].isin(("input", "decision", "version")).any()
    parts = [paragraph(*_lead(moves, said))]
    if smaller:
        parts.append(paragraph(f"{sentence(count_text(smaller, 'result'))} moved by less than the page prints."))
    if (len(moves) or smaller or len(said)) and not is_explained:
        parts.append(note(_UNEXPLAINED))
    parts += [_results_table(moves, of), _script_table(said, of)]
    if len(made_of):
        parts += [heading(f"What was changed{of}"), bullets(_counts(made_of)), _made_of_table(made_of, of)]
    return join(parts)


def _lead(moves: pd.DataFrame, said: pd.DataFrame) -> Iterable[str]:
    """Yield what changed for a reader, in counts."""
    verdicts = int(moves["is_verdict"].sum())
    other = len(moves) - verdicts
    told = f"{sentence(count_text(verdicts, 'verdict'))} changed" if verdicts else "No verdict changed"
    if not len(moves):
        yield "No verdict and no number printed on this page changed."
    elif not other:
        yield f"{told}."
    else:
        reads = "reads" if other == 1 else "read"
        yield f"{told}; {count_text(other, 'result')} with the same verdict {reads} otherwise."
    outcomes = int((said["part"] == "claim").sum())
    if outcomes:
        yield f"{sentence(count_text(outcomes, 'sentence'))} of the script changed in outcome."


def _counts(made_of: pd.DataFrame) -> Iterable[str]:
    """Yield how many of each kind were changed."""
    for part, word in _KINDS.items():
        count = int((made_of["part"] == part).sum())
        if count and part not in ("title", "looks"):
            yield count_text(count, word)


def _results_table(moves: pd.DataFrame, of: str) -> Markup:
    """Return the results that read otherwise, before and now."""
    columns = [Column("Compared"), Column("Before"), Column("Now")]
    lines = [
        [f"{row['what']}: {metric_of(row['metric']).label}", _result_cell(row, "before"), _result_cell(row, "now")]
        for row in moves.head(_PRINTED).to_dict("records")
    ]
    return _folded(columns, lines, caption=f"Results that read otherwise{of}", count=len(moves))


def _script_table(said: pd.DataFrame, of: str) -> Markup:
    """Return the sentences of the script with another outcome or text."""
    columns = [Column("Sentence"), Column("Before"), Column("Now")]
    lines = [
        [row["what"], *(_OUTCOMES.get(row[side], row[side]) or "not in the script" for side in ("before", "now"))]
        for row in said.head(_PRINTED).to_dict("records")
    ]
    return _folded(columns, lines, caption=f"Sentences of the script{of}", count=len(said))


def _made_of_table(made_of: pd.DataFrame, of: str) -> Markup:
    """Return the inputs, decisions and versions that were changed."""
    columns = [Column("What"), Column("Before"), Column("Now")]
    lines = [
        [_named(row), *(_made_of_cell(row, side) for side in ("before", "now"))]
        for row in made_of.head(_PRINTED).to_dict("records")
    ]
    return _folded(
        columns, lines, caption=f"Inputs, decisions and versions that were changed{of}", count=len(made_of)
    )


def _folded(columns: Sequence[Column], lines: Sequence, *, caption: str, count: int) -> Markup:
    """Return a table; folded away where it is long, with a word where it is cut."""
    made = table(columns, lines, caption=caption, css="changes")
    if count > _PRINTED:
        made = join(
            [made, paragraph(f"The first {_PRINTED} of {count} are printed; the table beside the page has all.")]
        )
    return details(f"{caption}: {count}", made) if count > _OPEN else made


def _result_cell(row: dict[str, Any], side: str) -> str | Markup:
    """Return a result before, or now: its numbers and its verdict."""
    if not row[side]:
        return "not compared"
    is_known = row[side] in VERDICT_WORDS
    return join(
        [
            row[f"text_{side}"],
            verdict_shown(row[side], row["metric"], row[f"{side}_change"]) if is_known else row[side],
        ],
        " ",
    )


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
        parts.append("no loss" if row[f"{side}_no_loss"] == "true" else "a loss is not ruled out")
    return ", ".join(parts)


def _named(row: dict[str, Any]) -> str:
    """Return what was changed, with its kind unless its name says it."""
    return row["what"] if row["part"] in ("title", "looks") else f"{_KINDS[row['part']]} {row['what']}"


def _made_of_cell(row: dict[str, Any], side: str) -> str | Markup:
    """Return a hash, version or decision before, or now."""
    text = row[side]
    if not text:
        return "not there"
    is_hash = row["part"] == "input" or (row["part"] == "decision" and len(text) == 64 and text.isalnum())
    return Markup('<span class="code">{}</span>').format(text[:_HASH_DIGITS]) if is_hash else text
