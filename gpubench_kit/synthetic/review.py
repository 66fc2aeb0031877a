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

from gpubench_kit.model.errors import DesignError
from gpubench_kit.synthetic.logs import MadeLogs, make_logs, sound_dba
from gpubench_kit.synthetic.recipe import MadeGame, MadeReview, MadeRun, MadeTuning, list_runs

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
    parts += [_tuning_text(tuning, is_reference=not place) for place, tuning in enumerate(review.tunings)]
    for name in dict.fromkeys(game.name for game in review.games):
        parts.append(_game_text([game for game in review.games if game.name == name]))
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


def _tuning_text(tuning: MadeTuning, *, is_reference: bool) -> str:
    """Return the plan's section of a tuning."""
    keys: dict = {"name": tuning.name}
    if is_reference:
        keys["reference"] = True
    if tuning.changes:
        keys["changes"] = tuning.changes
    return _table_text("[[tunings]]", keys)


def _game_text(settings: list[MadeGame]) -> str:
    """Return the plan's sections of a game and its settings."""
    game = settings[0]
    keys = {"name": game.name, "scene": game.scene or "the measured lap", "limited_by": game.limited_by}
    parts = [_table_text("[[games]]", keys)]
    for one in settings:
        if one.setting or one.group != "all" or len(settings) > 1:
            parts.append(_table_text("[[games.settings]]", {"name": one.setting, "group": one.group}))
    return "".join(parts)


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
