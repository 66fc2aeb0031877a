"""Stamps of a wall clock to seconds, and the columns of a log that hold them."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np
import pandas as pd

from gpubench_kit.logs.cells import number, plain_stamp, plain_stamps
from gpubench_kit.logs.format import Certainty, ColumnChoice
from gpubench_kit.logs.log_table import LogRows, LogTable
from gpubench_kit.model.questions import quoted
from gpubench_kit.model.tables import Finding
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.notes import note

#: Epochs from 2001 to 2038, by what one unit of them is in seconds.
_EPOCH_FROM, _EPOCH_TO = 1.0e9, 2.15e9
_EPOCH_UNITS = (("s", 1.0), ("ms", 1e-3), ("us", 1e-6), ("ns", 1e-9))

_DAY_S = 86_400.0

#: Times that begin before this are time that has passed: a run seldom starts in the first seconds of a day [s].
_NEAR_ZERO_S = 5.0

_ISO = re.compile(r"(\d{4})([-/.])\d{1,2}\2\d{1,2}(?:[T ]\d.*)?")
_DAY_OR_MONTH_FIRST = re.compile(r"(\d{1,2})([-/.])(\d{1,2})\2(\d{4}|\d{2})(?:[T ,]\s*(\d.*))?")
_TIME_OF_DAY = re.compile(r"(\d{1,2}):(\d\d)(?::(\d\d(?:[.,]\d+)?))?\s*([AaPp]\.?[Mm]\.?)?")
_ZONE = re.compile(r"(?:Z|[+-]\d\d:?(?:\d\d)?)$")
_FRACTION = re.compile(r":\d\d[.,](\d+)")

#: A time goes up more often than this for each time that it begins anew.
_UPS_PER_DOWN = 3


@dataclass(frozen=True)
class ClockTimes:
    """Stamps of a wall clock.

    Attributes
    ----------
    start_s : the first stamp, in seconds since 1970; of the day where the stamps have no date
    time_s : array of shape (n,), seconds since the first stamp; nan where a cell is no stamp
    step_s : resolution of the stamps as written [s]
    has_date, has_zone : whether the stamps say which day, and how far from universal time
    in_doubt : whether day and month could be exchanged
    other_start_s : the first stamp with day and month exchanged, where that is in doubt; else nan
    """

    start_s: float
    time_s: np.ndarray
    step_s: float
    has_date: bool = True
    has_zone: bool = False
    in_doubt: bool = False
    other_start_s: float = float("nan")

    @property
    def kind(self) -> str:
        """What the stamps tell: ``zoned``, ``dated`` or ``time_of_day``."""
        return "zoned" if self.has_zone else "dated" if self.has_date else "time_of_day"


def clock_of_texts(cells: np.ndarray, *, date_order: str = "") -> ClockTimes | None:
    """Return the stamps in cells of text; None where they are no stamps.

    Parameters
    ----------
    cells : array of text of shape (n,)
    date_order : ``day_first`` or ``month_first`` for dates that begin with neither for sure; empty: as they can
        tell, and day first where they cannot

    Returns
    -------
    ClockTimes, or None where the first cell is no date or time of day that is known
    """
    texts = plain_stamps(cells)
    first = next(filter(None, texts), "")
    if _TIME_OF_DAY.fullmatch(first):
        parts = [_TIME_OF_DAY.fullmatch(text) for text in texts]
        seconds = np.array([_seconds_of_day(part) if part else np.nan for part in parts])
        known = seconds[np.isfinite(seconds)]
        if known.size == 0:
            return None
        filled = pd.Series(seconds).ffill().bfill().to_numpy()
        # A step back by more than half a day passes midnight.
        days = np.concatenate(([0.0], np.cumsum(np.diff(filled) < -_DAY_S / 2)))
        time_s = seconds + days * _DAY_S - known[0]
        return ClockTimes(float(known[0]), time_s, _step_s(texts), has_date=False)
    if _ISO.fullmatch(first):
        if first[4] != "-":
            texts = [text[:10].replace(first[4], "-") + text[10:] for text in texts]
        return _dated(texts)
    if _DAY_OR_MONTH_FIRST.fullmatch(first):
        parts = [_DAY_OR_MONTH_FIRST.fullmatch(text) for text in texts]
        found = [part for part in parts if part]
        month_first = any(int(part[3]) > 12 for part in found)
        day_first = any(int(part[1]) > 12 for part in found)
        mark = found[0][2]
        # Only dates with slashes are written either way.
        in_doubt = mark == "/" and not month_first and not day_first and any(part[1] != part[3] for part in found)
        if month_first and day_first:
            return None
        is_month_first = month_first or (date_order == "month_first" and not day_first)
        clock = _dated([_year_first(part, month_first=is_month_first) if part else "" for part in parts])
        if clock is None or not in_doubt or date_order:
            return clock
        other = _dated([_year_first(part, month_first=True) if part else "" for part in parts])
        if other is None or _runs_on(clock, other):
            return clock
        return other if _runs_on(other, clock) else replace(clock, in_doubt=True, other_start_s=other.start_s)
    return None


def clock_of_numbers(values: np.ndarray) -> ClockTimes | None:
    """Return stamps written as seconds (or thousandths and so on) since 1970; None where they are none."""
    known = values[np.isfinite(values)]
    if known.size == 0:
        return None
    for _, unit_s in _EPOCH_UNITS:
        if known.min() * unit_s >= _EPOCH_FROM and known.max() * unit_s <= _EPOCH_TO:
            start = known[0]
            # Differences first: a number of this size in seconds keeps a quarter of a microsecond only.
            return ClockTimes(float(start * unit_s), (values - start) * unit_s, unit_s, has_zone=True)
    return None


def join_date_and_time(dates: np.ndarray, times: np.ndarray) -> np.ndarray:
    """Return one text for each pair of a date and a time of day."""
    return np.array(
        [f"{date.strip()} {time.strip()}" for date, time in zip(dates, times, strict=True)], dtype=object
    )


def is_date_only(cell: str) -> bool:
    """Return whether a cell is a date without a time of day."""
    return ":" not in cell and bool(re.fullmatch(r"\d{1,4}([-/.])\d{1,2}\1\d{1,4}", plain_stamp(cell)))


def is_time_only(cell: str) -> bool:
    """Return whether a cell is a time of day without a date."""
    return _TIME_OF_DAY.fullmatch(plain_stamp(cell)) is not None


def begins_at_zero(cell: str) -> bool:
    """Return whether a first time, with seconds and without a date, is a few seconds from zero at most."""
    part = _TIME_OF_DAY.fullmatch(plain_stamp(cell))
    return part is not None and bool(part[3] and not part[4]) and _seconds_of_day(part) < _NEAR_ZERO_S


def _dated(texts: list[str]) -> ClockTimes | None:
    """Return stamps of texts that begin with year, month and day."""
    has_zone = _ZONE.search(texts[0][10:]) is not None
    series = pd.Series(texts, dtype=object).str.replace(",", ".", regex=False)
    try:
        stamps = pd.to_datetime(series, format="ISO8601", errors="coerce", utc=True)
    except (ValueError, OverflowError):
        return None
    known = stamps.dropna()
    if known.empty:
        return None
    start = known.iloc[0]
    time_s = ((stamps - start) / pd.Timedelta(seconds=1)).to_numpy(dtype=float)
    return ClockTimes(start.timestamp(), time_s, _step_s(texts), has_zone=has_zone)


def _runs_on(clock: ClockTimes, other: ClockTimes) -> bool:
    """Return whether a clock passes midnight from stamp to stamp wherever the other one jumps by days."""
    steps, others = (np.diff(one.time_s[np.isfinite(one.time_s)]) for one in (clock, other))
    if steps.size != others.size:
        return False
    is_other = abs(steps - others) > 1.0
    runs_on, jumps = (steps >= 0) & (steps < _DAY_S / 2), abs(others) > _DAY_S
    return bool(is_other.any() and (runs_on & jumps)[is_other].all())


def _year_first(part: re.Match, *, month_first: bool) -> str:
    """Return one stamp as year, month, day and a time of day on the 24-hour clock."""
    day, month = (part[3], part[1]) if month_first else (part[1], part[3])
    year = part[4] if len(part[4]) == 4 else f"20{part[4]}"
    return f"{year}-{int(month):02d}-{int(day):02d} {_on_24_hours(part[5] or '00:00:00')}"


def _on_24_hours(time: str) -> str:
    """Return a time of day with AM or PM on the 24-hour clock; others as they are, hours with two digits."""
    part = _TIME_OF_DAY.fullmatch(time)
    if part is None:
        return time.zfill(len(time) + 1) if time[1:2] == ":" else time
    hour = int(part[1])
    if part[4]:
        hour = hour % 12 + (12 if part[4][0] in "pP" else 0)
    return f"{hour:02d}:{part[2]}:{part[3] or '00'}"


def _seconds_of_day(part: re.Match) -> float:
    """Return the seconds since midnight."""
    hour = int(part[1])
    if part[4]:
        hour = hour % 12 + (12 if part[4][0] in "pP" else 0)
    return hour * 3600.0 + int(part[2]) * 60.0 + float((part[3] or "0").replace(",", "."))


def _step_s(texts: list[str]) -> float:
    """Return the resolution of stamps as written: the most decimals of a second among the first ones."""
    fractions = [_FRACTION.search(text) for text in texts[:50]]
    most = max((len(fraction[1]) for fraction in fractions if fraction), default=0)
    return 10.0**-most if any(text.count(":") >= 2 for text in texts[:50]) else 60.0


def counts_rows(values: np.ndarray) -> bool:
    """Return whether values rise by one from row to row.

    Parameters
    ----------
    values : array of shape (n,)
    """
    return values.size > 2 and bool((np.diff(values) == 1).all())


def rises(values: np.ndarray) -> bool:
    """Return whether values rise as time does.

    Parameters
    ----------
    values : array of shape (n,)
    """
    steps = np.diff(values)
    n_up, n_down = int((steps > 0).sum()), int((steps < 0).sum())
    # What stands still but for a few rows goes down as often as it goes up.
    return steps.size > 3 and n_up > _UPS_PER_DOWN * n_down and bool((steps >= 0).mean() >= 0.97)


def started_at_s(texts: pd.Series, *, date_order: str = "") -> np.ndarray:
    """Return typed start times in seconds; nan where a row has none or it cannot be read.

    Parameters
    ----------
    texts : one text per run, such as 2026-11-02 21:04:05
    date_order : as declared; see `clock_of_texts`
    """
    clock = clock_of_texts(texts.to_numpy(dtype=object), date_order=date_order)
    return np.full(len(texts), np.nan) if clock is None or not clock.has_date else clock.start_s + clock.time_s


#: Longest recording [s].
_LONGEST_S = 7 * 86_400.0


def find_clock(rows: LogRows) -> tuple[ColumnChoice, ...]:
    """Return the columns of the wall clock: none, one, or a date and a time of day.

    Times that begin at zero serve only where there are no other stamps; see `passed_since_zero`.

    Parameters
    ----------
    rows : the log
    """
    table, first = rows.table, rows.table.sample[0]
    texts = sorted(rows.is_clock)
    dates = [column for column in texts if is_date_only(first[column])]
    times = [column for column in texts if is_time_only(first[column])]
    if dates and times:
        times.sort(key=lambda column: begins_at_zero(first[column]))
        why = say("evidence.clock.date_and_time")
        return tuple(_clock_column(table, column, why) for column in (dates[0], times[0]))
    stamps = [column for column in texts if column not in dates]
    if stamps:
        column = min(stamps, key=lambda column: begins_at_zero(first[column]))
        return (_clock_column(table, column, say("evidence.clock.stamps", cell=repr(first[column].strip()[:40]))),)
    for column, values in rows.numbers.items():
        if not (values.size and values[0] > 1e9 and rises(values)):
            continue
        # Seconds since 1970, which span no more than a recording can.
        clock = clock_of_numbers(values)
        if clock is not None and float(np.nanmax(clock.time_s)) <= _LONGEST_S:
            return (_clock_column(table, column, say("evidence.clock.since_1970")),)
    return ()


def _clock_column(table: LogTable, column: int, why: str) -> ColumnChoice:
    """Return the choice of a column of stamps."""
    return ColumnChoice("clock_time", column, table.label(column), "", why, Certainty.PROVEN)


def clock_of_rows(rows: LogRows, clock: tuple[ColumnChoice, ...], *, date_order: str = "") -> ClockTimes | None:
    """Return the clock's stamps in all rows; None where they cannot be read.

    Parameters
    ----------
    rows : the log
    clock : its columns of the clock, none to two
    date_order : as declared; see `clock_of_texts`
    """
    if not clock:
        return None
    first = clock[0].column
    if first in rows.numbers:
        stamps = clock_of_numbers(rows.numbers[first])
        written_s = rows.steps[first] * stamps.step_s if stamps is not None else 0.0
        return None if stamps is None else replace(stamps, step_s=max(written_s, 5e-7))
    cells = [rows.cells(choice.column).to_numpy(dtype=object) for choice in clock]
    texts = join_date_and_time(*cells) if len(cells) == 2 else cells[0]
    return clock_of_texts(texts, date_order=date_order)


def passed_since_zero(table: LogTable, clock: tuple[ColumnChoice, ...]) -> ColumnChoice | None:
    """Return stamps as the elapsed time that they are; None where they are those of a clock.

    Parameters
    ----------
    table : the log
    clock : its columns of the clock; one that the plan declares is a clock
    """
    if len(clock) != 1 or clock[0].certainty == Certainty.STATED:
        return None
    first = table.sample[0][clock[0].column].strip()[:40]
    if not begins_at_zero(first):
        return None
    why = say("evidence.clock.begins_at_zero", first=repr(first))
    return replace(clock[0], role="elapsed_time", why=why)


def passed_told(table: LogTable, passed: ColumnChoice, *, can_declare: bool) -> Finding:
    """Return the finding that stamps were read as elapsed time.

    Parameters
    ----------
    table : the log
    passed : the column
    can_declare : whether a line in the plan makes it a clock
    """
    first = repr(table.sample[0][passed.column].strip()[:40])
    line = f"[logs] sensor_time = {{ column = {quoted(table.key(passed.column))} }}"
    told = note("logs.counted_from_zero", name=table.name, label=passed.label, first=first, line=line)
    return told if can_declare else replace(told, action="")


def clock_of_sample(table: LogTable, clock: tuple[ColumnChoice, ...], *, date_order: str = "") -> ClockTimes | None:
    """Return the clock's stamps in the rows of the look-ahead; None where they cannot be read.

    Parameters
    ----------
    table : the log
    clock : its columns of the clock, one or two
    date_order : as declared; see `clock_of_texts`
    """
    cells = [np.array([row[choice.column] for row in table.sample], dtype=object) for choice in clock]
    if len(cells) == 2:
        return clock_of_texts(join_date_and_time(*cells), date_order=date_order)
    as_text = clock_of_texts(cells[0], date_order=date_order)
    if as_text is not None:
        return as_text
    numbers = [number(cell, table.dialect.decimal, table.dialect.thousands) for cell in cells[0]]
    return clock_of_numbers(np.array([np.nan if one is None else one for one in numbers]))


def date_doubt(name: str, clock: ClockTimes) -> Finding:
    """Return the finding that day and month of a log's dates could be exchanged, with the line that pins them.

    Parameters
    ----------
    name : of the log
    clock : its stamps, read day first
    """
    read, other = (f"{datetime.fromtimestamp(at, UTC):%Y-%m-%d}" for at in (clock.start_s, clock.other_start_s))
    return note("logs.date_order_in_doubt", name=name, read=read, other=other)
