"""What each state does: keys, questions, crashes, pauses, restarts, undo, and trouble with the machine."""

from __future__ import annotations

import re
import shutil
from datetime import timedelta

import pytest
from made_evening import Evening, made_review

from gpubench_kit.desk.desk import of_state, opened_desk
from gpubench_kit.desk.journal import Disk
from gpubench_kit.desk.looks import Shown, state_table
from gpubench_kit.model.errors import ReportError

SMALL = made_review(games=2, rounds=2, scene_s=4.0, fps=30.0)


@pytest.fixture
def evening(tmp_path):
    """Return an evening at its beginning."""
    with Evening(tmp_path, SMALL) as one:
        yield one


def test_a_good_evening_needs_no_key(evening):
    while evening.desk.due:
        evening.record()
    assert evening.desk.shown.state == "end"
    assert all(row["frame_log"] for row in evening.rows().values())
    assert {view.state for view in evening.views} == {"next", "recording", "end"}


def test_a_review_that_is_recorded_already_shows_the_end(tmp_path):
    evening = Evening(tmp_path, made_review(games=1, rounds=1, scene_s=3.0, fps=30.0))
    with evening:
        while evening.desk.due:
            evening.record()
        evening.press("enter")
    evening.leave()
    assert evening.open().desk.shown.state == "end"
    evening.leave()


def test_the_recording_screen_stands_still_while_the_file_grows(evening):
    made = evening.captures / "one.csv"
    made.write_text("frame,frame_ms\n1,16.6\n")
    evening.wait(3)
    assert evening.desk.shown.state == "recording"
    count = len(evening.views)
    for number in range(30):
        with made.open("a") as out:
            out.write(f"{number + 2},16.6\n")
        evening.tick()
    assert len(evening.views) == count


def test_undo_takes_the_last_step_back_and_twice_changes_nothing(evening):
    evening.record()
    before, first = evening.rows(), evening.desk.due
    evening.press("0")
    assert evening.rows()["r002"]["frame_log"] == ""
    assert [path.name for path in (evening.folder / "logs" / "set_aside").iterdir()] == ["3.r002.csv"]
    evening.press("0")
    assert evening.rows() == before
    assert evening.desk.due == first
    assert (evening.folder / "logs" / "r002.csv").exists()


def test_a_taking_that_was_taken_back_is_offered_and_not_used_by_itself(evening):
    evening.record()
    evening.press("0")
    evening.wait(12)
    assert evening.desk.shown.state == "which"
    assert "taken back" in evening.now
    evening.press("1")
    assert evening.rows()["r002"]["frame_log"] == "logs/r002.csv"


def test_a_file_that_names_another_game_is_asked_about(evening):
    evening.record(name="Dust Meridian lap.csv")
    assert "It names Dust Meridian; due was r002, Copper Monsoon." in evening.now
    assert re.search(r"1  r005 +Dust Meridian", evening.now)
    evening.press("1")
    assert evening.rows()["r005"]["frame_log"] == "logs/r005.csv"
    assert evening.due == "r002"


def test_without_an_answer_it_waits_and_the_next_recording_is_taken(evening):
    evening.record(name="Dust Meridian lap.csv")
    evening.record()
    assert evening.rows()["r002"]["frame_log"] == "logs/r002.csv"
    assert [one.source.name for one in evening.desk.waiting] == ["Dust Meridian lap.csv"]
    evening.press("esc")
    assert evening.desk.shown.state == "which"
    evening.press("1")
    assert evening.rows()["r005"]["frame_log"] == "logs/r005.csv"


def test_none_of_them_leaves_the_recording_where_it_is(evening):
    evening.record(name="Dust Meridian lap.csv")
    evening.press("4")
    assert evening.due == "r002"
    assert not any(row["frame_log"] for row in evening.rows().values())
    evening.wait(30)
    assert evening.desk.shown.state == "next"


def test_the_row_can_be_typed(evening):
    evening.record(name="Dust Meridian lap.csv")
    evening.press("3")
    evening.typed("R007")
    assert evening.rows()["r007"]["frame_log"] == "logs/r007.csv"


def test_the_same_recording_twice_is_not_used(evening):
    first = evening.record()
    shutil.copy(first, evening.captures / "copy of it.csv")
    evening.wait(15)
    assert "same recording as r002 (a copy): not used" in evening.now
    assert evening.due == "r003"


