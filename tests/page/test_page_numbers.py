"""Every number of the answer card and of the table by game, compared with the tables it comes from."""

from __future__ import annotations

import re
from dataclasses import replace

import pandas as pd
import pytest
from bs4 import BeautifulSoup

from gpubench_kit import page
from gpubench_kit.claims.sentences import level_text
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page.matrix import level_value, matrix_pairs
from gpubench_kit.statistics.compare import compare_over_games, compare_tunings, estimate_noise
from gpubench_kit.wording.numbers import change_text, interval_text, watts_text
from gpubench_kit.wording.terms import mark_of
from tests.page.conftest import EFFECTS, GAMES, results_of, usable_runs


def _text(node) -> str:
    """Return the text of an element, spaces plain."""
    return re.sub(r"\s+", " ", node.get_text().replace("\u00a0", " ")).strip()


@pytest.fixture(scope="module")
def card(results):
    """Return the tiles of the card by place of the pair and metric."""
    soup = BeautifulSoup(page.answer(results)._repr_html_(), "html.parser")
    rows = soup.select(".card .row")
    assert len(rows) == len(results.main.pairs)
    return {
        (place, metric): tile
        for place, row in enumerate(rows)
        for metric, tile in zip(results.metrics, row.select(".figs > div"), strict=True)
    }


def test_every_tile_of_the_card_says_what_the_table_says(card, results):
    for (place, metric), tile in card.items():
        row = results.over_games(results.main.pairs[place], results.groups[0], metric)
        figures = _text(tile.select_one(".n"))
        assert change_text(row.change, "%") in figures
        if metric == "board_w":
            of, against = results.mean_of(results.main.pairs[place], results.groups[0], metric)
            assert f"{against:.1f} to {of:.1f} W" in _text(tile.select_one(".in"))
            assert figures.startswith(watts_text(row.change_w))
            assert abs((of - against) - row.change_w) < 1e-9
        else:
            assert interval_text(row.ci_low, row.ci_high, "%") in _text(tile.select_one(".in"))
        assert mark_of(row).word in _text(tile.select_one(".vd"))


def test_every_cell_of_the_table_by_game_says_what_the_tables_say(results):
    soup = BeautifulSoup(page.by_game(results)._repr_html_(), "html.parser")
    tabs = soup.select(".mx")[0].select(".tabs")
    assert len(tabs) == len(results.metrics)
    pairs, count = matrix_pairs(results), 0
    for metric, tab in zip(results.metrics, tabs, strict=True):
        lines = tab.select("tbody tr")
        assert len(lines) == sum(
            len(results.scenes(one)) + (len(results.scenes(one)) > 1) for one in results.groups
        )
        for line in lines:
            name = _text(line.select_one("th"))
            cells = line.select("td")
            scene = next(
                (one for group in results.groups for one in results.scenes(group) if one.game == name), None
            )
            for pair, cell in zip(pairs, cells[1:], strict=True):
                row = (
                    results.in_game(pair, scene, metric)
                    if scene
                    else results.over_games(pair, results.groups[0], metric)
                )
                assert _text(cell.select_one(".d")).startswith(
                    f"{mark_of(row).sign}{change_text(row.change, '%')[:-2]}"
                )
                assert mark_of(row).word in _text(cell)
                assert interval_text(row.ci_low, row.ci_high, "%") in cell["title"].replace("\u00a0", " ")
                assert f"{_text(cell.select_one('.ci'))} %" == interval_text(row.ci_low, row.ci_high, "%")
                if scene:
                    assert _text(cell.select_one("small:not(.ci)")) == level_value(row.of_value, metric)
                    assert _text(cells[0]) == level_value(row.against_value, metric)
                count += 1
    assert count == len(results.metrics) * len(lines) * len(pairs)


def test_the_worst_game_under_the_first_tuning_stands_on_top(results):
    soup = BeautifulSoup(page.by_game(results)._repr_html_(), "html.parser")
    names = [_text(one) for one in soup.select(".mx")[0].select(".tabs")[0].select("tbody th")][1:]
    rows = {
        row.game: row.change
        for row in results.comparisons.itertuples()
        if row.of_tuning == "quiet" and row.metric == "avg_fps"
    }
    assert [rows[one] for one in names] == sorted(rows.values())


def test_no_picture_prints_another_interval_for_the_same_result(results):
    soup = BeautifulSoup(page.answer(results)._repr_html_(), "html.parser")
    for place, row in enumerate(soup.select(".card .row")):
        for metric, spark in zip(results.metrics, row.select("svg"), strict=True):
            found = results.over_games(results.main.pairs[place], results.groups[0], metric)
            label = spark["aria-label"].replace("\u00a0", " ")
            told = f"{level_text(found.confidence)}: {interval_text(found.ci_low, found.ci_high, '%')}"
            assert f", {told}".replace("\u00a0", " ") in label


def test_every_interval_is_told_with_the_level_that_it_has(results):
    levels = {row.confidence for row in results.overall.itertuples()}
    assert max(levels) > 0.95, "results over games share the level of the page"
    soup = BeautifulSoup(str(page.by_game(results)._repr_html_()), "html.parser")
    told = {
        one["aria-label"].replace("\u00a0", " ").split(", ")[1].split(":")[0] for one in soup.select("svg.spark")
    }
    known = {level_text(row.confidence).replace("\u00a0", " ") for row in results.comparisons.itertuples()}
    assert told
    assert told <= known


