"""What must hold for every review: swapping, reordering, rescaling and adding things."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from run_tables import balanced, games, make_plan, run_table

from gpubench_kit.model.table_checks import check_table
from gpubench_kit.model.tables import COMPARISONS, NOISE, OVERALL
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.statistics.compare import compare_over_games, compare_tunings, estimate_noise
from gpubench_kit.statistics.contrasts import has_entered

CHECKED = settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow], deadline=None)

#: Columns that adjusting for more comparisons may change, and what follows from them.
FAMILY = [
    "p_difference_adjusted",
    "p_equivalence_adjusted",
    "p_non_inferiority_adjusted",
    "verdict",
    "no_loss",
    "reason",
    "more_runs",
    "more_runs_for",
    "margin_of_twelve",
]

#: Columns of results over games that further results of the page may change: its level is shared among all, and a
#: game that is noisier in any of them lowers the degrees of freedom.
PAGE = [
    "share",
    *FAMILY,
    "confidence",
    "ci_low",
    "ci_high",
    "df",
    "p_difference",
    "p_equivalence",
    "p_non_inferiority",
    "carried_by",
    "change_without",
    "change_w_ci_low",
    "change_w_ci_high",
    "bench_change_pct",
    "restart_spread_pct",
]

MIRRORED = {
    "better": "worse",
    "worse": "better",
    "better_but_small": "worse_but_small",
    "worse_but_small": "better_but_small",
}

PATTERNS = (
    "A1 B1 B2 A2 A3 B3",
    "B1 A1 A2 B2 B3 A3 A4 B4 B5 A5",
    "A1 A2 A3 B1 B2 B3",
    "A1 A2 B1 B2 B3 B4 A3 A4",
    "A1 B1",
    "A1 B1 B2 A2",
    "A- B- A- B-",
    "A1 A2 B1 B2 A3",
)


@st.composite
def reviews(draw, patterns=PATTERNS):
    """Return runs of one to eight games, of any layout and noise."""
    count = draw(st.integers(1, 8))
    effect, noise = draw(st.floats(-0.05, 0.05)), draw(st.sampled_from([0.0005, 0.003, 0.01, 0.05]))
    parts = []
    for game in range(count):
        pattern = draw(st.sampled_from(patterns))
        seed = draw(st.integers(0, 10_000))
        parts.append(run_table(pattern, seed=seed, effect=effect, noise=noise, game=f"game {game}"))
    table = pd.concat(parts, ignore_index=True)
    return table.assign(order=range(1, len(table) + 1), run=[f"r{number}" for number in range(len(table))])


def results(table, plan=None):
    plan = plan or make_plan(sections={"games": [{"name": name} for name in table["game"].unique()]})
    rows, over, noise = compare_tunings(table, plan), compare_over_games(table, plan), estimate_noise(table, plan)
    for frame, declared in ((rows, COMPARISONS), (over, OVERALL), (noise, NOISE)):
        check_table(frame, declared)
    return rows, over


def assert_same(one, other, *, without=()):
    one, other = (frame.drop(columns=list(without)).reset_index(drop=True) for frame in (one, other))
    pd.testing.assert_frame_equal(one, other, rtol=1e-7, atol=1e-9)


@CHECKED
@given(reviews())
def test_every_comparison_gets_one_verdict_and_a_reason_where_it_has_none(table):
    for frame in results(table):
        assert set(frame["verdict"]) <= set(VERDICTS)
        assert (frame.loc[frame["verdict"] == "no_verdict", "reason"] != "").all()
        assert frame.loc[frame["verdict"] == "no_verdict", "no_loss"].isna().all()


def _ends_of(table):
    """Return the ends of the intervals of a table; results over games have one."""
    ends = [("ci_low", "ci_high"), ("equivalence_ci_low", "equivalence_ci_high")]
    return [pair for pair in ends if pair[0] in table]


@CHECKED
@given(reviews())
def test_swapping_the_tunings_mirrors_every_number_and_verdict(table):
    swapped = table.assign(tuning=table["tuning"].map({"quiet": "factory", "factory": "quiet"}))
    for one, other in zip(results(table), results(swapped), strict=True):
        factor, mirrored = 1 + one["change"] / 100, 1 + other["change"] / 100
        assert (factor * mirrored).dropna().to_numpy() == pytest.approx(1, rel=1e-9)
        for low, high in _ends_of(one):
            ends = (1 + one[low] / 100) * (1 + other[high] / 100)
            assert ends.dropna().to_numpy() == pytest.approx(1, rel=1e-9)
        for name in (
            "p_difference",
            "p_equivalence",
            "p_difference_adjusted",
            "p_equivalence_adjusted",
            "se",
            "df",
        ):
            assert one[name].to_numpy() == pytest.approx(other[name].to_numpy(), rel=1e-6, nan_ok=True)
        assert one["verdict"].replace(MIRRORED).tolist() == other["verdict"].tolist()
        assert one["reason"].tolist() == other["reason"].tolist()


@CHECKED
@given(reviews())
def test_swapping_mirrors_metrics_without_a_direction(table):
    plan, table = make_plan(metrics=["core_mhz"]), table.assign(metric="core_mhz")
    swapped = table.assign(tuning=table["tuning"].map({"quiet": "factory", "factory": "quiet"}))
    mirrored = {"higher": "lower", "lower": "higher", "higher_but_small": "lower_but_small"}
    mirrored["lower_but_small"] = "higher_but_small"
    for one, other in zip(results(table, plan), results(swapped, plan), strict=True):
        assert one["verdict"].replace(mirrored).tolist() == other["verdict"].tolist()


@CHECKED
@given(reviews(), st.floats(-90, 90))
def test_degrees_mirror_when_swapped_and_ignore_where_zero_is(table, offset):
    plan = make_plan(metrics=["core_c"], margins={"core_c": 1.0})
    table = table.assign(metric="core_c", purpose="soak", value=table["value"] / 2)
    swapped = table.assign(tuning=table["tuning"].map({"quiet": "factory", "factory": "quiet"}))
    moved = table.assign(value=table["value"] + offset)
    for one, other, shifted in zip(results(table, plan), results(swapped, plan), results(moved, plan), strict=True):
        for name, opposite in (("change", "change"), *_ends_of(one)):
            assert one[name].to_numpy() == pytest.approx(-other[opposite].to_numpy(), abs=1e-7, nan_ok=True)
            assert one[name].to_numpy() == pytest.approx(shifted[name].to_numpy(), abs=1e-7, nan_ok=True)
        assert one["verdict"].replace(MIRRORED).tolist() == other["verdict"].tolist()


@CHECKED
@given(reviews(), st.sampled_from([1e-3, 1e3]))
def test_milliseconds_or_seconds_do_not_matter(table, factor):
    plan, table = make_plan(metrics=["median_frame_ms"]), table.assign(metric="median_frame_ms")
    scaled = table.assign(value=table["value"] * factor)
    for one, other in zip(results(table, plan), results(scaled, plan), strict=True):
        assert_same(one, other, without=[name for name in ("of_value", "against_value") if name in one])


def _with_another_tuning(table, rng):
    """Return runs of which those of one tuning are there once more, as of a third one that is a little faster."""
    extra = table[table["tuning"] == "quiet"].assign(tuning="brisk", order=lambda rows: rows["order"] + 0.5)
    extra["run"] = "b" + extra["run"]
    extra["value"] = extra["value"] * np.exp(rng.normal(0.01, 0.01, len(extra)))
    both = pd.concat([table, extra], ignore_index=True)
    return both.assign(order=both["order"].rank().astype(int))


@CHECKED
@given(reviews(), st.floats(1e-3, 1e3), st.integers(0, 1000))
def test_a_constant_factor_and_another_metric_change_nothing(table, factor, seed):
    alone, alone_over = results(table)
    for one, other in zip((alone, alone_over), results(table.assign(value=table["value"] * factor)), strict=True):
        assert_same(one, other, without=[name for name in ("of_value", "against_value") if name in one])
    rng = np.random.default_rng(seed)
    power = table.assign(metric="board_w", value=300 * np.exp(0.01 * rng.standard_normal(len(table))))
    rows, over = results(pd.concat([table, power], ignore_index=True), make_plan(metrics=["avg_fps", "board_w"]))
    assert_same(rows[rows["metric"] == "avg_fps"], alone)
    assert_same(over[over["metric"] == "avg_fps"], alone_over, without=[name for name in PAGE if name in over])


@CHECKED
@given(reviews(patterns=PATTERNS[:6]), st.randoms(use_true_random=False))
def test_order_of_rows_and_names_of_runs_do_not_matter(table, random):
    places = list(range(len(table)))
    random.shuffle(places)
    shuffled = table.iloc[places].assign(run=[f"x{number}" for number in places])
    for one, other, key in zip(results(table), results(shuffled), (["game"], ["scope"]), strict=True):
        assert_same(
            one.sort_values(key), other.sort_values(key), without=["games_left_out"] if key == ["scope"] else []
        )


@CHECKED
@given(reviews(patterns=PATTERNS[:2]), st.integers(0, 1000))
def test_another_tuning_and_a_run_that_enters_no_verdict_change_no_unadjusted_result(table, seed):
    alone, alone_over = results(table)
    warm_up = table.head(3).assign(purpose="warm_up", value=1.0, order=0, run=["w1", "w2", "w3"])
    both = pd.concat([warm_up, table.assign(purpose="measure")], ignore_index=True)
    for one, other in zip(results(both), (alone, alone_over), strict=True):
        assert_same(one, other)
    further = _with_another_tuning(table, np.random.default_rng(seed))
    rows, over = results(further, make_plan(("factory", "quiet", "brisk")))
    assert_same(rows[rows["of_tuning"] == "quiet"], alone, without=FAMILY)
    assert_same(over[over["of_tuning"] == "quiet"], alone_over, without=[name for name in PAGE if name in over])


@CHECKED
@given(reviews(patterns=PATTERNS[:2]), st.floats(-3, 3), st.integers(0, 1000))
def test_an_offset_of_a_session_leaves_the_blocked_difference(table, offset, seed):
    table["session"] = np.where(table["round"] > 2, "s2", "s1")
    moved = table.assign(value=table["value"] * np.where(table["session"] == "s2", np.exp(offset), 1))
    plan = make_plan()
    one, other = compare_tunings(table, plan), compare_tunings(moved, plan)
    assert one["change"].to_numpy() == pytest.approx(other["change"].to_numpy(), rel=1e-7, abs=1e-9)
    five = one["n_blocks"] > 4
    assert one.loc[five, "own_ci_low"].to_numpy() == pytest.approx(
        other.loc[five, "own_ci_low"].to_numpy(), abs=1e-7
    )


@CHECKED
@given(reviews(), st.sampled_from(["round", "order", "session"]), st.integers(1, 4))
def test_a_column_left_blank_is_never_milder_than_one_filled_in(table, column, per_session):
    # Sessions hold whole rounds: a round that a restart cuts counts only for those who do not know of the restart.
    place = table.groupby(["game", "tuning"]).cumcount()
    filled = table.assign(session="s" + (place // per_session).astype(str))
    blank = filled.assign(**{column: "" if column == "session" else pd.NA})
    for compare in (compare_tunings, compare_over_games):
        full, less = compare(filled, make_plan()), compare(blank, make_plan())
        withheld = full["verdict"] == "no_verdict"
        assert (less.loc[withheld, "verdict"] == "no_verdict").all()


@CHECKED
@given(table=reviews(), looks=st.sampled_from([1, 2]))
def test_results_over_games_never_say_more_than_their_games(table, looks):
    plan = make_plan(looks=looks)
    comparisons, overall = compare_tunings(table, plan), compare_over_games(table, plan)
    for row in overall[overall["verdict"] != "no_verdict"].itertuples():
        entered = comparisons[[has_entered(game, row) for game in comparisons.itertuples()]]
        assert row.n_games == entered["game"].nunique()
        assert entered["change"].min() - 1e-9 <= row.change <= entered["change"].max() + 1e-9
        assert row.ci_low <= row.change <= row.ci_high
        is_real, is_small = not row.ci_low <= 0 <= row.ci_high, row.ci_low > -2 and row.ci_high < 100 / 0.98 - 100
        words = {(True, True): "_but_small", (True, False): "", (False, True): "same_within_margin"}
        word = words.get((is_real, is_small), "undecided")
        assert row.verdict == (("better" if row.change > 0 else "worse") + word if is_real else word)
        if row.scope == "these_games":
            # No narrower than games that have nothing in common would make it.
            own = entered["own_se"].where(entered["borrowed"].fillna(False).astype(bool), entered["se"])
            assert row.se >= np.sqrt((own**2).sum()) / len(entered) * (1 - 1e-9) or row.layout != "rounds"
            assert row.confidence >= 1 - 0.8 * (0.05 if looks == 1 else 0.04) - 1e-12


@CHECKED
@given(reviews(patterns=PATTERNS[:2]), st.floats(0.2, 5), st.floats(1, 4))
def test_more_margin_never_undoes_what_is_the_same(table, margin, times):
    narrow = compare_tunings(table, make_plan(margin_pct=margin))
    wide = compare_tunings(table, make_plan(margin_pct=margin * times))
    assert (wide["p_equivalence_adjusted"] <= narrow["p_equivalence_adjusted"] + 1e-12).all()
    same = narrow["verdict"] == "same_within_margin"
    assert set(wide.loc[same, "verdict"]) <= {"same_within_margin"}
    over, wide_over = (compare_over_games(table, make_plan(margin_pct=margin * one)) for one in (1, times))
    assert set(wide_over.loc[over["verdict"] == "same_within_margin", "verdict"]) <= {"same_within_margin"}


@CHECKED
@given(reviews(), st.sampled_from([1, 2, 5, 9]))
def test_more_looks_never_make_a_verdict_stronger(table, looks):
    real = {"better", "worse", "better_but_small", "worse_but_small"}
    first = compare_tunings(table, make_plan())
    later = compare_tunings(table, make_plan(), looks_made=looks)
    assert not (later["verdict"].isin(real) & ~first["verdict"].isin(real)).any()


@pytest.mark.parametrize(
    "table",
    [
        balanced(200, 3),
        balanced(1, 2),
        games("A1 B1", 12),
        run_table("A1 A2 B3 B4"),
        run_table("A1 A1 A1 B1"),
        run_table("A1 B2 A3 B4 A5"),
        run_table("A1 B1 B2 A2").assign(order=[4, 1, 2, 3]),
        run_table("A1 B1 B2 A2").assign(order=1),
        run_table("A1 B1 B2 A2").assign(value=50.0),
        run_table("A1 B1 B2 A2").assign(value=[0.0, -1.0, np.inf, np.nan]),
        run_table("A1 B1 B2 A2").assign(value=[60.0, 0.0, 61.0, 62.0]),
        run_table("A1 B1 B2 A2").assign(value=[60.0, 60.5, 61.0, -62.0]),
        run_table("A1 B1 B2 A2").assign(value=[60.0, np.nan, 61.0, 62.0]),
        run_table("A1 B1 B2 A2").assign(value=[1e49, 1e-49, 1e-49, 1e49]),
        run_table("A1 B1 B2 A2").assign(value=[1e49, 1e-49, 1e49, 1e-49]),
        run_table("A1 B1 B2 A2").assign(value=[5e-324, 1e308, 1.0, 2.0]),
        run_table("A1 B1 B2 A2").assign(game="=1+1"),
        run_table("A1 B1 B2 A2").assign(game="<b>" * 2000),
    ],
    ids=[
        "200 games", "1 game, 2 rounds", "1 run each", "no complete round", "round number used often",
        "rounds of one side", "order against rounds", "one place for all", "all equal", "values that cannot be",
        "a zero", "a negative value", "a missing value",
        "values far apart", "values far apart in turn", "the smallest and the largest number",
        "formula as name", "long name",
    ],
)  # fmt: skip
def test_odd_input_gives_a_verdict_or_a_reason(table):
    for frame in results(table):
        assert ((frame["verdict"] != "no_verdict") | (frame["reason"] != "")).all()


@pytest.mark.parametrize(
    "values", [[0.0] * 4, [-5.0, 0.0, 3.0, -2.0], [1e49, -1e49, 0.0, 7.0], [1e308, 1.0, 2.0, 3.0]]
)
def test_odd_degrees_give_a_verdict_or_a_reason(values):
    plan = make_plan(metrics=["core_c"], margins={"core_c": 2.0})
    table = run_table("A1 B1 B2 A2", metric="core_c", purpose="soak", value=values)
    for frame in results(table, plan):
        assert ((frame["verdict"] != "no_verdict") | (frame["reason"] != "")).all()


def test_games_with_unequal_rounds_are_compared_by_what_each_has():
    patterns = ["A1 B1", "A1 B1 B2 A2", PATTERNS[0], PATTERNS[1], "A1 B1 B2 A2 A3"]
    parts = [run_table(one, seed=n, game=f"game {n}") for n, one in enumerate(patterns)]
    table = pd.concat(parts, ignore_index=True)
    # One game after the other: a tuning that stays on between two games would link them.
    rows, over = results(table.assign(order=range(1, len(table) + 1)))
    assert rows["n_blocks"].tolist() == [1, 2, 3, 5, 2]
    assert (rows["reason"] == "one_run").tolist() == [True, False, False, False, False]
    assert over["games_left_out"].tolist() == ["game 0", ""]


def test_twelve_tunings_are_compared_at_once():
    names = [f"tuning {number:02d}" for number in range(12)]
    rng = np.random.default_rng(5)
    rows = [
        {"run": f"r{game}-{round_}-{name}", "game": f"g{game}", "round": round_, "tuning": name,
         "card": "Larkmoor 4", "metric": "avg_fps", "value": 100 * np.exp(0.005 * rng.standard_normal())}
        for round_ in range(1, 4) for game in range(6) for name in rng.permutation(names)
    ]  # fmt: skip
    table = pd.DataFrame(rows).assign(order=range(1, len(rows) + 1))
    found, over = results(table, make_plan(names, sections={"games": [{"name": f"g{game}"} for game in range(6)]}))
    assert len(found) == 66
    assert len(over) == 22
