"""The columns of samples: sensors by declaration, exact metric name, stated unit, or single words; and their time.

What the values look like never makes a column a sensor; it only leaves one out, or asks. A word against a column
counts for more than a unit for it: a processor's watts are watts too.
"""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from gpubench_kit.logs.clock import counts_rows, find_clock, passed_since_zero, passed_told
from gpubench_kit.logs.format import Certainty, ColumnChoice, Declaration, LogFormat, format_id_of, seen_in
from gpubench_kit.logs.log_table import HEAD_BYTES, LogRows
from gpubench_kit.logs.sample_time import declared_clock, elapsed_of, no_time, time_counted
from gpubench_kit.logs.text_table import no_such_column, read_columns
from gpubench_kit.model.errors import Fault, LogError
from gpubench_kit.model.metrics import BOUNDS, METRICS, REACHED, SENSOR_METRICS, fitting_metrics
from gpubench_kit.model.questions import quoted
from gpubench_kit.model.tables import Finding
from gpubench_kit.model.words import (
    CARD,
    CARD_MEMORY,
    DOUBTFUL_WALL,
    OF_METERS,
    OTHER,
    QUANTITY,
    WALL,
    Unit,
    fold,
    known_unit,
    number_of_device,
    part_of,
    unknown_words,
    without_brackets,
    words_against,
    words_of,
)
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.notes import note

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

#: Words for what a board has that is not the card's.
_ON_BOARDS = QUANTITY["heat"] | QUANTITY["fan"]

#: Metrics that need no word for the card beside a stated unit: the heading names the part itself.
_NAMED_PARTS = frozenset({"memory_c", "memory_mhz", "memory_used_gb", "hotspot_c", "wall_w", "sound_dba"})

#: Share of samples that must be possible.
_SHARE_POSSIBLE = 0.8

#: Metrics that logs also hold in another unit: medians between which that must be so, the factor and the unit.
_OTHER_UNITS = {"core_mv": (0.2, 5.0, 1000.0, "V"), "memory_used_gb": (256.0, 262_144.0, 1 / 1024, "MB")}

#: Medians of the mains of any country [V].
_MAINS_V = ((90.0, 135.0), (195.0, 260.0))

#: How often the idle median, and how much, the memory of a card at work reaches, and no other: it steps its clock
#: up, or is as hot [MHz, °C]; and samples that both medians need.
_RISES, _SAMPLES_OF_MEDIAN = {"memory_mhz": (5.0, 500.0), "memory_c": (1.1, 72.0)}, 12

#: A part of the machine that a heading numbers 0, so that a card of number 1 is the second one.
_NUMBERED_ZERO = re.compile(r"[^\W\d_][\s#:._\[(-]{0,3}0(?![\w.,])")


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
    faults: list[Fault] = []
    for metric, heading in declared.sensors.items():
        place = rows.table.place_of(heading)
        if place is None:
            faults.extend(no_such_column(rows.table, heading, metric).faults)
        elif place not in rows.unreadable and not np.isfinite(rows.numbers.get(place, np.nan)).any():
            cell = rows.table.sample[0][place].strip()[:40]
            problem = f"{rows.label(place)}, declared as {metric}, holds no numbers (its first cell is {cell!r})."
            faults.append(Fault(rows.table.name, problem, "Correct [logs] in the plan."))
    if faults:
        raise LogError(faults)
    named = {rows.table.place_of(declared.sensors.get(metric, metric)) for metric in SENSOR_METRICS}
    if rows.unreadable & named:
        # Names the line in which something else stands.
        read_columns(rows.table, sorted(rows.unreadable & named))
    clock = declared_clock(rows, declared) or find_clock(rows)
    elapsed = elapsed_of(rows, declared, has_clock=bool(clock))
    if not clock and elapsed is None:
        raise no_time(rows)
    taken = {choice.column for choice in clock} | ({elapsed.column} if elapsed else set())
    sensors, findings = sensors_of_rows(rows, declared, taken=taken, with_questions=True)
    passed = passed_since_zero(table, clock)
    if passed is not None:
        clock, findings = (passed,), (passed_told(table, passed, can_declare=True), *findings)
    return LogFormat(
        "sensors", format_id_of(table), seen_in(table), clock=clock, elapsed=elapsed, sensors=sensors,
        findings=(*time_counted(rows, elapsed), *findings), date_order=declared.date_order,
    )  # fmt: skip


