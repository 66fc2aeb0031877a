"""The metrics that the kit knows: one row each, with unit, direction, scale and wording.

The formulas are bound to these names in ``metrics/per_run.py``. The list stands on the lowest
layer so that a misspelt metric in a plan or a run sheet is reported before any log is read.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Metric:
    """One quantity, of which each run has one value.

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
    """

    name: str
    label: str
    unit: str
    better: str
    scale: str
    needs: str
    purpose: str
    help: str


_ROWS = (
    Metric("avg_fps", "average frame rate", "fps", "higher", "ratio", "frames", "measure",
           "Frames divided by the time they took."),
    Metric("low_1pct_fps", "1 % low", "fps", "higher", "ratio", "frames", "measure",
           "The slowest 1 % of frames: how it feels when it is at its worst."),
    Metric("low_0p1pct_fps", "0.1 % low", "fps", "higher", "ratio", "frames", "measure",
           "The slowest 0.1 % of frames; it needs many frames."),
    Metric("median_frame_ms", "median frame time", "ms", "lower", "ratio", "frames", "measure",
           "Half of the frames took longer than this."),
    Metric("pacing_ms", "frame pacing", "ms", "lower", "ratio", "frames", "measure",
           "How much each frame time differs from the one before, on average."),
    Metric("hitch_ms_per_min", "time lost to hitches", "ms/min", "lower", "difference", "frames", "measure",
           "Milliseconds lost per minute to frames far slower than those around them."),
    Metric("board_w", "board power", "W", "lower", "ratio", "sensors", "measure",
           "Mean power of the card while the scene ran."),
    Metric("wall_w", "power at the wall", "W", "lower", "ratio", "sensors", "measure",
           "Mean power of the whole machine at the wall while the scene ran."),
    Metric("energy_per_frame_j", "energy per frame", "J", "lower", "ratio", "both", "measure",
           "Mean power divided by average frame rate."),
    Metric("frames_per_j", "performance per watt", "1/J", "higher", "ratio", "both", "measure",
           "Frames drawn for each joule of energy."),
    Metric("core_c", "core temperature", "°C", "lower", "difference", "sensors", "soak",
           "Mean temperature of the GPU."),
    Metric("hotspot_c", "hot-spot temperature", "°C", "lower", "difference", "sensors", "soak",
           "Mean temperature of the hottest point of the GPU."),
    Metric("memory_c", "memory temperature", "°C", "lower", "difference", "sensors", "soak",
           "Mean temperature of the VRAM."),
    Metric("fan_rpm", "fan speed", "rpm", "lower", "difference", "sensors", "soak",
           "Mean speed of the card's fans."),
    Metric("sound_dba", "sound level", "dBA", "lower", "difference", "sheet", "soak",
           "Sound level at the stated distance, typed by hand."),
    Metric("core_mhz", "core clock", "MHz", "neither", "ratio", "sensors", "measure",
           "Mean clock of the GPU."),
    Metric("memory_mhz", "memory clock", "MHz", "neither", "ratio", "sensors", "measure",
           "Mean clock of the VRAM."),
    Metric("core_mv", "core voltage", "mV", "neither", "ratio", "sensors", "measure",
           "Mean voltage of the GPU."),
    Metric("load_pct", "GPU load", "%", "neither", "difference", "sensors", "measure",
           "Share of the time that the GPU was busy."),
    Metric("memory_used_gb", "VRAM in use", "GB", "neither", "ratio", "sensors", "measure",
           "Mean VRAM in use."),
    Metric("latency_ms", "latency", "ms", "lower", "ratio", "sheet", "measure",
           "Time from an input to the picture that shows it."),
)  # fmt: skip

METRICS: dict[str, Metric] = {row.name: row for row in _ROWS}

SENSOR_METRICS: tuple[str, ...] = tuple(row.name for row in _ROWS if row.needs == "sensors")
