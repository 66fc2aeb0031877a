"""`new FOLDER --from LOGS` with files on a disk: the dialog, what is written and refused, what stays as it was."""

from __future__ import annotations

import datetime as dt
import errno
import hashlib
import itertools
import json
import os
import random
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from made_dialects import frames, text_of, written
from terminal import talk

from gpubench_kit import cli
from gpubench_kit.logs.review import open_review
from gpubench_kit.model.plan import load_plan

GAMES = {"Copper Monsoon": 90.0, "Salt Orchard": 60.0}
BEGIN = dt.datetime(2026, 11, 20, 18, 30, 5)


def write_log(file: Path, start: dt.datetime, fps: float, seed: int, *, seconds: float = 6.0) -> None:
    """Write a frame log with a clock and a column of frame times."""
    rng, passed, rows = random.Random(seed), 0.0, ["Date,frame_ms"]
    while passed < 1000 * seconds:
        stamp = start + dt.timedelta(milliseconds=passed)
        frame_ms = round(1000 / fps * rng.gauss(1, 0.04), 3)
        rows.append(f"{stamp.isoformat(sep=' ', timespec='milliseconds')},{frame_ms}")
        passed += frame_ms
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text("\n".join(rows) + "\n", encoding="utf-8")


def write_logs(folder: Path, *, block: bool = False, name: str = "{game} {tuning} {n}.csv") -> Path:
    """Write eight logs: two games, two tunings, two rounds."""
    runs = [(game, tuning, n) for n in (1, 2) for game in GAMES for tuning in ("factory", "quiet")]
    if block:
        runs.sort(key=lambda run: run[1])
    for place, (game, tuning, n) in enumerate(runs):
        file = folder / name.format(game=game, tuning=tuning, n=n, place=place)
        write_log(file, BEGIN + dt.timedelta(minutes=2 * place), GAMES[game], place)
    return folder


@pytest.fixture
def logs(tmp_path) -> Path:
    """A folder of eight logs."""
    return write_logs(tmp_path / "logs")


def new(*words: str | Path) -> int:
    """Run the command without a terminal."""
    return cli.main(["new", *map(str, words)])


def hashes(folder: Path) -> dict[str, str]:
    """Return the hash of each file below a folder."""
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def test_a_dialog_makes_a_review_whose_logs_open(tmp_path, logs):
    before = hashes(logs)
    shown = talk(
        ["new", "larkmoor", "--from", "logs"], ["", "Larkmoor 4", "power_limit_pct -12", ""], folder=tmp_path
    )
    assert shown.code == 0, shown.text
    assert "8 files: 8 frame logs. Nothing left over, nothing twice." in shown.text
    assert "1 of 4   Is this table right?" in shown.text
    assert 'written: [[cards]] name = "Larkmoor 4"' in shown.text
    assert "8 logs copied to larkmoor/logs (originals untouched)" in " ".join(shown.text.split())
    assert hashes(logs) == before
    plan = load_plan(tmp_path / "larkmoor")
    assert plan.tunings[1].changes == {"power_limit_pct": -12.0}
    review = open_review(plan)
    assert len(review.tasks) == 8
    assert review.runs["round"].tolist() == [1, 1, 1, 1, 2, 2, 2, 2]


def test_a_dialog_and_its_answers_make_the_same_bytes(tmp_path, logs):
    talk(["new", "one", "--from", "logs"], ["", "Larkmoor 4", "", "3"], folder=tmp_path)
    assert new(tmp_path / "two", "--from", logs, "--answers", tmp_path / "one" / "answers.toml", "--quiet") == 0
    assert hashes(tmp_path / "one") == hashes(tmp_path / "two")


@pytest.mark.parametrize("stopped_at", [0, 1, 2])
def test_a_dialog_stopped_at_any_question_goes_on_there(tmp_path, logs, stopped_at):
    typed = ["", "Larkmoor 4", "power_limit_pct -12", "2"]
    talk(["new", "whole", "--from", "logs"], typed, folder=tmp_path)
    stopped = talk(["new", "parts", "--from", "logs"], [*typed[:stopped_at], "\x1b"], folder=tmp_path)
    assert stopped.code == 130
    resumed = talk(["new", "parts", "--from", "logs"], typed[stopped_at:], folder=tmp_path)
    assert resumed.code == 0, resumed.text
    assert hashes(tmp_path / "parts") == hashes(tmp_path / "whole")