@dataclass(frozen=True)
class _Doubt:
    """A column that is no sensor, with the reason; or that is asked for, what it could be, and the likeliest."""

    column: int
    text: str
    metric: str = ""


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
    by_metric, doubts = _declared_sensors(rows, declared)
    is_declared = frozenset(by_metric)
    taken = taken | {choices[0].column for choices in by_metric.values()}
    for place, values in rows.numbers.items():
        numbers_rows = counts_rows(values) and rows.steps[place] >= 1 and rows.name(place) not in SENSOR_METRICS
        if place in taken or numbers_rows or np.isfinite(values).sum() < 5:
            continue
        found = _classify(rows, place)
        if isinstance(found, ColumnChoice):
            by_metric.setdefault(found.role, []).append(found)
        elif found is not None:
            doubts.append(found)
    _take_for_wall_meter(rows, by_metric, doubts)
    one_of = [
        _one_of(rows, by_metric[metric], doubts, metric in is_declared)
        for metric in SENSOR_METRICS
        if metric in by_metric
    ]
    known = [choice for choice in one_of if choice is not None]
    known = [_of_card_by_values(rows, choice, known) for choice in known]
    # A card of which a log tells a second one is as little the one under test as the second.
    headings = [rows.name(one.column) for one in itertools.chain(*by_metric.values()) if one.role != "wall_w"]
    cards = {number_of_device(heading) for heading in headings} - {""}
    from_zero = any(map(_NUMBERED_ZERO.search, rows.table.dialect.names))
    are_several = len(cards) > 1 or any(int(number) > 1 - from_zero for number in cards)
    sensors = tuple(
        replace(one, certainty=min(one.certainty, Certainty.LIKELY), why=say("evidence.sensors.one_of_several"))
        if one.role not in is_declared
        and (number_of_device(rows.name(one.column)) if one.role == "wall_w" else are_several)
        else one
        for one in known
    )
    on_values, table = [], rows.table
    for headed in (table.place_of(metric) for metric in SENSOR_METRICS):
        if headed is None or np.isfinite(rows.numbers.get(headed, np.nan)).any():
            continue
        cell = next((row[headed] for row in table.sample if row[headed].strip()), "")
        shown = (
            say("evidence.sensors.first_cell", cell=repr(cell.strip()[:30]))
            if cell
            else say("evidence.sensors.cells_empty")
        )
        on_values.append(
            note("logs.sensor_without_values", name=table.name, label=table.label(headed), shown=shown)
        )
    findings = [finding for sensor in sensors for finding in _on_sensor(rows, sensor)] + on_values
    return sensors, (*findings, *(_on_doubts(rows, doubts) if with_questions else ()))


def _declared_sensors(rows: LogRows, declared: Declaration) -> tuple[dict[str, list[ColumnChoice]], list[_Doubt]]:
    """Return the sensors that the plan declares or confirms, one by metric, and those whose unit the log denies."""
    asked = [(metric, heading, "", say("evidence.declared")) for metric, heading in declared.sensors.items()]
    confirmed = declared.confirmed(format_id_of(rows.table))
    if confirmed is not None:
        asked += [(metric, heading, unit, say("evidence.confirmed")) for metric, heading, unit in confirmed.sensors]
    found, doubts = {}, []
    for metric, heading, unit, why in asked:
        place = rows.table.place_of(heading)
        if (
            place is not None
            and place in rows.numbers
            and metric in METRICS
            and np.isfinite(rows.numbers[place]).any()
        ):
            stated, written = known_unit(unit) if unit else None, rows.units[place]
            if (
                stated
                and written
                and written.quantity
                and replace(written, written="") != replace(stated, written="")
            ):
                what = say("evidence.sensors.units_differ", metric=metric, unit=unit, written=written.written)
                doubts.append(_Doubt(place, what, metric))
                continue
            found[metric] = [_named(rows, place, metric, why=why, unit=stated)]
    return found, doubts


