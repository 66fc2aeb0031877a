"""Reviews of other kinds: numbers typed by hand, several cards and benches, names that try to be something else."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from gpubench_kit.report.notebook_run import check_page
from tests.check_command.conftest import check
from tests.check_command.test_check_page import words_of

PLAN = """
[review]
title = "Typed by hand"
[[cards]]
name = "Larkmoor 4"
[[cards]]
name = "Fernholt 3"
role = "rival"
[[tunings]]
name = "factory"
reference = true
[[tunings]]
name = '{tuning}'
[[games]]
name = '{game}'
[analysis]
metrics = ["avg_fps", "core_c"]
margins = {{ core_c = 2.0 }}
"""


def typed(folder: Path, *, tuning: str, game: str) -> Path:
    """Write a review of numbers typed by hand: two cards, three rounds."""
    (folder / "plan.toml").write_text(PLAN.format(tuning=tuning, game=game), encoding="utf-8")
    rows, number = [], 0
    for card in ("Larkmoor 4", "Fernholt 3"):
        for at in (1, 2, 3):
            for name, value in (("factory", 100.0), (tuning, 98.0)):
                number += 1
                rows.append({"run": f"r{number}", "card": card, "tuning": name, "game": game, "round": at,
                             "order": number, "avg_fps": f"{value + number * 7 % 3 / 10:.1f}"})  # fmt: skip
    with (folder / "runs.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    return folder


def test_typed_numbers_are_checked_without_any_log(tmp_path):
    checked = check(typed(tmp_path, tuning="quiet", game="Salt Orchard"))
    assert checked.sections["runs"].left_out == "no run has a frame log that can be read"
    assert "are recorded" not in checked.sections["result"].text
    assert "No run has to be redone." in checked.sections["result"].text
    noise = words_of(checked.sections["noise"].text)
    assert "Average frame rate: enough runs for a margin of" in noise
    heads = checked.sections["progress"].text
    assert '<th scope="col">Card</th>' in heads


@pytest.mark.parametrize(
    "name",
    ["<b>bold</b>", "=1+1", '"quoted" & more', "雪の道", "x" * 120],
    ids=["markup", "sum", "quotes", "snow", "long"],
)
def test_names_are_data(tmp_path, name):
    checked = check(typed(tmp_path, tuning=name, game=name))
    check_page(checked.text)
    assert "<b>bold" not in checked.text


def test_a_number_that_cannot_be_is_on_the_list_for_the_bench(tmp_path):
    folder = typed(tmp_path, tuning="quiet", game="Salt Orchard")
    text = (folder / "runs.csv").read_text(encoding="utf-8")
    (folder / "runs.csv").write_text(text.replace("100.", "900000.", 1), encoding="utf-8")
    checked = check(folder)
    assert list(checked.redo.loc[checked.redo["is_needed"], "run"]) == ["r1"]
    assert "impossible value" in checked.sections["redo"].text
