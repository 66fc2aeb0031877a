"""Drift, coded runs and reasons."""

import numpy as np
import pandas as pd
import pytest
from run_tables import CASES, REFERENCE_METRICS, closed, reference_runs, reference_table, run_table

from gpubench_kit.model.plan import Pair, Subject
from gpubench_kit.statistics.design import estimate_drift
from gpubench_kit.statistics.runs import encode_runs, group_ids, members_of, rank_within, select_pair
from gpubench_kit.statistics.variance import in_percent, scaled_values
from gpubench_kit.wording.terms import WITHHELD, reason_sentences, reason_words


@pytest.mark.parametrize("metric", REFERENCE_METRICS)
@pytest.mark.parametrize("case", CASES)
def test_drift_agrees_with_r(case, metric):
    table = reference_runs(case)
    table = table[table["metric"] == metric]
    cell = table.groupby(["game", "tuning"]).ngroup().to_numpy()
    values, order = np.log(table["value"].to_numpy()), table["order"].to_numpy(dtype=float)
    drift = estimate_drift(values, order, cell=cell, family=np.zeros(len(table), dtype=int))
    wanted = reference_table("drift", case=case, metric=REFERENCE_METRICS[metric]).iloc[0]
    assert closed(wanted["slope_log_per_run"], absolute=1e-14)(drift.slope[0])
    assert closed(wanted["se_log"])(drift.se[0])
    assert closed(wanted["df"])(drift.df[0])
    assert closed(wanted["p"], relative=1e-5, absolute=1e-10)(drift.p[0])


def test_drift_is_visible_above_its_limit_and_not_by_chance():
    order = np.arange(20.0)
    noise = 0.001 * np.random.default_rng(1).standard_normal(20)
    cell = np.arange(20) % 2
    families = np.zeros(20, dtype=int)
    steep = estimate_drift(0.002 * order + noise, order, cell=cell, family=families)
    assert steep.is_visible(0.001).tolist() == [True]
    assert steep.is_visible(0.005).tolist() == [False]
    assert estimate_drift(noise, order, cell=cell, family=families).is_visible(0.0).tolist() == [False]


def test_drift_needs_runs_and_order():
    one = np.zeros(1, dtype=int)
    assert np.isnan(estimate_drift(np.array([1.0]), np.array([1.0]), cell=one, family=one).slope)
    nothing = np.array([np.nan, np.nan])
    two = np.zeros(2, dtype=int)
    assert np.isnan(estimate_drift(nothing, nothing, cell=two, family=two).p)


def test_a_subject_without_a_card_stands_for_any():
    pair = Pair(Subject("", "quiet", ""), Subject("", "factory", ""))
    assert select_pair(encode_runs(run_table("A1 B1")), pair, metric="avg_fps").n_cells == 1
    assert select_pair(encode_runs(run_table("A1 A2")), pair, metric="avg_fps") is None


def test_missing_columns_have_their_defaults():
    coded = encode_runs(run_table("A1 B1")[["tuning", "game", "metric", "value"]])
    assert set(coded.text("group")) == {"all"}
    assert set(coded.text("purpose")) == {"measure"}
    assert np.isnan(coded.numbers["round"]).all()
    assert not coded.numbers["flagged"].any()


def test_empty_texts_stand_for_defaults_where_a_text_is_needed():
    table = run_table("A1 B1").assign(group="", purpose="", model=["", "Larkmoor"], power_measured_at=pd.NA)
    coded = encode_runs(table)
    assert set(coded.text("group")) == {"all"}
    assert coded.text("model").tolist() == ["Larkmoor 4", "Larkmoor"]
    assert not coded.is_given("power_measured_at").any()


def test_derived_changes_follow_the_order_done():
    table = run_table("A1 A2 B2 B2 A3")
    coded = encode_runs(table)
    assert coded.change.tolist() == [0, 1, 2, 2, 3]
    assert coded.stretch.tolist() == [0, 0, 1, 1, 2]
    assert coded.installation.tolist() == [0] * 5
    backwards = encode_runs(table.assign(order=[5, 4, 3, 2, 1]))
    assert backwards.stretch.tolist() == [2, 2, 1, 1, 0]


def test_groups_are_numbered_by_their_columns():
    assert group_ids([np.array([5, 1, 5, 1]), np.array([0, 1, 0, 0])]).tolist() == [2, 1, 2, 0]
    assert group_ids([np.array([], dtype=int)]).tolist() == []


def test_many_large_columns_do_not_run_over():
    rng = np.random.default_rng(1)
    columns = [rng.integers(0, 2**40, 50) for _ in range(5)]
    wanted = pd.DataFrame(dict(enumerate(columns))).groupby(list(range(5))).ngroup()
    assert group_ids(columns).tolist() == wanted.tolist()


def test_ranks_count_distinct_labels_of_a_group():
    assert rank_within(np.array([0, 0, 1, 0]), np.array([7, 3, 9, 7])).tolist() == [1, 0, 0, 1]


def test_members_fill_up_with_minus_one():
    assert members_of(np.array([0, 1, 0])).tolist() == [[0, 2], [1, -1]]
    assert members_of(np.array([], dtype=int)).shape == (0, 0)


def test_values_that_cannot_be_on_a_scale_are_missing():
    found = scaled_values("avg_fps", np.array([1.0, 0.0, -1.0, np.inf]))
    assert found == pytest.approx([0, np.nan, np.nan, np.nan], nan_ok=True)
    assert scaled_values("core_c", np.array([0.0, -5.0, np.inf])) == pytest.approx([0, -5, np.nan], nan_ok=True)


def test_values_beyond_all_measurement_are_missing():
    values = np.array([1e-60, 1e-40, 1e40, 1e60, np.inf, np.nan])
    wanted = [np.nan, np.log(1e-40), np.log(1e40), np.nan, np.nan, np.nan]
    assert scaled_values("avg_fps", values) == pytest.approx(wanted, nan_ok=True)
    assert scaled_values("core_c", np.array([0.0, -1e60])) == pytest.approx([0.0, np.nan], nan_ok=True)


def test_percent_reaches_neither_a_loss_of_all_nor_infinity():
    assert in_percent(np.log(1.02)) == pytest.approx(2.0)
    assert -100 < in_percent(-1e6) < -99.999
    assert np.isfinite(in_percent(1e6))


#: Reasons that stand beside a verdict.
CAUTIONS = (
    "flagged_run", "changed_value", "given_at_earlier_look", "assumed_restart_spread",
    "measured_restart_spread", "installed_once", "order_stated_alternated", "not_stated",
    "order_same_every_time", "two_runs_only", "alone_it_would_count",
)  # fmt: skip


def test_every_reason_has_a_sentence():
    for word in [*WITHHELD, *CAUTIONS]:
        (sentence,) = reason_sentences(word)
        assert sentence.endswith(".")
        assert reason_words(word) == (word,)


def test_reasons_with_details_are_spelled_out():
    cell = "flagged_run:better/same_within_margin; two_runs_only"
    assert reason_words(cell) == ("flagged_run", "two_runs_only")
    first, second = reason_sentences(cell)
    assert first.endswith("With it: better; without it: same.")
    assert second == "Two runs only."


def test_a_reason_from_elsewhere_is_shown_as_it_stands():
    assert reason_sentences("tuning_not_applied_yet") == ("Tuning not applied yet.",)
    assert reason_sentences("") == ()
