"""Sensors whose column is declared, or headed by exactly a metric name of the kit."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np

from gpubench_kit.logs.find_columns import ColumnChoice, Sample
from gpubench_kit.logs.stated_units import StatedUnit, stated_unit
from gpubench_kit.logs.text_table import LogTable
from gpubench_kit.model.findings import Finding
from gpubench_kit.model.metrics import METRICS, SENSOR_METRICS

#: Metrics that logs also hold in another unit: medians below or above which that must be so, and the factor.
_OTHER_UNITS = {
    "core_mv": (0.2, 5.0, 1000.0, "V"),
    "memory_used_gb": (256.0, 262_144.0, 1 / 1024, "MB"),
}


def sensors_by_name(
    table: LogTable, sample: Sample, declared: Mapping[str, str], *, taken: set[int]
) -> tuple[ColumnChoice, ...]:
    """Return the sensors that are declared, or headed by exactly a metric name of the kit.

    Parameters
    ----------
    table, sample : the log and its first rows
    declared : heading by metric
    taken : columns that are something else
    """
    choices = []
    for metric in SENSOR_METRICS:
        column = table.place_of(declared.get(metric, metric))
        known = np.empty(0) if column is None or column in taken else sample.values[:, column]
        known = known[np.isfinite(known)]
        if known.size:
            why = "declared in the plan" if metric in declared else "its heading is exactly this metric's name"
            told = _stated(table, column, metric) or _unit_of(metric, float(np.median(known)))
            taken_for = (metric, column, table.label(column), told.written, why)
            choices.append(ColumnChoice(*taken_for, 1.0, told.factor, zero=told.zero))
    return tuple(choices)


def converted(table: LogTable, choices: Iterable[ColumnChoice]) -> list[Finding]:
    """Return a finding for each sensor whose values are in another unit than its metric's.

    Parameters
    ----------
    table : the log
    choices : its sensors
    """
    found = []
    for choice in (one for one in choices if one.factor != 1.0 and (one.confidence == 1.0 or one.zero)):
        unit = METRICS[choice.role].unit
        how = "can only be" if stated_unit(table, choice.column) is None else "are"
        message = f"{table.name}: values of {choice.label} {how} in {choice.unit}; they were turned into {unit}."
        found.append(Finding("note", "sensor_unit_taken", message, found=choice.factor))
    return found


def without_values(table: LogTable, sample: Sample, taken: set[int]) -> list[Finding]:
    """Return a finding for each column headed by a metric name whose first rows hold no number."""
    found = []
    for metric in SENSOR_METRICS:
        column = table.place_of(metric)
        if column is not None and column not in taken and not np.isfinite(sample.values[:, column]).any():
            cell = next((row[column] for row in table.sample if row[column].strip()), "")
            shown = f"the first is {cell.strip()[:30]!r}" if cell else "its cells are empty"
            message = (
                f"{table.name}: {table.label(column)} holds no numbers in the first rows ({shown}); it is not used."
            )
            found.append(Finding("note", "sensor_without_values", message))
    return found


def _stated(table: LogTable, column: int, metric: str) -> StatedUnit | None:
    """Return the unit that the log states for a sensor; None where it does not."""
    stated = stated_unit(table, column)
    return stated if stated and stated.unit == METRICS[metric].unit else None


def _unit_of(metric: str, median: float) -> StatedUnit:
    """Return the unit that a sensor's values must be in."""
    low, high, factor, unit = _OTHER_UNITS.get(metric, (0.0, 0.0, 1.0, ""))
    of_metric = METRICS[metric].unit
    return (
        StatedUnit(unit, of_metric, factor) if low < abs(median) < high else StatedUnit(of_metric, of_metric, 1.0)
    )