def _named(rows: LogRows, place: int, metric: str, *, why: str, unit: Unit | None = None) -> ColumnChoice:
    """Return a sensor that is named: converted where its unit is stated, or can only be another one."""
    unit, own = unit or rows.units[place], METRICS[metric].unit
    choice = ColumnChoice(metric, place, rows.label(place), own, why, Certainty.STATED)
    if unit is not None and unit.quantity == getattr(known_unit(own), "quantity", ""):
        return replace(choice, unit=unit.written, factor=unit.factor, zero=unit.zero)
    low, high, factor, written = _OTHER_UNITS.get(metric, (0.0, 0.0, 1.0, ""))
    is_other = low < abs(float(np.nanmedian(rows.numbers[place]))) < high
    return replace(choice, unit=written, factor=factor) if is_other else choice


def _classify(rows: LogRows, place: int) -> ColumnChoice | _Doubt | None:
    """Return what a column is: a candidate for a metric, asked, left out with the reason, or of no concern."""
    name, unit = rows.name(place), rows.units[place]
    if name.strip() in SENSOR_METRICS:
        return _named(rows, place, name.strip(), why=say("evidence.sensors.metric_name"))
    if unit is not None and unit.quantity in ("time", ""):
        return _Doubt(place, say("evidence.sensors.other_unit", unit=unit.written[:20]))
    against = words_against(name)
    if against:
        return _Doubt(
            place,
            say(
                "evidence.sensors.not_the_card",
                words=say("list.and").join(repr(word) for word in sorted(against)[:3]),
            ),
        )
    if unit is not None and unit.quantity in ("rate", "current", "energy"):
        return _Doubt(place, say("evidence.sensors.quantity_not_used", quantity=_quantity(unit.quantity)))
    words = words_of(without_brackets(name))
    order = ("power", "heat", "load", "clock", "fan", "volt", "sound", "energy", "rate")
    in_words = [quantity for quantity in order if words & QUANTITY[quantity]]
    if unit is not None and unit.quantity == "percent":
        if in_words and in_words != ["load"]:
            return _Doubt(place, say("evidence.sensors.share_is_no_load", quantity=_quantity(in_words[0])))
        is_of_card = in_words or words_of(name) & CARD
        return _of_quantity(rows, place, "load") if is_of_card else _Doubt(place, "load_pct", "load_pct")
    if unit is not None:
        others = [one for one in in_words if one not in (unit.quantity, "load")]
        is_denied = bool(others) or (in_words and unit.quantity not in in_words)
        if is_denied and unit.quantity != "bytes":
            what = _quantity((others or in_words)[0])
            return _Doubt(place, say("evidence.sensors.in_other_unit", quantity=what, unit=unit.written))
        return _of_quantity(rows, place, unit.quantity)
    if len(in_words) == 1:
        return None if in_words[0] in ("energy", "rate") else _of_quantity(rows, place, in_words[0])
    kinds = fitting_metrics(rows.numbers[place], rows.steps[place])
    return _Doubt(place, say("list.or").join(kinds), kinds[0]) if kinds else None


def _quantity(name: str) -> str:
    """Return the word for a quantity."""
    return say(f"evidence.quantity.{name}")


