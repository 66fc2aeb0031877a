"""Mishaps planted into the files of a review, one in each run: every check finds its own."""

import gzip
import io
import shutil

import numpy as np
import pandas as pd
import pytest

from gpubench_kit.checks.readiness import runs_to_repeat
from gpubench_kit.checks.review import check_review
from gpubench_kit.logs.review import open_review
from gpubench_kit.metrics.per_run import compute_run_metrics
from gpubench_kit.model.plan import load_plan
from gpubench_kit.synthetic.recipe import MadeGame, MadeReview, MadeTuning
from gpubench_kit.synthetic.review import write_review

RECIPE = MadeReview(
    "Spoilt files",
    tunings=(
        MadeTuning("factory"),
        MadeTuning("quiet", fps_pct=-1.0, power_pct=-15.0, core_mhz=2610.0, core_mv=960.0),
    ),
    games=(
        MadeGame("Low Tide Racers", 140.0, run_cv_pct=0.3, hitches_per_min=0),
        MadeGame("Salt Orchard", 90.0, run_cv_pct=0.3, hitches_per_min=0),
    ),
    seed=8,
    rounds=6,
    scene_s=16.0,
)


class Folder:
    """A review folder whose runs can be spoilt by their place among the measured rows of a game and tuning."""

    def __init__(self, folder):
        self.folder = folder
        self.sheet = pd.read_csv(folder / "runs.csv", dtype=str, keep_default_na=False)

    def name(self, place):
        """Return the run of `quiet` in Low Tide Racers in this round."""
        rows = self.sheet.query("game == 'Low Tide Racers' and tuning == 'quiet' and purpose == 'measure'")
        return rows["run"].iloc[place]

    def frames(self, run):
        return pd.read_csv(self.folder / "logs" / f"{run}.frames.csv.gz")

    def write_frames(self, run, frames, *, time_s=None):
        """Write frames; times follow from the frame times unless given."""
        starts = (frames["frame_ms"].cumsum() - frames["frame_ms"]) / 1000 if time_s is None else time_s
        text = io.StringIO()
        frames.assign(elapsed_s=np.round(starts, 6)).to_csv(text, index=False)
        (self.folder / "logs" / f"{run}.frames.csv.gz").write_bytes(gzip.compress(text.getvalue().encode()))

    def sensors(self, run):
        return pd.read_csv(self.folder / "logs" / f"{run}.sensors.csv")

    def write_sensors(self, run, samples):
        samples.to_csv(self.folder / "logs" / f"{run}.sensors.csv", index=False)

    def set_cell(self, run, column, value):
        """Write into the run sheet."""
        self.sheet.loc[self.sheet["run"] == run, column] = value
        self.sheet.to_csv(self.folder / "runs.csv", index=False)

    def check(self, plan_end=""):
        """Return the findings, and the list of runs to redo."""
        plan_file = self.folder / "plan.toml"
        plan_file.write_text(plan_file.read_text(encoding="utf-8") + plan_end, encoding="utf-8")
        plan = load_plan(plan_file)
        review = open_review(plan, keep_going=True)
        findings = check_review(review, compute_run_metrics(review, plan), plan)
        return findings, runs_to_repeat(review, findings)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """Return the folder of a review in which nothing is wrong."""
    folder = tmp_path_factory.mktemp("made") / "review"
    folder.mkdir()
    return write_review(folder, RECIPE)


@pytest.fixture
def folder(made, tmp_path):
    """Return a copy of the review that a test may spoil."""
    shutil.copytree(made, tmp_path / "review")
    return Folder(tmp_path / "review")


