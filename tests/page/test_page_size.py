"""A page of twenty games under seven states stays light."""

from __future__ import annotations

import pytest
from bs4 import BeautifulSoup

from tests.page.conftest import rich_results, whole_page

MOST_BYTES, MOST_ELEMENTS, MOST_WORDS = 900_000, 12_000, 1_500


@pytest.fixture(scope="module")
def rich() -> str:
    """Return the page of twenty games under seven states."""
    return whole_page(rich_results())


def test_the_page_of_twenty_games_and_seven_states_is_light(rich):
    soup = BeautifulSoup(rich, "html.parser")
    assert len(rich.encode()) <= MOST_BYTES
    assert len(soup.find_all(True)) <= MOST_ELEMENTS


def test_few_words_are_seen_before_anything_is_opened(rich):
    soup = BeautifulSoup(rich, "html.parser")
    for hidden in soup.select("svg, style, title, .sr, details:not([open]) > :not(summary), .tabs:not(.x1), .ci"):
        hidden.decompose()
    assert len(soup.body.get_text(" ").split()) <= MOST_WORDS
