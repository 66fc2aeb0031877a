"""What recordings hold, and how they come into the review: programs, first lines, samples, packed files."""

from __future__ import annotations

import csv
import errno
import gzip
import io
import os

import pytest
from made_evening import PLAIN, Evening, made_review
from openpyxl import Workbook

from gpubench_kit import cli
from gpubench_kit.desk.journal import Disk
from gpubench_kit.desk.keeper import make_sheet
from gpubench_kit.desk.recordings import recordings_in
from gpubench_kit.logs.format import Declaration
from gpubench_kit.logs.review import open_review
from gpubench_kit.logs.run_log import read_run
from gpubench_kit.model.errors import ReportError
from gpubench_kit.model.plan import load_plan
from gpubench_kit.synthetic.review import make_logs, sensor_log_text

pytestmark = pytest.mark.usefixtures("notebooks_here")

SMALL = made_review(games=1, rounds=2, scene_s=4.0, fps=30.0)


@pytest.fixture
def evening(tmp_path):
    """Return a session at its beginning."""
    with Evening(tmp_path, SMALL) as one:
        yield one


def _file(evening: Evening, name: str, content: bytes, *, rest: int = 14) -> None:
    """Write a recording in pieces, a second each, and let it rest."""
    lines = content.splitlines(keepends=True)
    for second in range(4):
        with (evening.captures / name).open("ab") as out:
            out.write(b"".join(lines[len(lines) * second // 4 : len(lines) * (second + 1) // 4]))
        evening.tick()
    evening.wait(rest)


def _frames(heading: str, *, n: int = 125, step_ms: float = 33.1) -> list[str]:
    """Return rows of elapsed time and frame time."""
    return [heading, *(f"{k * step_ms / 1000:.6f},{step_ms + (k % 5) / 100:.4f}" for k in range(n))]


def _two_programs() -> bytes:
    """Return a log in which the frames of an overlay stand between those of the game."""
    rows, time_s = ["program,elapsed_s,frame_ms"], 0.0
    for k in range(800):
        step_ms = 10 + (k % 7) / 100
        rows.append(f"tide.exe,{time_s:.6f},{step_ms:.4f}")
        rows += [f"overlay.exe,{time_s + 0.003:.6f},30.{k % 5:03d}"] if k % 3 == 0 else []
        time_s += step_ms / 1000
    return "\n".join([*rows, ""]).encode()


def test_a_log_of_two_programs_asks_which_is_the_game_and_writes_the_answer_into_the_plan(evening):
    due = evening.due
    _file(evening, "one.csv", _two_programs(), rest=16)
    assert evening.desk.shown.state == "program"
    assert "two programs in this log: which is the game?" in evening.now
    assert "1  tide.exe" in evening.now
    assert "2  overlay.exe" in evening.now
    evening.press("9")
    assert evening.desk.shown.state == "program", "there is no ninth program"
    evening.press("1")
    plan = load_plan(evening.folder)
    assert plan.logs.count_only == {"program": ["tide.exe"]} or plan.logs.count_only["program"] == ("tide.exe",)
    assert evening.rows()[due]["frame_log"] == f"logs/{due}.csv"
    assert evening.desk.taker.known.runs[due].values, "its frames are read now"
    evening.wait(3)
    assert "changed elsewhere" not in evening.now, "the desk's own entry is nobody else's"


def test_a_log_of_two_programs_can_wait_for_its_answer(evening):
    _file(evening, "one.csv", _two_programs(), rest=16)
    plan = (evening.folder / "plan.toml").read_bytes()
    evening.press("enter")
    assert evening.desk.shown.state == "next"
    assert (evening.folder / "plan.toml").read_bytes() == plan


@pytest.mark.parametrize(("before", "after", "said"), [
    ("Game version: 1.4.1", "Game version: 1.4.2", "game version 1.4.2, before 1.4.1: runs before and after"),
    ("driver: 21.4", "driver: 21.6", "driver 21.6, before 21.4: runs before and after stay apart"),
    ("average: 30.2", "average: 31.7", ""),
])  # fmt: skip
def test_first_lines_that_change_are_told_but_never_numbers_that_could_be_results(evening, before, after, said):
    for line in (before, before, after):
        evening.record(edit=lambda content, line=line: f"{line}\n\n".encode() + content)
    told = evening.desk.session.takes()[-1]["verdict"]
    assert said in str(told)
    assert "31.7" not in str(told)
    assert said not in str(evening.desk.session.takes()[-2]["verdict"]) or not said


def _samples(evening: Evening, name: str, edit) -> None:
    """Record a run whose sensor log is edited while it is written."""
    run = evening.due
    made = evening.made(run)
    text = sensor_log_text(make_logs(evening.review, made), made, dialect=PLAIN)
    plain = evening.made
    evening.made = lambda name, mishap="": made
    rows = text.splitlines(keepends=True)
    evening.record(run, name=f"{name}.csv", rest=0)
    evening.made = plain
    (evening.sensors / f"{name}.sensors.csv").write_text("".join(edit(rows)), encoding="utf-8")
    evening.wait(16)


def test_samples_that_stop_early_and_samples_that_stand_still_are_told_apart(tmp_path):
    review = made_review(games=1, rounds=2, scene_s=24.0, fps=30.0)
    with Evening(tmp_path, review) as evening:
        evening.record()
        _samples(evening, "early", lambda rows: rows[: len(rows) // 2])
        early = evening.desk.session.takes()[-1]["verdict"]
        assert "the sensor log stopped" in str(early)
        assert "before the run ended" in str(early)

        def frozen(rows: list[str]) -> list[str]:
            half = len(rows) // 2
            held = rows[half].partition(",")[2]
            return [*rows[:half], *(f"{row.partition(',')[0]},{held}" for row in rows[half:])]

        _samples(evening, "still", frozen)
        still = evening.desk.session.takes()[-1]["verdict"]
        assert "sensors stood still for" in str(still)
        assert "stopped" not in str(still)


def test_a_packed_log_stays_packed(evening):
    content = "\n".join([*_frames("elapsed_s,frame_ms"), ""]).encode()
    packed = gzip.compress(content)
    due = evening.due
    (evening.captures / "one.csv.gz").write_bytes(packed)
    evening.wait(40)
    assert evening.rows()[due]["frame_log"] == f"logs/{due}.csv.gz"
    assert (evening.folder / "logs" / f"{due}.csv.gz").read_bytes() == packed
    assert evening.desk.taker.known.runs[due].length_s == pytest.approx(4.1, abs=0.2)


@pytest.fixture
def with_workbook(tmp_path):
    """Return a session whose sheet is a workbook, before its beginning, and the names of its runs."""
    evening = Evening(tmp_path, SMALL)
    sheet = evening.folder / "runs.csv"
    rows = list(csv.reader(io.StringIO(sheet.read_text(encoding="utf-8"))))
    book = Workbook()
    for row in rows:
        book.active.append(row)
    book.save(evening.folder / "runs.xlsx")
    sheet.unlink()
    return evening, [row[0] for row in rows[1:]]


def test_a_workbook_is_made_into_a_sheet_and_kept(with_workbook):
    evening, runs = with_workbook
    make_sheet(evening.folder)
    with evening:
        evening.record()
    assert (evening.folder / "runs_before_desk.xlsx").exists()
    assert not (evening.folder / "runs.xlsx").exists()
    text = (evening.folder / "runs.csv").read_text()
    assert [row["run"] for row in csv.DictReader(io.StringIO(text))] == runs
    assert evening.rows()["r002"]["frame_log"] == "logs/r002.csv"


@pytest.mark.parametrize(("answer", "is_made"), [("\n", True), ("", False), ("n\n", False)])
def test_a_workbook_is_made_into_a_sheet_only_after_enter(with_workbook, monkeypatch, capsys, answer, is_made):
    evening, _ = with_workbook
    monkeypatch.setattr("sys.stdin", io.StringIO(answer))
    monkeypatch.setattr("gpubench_kit.desk.terminal.run_desk", lambda *_: None)
    code = cli.main(["desk", str(evening.folder), "--watch", str(evening.captures)])
    said = capsys.readouterr()
    assert (code == 0) == is_made
    assert "Enter: make it from runs.xlsx, which is kept and no longer read." in said.out
    assert (evening.folder / "runs.csv").exists() == is_made
    assert (evening.folder / "runs.xlsx").exists() != is_made
    assert ("nothing was changed" in said.err) != is_made


def test_a_sheet_that_was_half_made_is_made_at_the_next_start(with_workbook):
    evening, runs = with_workbook

    def stop(point: str) -> None:
        if point == "moved runs.xlsx":
            raise OSError(point)

    with pytest.raises(OSError, match="moved"):
        make_sheet(evening.folder, Disk(stop))
    with evening:
        assert list(evening.rows()) == runs


def test_a_desk_without_a_sheet_that_it_can_write_is_refused(with_workbook):
    evening, _ = with_workbook
    with pytest.raises(ReportError, match="runs stand in a workbook"), evening:
        pass


def test_a_sheet_with_tabs_is_written_as_it_is(tmp_path):
    evening = Evening(tmp_path, SMALL)
    sheet = evening.folder / "runs.csv"
    rows = csv.reader(io.StringIO(sheet.read_text()))
    sheet.with_suffix(".tsv").write_text("".join("\t".join(row) + "\n" for row in rows))
    sheet.unlink()
    with evening:
        evening.record()
    lines = sheet.with_suffix(".tsv").read_text().splitlines()
    assert "\tlogs/r002.csv\t" in lines[1]
    assert not sheet.exists()


def test_what_was_edited_between_two_sessions_is_taken_over(tmp_path):
    evening = Evening(tmp_path, SMALL)
    with evening:
        evening.record()
        evening.press("9", "enter")
    evening.leave()
    sheet = evening.folder / "runs.csv"
    heading = sheet.read_text().splitlines()[0].split(",")
    new = {"run": "x1", "tuning": "quiet", "game": "Copper Monsoon", "purpose": "measure", "note": "mine"}
    lines = sheet.read_text().splitlines()
    lines = [f"{line}typed" if line.startswith("r003,") else line for line in lines]
    text = "\n".join([*lines, ""])
    sheet.write_text(text + ",".join(new.get(name, "") for name in heading) + "\n")
    evening.open()
    assert evening.rows()["x1"]["note"] == "mine"
    assert evening.rows()["r003"]["note"] == "typed"
    assert evening.rows()["r002"]["frame_log"] == "logs/r002.csv"
    assert "x1" in evening.desk.due
    evening.leave()


def test_a_file_without_its_own_time_that_goes_on_holds_the_next_run(evening):
    first, second = evening.desk.due[:2]
    rows = [f"{33 + k % 3}.1" for k in range(125)]
    _file(evening, "all.csv", "\n".join(["frame_ms", *rows, ""]).encode(), rest=14)
    assert evening.rows()[first]["frame_log"] == f"logs/{first}.csv"
    _file(evening, "all.csv", "\n".join([*rows[::-1], ""]).encode(), rest=16)
    assert evening.rows()[second]["frame_log"] == f"logs/{second}.csv"
    assert (evening.folder / "logs" / f"{second}.csv").read_text().split() == ["frame_ms", *rows[::-1]]


@pytest.mark.parametrize("torn", ["59.9", "1", "4.1,33"])
def test_a_last_row_that_breaks_off_begins_no_other_run(tmp_path, torn):
    file = tmp_path / "one.csv"
    file.write_text("\n".join([*_frames("elapsed_s,frame_ms"), torn]))
    (found,) = recordings_in(file, begin=0, declared=Declaration(), wanted_s=4.0, scratch=tmp_path / "scratch")
    assert (found.start, found.stop) == (0, file.stat().st_size)
    assert found.content == file.read_bytes()


def test_pictures_and_films_are_told_once(evening):
    for name in ("film.mp4", "picture.png"):
        (evening.captures / name).write_bytes(b"x")
    evening.wait(2)
    assert "film.mp4 and 1 more: no logs, left alone" in evening.now


def test_what_the_desk_saw_makes_a_reading_sure(tmp_path):
    """A lone column without a unit is only likely; the length that was seen states it, here and in the check."""
    with Evening(tmp_path, made_review(games=1, rounds=1, scene_s=30.0, fps=40.0)) as evening:
        due = evening.due
        rows = [f"{24 + (k * 7 % 13) / 10:.1f}" for k in range(1230)]
        lines = [line.encode() for line in ("Dauer\n", *(f"{row}\n" for row in rows))]
        for second in range(30):
            with (evening.captures / "one.csv").open("ab") as out:
                out.write(b"".join(lines[len(lines) * second // 30 : len(lines) * (second + 1) // 30]))
            evening.tick()
        evening.wait(20)
        assert evening.rows()[due]["frame_log"] == f"logs/{due}.csv"
        assert evening.desk.shown.state == "next", "nothing is left to ask"
        assert evening.desk.session.takes()[0]["verdict"]["kind"] == "fine"
    task = open_review(load_plan(evening.folder), keep_going=True).tasks[0]
    assert task.witness is not None
    assert task.witness.seconds == pytest.approx(30, abs=2)
    assert read_run(task).frames.end_s == pytest.approx(30.3, abs=0.1)
    (evening.folder / "desk" / "witness.csv").unlink()
    task = open_review(load_plan(evening.folder), keep_going=True).tasks[0]
    assert read_run(task).frames is None, "the log alone does not say whether these are frame times or rates"


def test_one_sensor_log_for_all_runs_is_copied_once_and_its_clock_proven(tmp_path):
    """The recorder of sensors writes one file all session, its clock 80 s ahead."""
    review = made_review(games=1, rounds=2, scene_s=20.0, fps=30.0)
    with Evening(tmp_path, review) as evening:
        log = evening.sensors / "all.csv"
        log.write_text("clock_time,load_pct,board_w\n")

        def sampled(load: int) -> None:
            at = evening.clock.now().timestamp() + 80
            stamp = evening.clock.now().fromtimestamp(at).isoformat(sep=" ", timespec="milliseconds")
            with log.open("a") as out:
                out.write(f"{stamp},{load},{40 + 2.5 * load + int(at) % 3:.1f}\n")

        plain = evening.tick
        busy = [0]

        def tick(seconds: float = 1.0) -> bool:
            sampled(97 if busy[0] else 3)
            return plain(seconds)

        evening.tick = tick
        evening.wait(5)
        while evening.desk.due:
            busy[0] = 1
            evening.record(rest=0)
            for extra in evening.sensors.glob("capture*"):
                extra.unlink()
            busy[0] = 0
            # Runs at equal distances would fit the stretches in several ways.
            evening.wait(22 + (11 * len(evening.desk.due)) % 17)
        rows = evening.rows()
        names = {row["sensor_log"] for row in rows.values()}
        assert len(names) == 1
        copy = evening.folder / names.pop()
        assert log.read_bytes().startswith(copy.read_bytes())
        assert evening.desk.taker.clock_proven
        said = [line["verdict"] for line in evening.desk.session.takes()]
        assert sum("not proven yet" in str(one) for one in said) == 1
        assert "no sensor log" not in str(said)
    tasks = open_review(load_plan(evening.folder), keep_going=True).tasks
    assert all(task.clock is not None and task.clock.is_proven for task in tasks)


class FullDisk(Disk):
    """A disk that is full at one of its points, once."""

    def __init__(self, full_at: int = -1):
        self.count, self.full_at = 0, full_at
        super().__init__(self._point)

    def _point(self, point: str) -> None:
        self.count += 1
        if self.count == self.full_at:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), point)


def _played(folder, full_at: int) -> tuple[list[dict], FullDisk]:
    """Return the sheet of a session of one round whose disk is full once, from the start of the desk on."""
    disk = FullDisk()
    evening = Evening(folder, made_review(games=1, rounds=1, scene_s=3.0, fps=30.0), disk=disk)
    with evening:
        disk.count, disk.full_at = 0, full_at
        while evening.desk.due:
            run = evening.due
            evening.record(run, name=f"{run}.csv", rest=6)
            while evening.desk.due[:1] == [run]:
                evening.wait(2)
            if run == "r003":
                evening.press("4")
                evening.typed("window was open")
                if not evening.desk.session.rows[run]["note"]:
                    evening.wait(12)
                    evening.press("4")
                    evening.typed("window was open")
        evening.wait(12)
    texts = [{key: text for key, text in row.items() if key not in ("started_at", "sensor_log")}
             for row in evening.rows().values()]  # fmt: skip
    return texts, disk


@pytest.mark.long
def test_a_disk_that_is_full_at_any_write_loses_nothing(tmp_path):
    whole, disk = _played(tmp_path / "whole", -1)
    assert disk.count > 40
    for point in range(1, disk.count + 1):
        found, _ = _played(tmp_path / str(point), point)
        assert found == whole, f"full at {point}"


def test_a_disk_that_is_full_at_some_writes_loses_nothing(tmp_path):
    whole, disk = _played(tmp_path / "whole", -1)
    for point in range(3, disk.count, max(1, disk.count // 6)):
        assert _played(tmp_path / str(point), point)[0] == whole, f"full at {point}"


def test_steps_that_wait_are_settled_by_the_command(tmp_path, capsys):
    class Held(Disk):
        def replace(self, file, content):
            if file.name == "runs.csv" and "take" in (file.parent / "desk" / "journal.jsonl").read_text():
                raise PermissionError(13, "held", str(file))
            super().replace(file, content)

    evening = Evening(tmp_path, SMALL, disk=Held())
    with evening:
        evening.record()
        assert not evening.rows()["r002"]["frame_log"]
    evening.leave()
    assert cli.main(["desk", str(evening.folder), "--settle"]) == 0
    assert "rows of runs.csv written" in capsys.readouterr().out
    assert evening.rows()["r002"]["frame_log"] == "logs/r002.csv"
    assert not (evening.folder / "desk" / "lock").exists()


def test_checking_while_steps_wait_says_so(tmp_path, capsys):
    evening = Evening(tmp_path, SMALL)
    with evening:
        before = (evening.folder / "runs.csv").read_bytes()
        evening.record()
    evening.leave()
    files = [evening.folder / "runs.csv", evening.folder / "desk" / "sheet_before.csv"]
    after = [file.read_bytes() for file in files]
    for command in ("check", "report"):
        cli.main([command, str(evening.folder), "--output", str(tmp_path / "out")])
        assert "--settle" not in capsys.readouterr().err
    for file in files:
        file.write_bytes(before)
    for command in ("check", "report"):
        cli.main([command, str(evening.folder), "--output", str(tmp_path / "out")])
        said = capsys.readouterr().err
        assert f"1 row of the desk is not in runs.csv yet: gpubench-kit desk {evening.folder} --settle" in said
    assert cli.main(["desk", str(evening.folder), "--settle"]) == 0
    assert [file.read_bytes() for file in files] == after
