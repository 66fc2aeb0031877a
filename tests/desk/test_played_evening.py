"""A played evening of 96 runs with eight mishaps: every row is right, nothing is typed, each mishap is told."""

from __future__ import annotations

import pytest
from made_evening import Evening, made_review

#: Place of the run, what happens in it, what the desk says, and the cause that it writes.
MISHAPS = {
    5: ("short_run", "short: ", "not_completed"),
    44: ("tuning_lost", "look like factory", "tuning_lost"),
    31: ("background_load", "background load", ""),
    40: ("loading_pause", "frames missing", ""),
    52: ("torn", "breaks off inside a row", "not_completed"),
    60: ("cap", "frame-capped", ""),
    71: ("loading_pause", "frames missing", ""),
    83: ("crash", "driver reset", "crash"),
}


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    """Return the evening after it was played, and what was said right after each mishap."""
    review = made_review(games=8, rounds=4, scene_s=12.0, fps=50.0)
    evening, told, done = Evening(tmp_path_factory.mktemp("evening"), review), {}, 0
    mishaps = dict(MISHAPS)
    with evening:
        while evening.desk.due and done < 120:
            done += 1
            run, (mishap, *_) = evening.due, mishaps.get(done, ("", "", ""))
            if mishap == "tuning_lost" and evening.desk.session.rows[run]["tuning"] == "factory":
                mishaps[done + 1], mishap = mishaps.pop(done), ""
            if mishap == "crash":
                evening.record(run, torn=True, rest=3)
                evening.press("5", "1" if evening.desk.session.rows[run]["tuning"] != "factory" else "2")
            else:
                evening.record(run, "" if mishap == "torn" else mishap, torn=mishap == "torn",
                               rest=40 if mishap in ("torn", "short_run", "gap") else 8)  # fmt: skip
            if mishap:
                told[mishap] = run, evening.now
        evening.press("enter")
        yield evening, told


def test_every_row_holds_the_run_that_was_made(played):
    evening, _ = played
    rows = evening.rows()
    assert len(rows) == 96 + 4
    for run, row in rows.items():
        assert row["frame_log"], run
        log = (evening.folder / row["frame_log"]).read_bytes()
        sources = [one for one in evening.captures.iterdir() if one.read_bytes() == log]
        assert len(sources) == 1, run
    assert len({row["frame_log"] for row in rows.values()}) == len(rows)


def test_each_mishap_is_told_within_one_run(played):
    _, told = played
    for mishap, says, _ in MISHAPS.values():
        run, shown = told[mishap]
        expected = "the game crashed" if mishap == "crash" and "the game crashed" in shown else says
        assert expected in shown, (mishap, run, shown)


def test_what_cannot_count_is_left_out_for_its_cause_and_repeated(played):
    evening, told = played
    rows = evening.rows()
    for mishap, _, cause in MISHAPS.values():
        run = told[mishap][0]
        assert rows[run]["excluded"] == cause, mishap
        assert (f"{run}-2" in rows) == bool(cause), mishap
        if cause:
            assert rows[f"{run}-2"]["replaces"] == run
    assert sum(bool(row["excluded"]) for row in rows.values()) == 4


def test_no_sound_run_is_left_out(played):
    evening, told = played
    mishaps = {run for run, _ in told.values()}
    said = {one["run"]: one["verdict"] for one in evening.desk.session.takes() if one["run"] not in mishaps}
    assert not [run for run, verdict in said.items() if verdict["kind"] == "repeat"]
    assert sum(bool(verdict["notes"]) for verdict in said.values()) <= 2


def test_nothing_is_asked_and_nothing_is_typed(played):
    evening, _ = played
    assert {"WHICH RUN", "FORMAT?"} & {view.state.upper() for view in evening.views} == set()


def test_the_check_agrees_with_the_desk(played):
    from gpubench_kit.checks.readiness import runs_to_repeat
    from gpubench_kit.checks.review import check_review
    from gpubench_kit.logs.review import open_review
    from gpubench_kit.metrics.per_run import compute_run_metrics
    from gpubench_kit.model.plan import load_plan

    evening, told = played
    plan = load_plan(evening.folder)
    review = open_review(plan, keep_going=True)
    metrics = compute_run_metrics(review, plan)
    redo = runs_to_repeat(review, check_review(review, metrics, plan))
    needed = set(redo.loc[redo["is_needed"], "run"])
    assert needed <= {told["cap"][0]}, "what the desk let pass is not to be redone, but for the capped run"
