"""Looks are counted once per set of used runs and values, and what was decided before the first is kept."""

from __future__ import annotations

import os

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plans import small_plan

from gpubench_kit.model.errors import ReportError, TableError
from gpubench_kit.sheet.looks import (
    LOOKS_FILE,
    decisions_changed_after_first_look,
    looks_made,
    read_looks,
    record_look,
    used_runs_fingerprint,
)

FIRST, SECOND = "a" * 64, "b" * 64


def usable(n_rounds: int = 3) -> pd.DataFrame:
    """Return used runs of two tunings in two games."""
    rows = [
        {"run": f"r{n}{game}{tuning}", "card": "Larkmoor 4", "bench": "", "tuning": tuning, "game": game,
         "setting": "", "metric": metric, "value": 90 + n + len(game) + len(tuning) / 3 + len(metric)}
        for n in range(n_rounds) for game in ("Low Tide Racers", "Salt Orchard")
        for tuning in ("factory", "quiet") for metric in ("avg_fps", "board_w")
    ]  # fmt: skip
    return pd.DataFrame(rows)


@given(seed=st.integers(0, 2**32 - 1))
def test_order_of_rows_is_irrelevant(seed):
    assert used_runs_fingerprint(usable().sample(frac=1, random_state=seed)) == used_runs_fingerprint(usable())


@pytest.mark.parametrize("column", ["run", "card", "tuning", "game", "setting", "bench"])
def test_corrected_names_make_no_new_look(column):
    renamed = usable()
    renamed[column] = renamed[column] + " corrected"
    assert used_runs_fingerprint(renamed) == used_runs_fingerprint(usable())


def test_bits_below_nine_digits_make_no_new_look():
    other = usable()
    other["value"] *= 1 + 1e-15
    assert used_runs_fingerprint(other) == used_runs_fingerprint(usable())


def test_columns_that_are_missing_are_empty():
    assert used_runs_fingerprint(usable().drop(columns=["setting", "bench"])) == used_runs_fingerprint(usable())


