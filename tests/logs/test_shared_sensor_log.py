"""One sensor log for an evening of runs: each run gets its own watts, or none; never those of another one."""

import os

import numpy as np
import pandas as pd
import pytest
from made_logs import clock, table

from gpubench_kit.logs.review import open_review
from gpubench_kit.metrics.per_run import compute_run_metrics
from gpubench_kit.model.plan import ReviewPlan

N_RUNS = 8
BEGAN, BEGAN_S = "2026-11-02T21:00:00", 1793653200.0


class Evening:
    """Eight runs of half a minute, each with watts of its own, and what a sensor recorder saw of them."""

    def __init__(self, folder, *, pauses=(20.0, 70.0), seed=4, frames_ahead=lambda run: 0.0, with_clock=True):
        self.folder, rng = folder, np.random.default_rng(seed)
        (folder / "logs").mkdir()
        self.frames = [rng.gamma(60, 16 / 60, 1900).round(3) for _ in range(N_RUNS)]
        self.lengths = np.array([one.sum() / 1000 for one in self.frames])
        between = rng.uniform(*pauses, N_RUNS) if pauses[0] != pauses[1] else np.full(N_RUNS, pauses[0])
        self.starts = 60 + np.cumsum(np.r_[0.0, (self.lengths + between)[:-1]])
        if pauses[0] == pauses[1]:
            self.starts = 60 + (self.lengths[0] + pauses[0]) * np.arange(N_RUNS)
        self.watts = 200 + 12.0 * np.arange(N_RUNS)
        self.sensor_log = dict.fromkeys(range(N_RUNS), "logs/all.csv")
        for run, frame_ms in enumerate(self.frames):
            at = (np.cumsum(frame_ms) - frame_ms) / 1000
            columns = {
                "clock": clock(at + self.starts[run] + frames_ahead(run), BEGAN),
                "t": at.round(6),
                "f": frame_ms,
            }
            columns = columns if with_clock else {name: columns[name] for name in ("t", "f")}
            self.write(f"r{run}.csv", table(columns), closed_s=self.starts[run] + self.lengths[run])

    def write(self, name, text, *, closed_s, is_copied=False):
        """Write a log, closed so many seconds into the evening."""
        path = self.folder / "logs" / name
        path.write_text(text, encoding="utf-8")
        os.utime(path, (BEGAN_S + (0.0 if is_copied else closed_s + 0.5),) * 2)

    def record(self, name="all.csv", *, first=0.0, last=None, ahead=lambda times: 0.0):
        """Write a sensor log over a part of the evening; its clock is ahead by a function of the time."""
        last = self.starts[-1] + self.lengths[-1] + 40 if last is None else last
        times = np.arange(first, last, 1.0)
        is_in = (times[:, None] >= self.starts) & (times[:, None] < self.starts + self.lengths)
        watts = np.where(is_in.any(axis=1), is_in @ self.watts, 40.0) + np.sin(2.4 * np.arange(times.size)).round(2)
        load = np.where(is_in.any(axis=1), 97, 3)
        columns = {"clock": clock(times + ahead(times), BEGAN), "board_w": watts, "load_pct": load}
        self.write(name, table(columns), closed_s=last)

    def measured(self, *, typed=(), **logs):
        """Return watts by run, and findings; of each run that has watts they must be its own; with typed starts."""
        runs = range(N_RUNS)
        sheet = {
            "run": [f"r{run}" for run in runs], "tuning": [("factory", "quiet")[run % 2] for run in runs],
            "game": "Salt Orchard", "round": [run // 2 + 1 for run in runs], "order": [run + 1 for run in runs],
            "frame_log": [f"logs/r{run}.csv" for run in runs], "sensor_log": [self.sensor_log[run] for run in runs],
        }  # fmt: skip
        sheet |= {"started_at": list(typed)} if len(typed) else {}
        pd.DataFrame(sheet).to_csv(self.folder / "runs.csv", index=False)
        plan = {
            "review": {"title": "Larkmoor 4"}, "cards": [{"name": "Larkmoor 4"}],
            "games": [{"name": "Salt Orchard"}],
            "tunings": [{"name": "factory", "reference": True}, {"name": "quiet"}], "logs": logs,
        }  # fmt: skip
        plan = ReviewPlan.from_dict(plan, folder=self.folder)
        review = open_review(plan)
        metrics = compute_run_metrics(review, plan)
        found = metrics[metrics["metric"] == "board_w"].set_index("run")["value"]
        for run, watts in found.items():
            assert watts == pytest.approx(self.watts[int(run[1:])], abs=3.0), run
        # What is not known is not computed with either.
        energy = metrics[metrics["metric"].isin(["energy_per_frame_j", "frames_per_j"])]
        assert set(energy["run"]) == set(found.index)
        return found, {one.check: one for one in review.findings}


@pytest.mark.parametrize("seconds", [0.0, 80.0, -80.0, 3600.0, 3 * 3600.0 + 12.0])
def test_a_clock_that_is_off_is_taken_out(tmp_path, seconds):
    evening = Evening(tmp_path)
    evening.record(ahead=lambda times: seconds)
    watts, findings = evening.measured()
    assert len(watts) == N_RUNS
    assert findings["one_clock"].found == pytest.approx(seconds, abs=1.0)


def test_a_log_that_begins_late_has_no_watts_for_the_runs_before(tmp_path):
    evening = Evening(tmp_path)
    evening.record(first=evening.starts[3] - 10)
    watts, findings = evening.measured()
    assert set(watts.index) == {f"r{run}" for run in range(3, N_RUNS)}
    assert "sensor_log_of_another_run" in findings


@pytest.mark.parametrize("jump_s", [3600.0, -3600.0, 400.0, -400.0])
def test_a_clock_that_jumps_in_between_never_gives_the_watts_of_another_run(tmp_path, jump_s):
    evening = Evening(tmp_path)
    changed = evening.starts[4] - 12
    evening.record(ahead=lambda times: np.where(times >= changed, jump_s, 0.0))
    watts, findings = evening.measured()
    assert len(watts) < N_RUNS or "clock_jump" in findings


@pytest.mark.parametrize("pauses", [(20.0, 70.0), (20.0, 20.0)])
@pytest.mark.parametrize("hour_s", [3600.0, -3600.0])
def test_an_hour_that_both_clocks_change_by_never_gives_the_watts_of_another_run(tmp_path, hour_s, pauses):
    evening = Evening(tmp_path, pauses=pauses, frames_ahead=lambda run: hour_s if run >= 4 else 0.0)
    changed = evening.starts[4] - 12
    evening.record(ahead=lambda times: np.where(times >= changed, hour_s, 0.0))
    watts, findings = evening.measured()
    assert len(watts) == N_RUNS or "clock_not_proven" in findings


def test_a_drift_of_a_clock_is_taken_out(tmp_path):
    evening = Evening(tmp_path)
    evening.record(ahead=lambda times: 20.0 + 0.003 * times)
    assert len(evening.measured()[0]) == N_RUNS


def test_an_evenly_paced_evening_is_proven_by_the_times_of_the_files(tmp_path):
    evening = Evening(tmp_path, pauses=(20.0, 20.0))
    evening.record(ahead=lambda times: 80.0)
    watts, findings = evening.measured()
    assert len(watts) == N_RUNS
    assert "the times of the files say the same" in findings["one_clock"].message


def test_an_evenly_paced_evening_is_withheld_where_files_were_copied(tmp_path):
    evening = Evening(tmp_path, pauses=(20.0, 20.0))
    evening.record(ahead=lambda times: 80.0)
    for path in (tmp_path / "logs").iterdir():
        os.utime(path, (BEGAN_S, BEGAN_S))
    watts, findings = evening.measured()
    assert watts.empty
    assert findings["clock_not_proven"].action.endswith("sensor_offset_s = 0.0")


@pytest.mark.parametrize("periods", [1, 2, 3])
def test_typed_starts_give_no_run_the_watts_of_another_where_the_clock_is_not_proven(tmp_path, periods):
    evening = Evening(tmp_path, pauses=(25.0, 25.0))
    ahead_s = periods * (evening.starts[1] - evening.starts[0])
    evening.record(ahead=lambda times: ahead_s)
    for path in (tmp_path / "logs").iterdir():
        os.utime(path, (BEGAN_S, BEGAN_S))
    typed = [stamp.split(".")[0].replace("T", " ") for stamp in clock(evening.starts, BEGAN)]
    watts, _ = evening.measured(typed=typed)
    assert watts.empty


def _typed(evening, off_s=0.0):
    """Return starts as they are typed to the second, each off by some seconds."""
    return [stamp.split(".")[0].replace("T", " ") for stamp in clock(evening.starts + off_s, BEGAN)]


@pytest.mark.parametrize("off_s", [0.0, np.linspace(-2, 2, N_RUNS), np.tile([0.0, 4.0], N_RUNS // 2)])
def test_starts_typed_by_hand_place_runs_without_a_clock_where_pauses_are_uneven(tmp_path, off_s):
    evening = Evening(tmp_path, with_clock=False)
    evening.record(ahead=lambda times: 80.0)
    watts, findings = evening.measured(typed=_typed(evening, off_s))
    assert len(watts) == N_RUNS
    assert findings["one_clock"].found == pytest.approx(80.0, abs=4.0)


@pytest.mark.parametrize(("stated_s", "n_placed"), [(80.0, N_RUNS), (0.0, 0), (135.0, 0)])
def test_what_the_plan_states_of_typed_starts_counts_where_the_busy_stretches_fit_it(tmp_path, stated_s, n_placed):
    evening = Evening(tmp_path, pauses=(25.0, 25.0), with_clock=False)
    evening.record(ahead=lambda times: 80.0)
    watts, _ = evening.measured(typed=_typed(evening), sensor_offset_s=stated_s)
    assert len(watts) == n_placed


@pytest.mark.parametrize("typed", [(), ["2026-11-02 21:01"] * N_RUNS])
def test_the_way_out_of_starts_that_do_not_tell_is_said(tmp_path, typed):
    evening = Evening(tmp_path, with_clock=False)
    evening.record()
    watts, findings = evening.measured(typed=typed)
    assert watts.empty
    action = findings["clock_not_proven"].action
    assert action.startswith("Type started_at of each run to the second")
    assert "same_machine" not in action


def test_a_sensor_log_that_was_saved_again_later_proves_nothing(tmp_path):
    evening = Evening(tmp_path, pauses=(20.0, 20.0))
    evening.record(ahead=lambda times: 80.0)
    closed_s, pace_s = os.stat(tmp_path / "logs" / "all.csv").st_mtime, evening.starts[1] - evening.starts[0]
    for later_s in (9000.0, pace_s):
        os.utime(tmp_path / "logs" / "all.csv", (closed_s + later_s,) * 2)
        watts, findings = evening.measured()
        assert watts.empty
        assert "[logs] sensor_offset_s = 0.0" in findings["clock_not_proven"].action


def test_a_stated_clock_by_which_a_run_idled_and_another_fits_all_gives_no_watts(tmp_path):
    evening = Evening(tmp_path, pauses=(20.0, 20.0))
    evening.record(ahead=lambda times: evening.starts[1] - evening.starts[0])
    for stated in ({"sensor_clock": "same_machine"}, {"sensor_offset_s": 0.0}):
        watts, findings = evening.measured(**stated)
        assert watts.empty
        assert "the card idled for most of 1 runs" in findings["clock_not_proven"].message
    evening.record(ahead=lambda times: 3600.0)
    assert "clock_not_proven" not in evening.measured(sensor_clock="same_machine")[1]


def test_an_offset_of_the_plan_that_gives_runs_samples_of_an_idle_card_gives_no_watts(tmp_path):
    evening = Evening(tmp_path, pauses=(40.0, 40.0))
    evening.record(ahead=lambda times: 80.0)
    watts, findings = evening.measured(sensor_offset_s=115.0)
    assert watts.empty
    assert findings["clock_not_proven"].action.startswith("Take sensor_clock or sensor_offset_s out of the plan")


def test_the_plan_states_how_far_a_clock_is_ahead(tmp_path):
    evening = Evening(tmp_path, pauses=(20.0, 20.0))
    evening.record(ahead=lambda times: 80.0)
    assert len(evening.measured(sensor_offset_s=80.0)[0]) == N_RUNS


def test_two_sensor_logs_of_one_evening_each_have_a_clock_of_their_own(tmp_path):
    evening = Evening(tmp_path)
    middle = evening.starts[4] - 12
    evening.record("first.csv", last=middle, ahead=lambda times: 30.0)
    evening.record("second.csv", first=middle, ahead=lambda times: -45.0)
    evening.sensor_log = {run: "logs/first.csv" if run < 4 else "logs/second.csv" for run in range(N_RUNS)}
    watts, findings = evening.measured()
    assert len(watts) == N_RUNS or "clock_not_proven" in findings


def test_two_sensor_logs_of_which_rows_name_the_wrong_one_have_no_watts(tmp_path):
    evening = Evening(tmp_path)
    middle = evening.starts[4] - 12
    evening.record("first.csv", last=middle)
    evening.record("second.csv", first=middle)
    evening.sensor_log = {run: "logs/second.csv" if run < 4 else "logs/first.csv" for run in range(N_RUNS)}
    watts, _ = evening.measured()
    assert watts.empty


def test_the_log_of_another_evening_has_no_watts(tmp_path):
    (tmp_path / "other").mkdir()
    other = Evening(tmp_path / "other", seed=9)
    other.record()
    evening = Evening(tmp_path, seed=4)
    text = (tmp_path / "other" / "logs" / "all.csv").read_text(encoding="utf-8")
    evening.write("all.csv", text, closed_s=900.0)
    watts, findings = evening.measured()
    assert watts.empty
    assert "clock_not_proven" in findings


@pytest.mark.parametrize(("pauses", "n_placed"), [((20.0, 70.0), N_RUNS), ((25.0, 25.0), N_RUNS)])
def test_starts_typed_by_hand_place_runs_where_the_plan_states_one_machine(tmp_path, pauses, n_placed):
    evening = Evening(tmp_path, pauses=pauses, with_clock=False)
    evening.record()
    watts, _ = evening.measured(typed=_typed(evening), sensor_clock="same_machine")
    assert len(watts) == n_placed


@pytest.mark.parametrize("names", [[0, 0, 1, 2, 3, 4, 5, 6], [0, 1, 2, 4, 3, 5, 6, 7]])
def test_sensor_logs_without_a_clock_that_were_closed_with_other_frame_logs_have_no_watts(tmp_path, names):
    evening = Evening(tmp_path, with_clock=False)
    times = np.arange(0, evening.lengths.max() + 10, 0.5)
    for run, length_s in enumerate(evening.lengths):
        is_busy = (times >= 5) & (times < 5 + length_s)
        watts = np.where(is_busy, evening.watts[run], 40.0) + np.sin(2.4 * np.arange(times.size)).round(2)
        own = table({"t": times, "board_w": watts, "load_pct": np.where(is_busy, 97, 3)})
        evening.write(f"s{run}.csv", own, closed_s=evening.starts[run] + length_s + 5)
    evening.sensor_log = {run: f"logs/s{run}.csv" for run in range(N_RUNS)}
    assert len(evening.measured()[0]) == N_RUNS
    evening.sensor_log = {run: f"logs/s{one}.csv" for run, one in enumerate(names)}
    if names[0] != names[1]:
        watts, findings = evening.measured()
        assert set(watts.index) == {f"r{run}" for run, one in enumerate(names) if run == one}
        assert "the frame log of run 'r3'" in findings["not_aligned"].message
        return
    # A log named twice is told elsewhere.
    evening.sensor_log[1] = "logs/s7.csv"
    assert set(evening.measured()[0].index) == {"r0"}


def test_copied_sensor_logs_without_a_clock_keep_their_watts(tmp_path):
    evening = Evening(tmp_path, with_clock=False)
    for run in range(N_RUNS):
        times = np.arange(0, evening.lengths[run] + 10, 0.5)
        is_busy = (times >= 5) & (times < 5 + evening.lengths[run])
        watts = np.where(is_busy, evening.watts[run], 40.0) + np.sin(2.4 * np.arange(times.size)).round(2)
        text = table({"t": times, "board_w": watts, "load_pct": np.where(is_busy, 97, 3)})
        evening.write(f"s{run}.csv", text, closed_s=9000.0 + run)
        evening.sensor_log[run] = f"logs/s{run}.csv"
    assert len(evening.measured()[0]) == N_RUNS
