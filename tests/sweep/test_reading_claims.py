"""Claims that are read off a sweep, worked by hand.

Factory state: 100 fps at 300 W. At 250 W the power limit alone gives 97 fps (96 to 98), with the lower voltage
99 fps (98.5 to 99.5). Where 2 % is given up, the limit alone takes 255 W (250 to 261). Against the factory state
that is −3 % (−4 to −2 %) of the frame rate, and −45 W (−50 to −39 W); the lower voltage against the limit alone is
99/97 = +2.06 % (98.5/98 = +0.51 to 99.5/96 = +3.65 %), or +2 fps (+0.5 to +3.5).

Between the cards at 250 W: +10 % (+8 to +12 %), +9 fps (+7 to +11); seen from the other side 1/1.1 = −9.09 %
(1/1.12 = −10.71 to 1/1.08 = −7.41 %).
"""

from __future__ import annotations

import pandas as pd
import pytest
from made_sweeps import sweep_plan
from signed_claims import in_plan_words

from gpubench_kit.claims.check import check_claims
from gpubench_kit.model.errors import PlanError
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.comparisons import ladder_of
from gpubench_kit.model.table_checks import check_table
from gpubench_kit.model.tables import CLAIMS, COMPARISONS, OVERALL
from gpubench_kit.sweep.answers import ANSWERS, BETWEEN, CURVES, NEXT, READINGS, SWEEP
from gpubench_kit.sweep.find import Sweep, SweepInReview

OURS, RIVAL, QUIET = "Larkmoor 4", "Fernholt 3", "voltage −60 mV"
YES, NO, OPEN = "supported", "contradicted", "not_shown"
PLACE = {"card": OURS, "bench": "", "group": "all"}


def plan(*claims: dict, **changes) -> ReviewPlan:
    """Return a plan of two cards with two lines of settings, and claims."""
    tunings = [
        {"name": "factory", "reference": True},
        {"name": "limit", "changes": {"power_limit_pct": -15}},
        {"name": "limit far", "changes": {"power_limit_pct": -30}},
        {"name": "quiet", "changes": {"power_limit_pct": -15, "voltage_mv": -60}},
        {"name": "quiet far", "changes": {"power_limit_pct": -30, "voltage_mv": -60}},
        {"name": "held", "held_at": {"core_mv": 900}},
    ]
    cards = [
        {"name": OURS, "power_measured_at": "inline"},
        {"name": RIVAL, "role": "rival", "power_measured_at": "inline"},
    ]
    whole = {
        "review": {"title": "t"}, "cards": cards, "tunings": tunings, "games": [{"name": "Low Tide Racers"}],
        "analysis": {"metrics": ["avg_fps", "board_w"], "looks": 1}, "sweep": {"ladder": "power_limit_pct"},
        "claims": [{"id": f"c{place}", **in_plan_words(one)} for place, one in enumerate(claims)],
    }  # fmt: skip
    return ReviewPlan.from_dict(whole | changes)


def claim(metric: str, says: str | None, of: str = "limit", against: str = "factory", **more) -> dict:
    """Return a claim on one card."""
    sides = {"of": {"card": OURS, "tuning": of}, "against": {"card": OURS, "tuning": against}}
    return {"text": "A sentence.", "metric": metric} | ({"says": says} if says else {}) | sides | more


def between(metric: str, says: str, *, is_turned: bool = False, **more) -> dict:
    """Return a claim of one card against the other."""
    cards = [{"card": OURS}, {"card": RIVAL}][:: -1 if is_turned else 1]
    return (
        {"text": "A sentence.", "metric": metric, "says": says}
        | dict(zip(("of", "against"), cards, strict=True))
        | more
    )


def sweep(**changes) -> Sweep:
    """Return what the two sweeps show, see above."""
    levels = {"avg_fps": 100.0, "board_w": 300.0, "n_games": 3}
    lines = {"factory": "", "limit": "", "limit far": "", "quiet": QUIET, "quiet far": QUIET}
    settings = [PLACE | levels | {"tuning": one, "line": line, "at": 0.0, "is_factory": one == "factory"}
                for one, line in lines.items()]  # fmt: skip
    settings.append(settings[0] | {"card": RIVAL})
    read = [
        ("", "rate_at_power", 250.0, 97.0, 96.0, 98.0),
        (QUIET, "rate_at_power", 250.0, 99.0, 98.5, 99.5),
        ("", "power_at_loss", 2.0, 255.0, 250.0, 261.0),
    ]
    names = ("line", "reading", "given", "value", "ci_low", "ci_high")
    cards = {"of_card": OURS, "against_card": RIVAL, "bench": "", "group": "all", "reason": ""}
    two = cards | {"reading": "rate_at_power", "given": 250.0, "change": 10.0, "ci_low": 8.0, "ci_high": 12.0,
                   "difference": 9.0, "difference_ci_low": 7.0, "difference_ci_high": 11.0}  # fmt: skip
    found = {
        "settings": SWEEP.frame(settings),
        "curves": CURVES.frame(),
        "answers": ANSWERS.frame([PLACE | {"line": "", "confidence": 0.95}]),
        "proposals": NEXT.frame(),
        "readings": READINGS.frame([PLACE | dict(zip(names, one, strict=True)) for one in read]),
        "between": BETWEEN.frame([two]),
        "ladders": {one: ladder_of(plan(), card=one) for one in (OURS, RIVAL)},
        "failures": {},
        "too_many_looks": False,
    }
    return Sweep(**found | changes)


