"""What the page says of a rival card, sentence by sentence."""

from __future__ import annotations

import re

import pytest
from made_rivals import CARDS, OURS, RIVAL, RivalReview, measure
from markupsafe import Markup

from gpubench_kit.costs.against_rival import AHEAD, ahead_of_rival
from gpubench_kit.model.tables import check_table
from gpubench_kit.page.headline import headline_rows, result_sentences
from gpubench_kit.page.rival_cards import against_rival


def text_of(review) -> str:
    """Return the words of the section, without charts."""
    section = against_rival(review.comparisons, review.overall, runs=review.runs, plan=review.plan)
    return str(Markup(re.sub(r"(?s)<svg.*?</svg>", "", section._repr_html_())).striptags()).replace("\xa0", " ")


def head_of(review) -> list[str]:
    """Return the sentences of the headline."""
    return result_sentences(headline_rows(review.overall, review.comparisons), review.plan)


def test_installations_are_blocks_and_the_page_says_in_which_order_they_were_made(rival):
    review = rival("in turns")
    rows = review.comparisons[review.comparisons["of_card"] != review.comparisons["against_card"]]
    rates = rows[rows["metric"] == "avg_fps"]
    assert set(rates["layout"]) == {"restarts"}
    assert set(rates["n_blocks"]) == {3}
    assert set(rates["df"]) == {4}
    text = text_of(review)
    assert "Larkmoor 4 (A) three times and Tern Ridge 70 (B) three times, in this order: A B B A A B." in text
    assert "The installation is the unit" in text


def test_the_headline_of_a_rival_measured_once_names_the_assumption_and_the_single_installation(rival):
    first = head_of(rival("once"))[0]
    assert re.search(r"Larkmoor 4 “factory” was 31\.\d % ahead of Tern Ridge 70 “factory”", first)
    assert "assuming that installations vary by 1 %; installed once" in first
    assert "Installations that differ by a standard deviation of" in text_of(rival("once"))


def test_each_metric_is_widened_by_its_own_spread(rival):
    review = rival("once")
    rows = review.overall[
        (review.overall["of_card"] != review.overall["against_card"])
        & (review.overall["scope"] == "these_games")
        & (review.overall["of_tuning"] == "factory")
    ].set_index("metric")
    for metric, spread in (("avg_fps", 1.0), ("low_1pct_fps", 2.0), ("board_w", 1.0), ("energy_per_frame_j", 1.5)):
        assert rows.loc[metric, "se"] >= spread / 100 * 2**0.5
        assert rows.loc[metric, "se"] <= 1.06 * spread / 100 * 2**0.5
        assert "assumed_restart_spread" in rows.loc[metric, "reason"]
        assert "installed_once" in rows.loc[metric, "reason"]
    assert set(rows.loc[["core_c", "sound_dba"], "verdict"]) == {"no_verdict"}
    assert "No verdict on core temperature and sound level" in text_of(review)


def test_a_rival_measured_once_without_a_stated_spread_gets_no_verdict_and_advice(rival):
    review = rival("confounded")
    between = review.overall[review.overall["of_card"] != review.overall["against_card"]]
    assert set(between["verdict"]) == {"no_verdict"}
    head = head_of(review)[0]
    assert "has no verdict on average frame rate" in head
    assert "difference between cards and difference between two installations cannot be told apart" in head
    text = text_of(review)
    assert "Each card was installed once." in text
    assert "Install each card at least twice, taking turns (A B B A)" in text
    assert not re.search(r"is \d+\.\d % ahead of", text)


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
    assert "ahead per watt" not in text
    assert re.search(r"is 3\d\.\d % ahead of our Tern Ridge 70", text)


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
    assert re.search(r"On these 6 games our Larkmoor 4 “factory” is 3\d\.\d % ahead of our Tern Ridge 70", text)
    assert re.search(r"6\d\.\d % ahead per watt", text)
    assert re.search(r"1\d\.\d % ahead for the price, an estimate", text)


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
    assert (
        "2 samples of the Larkmoor 4 and 2 samples of the Tern Ridge 70 were measured. The card is the unit" in text
    )
    assert "may still lie outside what so few show" in text


def test_the_page_says_what_one_sample_cannot_show(rival):
    text = text_of(rival("in turns"))
    assert "How far two samples of one model differ cannot be seen from one" in text
    assert "nothing here says that one model beats the other" in text


def test_a_card_that_is_behind_is_said_to_be(tmp_path):
    review = measure(RivalReview(fps={"A": 0.9}, games=("Low Tide Racers", "Salt Orchard")).write(tmp_path / "r"))
    assert re.search(r"is \d+\.\d % behind our Tern Ridge 70", text_of(review))
    assert re.search(r"was \d+\.\d % behind Tern Ridge 70", head_of(review)[0])


def test_a_missing_price_is_named_and_the_rest_is_told(tmp_path):
    cards = {"A": CARDS["A"], "B": {key: one for key, one in CARDS["B"].items() if key != "price"}}
    review = measure(RivalReview(cards=cards, games=("Low Tide Racers", "Salt Orchard")).write(tmp_path / "review"))
    text = text_of(review)
    assert "no one price is given for Tern Ridge 70" in text
    assert "ahead per watt" in text


def test_without_a_rival_the_section_is_left_out(tmp_path):
    review = measure(
        RivalReview(installed="AA", games=("Low Tide Racers", "Salt Orchard")).write(tmp_path / "review")
    )
    section = against_rival(review.comparisons, review.overall, runs=review.runs, plan=review.plan)
    assert section.left_out == "no two cards were compared"
    assert not section.pictures


def test_the_chart_says_what_the_table_says(rival):
    section = against_rival(*_tables(rival("once")), runs=rival("once").runs, plan=rival("once").plan)
    (chart,) = section.pictures.values()
    assert "Per watt, factory: +6" in chart.alternative_text
    assert "Per price (estimate), quiet: +1" in chart.alternative_text
    assert chart.to_svg().startswith("<svg")


def test_names_are_data(tmp_path):
    cards = {"A": CARDS["A"] | {"name": "<b>A</b>"}, "B": CARDS["B"] | {"name": "=1+1 & co"}}
    review = measure(RivalReview(cards=cards, games=("Low Tide Racers",)).write(tmp_path / "review"))
    html = against_rival(*_tables(review), runs=review.runs, plan=review.plan)._repr_html_()
    assert "<b>A</b>" not in html
    assert "&lt;b&gt;A&lt;/b&gt;" in html


def _tables(review):
    """Return comparisons and overall results."""
    return review.comparisons, review.overall
