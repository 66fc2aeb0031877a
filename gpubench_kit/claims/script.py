"""The sheet for the script: every claim with its outcome and what may be said, as plain text."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator
from pathlib import Path

import pandas as pd

from gpubench_kit.claims.proposals import Proposal, Proposals
from gpubench_kit.model.errors import ReportError

SHEET_FILE = "claims.txt"

_WIDTH = 90
_MARKS = {"supported": "[SUPPORTED]", "contradicted": "[CONTRADICTED]", "not_shown": "[NOT SHOWN]"}
_NOTE = (
    "Made from the tables of the report. Sentences speak of our card on our bench. A sentence that is not shown is "
    "not thereby false, and one that is supported can still be wrong: at most one script of twenty "
    "has such a sentence."
)


def script_sheet(claims: pd.DataFrame, proposals: Proposals, *, title: str = "") -> str:
    """Return a plain-text sheet to speak, or to write, from.

    Parameters
    ----------
    claims : DataFrame, one row per claim; see ``tables.CLAIMS``
    proposals : see `gpubench_kit.claims.proposals.proposed_sentences`
    title : of the review

    Returns
    -------
    str : lines of at most 90 signs
    """
    blocks = [_heading(f"Sentences for the script{': ' if title else ''}{title}"), *_filled(_NOTE)]
    blocks += list(_claims(claims))
    blocks += list(_listed("You can say", proposals.safe))
    blocks += list(_listed("Often said, not shown here", proposals.not_shown))
    return "\n".join(blocks).rstrip() + "\n"


def write_script_sheet(claims: pd.DataFrame, proposals: Proposals, folder: str | Path, *, plan) -> Path:
    """Write the sheet beside the tables of a report.

    Parameters
    ----------
    claims, proposals : as in `script_sheet`
    folder : folder of the report; the sheet is written into its ``tables/``
    plan : ReviewPlan, gives the title

    Returns
    -------
    Path of the file

    Raises
    ------
    ReportError : the file cannot be written
    """
    target = Path(folder) / "tables" / SHEET_FILE
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(script_sheet(claims, proposals, title=plan.review.title), encoding="utf-8", newline="\n")
    except OSError as error:
        raise ReportError(f"{SHEET_FILE}: cannot be written ({error.strerror}).") from error
    return target


def _heading(text: str) -> str:
    """Return an underlined heading after an empty line."""
    lines = list(_filled(text))
    return "\n".join(["", *lines, "=" * max(map(len, lines))])


def _claims(claims: pd.DataFrame) -> Iterator[str]:
    """Yield the claims of the plan."""
    if len(claims):
        yield _heading("The claims of the plan")
    for row in claims.itertuples():
        yield from ("", *_filled(f"{_MARKS[row.verdict]} {row.text}"))
        yield from _filled(f"Evidence: {row.evidence}", indent="    ")
        yield from _filled(f"Say: {row.suggested_text}", indent="    ")
        yield from _filled(row.to_settle, indent="    ")


def _listed(title: str, proposals: Iterable[Proposal]) -> Iterator[str]:
    """Yield a list of sentences with what the data say about each."""
    proposals = list(proposals)
    if proposals:
        yield _heading(title)
    for one in proposals:
        yield from ("", *_filled(f"- {one.text}", hang="  "))
        yield from _filled(one.why, indent="    ")


def _filled(text: str, *, indent: str = "", hang: str = "") -> Iterator[str]:
    """Yield text in lines; what a reader wrote is kept to one paragraph."""
    # A number and its percent sign stay on one line.
    words = " ".join(text.split()).replace(" %", "\u00a0%")
    lines = textwrap.wrap(
        words, _WIDTH, initial_indent=indent, subsequent_indent=indent + hang, break_on_hyphens=False
    )
    yield from (line.replace("\u00a0", " ") for line in lines)
