"""Two short lists, compared at once by the rules of a report."""

import math

import numpy as np
import pingouin
import pytest
from run_tables import make_plan, run_table
from scipy import stats

from gpubench_kit.model.errors import DesignError
from gpubench_kit.statistics.adapters import two_sample_t_test
from gpubench_kit.statistics.compare import compare_tunings
from gpubench_kit.statistics.two_sample import compare_two_samples

NEW = [102.1, 102.6, 101.9, 102.0, 102.9]
OLD = [100, 101, 99.5, 100.4, 100.1]


@pytest.mark.parametrize("order", ["alternated", "rounds"])
def test_more_than_four_rounds_are_compared_in_pairs(order):
    found = compare_two_samples(NEW, OLD, margin=3.0, order=order)
    assert (found.verdict, found.design) == ("better_but_small", "rounds")
    assert (found.test, found.n, found.df) == ("paired t test", 5, 4)
    assert found.p_difference == pytest.approx(0.00083956, abs=5e-9)
    assert found.p_equivalence == pytest.approx(0.00674430, abs=5e-9)
    assert found.ci_low == pytest.approx(100 * math.expm1(0.0143548), abs=1e-4)
    assert found.no_loss
    assert found.reason == "order_stated_alternated"


def test_few_rounds_are_compared_as_two_groups():
    found = compare_two_samples(NEW[:3], OLD[:3], order="alternated")
    wanted = stats.ttest_ind(np.log(NEW[:3]), np.log(OLD[:3]))
    assert (found.test, found.df) == ("pooled t test", 4)
    assert found.p_difference == pytest.approx(wanted.pvalue)
    assert np.log1p(found.ci_low / 100) == pytest.approx(wanted.confidence_interval().low)


def test_runs_without_a_partner_do_not_enter():
    found = compare_two_samples(NEW, OLD[:4], order="alternated")
    wanted = stats.ttest_ind(np.log(NEW[:4]), np.log(OLD[:4]))
    assert (found.n, found.n_against, found.left_out) == (4, 4, 1)
    assert found.p_difference == pytest.approx(wanted.pvalue)


@pytest.mark.parametrize("count", [2, 3, 4, 5, 8])
def test_lists_are_judged_as_the_same_runs_in_a_report(count):
    runs = run_table(" ".join(f"A{n} B{n}" for n in range(1, count + 1)), effect=0.01)
    row = compare_tunings(runs, make_plan(looks=1)).iloc[0]
    lists = [runs.loc[runs["tuning"] == name, "value"].tolist() for name in ("quiet", "factory")]
    found = compare_two_samples(*lists, order="rounds")
    for name in ("verdict", "no_loss", "more_runs_for"):
        assert getattr(found, name) == row[name]
    names = ("change", "ci_low", "ci_high", "equivalence_ci_low", "df", "p_difference", "p_equivalence")
    for name in (*names, "p_non_inferiority", "margin_of_twelve"):
        assert getattr(found, name) == pytest.approx(row[name], nan_ok=True)


@pytest.mark.parametrize(("order", "reason"), [("back_to_back", "confounded"), ("not_known", "not_stated")])
def test_two_blocks_get_no_verdict_but_what_would_explain_them(order, reason):
    found = compare_two_samples(NEW, OLD, order=order)
    assert (found.verdict, found.reason, found.design, found.no_loss) == ("no_verdict", reason, "confounded", None)
    assert np.isnan([found.ci_low, found.p_difference, found.df]).all()
    assert found.change == pytest.approx(2.09633, abs=1e-5)
    # |D| - t V^(1/2) and ((D^2 - t^2 V) / (2 z^2))^(1/2), pooled over the two groups of five
    logs = np.log(NEW), np.log(OLD)
    change, error = logs[0].mean() - logs[1].mean(), (logs[0].var(ddof=1) + logs[1].var(ddof=1)) / 5
    half = stats.t.ppf(0.975, 8) * np.sqrt(error)
    assert found.bench_change_pct == pytest.approx(100 * math.expm1(change - half))
    spread = np.sqrt((change**2 - half**2) / 2) / stats.norm.ppf(0.975)
    assert found.restart_spread_pct == pytest.approx(100 * math.expm1(spread))