def test_samples_are_no_frames_and_the_run_is_still_due(evening):
    rows = "\n".join(f"2026-11-28 18:30:{n:02d},{60 + n % 3}.0" for n in range(40))
    (evening.captures / "rates.csv").write_text(f"clock_time,fps\n{rows}\n")
    evening.wait(45)
    assert evening.due == "r002"
    assert "NOT USED" in evening.now


@pytest.mark.parametrize(("key", "expected"), [("2", "gone"), ("3", "later"), ("0", "counts")])
def test_a_proposed_repeat_can_be_refused(evening, key, expected):
    evening.record(mishap="short_run", rest=35)
    assert evening.desk.shown.state == "repeat"
    assert evening.due == "r002-2"
    evening.press(key)
    rows = evening.rows()
    assert ("r002-2" in rows) == (expected == "later")
    assert rows["r002"]["excluded"] == ("" if expected == "counts" else "not_completed")
    assert evening.due == "r003"


def test_a_fine_run_is_repeated_only_for_a_logged_cause(evening):
    evening.record()
    evening.press("1")
    assert "never for its result" in evening.now
    evening.press("4")
    rows = evening.rows()
    assert rows["r002"]["excluded"] == "background_load"
    assert rows["r002-2"]["replaces"] == "r002"
    assert evening.due == "r002-2"


def test_two_crashes_stop_a_tuning_and_no_text_raises_a_limit(evening):
    evening.press("5", "1")
    assert evening.due == "r002-2"
    evening.press("5", "1")
    assert "stop quiet here. Two crashes" in evening.now
    evening.press("enter")
    assert evening.desk.session.stopped == {"quiet"}
    assert all(evening.rows()[run]["tuning"] != "quiet" for run in evening.desk.due)
    shown = " ".join(line for view in evening.views for line in view.now)
    assert not re.search(r"\b(try|raise|increase|higher|more power|push it|instead set)\b", shown)


def test_a_driver_crash_stops_at_once_and_another_cause_repeats(evening):
    evening.press("5", "2")
    assert evening.desk.shown.state == "stop"
    evening.press("1")
    evening.typed("a cable was loose")
    assert evening.due == "r002-2"
    assert "a cable was loose" in evening.rows()["r002"]["note"]


def test_the_reference_crashing_twice_is_not_the_tuning(evening):
    evening.record()
    evening.press("5", "1")
    evening.press("5", "1")
    assert evening.rows()["r003"]["tuning"] == "factory"
    assert "not the tuning. End the session" in evening.now


def test_care_stands_wherever_a_tuning_is_set_and_at_the_end(evening):
    assert "inside the maker's limits" in evening.now
    evening.record()
    assert "inside the maker's limits" not in evening.now, "nothing is set for the reference"
    evening.press("5")
    assert "inside the maker's limits" in evening.now, "whatever crashed"
    evening.press("esc")
    evening.press("9")
    assert "Put the card back to the maker's values." in evening.now


def test_a_recording_in_a_pause_is_offered_afterwards(evening):
    evening.press("8")
    evening.record("r002")
    assert evening.desk.shown.state == "paused"
    evening.press("enter")
    evening.wait(3)
    assert not evening.rows()["r002"]["frame_log"], "it is not used by itself"
    assert "It was begun in the pause." in evening.now
    evening.press("1")
    assert evening.rows()["r002"]["frame_log"] == "logs/r002.csv"
    evening.record()
    assert evening.rows()["r003"]["frame_log"] == "logs/r003.csv", "what is begun after it is taken"


def test_after_a_long_pause_a_warm_up_run_comes_first(evening):
    evening.press("8")
    evening.clock.move(700)
    evening.press("enter")
    assert evening.due == "warm-up 1"
    evening.record("r002")
    assert evening.due == "r002"
    assert evening.rows()["warm-up 1"]["purpose"] == "warm_up"


def test_a_restart_of_the_machine_begins_new_sessions(evening):
    evening.record()
    evening.press("6", "2")
    rows = evening.rows()
    before = rows["r002"]["session"]
    assert {rows[run]["session"] for run in evening.desk.due} == {f"{before}, restart 2"}
    assert "restart the machine" in evening.now or "tuning" in evening.now


def test_a_game_update_is_written_to_the_open_rows_of_the_game(evening):
    evening.press("6", "4")
    evening.typed("1.4.2")
    versions = {run: row.get("game_version") for run, row in evening.rows().items()}
    assert {run for run, text in versions.items() if text} == {"r002", "r003", "r004", "r011", "r012", "r013"}


