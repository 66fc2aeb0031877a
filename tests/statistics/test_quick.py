"""Two short lists, compared at once."""

import math

import numpy as np
import pingouin
import pytest
from scipy import stats

from gpubench_kit.model.errors import DesignError
from gpubench_kit.statistics.adapters import hand_t_test
from gpubench_kit.statistics.quick import quick_comparison

NEW = [102.1, 102.6, 101.9, 102.0, 102.9]
OLD = [100, 101, 99.5, 100.4, 100.1]


def test_alternated_runs_are_compared_in_pairs():
    found = quick_comparison(NEW, OLD, margin=3.0, order="alternated")
    assert (found.verdict, found.test, found.n, found.df) == ("better_but_small", "paired t test", 5, 4)
    assert found.p_difference == pytest.approx(0.00083956, abs=5e-9)
    assert found.p_equivalence == pytest.approx(0.00674430, abs=5e-9)
    assert found.ci_low == pytest.approx(100 * math.expm1(0.0143548), abs=1e-4)
    assert found.no_loss
    assert found.reason == "order_stated_alternated"
    assert found.caution == ""


def test_few_alternated_runs_are_compared_as_two_groups():
    found = quick_comparison(NEW[:3], OLD[:3], order="alternated")
    wanted = stats.ttest_ind(np.log(NEW[:3]), np.log(OLD[:3]))
    assert (found.test, found.df) == ("pooled t test", 4)
    assert found.p_difference == pytest.approx(wanted.pvalue)
    assert np.log1p(found.ci_low / 100) == pytest.approx(wanted.confidence_interval().low)


def test_unequal_counts_are_compared_by_welch():
    found = quick_comparison(NEW, OLD[:3])
    wanted = stats.ttest_ind(np.log(NEW), np.log(OLD[:3]), equal_var=False)
    assert found.test == "Welch's t test"
    assert (found.p_difference, found.df) == (pytest.approx(wanted.pvalue), pytest.approx(wanted.df))


def test_an_order_not_known_is_cautioned():
    found = quick_comparison(NEW, OLD)
    assert found.reason == "not_stated"
    assert "34-46 %" in found.caution
    assert "2.1 % higher than of B (better)" in found.sentence


def test_back_to_back_runs_get_no_verdict_but_what_would_explain_them():
    found = quick_comparison(NEW, OLD, order="back_to_back")
    assert (found.verdict, found.reason, found.no_loss) == ("no_verdict", "confounded", None)
    assert np.isnan(found.ci_low)
    assert found.change == pytest.approx(2.09633, abs=1e-5)
    assert "Restarts that vary by 0.7 % would explain" in found.caution


@pytest.mark.parametrize(
    ("values", "options", "reason"),
    [
        (([100.0], [101.0]), {}, "one_run"),
        ((["60", "60"], ["60", "60"]), {}, "held_by_cap"),
        ((["60.0", "60.1"], ["60.1", "60.1"]), {}, "held_by_cap"),
        (([2700.0] * 2, [2700.0] * 2), {"metric": "core_mhz"}, "all_values_equal"),
        (([60.0, 60.0], [61.0, 61.0]), {}, "no_spread"),
    ],
)
def test_no_verdict_has_its_reason(values, options, reason):
    found = quick_comparison(*values, **options)
    assert (found.verdict, found.reason) == ("no_verdict", reason)
    assert found.sentence.startswith("No verdict on")


def test_typed_numbers_know_their_resolution():
    found = quick_comparison(["100", "100", "100"], ["103", "103", "103"])
    assert found.verdict == "worse"
    step = 100 / (100 * 103) ** 0.5 / 100
    assert found.p_difference == pytest.approx(
        2 * stats.t.sf(math.log(1.03) / math.sqrt(2 * step**2 / 12 / 3), 4), rel=1e-6
    )


def test_what_is_undecided_names_the_runs_that_would_decide():
    found = quick_comparison([100.0, 101.0, 102.0], [101.0, 102.5, 100.2])
    assert found.verdict == "undecided"
    assert found.more_runs >= 1
    assert f"{found.more_runs} further runs of each would decide it" in found.sentence
    noisy = quick_comparison([100.0, 150.0, 120.0], [110.0, 160.0, 90.0])
    assert noisy.more_runs is None
    assert "Runs alone will hardly decide it" in noisy.sentence


LOSS_OUT = "A loss of 2 % or more is ruled out; a gain of that size is not."
GAIN_OUT = "A gain of 2 % or more is ruled out; a loss of that size is not."
NEITHER = "Neither a loss nor a gain of 2 % or more is ruled out."


