"""What the page says of a rival card, sentence by sentence."""

from __future__ import annotations

import re

import pandas as pd
import pytest
from made_rivals import CARDS, OURS, RIVAL, RivalReview, measure
from markupsafe import Markup

from gpubench_kit import page
from gpubench_kit.costs import AHEAD, ahead_of_rival
from gpubench_kit.model.table_checks import check_table
from gpubench_kit.model.tables import FINDINGS
from gpubench_kit.page.results import Results


def results_of(review) -> Results:
    """Return what the page of a review with a rival is made of."""
    none = pd.DataFrame()
    return Results(review.plan, review.runs, FINDINGS.frame(), none, none, review.comparisons, review.overall)


def text_of(review) -> str:
    """Return the words of the head of the page, without charts."""
    html = re.sub(r"(?s)<svg.*?</svg>", "", page.answer(results_of(review))._repr_html_())
    return str(Markup(html).striptags()).replace("\xa0", " ")


def test_installations_are_blocks_and_the_page_says_in_which_order_they_were_made(rival):
    review = rival("in turns")
    rows = review.comparisons[review.comparisons["of_card"] != review.comparisons["against_card"]]
    rates = rows[rows["metric"] == "avg_fps"]
    assert set(rates["layout"]) == {"restarts"}
    assert set(rates["n_blocks"]) == {3}
    assert set(rates["df"]) == {4}
    text = text_of(review)
    assert "Installed: Larkmoor 4 3 times, Fernholt 3 3 times, in this order: A B B A A B." in text
    assert "The installation is the unit" in text


def test_a_rival_measured_once_names_the_assumption_and_the_single_installation(rival):
    text = text_of(rival("once"))
    assert re.search(r"vs Fernholt 3: 31\.\d % faster", text)
    assert "assuming that installations vary by 1 %" in text
    assert "At least one of the cards was installed only once." in text


def test_each_metric_is_widened_by_its_own_spread(rival):
    review = rival("once")
    rows = review.overall[
        (review.overall["of_card"] != review.overall["against_card"])
        & (review.overall["scope"] == "these_games")
        & (review.overall["of_tuning"] == "factory")
    ].set_index("metric")
    for metric, spread in (("avg_fps", 1.0), ("low_1pct_fps", 2.0), ("board_w", 1.0), ("energy_per_frame_j", 1.5)):
        assert rows.loc[metric, "restart_se"] == pytest.approx(spread / 100 * 2**0.5)
        assert "assumed_restart_spread" in rows.loc[metric, "reason"]
        assert "installed_once" in rows.loc[metric, "reason"]
    assert set(rows.loc[["core_c", "sound_dba"], "verdict"]) == {"no_verdict"}
    assert "No verdict on core temperature" in text_of(review)


def test_a_rival_measured_once_without_a_stated_spread_gets_no_verdict_and_advice(rival):
    review = rival("confounded")
    between = review.overall[review.overall["of_card"] != review.overall["against_card"]]
    assert set(between["verdict"]) == {"no_verdict"}
    assert "difference between cards and difference between two installations cannot be told apart" in text_of(
        review
    )
    text = text_of(review)
    assert "Each card was installed once." in text
    assert "No verdict on average frame rate" in text
    assert not re.search(r"\d % (faster|slower)", text)


@pytest.mark.parametrize("points", [("inline", "board_sensor"), ("inline", None)])
def test_power_is_compared_at_equal_points_only(tmp_path, points):
    cards = {
        letter: CARDS[letter] | {"power_measured_at": point} for letter, point in zip("AB", points, strict=True)
    }
    cards = {letter: {key: one for key, one in card.items() if one is not None} for letter, card in cards.items()}
    review = measure(RivalReview(cards=cards, games=("Low Tide Racers", "Salt Orchard")).write(tmp_path / "review"))
    between = review.overall[review.overall["of_card"] != review.overall["against_card"]]
    watts = between[between["metric"].isin(["board_w", "energy_per_frame_j"])]
    assert set(watts["reason"]) == {"different_power_points"}
    assert watts["change"].isna().all()
    text = text_of(review)
    assert "Power was measured at different points, or the point is not stated" in text
    assert "FPS per watt" not in text
    assert re.search(r"vs Fernholt 3: 3\d\.\d % faster", text)