def test_results_that_stand_alone_are_not_said_to_hold_together(results):
    alone = replace(results, overall=results.overall.assign(level=float("nan"), confidence=0.95))
    for one, shared in ((alone, False), (results, True)):
        text = (page.answer(one)._repr_html_() + page.quality(one)._repr_html_()).replace("\u00a0", " ")
        assert ("hold together at 95 %" in text) == shared
        assert ("overall results hold together with" in text) == shared
        assert ("Small figures: 95 % intervals, each on its own." in text) != shared
        assert ("Each statement stands on its own, with 95 % confidence" in text) != shared
        assert ("hold together" in page.answer(one).head.description) == shared


@pytest.fixture(scope="module")
def grouped(review):
    """Return a review of two groups of settings with a rival: ray tracing in three games."""
    tunings, metrics = ("factory", "quiet", "brisk"), list(EFFECTS)
    settings = [{"name": "1440p", "group": "1440p"}, {"name": "traced", "group": "ray tracing"}]
    plan = ReviewPlan.from_dict(
        {
            "review": {"title": "Larkmoor 4", "site_url": "https://bench.example/larkmoor"},
            "cards": [
                {"name": "Larkmoor 4", "power_measured_at": "board_sensor"},
                {"name": "Fernholt 3", "role": "rival", "power_measured_at": "board_sensor"},
            ],
            "tunings": [{"name": one, "reference": one == "factory"} for one in tunings],
            "games": [{"name": one, "settings": settings[: 2 - (place > 2)]} for place, one in enumerate(GAMES)],
            "analysis": {"metrics": metrics},
        }
    )
    parts = []
    for metric in metrics:
        plain, traced = (
            runs.assign(session="s" + runs["round"].astype(str), order=runs["order"] + 1000 * runs["round"])
            for runs in (usable_runs(games, tunings, metric, rounds=5) for games in (GAMES, GAMES[:3]))
        )
        # The cards take turns, each installed once for every round.
        rival = plain[plain["tuning"] == "brisk"]
        rival = rival.assign(
            card="Fernholt 3", tuning="factory", run="f" + rival["run"], session="f" + rival["session"],
            order=rival["order"] + 500, value=rival["value"] * 0.9,
        )  # fmt: skip
        parts += [one.assign(setting="1440p", group="1440p") for one in (plain, rival)]
        parts.append(traced.assign(setting="traced", group="ray tracing", run="t" + traced["run"]))
    usable = pd.concat(parts, ignore_index=True)
    more = {"plan": plan, "usable": usable, "noise": estimate_noise(usable, plan)}
    return results_of(
        review, comparisons=compare_tunings(usable, plan), overall=compare_over_games(usable, plan), **more
    )


def test_compact_rows_of_a_further_group_say_what_the_table_says(grouped):
    soup = BeautifulSoup(page.answer(grouped)._repr_html_(), "html.parser")
    rows, group = soup.select(".two-rows .row"), grouped.groups[1]
    assert grouped.groups == ["1440p", "ray tracing"]
    assert len(rows) == len(grouped.main.pairs)
    for row, pair in zip(rows, grouped.main.pairs, strict=True):
        for metric, tile in zip(grouped.metrics, row.select(".figs > div"), strict=True):
            found = grouped.over_games(pair, group, metric)
            assert change_text(found.change, "%") in _text(tile.select_one(".n"))
            assert mark_of(found).word in _text(tile.select_one(".vd"))
            shown = (
                watts_text(found.change_w)
                if metric == "board_w"
                else interval_text(found.ci_low, found.ci_high, "%")
            )
            assert shown in _text(tile)


def test_the_sheet_of_a_rival_says_what_the_table_says(grouped):
    soup = BeautifulSoup(page.answer(grouped)._repr_html_(), "html.parser")
    block = next(one for one in grouped.blocks if one.is_between)
    row, pair = soup.select_one(".rival .row"), block.pairs[0]
    for metric, tile in zip(grouped.metrics, row.select(".figs > div"), strict=True):
        found = grouped.over_games(pair, grouped.groups[0], metric)
        assert found.verdict != "no_verdict"
        assert change_text(found.change, "%") in _text(tile.select_one(".n"))
        assert mark_of(found).word in _text(tile.select_one(".vd"))


def test_every_group_and_the_rival_have_their_numbers_in_the_table_by_game(grouped):
    soup = BeautifulSoup(page.by_game(grouped)._repr_html_(), "html.parser")
    pairs, count = matrix_pairs(grouped), 0
    assert pairs[-1].is_between
    for metric, tab in zip(grouped.metrics, soup.select(".mx")[0].select(".tabs"), strict=True):
        lines = [one for one in tab.select("tbody tr") if not one.get("class")]
        scenes = [scene for group in grouped.groups for scene in grouped.scenes(group)]
        assert len(lines) == len(scenes) == len(GAMES) + 3
        for line in lines:
            group = grouped.groups[int("grp" in (_sum_above(line).get("class") or []))]
            game = _text(line.select_one("th"))
            scene = next(one for one in grouped.scenes(group) if one.game == game)
            for pair, cell in zip(pairs, line.select("td")[1:], strict=True):
                row = grouped.in_game(pair, scene, metric)
                if row is None or row.verdict == "no_verdict":
                    assert cell.select_one(".ci") is None
                else:
                    shown = f"{mark_of(row).sign}{change_text(row.change, '%')[:-2]}"
                    assert _text(cell.select_one(".d")).startswith(shown)
                    assert f"{_text(cell.select_one('.ci'))} %" == interval_text(row.ci_low, row.ci_high, "%")
                    count += 1
    assert count >= 2 * len(scenes) * len(grouped.metrics)


def _sum_above(line):
    """Return the line over all games of the group that a line stands below."""
    return line.find_previous_sibling("tr", class_="sum")


def test_the_address_of_the_page_comes_from_the_plan(grouped, results):
    assert page.answer(grouped).head.site_url == "https://bench.example/larkmoor"
    assert page.answer(results).head.site_url == ""
