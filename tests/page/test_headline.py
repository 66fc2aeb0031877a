"""The headline: at most twelve words, real changes only, never carried by one game, no loss passed over."""

from __future__ import annotations

import math
import re
from types import SimpleNamespace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.page.headline import MOST_WORDS, games_title, headline, leading_pair
from gpubench_kit.page.results import Pair, Side
from gpubench_kit.wording.numbers import change_text
from tests.page.conftest import result_row

PLAN = SimpleNamespace(analysis=SimpleNamespace(primary="avg_fps"))
PAIRS = tuple(
    Pair(Side("Larkmoor 4", name, ""), Side("Larkmoor 4", "factory", "")) for name in ("quiet", "brisk", "eco")
)
GROUPS = ("1440p", "ray tracing")
_OUTCOMES = sorted(set(VERDICTS) - {"higher", "lower", "higher_but_small", "lower_but_small"})


def _row(metric: str, verdict: str, size: float, *, carried: bool = False, group: str = "1440p"):
    """Return a row whose numbers fit its verdict."""
    better = 1 if metric == "avg_fps" else -1
    signs = {"better": better, "better_but_small": better, "worse": -better, "worse_but_small": -better}
    change = signs.get(verdict, 1) * size
    half = size / 2 if verdict in signs else 2 * size
    watts = {
        "change_w": 3 * change,
        "change_w_ci_low": 3 * (change - half),
        "change_w_ci_high": 3 * (change + half),
    }
    return result_row(
        metric=metric, verdict=verdict, change=change, ci_low=change - half, ci_high=change + half, group=group,
        unit="fps" if metric == "avg_fps" else "W", carried_by="Glass Tundra" if carried else "",
        reason="confounded" if verdict == "no_verdict" else "", **(watts if metric == "board_w" else {}),
    )  # fmt: skip


_ROWS = st.fixed_dictionaries(
    {
        (place, group, metric): st.builds(
            _row,
            st.just(metric),
            st.sampled_from(_OUTCOMES),
            st.floats(0.06, 40.0),
            carried=st.booleans(),
            group=st.just(group),
        )
        for place in range(len(PAIRS))
        for group in GROUPS
        for metric in ("avg_fps", "board_w")
    }
)


def _results(rows):
    """Return made-up results: pairs in order, rows by (place of the pair, group, metric)."""
    return SimpleNamespace(
        plan=PLAN,
        groups=list(GROUPS),
        metrics=["avg_fps", "board_w"],
        main=SimpleNamespace(pairs=PAIRS),
        over_games=lambda pair, group, metric: rows.get((PAIRS.index(pair), group, metric)),
        runs_each=lambda *a: (3, 3),
        short=lambda side: side.tuning,
    )


@settings(max_examples=80, deadline=None)
@given(_ROWS)
def test_a_headline_never_says_more_than_was_tested(rows):
    results = _results(rows)
    said = headline(results).replace("\u00a0", " ")
    assert len(said.split()) <= MOST_WORDS
    pair = leading_pair(results)
    if pair is None:
        assert not re.search(r"faster|slower|less|more|same", said)
        return
    place = PAIRS.index(pair)
    rate, power = rows[place, GROUPS[0], "avg_fps"], rows[place, GROUPS[0], "board_w"]
    main = said.partition(" (")[0]
    is_real = {word: word in rate.verdict and not rate.carried_by for word in ("better", "worse")}
    assert ("faster" in main) == is_real["better"]
    assert ("slower" in main) == is_real["worse"]
    assert ("same frame rate" in main) == (rate.verdict == "same_within_margin" and not rate.carried_by)
    assert " less" not in main or ("better" in power.verdict and not power.carried_by)
    assert " more" not in main or ("worse" in power.verdict and not power.carried_by)
    if "faster" in main or "slower" in main:
        assert change_text(abs(rate.change), "%").lstrip("+") in main
    assert rate.carried_by or power.carried_by or "Glass Tundra" not in said


@settings(max_examples=80, deadline=None)
@given(_ROWS)
def test_a_headline_names_a_loss_beyond_the_margin_in_another_group(rows):
    results = _results(rows)
    pair = leading_pair(results)
    if pair is None:
        return
    other = rows[PAIRS.index(pair), GROUPS[1], "avg_fps"]
    assert (GROUPS[1] in headline(results)) == (other.verdict == "worse")


