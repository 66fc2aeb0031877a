"""Sensors that were taken by their first values, held against all values of the log."""

from __future__ import annotations

from dataclasses import replace

from gpubench_kit.logs.find_columns import ColumnChoice
from gpubench_kit.logs.find_sensor_columns import SensorColumns, is_guess, line_of_sensor
from gpubench_kit.logs.kinds import is_within
from gpubench_kit.logs.text_table import Columns, LogTable
from gpubench_kit.model.findings import Finding


def with_guesses_that_hold(table: LogTable, columns: SensorColumns, read: Columns) -> SensorColumns:
    """Return the columns without guessed sensors that later rows contradict, and a finding on each guess.

    Parameters
    ----------
    table : the log
    columns : what its columns are, by its first rows
    read : all rows
    """
    guesses = [one for one in columns.sensors if is_guess(one)]
    dropped = [one for one in guesses if not is_within(one.in_unit_of_role(read.numbers[one.column]), one.role)]
    told = [_dropped(table, one) if one in dropped else _guessed(table, one) for one in guesses]
    sensors = tuple(one for one in columns.sensors if one not in dropped)
    return replace(columns, sensors=sensors, findings=(*columns.findings, *told))


def _guessed(table: LogTable, choice: ColumnChoice) -> Finding:
    """Return the finding on a sensor that was taken by its values."""
    message = f"{table.name}: {choice.label} was taken for {choice.role}: {choice.why}."
    action = f"Pin it in the plan: {line_of_sensor(table, choice)}"
    return Finding("note", "sensor_guessed", message, found=choice.confidence, action=action)


def _dropped(table: LogTable, choice: ColumnChoice) -> Finding:
    """Return the finding on a sensor whose later values are not what its first ones seemed."""
    message = (
        f"{table.name}: {choice.label} looked like {choice.role} in the first rows, but later values cannot be "
        "that; it is not used."
    )
    action = f"If it is, say so in the plan: {line_of_sensor(table, choice)}"
    return Finding("note", "sensor_guess_dropped", message, action=action)
