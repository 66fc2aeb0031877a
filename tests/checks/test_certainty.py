"""What is only likely is shown and enters no verdict, until its format is confirmed once."""

import numpy as np
import pytest
from made_dialects import frames, text_of, written

from gpubench_kit.checks.review import check_review, exclude_runs
from gpubench_kit.claims.check import check_claims
from gpubench_kit.logs.loose_files import facts_of_log
from gpubench_kit.logs.review import open_review
from gpubench_kit.metrics.per_run import compute_run_metrics
from gpubench_kit.model.errors import PlanError
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.sections import Claim
from gpubench_kit.sheet.looks import open_looks
from gpubench_kit.statistics.compare import compare_over_games, compare_tunings, estimate_noise

CARD = "Larkmoor 4"


def _folder(folder, *, with_time=False):
    """Write a review of eight runs whose frame logs hold a lone column, and whose power does not say of what."""
    (folder / "logs").mkdir()
    rows = ["run,tuning,game,round,order,frame_log"]
    for k in range(8):
        frame_ms = frames(np.random.default_rng(k), 1500)
        columns = {"t (s)": written(np.cumsum(frame_ms), "s")} if with_time else {}
        columns |= {
            "dur": written(frame_ms, "ms"),
            "power [W]": (250.5 + k + np.sin(np.arange(frame_ms.size))).round(2),
        }
        (folder / "logs" / f"r{k}.csv").write_text(text_of(columns), encoding="utf-8")
        rows.append(f"r{k},{('factory', 'quiet')[k % 2]},Salt Orchard,{k // 2 + 1},{k + 1},r{k}.csv")
    (folder / "runs.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")


def _plan(folder, **logs):
    """Return the plan of the review."""
    plan = {
        "review": {"title": "Larkmoor 4"},
        "cards": [{"name": CARD, "power_measured_at": "board_sensor"}],
        "tunings": [{"name": "factory", "reference": True}, {"name": "quiet"}],
        "games": [{"name": "Salt Orchard"}],
        "analysis": {"metrics": ["avg_fps", "board_w", "frames_per_j"]},
    }
    return ReviewPlan.from_dict(plan | ({"logs": logs} if logs else {}), folder=folder)


def _read(plan):
    """Return run metrics, what may enter verdicts, and the comparisons."""
    review = open_review(plan)
    run_metrics = compute_run_metrics(review, plan)
    usable = exclude_runs(review, run_metrics, check_review(review, run_metrics, plan))
    return run_metrics, usable, compare_tunings(usable, plan)


def _by_metric(table, column):
    """Return the values of a column by metric."""
    return {metric: set(part[column]) for metric, part in table.groupby("metric")}


def test_a_likely_frame_time_withholds_all_that_rests_on_it(tmp_path):
    _folder(tmp_path)
    run_metrics, usable, comparisons = _read(_plan(tmp_path))
    assert _by_metric(run_metrics, "certainty")["avg_fps"] == {"likely"}
    assert _by_metric(usable, "withheld_for")["frames_per_j"] == {"format_not_confirmed"}
    assert set(comparisons["verdict"]) == {"no_verdict"}
    assert set(comparisons["reason"]) == {"format_not_confirmed"}
    assert comparisons["change"].isna().all()


def test_a_likely_power_withholds_power_and_energy_alone(tmp_path):
    _folder(tmp_path, with_time=True)
    run_metrics, usable, comparisons = _read(_plan(tmp_path))
    certainty = _by_metric(run_metrics, "certainty")
    assert (certainty["avg_fps"], certainty["board_w"], certainty["frames_per_j"]) == (
        {"proven"},
        {"likely"},
        {"likely"},
    )
    withheld = _by_metric(usable, "withheld_for")
    assert (withheld["avg_fps"], withheld["board_w"]) == ({""}, {"format_not_confirmed"})
    reasons = _by_metric(comparisons, "reason")
    assert reasons["board_w"] == reasons["frames_per_j"] == {"format_not_confirmed"}
    assert "format_not_confirmed" not in reasons["avg_fps"]


