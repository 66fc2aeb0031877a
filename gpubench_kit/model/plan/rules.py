"""Sections of ``plan.toml`` that say how runs are judged and read: analysis, exclude, checks, logs."""

from __future__ import annotations

import csv
import math
import textwrap
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, Strict, model_validator

from gpubench_kit.model.errors import Fault
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan.fields import (
    Count,
    MetricName,
    Name,
    NotNegative,
    Number,
    Percent,
    Positive,
    Section,
    Text,
    Truth,
    kit_error,
)

#: Key of ``restart_spread`` that holds the number of restarts measured; all others are metrics.
RESTARTS = "restarts"
#: A spread is measured from so many restarts on; three are recommended.
LEAST_RESTARTS = 2
#: In the place of the spread: taken from the archive of the bench.
ARCHIVE_WORD = "archive"

_WHOLE = Strict()


def _or_archive(schema: dict[str, Any]) -> None:
    """Let a schema allow the word that stands for what the archive measured."""
    kept = {name: schema.pop(name) for name in ("type", "additionalProperties", "propertyNames") if name in schema}
    schema["anyOf"] = [kept, {"const": ARCHIVE_WORD, "type": "string"}]


class Analysis(Section):
    """``[analysis]``: decisions about the comparison, made before the data."""

    metrics: tuple[MetricName, ...] = Field(
        ("avg_fps", "low_1pct_fps", "board_w", "energy_per_frame_j"), min_length=1,
        description="metrics that are compared",
    )  # fmt: skip
    primary: MetricName = Field("avg_fps", description="the one metric that decides; the others never rescue it")
    low_definition: Literal["quantile", "slowest_frames", "time_share"] = Field(
        "quantile", description="definition of the 1 % and 0.1 % lows"
    )
    confidence: Annotated[float, _WHOLE, Field(gt=0.5, lt=1)] = Field(
        0.95, description="other values than 0.95 scale the levels of all looks"
    )
    margin_pct: Percent = Field(2.0, description="smallest difference that matters [%], on the ratio scale")
    margins: dict[MetricName, Positive] = Field(
        default_factory=dict, description="the same by metric: percent on the ratio scale, else the metric's unit"
    )
    looks: Annotated[int, _WHOLE, Field(ge=1, le=8)] = Field(
        2, description="looks at verdicts planned; with two the first is judged at 0.04, the second at 0.015"
    )
    strict: Truth = Field(False, description="judge each game by its own noise alone")
    adjust: Literal["holm", "fdr_bh", "none"] = Field(
        "fdr_bh", description="adjustment of single games for their number; results over games hold page-wide"
    )
    applied: Literal["as_recorded", "each_run", "each_block"] = Field(
        "as_recorded", description="when tunings were applied"
    )
    typed_order: Literal["not_known", "alternated", "back_to_back"] = Field(
        "not_known", description="order of typed numbers that have neither order nor round"
    )
    restart_spread: dict[Name, NotNegative] = Field(
        default_factory=dict,
        description="spread between restarts by metric [%], and `restarts`, the number of restarts it was "
        "measured on; 0 restarts: assumed, and printed so. Or the word `archive`: as measured by the archive, from "
        "`restart_spread.csv` in the review folder, else from `reports/archive`",
        json_schema_extra=_or_archive,
    )
    sensor_edge_s: NotNegative = Field(1.0, description="left out of sensor means at each end of a run [s]")
    hitch_excess_ms: Positive = Field(12.0, description="a hitch exceeds its surroundings by more than this [ms]")
    hitch_window_frames: Annotated[int, _WHOLE, Field(ge=3)] = Field(
        61, description="frames that count as the surroundings of a hitch, an odd number"
    )
    seed: Count = Field(20261102, description="seed of everything random")


class Exclude(Section):
    """``[exclude]``: the only automatic reasons to leave a run out, all off by default."""

    min_duration_s: NotNegative = Field(
        0.0, description="shortest run that counts [s]; 0: off; ignored where a game ends after a number of frames"
    )
    warm_up_runs_per_launch: Count = Field(0, description="measured rows left out after each start of the game")
    extra_runs_after_patch: Count = Field(0, description="further rows left out after a game's version changed")