def judged(*claims: dict, **changes):
    """Return the rows of claims held against the two sweeps."""
    found = check_claims(COMPARISONS.frame(), OVERALL.frame(), plan(*claims), sweep=SweepInReview(sweep(**changes)))
    check_table(found, CLAIMS)
    return list(found.itertuples())


AMOUNTS = [
    (claim("avg_fps", "at_least", at_w=250, by_pct=-4.0), YES),
    (claim("avg_fps", "at_least", at_w=250, by_pct=-3.0), OPEN),
    (claim("avg_fps", "at_least", at_w=250, by_pct=-1.9), NO),
    (claim("avg_fps", "at_most", at_w=250, by=-2.0), YES),
    (claim("avg_fps", "better", at_w=250), NO),
    (claim("avg_fps", "worse", at_w=250), YES),
    (claim("avg_fps", "better", of="factory", against="limit", at_w=250), YES),
    (claim("board_w", "at_most", at_loss_pct=2, by=-39.0), YES),
    (claim("board_w", "at_most", at_loss_pct=2, by=-45.0), OPEN),
    (claim("board_w", "at_most", at_loss_pct=2, by=-51.0), NO),
    (claim("board_w", "better", at_loss_pct=2), YES),
    (claim("avg_fps", "at_least", of="quiet", against="limit far", at_w=250, by_pct=0.5), YES),
    (claim("avg_fps", "at_least", of="quiet", against="limit far", at_w=250, by=0.51), OPEN),
    (claim("avg_fps", "at_most", of="quiet", against="limit far", at_w=250, by_pct=3.65), YES),
    (between("avg_fps", "at_least", at_w=250, by_pct=8.0), YES),
    (between("avg_fps", "at_least", at_w=250, by=11.1), NO),
    (between("avg_fps", "at_least", at_w=250, by_pct=-10.72, is_turned=True), YES),
    (between("avg_fps", "at_most", at_w=250, by_pct=-7.4, is_turned=True), YES),
    (between("avg_fps", "at_most", at_w=250, by=-7.0, is_turned=True), YES),
    (between("avg_fps", "better", at_w=250, is_turned=True), NO),
]


@pytest.mark.parametrize(("given", "outcome"), AMOUNTS)
def test_amounts_are_held_against_the_whole_range(given, outcome):
    (row,) = judged(given)
    assert row.verdict == outcome, row.evidence


def test_readings_count_among_all_claims_of_the_script():
    at_its_end = claim("board_w", "at_most", at_loss_pct=2, by=-39.0)
    (alone,) = judged(at_its_end)
    assert (alone.verdict, alone.p, alone.p_adjusted) == (YES, pytest.approx(0.05), pytest.approx(0.05))
    both = judged(at_its_end, claim("board_w", "at_most", at_loss_pct=2, by=-39.5))
    assert [row.verdict for row in both] == [OPEN, OPEN]
    assert both[0].p_adjusted == pytest.approx(0.1)
    easy = judged(at_its_end, claim("board_w", "better", at_loss_pct=2))
    assert [row.verdict for row in easy] == [YES, YES], "a claim that is sure leaves the other its level"


def test_evidence_and_sentence_tell_place_range_and_sides():
    first, second = judged(
        claim("board_w", "at_most", at_loss_pct=2, by=-39.0),
        claim("avg_fps", "at_least", of="quiet", at_w=250, by_pct=-2.0),
    )
    assert first.by == "39.0 W where 2 % of the frame rate is given up"
    assert first.evidence == (
        "Read off fitted curves, ranges that hold together at 95 % or more. Where 2 % of the frame rate is given "
        "up: −45.0 W, range −50.0 to −39.0 W, over 3 games."
    )
    assert first.suggested_text == (
        "Where 2 % of the frame rate is given up, the board power of our Larkmoor 4 with the power limit alone was "
        "about 45.0 W lower than that in its factory state (read off the sweep: −45.0 W, range −50.0 to −39.0 W, "
        "over 3 games)."
    )
    assert second.suggested_text.startswith(
        "At 250 W, the average frame rate of our Larkmoor 4 with voltage −60 mV was about 1.0 % lower than that in "
    )


def test_what_is_not_told_apart_is_said_to_be_so():
    rows = sweep().between.assign(ci_low=-1.0)
    (row,) = judged(between("avg_fps", "better", at_w=250), between=rows)
    assert row.verdict == OPEN
    assert "cannot be told from that of our Fernholt 3" in row.suggested_text


