"""Logs of one recorder look alike: what was found for one log is tried first on the next.

A sensor log that serves several runs is kept until another is read.

Nothing is taken on trust: what is remembered serves only for a log with the very same heading, and only
if all of its rows pass the tests that the look-ahead makes on the first ones. Otherwise the log is looked
at afresh, so that the result never depends on which logs were read before.
"""

from __future__ import annotations

from pathlib import Path

from gpubench_kit.logs.cell_text import looks_numeric, split_line
from gpubench_kit.logs.dialect import Dialect
from gpubench_kit.logs.find_columns import Declaration
from gpubench_kit.logs.find_frame_columns import FrameColumns
from gpubench_kit.logs.log_bytes import LogBytes
from gpubench_kit.logs.sensor_log import SensorLog, read_sensor_log
from gpubench_kit.logs.text_table import LogTable

_MOST_KEPT = 6


class LayoutMemory:
    """Headings met so far, with the dialect and the columns that were found below them."""

    def __init__(self):
        self._known: list[tuple[bytes, Declaration, Dialect, FrameColumns]] = []
        self._sensors: tuple[Path, Declaration, SensorLog] | None = None

    def sensor_log(self, path: Path, *, name: str, declared: Declaration) -> SensorLog:
        """Return a sensor log, read anew unless it is the one read last.

        Parameters
        ----------
        path, name, declared : as for `read_sensor_log`

        Raises
        ------
        LogError : as from `read_sensor_log`
        """
        if self._sensors is None or self._sensors[:2] != (path, declared):
            self._sensors = path, declared, read_sensor_log(path, name=name, declared=declared)
        return self._sensors[2]

    def recall(self, content: LogBytes, declared: Declaration) -> tuple[LogTable, FrameColumns] | None:
        """Return table and columns of a log with a heading met before, to be tested; None where there is none.

        Parameters
        ----------
        content : text of the log
        declared : what the plan declares about it
        """
        alike = (
            _table(content, head, dialect, columns)
            for head, known_declared, dialect, columns in self._known
            if content.text.startswith(head) and declared == known_declared
        )
        return next((found for found in alike if found is not None), None)

    def keep(self, table: LogTable, columns: FrameColumns, declared: Declaration) -> None:
        """Keep what was found below a heading; columns whose agreement proves them, and no others.

        Parameters
        ----------
        table : the log
        columns : what its columns are
        declared : what the plan declares about it
        """
        head = table.text[: table.dialect.first_row]
        is_proved = columns.frame_time is not None and columns.elapsed is not None
        # Units in cells do not show in the heading.
        has_units_in_cells = any(table.dialect.units) and not table.dialect.units_line
        shows = table.dialect.heading and not table.dialect.has_keys
        if is_proved and shows and not (table.dialect.marks_in_doubt or has_units_in_cells):
            self._known.insert(0, (head, declared, table.dialect, columns))
            del self._known[_MOST_KEPT:]


def _table(
    content: LogBytes, head: bytes, dialect: Dialect, columns: FrameColumns
) -> tuple[LogTable, FrameColumns] | None:
    """Return table and columns, looking at the first row alone; None where that is no such row."""
    end = content.text.find(b"\n", len(head))
    first = content.text[len(head) : end].decode("utf-8", "replace").rstrip("\r")
    cells = split_line(first, dialect.separator)
    times = (columns.frame_time.column, columns.elapsed.column)
    if len(cells) != dialect.n_columns or not all(looks_numeric(cells[place]) for place in times):
        return None
    whole = (content.name, content.sha256, content.encoding, content.text)
    return LogTable(*whole, dialect, [cells], content.findings), columns