@pytest.mark.parametrize(
    ("new", "sentence"),
    [([101.0, 102.0, 103.0], LOSS_OUT), ([98.2, 99.2, 100.2], GAIN_OUT), ([98.0, 100.0, 102.2], NEITHER)],
)
def test_what_is_undecided_says_which_way_the_margin_is_ruled_out(new, sentence):
    old = [99.9, 100.4, 101.3]
    found = quick_comparison(new, old)
    logs = np.log(new), np.log(old)
    loss = stats.ttest_ind(logs[0] - np.log(0.98), logs[1], alternative="greater").pvalue
    gain = stats.ttest_ind(logs[0] - np.log(1.02), logs[1], alternative="less").pvalue
    wanted = LOSS_OUT if loss <= 0.05 else GAIN_OUT if gain <= 0.05 else NEITHER
    assert (found.verdict, wanted) == ("undecided", sentence)
    assert f"). {sentence} " in found.sentence
    assert found.no_loss == (sentence == LOSS_OUT)


def test_where_lower_is_better_what_is_ruled_out_is_a_rise_or_a_fall():
    found = quick_comparison([70, 71, 70.5], [70.9, 71.2, 71.1], metric="core_c", margin=0.5)
    assert (found.verdict, found.no_loss) == ("undecided", True)
    assert "A rise of 0.5 °C or more is ruled out; a fall of that size is not." in found.sentence


def test_the_same_is_said_with_its_margin():
    found = quick_comparison([100.0, 100.2, 100.1], [100.1, 100.0, 100.2], names=("quiet", "factory"))
    assert found.verdict == "same_within_margin"
    assert found.sentence.startswith("No difference in average frame rate beyond 2 % between quiet and factory")


def test_what_is_called_the_same_is_told_with_the_interval_held_against_the_margin():
    # The 95 % interval reaches past 2 %; the two one-sided tests at 5 % each go with the one of 90 %.
    found = quick_comparison([100, 101, 99.5], [100.4, 100.9, 99.0])
    assert (found.verdict, found.ci_high > 2 > found.equivalence_ci_high) == ("same_within_margin", True)
    assert found.sentence.endswith("between A and B (90 % interval −1.5 to +1.6 %).")


def test_a_difference_metric_speaks_in_its_unit():
    found = quick_comparison([70, 71, 70.5], [75, 75.5, 76], metric="core_c", margin=1.0)
    assert (found.verdict, found.unit, found.of_value) == ("better", "°C", 70.5)
    assert "°C lower than of B (better)" in found.sentence
    same = quick_comparison([70, 70.1, 70.1], [70, 70.1, 70], metric="core_c", margin=1.0)
    assert "beyond 1.0 °C" in same.sentence
    open_ = quick_comparison([70, 71, 70.5], [70.2, 71.2, 70.1], metric="core_c", margin=None)
    assert (open_.verdict, open_.more_runs) == ("undecided", None)
    assert open_.sentence.endswith("°C).")


def test_a_small_difference_says_so():
    found = quick_comparison([100.5, 100.52, 100.49], [100.0, 100.01, 99.99])
    assert found.verdict == "better_but_small"
    assert "less than the 2 % that matter" in found.sentence


def test_metrics_without_a_direction_are_not_judged():
    found = quick_comparison([2700, 2701, 2702], [2500, 2501, 2502], metric="core_mhz")
    assert (found.verdict, found.no_loss) == ("higher", None)
    assert "(better)" not in found.sentence


def test_two_runs_only_are_named():
    found = quick_comparison([100, 101], [120, 121], order="alternated")
    assert found.reason == "order_stated_alternated; two_runs_only"
    assert found.caution == "Two runs only."


def test_all_that_is_wrong_is_said_at_once():
    with pytest.raises(DesignError, match=r"(?s)'speed'.*'random'.*above 0 is expected"):
        quick_comparison([1], [1], metric="speed", order="random", margin=-1)
    with pytest.raises(DesignError, match=r"(?s)'fast' is no number.*cannot be 0.*no value was found"):
        quick_comparison([0, "fast"], [])
    with pytest.raises(DesignError, match="below 100"):
        quick_comparison([1], [1], margin=100.0)


def test_the_librarys_rounding_is_switched_off_and_put_back():
    before = pingouin.options["round.column.CI95"]
    found = hand_t_test(np.log(NEW), np.log(OLD), paired=True)
    assert found.low == pytest.approx(0.0143548, abs=5e-8)
    assert pingouin.options["round.column.CI95"] == before


@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.973])
def test_intervals_of_any_confidence_are_found(confidence):
    found = hand_t_test(NEW, OLD, paired=False, confidence=confidence)
    wanted = stats.ttest_ind(NEW, OLD).confidence_interval(confidence)
    assert (found.low, found.high) == (pytest.approx(wanted.low), pytest.approx(wanted.high))
