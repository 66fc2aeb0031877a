"""Rows without file names and logs without rows: words and numbers match them, the alphabet never does."""

from __future__ import annotations

import random

import pytest
from made_folders import STYLES, made_folder, random_style

from gpubench_kit.sheet.log_names import NamedRow, logs_by_names, said_of


def rows_and_logs(style, seed: int, n_missing: int = 0) -> tuple[list[NamedRow], dict[str, str]]:
    """Return rows as the run sheet has them, and the true log of each run."""
    folder = made_folder(style, seed, n_missing=n_missing)
    truth = {f"r{place:03d}": path for place, path in enumerate(folder.truth)}
    runs = [NamedRow(run, folder.truth[path].game, folder.truth[path].tuning, folder.truth[path].round)
            for run, path in truth.items()]  # fmt: skip
    return runs, truth


#: Styles in which rows cannot be told apart by game, tuning and round, or names hold another number than the round.
_OTHER_NUMBERS = ("camel case and settings", "resolutions", "numbers against stamps", "a bad take", "a retry")


@pytest.mark.parametrize("name", [name for name in STYLES if name not in _OTHER_NUMBERS])
def test_no_row_gets_the_log_of_another(name):
    for seed in range(4):
        rows, truth = rows_and_logs(STYLES[name], seed, n_missing=seed % 2)
        random.Random(seed).shuffle(rows)
        found = logs_by_names(rows, sorted(truth.values())).logs
        assert {run: truth[run] for run in found} == found


def test_no_row_gets_the_log_of_another_under_random_names():
    n_rows = n_found = 0
    for seed in range(300):
        rows, truth = rows_and_logs(random_style(seed), seed)
        if len(set(truth.values())) < len(truth):
            continue
        found = logs_by_names(rows, sorted(truth.values())).logs
        assert {run: truth[run] for run in found} == found, seed
        n_rows, n_found = n_rows + len(rows), n_found + len(found)
    assert n_found > 0.6 * n_rows


@pytest.mark.parametrize("name", ["folders by game", "tuning first", "folders by round", "power limits", "scenes"])
def test_well_named_logs_are_all_found(name):
    rows, truth = rows_and_logs(STYLES[name], 5)
    assert logs_by_names(rows, sorted(truth.values())).logs == truth


@pytest.mark.parametrize(
    ("name", "known", "said"),
    [
        ("CopperMonsoon_quiet_2.csv", ("Copper Monsoon", "Salt Orchard"), "Copper Monsoon"),
        ("iron vale 2/quiet.csv", ("Iron Vale", "Iron Vale 2"), "Iron Vale 2"),
        ("rocket run oc 1.csv", ("oc", "factory"), "oc"),
        ("rocket run 1.csv", ("oc", "factory"), ""),
        ("Über_Wasser-1.csv", ("über wasser",), "über wasser"),
        ("factory quiet.csv", ("factory", "quiet"), ""),
        ("capture 0001.csv", ("factory", "quiet", ""), ""),
    ],
)
def test_what_a_name_speaks_of(name, known, said):
    assert said_of(name, known) == said


def test_a_name_of_another_game_contradicts_a_row():
    row = NamedRow("r1", "Salt Orchard", "quiet", 1)
    other = NamedRow("r2", "Copper Monsoon", "quiet", 1)
    found = logs_by_names([row, other], ["Copper Monsoon quiet.csv", "x.csv"])
    assert found.contradict(row, "Copper Monsoon quiet.csv")
    assert not found.contradict(row, "x.csv")
    assert not found.contradict(other, "Copper Monsoon quiet.csv")
