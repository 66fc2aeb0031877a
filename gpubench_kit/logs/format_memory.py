"""Logs of one recorder look alike: the format of one is tried first on the next, and verified row by row.

A sensor log that serves several runs is kept until another is read. Nothing is taken on trust: the result never
depends on which logs were read before.
"""

from __future__ import annotations

from pathlib import Path

from gpubench_kit.logs.cell_text import looks_numeric, split_line
from gpubench_kit.logs.dialect import Dialect
from gpubench_kit.logs.format import Declaration, LogFormat
from gpubench_kit.logs.log_bytes import LogBytes
from gpubench_kit.logs.read_samples import SensorLog, read_sensor_log
from gpubench_kit.logs.text_table import LogTable

_MOST_KEPT = 6

#: First rows that a clock's start is told from.
_ROWS_KEPT = 96


class FormatMemory:
    """Headings met so far, with the dialect and the format that was found below them."""

    def __init__(self):
        self._known: list[tuple[bytes, Declaration, Dialect, LogFormat]] = []
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

    def recall(self, content: LogBytes, declared: Declaration) -> tuple[LogTable, LogFormat] | None:
        """Return table and format of a log with a heading met before, to be verified; None where there is none.

        Parameters
        ----------
        content : text of the log
        declared : what the plan declares about it
        """
        alike = (
            _table(content, head, dialect, log_format)
            for head, known_declared, dialect, log_format in self._known
            if content.text.startswith(head) and declared == known_declared
        )
        return next((found for found in alike if found is not None), None)

    def keep(self, table: LogTable, log_format: LogFormat, declared: Declaration) -> None:
        """Keep the format found below a heading, where the rows of each log can verify it.

        Parameters
        ----------
        table : the log
        log_format : how it is read
        declared : what the plan declares about it
        """
        head = table.text[: table.dialect.first_row]
        # Units in cells do not show in the heading.
        has_units_in_cells = any(table.dialect.units) and not table.dialect.units_line
        shows = table.dialect.heading and not table.dialect.has_keys
        if shows and not (table.dialect.marks_in_doubt or has_units_in_cells):
            self._known.insert(0, (head, declared, table.dialect, log_format))
            del self._known[_MOST_KEPT:]


def _table(
    content: LogBytes, head: bytes, dialect: Dialect, log_format: LogFormat
) -> tuple[LogTable, LogFormat] | None:
    """Return table and format, with the first rows as sample; None where the first is no such row."""
    n_rows = _ROWS_KEPT if log_format.clock else 1
    lines = content.text[len(head) : len(head) + 400 * n_rows].split(b"\n", n_rows)[:n_rows]
    rows = [split_line(line.decode("utf-8", "replace").rstrip("\r"), dialect.separator) for line in lines]
    sample = [row for row in rows if len(row) == dialect.n_columns]
    times = (log_format.frame_time.column, log_format.elapsed.column)
    if not sample or len(rows[0]) != dialect.n_columns or not all(looks_numeric(rows[0][place]) for place in times):
        return None
    whole = (content.name, content.sha256, content.encoding, content.text)
    return LogTable(*whole, dialect, sample, content.findings), log_format