def test_a_machine_that_slept_pauses(evening):
    evening.tick()
    evening.clock.wall += timedelta(minutes=17)
    evening.tick()
    assert evening.desk.shown.state == "paused"
    evening.press("enter")
    assert evening.now.startswith("WHAT WAS RESTARTED OR CHANGED"), "a machine that slept may have lost its tuning"
    evening.press("esc")
    assert evening.desk.shown.state == "next"


@pytest.mark.parametrize("hours", [-1, 1])
def test_a_clock_that_is_set_is_told_and_the_order_stays(evening, hours):
    evening.record()
    evening.clock.wall += timedelta(hours=hours)
    evening.tick()
    assert ("back" if hours < 0 else "ahead") in evening.now
    evening.press("enter")
    assert evening.due == "r003"


def test_a_folder_that_goes_is_told_and_comes_back_with_recordings(evening):
    evening.captures.rename(evening.captures.with_name("away"))
    evening.wait(3)
    assert evening.now.startswith("FOLDER GONE")
    evening.captures.with_name("away").rename(evening.captures)
    evening.wait(12)
    assert evening.desk.trouble is None
    evening.record()
    assert evening.rows()["r002"]["frame_log"]


def test_a_full_disk_takes_nothing_and_goes_on_by_itself(evening):
    free = [9_000_000]
    evening.disk.free = lambda folder: free[0]
    evening.record("r002")
    assert "r002 is not taken. 9 MB free" in evening.now
    assert not evening.rows()["r002"]["frame_log"]
    assert not (evening.folder / "desk" / "reserve").exists()
    free[0] = 10**12
    evening.wait(12)
    assert evening.rows()["r002"]["frame_log"] == "logs/r002.csv"


def test_a_sheet_that_is_held_lets_steps_wait_in_the_journal(tmp_path):
    held = [False]

    class Held(Disk):
        def replace(self, file, content):
            if held[0] and file.name == "runs.csv":
                raise PermissionError(13, "held", str(file))
            super().replace(file, content)

    with Evening(tmp_path, SMALL, disk=Held()) as evening:
        held[0] = True
        evening.record()
        evening.record()
        assert "held by another program" in evening.now
        assert evening.due == "r004"
        assert not evening.rows()["r002"]["frame_log"]
        held[0] = False
        evening.wait(3)
        assert evening.rows()["r003"]["frame_log"] == "logs/r003.csv"
        assert evening.desk.trouble is None


def test_a_second_desk_is_refused(evening):
    with pytest.raises(ReportError, match="open at the desk on"), opened_desk(evening.folder, [evening.captures]):
        pass


def test_a_foreign_line_in_the_journal_stops_this_desk(tmp_path):
    evening = Evening(tmp_path, SMALL)
    with pytest.raises(ReportError, match="another desk wrote"), evening:
        _record_beside_another_desk(evening)


def test_a_tuning_that_changed_after_it_was_run_is_not_asked_for(evening):
    evening.record()
    plan = evening.folder / "plan.toml"
    plan.write_text(plan.read_text().replace("-12", "-10"))
    evening.wait(2)
    assert "quiet: power limit −12 % is now power limit −10 %, after 1 run. A tuning that changed" in evening.now
    assert all(evening.rows()[run]["tuning"] != "quiet" for run in evening.desk.due)
    plan.write_text(plan.read_text().replace("-10", "-12"))
    evening.wait(12)
    assert any(evening.rows()[run]["tuning"] == "quiet" for run in evening.desk.due)


def test_a_broken_plan_is_told_and_the_old_one_goes_on(evening):
    plan = evening.folder / "plan.toml"
    text = plan.read_text()
    plan.write_text(text + "[[games")
    evening.wait(2)
    assert evening.now.startswith("PLAN")
    plan.write_text(text)
    evening.wait(12)
    evening.record()
    assert evening.rows()["r002"]["frame_log"]


def test_a_log_of_another_content_under_the_name_is_never_replaced(evening):
    (evening.folder / "logs" / "r002.csv").write_text("mine\n")
    evening.record("r002")
    assert evening.now.startswith("NAME TAKEN")
    assert (evening.folder / "logs" / "r002.csv").read_text() == "mine\n"


def test_a_key_that_bounces_counts_once(evening):
    evening.record()
    evening.desk.press("0")
    evening.desk.press("0")
    assert evening.rows()["r002"]["frame_log"] == ""


