"""One line of settings of a sweep, and the words and names that its charts share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.model.plan.ladder import Ladder, offset_text
from gpubench_kit.wording.terms import of_group


@dataclass(frozen=True)
class SweptPart:
    """The rows of one line of settings of one card, bench and group.

    Attributes
    ----------
    settings, curves, answer : rows of ``sweep`` (the factory state among them), of ``sweep_curves``, and
        the row of ``sweep_answers``
    ladder : of the card
    title : what stands behind the colon of a chart's title; empty for none
    """

    settings: pd.DataFrame
    curves: pd.DataFrame
    answer: object
    ladder: Ladder
    title: str = ""

    @property
    def measured(self) -> pd.DataFrame:
        """Settings of this line, and the factory state."""
        return self.settings[self.settings["is_factory"] | (self.settings["line"] == self.answer.line)]

    @property
    def axis(self) -> str:
        """Label of the ladder's axis."""
        unit = f" [{self.ladder.unit}]" if self.ladder.unit else ""
        return f"{self.ladder.label} against the factory state{unit}"

    def curve(self, metric: str) -> pd.DataFrame:
        """Return the curve of a metric."""
        rows = self.curves[(self.curves["metric"] == metric) & (self.curves["line"] == self.answer.line)]
        return rows.sort_values("at")


def outcome_of(row: Any) -> str:
    """Return the outcome of a row of ``sweep``: ``factory``, ``failed``, ``inside``, ``beyond`` or ``open``."""
    if row.is_factory:
        return "factory"
    if _is_more_than_none(row.runs_failed) or _is_more_than_none(row.failures):
        return "failed"
    if is_true(row.is_inside):
        return "inside"
    return "beyond" if is_true(row.is_beyond) else "open"


def knee_note(part: SweptPart) -> str:
    """Return where the knee is; nothing where no bend is shown."""
    answer = part.answer
    if not np.isfinite(answer.knee):
        return ""
    low, high = (offset_text(part.ladder.change, one) for one in (answer.knee_ci_low, answer.knee_ci_high))
    between = f", between {low} and {high}" if answer.knee_ci_low < answer.knee_ci_high else ""
    return f" Knee: {offset_text(part.ladder.change, answer.knee)}{between}."


def titled(text: str, part: SweptPart) -> str:
    """Return a title with the line, the card and the group where there is more than one."""
    line = f", {part.answer.line}" if part.answer.line else ""
    return of_group(f"{text}{line}{f': {part.title}' if part.title else ''}", part.answer.group)


def file_parts(part: SweptPart) -> tuple[str, ...]:
    """Return what tells this part's files from others'."""
    group = "" if part.answer.group == "all" else part.answer.group
    return part.title, group, part.answer.line


def is_true(value: Any) -> bool:
    """Return whether a truth value is there and true."""
    return value is not pd.NA and bool(value)


def _is_more_than_none(value) -> bool:
    """Return whether a count is there and above 0."""
    return value is not pd.NA and value > 0
