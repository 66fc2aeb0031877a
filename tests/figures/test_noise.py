"""Noise and smallest detectable difference of each game."""

import numpy as np

from gpubench_kit.figures.noise import draw_noise


def test_every_text_of_the_noise_chart_is_legible(hard_review, assert_legible):
    assert_legible(draw_noise(hard_review.noise, hard_review.plan, metric="avg_fps"))


def test_noisiest_game_comes_first_and_each_tuning_has_its_dot(make):
    rows = draw_noise(make.noise(), make.plan(), metric="avg_fps").drawing.keywords["chart"].blocks[0].rows
    most = [max(mark.value for mark in row.marks[:-1]) for row in rows]
    assert most == sorted(most, reverse=True)
    assert {len(row.marks) for row in rows} == {4}


def test_alternative_text_names_the_games_that_cannot_settle_the_margin(make):
    noise = make.noise().query("metric == 'avg_fps'").assign(detectable_pct=1.0)
    noise.loc[noise["game"] == "Salt Orchard", "detectable_pct"] = 2.5
    text = draw_noise(noise, make.plan(), metric="avg_fps").alternative_text
    assert "In 1 of 10 games it is larger than the margin of 2 %: Salt Orchard." in text
    assert "to 2.5 % (Salt Orchard)" in text


def test_the_band_reaches_from_zero_to_the_margin(make):
    drawn = draw_noise(make.noise(), make.plan(), metric="avg_fps")
    assert drawn.drawing.keywords["chart"].axis.band == (0.0, 2.0)


def test_metrics_without_noise_in_percent_have_no_chart(make):
    noise = make.noise().assign(cv_pct=np.nan)
    assert draw_noise(noise, make.plan(), metric="avg_fps") is None
    assert draw_noise(make.noise(), make.plan(), metric="avg_fps", group="traced") is None