@pytest.mark.parametrize("state", sorted(state_table().keys() - {"words", "trouble"}))
def test_a_key_that_a_state_does_not_name_does_nothing(evening, state):
    evening.desk.shown = before = Shown(state)
    steps = len(evening.desk.keeper.journal.lines)
    for key in {*"0123456789?", "enter", "esc", "up", "down"} - of_state(state, "on").keys():
        evening.clock.move(1.0)
        evening.desk.press(key)
        assert evening.desk.shown == before
        assert len(evening.desk.keeper.journal.lines) == steps


def test_what_did_not_end_properly_is_told_at_the_next_start(evening):
    evening.record()
    evening.leave()
    evening.clock.move(100)
    name = "while away.csv"
    source = evening.captures / name
    evening.desk = None
    made = evening.folder  # The recorder goes on without the desk.
    with Evening(made.parent / "other", SMALL) as other:
        other.clock.move(300)
        written = other.record("r003", name=name)
        source.write_bytes(written.read_bytes())
    evening.open()
    assert evening.desk.shown.state == "resumed"
    evening.wait(15)
    assert "Recorded while the desk was away" in evening.now
    evening.press("1")
    assert evening.rows()["r003"]["frame_log"] == "logs/r003.csv"


def test_several_runs_in_one_file_are_taken_one_by_one(evening):
    file = evening.captures / "all evening.csv"
    for run in ("r002", "r003", "r004"):
        evening.clock.move(5)
        lines = _elapsed_log(run).splitlines(keepends=True)
        with file.open("ab") as out:
            out.write(b"".join(lines if run == "r002" else lines[1:]))
        evening.wait(14)
    rows = evening.rows()
    assert [rows[run]["frame_log"] for run in ("r002", "r003", "r004")] == [
        "logs/r002.csv", "logs/r003.csv", "logs/r004.csv"]  # fmt: skip
    for run in ("r002", "r003", "r004"):
        assert (evening.folder / "logs" / f"{run}.csv").read_bytes() == _elapsed_log(run)


def _record_beside_another_desk(evening: Evening) -> None:
    """Record a run where another desk has written into the journal."""
    file = evening.folder / "desk" / "journal.jsonl"
    file.write_bytes(file.read_bytes() + file.read_bytes().splitlines(keepends=True)[0])
    evening.record()


def _elapsed_log(run: str) -> bytes:
    """Return a log of four seconds whose time begins at zero."""
    usual = {"r002": 33.1, "r003": 33.3, "r004": 32.9}[run]
    steps = [usual + 0.7 * (n * n % 7 - 3) for n in range(125)]
    rows = [f"{sum(steps[:n]) / 1000:.6f},{step:.4f}" for n, step in enumerate(steps)]
    return "\n".join(["elapsed_s,frame_ms", *rows, ""]).encode()


def test_a_crash_while_a_repeat_is_due_is_a_crash_of_the_repeat(evening):
    evening.record(mishap="short_run", rest=35)
    assert evening.desk.shown.state == "repeat"
    evening.press("5", "1")
    rows = evening.rows()
    assert (rows["r002"]["excluded"], rows["r002-2"]["excluded"]) == ("not_completed", "crash")
    assert evening.due == "r002-3"


def test_help_is_shown_and_left_and_a_recording_is_taken_meanwhile(evening):
    evening.press("?")
    assert evening.now.startswith("HELP")
    evening.record()
    assert evening.rows()["r002"]["frame_log"]
    evening.press("?", "esc")
    assert evening.now.startswith("NEXT")


def test_a_lost_tuning_that_could_not_be_seen_at_first_is_told_once_there_is_something_to_hold_it_against(tmp_path):
    with Evening(tmp_path, made_review(games=1, rounds=2, tunings=2, scene_s=6.0, fps=40.0)) as evening:
        tunings = {run: evening.desk.session.tuning(run) for run in evening.desk.due}
        lost = next(run for run, tuning in tunings.items() if tuning == "quiet")
        while evening.desk.due:
            run = evening.due
            evening.record(mishap="tuning_lost" if run == lost else "")
            if run == lost:
                assert "fine so far" in evening.now
            if evening.rows()[lost]["excluded"]:
                break
        assert evening.now.startswith(f"REPEAT {lost} → {lost}-2")
        assert evening.rows()[lost]["excluded"] == "tuning_lost"
        evening.press("0")
        assert evening.rows()[lost]["excluded"] == "", "the reviewer says that it was on"
        while evening.desk.due:
            evening.record()
        assert evening.rows()[lost]["excluded"] == "", "and is not asked again"