def test_questions_name_the_files_that_they_concern(tmp_path, capsys):
    for place, name in enumerate(("Salt Orchard 1", "Salt Orchard uv 1", "Salt Orchard 2", "Salt Orchard uv 2")):
        write_log(tmp_path / "logs" / f"{name}.csv", BEGIN + dt.timedelta(minutes=2 * place), 60.0, place)
    new(tmp_path / "x", "--from", tmp_path / "logs", "--json")
    asked = {one["id"]: one["files"] for one in json.loads(capsys.readouterr().out)["questions"]}
    assert asked["no_tuning_in_name"] == ["Salt Orchard 1.csv", "Salt Orchard 2.csv"]
    assert asked["card"] == []


def test_a_plan_without_a_card_has_a_title_already(tmp_path, logs):
    new(tmp_path / "x", "--from", logs)
    assert 'title = "quiet vs factory"' in (tmp_path / "x" / "plan.toml").read_text(encoding="utf-8")


def test_what_is_left_open_lets_check_go_on_and_says_once_what_waits(tmp_path, logs, capsys):
    new(tmp_path / "x", "--from", logs)
    (tmp_path / "bare").mkdir()
    for place, path in enumerate(sorted(logs.glob("*.csv"))):
        (tmp_path / "bare" / f"capture {place}.csv").write_bytes(path.read_bytes())
    new(tmp_path / "y", "--from", tmp_path / "bare")
    capsys.readouterr()
    for folder in (tmp_path / "x", tmp_path / "y"):
        plan = load_plan(folder)
        assert [one.name for one in plan.cards] == ["?"]
        assert cli.main(["check", str(folder), "--output", str(tmp_path / f"{folder.name} page")]) in (0, 1)
    review = open_review(load_plan(tmp_path / "x"), keep_going=True)
    (told,) = [one for one in review.findings if one.check == "names_open"]
    assert told.message == "plan.toml, [[cards]] 1, name: a question is still open."


def test_sensors_that_are_only_likely_are_asked_beside_proven_frames(tmp_path, capsys):
    for place, (tuning, n) in enumerate(itertools.product(("factory", "quiet"), (1, 2))):
        frame_ms = frames(np.random.default_rng(place), 1500)
        columns = {
            "elapsed [s]": written(np.cumsum(frame_ms) - frame_ms, "s"),
            "frame time [ms]": written(frame_ms, "ms"),
            "power [W]": np.full(frame_ms.size, 250.5),
        }
        (tmp_path / "logs").mkdir(exist_ok=True)
        (tmp_path / "logs" / f"Salt Orchard {tuning} {n}.csv").write_text(text_of(columns), encoding="utf-8")
    new(tmp_path / "x", "--from", tmp_path / "logs")
    shown = capsys.readouterr().out
    assert '4 logs of one format ("elapsed [s];frame time [ms];power [W]"): is this right?' in shown
    assert 'sensors = { board_w = { column = "power [W]", unit = "W" } }' in shown


def write_sensors(file: Path, ahead_s: float) -> None:
    """Write one sensor log for an evening of eight runs of a minute with uneven pauses, its clock ahead."""
    starts = [BEGIN + dt.timedelta(seconds=s) for s in UNEVEN_S]
    rows = ["Date,Card load [%],GPU board power [W]"]
    now, end = starts[0] - dt.timedelta(seconds=20), starts[-1] + dt.timedelta(seconds=90)
    while now < end:
        is_busy = any(start <= now < start + dt.timedelta(seconds=60) for start in starts)
        stamp = (now + dt.timedelta(seconds=ahead_s)).isoformat(sep=" ", timespec="milliseconds")
        rows.append(f"{stamp},{98 if is_busy else 3},{290.5 if is_busy else 28.1}")
        now += dt.timedelta(seconds=1)
    file.write_text("\n".join(rows) + "\n", encoding="utf-8")


UNEVEN_S = [0, 95, 210, 290, 420, 500, 655, 740]