class Checks(Section):
    """``[checks]``: limits of findings."""

    gap_ms: Positive = Field(
        1000.0, description="a frame, or a step of the time column without frames, longer than this is a gap [ms]"
    )
    drift_pct_per_run: Positive = Field(0.1, description="drift over the bench session worth a finding [% per run]")
    patch_pct: Positive = Field(
        3.0, description="shift of a game from some run on, alike under all tunings, worth a finding [%]"
    )
    duration_pct: Positive = Field(10.0, description="a run this much shorter or longer than its peers [%]")
    backward_steps: Count = Field(0, description="steps back in the time column that pass without a finding")
    time_steps_pct: Percent = Field(1.0, description="steps that stand still or disagree with the frame times [%]")
    missing_time_pct: Percent = Field(
        1.0, description="time in the time column that its frames do not take, or take too much [% of a run]"
    )
    most_fps: Positive = Field(2000.0, description="no frame and no run is faster than this [fps]")
    most_w: Positive = Field(2000.0, description="no card takes more power than this [W]")
    most_c: Positive = Field(130.0, description="no part of a card is hotter than this [°C]")
    cap_share_pct: Percent = Field(80.0, description="share of frames at one interval that a cap shows in [%]")
    cap_spread_pct: Positive = Field(
        0.1, description="runs held by one cap agree in that interval to within this [%]"
    )
    load_low_pct: Percent = Field(90.0, description="card load below which something else limits the game [%]")
    load_full_pct: Percent = Field(97.0, description="card load from which the card limits the game [%]")
    warm_up_pct: Positive = Field(5.0, description="start of a run slower or faster than in its peers [%]")
    first_run_pct: Positive = Field(
        1.0, description="first runs after a start slower or faster than later ones [%]"
    )
    settle_pct: Positive = Field(5.0, description="power or clock still moving, more than in its peers [%]")
    settle_c: Positive = Field(3.0, description="temperature still moving within a run [°C]")
    sensor_share_pct: Percent = Field(90.0, description="least share of a run that has sensor samples [%]")
    sensor_gap_s: Positive = Field(5.0, description="longest time without a sensor sample [s]")
    align_s: Positive = Field(
        3.0, description="distance of a busy stretch as long as the run from where two wall clocks put it [s]"
    )
    tuning_pct: Positive = Field(
        1.0, description="least distance of two tunings at which one is told from the other [%]"
    )
    tuning_spreads: Positive = Field(6.0, description="the same, in multiples of the usual spread of runs")
    unlike_spreads: Positive = Field(
        5.0,
        description="distance from the median of the peers (same game and tuning), in usual spreads of the game",
    )


class FrameTime(Section):
    """``frame_time`` of ``[logs]``: the column that holds the frame times."""

    column: Name = Field(description="heading of the column", examples=["frame_ms"])
    unit: Literal["s", "ms", "us", "ns"] = Field("ms", description="unit of the column")


class SensorTime(Section):
    """``sensor_time`` of ``[logs]``: the column that holds the time of a sensor sample."""

    column: Name = Field(description="heading of the column", examples=["clock_time"])


class CardLogs(Section):
    """``[logs."Card name"]``: how logs are read, only where finding columns by content is not wanted."""

    frame_time: FrameTime | None = Field(None, description="column of the frame times")
    sensor_time: SensorTime | None = Field(None, description="column of the sensor samples' time")
    sensors: dict[MetricName, Name] = Field(default_factory=dict, description="metric = heading of its column")
    sensor_offset_s: Number | None = Field(
        None, description="sensor time at which the frame log starts [s]; not given: by clocks or load"
    )
    sensor_clock: Literal["same_machine"] | None = Field(
        None, description="both recorders ran on one machine, so that their clocks are one; not given: it is proven"
    )
    pattern: Text = Field("", description="name of a run's log where the sheet has none, with {game} and the like")
    count_only: dict[Name, Annotated[tuple[Text, ...], Field(min_length=1)]] = Field(
        default_factory=dict,
        description="heading of a column that tells sources, outcomes or cards apart = its values that count",
    )
    date_order: Literal["day_first", "month_first"] | None = Field(
        None, description="how dates such as 03/04/2026 are read; not given: as the dates of a log can tell"
    )


