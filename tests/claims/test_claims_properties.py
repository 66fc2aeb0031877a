"""What holds for claims about any result."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from judged_results import GAMES, claim_plan, game_rows, overall_rows

from gpubench_kit.claims.classify import outcome_of
from gpubench_kit.claims.rules import CONTRADICTED, NOT_SHOWN, SUPPORTED, contradicts, supports
from gpubench_kit.claims.script import proposed_sentences
from gpubench_kit.claims.targets import both_ways, find_targets

SAYS = ("better", "worse", "same", "no_loss", "at_least", "at_most")
CHANGES, ERRORS = st.floats(-8, 8), st.floats(0.02, 4)
METRICS = st.sampled_from(["avg_fps", "board_w", "core_c"])
OVERS = st.sampled_from(["these_games", "every_game", GAMES[0]])


def claim_of(says: str, **changes) -> dict:
    """Return a claim, with an amount where it needs one and without where not."""
    key, amount = "by" if changes.get("metric") == "core_c" else "by_pct", changes.pop("amount", 1.0)
    return {"says": says} | ({key: amount} if says.startswith("at_") else {}) | changes


def targets_of(claims: list[dict], result: dict):
    """Return (claim, target) of each claim about one result: of two games alike, one under test."""
    plan = claim_plan(*claims, scenes=GAMES[:1])
    games = game_rows(plan, {"game": GAMES[0]} | result)
    results = both_ways(games, overall_rows(plan, {"n_games": 1} | result), plan=plan)
    return [(claim, find_targets(claim, results, plan=plan).targets[0]) for claim in plan.claims]


@settings(max_examples=60)
@given(change=CHANGES, se=ERRORS, own=ERRORS, metric=METRICS, over=OVERS, amount=st.floats(-6, 6))
def test_no_result_both_supports_and_contradicts(change, se, own, metric, over, amount):
    claims = [claim_of(says, metric=metric, over=over, amount=amount) for says in SAYS]
    result = {"change": change, "se": se, "own": (own, 4.0), "metric": metric}
    for claim, target in targets_of(claims, result):
        assert not (supports(claim, target) and contradicts(claim, target)), claim.says


@settings(max_examples=40)
@given(
    change=CHANGES, se=ERRORS, metric=METRICS, over=OVERS,
    amounts=st.tuples(st.floats(-6, 6), st.floats(-6, 6)).map(sorted),
)  # fmt: skip
def test_better_and_worse_are_opposites_and_what_is_at_least_more_is_at_least_less(
    change, se, metric, over, amounts
):
    claims = [claim_of(says, metric=metric, over=over) for says in ("better", "worse")]
    claims += [claim_of("at_least", metric=metric, over=over, amount=amount) for amount in amounts]
    found = targets_of(claims, {"change": change, "se": se, "metric": metric})
    better, worse, less, more = (outcome_of(*pair) for pair in found)
    opposite = {SUPPORTED: CONTRADICTED, CONTRADICTED: SUPPORTED, NOT_SHOWN: NOT_SHOWN}
    assert worse == opposite[better]
    assert less == SUPPORTED or more != SUPPORTED
    assert more == CONTRADICTED or less != CONTRADICTED


@settings(max_examples=60)
@given(change=CHANGES, se=ERRORS, wider=st.floats(1, 6), metric=METRICS, over=OVERS, amount=st.floats(-6, 6))
def test_a_wider_interval_never_shows_what_a_narrower_one_did_not(change, se, wider, metric, over, amount):
    claims = [claim_of(says, metric=metric, over=over, amount=amount) for says in SAYS]
    narrow, wide = (
        [outcome_of(*pair) for pair in targets_of(claims, {"change": change, "se": error, "metric": metric})]
        for error in (se, se * wider)
    )
    for says, before, after in zip(SAYS, narrow, wide, strict=True):
        assert not (before == NOT_SHOWN and after == SUPPORTED), says
        assert not (before == SUPPORTED and after == CONTRADICTED), says


@pytest.mark.parametrize("says", SAYS)
def test_a_claim_gives_the_same_outcome_in_any_order_of_the_rows(says):
    plan = claim_plan(claim_of(says, over="every_game"))
    games = game_rows(plan, *({"change": change} for change in (3.0, 2.0, -1.0, 4.0)))
    outcomes = set()
    for rows in (games, games.iloc[::-1].reset_index(drop=True)):
        results = both_ways(rows, overall_rows(plan, {"change": 2.0}), plan=plan)
        targets = find_targets(plan.claims[0], results, plan=plan).targets
        outcomes.add(tuple(sorted((t.row.game, outcome_of(plan.claims[0], t)) for t in targets)))
    assert len(outcomes) == 1


def test_names_full_of_signs_do_no_harm():
    names = ("=1+1; <b>", "Névé Crossing (1440p)", "x" * 200, "“quoted”")
    plan = claim_plan({"says": "no_loss"}, {"says": "better", "over": "every_game"}, scenes=names)
    rows = game_rows(plan, *({"game": name, "change": 3.0} for name in names))
    results = both_ways(rows, overall_rows(plan, {"change": 3.0}), plan=plan)
    found = [find_targets(claim, results, plan=plan) for claim in plan.claims]
    assert [len(one.targets) for one in found] == [1, 4]
    assert len(found[0].targets[0].games) == 4


_NUMBER = r"(\d+(?:\.\d+)?) (%|W|°C)"


def _bounds(text: str, words: str) -> list[float]:
    """Return the amounts that follow some words in a sentence."""
    return [float(number) for number, _ in re.findall(rf"{words} {_NUMBER}", text)]


@settings(max_examples=80)
@given(
    change=CHANGES, se=ERRORS, confidence=st.sampled_from([0.95, 0.98, 0.99]), metric=METRICS, carried=st.booleans()
)  # fmt: skip
def test_no_sentence_over_games_says_more_than_its_interval(change, se, confidence, metric, carried):
    plan = claim_plan()
    result = {"change": change, "se": se, "metric": metric, "confidence": confidence}
    result |= {"carried_by": GAMES[0] if carried else ""}
    overall = overall_rows(plan, result)
    games = game_rows(plan, *[{name: result[name] for name in ("change", "se", "metric")}] * 4)
    (row,) = overall.itertuples()
    nearer = 0.0 if row.ci_low * row.ci_high <= 0 else min(abs(row.ci_low), abs(row.ci_high))
    loss = max(0.0, -row.ci_low if metric == "avg_fps" else row.ci_high)
    said = [one.text for one in proposed_sentences(games, overall, plan).safe if "every" not in one.text]
    said = [text for text in said if "each of" not in text]
    assert not (carried and said)
    assert bool(said) == (row.verdict != "undecided" and not carried)
    for text in said:
        assert all(least <= nearer + 1e-9 for least in _bounds(text, "at least"))
        assert all(least > 0 for least in _bounds(text, "at least")) or nearer > 0
        assert all(most >= max(abs(row.ci_low), abs(row.ci_high)) - 1e-9
                   for most in _bounds(text, "any difference is smaller than"))  # fmt: skip
        assert all(most >= loss - 1e-9 for most in _bounds(text, "any (?:loss|rise) is smaller than"))
        if re.search(r"\b(faster|slower|lower|higher|hotter|cooler)\b", text.partition("(")[0]):
            assert nearer > 0
        inside = re.search(r"(\d+(?:\.\d+)?) % interval ([+−]?[\d.]+) to ([+−]?[\d.]+)", text)
        ends = [float(end.replace("−", "-")) for end in inside.groups()[1:]]
        assert ends == pytest.approx([row.ci_low, row.ci_high], abs=0.0501)
        assert float(inside[1]) == pytest.approx(100 * confidence)