@pytest.mark.parametrize(("n_runs", "said"), [(8, r"clock \+3[67]\.\d s, proven"), (3, "clock not proven")])
def test_the_clock_of_the_sensor_log_stands_beside_the_table(tmp_path, capsys, n_runs, said):
    runs = [(game, tuning, n) for n in (1, 2) for game in GAMES for tuning in ("factory", "quiet")]
    for place, (game, tuning, n) in enumerate(runs[:n_runs]):
        start = BEGIN + dt.timedelta(seconds=UNEVEN_S[place])
        write_log(tmp_path / "logs" / f"{game} {tuning} {n}.csv", start, GAMES[game], place, seconds=60)
    write_sensors(tmp_path / "logs" / "sensors evening.csv", 37.0)
    new(tmp_path / "x", "--from", tmp_path / "logs")
    shown = capsys.readouterr().out
    assert f'sensors: "sensors evening.csv" spans all {n_runs},\n' in shown
    assert re.search(rf" {{9}}{said}\n", shown)


def test_no_output_holds_a_rate_of_a_run(tmp_path, logs):
    shown = talk(["new", "larkmoor", "--from", "logs"], ["?", "1", "", "?", "x", "", ""], folder=tmp_path)
    assert shown.code == 0, shown.text
    assert "fps" not in shown.text.casefold()


def test_a_narrow_terminal_gets_short_lines(tmp_path, logs):
    shown = talk(["new", "x", "--from", "logs"], ["", "card", "", ""], folder=tmp_path, columns=40)
    questions = shown.text[shown.text.index("1 of 4") : shown.text.index("Written")]
    assert max(map(len, questions.splitlines())) <= 44
    written, _, closing = shown.text[shown.text.index("Written") :].partition("look 1 of 2")
    assert max(map(len, written[: written.index("Next:")].split("Not answered")[0].splitlines())) <= 40
    assert len(closing.splitlines()) > 3
    assert max(map(len, closing.splitlines())) <= 40


def test_blocks_are_said_before_the_first_question(tmp_path):
    write_logs(tmp_path / "logs", block=True)
    shown = talk(["new", "x", "--from", "logs"], ["", "", "card", "", ""], folder=tmp_path)
    said = shown.text.index("All 4 runs of factory (18:30 to 18:36) came before all 4 of quiet (18:38 to 18:44).")
    assert said < shown.text.index("1 of 5   Is this table right?")
    assert "Was the machine restarted, or the card changed" in shown.text


def test_open_cells_end_with_one_and_name_their_lines(tmp_path, capsys):
    logs = write_logs(tmp_path / "logs", name="capture {place:05d}.csv")
    assert new(tmp_path / "x", "--from", logs) == 1
    shown = capsys.readouterr().out
    assert "cells of runs.csv hold a question mark" in shown
    assert "The pauses do not show where a game ends. Type games and tunings as a list" in shown
    assert "runs.csv: fill in the columns game, tuning and round" in shown
    assert "runs.csv:2  game  ?  (capture 00000.csv)\n" in shown
    assert "  and 6 more cells of game\n" in shown
    go_on = shown[shown.index("Rows with a question mark are left out of check, and report waits for them.") :]
    assert f"To go on, open {tmp_path / 'x' / 'runs.csv'}: where the value beside a mark is right" in go_on
    assert f"games and tunings stand in {tmp_path / 'x' / 'plan.toml'}, too." in go_on
    assert go_on.index("asks them again.") < go_on.index("Next:    gpubench-kit check")
    assert "r001,?,?,?,1,session 1,2026-11-20 18:30:05,logs/capture 00000.csv" in (
        tmp_path / "x" / "runs.csv").read_text(encoding="utf-8")  # fmt: skip
    plan = load_plan(tmp_path / "x")
    assert [one.name for one in (*plan.cards, *plan.tunings, *plan.games)] == ["?"] * 3


def test_logs_inside_the_review_folder_stay_where_they_are(tmp_path, capsys):
    write_logs(tmp_path / "larkmoor" / "logs")
    before = hashes(tmp_path / "larkmoor")
    assert new(tmp_path / "larkmoor", "--from", tmp_path / "larkmoor" / "logs") == 0
    assert "copied" not in capsys.readouterr().out
    assert before.items() <= hashes(tmp_path / "larkmoor").items()
    assert "logs/Copper Monsoon factory 1.csv" in (tmp_path / "larkmoor" / "runs.csv").read_text(encoding="utf-8")


def test_a_folder_of_logs_can_become_the_review_itself(tmp_path):
    logs = write_logs(tmp_path / "larkmoor")
    before = hashes(logs)
    assert new(logs, "--from", logs) == 0
    assert before.items() <= hashes(logs).items()
    assert ",Copper Monsoon factory 1.csv," in (logs / "runs.csv").read_text(encoding="utf-8")