class ConfirmedFrames(Section):
    """``frames`` of ``[[logs.format]]``: where the frame times of a format are."""

    time: Name | None = Field(
        None, description="heading of the column of frame times", examples=["Bildabstand (ms)"]
    )
    unit: Literal["s", "ms", "us", "ns"] = Field("ms", description="unit of that column")
    time_steps: Name | None = Field(None, description="heading of the time whose steps are the frame times")
    per_s: Positive | None = Field(None, description="units of that time in a second")
    rate: Name | None = Field(None, description="heading of a column of frame rates, one a frame")
    rows: Literal["frames", "samples"] = Field(
        "frames", description="what each row is; samples are refused as frames"
    )

    @model_validator(mode="after")
    def _has_one_source(self) -> ConfirmedFrames:
        """Refuse more than one place for the frame times, and steps of unknown length."""
        given = [name for name in ("time", "time_steps", "rate") if getattr(self, name) is not None]
        if len(given) > 1 or (not given and self.rows == "frames"):
            raise kit_error(
                f"one of time, time_steps and rate is expected ({', '.join(given) or 'none'} was found).",
                'Write for example frames = { time = "heading", unit = "ms", rows = "frames" }.',
            )
        if self.time_steps is not None and self.per_s is None:
            raise kit_error("time_steps needs per_s.", "Say how many of its units a second has: per_s = 10000000.")
        return self


class ConfirmedSensor(Section):
    """One entry of ``sensors`` of ``[[logs.format]]``: the column of a metric."""

    column: Name = Field(description="heading of the column", examples=["power [W]"])
    unit: Text = Field("", description="unit of the column; not given: the metric's own, or the one that it states")


class FormatEntry(Section):
    """One entry of ``[[logs.format]]``: a format of logs that the reviewer confirmed."""

    card: Name = Field(description="card whose logs these are", examples=["Fernholt 3"])
    id: Name = Field(
        description="short name of the format, as `inspect` and `check` print it", examples=["5f0c9a21"]
    )
    seen: Text = Field("", description="its headings, for the reader")
    frames: ConfirmedFrames | None = Field(None, description="where the frame times are")
    sensors: dict[MetricName, ConfirmedSensor] = Field(default_factory=dict, description="metric = its column")
    part: Annotated[int, _WHOLE, Field(ge=1, le=64)] | None = Field(
        None, description="which of several runs in one log is the run, from 1"
    )


#: Keys that a card cannot be named after, so that a table of its own is never mistaken for them.
RESERVED_FOR_LOGS = ("format", "layout", "sensor_clock")


class Logs(CardLogs):
    """``[logs]``: as `CardLogs`, for every card; a table named after a card overrides it for that card."""

    model_config = ConfigDict(extra="allow", frozen=True)
    __pydantic_extra__: dict[str, CardLogs] = Field(init=False)

    format: tuple[FormatEntry, ...] = Field((), description="formats of logs that were confirmed")

    @property
    def by_card(self) -> dict[str, CardLogs]:
        """What each card has of its own."""
        return dict(self.model_extra or {})

    def of_card(self, card: str) -> CardLogs:
        """Return how one card's logs are read: its own keys, and the general ones for the rest.

        Parameters
        ----------
        card : name of the card
        """
        general = {key: getattr(self, key) for key in CardLogs.model_fields}
        own = self.by_card.get(card)
        if own is not None:
            general |= {key: getattr(own, key) for key in own.model_fields_set}
        return CardLogs.model_construct(**general)


@dataclass(frozen=True)
class Limit:
    """One limit: its key in ``[checks]``, its default, and what it means, with the unit in brackets."""

    key: str
    default: float
    meaning: str


def list_limits() -> list[Limit]:
    """Return every limit of findings, in the order of the plan's model."""
    return [Limit(key, one.default, one.description or "") for key, one in Checks.model_fields.items()]


def limits_text(*, width: int = 100) -> str:
    """Return every limit as text for a terminal: key, default, meaning.

    Parameters
    ----------
    width : of a line, in letters
    """
    limits = list_limits()
    wide = max(len(f"{one.key} = {one.default:g}") for one in limits) + 4
    lines = [
        textwrap.fill(
            one.meaning, max(width, wide + 30),
            initial_indent=f"  {one.key} = {one.default:g}".ljust(wide), subsequent_indent=" " * wide,
        )
        for one in limits
    ]  # fmt: skip
    return "\n".join(["limits of findings, set in [checks] of plan.toml (defaults shown):", *lines])


#: Where `archive` leaves it, and its name beside a plan.
SPREAD_FILE = "restart_spread.csv"
ARCHIVE_TABLE = Path("reports", "archive", "tables", SPREAD_FILE)

_PLACE = "[analysis], restart_spread"
_COLUMNS = ("scope", "bench", "metric", "restarts", "spread", "widen_by", "widen_restarts")
_ACTION = (
    "Make it with `gpubench-kit archive reports`, or state one: restart_spread = { avg_fps = 0.5, restarts = 0 }"
)


