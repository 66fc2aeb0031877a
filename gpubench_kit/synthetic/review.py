"""Write a made-up review as a reviewer would have it: a folder of plan, run sheet and logs."""

from __future__ import annotations

import csv
import gzip
import io
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd

from gpubench_kit.model.errors import DesignError
from gpubench_kit.synthetic.recipe import MadeReview, MadeRun, list_runs

IDLE_W = 34.0
IDLE_MHZ = 310.0
IDLE_MV = 720.0
#: Seconds of sensor log before the first frame, on average; after the last frame one less.
LEAD_S = 6.0
#: Sensors report the mean of so many seconds, every so many seconds.
SENSOR_MEAN_S = 1.0
SENSOR_STEP_S = 0.5
_GRID_S = 0.05


@dataclass(frozen=True)
class MadeLogs:
    """Frames and samples of one run.

    Attributes
    ----------
    time_s : array of shape (frames,), start of each frame from the first one [s], whole microseconds
    frame_ms, card_ms : arrays of shape (frames,), frame time, and the card's share of it [ms]
    sensor_s : array of shape (samples,), times from the first frame [s]
    sensors : name of the metric -> array of shape (samples,)
    """

    time_s: np.ndarray
    frame_ms: np.ndarray
    card_ms: np.ndarray
    sensor_s: np.ndarray
    sensors: dict[str, np.ndarray]


@dataclass(frozen=True)
class _Truth:
    """What the run really is: frame rate, power, temperature, clock, voltage, fan, load."""

    avg_fps: float
    board_w: float
    core_c: float
    core_mhz: float
    core_mv: float
    fan_rpm: float
    load_pct: float


def make_logs(review: MadeReview, run: MadeRun) -> MadeLogs:
    """Make up the logs of one run.

    Parameters
    ----------
    review : the recipe
    run : one of `synthetic.recipe.list_runs`

    Returns
    -------
    MadeLogs : the same for the same recipe and run, whichever other runs are made
    """
    rng = np.random.default_rng([review.seed, 3, run.order])
    game = run.game
    tuning = review.tunings[0] if run.mishap == "tuning_lost" else run.tuning
    place = review.games.index(game)
    of_round = np.random.default_rng([review.seed, 4, place, run.round]).standard_normal()
    fps, watts, warmth, clock = rng.standard_normal(4)
    moved = (game.run_cv_pct * fps + review.round_pct * of_round + review.drift_pct_per_run * run.order) / 100
    disturbed = {"background_load": (0.86, 0.93, 0.88)}.get(run.mishap, (1.0, 1.0, 1.0))
    warming = 0.96 if run.purpose == "warm_up" else 1.0
    truth = _Truth(
        avg_fps=game.avg_fps * tuning.fps_factor(game) * np.exp(moved) * disturbed[0] * warming,
        board_w=game.board_w * tuning.power_factor(game) * np.exp(0.3 * moved + 0.003 * watts) * disturbed[1],
        core_c=tuning.core_c + 0.5 * warmth,
        core_mhz=tuning.core_mhz * (1 + 0.001 * clock),
        core_mv=tuning.core_mv,
        fan_rpm=tuning.fan_rpm + 25 * warmth,
        load_pct=game.load_pct * disturbed[2],
    )
    frame_ms = _frame_times(review, run, avg_fps=truth.avg_fps, rng=rng)
    time_s, frame_ms = _with_mishap(frame_ms, run, rng)
    share = 0.97 if run.game.limited_by == "card" else 0.62
    card_ms = np.round(frame_ms * share * np.exp(0.015 * rng.standard_normal(frame_ms.size)), 4)
    sensor_s, sensors = _sensor_samples(run, truth, end_s=time_s[-1] + frame_ms[-1] / 1000, rng=rng)
    return MadeLogs(time_s, frame_ms, np.minimum(card_ms, frame_ms), sensor_s, sensors)


