"""The desk dies at every point at which it writes, and at others: the finished sheet is the same."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pytest
from made_evening import Evening, made_review

from gpubench_kit.desk.journal import Disk, Journal


class Died(BaseException):
    """The process ends here."""


class DyingDisk(Disk):
    """A disk that counts its points, and ends the process at one of them."""

    def __init__(self, dies_at: int = -1):
        self.count, self.dies_at, self.names = 0, dies_at, []
        super().__init__(self._point)

    def _point(self, point: str) -> None:
        self.count += 1
        self.names.append(point)
        if self.count == self.dies_at:
            raise Died(point)


REVIEW = made_review(games=1, rounds=1, scene_s=3.0, fps=30.0)


def _play(evening: Evening) -> None:
    """Play the evening from where it is: fine runs, a short one and its repeat, a note."""
    while evening.desk.due:
        run = evening.due
        if evening.desk.shown.recording is not None:
            evening.press("1")
            continue
        if run == "r004" and not any(row["note"] for row in evening.rows().values()):
            evening.press("4")
            evening.typed("window was open")
            continue
        known = [path for path in evening.captures.iterdir() if path.name == f"{run}.csv"]
        if known:
            evening.wait(40)
            if evening.desk.shown.recording is None and evening.desk.due[:1] == [run]:
                evening.press("enter")
            assert evening.desk.due[:1] != [run] or evening.desk.shown.recording, run
            continue
        is_short = run == "r003"
        evening.record(run, "short_run" if is_short else "", name=f"{run}.csv", rest=35 if is_short else 4)
    evening.press("enter")


def _sheet(evening: Evening) -> list[dict]:
    """Return the sheet without what depends on when the desk came back."""
    rows = csv.DictReader(io.StringIO((evening.folder / "runs.csv").read_text(encoding="utf-8")))
    return [{key: text for key, text in row.items() if key not in ("started_at", "sensor_log")} for row in rows]


def _finished(folder: Path, dies_at: int) -> tuple[list[dict], DyingDisk, Evening]:
    """Return the finished sheet of an evening in which the desk died once."""
    disk = DyingDisk(dies_at)
    evening = Evening(folder, REVIEW, disk=disk)
    try:
        evening.open()
        _play(evening)
    except Died:
        evening.leave()
        evening.clock.move(20)
        evening.open()
        _play(evening)
    evening.leave()
    return _sheet(evening), disk, evening


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """Return the finished sheet where nothing dies, and the points that there are."""
    sheet, disk, _ = _finished(tmp_path_factory.mktemp("whole"), -1)
    return sheet, disk.names


def _check(folder: Path, whole, point: int) -> None:
    """Hold an evening with a death against the whole one."""
    sheet, names = whole
    found, _, evening = _finished(folder, point)
    assert found == sheet, f"dies at {point}: {names[point - 1]}"
    copies = [path.name for path in (evening.folder / "logs").iterdir() if path.is_file()]
    assert not [name for name in copies if name.endswith(".part")]
    logs = [row["frame_log"] for row in found]
    assert len(set(logs)) == len(logs)
    for row in found:
        made = evening.captures / f"{row['run']}.csv"
        assert (evening.folder / row["frame_log"]).read_bytes() == made.read_bytes()


def test_the_whole_evening_has_a_short_run_and_its_repeat(whole):
    sheet, names = whole
    assert [row["run"] for row in sheet if row["excluded"]] == ["r003"]
    assert {row["replaces"] for row in sheet} == {"", "r003"}
    assert len(names) > 100


@pytest.mark.long
@pytest.mark.parametrize("eighth", range(8))
def test_dying_at_every_point_leaves_the_same_sheet(tmp_path, whole, eighth):
    for point in range(eighth + 1, len(whole[1]) + 1, 8):
        _check(tmp_path / str(point), whole, point)


def _dying_again_and_again(folder: Path, seed: int) -> list[dict]:
    """Return the finished sheet of a session in which the desk died up to three times, wherever that was."""
    rng = np.random.default_rng(seed)
    disk = DyingDisk(int(rng.integers(1, 180)))
    evening = Evening(folder, REVIEW, disk=disk)
    for attempt in range(4):
        try:
            evening.open()
            _play(evening)
            break
        except Died:
            evening.leave()
            evening.clock.move(float(rng.uniform(1, 40)))
            disk.dies_at = disk.count + int(rng.integers(1, 60)) if attempt < 2 else -1
    evening.leave()
    return _sheet(evening)


def test_dying_again_and_again_leaves_the_same_sheet(tmp_path, whole):
    assert _dying_again_and_again(tmp_path, 11) == whole[0]


@pytest.mark.long
@pytest.mark.parametrize("seed", range(20))
def test_dying_at_random_leaves_the_same_sheet(tmp_path, whole, seed):
    assert _dying_again_and_again(tmp_path, seed) == whole[0]


def test_a_torn_last_line_of_the_journal_is_cut_off(tmp_path):
    file = tmp_path / "journal.jsonl"
    journal = Journal(file, Disk())
    journal.add("open", {"at": "x"})
    journal.add("note", {"run": "r1"})
    whole = file.read_bytes()
    for size in range(1, len(whole)):
        file.write_bytes(whole[:size])
        again = Journal(file, Disk())
        assert file.read_bytes() == b"".join(whole.splitlines(keepends=True)[: len(again.lines)])
        again.add("close", {})
        assert [one["did"] for one in Journal(file, Disk()).lines][-1] == "close"