def test_factory_and_tuned_states_are_compared_by_default(rival):
    between = rival("in turns").overall.query("of_card != against_card")
    pairs = set(
        between[["of_card", "of_tuning", "against_card", "against_tuning"]].itertuples(index=False, name=None)
    )
    assert pairs == {(OURS, one, RIVAL, one) for one in ("factory", "quiet")}


def test_ahead_is_told_over_games_and_in_each_game_per_watt_and_per_price(rival):
    review = rival("in turns")
    ahead = ahead_of_rival(review.comparisons, review.overall, review.plan)
    check_table(ahead, AHEAD)
    overall = ahead[(ahead["game"] == "") & (ahead["of_tuning"] == "factory")].set_index("quantity")
    truth = {"performance": 31.0, "per_watt": 100 * (1.31 / 0.80 - 1), "per_price": 100 * (1.31 * 560 / 620 - 1)}
    for quantity, value in truth.items():
        row = overall.loc[quantity]
        assert row["ci_low"] < row["change"] < row["ci_high"]
        assert row["change"] == pytest.approx(value, abs=1.0)
    games = ahead[(ahead["game"] != "") & (ahead["quantity"] == "per_watt")]
    assert len(games) == 2 * len(review.plan.games)
    text = text_of(review)
    assert re.search(r"vs Fernholt 3: 3\d\.\d % faster", text)
    assert re.search(r"FPS per watt: \+6\d\.\d %", text)
    assert re.search(r"FPS for the price, an estimate: \+1\d\.\d %", text)


def test_performance_per_watt_is_the_exact_inverse_of_the_energy_per_frame(rival):
    review = rival("in turns")
    ahead = ahead_of_rival(review.comparisons, review.overall, review.plan)
    per_watt = ahead[(ahead["quantity"] == "per_watt") & (ahead["game"] == "")].iloc[0]
    energy = review.overall.query(
        "of_card != against_card and scope == 'these_games' and metric == 'energy_per_frame_j'"
    )
    energy = energy[energy["of_tuning"] == per_watt["of_tuning"]].iloc[0]
    for one, other in (("change", "change"), ("ci_low", "ci_high"), ("ci_high", "ci_low")):
        assert (1 + per_watt[one] / 100) * (1 + energy[other] / 100) == pytest.approx(1)


def test_with_several_samples_the_card_is_the_unit_and_the_page_says_so(rival):
    review = rival("samples")
    between = review.overall.query("of_card != against_card and scope == 'these_games' and metric == 'avg_fps'")
    assert set(between["of_card"]) == {OURS}
    assert set(between["df"]) == {2}
    text = text_of(review)
    assert "2 samples of the Larkmoor 4 and 2 samples of the Fernholt 3 were measured. The card is the unit" in text
    assert "may still lie outside what so few show" in text


def test_the_page_says_what_one_sample_cannot_show(rival):
    text = text_of(rival("in turns"))
    assert "One sample of each was measured" in text
    assert "nothing here says that one model beats the other" in text


def test_a_card_that_is_behind_is_said_to_be(tmp_path):
    review = measure(RivalReview(fps={"A": 0.9}, games=("Low Tide Racers", "Salt Orchard")).write(tmp_path / "r"))
    assert re.search(r"vs Fernholt 3: \d+\.\d % slower", text_of(review))


def test_a_missing_price_is_named_and_the_rest_is_told(tmp_path):
    cards = {"A": CARDS["A"], "B": {key: one for key, one in CARDS["B"].items() if key != "price"}}
    review = measure(RivalReview(cards=cards, games=("Low Tide Racers", "Salt Orchard")).write(tmp_path / "review"))
    text = text_of(review)
    assert "no price is given for Fernholt 3" in text
    assert "FPS per watt: +" in text


def test_without_a_rival_there_is_no_sheet_of_one(tmp_path):
    review = measure(
        RivalReview(installed="AA", games=("Low Tide Racers", "Salt Orchard")).write(tmp_path / "review")
    )
    assert 'class="rival"' not in page.answer(results_of(review))._repr_html_()


def test_names_are_data(tmp_path):
    cards = {"A": CARDS["A"] | {"name": "<b>A</b>"}, "B": CARDS["B"] | {"name": "=1+1 & co"}}
    review = measure(RivalReview(cards=cards, games=("Low Tide Racers",)).write(tmp_path / "review"))
    html = page.answer(results_of(review))._repr_html_()
    assert "<b>A</b>" not in html
    assert "&lt;b&gt;A&lt;/b&gt;" in html