def _of_quantity(rows: LogRows, place: int, quantity: str) -> ColumnChoice | _Doubt:
    """Return a column whose quantity is known as a metric, with its certainty."""
    name, unit = rows.name(place), rows.units[place]
    words, part = words_of(name), part_of(name)
    metric = _OF_PART.get((quantity, part), _METRIC.get(quantity, ""))
    metric = "wall_w" if quantity == "power" and words & WALL else metric
    if not metric or part == "supply":
        return _Doubt(
            place,
            say(
                "evidence.sensors.part_not_used",
                quantity=_quantity(quantity),
                part=say(f"evidence.part.{part or 'machine'}"),
            ),
        )
    choice = ColumnChoice(metric, place, rows.label(place), METRICS[metric].unit, "", Certainty.LIKELY)
    if unit is None:
        kinds = fitting_metrics(rows.numbers[place], rows.steps[place])
        if metric not in kinds and not (metric in ("hotspot_c", "memory_c") and "core_c" in kinds):
            return _Doubt(place, say("evidence.sensors.which_unit", metric=metric), metric)
        said = ", ".join(sorted(words & QUANTITY[quantity]))
        return replace(choice, why=say("evidence.sensors.no_unit", words=said))
    card = words & (CARD if quantity == "power" else CARD - {"board"})
    # A board that has a temperature or a fan beside its power may be the one that all parts sit on.
    boards = [words_of(one) for one in rows.table.dialect.names if card == {"board"}]
    card = (
        frozenset()
        if any("board" in one and one & _ON_BOARDS and not one & CARD - {"board"} for one in boards)
        else card
    )
    card -= {"card"} if re.search(r"\bmem(ory)?\W+card", fold(name)) else frozenset()
    # The socket of a card is none in the wall.
    is_doubtful = metric == "wall_w" and (card or words & WALL <= DOUBTFUL_WALL)
    is_doubtful = is_doubtful or (part == "memory" and not words & CARD_MEMORY)
    is_named = bool(card and metric != "wall_w") or (metric in _NAMED_PARTS and not is_doubtful)
    # A word that is not understood may name a part of the card, or what is no reading of it.
    strange = unknown_words(name, unit) if is_named else []
    is_stated, whose = is_named and not strange, "strange" if strange else "card" if card else "part"
    return replace(
        choice,
        unit=unit.written,
        why=say(
            f"evidence.sensors.states_unit_and_{whose if is_named else 'nothing'}",
            unit=unit.written,
            words=say("list.and").join(strange[:3]),
        ),
        certainty=Certainty.STATED if is_stated else Certainty.LIKELY,
        factor=unit.factor,
        zero=unit.zero,
    )


def _take_for_wall_meter(rows: LogRows, by_metric: dict[str, list[ColumnChoice]], doubts: list[_Doubt]) -> None:
    """Take the one power of a log that no heading calls the card's for that at the wall, where the log says so.

    Volts of the mains beside it prove a wall meter; so do words of one only make it likely.
    """
    names, watts = rows.table.dialect.names, by_metric.get("board_w", [])
    is_open = [one.certainty for one in watts] == [Certainty.LIKELY] and "wall_w" not in by_metric
    if not is_open or words_of(names[watts[0].column]) & CARD:
        return
    mains = []
    for place, unit in enumerate(rows.units):
        if unit is not None and unit.quantity == "volt" and place in rows.numbers:
            low_v, usual_v, high_v = np.nanquantile(rows.numbers[place], [0.02, 0.5, 0.98]) * unit.factor / 1000.0
            mains += (
                [place] if any(low <= usual_v <= high for low, high in _MAINS_V) and high_v < 1.15 * low_v else []
            )
    lines = rows.table.text[:HEAD_BYTES].decode("utf-8", "replace").split("\n")[: rows.table.dialect.n_preamble]
    words = frozenset().union(*map(words_of, (*names, *lines)))
    if not mains and not words & (WALL - DOUBTFUL_WALL | OF_METERS):
        return
    is_meter = bool(mains) and not any(words_of(name) & (CARD | OTHER) for name in names)
    is_meter = is_meter and not unknown_words(names[watts[0].column], rows.units[watts[0].column])
    certainty = Certainty.STATED if is_meter and rows.units[watts[0].column] else Certainty.LIKELY
    why = say(f"evidence.sensors.beside_{'mains' if mains else 'words_of_meters'}")
    by_metric["wall_w"] = [replace(watts[0], role="wall_w", why=why, certainty=certainty)]
    # What else a wall meter writes is not the card's.
    for metric in set(by_metric) - {"wall_w"} if is_meter else {"board_w"}:
        del by_metric[metric]
    doubts[:] = [one for one in doubts if not (one.metric and is_meter)]


