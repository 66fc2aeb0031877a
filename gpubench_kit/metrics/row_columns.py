"""Rows of metrics of thousands of runs, kept as columns: a dictionary for each row would be ten times as large."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Mapping

import numpy as np
import pandas as pd

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.tables import RUN_METRICS

_NUMBERS = ("value", "step")


class RowColumns:
    """Rows of ``tables.RUN_METRICS`` as columns; equal texts are kept once."""

    def __init__(self):
        self._columns = {name: array("d") if name in _NUMBERS else [] for name in RUN_METRICS.names}
        self._texts: dict[str, str] = {}

    def add(self, rows: Iterable[Mapping]) -> None:
        """Add rows.

        Parameters
        ----------
        rows : each with every column
        """
        for row in rows:
            for name, column in self._columns.items():
                value = row[name]
                column.append(value if name in _NUMBERS else self._texts.setdefault(value, value))

    def table(self, runs: Iterable[str]) -> pd.DataFrame:
        """Return the rows as a table of the declared types.

        Parameters
        ----------
        runs : names of all runs, in the order in which their rows stand; metrics stand as in the registry
        """
        # By these texts, which are kept once: the table's own are made anew whenever they are looked at.
        of_run, of_metric = ({name: k for k, name in enumerate(names)} for names in (runs, METRICS))
        named = zip(self._columns["run"], self._columns["metric"], strict=True)
        order = np.argsort([of_run[run] * len(METRICS) + of_metric[metric] for run, metric in named], kind="stable")
        columns = {
            name: np.asarray(one)[order] if name in _NUMBERS else [one[row] for row in order]
            for name, one in self._columns.items()
        }
        return RUN_METRICS.frame(pd.DataFrame(columns))