def test_what_is_computed_from_likely_power_is_withheld_with_it(tmp_path):
    _folder(tmp_path, with_time=True)
    plan = _plan(tmp_path)
    claim = {
        "id": "less", "text": "quiet draws less", "metric": "board_w", "of": {"tuning": "quiet"},
        "against": {"tuning": "factory"}, "says": "better",
    }  # fmt: skip
    plan = plan.model_copy(update={"claims": [Claim.model_validate(claim)]})
    _, usable, comparisons = _read(plan)
    overall = compare_over_games(usable, plan)
    of_power = ["board_w", "frames_per_j", "energy_per_frame_j"]
    assert not estimate_noise(usable, plan)["metric"].isin(of_power).any()
    for table in (comparisons, overall):
        rows = table[table["metric"].isin(of_power)]
        assert len(rows)
        assert rows[["change", "ci_low", "ci_high"]].isna().all().all()
    assert set(check_claims(comparisons, overall, plan)["verdict"]) == {"not_shown"}


def test_one_likely_log_withholds_its_game_and_is_held_against_no_other_run(tmp_path):
    (tmp_path / "logs").mkdir()
    rows = ["run,tuning,game,round,order,frame_log"]
    for k in range(12):
        rng, tuning = np.random.default_rng(k), ("factory", "quiet")[k % 2]
        frame_ms = frames(rng, 1500)
        watts = rng.normal(300.0 - 60.0 * (k % 2), 2.0, frame_ms.size).round(1)
        # The watts of a part in one log: less than half, as if the other tuning had run.
        power = {"GPU auxiliary power [W]": 0.4 * watts} if k == 4 else {"GPU power [W]": watts}
        text = text_of({"t (s)": written(np.cumsum(frame_ms), "s"), "dur": written(frame_ms, "ms"), **power})
        (tmp_path / "logs" / f"r{k}.csv").write_text(text, encoding="utf-8")
        rows.append(f"r{k},{tuning},Salt Orchard,{k // 2 + 1},{k + 1},r{k}.csv")
    (tmp_path / "runs.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    plan = _plan(tmp_path)
    review = open_review(plan)
    run_metrics = compute_run_metrics(review, plan)
    found = check_review(review, run_metrics, plan)
    assert not {"outlier", "tuning_not_applied"} & set(found["check"])
    comparisons = compare_tunings(exclude_runs(review, run_metrics, found), plan).set_index("metric")
    assert comparisons.at["board_w", "reason"] == "format_not_confirmed"
    assert np.isnan(comparisons.at["board_w", "change"])
    assert not np.isnan(comparisons.at["avg_fps", "change"])


def test_a_confirmed_format_counts_and_changes_no_decision(tmp_path):
    _folder(tmp_path)
    entry = {
        "card": CARD,
        "id": facts_of_log(tmp_path / "logs" / "r0.csv").format_id,
        "frames": {"time": "dur", "unit": "ms", "rows": "frames"},
        "sensors": {"board_w": {"column": "power [W]", "unit": "W"}},
    }
    plan = _plan(tmp_path, format=[entry])
    run_metrics, usable, comparisons = _read(plan)
    assert set(run_metrics["certainty"]) == {"stated"}
    assert set(usable["withheld_for"]) == {""}
    assert comparisons["change"].notna().all()
    assert plan.fingerprint == _plan(tmp_path).fingerprint


def _findings(plan):
    """Return the messages of the check by name, and the looks that a report would count."""
    review = open_review(plan)
    run_metrics = compute_run_metrics(review, plan)
    findings = check_review(review, run_metrics, plan)
    usable = exclude_runs(review, run_metrics, findings)
    looks = open_looks(plan, usable)
    results = compare_tunings(usable, looks.plan, looks=looks), compare_over_games(usable, looks.plan, looks=looks)
    looks.record(*results)
    return findings.groupby("check")["message"].agg(list), looks, results[0].set_index("metric")


def test_power_confirmed_after_a_look_is_no_look_and_the_page_says_since_when(tmp_path):
    _folder(tmp_path, with_time=True)
    messages, looks, games = _findings(_plan(tmp_path))
    assert (looks.made, looks.confirmed) == (1, {})
    assert games.at["board_w", "reason"] == "format_not_confirmed"
    sensors = {"board_w": {"column": "power [W]", "unit": "W"}}
    entry = {"card": CARD, "id": facts_of_log(tmp_path / "logs" / "r0.csv").format_id, "sensors": sensors}
    for _ in range(2):
        messages, looks, games = _findings(_plan(tmp_path, format=[entry]))
        assert (looks.made, looks.confirmed) == (
            1,
            dict.fromkeys(("board_w", "energy_per_frame_j", "frames_per_j"), 1),
        )
        assert messages["confirmed_after_look"][0].startswith("Board power was confirmed after look 1: until then")
        assert games.at["board_w", "level"] == pytest.approx(0.04)
        assert "value_changed_after_look" not in messages


def test_another_column_after_a_look_leaves_the_weaker_verdict(tmp_path):
    _folder(tmp_path, with_time=True)
    for k in range(8):
        log = tmp_path / "logs" / f"r{k}.csv"
        head, *rest = log.read_text(encoding="utf-8").splitlines()
        watts = 250.5 + k / 10 - 20 * (k % 2)
        rows = (f"{one},{watts + place % 7 / 10:.1f}" for place, one in enumerate(rest))
        log.write_text("\n".join([f"{head},other power [W]", *rows]) + "\n", "utf-8")
    first = _findings(_plan(tmp_path, sensors={"board_w": "power [W]"}))[2]
    messages, looks, games = _findings(_plan(tmp_path, sensors={"board_w": "other power [W]"}))
    assert looks.made == 1
    assert len(messages["value_changed_after_look"]) == 8 * 3, "power, energy per frame and the other way round"
    assert first.at["board_w", "verdict"] == "same_within_margin"
    assert games.at["board_w", "verdict"] == "undecided"
    assert games.at["board_w", "reason"].startswith("changed_value:better/same_within_margin")


def test_keys_of_earlier_plans_count_as_stated(tmp_path):
    _folder(tmp_path)
    plan = _plan(tmp_path, frame_time={"column": "dur", "unit": "ms"}, sensors={"board_w": "power [W]"})
    run_metrics, _, _ = _read(plan)
    assert set(run_metrics["certainty"]) == {"stated"}


@pytest.mark.parametrize(
    ("logs", "message"),
    [
        ({"format": [{"card": "Larkmoor 5", "id": "0"}]}, "is no card of the plan"),
        ({"format": [{"card": CARD, "id": "0", "frames": {"time_steps": "n"}}]}, "time_steps needs per_s"),
        ({"format": [{"card": CARD, "id": "0", "frames": {}}]}, "one of time, time_steps and rate is expected"),
        (
            {"format": [{"card": CARD, "id": "0", "sensors": {"avg_fps": {"column": "a"}}}]},
            "is not read from a sensor log",
        ),
        ({"sensor_clock": "mine"}, "same_machine"),
    ],
)
def test_entries_that_cannot_be_meant_are_refused(tmp_path, logs, message):
    with pytest.raises(PlanError, match=message):
        _plan(tmp_path, **logs)


def test_a_card_cannot_be_called_like_a_key_of_the_logs(tmp_path):
    plan = {
        "review": {"title": "t"}, "cards": [{"name": "layout"}],
        "tunings": [{"name": "factory", "reference": True}, {"name": "quiet"}], "games": [{"name": "Salt Orchard"}],
    }  # fmt: skip
    with pytest.raises(PlanError, match="a card cannot be called 'layout', which is a key of"):
        ReviewPlan.from_dict(plan, folder=tmp_path)
