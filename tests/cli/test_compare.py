"""``gpubench-kit compare``: what it says, what it asks, and its exit codes."""

import json
import math

import numpy as np
import pytest
from scipy import stats
from terminal import talk

from gpubench_kit.cli.command import main
from gpubench_kit.cli.inspection import comparison_text, sentences
from gpubench_kit.statistics.two_sample import compare_two_samples

NEW, OLD = ["102.1", "102.6", "101,9"], ["100.0", "101.0", "99.5"]
LISTS = ["compare", *NEW, "--against", *OLD]


def _said(of, against, *, order="rounds", **options):
    """Return all that is said of two lists."""
    return " ".join(sentences(compare_two_samples(of, against, order=order, **options)))


def test_numbers_are_compared_at_once(capsys):
    assert main([*LISTS, "--order", "alternated"]) == 0
    out = capsys.readouterr().out
    assert "Average frame rate of A is 2.0 % higher than that of B (better)" in out
    assert "pooled t test" in out
    assert "design     alternating, run 1 of each side, then run 2 (3 rounds)" in out


def test_a_comparison_as_json_has_numbers_in_full(capsys):
    assert main([*LISTS, "--order", "rounds", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["verdict"], told["design"], told["order"]) == ("better", "rounds", "rounds")
    # 100 ((102.1 * 102.6 * 101.9) / (100.0 * 101.0 * 99.5)) ** (1 / 3) - 100, by hand
    assert told["change"] == pytest.approx(2.0315014, abs=1e-6)
    assert told["bench_change_pct"] is None


def test_without_a_terminal_and_an_order_there_is_no_verdict_but_an_answer(capsys):
    assert main(LISTS) == 1
    out = capsys.readouterr().out
    assert "No verdict on average frame rate: +2.0 % measured, but the order of the runs is not known." in out
    assert "A test setup that came back 0.7 % different between the two blocks (restarts that vary by 0.5 %)" in out
    assert "add --order alternated (A B B A ...), --order rounds" in out
    assert "design     not known" in out
    assert "t test" not in out, "no test counts"


def test_one_recording_given_twice_is_no_second_run(tmp_path, capsys):
    first, copy = tmp_path / "a.csv", tmp_path / "b.csv"
    for file in (first, copy):
        file.write_text("frame time (ms)\n" + "10\n" * 400)
    assert main(["compare", str(first), "--against", str(copy)]) == 2
    error = capsys.readouterr().err
    assert f"the same recording as '{first}'" in " ".join(error.split())
    assert "Name each recording once." in error


def test_what_is_not_known_has_no_numbers_in_json(capsys):
    assert main([*LISTS, "--json"]) == 1
    told = json.loads(capsys.readouterr().out)
    assert (told["design"], told["order"], told["ci_low"]) == ("confounded", "not_known", None)
    assert told["bench_change_pct"] == pytest.approx(0.668, abs=0.001)
    assert any("--order" in one for one in told["text"])


@pytest.mark.parametrize(
    ("typed", "code", "said"),
    [
        ("1", 0, "(better)"),
        ("2", 0, "(better)"),
        ("3", 1, "in one block"),
        ("", 1, "order of the runs is not known"),
    ],
)
def test_on_a_terminal_the_order_is_asked(tmp_path, typed, code, said):
    shown = talk(LISTS, [typed], folder=tmp_path)
    assert "1 of 1   In which order were these runs done?" in shown.text
    assert "[Enter: 4, treated like 3]" in shown.text
    assert said in shown.text
    assert shown.code == code


@pytest.mark.parametrize("words", [[*LISTS, "--order", "not_known"], ["compare", "102", "--against", "100", "99"]])
def test_what_an_answer_would_not_change_is_not_asked(tmp_path, words):
    shown = talk(words, [], folder=tmp_path)
    assert "In which order" not in shown.text
    assert shown.code == 1


def test_one_run_each_gives_no_verdict_and_ends_with_one(capsys):
    assert main(["compare", "102", "--against", "100"]) == 1
    assert "+2.0 %, measured once on one side at least" in capsys.readouterr().out


def test_a_large_difference_of_two_blocks_is_named_with_its_condition():
    said = _said([110, 111, 110.5], [100, 100.4, 100.2], order="back_to_back")
    named = "rate of A is higher than that of B, unless the test setup itself came back more than 9"
    assert named in said
    assert "--order" not in said


def test_a_difference_within_the_noise_of_two_blocks_is_named_so():
    said = _said([100, 101, 99], [100.5, 99.4, 100.2], order="back_to_back")
    assert "The noise of the runs alone would explain it." in said


def test_what_is_undecided_names_the_rounds_that_settle_it():
    close = [100.0, 101.0, 101.8], [101.4, 102.2, 103.1]
    found = compare_two_samples(*close, order="rounds")
    assert f"{found.more_runs} further round" in _said(*close)
    assert "if nothing or at least the margin is there" in _said(*close)
    noisy = _said([100.0, 150.0, 120.0], [110.0, 160.0, 90.0])
    assert "Not with a feasible number: 12 rounds would show a margin of" in noisy
    assert "overall" not in noisy


LOSS_OUT = "A loss of 2 % or more is ruled out; a gain of that size is not."
GAIN_OUT = "A gain of 2 % or more is ruled out; a loss of that size is not."
NEITHER = "Neither a loss nor a gain of 2 % or more is ruled out."


@pytest.mark.parametrize(
    ("new", "sentence"),
    [([101.0, 102.0, 103.0], LOSS_OUT), ([98.2, 99.2, 100.2], GAIN_OUT), ([98.0, 100.0, 102.2], NEITHER)],
)
def test_what_is_undecided_says_which_way_the_margin_is_ruled_out(new, sentence):
    old = [99.9, 100.4, 101.3]
    found = compare_two_samples(new, old, order="rounds")
    logs = np.log(new), np.log(old)
    loss = stats.ttest_ind(logs[0] - np.log(0.98), logs[1], alternative="greater").pvalue
    gain = stats.ttest_ind(logs[0] + np.log(0.98), logs[1], alternative="less").pvalue
    wanted = LOSS_OUT if loss <= 0.05 else GAIN_OUT if gain <= 0.05 else NEITHER
    assert (found.verdict, wanted) == ("undecided", sentence)
    assert f"). {sentence} " in _said(new, old)
    assert found.no_loss == (sentence == LOSS_OUT)


def test_where_lower_is_better_what_is_ruled_out_is_a_rise_or_a_fall():
    said = _said([70, 71, 70.5], [70.9, 71.2, 71.1], metric="core_c", margin=0.5)
    assert "A rise of 0.5 °C or more is ruled out; a fall of that size is not." in said
    open_ = _said([70, 71, 70.5], [70.2, 71.2, 70.1], metric="core_c")
    assert "ruled out" not in open_
    assert "°C)." in open_


def test_what_is_called_the_same_is_told_with_the_interval_held_against_the_margin():
    # The 95 % interval reaches past 2 %; the two one-sided tests at 5 % each go with the one of 90 %.
    lists = [100, 101, 99.5], [100.4, 100.9, 99.0]
    found = compare_two_samples(*lists, order="rounds")
    assert (found.verdict, found.ci_high > 2 > found.equivalence_ci_high) == ("same_within_margin", True)
    same = "No difference in average frame rate beyond 2 % between A and B (90 % interval −1.5 to +1.6 %)."
    assert _said(*lists) == same
    assert "margin     2 % (held against it: 90 % interval −1.5 to +1.6 %)" in comparison_text(found)


def test_a_real_difference_says_its_size_its_direction_and_whether_it_matters():
    heat = _said([70, 71, 70.5], [75, 75.5, 76], metric="core_c", margin=1.0)
    assert "°C lower than that of B (better)" in heat
    small = _said([100.5, 100.52, 100.49], [100.0, 100.01, 99.99])
    assert "less than the 2 % that matter" in small
    clock = _said([2700, 2701, 2702], [2500, 2501, 2502], metric="core_mhz")
    assert "higher than that of B (95 % interval" in clock


def test_two_runs_only_and_runs_without_a_partner_are_named():
    said = _said([100, 101, 100.4], [120, 121], order="alternated")
    assert said.endswith("The last run of the longer list has no partner and is left out. Two runs only.")


def test_the_spread_that_would_explain_two_blocks_is_that_of_the_design():
    found = compare_two_samples([102.0, 102.2], [100.0, 100.1], order="back_to_back")
    logs = np.log([102.0, 102.2]), np.log([100.0, 100.1])
    half = stats.t.ppf(0.975, 2) * math.sqrt((logs[0].var(ddof=1) + logs[1].var(ddof=1)) / 2)
    assert found.bench_change_pct == pytest.approx(100 * math.expm1(logs[0].mean() - logs[1].mean() - half))
