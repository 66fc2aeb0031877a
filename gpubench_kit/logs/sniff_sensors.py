"""The columns of samples: time, and sensors by declaration, exact metric name, stated unit, or single words.

What the values look like never makes a column a sensor; it only leaves one out, or asks. A word against a column
counts for more than a unit for it: a processor's watts are watts too.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from gpubench_kit.logs.clock import counts_rows, find_clock, passed_since_zero, passed_told
from gpubench_kit.logs.format import (
    Certainty,
    ColumnChoice,
    ConfirmedFormat,
    Declaration,
    LogFormat,
    format_id_of,
    seen_in,
)
from gpubench_kit.logs.log_table import LogRows
from gpubench_kit.logs.sensor_rows import elapsed_of, fitting_metrics, no_time, time_counted
from gpubench_kit.logs.text_table import no_such_column, read_columns
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.metrics import METRICS, SENSOR_METRICS
from gpubench_kit.model.questions import quoted
from gpubench_kit.model.words import (
    CARD,
    QUANTITY,
    WALL,
    Unit,
    known_unit,
    part_of,
    without_brackets,
    words_against,
    words_of,
)

#: Metric of a quantity, and of a quantity of a part of the card; the chip's power is never that of the board.
_METRIC = {
    "power": "board_w", "heat": "core_c", "load": "load_pct", "clock": "core_mhz", "fan": "fan_rpm",
    "volt": "core_mv", "sound": "sound_dba",
}  # fmt: skip
_OF_PART = {
    ("heat", "memory"): "memory_c", ("heat", "hotspot"): "hotspot_c", ("clock", "memory"): "memory_mhz",
    ("bytes", "memory"): "memory_used_gb", ("power", "chip"): "", ("load", "memory"): "", ("volt", "memory"): "",
    ("power", "memory"): "", ("fan", "memory"): "", ("load", "hotspot"): "", ("power", "hotspot"): "",
}  # fmt: skip

#: Quantities whose metric a stated unit needs no word for the card beside: the heading names the part itself.
_NAMED_PARTS = frozenset({"memory_c", "memory_mhz", "hotspot_c", "wall_w", "sound_dba"})

#: What a sample can be, in the metric's unit.
BOUNDS = {
    "board_w": (0.0, 1500.0), "wall_w": (0.0, 3000.0), "core_c": (5.0, 120.0), "hotspot_c": (5.0, 130.0),
    "memory_c": (5.0, 130.0), "load_pct": (0.0, 100.0), "core_mhz": (0.0, 6000.0), "memory_mhz": (0.0, 30_000.0),
    "fan_rpm": (0.0, 8000.0), "core_mv": (0.0, 1600.0), "memory_used_gb": (0.0, 128.0), "sound_dba": (10.0, 90.0),
}  # fmt: skip

#: Share of samples that must be possible.
_SHARE_POSSIBLE = 0.8

#: Metrics that logs also hold in another unit: medians between which that must be so, the factor and the unit.
_OTHER_UNITS = {"core_mv": (0.2, 5.0, 1000.0, "V"), "memory_used_gb": (256.0, 262_144.0, 1 / 1024, "MB")}

#: Quantities of the kit's units.
_QUANTITY_OF_UNIT = {
    "W": "power", "°C": "heat", "%": "percent", "MHz": "clock", "rpm": "fan", "mV": "volt", "GB": "bytes",
    "dBA": "sound",
}  # fmt: skip


@dataclass
class _Sorted:
    """Columns sorted by what they are: candidates by metric, those asked, and those left out with the reason."""

    by_metric: dict[str, list[ColumnChoice]] = field(default_factory=dict)
    asked: list[tuple[int, str]] = field(default_factory=list)
    left_out: list[tuple[int, str]] = field(default_factory=list)

    def add(self, choice: ColumnChoice) -> None:
        """Add a candidate."""
        self.by_metric.setdefault(choice.role, []).append(choice)


def sniff_sensors(rows: LogRows, declared: Declaration) -> LogFormat:
    """Find out what the columns of a sensor log are.

    Parameters
    ----------
    rows : the log
    declared : what the plan declares and confirms

    Returns
    -------
    LogFormat

    Raises
    ------
    LogError : no column can be the samples' time, or a declared column is missing or holds no numbers
    """
    table = rows.table
    _check_declared(rows, declared.sensors)
    named = {table.place_of(declared.sensors.get(metric, metric)) for metric in SENSOR_METRICS}
    if rows.unreadable & named:
        # Names the line in which something else stands.
        read_columns(table, sorted(rows.unreadable & named))
    clock = _declared_clock(rows, declared) or find_clock(rows)
    elapsed = elapsed_of(rows, declared, has_clock=bool(clock))
    if not clock and elapsed is None:
        raise no_time(table)
    taken = {choice.column for choice in clock} | ({elapsed.column} if elapsed else set())
    sensors, findings = sensors_of_rows(rows, declared, taken=taken, with_questions=True)
    passed = passed_since_zero(table, clock)
    if passed is not None:
        clock, findings = (passed,), (passed_told(table, passed, can_declare=True), *findings)
    findings = (*time_counted(rows, elapsed), *findings)
    return LogFormat(
        "sensors", format_id_of(table), seen_in(table),
        clock=clock, elapsed=elapsed, sensors=sensors, findings=findings, date_order=declared.date_order,
    )  # fmt: skip


def _declared_clock(rows: LogRows, declared: Declaration) -> tuple[ColumnChoice, ...]:
    """Return the declared time column where it holds stamps of a clock."""
    if declared.sensor_time is None:
        return ()
    place = rows.table.place_of(declared.sensor_time)
    if place is None:
        raise no_such_column(rows.table, declared.sensor_time, "time of the samples")
    if place not in rows.is_clock:
        return ()
    why = "declared in the plan"
    return (ColumnChoice("clock_time", place, rows.label(place), "", why, Certainty.STATED),)


def _check_declared(rows: LogRows, sensors: Mapping[str, str]) -> None:
    """Raise where a declared column is not in the log, or holds no numbers."""
    faults: list[Fault] = []
    for metric, heading in sensors.items():
        place = rows.table.place_of(heading)
        if place is None:
            faults.extend(no_such_column(rows.table, heading, metric).faults)
        elif place in rows.unreadable:
            continue
        elif place not in rows.numbers or not np.isfinite(rows.numbers[place]).any():
            cell = rows.table.sample[0][place].strip()[:40]
            problem = f"{rows.label(place)}, declared as {metric}, holds no numbers (its first cell is {cell!r})."
            faults.append(Fault(rows.table.name, problem, "Correct [logs] in the plan."))
    if faults:
        raise LogError(faults)


def sensors_of_rows(
    rows: LogRows, declared: Declaration, *, taken: set[int], with_questions: bool = False
) -> tuple[tuple[ColumnChoice, ...], tuple[Finding, ...]]:
    """Return the columns of sensors, and what is only likely, asked or left out.

    Parameters
    ----------
    rows : the log
    declared : what the plan declares and confirms
    taken : columns that are something else
    with_questions : whether columns that could be sensors are asked for; not beside frames, where they are extras
    """
    confirmed = declared.confirmed(format_id_of(rows.table))
    found = _Sorted()
    declared_at = _declared_sensors(rows, declared, confirmed, found)
    for place, values in rows.numbers.items():
        known = values[np.isfinite(values)]
        numbers_rows = counts_rows(values) and rows.steps[place] >= 1 and rows.name(place) not in SENSOR_METRICS
        if place in taken or place in declared_at or numbers_rows or known.size < 5:
            continue
        _sort(rows, place, known, found)
    for place in declared_at:
        found.left_out = [one for one in found.left_out if one[0] != place]
    declared_metrics = {choice.role for place, choice in declared_at.items()}
    sensors = tuple(
        choice
        for metric in SENSOR_METRICS
        if metric in found.by_metric
        and (choice := _one_of(rows, metric, found, is_declared=metric in declared_metrics)) is not None
    )
    return sensors, _findings(rows, sensors, found, with_questions=with_questions)


def _declared_sensors(
    rows: LogRows, declared: Declaration, confirmed: ConfirmedFormat | None, found: _Sorted
) -> dict[int, ColumnChoice]:
    """Add the sensors that the plan declares or confirms, and return them by place."""
    asked = [(metric, heading, "", "declared in the plan") for metric, heading in declared.sensors.items()]
    if confirmed is not None:
        asked += [(metric, heading, unit, "confirmed in the plan") for metric, heading, unit in confirmed.sensors]
    by_place: dict[int, ColumnChoice] = {}
    for metric, heading, unit, why in asked:
        place = rows.table.place_of(heading)
        if place is None or place not in rows.numbers or metric not in METRICS:
            continue
        of_unit = known_unit(unit) if unit else None
        choice = _named(rows, place, metric=metric, why=why, unit=of_unit)
        if choice is not None:
            by_place[place] = choice
            found.by_metric[metric] = [choice]
    return by_place


def _named(rows: LogRows, place: int, *, metric: str, why: str, unit: Unit | None = None) -> ColumnChoice | None:
    """Return a sensor that is named: converted where its unit is stated, or can only be another one."""
    values = rows.numbers[place]
    known = values[np.isfinite(values)]
    if known.size == 0:
        return None
    unit = unit or rows.units[place]
    of_metric = METRICS[metric].unit
    factor, zero, written = 1.0, 0.0, of_metric
    if unit is not None and unit.quantity == _QUANTITY_OF_UNIT.get(of_metric):
        factor, zero, written = unit.factor, unit.zero, unit.written
    else:
        low, high, other, name = _OTHER_UNITS.get(metric, (0.0, 0.0, 1.0, ""))
        if low < abs(float(np.median(known))) < high:
            factor, written = other, name
    return ColumnChoice(metric, place, rows.label(place), written, why, Certainty.STATED, factor, zero=zero)


def _sort(rows: LogRows, place: int, known: np.ndarray, found: _Sorted) -> None:
    """Sort one column: a candidate for a metric, asked, or left out with the reason."""
    name, unit = rows.name(place), rows.units[place]
    if name.strip() in SENSOR_METRICS:
        choice = _named(rows, place, metric=name.strip(), why="its heading is exactly this metric's name")
        if choice is not None:
            found.add(choice)
        return
    reason = _against(name, unit)
    if reason:
        found.left_out.append((place, reason))
        return
    quantity = _quantity(rows, place, known, found)
    if quantity:
        _sort_by_quantity(rows, place, known, (quantity, found))


def _against(name: str, unit: Unit | None) -> str:
    """Return why a heading is no sensor of the card; empty where nothing says so."""
    if unit is not None and unit.quantity in ("time", ""):
        return f"its unit, {unit.written[:20]}, is none of a sensor"
    against = words_against(name)
    if against:
        return f"{' and '.join(repr(word) for word in sorted(against)[:3])} is not the card"
    if unit is not None and unit.quantity in ("rate", "current", "energy"):
        return f"a {unit.quantity} is not used"
    return ""


def _quantity(rows: LogRows, place: int, known: np.ndarray, found: _Sorted) -> str:
    """Return the quantity of a column; empty where it is asked, left out, or of no concern."""
    name, unit = rows.name(place), rows.units[place]
    words = words_of(without_brackets(name))
    order = ("power", "heat", "load", "clock", "fan", "volt", "sound", "energy", "rate")
    in_words = [quantity for quantity in order if words & QUANTITY[quantity]]
    if unit is not None and unit.quantity == "percent":
        if in_words and in_words != ["load"]:
            found.left_out.append((place, f"a share of {in_words[0]} is no load"))
            return ""
        if not in_words and not words_of(name) & CARD:
            found.asked.append((place, "load_pct"))
            return ""
        return "load"
    if unit is not None:
        if in_words and unit.quantity not in in_words and unit.quantity != "bytes":
            found.left_out.append((place, f"{in_words[0]} in {unit.written}"))
            return ""
        return unit.quantity
    if len(in_words) == 1:
        return "" if in_words[0] in ("energy", "rate") else in_words[0]
    kinds = fitting_metrics(known, rows.steps[place])
    if kinds:
        found.asked.append((place, " or ".join(kinds)))
    return ""


def _sort_by_quantity(rows: LogRows, place: int, known: np.ndarray, told: tuple[str, _Sorted]) -> None:
    """Sort a column whose quantity is known into a metric, with its certainty."""
    quantity, found = told
    name, unit = rows.name(place), rows.units[place]
    words, part = words_of(name), part_of(name)
    metric = (
        "wall_w"
        if quantity == "power" and words & WALL
        else _OF_PART.get((quantity, part), _METRIC.get(quantity, ""))
    )
    if not metric:
        found.left_out.append((place, f"{quantity} of the {part or 'machine'} is not used"))
        return
    card = words & (CARD if quantity == "power" else CARD - {"board"})
    if unit is None:
        kinds = fitting_metrics(known, rows.steps[place])
        is_like = metric in kinds or (metric in ("hotspot_c", "memory_c") and "core_c" in kinds)
        if not is_like:
            found.asked.append((place, f"{metric}, in which unit"))
            return
        why = f"its heading says {', '.join(sorted(words & QUANTITY[quantity]))}, and states no unit"
        found.add(ColumnChoice(metric, place, rows.label(place), METRICS[metric].unit, why, Certainty.LIKELY))
        return
    is_stated = bool(card) or metric in _NAMED_PARTS
    whose = "and names the card" if card else "and names the part" if is_stated else "but does not say of what"
    why = f"its heading states {unit.written} {whose}"
    certainty = Certainty.STATED if is_stated else Certainty.LIKELY
    found.add(
        ColumnChoice(metric, place, rows.label(place), unit.written, why, certainty, unit.factor, zero=unit.zero)
    )


def _one_of(rows: LogRows, metric: str, found: _Sorted, *, is_declared: bool) -> ColumnChoice | None:
    """Return the one column of a metric; None where none is possible, or two are as sure as each other."""
    possible = []
    for choice in found.by_metric[metric]:
        values = choice.in_unit_of_role(rows.numbers[choice.column])
        known = values[np.isfinite(values)]
        low, high = BOUNDS.get(metric, (-np.inf, np.inf))
        if known.size and ((known >= low) & (known <= high)).mean() < _SHARE_POSSIBLE:
            median = float(np.median(known))
            found.asked.append(
                (choice.column, f"{metric}, though values about {median:.4g} cannot be; in which unit")
            )
        else:
            possible.append(choice)
    best = max((choice.certainty for choice in possible), default=Certainty.OPEN)
    top = [choice for choice in possible if choice.certainty == best]
    if len(top) == 1 or (top and is_declared):
        return top[0]
    found.asked.extend((choice.column, metric) for choice in top)
    return None


def _findings(
    rows: LogRows, sensors: tuple[ColumnChoice, ...], found: _Sorted, *, with_questions: bool
) -> tuple[Finding, ...]:
    """Return what is to be said about the columns of sensors."""
    name, notes = rows.table.name, []
    for choice in sensors:
        unit = METRICS[choice.role].unit
        if choice.factor != 1.0 or choice.zero:
            how = "can only be" if rows.units[choice.column] is None else "are"
            message = f"{name}: values of {choice.label} {how} in {choice.unit}; they were turned into {unit}."
            notes.append(Finding("note", "sensor_unit_taken", message, found=choice.factor))
        if choice.certainty == Certainty.LIKELY:
            message = f"{name}: {choice.label} is likely {choice.role}: {choice.why}."
            action = (
                "It is shown and not used in verdicts. If it is right, say so in the plan: [logs] sensors = "
                f"{{ {choice.role} = {quoted(rows.table.key(choice.column))} }}"
            )
            notes.append(Finding("note", "sensor_likely", message, action=action))
    notes += _without_values(rows)
    if with_questions and found.asked:
        notes.append(_question(rows, found.asked))
    power = [(place, why) for place, why in found.left_out if with_questions]
    if power:
        shown = "; ".join(f"{rows.label(place)} ({why})" for place, why in power[:8])
        notes.append(Finding("note", "columns_left_out", f"{name}: not used: {shown}.", found=float(len(power))))
    return tuple(notes)


def _question(rows: LogRows, asked: list[tuple[int, str]]) -> Finding:
    """Return the question which sensor a column is."""
    shown = "; ".join(f"{rows.label(place)} could be {what}" for place, what in asked[:10])
    message = f"{rows.table.name}: sensors cannot be told apart and are not used: {shown}."
    first: dict[str, int] = {}
    for place, what in asked[:10]:
        first.setdefault(what.split(" or ")[0].split(",")[0], place)
    pairs = ", ".join(f"{metric} = {quoted(rows.table.key(place))}" for metric, place in first.items())
    action = f"Say which is which in the plan, for example: [logs] sensors = {{ {pairs} }}"
    return Finding("note", "sensors_unclear", message, found=float(len(asked)), action=action)


def _without_values(rows: LogRows) -> list[Finding]:
    """Return a finding for each column headed by a metric name that holds no number."""
    found, table = [], rows.table
    for metric in SENSOR_METRICS:
        place = table.place_of(metric)
        if place is None or (place in rows.numbers and np.isfinite(rows.numbers[place]).any()):
            continue
        cell = next((row[place] for row in table.sample if row[place].strip()), "")
        shown = f"the first is {cell.strip()[:30]!r}" if cell else "its cells are empty"
        message = (
            f"{table.name}: {table.label(place)} holds no numbers in the first rows ({shown}); it is not used."
        )
        found.append(Finding("note", "sensor_without_values", message))
    return found


def possible_samples(values: np.ndarray, metric: str) -> tuple[np.ndarray, int]:
    """Return samples without impossible ones and stray zeros, and how many these are.

    Parameters
    ----------
    values : array of shape (n,), in the metric's unit
    metric : name of the metric
    """
    low, high = BOUNDS.get(metric, (-np.inf, np.inf))
    with np.errstate(invalid="ignore"):
        is_bad = (values < low) | (values > high)
    if metric in ("board_w", "core_mv", "core_c", "core_mhz"):
        is_stray = np.zeros(values.size, dtype=bool)
        zeros = np.flatnonzero(values == 0)
        inner = zeros[(zeros > 0) & (zeros < values.size - 1)]
        is_stray[inner] = (values[inner - 1] > 0) & (values[inner + 1] > 0)
        is_bad |= is_stray
    if not is_bad.any():
        return values, 0
    return np.where(is_bad, np.nan, values), int(is_bad.sum())
