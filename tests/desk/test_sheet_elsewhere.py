"""A run sheet that another program holds, half saves, or edits while the desk's own steps wait."""

from __future__ import annotations

import pytest
from made_evening import Evening, made_review

from gpubench_kit.desk.journal import Disk

SMALL = made_review(games=1, rounds=2, scene_s=4.0, fps=30.0)


@pytest.fixture
def evening(tmp_path):
    """Return an evening at its beginning."""
    with Evening(tmp_path, SMALL) as one:
        yield one


class _HeldDisk(Disk):
    """A disk on which another program can hold the run sheet."""

    is_held = False

    def replace(self, file, content):
        if self.is_held and file.name == "runs.csv":
            raise PermissionError(13, "held", str(file))
        super().replace(file, content)


def test_a_sheet_that_is_held_is_told_at_once_with_the_steps_that_wait(tmp_path):
    with Evening(tmp_path, SMALL, disk=_HeldDisk()) as evening:
        evening.record()
        evening.disk.is_held = True
        evening.press("4")
        evening.typed("window was open")
        assert evening.now.startswith("SHEET OPEN   runs.csv is held by another program: 1 steps wait")
        evening.wait(20)
        assert "1 steps wait" in evening.now
        evening.press("3")
        assert "2 steps wait" in evening.now
        evening.disk.is_held = False
        evening.wait(2)
        assert evening.rows()["r002"]["note"] == "window was open"


@pytest.mark.parametrize("column", ["tuning", "game"])
def test_a_name_misspelt_in_the_sheet_does_not_end_the_desk(evening, column):
    evening.record()
    evening.record()
    (run, row), sheet = next(iter(evening.rows().items())), evening.folder / "runs.csv"
    lines = sheet.read_text(encoding="utf-8").splitlines(keepends=True)
    lines = [one.replace(row[column], "misspelt") if one.startswith(f"{run},") else one for one in lines]
    sheet.write_text("".join(lines), encoding="utf-8")
    evening.wait(15)
    assert f"{column} of {run} changed elsewhere: 'misspelt' is not in the plan" in evening.now
    evening.record()
    assert evening.rows()[run][column] == "misspelt"
    assert sum(bool(one["frame_log"]) for one in evening.rows().values()) == 3


def test_a_sheet_that_is_half_saved_is_told_only_if_it_stays_so(evening):
    evening.record()
    sheet = evening.folder / "runs.csv"
    content = sheet.read_bytes()
    sheet.write_bytes(b'run,tuning,game\nr002,"qui')
    evening.wait(6)
    assert evening.desk.trouble is None
    evening.wait(6)
    assert evening.now.startswith("SHEET UNREADABLE")
    sheet.write_bytes(content)
    evening.wait(3)
    assert evening.desk.trouble is None
    assert evening.rows()["r002"]["frame_log"] == "logs/r002.csv"


def _conflict(evening: Evening) -> None:
    """Let another program write the cause of a run while the desk's own steps wait."""
    evening.record()
    sheet = evening.folder / "runs.csv"
    content = sheet.read_text()
    evening.disk.is_held = True
    evening.press("1", "4")
    lines = [line.replace("logs/r002.csv", "logs/mine.csv", 1) if line.startswith("r002,") else line
             for line in content.splitlines()]  # fmt: skip
    cells = [line.split(",") for line in lines]
    place = cells[0].index("excluded")
    row = next(one for one in cells if one[0] == "r002")
    row[place + 1] = "log_gap"
    sheet.write_text("\n".join(",".join(one) for one in cells) + "\n")
    (evening.folder / "logs" / "mine.csv").write_bytes((evening.folder / "logs" / "r002.csv").read_bytes())
    evening.disk.is_held = False


@pytest.mark.parametrize(("key", "cause"), [("1", "log_gap"), ("2", "background_load")])
def test_a_cell_that_both_changed_is_asked_and_its_run_is_not_held_against_others_till_then(tmp_path, key, cause):
    evening = Evening(tmp_path, SMALL, disk=_HeldDisk())
    evening.open()
    _conflict(evening)
    evening.wait(3)
    assert "r002: excluded is 'log_gap' here and 'background_load' at the desk." in evening.now
    assert evening.rows()["r002"]["excluded"] == "log_gap", "theirs stays"
    known = evening.desk.taker.known
    assert "r002" not in [one.run for one in known.used(known.runs["r002"].place)]
    evening.leave()
    evening.clock.move(50)
    evening.open()
    evening.press("esc")
    assert "1 theirs   2 the desk's" in evening.now, "it is asked again after a restart"
    evening.press(key)
    assert not evening.desk.session.questions
    assert evening.rows()["r002"]["excluded"] == cause
    evening.leave()


def test_a_row_that_is_gone_can_be_put_back(evening):
    evening.record()
    sheet = evening.folder / "runs.csv"
    whole = evening.rows()
    sheet.write_text("".join(line for line in sheet.read_text().splitlines(True) if not line.startswith("r002,")))
    evening.wait(2)
    assert "r002 is recorded, but its row is gone: 1 leave it out, 2 put it back." in evening.now
    assert "r002" not in evening.rows()
    evening.press("2")
    assert evening.rows()["r002"] == whole["r002"]
