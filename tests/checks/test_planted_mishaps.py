"""A made-up review with one mishap of each kind, from its logs to what may enter verdicts."""

import pytest

from gpubench_kit.checks.review import check_review, exclude_runs
from gpubench_kit.logs.review import open_review
from gpubench_kit.metrics.per_run import compute_run_metrics
from gpubench_kit.model.plan import load_plan
from gpubench_kit.synthetic.recipe import MadeGame, MadeReview, MadeTuning, Mishap
from gpubench_kit.synthetic.review import write_review

TUNINGS = (
    MadeTuning("factory"),
    MadeTuning("quiet", fps_pct=-1.0, power_pct=-15.0, core_mhz=2610.0, core_mv=960.0, changes={"voltage_mv": -90}),
)
GAMES = (
    MadeGame("Low Tide Racers", 140.0, run_cv_pct=0.4),
    MadeGame("Salt Orchard", 90.0, run_cv_pct=0.4),
    MadeGame("Glass Tundra", 70.0, run_cv_pct=0.4),
)
PLANTED = (
    Mishap("gap", "quiet", "Low Tide Racers", 1),
    Mishap("cap", "quiet", "Salt Orchard", 2),
    Mishap("loading_pause", "quiet", "Glass Tundra", 3),
    Mishap("short_run", "quiet", "Low Tide Racers", 4),
    Mishap("tuning_lost", "quiet", "Salt Orchard", 5),
    Mishap("background_load", "factory", "Glass Tundra", 1),
)
#: Kind of mishap -> a check that must find it.
FOUND_BY = {
    "gap": "missing_frames", "cap": "held_by_cap", "loading_pause": "gap", "short_run": "too_short",
    "tuning_lost": "tuning_not_applied", "background_load": "outlier",
}  # fmt: skip
RECIPE = MadeReview("Mishaps", tunings=TUNINGS, games=GAMES, seed=5, scene_s=8.0, mishaps=PLANTED)


@pytest.fixture(scope="module")
def checked(tmp_path_factory):
    """Return the runs, findings and usable values of the review with mishaps."""
    plan = load_plan(write_review(tmp_path_factory.mktemp("mishaps"), RECIPE) / "plan.toml")
    review = open_review(plan)
    run_metrics = compute_run_metrics(review, plan)
    findings = check_review(review, run_metrics, plan)
    return review.runs.query("purpose == 'measure'"), findings, exclude_runs(review, run_metrics, findings)


def _run_of(runs, mishap):
    """Return the name of the run that a mishap was planted in."""
    chosen = runs.query("tuning == @mishap.tuning and game == @mishap.game and round == @mishap.round")
    return chosen["run"].iloc[0]


@pytest.mark.parametrize("mishap", PLANTED, ids=lambda mishap: mishap.kind)
def test_planted_mishap_is_found_in_its_run(checked, mishap):
    runs, findings, _ = checked
    found = findings[findings["run"] == _run_of(runs, mishap)]
    assert FOUND_BY[mishap.kind] in set(found["check"])


def test_no_other_run_is_stopped(checked):
    runs, findings, _ = checked
    stopped = set(findings.loc[findings["severity"] == "stop", "run"])
    assert stopped == {_run_of(runs, one) for one in PLANTED if one.kind in ("cap", "tuning_lost")}


def test_no_run_is_left_out_without_a_rule(checked):
    runs, findings, usable = checked
    assert "exclude" not in set(findings["severity"])
    assert set(usable["run"]) == set(runs["run"])


def test_few_other_runs_are_noted(checked):
    runs, findings, _ = checked
    odd = findings[findings["check"].isin([*FOUND_BY.values(), "load_low", "warm_up", "too_long"])]
    others = set(odd["run"]) - {_run_of(runs, one) for one in PLANTED}
    assert len(others) <= 1