def sound_dba(review: MadeReview, run: MadeRun) -> float:
    """Return the sound level that the reviewer reads in a soak run [dBA], to one decimal."""
    rng = np.random.default_rng([review.seed, 5, run.order])
    return round(run.tuning.sound_dba + 0.3 * rng.standard_normal(), 1)


def _frame_times(review: MadeReview, run: MadeRun, *, avg_fps: float, rng: np.random.Generator) -> np.ndarray:
    """Return frame times [ms] with exactly the average frame rate, before any mishap."""
    game = run.game
    n = max(round(review.scene_s * float(avg_fps)), 10)
    disturbed = run.mishap == "background_load"
    # What the scene asks of the card over its course is the same in every run of a game.
    scene = np.random.default_rng([review.seed, 6, review.games.index(run.game)])
    course = np.linspace(0, 2 * np.pi, n, endpoint=False)
    waves = [
        scene.uniform(0.02, 0.08) * np.sin(turns * course + scene.uniform(0, 2 * np.pi)) for turns in (1, 2, 5)
    ]
    logs = np.sum(waves, axis=0) + game.roughness * (2.5 if disturbed else 1.0) * _wandering(n, rng)
    per_min = game.hitches_per_min * (8 if disturbed else 1)
    if run.purpose == "warm_up":
        logs += 0.25 * np.exp(-np.arange(n) / (0.2 * n))
        per_min += 20
    hitches = rng.choice(n, min(rng.poisson(per_min * review.scene_s / 60), n // 10), replace=False)
    logs[hitches] += np.log(rng.uniform(2.5, 5.0, hitches.size))
    shape = np.exp(logs)
    return np.round(shape / shape.mean() * 1000 / avg_fps, 4)


def _wandering(n: int, rng: np.random.Generator) -> np.ndarray:
    """Return noise of variance 1, half of it autocorrelated (first order), half free."""
    memory = 0.95
    shocks = rng.standard_normal(n) * np.sqrt((1 + memory) / (1 - memory))
    shocks[0] *= np.sqrt((1 - memory) / (1 + memory))
    # Exponential smoothing with weight 1 - memory is the autoregression, computed in compiled code.
    slow = pd.Series(shocks).ewm(alpha=1 - memory, adjust=False).mean().to_numpy()
    return np.sqrt(0.5) * (slow + rng.standard_normal(n))


def _with_mishap(frame_ms: np.ndarray, run: MadeRun, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return frame starts [s] and frame times [ms] with the run's mishap."""
    n = frame_ms.size
    if run.mishap == "cap":
        limit_ms = np.round(np.quantile(frame_ms, 0.9), 1)
        held = limit_ms * (1 + 0.0004 * rng.standard_normal(n))
        frame_ms = np.round(np.where(frame_ms < limit_ms, held, frame_ms), 4)
    if run.mishap == "loading_pause":
        frame_ms = np.insert(frame_ms, n // 3, 1840.0)
    if run.mishap == "short_run":
        frame_ms = frame_ms[: int(0.45 * n)]
    time_s = np.round(np.concatenate(([0.0], np.cumsum(frame_ms)[:-1])) / 1000, 6)
    if run.mishap != "gap":
        return time_s, frame_ms
    kept = (time_s < 0.4 * time_s[-1]) | (time_s > 0.4 * time_s[-1] + 2.5)
    return time_s[kept], frame_ms[kept]


def _sensor_samples(
    run: MadeRun, truth: _Truth, *, end_s: float, rng: np.random.Generator
) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Return times and readings of every sensor, idle before and after the frames."""
    grid = np.arange(-LEAD_S - 2 * SENSOR_MEAN_S, end_s + LEAD_S, _GRID_S)
    is_busy = (grid >= 0) & (grid < end_s) & (run.purpose != "idle")
    core_c = _temperature(run, truth, grid, end_s=end_s)
    warm = (core_c - 45) / (truth.core_c - 45)
    power = truth.board_w * (1 + 0.02 * _wandering(grid.size, rng))
    states = {
        "board_w": np.where(is_busy, power, IDLE_W),
        "core_c": core_c,
        "core_mhz": np.where(is_busy, truth.core_mhz - 1.2 * (core_c - truth.core_c), IDLE_MHZ),
        "core_mv": np.where(is_busy, truth.core_mv, IDLE_MV),
        "fan_rpm": truth.fan_rpm * (0.6 + 0.4 * warm),
        "load_pct": np.where(is_busy, truth.load_pct, 1.0),
    }
    first = -LEAD_S + rng.uniform(0, 1)
    sensor_s = np.arange(first, end_s + LEAD_S - 1, SENSOR_STEP_S)
    sensor_s = np.round(sensor_s + rng.uniform(0, 0.02, sensor_s.size), 3)
    return sensor_s, {
        name: _reading(name, state, grid=grid, at_s=sensor_s, rng=rng) for name, state in states.items()
    }


def _temperature(run: MadeRun, truth: _Truth, grid: np.ndarray, *, end_s: float) -> np.ndarray:
    """Return the course of the temperature [°C]: near the end state in a soak run, still rising in a short one."""
    if run.purpose == "idle":
        return np.full(grid.size, 41.0)
    start = truth.core_c - (1.0 if run.purpose == "soak" else 14.0)
    heating = truth.core_c - (truth.core_c - start) * np.exp(-np.clip(grid, 0, end_s) / 20)
    return heating - np.clip(grid - end_s, 0, None) * 0.8


#: Noise of one reading, in the sensor's unit, and decimals in the log.
_READING = {
    "board_w": (0.6, 1), "core_c": (0.2, 0), "core_mhz": (6.0, 0), "core_mv": (2.0, 0), "fan_rpm": (8.0, 0),
    "load_pct": (0.8, 0),
}  # fmt: skip


def _reading(
    name: str, state: np.ndarray, *, grid: np.ndarray, at_s: np.ndarray, rng: np.random.Generator
) -> np.ndarray:
    """Return what a sensor shows: the mean of the last second, with its noise and resolution."""
    spread, decimals = _READING[name]
    summed = np.concatenate(([0.0], np.cumsum(state)))
    last = np.searchsorted(grid, at_s, side="right")
    width = round(SENSOR_MEAN_S / _GRID_S)
    mean = (summed[last] - summed[last - width]) / width
    shown = mean + spread * rng.standard_normal(at_s.size)
    return np.round(np.clip(shown, 0, 100 if name == "load_pct" else None), decimals)


#: Factor from milliseconds, and decimals, by unit of frame times.
_FRAME_UNITS = {"ms": (1.0, 4), "s": (1e-3, 7), "us": (1e3, 1)}


@dataclass(frozen=True)
class Dialect:
    """How logs are written.

    Attributes
    ----------
    separator, decimal : between cells, and before decimals
    frame_unit : unit of frame times: ``ms``, ``s`` or ``us``
    frame_clock : time column of frame logs: ``elapsed`` (seconds from the first frame), ``clock`` or ``none``
    sensor_clock : time column of sensor logs: ``clock``, or ``elapsed`` (seconds from its own first sample)
    headings : own heading -> heading written instead
    preamble : lines above the headings
    more_columns : further columns of numbers in frame logs
    compress : whether frame logs are written with gzip
    """

    separator: str = ","
    decimal: str = "."
    frame_unit: str = "ms"
    frame_clock: str = "elapsed"
    sensor_clock: str = "clock"
    headings: dict[str, str] = field(default_factory=dict)
    preamble: tuple[str, ...] = ()
    more_columns: int = 0
    compress: bool = True

    def __post_init__(self):
        if self.separator == self.decimal:
            raise DesignError(f"separator and decimal mark are both {self.separator!r}; they have to differ.")
        if self.frame_unit not in _FRAME_UNITS:
            raise DesignError(f"unit {self.frame_unit!r} is not known; one of ms, s, us is expected.")


def write_review(folder: Path | str, review: MadeReview, *, dialect: Dialect | None = None) -> Path:
    """Write a made-up review: ``plan.toml``, ``runs.csv`` and ``logs/``.

    Parameters
    ----------
    folder : where to write; made where it is missing, files of the same name are replaced
    review : the recipe
    dialect : how logs are written; default `Dialect()`

    Returns
    -------
    Path : the folder. The same recipe and dialect give the same bytes.
    """
    folder, dialect = Path(folder), dialect or Dialect()
    (folder / "logs").mkdir(parents=True, exist_ok=True)
    runs = list_runs(review)
    _write_text(folder / "plan.toml", plan_text(review))
    _write_text(folder / "runs.csv", sheet_text(review, runs, dialect=dialect))
    for run in runs:
        write_logs(folder, review, run=run, dialect=dialect)
    return folder


def write_logs(folder: Path, review: MadeReview, *, run: MadeRun, dialect: Dialect) -> None:
    """Write the frame log (an idle run has none) and the sensor log of one run into ``folder / 'logs'``."""
    logs = make_logs(review, run)
    frame_log, sensor_log = _log_names(run, dialect)
    if frame_log:
        frames = frame_log_text(logs, run, dialect=dialect).encode()
        (folder / frame_log).write_bytes(_gzipped(frames) if dialect.compress else frames)
    _write_text(folder / sensor_log, sensor_log_text(logs, run, dialect=dialect))


def frame_log_text(logs: MadeLogs, run: MadeRun, *, dialect: Dialect) -> str:
    """Return a frame log, one row per frame."""
    factor, decimals = _FRAME_UNITS[dialect.frame_unit]
    unit = dialect.frame_unit
    columns = {"frame": _numbers(np.arange(1, logs.frame_ms.size + 1), 0, dialect)}
    if dialect.frame_clock == "clock":
        columns["clock_time"] = _clock_texts(run.started, logs.time_s, "microseconds")
    if dialect.frame_clock == "elapsed":
        columns["elapsed_s"] = _numbers(logs.time_s, 6, dialect)
    columns[f"frame_{unit}"] = _numbers(logs.frame_ms * factor, decimals, dialect)
    columns[f"card_{unit}"] = _numbers(logs.card_ms * factor, decimals, dialect)
    rng = np.random.default_rng([run.order, logs.frame_ms.size])
    for number in range(1, dialect.more_columns + 1):
        columns[f"value_{number}"] = _numbers(rng.uniform(1, 9, logs.frame_ms.size), 4, dialect)
    return _joined(columns, dialect)


def sensor_log_text(logs: MadeLogs, run: MadeRun, *, dialect: Dialect) -> str:
    """Return a sensor log, one row per sample."""
    if dialect.sensor_clock == "clock":
        columns = {"clock_time": _clock_texts(run.started, logs.sensor_s, "milliseconds")}
    else:
        columns = {"elapsed_s": _numbers(logs.sensor_s - logs.sensor_s[0], 3, dialect)}
    for name, readings in logs.sensors.items():
        columns[name] = _numbers(readings, 1 if name == "board_w" else 0, dialect)
    return _joined(columns, dialect)


def sheet_text(review: MadeReview, runs: list[MadeRun], *, dialect: Dialect) -> str:
    """Return ``runs.csv``, one row per run; columns that no run fills are left out."""
    rows = [_sheet_row(review, run, dialect) for run in runs]
    filled = [name for name in rows[0] if any(row[name] for row in rows)]
    text = io.StringIO()
    writer = csv.DictWriter(text, filled, extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def plan_text(review: MadeReview) -> str:
    """Return ``plan.toml``: what is measured, then the recipe's own end."""
    about = {"title": review.title, "date": review.started.date(), "licence": review.licence}
    parts = [_table_text("[review]", about)]
    parts.append(_table_text("[[cards]]", {"name": review.card, "power_measured_at": "board_sensor"}))
    for place, tuning in enumerate(review.tunings):
        keys: dict = {"name": tuning.name} | ({} if place else {"reference": True})
        parts.append(_table_text("[[tunings]]", keys | ({"changes": tuning.changes} if tuning.changes else {})))
    for name in dict.fromkeys(game.name for game in review.games):
        settings = [game for game in review.games if game.name == name]
        scene, limited_by = settings[0].scene or "the measured lap", settings[0].limited_by
        text = _table_text("[[games]]", {"name": name, "scene": scene, "limited_by": limited_by})
        for one in settings:
            if one.setting or one.group != "all" or len(settings) > 1:
                text += _table_text("[[games.settings]]", {"name": one.setting, "group": one.group})
        parts.append(text)
    return "\n".join([*parts, review.plan_end.strip() + "\n"]).rstrip() + "\n"


def _sheet_row(review: MadeReview, run: MadeRun, dialect: Dialect) -> dict[str, str | int]:
    """Return one row of the run sheet."""
    frame_log, sensor_log = _log_names(run, dialect)
    return {
        "run": run.run, "tuning": run.tuning.name, "game": run.game.name, "setting": run.game.setting,
        "purpose": run.purpose, "session": run.session, "launch": run.launch,
        "round": str(run.round), "order": str(run.order),
        "started_at": run.started.isoformat(sep=" "), "frame_log": frame_log, "sensor_log": sensor_log,
        "sound_dba": str(sound_dba(review, run)) if run.purpose == "soak" else "",
        "excluded": run.excluded, "replaces": run.replaces, "note": run.note,
    }  # fmt: skip


def _log_names(run: MadeRun, dialect: Dialect) -> tuple[str, str]:
    """Return the paths of a run's logs within the folder; empty for none."""
    ending = ".csv.gz" if dialect.compress else ".csv"
    frame_log = "" if run.purpose == "idle" else f"logs/{run.run}.frames{ending}"
    return frame_log, f"logs/{run.run}.sensors.csv"


def _table_text(head: str, keys: dict) -> str:
    """Return one table of TOML."""
    return "\n".join([head, *(f"{name} = {_toml(value)}" for name, value in keys.items())]) + "\n"


def _toml(value) -> str:
    """Return a value as TOML."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        escaped = value.replace("\\", "\\\\").replace('"', '\\"')
        return f'"{escaped}"'
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{name} = {_toml(one)}" for name, one in value.items()) + " }"
    return str(value)


def _numbers(values: np.ndarray, decimals: int, dialect: Dialect) -> list[str]:
    """Return numbers as cells; one call of the formatter for the whole column is fast."""
    text = (f"%.{decimals}f\n" * values.size) % tuple(values.tolist())
    return text.replace(".", dialect.decimal).splitlines()


def _clock_texts(started: datetime, time_s: np.ndarray, resolution: str) -> list[str]:
    """Return clock times as cells."""
    step = 1_000_000 if resolution == "microseconds" else 1_000
    whole = np.round(time_s * step).astype(np.int64) * (1_000_000 // step)
    return [(started + timedelta(microseconds=one)).isoformat(timespec=resolution) for one in whole.tolist()]


def _joined(columns: dict[str, list[str]], dialect: Dialect) -> str:
    """Return the log's text: preamble, headings, rows."""
    headings = [dialect.headings.get(name, name) for name in columns]
    rows: Iterable[tuple[str, ...]] = zip(*columns.values(), strict=True)
    lines = [*dialect.preamble, dialect.separator.join(headings), *(dialect.separator.join(row) for row in rows)]
    return "\n".join(lines) + "\n"


def _gzipped(data: bytes) -> bytes:
    """Return data as gzip, without the clock and the system's name, so that bytes repeat."""
    packed = io.BytesIO()
    with gzip.GzipFile(filename="", mode="wb", compresslevel=9, fileobj=packed, mtime=0) as stream:
        stream.write(data)
    return packed.getvalue()


def _write_text(path: Path, text: str) -> None:
    """Write text with the same line ends on every system."""
    path.write_text(text, encoding="utf-8", newline="\n")