@settings(max_examples=80, deadline=None)
@given(_ROWS)
def test_the_first_that_saves_power_and_loses_less_than_the_margin_leads(rows):
    fitting = [
        place
        for place in range(len(PAIRS))
        if rows[place, GROUPS[0], "board_w"].verdict == "better"
        and not rows[place, GROUPS[0], "board_w"].carried_by
        and not rows[place, GROUPS[0], "avg_fps"].carried_by
        and rows[place, GROUPS[0], "avg_fps"].verdict
        in ("same_within_margin", "worse_but_small", "better_but_small", "better")
    ]
    pair = leading_pair(_results(rows))
    if fitting:
        assert pair == PAIRS[fitting[0]]


def test_watts_are_said_where_their_interval_keeps_off_zero_else_percent():
    rows = {
        (0, "1440p", "board_w"): _row("board_w", "better", 14.0),
        (0, "1440p", "avg_fps"): _row("avg_fps", "worse_but_small", 0.9),
    }
    assert headline(_results(rows)) == "Quiet: 42 W less, 0.9 % slower"
    rows[0, "1440p", "board_w"].change_w_ci_high = math.nan
    assert headline(_results(rows)) == "Quiet: 14.0 % less power, 0.9 % slower"


def test_nothing_decided_gives_the_bound_on_the_loss():
    rows = {(0, "1440p", "avg_fps"): _row("avg_fps", "undecided", 1.0)}
    assert headline(_results(rows)) == "Undecided after 3 runs: any loss of quiet is under 1.0 %"


def test_nothing_compared_says_so():
    assert headline(_results({})) == "Nothing could be compared"


@pytest.mark.parametrize(
    ("verdicts", "title"),
    [
        (["worse", "same_within_margin", "undecided"], "Quiet slows A; 1 within our margin, 1 undecided"),
        (["worse", "worse", "worse", "better"], "Quiet slows 3 games; Quiet speeds up D"),
        (
            ["same_within_margin", "worse_but_small", "no_verdict"],
            "Quiet is within our margin in 2 games; 1 undecided",
        ),
        (["undecided", "undecided"], "All 2 games undecided one by one"),
        (["better", "better"], "Quiet speeds up A and B"),
    ],
)  # fmt: skip
def test_the_title_of_the_table_counts_the_undecided(verdicts, title):
    results = _results({})
    results.scenes = lambda group: list(range(len(verdicts)))
    results.in_game = lambda pair, scene, metric: result_row(game="ABCD"[scene], verdict=verdicts[scene])
    assert games_title(results) == title


@settings(max_examples=120, deadline=None)
@given(st.lists(st.sampled_from(_OUTCOMES), min_size=1, max_size=8))
def test_the_title_of_the_table_says_no_more_of_any_game_than_was_tested(verdicts):
    results = _results({})
    results.scenes = lambda group: list(range(len(verdicts)))
    results.in_game = lambda pair, scene, metric: result_row(game="ABCDEFGH"[scene], verdict=verdicts[scene])
    said = games_title(results)
    count = {one: verdicts.count(one) for one in _OUTCOMES}
    open_ = count["undecided"] + count["no_verdict"]
    if open_ == len(verdicts):
        assert re.search(r"undecided|no verdict|None of \d+ games has a verdict", said)
        return
    for word, verdict in (("slows", "worse"), ("speeds up", "better")):
        named = re.search(rf"{word} ((?:[A-H](?: and )?)+|\d+ games)", said)
        assert bool(named) == bool(count[verdict])
        if named and named[1][0].isdigit():
            assert int(named[1].split()[0]) == count[verdict]
        elif named:
            assert named[1].split(" and ") == [
                "ABCDEFGH"[place] for place, one in enumerate(verdicts) if one == verdict
            ]
    kept = re.search(r"within our margin in (\d+)|(\d+) within our margin", said)
    told = int(next(filter(None, kept.groups()))) if kept else 0
    assert told == len(verdicts) - open_ - count["worse"] - count["better"]
    left = re.search(r"(\d+) undecided", said)
    assert (int(left[1]) if left else 0) == open_