def table_left(folder: Path, copy: str, in_archive: Path) -> tuple[Path | None, str]:
    """Return the table that earlier reviews left for a plan, and its name; None where there is none.

    Parameters
    ----------
    folder : of the review, in which a copy comes before the archive: it keeps a report as it is
    copy, in_archive : name of the copy; place of the table in the working directory
    """
    places = ((folder / copy, copy), (Path.cwd() / in_archive, in_archive.as_posix()))
    return next((one for one in places if one[0].is_file()), (None, ""))


def with_measured_spread(
    data: Mapping[str, Any], *, folder: Path, file: str
) -> tuple[dict[str, Any], str, list[Fault]]:
    """Return a plan's content with the spread between restarts filled in where it is taken from the archive.

    Parameters
    ----------
    data : the plan as parsed
    folder : folder of the review
    file : name of the plan, for the place of a fault

    Returns
    -------
    dict, the content; str, where the spread comes from (empty: as written); list of Fault

    Notes
    -----
    ``restart_spread.csv`` in the review folder comes first: a copy keeps a report as it is when the archive grows.
    Else that of ``reports/archive`` in the working directory. The row of the plan's latest bench counts, else that
    over all benches. The plan has one number of restarts, the least of its metrics'.
    """
    analysis = data.get("analysis")
    if not isinstance(analysis, Mapping) or analysis.get("restart_spread") != ARCHIVE_WORD:
        return dict(data), "", []
    path, name = table_left(folder, SPREAD_FILE, ARCHIVE_TABLE)
    if path is None:
        spread: dict[str, float] = {}
        problem = (
            f"'{ARCHIVE_WORD}' asks for what the archive measured, but there is neither {SPREAD_FILE} in the "
            f"review folder nor {ARCHIVE_TABLE.as_posix()} in the working directory."
        )
    else:
        spread, problem = _spread_in(path, name, data)
    faults = [Fault(f"{file}, {_PLACE}", problem, _ACTION)] if problem else []
    return {**data, "analysis": {**analysis, "restart_spread": spread}}, name, faults


def _spread_in(path: Path, name: str, data: Mapping[str, Any]) -> tuple[dict[str, float], str]:
    """Return the spread as a plan states it, or what is wrong with the table."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as lines:
            rows = list(csv.DictReader(lines))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        return {}, f"{name} cannot be read ({str(error).splitlines()[0]})."
    missing = [column for column in _COLUMNS if not rows or column not in rows[0]]
    if missing:
        return {}, f"{name} lacks the column '{missing[0]}' or any row, so it is no table of the archive."
    metrics = data["analysis"].get("metrics", Analysis.model_fields["metrics"].default)
    wanted = [one for one in metrics if one in METRICS] if isinstance(metrics, list | tuple) else []
    benches = data.get("benches")
    last = benches[-1] if isinstance(benches, list) and benches else {}
    bench = str(last.get("name", "")) if isinstance(last, Mapping) else ""
    rows = [row for row in rows if _number(row["spread"]) is not None and row["metric"] in wanted]
    known = {row["metric"]: row for row in rows if row["scope"] == "all"}
    for row in (one for one in rows if one["scope"] == "bench" and one["bench"].removeprefix("'") == bench):
        # That of the bench takes the place of that over all benches where it can be used.
        known |= {row["metric"]: row} if _number(row["widen_by"]) is not None else {}
    if not known:
        return {}, f"{name} knows no restarts in the plan's metrics ({', '.join(wanted)})."
    return _as_stated(known.values()), ""


def _as_stated(rows: Iterable[Mapping[str, str]]) -> dict[str, float]:
    """Return rows of the table as a plan states a spread: by metric, with the least number of restarts."""
    spread: dict[str, float] = {}
    restarts: list[float | None] = []
    for row in rows:
        usable = _number(row["widen_by"])
        spread[row["metric"]] = (_number(row["spread"]) or 0.0) if usable is None else usable
        restarts.append(
            _number(row["widen_restarts"])
            if usable is not None
            else min((_number(row["restarts"]) or 1.0), LEAST_RESTARTS - 1)
        )
    return {**spread, RESTARTS: int(min(one or 1 for one in restarts))}


def _number(text: str) -> float | None:
    """Return a cell as a number that is not negative; None where it is none."""
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) and value >= 0 else None
