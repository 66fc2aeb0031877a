"""The metrics that the kit knows: one row each, with unit, direction, scale, place on the page and wording.

The formulas are bound to these names in ``metrics/per_run.py``. The list stands on the lowest
layer so that a misspelt metric in a plan or a run sheet is reported before any log is read.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Metric:
    """One quantity, of which each run has one value: everything that the kit knows of it but its formula.

    Attributes
    ----------
    name : as in plans, run sheets and tables
    label : as in running text and chart titles, without the unit
    unit : unit of the value, empty where there is none
    better : ``higher``, ``lower`` or ``neither``
    scale : ``ratio`` (compared on natural logs, change in percent) or ``difference``
        (compared in the unit; zeros are legal)
    needs : ``frames``, ``sensors``, ``both`` or ``sheet`` (typed by hand only)
    purpose : the purpose of the runs that its verdicts use: ``measure`` or ``soak``, since heat
        carries over between short alternating runs
    help : one line for the viewer
    section : where the page shows it: ``rate``, ``lows``, ``frame_times``, ``power``, ``energy``, ``clocks``,
        ``heat`` or ``other``. The first of ``lows`` that a plan has stands beside the primary metric, with a
        part of the page's level of its own
    rank : its place in the headline among those of its section: of each of ``rate``, ``lows`` with ``frame_times``,
        and ``power`` with ``energy`` the first that was compared has a tile, the others stand in one line;
        0: not in the headline
    noise_pct : noise of a game that nobody has measured yet [%]; None: not known, so that nothing is planned by it
    head, short : at the head of a column, and on an axis or in a list; the label where they are empty
    most : key of ``[checks]`` that no value may exceed; empty for none
    is_capped : whether a cap or a frame limit holds it
    is_by_power_measured_at : whether it depends on where the card's power was measured
    needs_fine_times : whether frame times written coarsely withhold it
    """

    name: str
    label: str
    unit: str
    better: str
    scale: str
    needs: str
    purpose: str
    help: str
    section: str = "other"
    rank: int = 0
    noise_pct: float | None = None
    head: str = ""
    short: str = ""
    most: str = ""
    is_capped: bool = False
    is_by_power_measured_at: bool = False
    needs_fine_times: bool = False


#: Typical noise, one run to the next as a standard deviation. Average frame rate: what the simulations behind this
#: kit's error rates assume of a game in the middle. 1 % lows: the middle of the 1 to 4 % found in practice; 0.1 %
#: lows: its upper end. Power is taken to be as steady as the average frame rate, and pacing as the 1 % lows.
_STEADY, _LOW, _LOWEST = 0.6, 2.0, 4.0

_ROWS = (
    Metric("avg_fps", "average frame rate", "fps", "higher", "ratio", "frames", "measure",
           "Frames divided by the time they took.", "rate", 1, _STEADY,
           head="Frame rate", short="FPS", most="most_fps", is_capped=True),
    Metric("low_1pct_fps", "1 % low", "fps", "higher", "ratio", "frames", "measure",
           "The slowest 1 % of frames: how it feels when it is at its worst.", "lows", 1, _LOW,
           is_capped=True, needs_fine_times=True),
    Metric("low_0p1pct_fps", "0.1 % low", "fps", "higher", "ratio", "frames", "measure",
           "The slowest 0.1 % of frames; it needs many frames.", "lows", 2, _LOWEST,
           is_capped=True, needs_fine_times=True),
    Metric("median_frame_ms", "median frame time", "ms", "lower", "ratio", "frames", "measure",
           "Half of the frames took longer than this.", "frame_times", 1, _STEADY, is_capped=True),
    Metric("pacing_ms", "frame pacing", "ms", "lower", "ratio", "frames", "measure",
           "How much each frame time differs from the one before, on average.", "lows", 3, _LOW,
           needs_fine_times=True),
    Metric("hitch_ms_per_min", "time lost to hitches", "ms/min", "lower", "difference", "frames", "measure",
           "Milliseconds lost per minute to frames far slower than those around them.", "frame_times", 2,
           needs_fine_times=True),
    Metric("board_w", "board power", "W", "lower", "ratio", "sensors", "measure",
           "Mean power of the card while the scene ran.", "power", 1, _STEADY,
           short="power", most="most_w", is_by_power_measured_at=True),
    Metric("wall_w", "power at the wall", "W", "lower", "ratio", "sensors", "measure",
           "Mean power of the whole machine at the wall while the scene ran.", "power", 2, _STEADY),
    Metric("energy_per_frame_j", "energy per frame", "J", "lower", "ratio", "both", "measure",
           "Mean power divided by average frame rate.", "energy", 1, _STEADY, is_by_power_measured_at=True),
    Metric("frames_per_j", "performance per watt", "1/J", "higher", "ratio", "both", "measure",
           "Frames drawn for each joule of energy.", "energy", 0, _STEADY, is_by_power_measured_at=True),
    Metric("core_c", "core temperature", "°C", "lower", "difference", "sensors", "soak",
           "Mean temperature of the GPU.", "heat", 2, most="most_c"),
    Metric("hotspot_c", "hot-spot temperature", "°C", "lower", "difference", "sensors", "soak",
           "Mean temperature of the hottest point of the GPU.", "heat", 3, most="most_c"),
    Metric("memory_c", "memory temperature", "°C", "lower", "difference", "sensors", "soak",
           "Mean temperature of the VRAM.", "heat", 0, most="most_c"),
    Metric("fan_rpm", "fan speed", "rpm", "lower", "difference", "sensors", "soak",
           "Mean speed of the card's fans.", "heat", 4),
    Metric("sound_dba", "sound level", "dBA", "lower", "difference", "sheet", "soak",
           "Sound level at the stated distance, typed by hand.", "heat", 5),
    Metric("core_mhz", "core clock", "MHz", "neither", "ratio", "sensors", "measure",
           "Mean clock of the GPU.", "clocks", 1, _STEADY),
    Metric("memory_mhz", "memory clock", "MHz", "neither", "ratio", "sensors", "measure",
           "Mean clock of the VRAM.", "clocks", 0, _STEADY),
    Metric("core_mv", "core voltage", "mV", "neither", "ratio", "sensors", "measure",
           "Mean voltage of the GPU.", "clocks", 0, _STEADY),
    Metric("load_pct", "GPU load", "%", "neither", "difference", "sensors", "measure",
           "Share of the time that the GPU was busy."),
    Metric("memory_used_gb", "VRAM in use", "GB", "neither", "ratio", "sensors", "measure",
           "Mean VRAM in use."),
    Metric("latency_ms", "latency", "ms", "lower", "ratio", "sheet", "measure",
           "Time from an input to the picture that shows it."),
)  # fmt: skip

METRICS: dict[str, Metric] = {row.name: row for row in _ROWS}

SENSOR_METRICS: tuple[str, ...] = tuple(row.name for row in _ROWS if row.needs == "sensors")

#: What a sample can be, in the metric's unit.
BOUNDS = {
    "board_w": (0.0, 1500.0), "wall_w": (0.0, 3000.0), "core_c": (5.0, 120.0), "hotspot_c": (5.0, 130.0),
    "memory_c": (5.0, 130.0), "load_pct": (0.0, 100.0), "core_mhz": (0.0, 6000.0), "memory_mhz": (0.0, 30_000.0),
    "fan_rpm": (0.0, 8000.0), "core_mv": (0.0, 1600.0), "memory_used_gb": (0.0, 128.0), "sound_dba": (10.0, 90.0),
}  # fmt: skip

#: What a sensor of a card at work reaches, in the metric's unit; one that stays below and is not all zero is in
#: another unit.
REACHED = {
    "board_w": 3.0, "wall_w": 10.0, "core_mhz": 100.0, "memory_mhz": 50.0, "fan_rpm": 150.0, "load_pct": 1.5,
    "core_mv": 300.0, "core_c": 25.0, "hotspot_c": 25.0, "memory_c": 25.0, "memory_used_gb": 0.2,
}  # fmt: skip


#: Range of the median of a sensor's values, in the unit that logs without stated units are usually in.
_USUAL = {
    "core_c": (18.0, 115.0), "board_w": (3.0, 1500.0), "core_mhz": (150.0, 6000.0), "fan_rpm": (300.0, 6000.0),
    "core_mv": (0.45, 1.6),
}  # fmt: skip


def fitting_metrics(values: np.ndarray, step: float) -> list[str]:
    """Return the metrics that a column could be, from what its values look like.

    Parameters
    ----------
    values : array of shape (n,)
    step : one unit of the last decimal written

    Returns
    -------
    list of names; empty where the column is none of them, or stands still

    Notes
    -----
    A load swings between idle and busy over most of 0 to 100. Heat and fans have inertia, and move by a few
    percent at a time; clocks jump. Power is written with decimals, clocks and fan speeds are not. What rises by the
    same whole number from row to row counts the rows.
    """
    known = values[np.isfinite(values)]
    if known.size < 5 or known.min() < 0 or known.min() == known.max():
        return []
    steps, median, highest = np.diff(known), float(np.median(known)), float(known.max())
    if steps[0] != 0 and (steps == steps[0]).all() and (known == np.rint(known)).all():
        return []
    swing, largest_step = highest - float(known.min()), float(np.abs(steps).max())
    if 80 <= highest <= 100.0 and (swing >= 50 or median >= 90):
        return ["load_pct"]
    moves = {
        "core_c": highest <= 120.0 and largest_step <= 12.0 and swing < 70,
        "board_w": step < 1.0,
        "core_mhz": step >= 1.0 and highest >= 400.0 and largest_step > 0.02 * highest,
        "fan_rpm": step >= 1.0 and largest_step < 0.12 * highest,
        "core_mv": step < 0.1,
    }
    return [name for name, fits in moves.items() if fits and _USUAL[name][0] <= median < _USUAL[name][1]]


def change_unit(of: Any) -> str:
    """Return the unit of changes: percent on the ratio scale, else the unit of the values.

    Parameters
    ----------
    of : a metric, or a row of a table, with ``scale`` and ``unit``
    """
    return "%" if of.scale == "ratio" else of.unit


def headline_metrics(*sections: str) -> tuple[str, ...]:
    """Return the metrics of sections that the headline may show, section by section, in order of their rank.

    Parameters
    ----------
    sections : as metrics name them
    """
    shown = [row for row in METRICS.values() if row.section in sections and row.rank]
    return tuple(row.name for row in sorted(shown, key=lambda row: (sections.index(row.section), row.rank)))


def section_metrics(section: str) -> tuple[str, ...]:
    """Return all metrics of one section of the page, in the order of the registry."""
    return tuple(row.name for row in METRICS.values() if row.section == section)
