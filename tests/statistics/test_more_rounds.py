"""More rounds for undecided games: what is promised, from noise and the counts of the family alone."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from gpubench_kit.statistics.more_rounds import CLEAR, WHATEVER, Compared, more_rounds, rounds_for_overall

MARGIN = -math.log(0.98)
LEVEL = 0.015


def compared(sigma, *, n=4, df=None, different=0, same=0, borrowed=True):
    """Return one family of one pair: games with so much noise, some of which are decided."""
    sigma = np.asarray(sigma, dtype=float)
    count, none = len(sigma), np.zeros(len(sigma), dtype=bool)
    is_different, is_same = none.copy(), none.copy()
    is_different[:different], is_same[different : different + same] = True, True
    return Compared(
        family=np.zeros(count, dtype=int), pair=np.zeros(count, dtype=int), n=np.full(count, n), sigma=sigma,
        df=np.full(count, float(df or (n - 1 + min(4, n - 1)))), borrowed=np.full(count, borrowed),
        in_blocks=none, margin=np.full(count, MARGIN), different=is_different, same=is_same,
        undecided=~(is_different | is_same),
    )  # fmt: skip


def test_one_game_alone_gets_the_number_worked_by_hand():
    found = more_rounds(compared([0.006], n=4, df=6, borrowed=False), level=LEVEL, adjust="fdr_bh")
    sigma = 0.006 * math.sqrt(6 / stats.chi2.ppf(0.2, 6))
    rounds = np.arange(5, 17)
    zero, margin = stats.t.ppf(1 - LEVEL / 2, rounds - 1), stats.t.ppf(1 - LEVEL, rounds - 1)
    enough = (zero + margin) * sigma * np.sqrt(2 / rounds) <= MARGIN
    assert enough.any()
    assert (found.more[0], found.settles[0]) == (rounds[enough.argmax()] - 4, WHATEVER)
    assert np.isnan(found.margin_shown[0])


def test_three_rounds_are_too_few_for_a_promise_whatever_the_difference_is():
    for n, settles in ((3, CLEAR), (4, WHATEVER)):
        found = more_rounds(compared([0.003], n=n, df=6, borrowed=False), level=LEVEL, adjust="none")
        assert found.settles.tolist() == [settles]


def test_a_game_too_noisy_gets_the_margin_that_twelve_rounds_show_and_no_number():
    found = more_rounds(compared([0.05], n=4, df=6, borrowed=False), level=LEVEL, adjust="none")
    sigma = 0.05 * math.sqrt(6 / stats.chi2.ppf(0.2, 6))
    shown = (stats.t.ppf(1 - LEVEL / 2, 11) + 1.282) * sigma * math.sqrt(2 / 12)
    assert (np.isnan(found.more[0]), found.settles[0]) == (True, "")
    assert found.margin_shown[0] == pytest.approx(shown)


def test_a_quiet_game_counts_with_the_noise_of_the_median_game():
    games = compared([0.0001, *[0.008] * 8])
    only_first = np.arange(9) == 0
    quiet = more_rounds(replace(games, undecided=only_first), level=LEVEL, adjust="none")
    usual = replace(compared([1.3 * 0.008] * 9), undecided=only_first, df=np.full(9, 1e9))
    assert quiet.more[0] == more_rounds(usual, level=LEVEL, adjust="none").more[0]


@pytest.mark.parametrize("level", [math.nan, 0.0], ids=["no look left", "no level"])
def test_nothing_is_advised_where_no_look_is_left(level):
    found = more_rounds(compared([0.006, 0.05]), level=level, adjust="fdr_bh")
    assert np.isnan(found.more).all()
    assert np.isnan(found.margin_shown).all()
    assert (found.settles == "").all()


@pytest.mark.parametrize(
    "changed",
    [{"sigma": np.full(3, np.nan)}, {"margin": np.full(3, np.nan)}, {"undecided": np.zeros(3, dtype=bool)}],
    ids=["noise not known", "no margin", "all decided"],
)
def test_nothing_is_advised_without_noise_margin_or_open_games(changed):
    found = more_rounds(replace(compared([0.006] * 3), **changed), level=LEVEL, adjust="fdr_bh")
    assert np.isnan(found.more).all()
    assert np.isnan(found.margin_shown).all()


def test_holm_asks_for_more_than_the_share_of_decided_games_does():
    games = compared([0.005] * 10, different=9, borrowed=True)
    bh, holm, none = (more_rounds(games, level=LEVEL, adjust=one) for one in ("fdr_bh", "holm", "none"))
    assert none.more[9] <= bh.more[9] < holm.more[9]


def test_noise_far_above_the_others_does_not_make_the_advice_of_other_games_easier():
    """A game that gets no number is not counted on as one that will be decided."""
    few = more_rounds(compared([0.006, 0.006, 0.5, 0.5, 0.5, 0.5]), level=LEVEL, adjust="fdr_bh")
    many = more_rounds(compared([0.006] * 6), level=LEVEL, adjust="fdr_bh")
    assert (few.settles[2:] == "").all()
    assert not (few.more[:2] < many.more[:2]).any()


@given(
    st.lists(st.floats(0.001, 0.03), min_size=2, max_size=12),
    st.integers(2, 8),
    st.integers(0, 3),
    st.integers(0, 3),
)
def test_every_open_game_gets_a_number_or_a_margin_and_never_both(sigma, n, different, same):
    games = compared(sigma, n=n, different=different, same=same)
    found = more_rounds(games, level=LEVEL, adjust="fdr_bh")
    has_number, has_margin = ~np.isnan(found.more), ~np.isnan(found.margin_shown)
    assert (has_number ^ has_margin)[games.undecided].all()
    assert not (has_number | has_margin)[~games.undecided].any()
    assert (has_number == (found.settles != "")).all()
    assert ((found.more >= 1) & (found.more + n <= 16))[has_number].all()
    assert (found.margin_shown > 0)[has_margin].all()


@given(st.floats(0.001, 0.03), st.floats(1.0, 3.0))
def test_more_noise_never_needs_fewer_rounds(sigma, factor):
    quiet, noisy = (
        more_rounds(compared([one], borrowed=False, df=6), level=LEVEL, adjust="none")
        for one in (sigma, sigma * factor)
    )
    # Rounds that settle it whatever the difference is may be more than a noisier game gets for less.
    is_less = noisy.settles[0] != quiet.settles[0]
    assert is_less or np.isnan(noisy.more[0]) or quiet.more[0] <= noisy.more[0]


def test_families_do_not_touch_each_other():
    one, other = compared([0.006] * 6, different=3), compared([0.009] * 6, same=4)
    both = Compared(**{
        name: np.concatenate([getattr(one, name), getattr(other, name) + (name in ("family", "pair"))])
        for name in Compared.__dataclass_fields__
    })  # fmt: skip
    found = more_rounds(both, level=LEVEL, adjust="fdr_bh")
    alone = [more_rounds(part, level=LEVEL, adjust="fdr_bh") for part in (one, other)]
    np.testing.assert_array_equal(found.more, np.concatenate([part.more for part in alone]))
    np.testing.assert_array_equal(found.margin_shown, np.concatenate([part.margin_shown for part in alone]))


def test_rounds_for_a_result_over_games_as_worked_by_hand():
    se, df, n = 0.004, 20.0, 4
    rounds = np.arange(5, 17)
    width = (stats.t.ppf(1 - 0.01 / 2, 0.75 * 20 * (rounds - 1) / 3) + 1.282) * se * np.sqrt(n / rounds)
    assert rounds_for_overall(se, df=df, n=n, margin=MARGIN, level=0.01) == rounds[(width <= MARGIN).argmax()]


@pytest.mark.parametrize(
    "changed", [{"se": math.nan}, {"df": 0.0}, {"n": 1}, {"margin": math.nan}, {"level": math.nan}, {"se": 0.5}]
)
def test_no_rounds_for_a_result_that_no_feasible_number_settles(changed):
    given_ = {"se": 0.004, "df": 20.0, "n": 4, "margin": MARGIN, "level": 0.01} | changed
    assert rounds_for_overall(given_.pop("se"), **given_) is None