def _repeat(folder, run):
    frames = folder.frames(run)
    longer = pd.concat([frames, frames.iloc[: len(frames) // 2]])
    # Numbers that begin anew would be those of a second run.
    folder.write_frames(run, longer.assign(frame=np.arange(len(longer))))


def _backward(folder, run):
    frames = folder.frames(run)
    times = frames["elapsed_s"].to_numpy().copy()
    times[900:] -= 0.5
    folder.write_frames(run, frames, time_s=times)


def _lost_frames(folder, run):
    frames = folder.frames(run)
    folder.write_frames(run, frames[frames.index % 250 >= 12], time_s=frames["elapsed_s"][frames.index % 250 >= 12])


def _one_fast_frame(folder, run):
    frames = folder.frames(run)
    frames.loc[700, "frame_ms"] = 0.4
    folder.write_frames(run, frames)


def _slow_start(folder, run):
    frames = folder.frames(run)
    slower = 1 + 0.9 * np.exp(-np.arange(len(frames)) / (0.3 * len(frames)))
    folder.write_frames(run, frames.assign(frame_ms=(frames["frame_ms"] * slower).round(4)))


def _processor_holds(folder, run):
    samples = folder.sensors(run)
    busy = samples["load_pct"] > 50
    folder.write_sensors(run, samples.assign(load_pct=samples["load_pct"].where(~busy, 61)))


def _sensors_of_another(folder, run):
    folder.set_cell(run, "sensor_log", f"logs/{folder.name(0)}.sensors.csv")


def _power_dead(folder, run):
    folder.write_sensors(run, folder.sensors(run).assign(board_w=0.0))


def _power_drops(folder, run):
    samples = folder.sensors(run)
    samples.loc[20:23, "board_w"] = 0.0
    folder.write_sensors(run, samples)


def _still_heating(folder, run):
    samples = folder.sensors(run)
    rise = np.linspace(0, 14, len(samples)).round()
    folder.write_sensors(run, samples.assign(core_c=samples["core_c"] + rise))


def _clock_falls(folder, run):
    samples = folder.sensors(run)
    early = (np.arange(len(samples)) < 20) & (samples["load_pct"] > 50)
    folder.write_sensors(run, samples.assign(core_mhz=samples["core_mhz"].where(~early, 1900)))


def _power_climbs(folder, run):
    samples = folder.sensors(run)
    early = (np.arange(len(samples)) < 20) & (samples["load_pct"] > 50)
    folder.write_sensors(run, samples.assign(board_w=samples["board_w"].where(~early, 150.0)))


def _clocks_apart(folder, run):
    samples = folder.sensors(run)
    stamps = pd.to_datetime(samples["clock_time"]) + pd.Timedelta(seconds=5)
    samples["clock_time"] = stamps.dt.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-3]
    frames = folder.frames(run)
    start = pd.Timestamp(folder.sheet.set_index("run").loc[run, "started_at"])
    stamps = (start + pd.to_timedelta(frames["elapsed_s"], unit="s")).dt.strftime("%Y-%m-%dT%H:%M:%S.%f")
    folder.write_sensors(run, samples)
    folder.write_frames(run, frames.assign(at=stamps))


def _sensor_gap(folder, run):
    samples = folder.sensors(run)
    folder.write_sensors(run, samples.drop(index=range(18, 32)))


def _sensors_late(folder, run):
    folder.write_sensors(run, folder.sensors(run).iloc[26:])


def _steady(folder, run):
    frames = folder.frames(run)
    folder.write_frames(run, frames.assign(frame_ms=np.where(frames.index % 9, 8.3333, 9.1)))


#: What is done to one run -> the check that must find it there.
SPOILT = {
    "longer than its peers": (_repeat, "too_long"),
    "time goes back": (_backward, "time_goes_back"),
    "frames lost here and there": (_lost_frames, "frames_against_time"),
    "2500 fps for one frame": (_one_fast_frame, "frame_too_short"),
    "start slower than its peers'": (_slow_start, "warm_up"),
    "held by the processor": (_processor_holds, "load_low"),
    "sensor log of another run": (_sensors_of_another, "same_samples_twice"),
    "power of 0 W": (_power_dead, "impossible_value"),
    "power of 0 W for a while": (_power_drops, "power_drops_out"),
    "temperature still rising": (_still_heating, "temperature_not_settled"),
    "clock not settled": (_clock_falls, "clock_moves"),
    "power not settled": (_power_climbs, "power_moves"),
    "clocks of both logs apart": (_clocks_apart, "clocks_against_load"),
    "no samples for seven seconds": (_sensor_gap, "sample_gap"),
    "sensor log begins late": (_sensors_late, "samples_cover_part"),
    "one run under a cap": (_steady, "held_by_cap"),
}


@pytest.mark.parametrize(("spoil", "check"), SPOILT.values(), ids=SPOILT.keys())
def test_mishap_in_the_files_of_one_run_is_found_in_that_run_alone(folder, spoil, check):
    run = folder.name(2)
    spoil(folder, run)
    findings, redo = folder.check()
    found = findings[findings["check"] == check]
    others = {folder.name(0)} if check == "same_samples_twice" else set()
    assert set(found["run"]) == {run} | others
    assert found["message"].str.len().min() > 40
    assert (found["action"] != "").all()
    assert run in set(redo["run"]) or check in ("frame_too_short",)


def test_nothing_is_found_in_a_review_in_which_nothing_is_wrong(folder):
    findings, redo = folder.check()
    assert findings.loc[findings["run"] != "", "check"].tolist() == []
    assert redo.empty


def test_same_file_twice_is_found_by_its_content_under_another_name(folder):
    one, other = folder.name(1), folder.name(2)
    logs = folder.folder / "logs"
    shutil.copy(logs / f"{one}.frames.csv.gz", logs / f"{other}.frames.csv.gz")
    findings, _ = folder.check()
    assert set(findings.loc[findings["check"] == "same_file_twice", "run"]) == {one, other}


def test_same_frames_twice_are_found_in_a_file_with_other_line_ends(folder):
    one, other = folder.name(1), folder.name(2)
    logs = folder.folder / "logs"
    text = gzip.decompress((logs / f"{one}.frames.csv.gz").read_bytes())
    (logs / f"{other}.frames.csv.gz").write_bytes(gzip.compress(text.replace(b"\n", b"\r\n")))
    findings, redo = folder.check()
    found = findings[findings["check"] == "same_file_twice"].set_index("run")
    assert set(found.index) == {one, other}
    assert f"are those of run '{one}', though the files differ" in found.loc[other, "message"]
    assert {one, other} <= set(redo["run"])


def test_run_unlike_its_fellows_is_asked_about_and_kept(folder):
    run = folder.name(3)
    frames = folder.frames(run)
    folder.write_frames(run, frames.assign(frame_ms=frames["frame_ms"] * 1.06))
    findings, redo = folder.check()
    found = findings[findings["check"] == "outlier"]
    assert set(found["run"]) == {run}
    assert set(found["severity"]) == {"note"}
    assert not redo.set_index("run").loc[run, "is_needed"]


def test_drift_over_the_evening_is_found_once_for_the_evening(folder):
    for order, run in zip(folder.sheet["order"].astype(int), folder.sheet["run"], strict=True):
        frames = folder.frames(run)
        folder.write_frames(run, frames.assign(frame_ms=frames["frame_ms"] * 1.004**order))
    findings, _ = folder.check()
    drift = findings[findings["check"] == "drift"]
    assert (drift["run"] == "").all()
    assert "average frame rate drifts by −0.4 % per run" in " ".join(drift["message"])


def test_runs_done_in_another_order_than_planned_are_found_by_their_clocks(folder):
    rows = folder.sheet.set_index("run")
    first, second = folder.name(1), folder.name(2)
    for run, order in ((first, rows.loc[second, "order"]), (second, rows.loc[first, "order"])):
        folder.set_cell(run, "order", order)
    findings, _ = folder.check()
    (message,) = findings.loc[findings["check"] == "order_not_as_planned", "message"]
    assert "2 runs of" in message


def test_first_run_after_a_patch_is_named_and_left_out_only_by_the_rule(folder):
    for place in range(6):
        folder.set_cell(folder.name(place), "game_version", "1.1" if place > 2 else "1.0")
    findings, _ = folder.check()
    assert set(findings.loc[findings["check"] == "game_patched", "run"]) == {folder.name(3)}
    assert "exclude" not in set(findings["severity"])
    findings, _ = folder.check("\n[exclude]\nextra_runs_after_patch = 1\n")
    assert findings.loc[findings["severity"] == "exclude", "run"].tolist() == [folder.name(3)]


def test_game_that_the_card_does_not_limit_is_found_by_the_load(folder):
    for run in folder.sheet.query("game == 'Salt Orchard'")["run"]:
        _processor_holds(folder, run)
    findings, _ = folder.check()
    (message,) = findings.loc[findings["check"] == "limited_by_other", "message"]
    assert "Salt Orchard" in message


def test_limit_of_the_plan_decides_what_is_found(folder):
    _lost_frames(folder, folder.name(2))
    findings, _ = folder.check("\n[checks]\nmissing_time_pct = 20\ntime_steps_pct = 20\n")
    assert "frames_against_time" not in set(findings["check"])
