"""What a file tells of itself: the start that a line above its heading states."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from pathlib import Path

import pytest

from gpubench_kit.logs.loose_files import facts_of_log

AT = datetime(2026, 11, 21, 18, 30, 5, tzinfo=UTC).timestamp()


def start_of(folder: Path, *above: str) -> float:
    """Return the start that is found in a log with these lines above its heading."""
    frames = [8.0 + nth % 5 * 0.25 for nth in range(900)]
    rows = [f"{sum(frames[:nth]) / 1000:.5f},{frame}" for nth, frame in enumerate(frames, start=1)]
    path = folder / "Salt Orchard quiet 1.csv"
    path.write_text("\n".join((*above, "time (s),frame time (ms)", *rows)), encoding="utf-8")
    return facts_of_log(path).started_at_s


@pytest.mark.parametrize(
    "line",
    [
        "Start: 2026-11-21 18:30:05",
        "# begun at 2026-11-21T18:30:05",
        "Beginn;21.11.2026 18:30:05",
        '"Début","21 Nov 2026 18:30:05"',
        "Recording started 2026-11-21 18:30:05",
    ],
)
def test_a_start_above_the_heading_is_the_start_of_the_log(tmp_path, line):
    assert start_of(tmp_path, "Bench 4", line) == AT


@pytest.mark.parametrize(
    "lines",
    [
        ("End: 2026-11-21 18:30:05",),
        ("Saved at 2026-11-21 18:30:05",),
        ("Driver start: 2026-11-21 18:30:05",),
        ("2026-11-21 18:30:05",),
        ("Start: 2026-11-21",),
        ("Start: 18:30:05",),
        ("Start: 03/04/2026 18:30:05",),
        ("Start: 2026-11-21 18:30:05", "Begin: 2026-11-21 18:29:00"),
    ],
)
def test_another_moment_and_one_in_doubt_are_no_start(tmp_path, lines):
    assert math.isnan(start_of(tmp_path, *lines))