def test_a_curve_that_does_not_fit_has_no_range_and_shows_nothing():
    rows = sweep().readings.assign(ci_low=float("nan"), ci_high=float("nan"))
    (row,) = judged(claim("avg_fps", "worse", at_w=250), readings=rows)
    assert row.verdict == OPEN
    assert "do not follow a curve" in row.evidence
    assert "cannot be held against that in its factory state" in row.suggested_text


LACKING = [
    (claim("avg_fps", "better", at_w=120), {}, "At 120 W nothing can be read"),
    (between("board_w", "better", at_fps=90), {}, "At 90 fps nothing can be read"),
    (claim("avg_fps", "better", of="limit far", against="limit", at_w=250), {}, "off the same curve"),
    (claim("avg_fps", "better", of="held", at_w=250), {}, "“held” on our Larkmoor 4 is no measured setting"),
    (claim("avg_fps", "worse", at_w=250), {"too_many_looks": True}, "looked at too often"),
    (
        between("avg_fps", "better", at_w=250),
        {"between": BETWEEN.frame([{"of_card": OURS, "against_card": RIVAL, "bench": "", "group": "all",
                                    "reason": "different_power_points"}])},
        "Power was measured at different points",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("given", "changes", "why"), LACKING)
def test_what_cannot_be_read_is_not_shown_and_says_why(given, changes, why):
    (row,) = judged(given, **changes)
    assert row.verdict == OPEN
    assert why in row.evidence
    assert row.suggested_text.startswith("Nothing of it: ")


def test_a_group_that_lacks_the_reading_keeps_a_claim_from_being_shown():
    answers = pd.concat([sweep().answers, sweep().answers.assign(group="ray tracing")], ignore_index=True)
    (row,) = judged(claim("avg_fps", "worse", at_w=250), answers=answers)
    assert row.verdict == OPEN


def test_without_a_sweep_nothing_is_read():
    found = check_claims(COMPARISONS.frame(), OVERALL.frame(), plan(claim("avg_fps", "worse", at_w=250)))
    assert found["verdict"].tolist() == [OPEN]
    assert "has no sweep" in found["evidence"].iloc[0]


REFUSED = [
    (claim("avg_fps", "better", at_w=250, at_loss_pct=2), {}, "read off the sweep at one place"),
    (claim("board_w", "better", at_w=250), {}, "at_w goes with 'avg_fps', not with 'board_w'"),
    (claim("running_cost", "better", at_w=250), {}, "at_w goes with 'avg_fps'"),
    (claim("avg_fps", "same", at_w=250), {}, "is not held against a reading of the sweep"),
    (claim("avg_fps", None, at_w=250), {}, "neither was found; one of says and an amount is expected"),
    (claim("avg_fps", None, at_w=250, saves_at_least="3 %"), {}, "Write gains_at_least"),
    (claim("avg_fps", "better", at_w=250, over="every_game"), {}, "over the games measured"),
    (claim("avg_fps", "better", at_w=-250), {}, "at_w"),
    (claim("board_w", "better", at_fps=90), {}, "both sides are one card"),
    (between("board_w", "better", at_loss_pct=2), {}, "the sides are two"),
    (claim("avg_fps", "better", at_w=250), {"sweep": {}}, "the plan names no ladder"),
    (claim("avg_fps", "better", at_w=250), {"analysis": {"metrics": ["avg_fps"]}}, "needs frame rate and power"),
    (
        between("avg_fps", "better", at_w=250) | {"of": {"card": OURS, "tuning": "limit"}},
        {},
        "Leave the tunings out",
    ),
]


@pytest.mark.parametrize(("given", "changes", "message"), REFUSED)
def test_a_claim_that_no_sweep_can_answer_is_refused(given, changes, message):
    with pytest.raises(PlanError, match=message):
        plan(given, **changes)


def test_claims_are_read_at_their_own_values_between_the_round_ones(made, found):
    sides = {"text": "A sentence.", "of": {"tuning": "limit -20"}, "against": {"tuning": "factory"}}
    watts = round(0.85 * float(found.settings.set_index("tuning").loc["factory", "board_w"]), 1)
    asked = sides | {"id": "power", "metric": "avg_fps", "says": "worse", "at_w": watts}
    lost = sides | {"id": "loss", "metric": "board_w", "says": "better", "at_loss_pct": 1.3}
    changes = {"claims": [asked, lost], "analysis": {"metrics": ["avg_fps", "board_w", "energy_per_frame_j"]}}
    whole = sweep_plan(changes=changes)
    again = type(made)(whole, made.usable, made.runs).find()
    assert not {watts, 1.3} & set(found.readings["given"])
    assert {watts, 1.3} <= set(again.readings["given"])
    rows = check_claims(COMPARISONS.frame(), OVERALL.frame(), whole, sweep=SweepInReview(again))
    assert rows["verdict"].tolist() == [YES, YES]