def test_blocks_of_unequal_size_are_compared_by_welch():
    found = compare_two_samples(NEW, OLD[:3], order="back_to_back")
    logs = np.log(NEW), np.log(OLD[:3])
    wanted = stats.ttest_ind(*logs, equal_var=False)
    error = np.sqrt(logs[0].var(ddof=1) / 5 + logs[1].var(ddof=1) / 3)
    half = stats.t.ppf(0.975, wanted.df) * error
    assert found.test == "Welch's t test"
    assert np.log1p(found.bench_change_pct / 100) == pytest.approx(logs[0].mean() - logs[1].mean() - half)


@pytest.mark.parametrize(
    ("values", "options", "reason"),
    [
        (([100.0], [101.0]), {}, "one_run"),
        ((["60.00", "60.00"], ["60.00", "60.00"]), {}, "held_by_cap"),
        ((["60.00", "60.01"], ["60.01", "60.01"]), {}, "held_by_cap"),
        ((["30", "30"], ["30", "30"]), {}, "typed_too_coarsely"),
        (([2700.0] * 2, [2700.0] * 2), {"metric": "core_mhz"}, "no_spread"),
        (([60.0, 60.0], [61.0, 61.0]), {}, "no_spread"),
    ],
)
def test_no_verdict_has_its_reason(values, options, reason):
    found = compare_two_samples(*values, order="alternated", **options)
    assert (found.verdict, found.reason) == ("no_verdict", reason)


def test_typed_numbers_know_their_resolution():
    found = compare_two_samples(["100", "100", "100"], ["103", "103", "103"], order="alternated")
    assert found.verdict == "worse"
    step = 1 / (100 * 103) ** 0.5
    # Without noise the rounding that all runs share adds its three terms, with the normal quantile.
    own = stats.t.ppf(0.975, 4) ** 2 * 2 / 3
    shared = stats.norm.ppf(0.975) ** 2 * 2 * 6 / math.pi**2 * (1 + 1 / 4 + 1 / 9)
    half = math.sqrt(step**2 / 12 * (own + shared))
    assert np.log1p(found.ci_high / 100) == pytest.approx(math.log(100 / 103) + half, rel=1e-6)


def test_what_is_undecided_names_the_rounds_that_settle_it():
    found = compare_two_samples([100.0, 101.0, 101.8], [101.4, 102.2, 103.1], order="rounds")
    assert (found.verdict, found.more_runs_for) == ("undecided", "clear")
    assert found.more_runs >= 1
    noisy = compare_two_samples([100.0, 150.0, 120.0], [110.0, 160.0, 90.0], order="rounds")
    assert noisy.more_runs is None
    assert noisy.margin_of_twelve > 10


def test_a_difference_metric_has_its_unit_and_no_margin_of_its_own():
    found = compare_two_samples([70, 71, 70.5], [75, 75.5, 76], metric="core_c", order="rounds")
    assert (found.verdict, found.unit, found.of_value) == ("better", "°C", 70.5)
    assert np.isnan(found.margin)
    same = compare_two_samples([70, 70.1, 70.1], [70, 70.1, 70], metric="core_c", margin=1.0, order="rounds")
    assert same.verdict == "same_within_margin"


def test_metrics_without_a_direction_are_not_judged():
    found = compare_two_samples([2700, 2701, 2702], [2500, 2501, 2502], metric="core_mhz", order="rounds")
    assert (found.verdict, found.no_loss) == ("higher", None)


def test_all_that_is_wrong_is_said_at_once():
    with pytest.raises(DesignError, match=r"(?s)'speed'.*'random'.*above 0 is expected"):
        compare_two_samples([1], [1], metric="speed", order="random", margin=-1)
    with pytest.raises(DesignError, match=r"(?s)'fast' is no number.*cannot be 0.*no value was found"):
        compare_two_samples([0, "fast"], [])
    with pytest.raises(DesignError, match="below 100"):
        compare_two_samples([1], [1], margin=100.0)
    with pytest.raises(DesignError, match=r"3 and 2 values were found; a round has one of each"):
        compare_two_samples([1, 2, 3], [1, 2], order="rounds")


def test_the_librarys_rounding_is_switched_off_and_put_back():
    before = pingouin.options["round.column.CI95"]
    _, low, _ = two_sample_t_test(np.log(NEW), np.log(OLD), paired=True)
    assert low == pytest.approx(0.0143548, abs=5e-8)
    assert pingouin.options["round.column.CI95"] == before


@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.973])
def test_intervals_of_any_confidence_are_found(confidence):
    _, low, high = two_sample_t_test(NEW, OLD, paired=False, confidence=confidence)
    wanted = stats.ttest_ind(NEW, OLD).confidence_interval(confidence)
    assert (low, high) == (pytest.approx(wanted.low), pytest.approx(wanted.high))
