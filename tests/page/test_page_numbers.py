"""Every number of the answer card and of the table by game, compared with the tables it comes from."""

from __future__ import annotations

import re

import pytest
from bs4 import BeautifulSoup

from gpubench_kit import page
from gpubench_kit.page.matrix import level_value, matrix_pairs
from gpubench_kit.wording.numbers import change_text, interval_text, watts_text
from gpubench_kit.wording.verdicts import mark_of


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
                if scene:
                    assert _text(cell.select_one("small")) == level_value(row.of_value, metric)
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
            assert interval_text(found.ci_low, found.ci_high, "%") in label