def test_new_inside_a_folder_of_logs_says_that_there_is_a_way(tmp_path, logs, capsys, monkeypatch):
    monkeypatch.chdir(logs)
    assert new("larkmoor") == 0
    first = capsys.readouterr().out.splitlines()[0]
    assert first == ("This folder holds 8 logs. To make the plan and the run sheet from them:  "
                     "gpubench-kit new NAME --from .")  # fmt: skip


def test_new_elsewhere_says_nothing_of_logs(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    new("larkmoor")
    assert "--from" not in capsys.readouterr().out


def test_an_empty_folder_is_refused(tmp_path, capsys):
    (tmp_path / "logs").mkdir()
    assert new(tmp_path / "x", "--from", tmp_path / "logs") == 2
    assert "the folder is empty. Name the folder with your logs, or your table." in capsys.readouterr().err
    assert not (tmp_path / "x").exists()


def test_thousands_of_files_that_are_no_logs_are_refused_in_one_line(tmp_path, capsys):
    for n in range(3000):
        (tmp_path / f"note {n}.txt").write_text("no log\n", encoding="utf-8")
    assert new(tmp_path / "x", "--from", tmp_path) == 2
    told = capsys.readouterr().err
    assert "none of 3000 files is a frame log (one row of text for each frame). First: note 0.txt" in told
    assert len(told.splitlines()) == 1


def test_a_review_is_no_folder_of_logs(tmp_path, logs, capsys):
    new(tmp_path / "x", "--from", logs)
    assert new(tmp_path / "y", "--from", tmp_path / "x") == 2
    assert "this folder is a review already" in capsys.readouterr().err


def test_a_folder_that_does_not_exist_is_told(tmp_path, capsys):
    assert new(tmp_path / "x", "--from", tmp_path / "none") == 2
    assert "there is no such folder or file" in capsys.readouterr().err


def test_a_folder_that_cannot_be_written_leaves_nothing_behind(tmp_path, logs, capsys):
    # A file where the folder should go stops everybody, who may write everywhere too.
    closed = tmp_path / "closed"
    closed.write_text("mine", encoding="utf-8")
    before = hashes(tmp_path)
    assert new(closed / "x", "--from", logs) == 2
    told = capsys.readouterr().err
    assert "cannot be written" in told
    assert "Name a folder that you can write to." in told
    assert hashes(tmp_path) == before


def test_a_disk_that_fills_while_logs_are_copied_leaves_nothing_behind(tmp_path, logs, monkeypatch, capsys):
    copy, copied = shutil.copy2, []

    def copy_three(origin, target):
        if len(copied) == 3:
            Path(target).write_bytes(b"half a l")
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        copied.append(copy(origin, target))

    monkeypatch.setattr(shutil, "copy2", copy_three)
    before = hashes(tmp_path)
    assert new(tmp_path / "x", "--from", logs) == 2
    assert os.strerror(errno.ENOSPC) in capsys.readouterr().err
    assert len(copied) == 3
    assert hashes(tmp_path) == before


def test_a_copy_that_fails_takes_everything_back(tmp_path, logs, capsys):
    (tmp_path / "x" / "logs").mkdir(parents=True)
    (tmp_path / "x" / "logs" / "Salt Orchard quiet 2.csv").write_text("mine", encoding="utf-8")
    assert new(tmp_path / "x", "--from", logs) == 2
    assert "Salt Orchard quiet 2.csv is there already" in capsys.readouterr().err
    assert hashes(tmp_path / "x").keys() == {"logs/Salt Orchard quiet 2.csv"}
    assert (tmp_path / "x" / "logs" / "Salt Orchard quiet 2.csv").read_text(encoding="utf-8") == "mine"


def test_names_from_right_to_left_become_names_of_games(tmp_path):
    logs = tmp_path / "logs"
    for place, (game, tuning) in enumerate((g, t) for g in ("משחק ראשון", "מסע") for t in ("factory", "quiet")):
        write_log(logs / f"{game} {tuning} 1.csv", BEGIN + dt.timedelta(minutes=2 * place), 60.0, place)
    assert new(tmp_path / "x", "--from", logs) == 0
    assert 'name = "משחק ראשון"  # from the names' in (tmp_path / "x" / "plan.toml").read_text(encoding="utf-8")


def test_names_that_look_like_formulas_or_markup_stay_text(tmp_path):
    logs = tmp_path / "logs"
    for place, (game, tuning) in enumerate(
        (g, t) for g in ("=1+1 Keep", "<b>Salt</b>") for t in ("factory", "quiet")
    ):
        name = f"{game} {tuning} 1.csv".replace("/", "")
        write_log(logs / name, BEGIN + dt.timedelta(minutes=2 * place), 60.0, place)
    assert new(tmp_path / "x", "--from", logs) in (0, 1)
    cells = (tmp_path / "x" / "runs.csv").read_text(encoding="utf-8").split(",")
    assert not any(cell.startswith("=") for cell in cells)


def test_stamps_only_are_named_block_by_block(tmp_path):
    for place in range(12):
        start = BEGIN + dt.timedelta(minutes=place, seconds=600 * (place // 4))
        write_log(tmp_path / "logs" / f"capture {start:%Y-%m-%d %H%M%S}.csv", start, 60.0, place)
    typed = [
        "1",
        "Keep",
        "Salt",
        "Orbit",
        "f q q f",
        "factory, quiet",
        "f q q f",
        "",
        "1",
        "",
        "Larkmoor 4",
        "",
        "",
    ]
    shown = talk(["new", "x", "--from", "logs"], typed, folder=tmp_path)
    assert shown.code == 0, shown.text
    table = shown.text.index("  Keep    1 2       1 2")
    assert "'f q q f' is one name; two or more are expected, with commas between them" in shown.text
    assert "read as: factory quiet quiet factory, rounds 1 1 2 2." in shown.text
    # The count grows by four at once, and the dialog says so and why.
    opens = "This answer opens 4 more questions, from “Game of block 1 (18:30)” to “Names of the tunings, the"
    assert opens in " ".join(shown.text.split("2 of 7")[0].split())
    assert shown.text.count("This answer opens") == 1
    assert "block 2   18:" in shown.text
    assert shown.text.index("Tunings of block 1 (18:30) in the order played") < table
    assert table < shown.text.index("[Enter: yes]   1 show each file")
    sheet = (tmp_path / "x" / "runs.csv").read_text(encoding="utf-8")
    assert "r002,quiet,Keep,1,2,session 1" in sheet
    assert "?" not in sheet


def test_a_dialog_that_is_stopped_at_once_writes_nothing(tmp_path, logs):
    shown = talk(["new", "x", "--from", "logs"], ["\x1b"], folder=tmp_path)
    assert shown.code == 130
    assert shown.text.endswith("Stopped. Nothing was written.\n")
    assert not (tmp_path / "x").exists()


def test_logs_of_two_cards_are_kept_apart_in_plan_and_sheet(tmp_path, capsys):
    for place, card in enumerate(("Larkmoor", "Fernholt")):
        write_logs(tmp_path / "logs" / card)
        for file in sorted((tmp_path / "logs" / card).iterdir()):
            shifted = file.read_text(encoding="utf-8").replace("2026-11-20", f"2026-11-2{place + 1}")
            file.write_text(shifted, encoding="utf-8")
    assert new(tmp_path / "open", "--from", tmp_path / "logs") == 1
    assert 'What are "Fernholt", "Larkmoor"?' in capsys.readouterr().out
    (tmp_path / "a.toml").write_text(
        'games_are = "Copper Monsoon, Salt Orchard"\ngroup_is = "cards"\ncard = "Larkmoor"\n', encoding="utf-8"
    )
    assert new(tmp_path / "one", "--from", tmp_path / "logs", "--answers", tmp_path / "a.toml") == 0
    review = open_review(load_plan(tmp_path / "one" / "plan.toml"))
    assert review.runs["card"].value_counts().to_dict() == {"Larkmoor": 8, "Fernholt": 8}
    assert all(row.frame_log.startswith(f"logs/{row.card}/") for row in review.runs.itertuples())
    (tmp_path / "a.toml").write_text(
        'games_are = "Copper Monsoon, Salt Orchard"\ngroup_is = "reviews"\n', encoding="utf-8"
    )
    assert new(tmp_path / "two", "--from", tmp_path / "logs", "--answers", tmp_path / "a.toml") == 0
    for name in ("fernholt", "larkmoor"):
        rows = (tmp_path / "two" / name / "runs.csv").read_text(encoding="utf-8").splitlines()
        assert len(rows) == 9
        assert all(name.capitalize() in row for row in rows[1:])
