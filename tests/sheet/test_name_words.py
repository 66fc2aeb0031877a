"""The vocabulary of names holds single words; parts of names are read as they are meant."""

from __future__ import annotations

import calendar

import pytest

from gpubench_kit.model.words import fold
from gpubench_kit.sheet.log_names import (
    AGAIN,
    GENERIC,
    REFERENCE,
    TRY,
    TUNING,
    names_reference,
    names_tuning,
    parts_of,
)


@pytest.mark.parametrize("words", [AGAIN, GENERIC, REFERENCE, TRY, TUNING])
def test_the_vocabulary_holds_single_folded_words(words):
    assert all(word.isalpha() and word == fold(word) for word in words)


def test_words_for_tunings_and_for_other_things_are_apart():
    assert not TUNING & TRY
    assert not (TUNING | TRY) & GENERIC
    assert REFERENCE < TUNING
    assert AGAIN < TRY


@pytest.mark.parametrize(
    ("phrase", "is_tuning"),
    [("quiet", True), ("uv 950mv", True), ("300w", True), ("quiet harbour", False), ("salt", False), ("", False)],
)
def test_a_phrase_of_words_for_tunings_names_one(phrase, is_tuning):
    assert names_tuning(phrase) is is_tuning


def test_the_state_of_sale_is_known_in_two_languages():
    assert names_reference("Stock")
    assert names_reference("Serie")
    assert not names_reference("leise")


NUMBERS = {
    "Salt Orchard quiet 2.csv": {"n": 2},
    "Salt Orchard quiet (3).csv": {"(n)": 3},
    "Salt Orchard quiet run4.frames.csv": {"run": 4},
    "017 Salt Orchard quiet.csv": {"lead": 17},
    "Runde 2/Salt Orchard quiet.csv": {"run": 2},
    "Orbit 2 quiet 1.csv": {"n": 1},
    "Salt Orchard uv 950 2.csv": {"n": 2},
    "Salt 183005 quiet.csv": {"time": 183005},
    "Salt 1440p quiet 2.csv": {"n": 2},
}


@pytest.mark.parametrize("name", NUMBERS)
def test_numbers_are_read_by_their_place(name):
    assert parts_of(name).numbers == NUMBERS[name]


STAMPS = {
    "x 2026-11-20 183005.csv": (2026, 11, 20, 18, 30, 5),
    "x_20261120_183005.csv": (2026, 11, 20, 18, 30, 5),
    "x 20.11.2026 18-30-05.csv": (2026, 11, 20, 18, 30, 5),
    "x 11-20-2026 18-30-05.csv": (2026, 11, 20, 18, 30, 5),
    "2026-11-20/x 18.30.05.csv": (2026, 11, 20, 18, 30, 5),
}


@pytest.mark.parametrize("name", STAMPS)
def test_stamps_are_read_in_any_usual_form(name):
    assert parts_of(name).stamp_s == calendar.timegm((*STAMPS[name], 0, 0, 0)[:6])


def test_a_day_that_could_be_a_month_is_doubtful():
    assert parts_of("x 11-02-2026 18-30-05.csv").is_day_doubtful
    assert not parts_of("x 02.11.2026 18-30-05.csv").is_day_doubtful
    assert not parts_of("x 2026-11-02 183005.csv").is_day_doubtful


def test_what_is_no_date_is_none():
    assert parts_of("x 2026-13-45 99.csv").stamp_s is None


def test_words_in_camel_case_are_parted_and_tries_are_seen():
    parts = parts_of("CopperMonsoon_quiet_2 bad.csv")
    assert [word for word, _ in parts.words] == ["copper", "monsoon", "quiet", "bad"]
    assert parts.tries == {"bad"}
