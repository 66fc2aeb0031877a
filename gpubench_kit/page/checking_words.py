"""What the head of the page of `check` says, also for the command, which loads no charts for it."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from gpubench_kit.wording.numbers import count_text

_NOTHING = "Nothing to check yet: no row of the run sheet has a log that can be read, or numbers."


def head_sentences(runs: pd.DataFrame, redo: pd.DataFrame) -> list[str]:
    """Return how much is recorded and what has to be redone, in sentences.

    Parameters
    ----------
    runs : DataFrame, one row per run; see ``tables.RUNS``
    redo : DataFrame, one row per run to redo
    """
    if not is_anything_recorded(runs):
        return [_NOTHING]
    needed = int(redo["is_needed"].sum())
    return [_recorded(runs), *_to_redo(needed, len(redo) - needed)]


def is_anything_recorded(runs: pd.DataFrame) -> bool:
    """Return whether any row has a log that can be read, or numbers.

    Parameters
    ----------
    runs : DataFrame, one row per run; see ``tables.RUNS``
    """
    return bool(_is_read(runs).any())


def _is_read(runs: pd.DataFrame) -> pd.Series:
    """Return which rows have a log that can be read, or numbers."""
    return ~runs["excluded_for"].isin(["not_recorded", "log_unusable"])


def _recorded(runs: pd.DataFrame) -> str:
    """Return how many rows are recorded."""
    done, rows = int(_is_read(runs).sum()), len(runs)
    if done == rows:
        return f"Every row of the run sheet is recorded ({count_text(rows)})."
    return f"{count_text(done)} of {count_text(rows, 'row')} of the run sheet are recorded."


def _to_redo(needed: int, asked: int) -> Iterable[str]:
    """Yield how many runs have to be redone, and how many ask for a cause."""
    verb = "has" if needed == 1 else "have"
    yield f"{count_text(needed, 'run')} {verb} to be redone." if needed else "No run has to be redone."
    further = "further " if needed else ""
    if asked:
        yield f"{count_text(asked, f'{further}run')} {'asks' if asked == 1 else 'ask'} for a cause first."
