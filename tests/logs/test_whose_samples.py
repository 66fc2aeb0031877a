"""Whose samples a run has: those of its own card, of a sensor that moves, of clocks apart as in others."""

import numpy as np
import pytest
from made_logs import clock, frame_times, sensor_signal, table

from gpubench_kit.checks.review import check_review, exclude_runs
from gpubench_kit.logs.review import open_review
from gpubench_kit.metrics.per_run import compute_run_metrics
from gpubench_kit.model.errors import TableError
from gpubench_kit.model.plan import ReviewPlan

FRAME_MS = [frame_times(3000, seed=seed) for seed in range(4)]
OURS, RIVAL = "Larkmoor 4", "Fernholt 3"


class Folder:
    """A review of four runs, each with logs of its own; ``cards`` and ``plan`` are to be changed."""

    def __init__(self, folder):
        self.folder, self.cards, self.logs, self.changes, self.edge_s = folder, (OURS,), {}, {}, 1.0
        (folder / "logs").mkdir()
        for run in range(4):
            self.frames(run)
            self.sensors(run)

    def frames(self, run, *, above="", start="2026-11-02T21:00:00"):
        """Write the frame log of a run, two minutes after the one before."""
        at = (np.cumsum(FRAME_MS[run]) - FRAME_MS[run]) / 1000
        columns = {"clock": clock(at + 120 * run, start), "t (s)": at.round(6), "frame time (ms)": FRAME_MS[run]}
        (self.folder / "logs" / f"f{run}.csv").write_text(above + table(columns), encoding="utf-8")

    def sensors(self, run, *, watts=None, start="2026-11-02T20:59:55", **columns):
        """Write the sensor log of a run, with further columns of one word each."""
        times, load, power = sensor_signal(FRAME_MS[run].sum() / 1000, watts=300.0 + run)
        cells = {"clock": clock(times + 120 * run, start), "load_pct": load}
        cells |= {"board_w": (power if watts is None else watts(times, power)).round(1)}
        cells |= {heading: [word] * times.size for heading, word in columns.items()}
        (self.folder / "logs" / f"s{run}.csv").write_text(table(cells), encoding="utf-8")

    def measured(self, card_of=lambda run: OURS, frame_log_of=lambda run: f"f{run}.csv"):
        """Return why the value of each run and metric is withheld, and the findings by check."""
        rows = ["run,card,tuning,game,round,order,session,frame_log,sensor_log"]
        rows += [
            f"r{run},{card_of(run)},{('factory', 'quiet')[run % 2]},Salt Orchard,{run // 2 + 1},{run + 1},evening,"
            f"{frame_log_of(run)},s{run}.csv"
            for run in range(4)
        ]
        cards = [
            {"name": name} | {"role": "rival"} if place else {"name": name} for place, name in enumerate(self.cards)
        ]
        (self.folder / "runs.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
        quiet = {"name": "quiet"} | ({"changes": self.changes} if self.changes else {})
        plan = ReviewPlan.from_dict(
            {
                "review": {"title": "t"}, "games": [{"name": "Salt Orchard"}],
                "cards": cards,
                "tunings": [{"name": "factory", "reference": True}, quiet],
                "analysis": {"metrics": ["avg_fps", "board_w"], "sensor_edge_s": self.edge_s},
            },
            folder=self.folder,
        )  # fmt: skip
        review = open_review(plan)
        values = compute_run_metrics(review, plan)
        findings = check_review(review, values, plan)
        usable = exclude_runs(review, values, findings).set_index(["metric", "run"])["withheld_for"]
        return usable, findings.set_index("check")["run"]


@pytest.fixture
def folder(tmp_path):
    return Folder(tmp_path)


def test_nothing_is_found_where_all_is_as_it_should_be(folder):
    usable, findings = folder.measured()
    assert set(usable) == {""}
    assert not {"power_stands", "zones_disagree", "log_of_another_card"} & set(findings.index)


@pytest.mark.parametrize(("from_s", "until_s"), [(-10.0, 99.0), (20.0, 99.0), (15.0, 30.0)])
def test_power_that_hangs_for_a_run_or_a_part_of_it_is_not_used(folder, from_s, until_s):
    folder.sensors(1, watts=lambda times, power: np.where((times > from_s) & (times < until_s), 271.3, power))
    usable, findings = folder.measured()
    assert "r1" not in usable["board_w"].index
    assert set(usable["avg_fps"]) == {""}
    assert findings["power_stands"] == "r1"


def test_power_whose_last_digit_flickers_hangs_as_well(folder):
    folder.sensors(
        1, watts=lambda times, power: np.where(times > 20, 271.3 + np.arange(times.size) % 2 / 10, power)
    )
    usable, _ = folder.measured()
    assert "r1" not in usable["board_w"].index


@pytest.mark.parametrize(
    "written",
    [
        lambda times, power: power.round(),
        lambda times, power: (power / 10).round() * 10,
        lambda times, power: power[(np.arange(times.size) // 8) * 8],
        lambda times, power: np.where((times > 20) & (times < 26), 271.3, power),
        lambda times, power: np.where(power > 200, 280 + 0.8 * np.sin(times / 3), power),
    ],
    ids=["whole watts", "tens of watts", "a sensor slower than its log", "a hitch of six seconds", "a slow wave"],
)
def test_power_that_is_coarse_or_slow_may_stand_still(folder, written):
    # A slow sensor still shows the idle card when a run begins.
    folder.edge_s = 5.0
    for run in range(4):
        folder.sensors(run, watts=written)
    usable, findings = folder.measured()
    assert set(usable["board_w"].index) == {"r0", "r1", "r2", "r3"}
    assert "power_stands" not in findings.index


@pytest.mark.parametrize("named", [RIVAL, "FERNHOLT-3 16G"])
def test_a_sensor_log_that_names_another_card_of_the_plan_withholds_its_samples(folder, named):
    folder.cards = (OURS, RIVAL)
    folder.sensors(1, device=named)
    usable, findings = folder.measured()
    assert usable["board_w", "r1"] == "sensor_log_of_another_card"
    assert usable["avg_fps", "r1"] == usable["board_w", "r0"] == ""
    assert findings["sensor_log_of_another_card"] == "r1"


def test_a_frame_log_that_names_another_card_withholds_the_run(folder):
    folder.cards = (OURS, RIVAL)
    folder.frames(2, above=f"# graphics: {RIVAL}\n")
    usable, _ = folder.measured()
    assert usable["avg_fps", "r2"] == "log_of_another_card"
    assert usable["avg_fps", "r0"] == ""


@pytest.mark.parametrize("named", [OURS, f"{OURS} beside {RIVAL}", "bench 7", "Fernholt 30"])
def test_a_log_that_names_its_own_card_or_none_of_the_plan_counts(folder, named):
    folder.cards = (OURS, RIVAL)
    for run in range(4):
        folder.sensors(run, device=named)
    assert set(folder.measured()[0]) == {""}


def test_of_names_in_each_other_the_longest_is_meant(folder):
    folder.cards = (OURS, f"{OURS} Wide")
    folder.sensors(1, device=f"{OURS} Wide")
    usable, _ = folder.measured()
    assert usable["board_w", "r1"] == "sensor_log_of_another_card"


def test_clocks_that_differ_by_other_hours_in_one_run_are_no_time_zone(folder):
    folder.sensors(1, start="2026-11-02T21:14:55")
    usable, findings = folder.measured()
    assert usable["board_w", "r1"] == "zones_disagree"
    assert usable["board_w", "r0"] == ""
    assert findings["zones_disagree"] == "r1"


def test_a_log_in_the_folder_of_another_card_withholds_the_run(folder):
    folder.cards = (OURS, RIVAL)
    (folder.folder / "logs" / RIVAL).mkdir()
    (folder.folder / "logs" / "f2.csv").rename(folder.folder / "logs" / RIVAL / "f2.csv")
    usable, _ = folder.measured(frame_log_of=lambda run: f"{RIVAL}/f2.csv" if run == 2 else f"f{run}.csv")
    assert usable["avg_fps", "r2"] == "log_of_another_card"
    assert usable["avg_fps", "r0"] == ""


@pytest.mark.parametrize(("kind", "withheld"), [("f", {"r1", "r3"}), ("s", set())])
def test_frame_logs_that_were_exchanged_are_told_from_sensor_logs_by_the_planned_order(folder, kind, withheld):
    one, other = (folder.folder / "logs" / f"{kind}{run}.csv" for run in (1, 3))
    texts = one.read_bytes(), other.read_bytes()
    for path, text in zip((other, one), texts, strict=True):
        path.write_bytes(text)
    usable, findings = folder.measured()
    assert {run for run in ("r0", "r1", "r2", "r3") if usable["avg_fps", run] == "logs_exchanged"} == withheld
    assert not {"r1", "r3"} & set(usable["board_w"].index)
    assert list(findings.index).count("sensor_log_of_another_run") == 2


def test_clocks_that_differ_alike_in_all_runs_are_time_zones(folder):
    for run in range(4):
        folder.sensors(run, start="2026-11-02T19:59:55")
    assert set(folder.measured()[0]) == {""}


@pytest.mark.parametrize(("factor", "reason"), [(1.12, "tunings_exchanged"), (0.88, ""), (1.03, "")])
def test_a_tuning_with_a_lower_limit_that_draws_more_has_the_logs_of_the_other(folder, factor, reason):
    folder.changes = {"power_limit_pct": -12}
    for run in (1, 3):
        folder.sensors(run, watts=lambda times, power: power * factor)
    usable, _ = folder.measured()
    assert set(usable) == {reason}


def test_a_tuning_that_also_raises_something_may_draw_more(folder):
    folder.changes = {"power_limit_pct": -5, "core_mhz": 150}
    for run in (1, 3):
        folder.sensors(run, watts=lambda times, power: power * 1.12)
    assert set(folder.measured()[0]) == {""}


def test_a_name_that_waits_for_its_answer_stops_the_report_alone(folder):
    folder.cards = ("?",)
    with pytest.raises(TableError, match=r"plan.toml, \[\[cards\]\] 1, name: a question is still open"):
        folder.measured(lambda run: "?")


def test_impossible_samples_beside_frames_are_left_out_of_later_logs_of_a_format_too(tmp_path):
    (tmp_path / "logs").mkdir()
    rows = ["run,tuning,game,round,order,frame_log"]
    for run in range(4):
        at = (np.cumsum(FRAME_MS[run]) - FRAME_MS[run]) / 1000
        watts = 300.0 + run + np.sin(np.arange(at.size))
        watts = watts * 1000 if run == 2 else np.where(np.arange(at.size) % 50 == 7, 65535.0, watts)
        columns = {"t (s)": at.round(6), "frame time (ms)": FRAME_MS[run], "GPU power [W]": watts.round(1)}
        (tmp_path / "logs" / f"f{run}.csv").write_text(table(columns), encoding="utf-8")
        rows.append(f"r{run},{('factory', 'quiet')[run % 2]},Salt Orchard,{run // 2 + 1},{run + 1},f{run}.csv")
    (tmp_path / "runs.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    plan = {"review": {"title": "t"}, "cards": [{"name": OURS}], "games": [{"name": "Salt Orchard"}],
            "tunings": [{"name": "factory", "reference": True}, {"name": "quiet"}],
            "analysis": {"metrics": ["avg_fps", "board_w"]}}  # fmt: skip
    plan = ReviewPlan.from_dict(plan, folder=tmp_path)
    review = open_review(plan)
    values = compute_run_metrics(review, plan)
    watts = values[values["metric"] == "board_w"].set_index("run")["value"]
    assert watts.to_dict() == {run: pytest.approx(300.0 + int(run[1]), abs=0.5) for run in ("r0", "r1", "r3")}
    assert {"samples_left_out", "sensor_impossible"} <= {one.check for one in review.findings}


def test_a_clock_that_was_set_by_an_hour_within_the_session_is_no_log_of_another_run(folder):
    for run in (2, 3):
        folder.sensors(run, start="2026-11-02T19:59:55")
    assert set(folder.measured()[0]) == {""}