def _of_card_by_values(rows: LogRows, choice: ColumnChoice, known: list[ColumnChoice]) -> ColumnChoice:
    """Return a clock or heat of memory as the card's where it does with the card's load what no other memory does.

    That needs a log which names the card and no other part. Fans of a case turn with the load, too, and are asked.
    """
    unit, names = rows.units[choice.column], rows.table.dialect.names
    is_waiting = choice.role in _RISES and choice.certainty == Certainty.LIKELY and unit is not None
    if (
        not is_waiting
        or unknown_words(names[choice.column], unit)
        or any(words_against(one) & OTHER for one in names)
    ):
        return choice
    sure = (one for one in known if one.certainty == Certainty.STATED and one.role in ("load_pct", "board_w"))
    loads = [rows.numbers[one.column] for one in sure if words_of(names[one.column]) & (CARD - {"board"})]
    values = choice.in_unit_of_role(rows.numbers[choice.column])
    for load in loads[-1:]:
        is_busy = load > np.nanquantile(load, [0.02, 0.98]).mean()
        busy, idle = (values[part & np.isfinite(values)] for part in (is_busy, ~is_busy))
        times, least = _RISES[choice.role]
        are_enough = min(busy.size, idle.size) >= _SAMPLES_OF_MEDIAN
        if are_enough and np.median(busy) >= max(least, times * np.median(idle)):
            return replace(choice, certainty=Certainty.STATED, why=say("evidence.sensors.follows_the_card"))
    return choice


def _one_of(
    rows: LogRows, choices: list[ColumnChoice], doubts: list[_Doubt], is_declared: bool
) -> ColumnChoice | None:
    """Return the one column of a metric; None where none is possible, or two are as sure as each other."""
    possible, metric = [], choices[0].role
    low, high = BOUNDS.get(metric, (-np.inf, np.inf))
    for choice in choices:
        values = choice.in_unit_of_role(rows.numbers[choice.column])
        known = values[np.isfinite(values)]
        is_low = known.size and 0 < np.quantile(known, 0.98) < REACHED.get(metric, 0.0)
        # Memory in use moves when a game starts; what there is of it does not.
        is_low = is_low or (metric == "memory_used_gb" and known.size and known.min() == known.max())
        if is_low or (known.size and ((known >= low) & (known <= high)).mean() < _SHARE_POSSIBLE):
            what = say("evidence.sensors.cannot_be", metric=metric, usual=float(np.median(known)))
            doubts.append(_Doubt(choice.column, what, metric))
        else:
            possible.append(choice)
    best = max((choice.certainty for choice in possible), default=Certainty.OPEN)
    top = [choice for choice in possible if choice.certainty == best]
    if len(top) == 1 or (top and is_declared):
        return top[0]
    doubts.extend(_Doubt(choice.column, metric, metric) for choice in top)
    return None


def _on_sensor(rows: LogRows, choice: ColumnChoice) -> list[Finding]:
    """Return what is to be said about one sensor."""
    name, notes, unit = rows.table.name, [], METRICS[choice.role].unit
    about: dict[str, Any] = {"name": name, "label": choice.label}
    if choice.factor != 1.0 or choice.zero:
        how = "inferred" if rows.units[choice.column] is None else "stated"
        taken: dict[str, Any] = {"read": choice.unit, "made": unit, "found": choice.factor}
        notes.append(note(f"logs.sensor_unit_taken.{how}", check="sensor_unit_taken", **taken, **about))
    if choice.certainty == Certainty.LIKELY:
        line = f"[logs] sensors = {{ {choice.role} = {quoted(rows.table.key(choice.column))} }}"
        notes.append(note("logs.sensor_likely", metric=choice.role, quantity=METRICS[choice.role].label,
                          why=choice.why, line=line, **about))  # fmt: skip
    return notes


def _on_doubts(rows: LogRows, doubts: list[_Doubt]) -> list[Finding]:
    """Return the question which sensor columns are, and what was left out."""
    asked = [one for one in doubts if one.metric]
    left_out, notes, first = [one for one in doubts if not one.metric], [], dict[str, int]()
    name = rows.table.name
    if asked:
        for one in asked[:10]:
            first.setdefault(one.metric, one.column)
        shown = "; ".join(
            say("evidence.sensors.could_be", label=rows.label(one.column), metrics=one.text) for one in asked[:10]
        )
        pairs = ", ".join(f"{metric} = {quoted(rows.table.key(place))}" for metric, place in first.items())
        line = f"[logs] sensors = {{ {pairs} }}"
        notes.append(note("logs.sensors_unclear", name=name, shown=shown, found=len(asked), line=line))
    if left_out:
        shown = "; ".join(f"{rows.label(one.column)} ({one.text})" for one in left_out[:8])
        notes.append(note("logs.columns_left_out", name=name, shown=shown, found=len(left_out)))
    return notes
