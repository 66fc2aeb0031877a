"""Every screen whole, sign by sign, against ``tests/data/desk_screens.txt``."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from made_evening import Evening, made_review
from source_trees import ROOT

from gpubench_kit.desk.terminal import lines_of
from gpubench_kit.desk.view import view_of

SCREENS = ROOT / "tests" / "data" / "desk_screens.txt"
REVIEW = made_review(games=4, rounds=2, scene_s=4.0, fps=30.0)


def played_screens(folder: Path) -> dict[str, list[str]]:
    """Return the screens of a played session, by title."""
    shots: dict[str, list[str]] = {}
    evening = Evening(folder, REVIEW)

    def shot(title: str, **size: int) -> None:
        lines = lines_of(view_of(evening.desk), **size)
        # Where the folders lie differs from test to test, and what is free.
        lines = [re.sub(r"│ \S*(captures|sensors)$", r"│ \1", line) for line in lines]
        shots[title] = [re.sub(r"(free on disk +)\d+", r"\g<1>212", line) for line in lines]

    with evening:
        shot("NEXT, nothing done")
        for _ in range(4):
            evening.record()
        shot("FINE")
        shot("FINE in 120 x 40", width=120, height=40)
        made = evening.captures / "capture that grows.csv"
        made.write_bytes(b"frame,frame_ms\n1,16.6\n")
        evening.wait(2)
        shot("RECORDING")
        made.unlink()
        evening.wait(2)
        evening.record(mishap="short_run", rest=35)
        shot("REPEAT")
        evening.press("3")
        while evening.desk.session.rows[evening.due]["tuning"] == "factory":
            evening.record()
        evening.record(mishap="tuning_lost")
        shot("TUNING LOST")
        evening.press("3", "1")
        shot("CAUSE")
        evening.press("esc")
        game = evening.desk.session.rows[evening.due]["game"]
        evening.record(name=f"{'Salt Orchard' if game != 'Salt Orchard' else 'Dust Meridian'} 2.csv")
        shot("WHICH RUN")
        evening.press("4", "5")
        shot("CRASHED")
        evening.press("2")
        shot("STOP")
        evening.press("enter", "8")
        shot("PAUSED")
        evening.press("enter", "6")
        shot("RESTARTED")
        evening.press("esc", "7")
        shot("ALL GAMES")
        evening.press("esc")
        free, evening.disk.free = evening.disk.free, lambda folder: 9_000_000
        evening.record()
        shot("DISK FULL")
        evening.disk.free = free
        evening.wait(12)
        evening.press("9")
        shot("END")
    evening.leave()
    evening.clock.move(95)
    (evening.folder / "logs" / ".r009.csv.part").write_bytes(b"half")
    evening.open()
    shot("BACK AGAIN")
    evening.leave()
    return shots


@pytest.fixture(scope="module")
def screens(tmp_path_factory):
    """Return the screens of a played session."""
    return played_screens(tmp_path_factory.mktemp("screens"))


def as_text(shots: dict[str, list[str]]) -> str:
    """Return screens as they stand in the file."""
    lines = [line.rstrip() for title, shot in shots.items() for line in (f"=== {title}", *shot)]
    return "\n".join([*lines, ""])


def test_every_screen_is_as_it_was_drawn(screens):
    expected = SCREENS.read_text(encoding="utf-8").split("=== ")[1:]
    found = as_text(screens).split("=== ")[1:]
    assert [one.partition("\n")[0] for one in found] == [one.partition("\n")[0] for one in expected]
    for one, other in zip(found, expected, strict=True):
        assert one == other, one.partition("\n")[0]


def test_a_screen_has_its_rows_and_no_more(screens):
    for title, lines in screens.items():
        width, height = (120, 40) if "120 x 40" in title else (80, 24)
        assert len(lines) == height, title
        assert max(map(len, lines)) <= width, title
