"""Formats of a review's logs that are only likely, each once, with the entry of the plan that confirms it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from gpubench_kit.logs.facts import facts_of_log
from gpubench_kit.logs.format import format_id_of
from gpubench_kit.logs.review import Review
from gpubench_kit.logs.text_table import LogTable, open_table
from gpubench_kit.model.errors import LogError
from gpubench_kit.model.log_facts import LogFacts

#: First rows that a question shows.
_ROWS_SHOWN = 4


@dataclass(frozen=True)
class FormatToConfirm:
    """A format that is only likely, or asks.

    Attributes
    ----------
    card : card whose logs these are
    facts : of one log of the format
    n_logs : logs of the format
    first_rows : heading and first rows of that log
    """

    card: str
    facts: LogFacts
    n_logs: int
    first_rows: tuple[str, ...] = ()

    @property
    def entry(self) -> str:
        """The entry of the plan that confirms it, as lines."""
        return self.facts.entry(self.card)


def formats_to_confirm(review: Review) -> list[FormatToConfirm]:
    """Return the formats of a review's logs that are only likely, or ask; each once for each card.

    Parameters
    ----------
    review : the runs; their logs need not have been read

    Notes
    -----
    One log of each format is read whole, of the others the first lines.
    """
    found: dict[tuple[str, str], FormatToConfirm] = {}
    card_of = dict(zip(review.runs["run"], review.runs["card"], strict=True))
    logs = {
        path: (task, name)
        for task in review.tasks
        for path, name in ((task.frame_path, task.frame_name), (task.sensor_path, task.sensor_name))
        if path is not None
    }
    for path, (task, name) in logs.items():
        try:
            table = open_table(Path(path), name=name)
        except LogError:
            continue
        key = card_of[task.run], format_id_of(table)
        if key in found:
            found[key] = replace(found[key], n_logs=found[key].n_logs + 1)
        else:
            facts = facts_of_log(Path(path), name=name, declared=task.declared)
            found[key] = FormatToConfirm(key[0], facts, 1, first_rows_of(table))
    return [one for one in found.values() if one.facts.paste]


def first_rows_of(table: LogTable) -> tuple[str, ...]:
    """Return heading and first rows of a log, as they stand.

    Parameters
    ----------
    table : the log
    """
    above = table.text[: table.dialect.first_row].count(b"\n")
    lines = table.text[: table.dialect.first_row + 4000].decode("utf-8", "replace").splitlines()
    return tuple(line[:100] for line in lines[max(0, above - 1) :][:_ROWS_SHOWN])
