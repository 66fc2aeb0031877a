"""Pictures of single runs in which something was found: the trace with the place marked, over another run."""

from __future__ import annotations

from collections.abc import Collection, Iterator

import numpy as np
import pandas as pd

from gpubench_kit.checks.evidence import CELL_KEY
from gpubench_kit.logs.review import Review
from gpubench_kit.logs.run_facts import RunFacts
from gpubench_kit.page.charts import Plot
from gpubench_kit.page.charts.games import SENSORS
from gpubench_kit.page.charts.single_runs import run_sensors, run_trace
from gpubench_kit.wording.numbers import number_text
from gpubench_kit.wording.terms import scene_text

#: Checks that look at sensors -> the sensors that show it; these need no frame times.
_OF_SENSORS = {
    "samples_missing": SENSORS,
    "samples_cover_part": SENSORS,
    "sample_gap": SENSORS,
    "sensor_log_of_another_run": SENSORS,
    "same_samples_twice": SENSORS,
    "not_lined_up": ("load_pct", "board_w"),
    "clocks_against_load": ("load_pct", "board_w"),
    "power_drops_out": ("board_w",),
    "temperature_not_settled": ("core_c",),
    "power_moves": ("board_w",),
    "power_not_settled": ("board_w",),
    "clock_moves": ("core_mhz",),
    "load_low": ("load_pct", "core_mhz"),
    "tuning_not_applied": ("board_w", "core_mhz", "core_mv"),
}
#: Checks that either may explain.
_OF_BOTH = ("outlier", "impossible_value")


def pictures_of_run(
    review: Review, run: str, *, plan, checks: Collection[str], found_in: Collection[str]
) -> list[Plot]:
    """Return the pictures of a run that show what was found in it.

    Parameters
    ----------
    review : the runs, after their logs were read
    run : name of the run
    plan : ReviewPlan
    checks : names of the checks that found something
    found_in : all runs in which something was found; none of them serves as a peer

    Returns
    -------
    list of Plot; empty where the run has no trace
    """
    facts = review.facts_of(run)
    row = review.runs.set_index("run").loc[run]
    if facts is None:
        return []
    peer = _peer_of(review, run, found_in=found_in)
    what = f"{run}: {scene_text(row['game'], row['setting'])}, {row['tuning']}"
    sensors = dict.fromkeys(name for check in checks for name in _sensors_of(check))
    of_frames = [check for check in checks if check not in _OF_SENSORS]
    trace = run_trace(facts, title=f"Frame times of {what}", marks=_marks(facts, checks), peer=peer)
    drawn = [trace] if of_frames and trace is not None else []
    return [*drawn, *run_sensors(facts, plan, title=f"Sensors of {what}", peer=peer, metrics=tuple(sensors))]


def _sensors_of(check: str) -> tuple[str, ...]:
    """Return the sensors that show what a check found."""
    return SENSORS if check in _OF_BOTH else _OF_SENSORS.get(check, ())


def _peer_of(review: Review, run: str, *, found_in: Collection[str]) -> RunFacts | None:
    """Return the peer with the middle frame rate among those in which nothing was found."""
    runs = review.runs
    own = runs[runs["run"] == run].iloc[0]
    alike = np.logical_and.reduce([runs[name] == own[name] for name in CELL_KEY])
    names = runs.loc[alike & (runs["run"] != run) & (runs["excluded"] == "") & ~runs["run"].isin(found_in), "run"]
    known = [facts for facts in map(review.facts_of, names) if facts is not None and facts.trace is not None]
    known.sort(key=lambda one: one.n_frames / one.duration_s)
    return known[(len(known) - 1) // 2] if known else None


def _marks(facts: RunFacts, checks: Collection[str]) -> tuple[tuple[float, str], ...]:
    """Return the places that checks found: time from the start of the run [s], and what is there."""
    return tuple(mark for check in checks for mark in _marks_of(facts, check) if np.isfinite(mark[0]))


def _marks_of(facts: RunFacts, check: str) -> Iterator[tuple[float, str]]:
    """Yield the places that one check found."""
    if check == "gap":
        if facts.n_gaps > 1:
            yield facts.first_gap_s, f"first of {facts.n_gaps} gaps"
        yield facts.longest_at_s, f"{number_text(facts.longest_ms, decimals=0)} ms"
    elif check == "missing_frames":
        several = f", first of {facts.n_holes}" if facts.n_holes > 1 else ""
        yield facts.first_hole_s, f"frames are missing{several}"
    elif check == "time_goes_back":
        several = f", first of {facts.n_backward}" if facts.n_backward > 1 else ""
        yield facts.first_backward_s, f"time goes back{several}"
    elif check == "frame_too_short":
        yield facts.shortest_at_s, f"{number_text(facts.shortest_ms, decimals=3)} ms"
    elif check == "warm_up" and facts.trace is not None:
        yield float(facts.trace.time_s[facts.trace.time_s.size // 4]), "end of the first quarter"
    elif check in ("too_short", "too_long", "min_duration_s") and facts.trace is not None:
        # Where frames are missing, the run ends later than its frames take.
        yield float(facts.trace.time_s[-1]), f"end, {number_text(facts.duration_s, decimals=1)} s of frames"


def scenes_of(runs: pd.DataFrame) -> list[tuple[str, str]]:
    """Return each game and setting of a table of runs, in its order.

    Parameters
    ----------
    runs : DataFrame with ``game`` and ``setting``
    """
    return list(runs[["game", "setting"]].drop_duplicates().itertuples(index=False, name=None))