def _changed_value(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows with one value changed."""
    rows.loc[0, "value"] += 0.01
    return rows


def _moved_run(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows with one run under the other tuning."""
    rows.loc[rows["run"] == "r0Salt Orchardquiet", "tuning"] = "factory"
    return rows


CHANGED = {
    "one more round": lambda rows: usable(4),
    "one run less": lambda rows: rows[rows["run"] != "r0Salt Orchardquiet"],
    "one value": _changed_value,
    "one run under another tuning": _moved_run,
    "one metric less": lambda rows: rows[rows["metric"] != "board_w"],
}


@pytest.mark.parametrize("change", CHANGED.values(), ids=CHANGED.keys())
def test_changed_runs_or_values_make_a_new_look(change):
    assert used_runs_fingerprint(change(usable())) != used_runs_fingerprint(usable())


def test_a_review_without_report_has_no_look(tmp_path):
    assert looks_made(tmp_path) == 0
    assert looks_made(tmp_path, FIRST) == 1
    assert list(read_looks(tmp_path).columns) == ["look", "used_runs_sha256", "plan_fingerprint", "decisions"]
    assert decisions_changed_after_first_look(tmp_path, small_plan()) == []


def test_a_report_made_again_is_no_new_look(tmp_path):
    plan = small_plan()
    assert record_look(tmp_path, FIRST, plan=plan) == 1
    before = (tmp_path / LOOKS_FILE).read_bytes()
    assert record_look(tmp_path, FIRST, plan=plan) == 1
    assert (tmp_path / LOOKS_FILE).read_bytes() == before


def test_each_new_set_of_runs_is_a_look(tmp_path):
    plan = small_plan()
    assert [record_look(tmp_path, one, plan=plan) for one in (FIRST, SECOND, FIRST)] == [1, 2, 2]
    looks = read_looks(tmp_path)
    assert looks["look"].tolist() == [1, 2]
    assert looks["used_runs_sha256"].tolist() == [FIRST, SECOND]
    assert set(looks["plan_fingerprint"]) == {plan.fingerprint}
    assert (looks_made(tmp_path), looks_made(tmp_path, FIRST), looks_made(tmp_path, "c" * 64)) == (2, 2, 3)


def test_decisions_changed_after_the_first_look_are_told(tmp_path):
    record_look(tmp_path, FIRST, plan=small_plan())
    later = small_plan(
        changes={
            "analysis": {"margin_pct": 3, "looks": 2, "metrics": ["avg_fps"], "margins": {"board_w": 5}},
            "exclude": {"min_duration_s": 55},
            "games": [{"name": "Salt Orchard", "limited_by": "processor"}],
        }
    )
    record_look(tmp_path, SECOND, plan=later)
    assert decisions_changed_after_first_look(tmp_path, later) == [
        ("analysis.looks", "1", "2"),
        ("analysis.margin_pct", "2", "3"),
        ("analysis.margins.board_w", "not given", "5"),
        ("analysis.metrics", "avg_fps, board_w, energy_per_frame_j, low_1pct_fps", "avg_fps"),
        ("exclude.min_duration_s", "0", "55"),
        ("games.Low Tide Racers", "in the plan", "not in the plan"),
        ("games.Salt Orchard.limited_by", "card", "processor"),
    ]


def test_titles_and_pictures_are_no_decisions(tmp_path):
    record_look(tmp_path, FIRST, plan=small_plan())
    later = small_plan(changes={"review": {"title": "Another"}, "style": {"accent": "#123456"}})
    assert decisions_changed_after_first_look(tmp_path, later) == []


def test_a_plan_of_any_size_can_be_recorded_and_compared(tmp_path):
    games = [{"name": f"{number} " + "x" * 5_000} for number in range(40)]
    record_look(tmp_path, FIRST, plan=small_plan(changes={"games": games}))
    same = small_plan(changes={"games": games})
    other = small_plan(changes={"games": games[1:], "analysis": {"margin_pct": 3}})
    assert decisions_changed_after_first_look(tmp_path, same) == []
    changed = [what for what, _, _ in decisions_changed_after_first_look(tmp_path, other)]
    assert changed == ["analysis.margin_pct", "games"]


def test_a_file_saved_by_a_spreadsheet_is_still_counted(tmp_path):
    record_look(tmp_path, FIRST, plan=small_plan())
    frame = pd.read_csv(tmp_path / LOOKS_FILE)
    frame.to_csv(tmp_path / LOOKS_FILE, sep=";", index=False, encoding="utf-8-sig", lineterminator="\r\n")
    assert looks_made(tmp_path) == 1
    assert decisions_changed_after_first_look(tmp_path, small_plan()) == []


DAMAGE = {
    "row taken out": (lambda text: text.replace("\n1,", "\n2,"), r"looks\.csv, line 2: look '2' was found; 1 is"),
    "hash cut": (lambda text: text.replace(FIRST, FIRST[:-1]), "the hash of the used runs is damaged"),
    "decisions cut": (lambda text: text[:-20] + '"\n', "the decisions before the first look are damaged"),
    "another table": (lambda text: "run,tuning\nr1,quiet\n", "the columns are not look, used_runs_sha256"),
    "emptied": (lambda text: "", r"looks\.csv: the file is empty"),
}


@pytest.mark.parametrize(("damage", "message"), DAMAGE.values(), ids=DAMAGE.keys())
def test_a_damaged_file_is_told_and_never_counted_as_none(tmp_path, damage, message):
    record_look(tmp_path, FIRST, plan=small_plan())
    text = (tmp_path / LOOKS_FILE).read_text(encoding="utf-8")
    (tmp_path / LOOKS_FILE).write_text(damage(text), encoding="utf-8")
    with pytest.raises(TableError, match=message):
        looks_made(tmp_path)


def test_a_failed_write_leaves_the_earlier_looks(tmp_path, monkeypatch):
    record_look(tmp_path, FIRST, plan=small_plan())

    def refuse(source, target):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(
        ReportError, match=r"cannot be written down .Permission denied.. Make the review folder writable"
    ):
        record_look(tmp_path, SECOND, plan=small_plan())
    assert looks_made(tmp_path) == 1
    assert [path.name for path in tmp_path.iterdir()] == [LOOKS_FILE]
