"""Reviewers' own tables to drafts: every value right or asked, never wrong; what is asked, and what is left out."""

from __future__ import annotations

import random

import pytest
from made_tables import GAMES, asked, drafted, grid, made_tables, random_table, values_of

from gpubench_kit.model.errors import TableError
from gpubench_kit.sheet.draft import all_questions, table_lines
from gpubench_kit.sheet.from_table import draft_from_grids

TABLES = made_tables()
#: Questions that each draft asks, whatever the table holds.
ALWAYS = {"table", "card", "tunings.quiet", "margin_pct"}


@pytest.mark.parametrize("name", TABLES)
def test_every_value_is_right_or_asked(name):
    table = TABLES[name]
    draft = drafted(table)
    found = values_of(draft)
    assert found.keys() == table.truth.keys()
    for key, metrics in found.items():
        assert metrics.items() <= table.truth[key].items()
    missing = {metric for key, row in table.truth.items() for metric in row.keys() - found[key].keys()}
    assert bool(missing) == any(key.startswith("column.") for key in table.asks)


@pytest.mark.parametrize("name", TABLES)
def test_only_what_the_table_does_not_say_is_asked(name):
    table = TABLES[name]
    open_tunings = {"tunings.quiet"} if table.free_tunings else set()
    assert asked(drafted(table)) == (ALWAYS - open_tunings) | table.asks


def test_tables_of_random_layouts_are_right():
    for seed in range(300):
        table = random_table(random.Random(seed))
        assert values_of(drafted(table)) == table.truth, seed


def test_a_likely_column_is_used_only_after_its_answer():
    table = TABLES["likely watts"]
    key = "column.Power (W)"
    assert all("board_w" not in row.cells for row in drafted(table).rows)
    points = (
        ("board_w", "board_w", "board_sensor"),
        ("chip_w", "board_w", "chip_sensor"),
        ("wall_w",) * 2 + ("wall",),
    )
    for answer, column, point in points:
        draft = draft_from_grids([grid(table.rows)], "x.xlsx", {key: answer})
        assert all(column in row.cells for row in draft.rows)
        assert draft.plan_lines["cards"] == (f'power_measured_at = "{point}"',)
    draft = draft_from_grids([grid(table.rows)], "x.xlsx", {key: "none"})
    assert not any(name.endswith("_w") for row in draft.rows for name in row.cells)


def test_roles_that_are_only_likely_stay_open_until_answered():
    table = TABLES["strange tunings in columns"]
    assert all(row.cells["game"].is_asked and row.cells["tuning"].is_asked for row in drafted(table).rows)
    right = drafted(table, roles="right", reference="Alpha")
    assert (right.n_open, right.reference, right.names("game")) == (0, "Alpha", list(GAMES))
    turned = drafted(table, roles="turned")
    assert set(turned.names("tuning")) == set(GAMES)
    assert turned.n_open == 0


def test_cells_that_are_no_numbers_are_left_empty_with_a_note():
    rows = [["Game", "Tuning", "Run", "Avg FPS"], ["Keep", "factory", "1", "101.5"],
            ["Keep", "factory", "2", "1O1"], ["Keep", "quiet", "1", "99"], ["Keep", "quiet", "2", "-"]]  # fmt: skip
    draft = drafted(rows)
    assert "Row 3: '1O1' below 'Avg FPS' is no number: left empty." in draft.notes
    assert len(draft.rows) == 2


def test_rows_that_sum_up_and_other_parts_are_named():
    draft = drafted(TABLES["rows of means"])
    assert draft.head[1] == 'Left out: row 5 "Mean" (and 5 more like it).'
    left = 'Left out: column "Min FPS", column "Max FPS", column "CPU °C".'
    assert left in drafted(TABLES["processor and extremes"]).head


def test_decimal_commas_are_stated_once():
    notes = [one for one in drafted(TABLES["decimal commas"]).notes if one.startswith("Decimal commas")]
    assert len(notes) == 1
    assert " = " in notes[0]


def test_a_comma_that_may_part_thousands_is_asked():
    rows = [
        ["Game", "Tuning", "Run", "Avg FPS"],
        ["Keep", "factory", "1", "1,234"],
        ["Keep", "quiet", "1", "1,301"],
    ]
    assert "comma" in asked(drafted(rows))
    assert all("avg_fps" not in row.cells for row in drafted(rows).rows)
    assert [row.value("avg_fps") for row in drafted(rows, comma="decimal").rows] == ["1.234", "1.301"]
    assert [row.value("avg_fps") for row in drafted(rows, comma="thousands").rows] == ["1234", "1301"]


def test_one_run_number_twice_leaves_the_rounds_of_that_cell_open():
    rows = [["Game", "Tuning", "Run", "Avg FPS"], ["Keep", "factory", "1", "100"], ["Keep", "factory", "1", "101"],
            ["Keep", "quiet", "1", "99"], ["Keep", "quiet", "2", "98"]]  # fmt: skip
    rounds = [row.cells["round"].written for row in drafted(rows).rows]
    assert rounds == ["?", "?", "1", "2"]


def test_two_words_for_the_state_of_sale_are_asked():
    rows = [["Game", "Tuning", "Run", "Avg FPS"],
            *(["Keep", t, str(n), "100"] for t in ("factory", "stock", "quiet") for n in (1, 2))]  # fmt: skip
    draft = drafted(rows)
    assert "one_state" in asked(draft)
    assert {row.cells["tuning"].written for row in draft.rows} == {"factory ?", "stock ?", "quiet"}
    assert drafted(rows, one_state="yes").names("tuning") == ["factory", "quiet"]


def test_names_are_changed_in_all_rows():
    draft = drafted(TABLES["plain"], table="names", **{"name.quiet": "Hush", "name.Ninefold Keep": "Keep"})
    assert draft.names("tuning") == ["factory", "Hush"]
    assert "Keep" in draft.names("game")
    assert {"name.quiet", "name.Ninefold Keep"} <= asked(draft, table="names")


def test_of_three_tables_none_is_taken_before_the_answer():
    sheets = [grid(TABLES["plain"].rows, title) for title in ("November", "old")] + [
        grid(TABLES["merged cells"].rows, "rival")
    ]
    draft = draft_from_grids(sheets, "larkmoor.xlsx", {})
    assert (draft.rows, [one.key for one in all_questions(draft, {})]) == ((), ["which_table"])
    assert [choice.text for choice in draft.first[0].choices] == [
        '"November" 18 values', '"old" 18 values', '"rival" 18 values', "all, as 3 reviews",
    ]  # fmt: skip
    assert len(draft_from_grids(sheets, "larkmoor.xlsx", {"which_table": "old"}).rows) == 18
    each = draft_from_grids(sheets, "larkmoor.xlsx", {"which_table": "each"})
    assert (each.rows, [name for name, _ in each.parts]) == ((), ["November", "old", "rival"])


def test_tables_beside_and_below_one_another_are_told_apart():
    first, second = TABLES["plain"].rows, TABLES["titles above and blank rows"].rows[2:]
    height = max(len(first), len(second))
    beside = [[*(first[n] if n < len(first) else [""] * 4), "", *(second[n] if n < len(second) else [""] * 5)]
              for n in range(height)]  # fmt: skip
    below = [*first, ["", "", "", ""], *second]
    for rows in (beside, below):
        draft = draft_from_grids([grid(rows)], "x.xlsx", {})
        assert [choice.value for choice in draft.first[0].choices][2:] == ["each"], rows


def test_each_game_on_a_sheet_of_its_own_is_asked():
    rows = [["Tuning", "Run", "Avg FPS"], *([t, str(n), "90.5"] for t in ("factory", "quiet") for n in (1, 2))]
    sheets = [grid(rows, game) for game in GAMES]
    draft = draft_from_grids(sheets, "x.xlsx", {})
    assert draft.names("game") == list(GAMES)
    assert all(row.cells["game"].is_asked for row in draft.rows)
    assert draft.first[0].text.startswith("3 sheets with the same headings. Is each sheet a game: ")
    assert draft_from_grids(sheets, "x.xlsx", {"sheets_are": "games"}).n_open == 0
    apart = draft_from_grids(sheets, "x.xlsx", {"sheets_are": "tables"})
    assert (apart.rows, [one.key for one in apart.first]) == ((), ["sheets_are", "which_table"])


def test_cards_in_a_column_are_rivals_and_stand_apart_in_the_table():
    rows = [["Card", "Game", "Tuning", "Run", "Avg FPS"],
            *([card, "Keep", t, str(n), "90.5"] for card in ("Larkmoor 4", "Fernholt 3")
              for t in ("factory", "quiet") for n in (1, 2))]  # fmt: skip
    draft = drafted(rows)
    (which,) = [one for one in all_questions(draft, {}) if one.key == "card"]
    assert [one.value for one in which.choices] == ["Larkmoor 4", "Fernholt 3"]
    assert table_lines(draft)[1:3] == ["  Keep, Larkmoor 4   1 2       1 2", "  Keep, Fernholt 3   1 2       1 2"]
    assert draft.n_open == 0


def test_times_give_order_and_sessions_and_running_numbers_only_once_they_are_confirmed():
    rows = TABLES["times"].rows
    draft = drafted([rows[0], *reversed(rows[1:])])
    assert [row.value("order") for row in draft.rows] == [str(n) for n in range(1, 19)]
    assert (draft.rows[0].value("started_at"), draft.rows[0].value("session")) == (
        "2026-03-01 18:00:04",
        "session 1",
    )
    numbered = TABLES["numbers through the sheet"]
    assert not any(row.value("order") for row in drafted(numbered).rows)
    assert drafted(numbered).plan_lines["analysis"][1] == 'typed_order = "not_known"'
    draft = drafted(numbered, running="yes")
    assert ([row.value("order") for row in draft.rows[:2]], len(draft.plan_lines["analysis"])) == (["1", "2"], 1)


def test_mean_frame_times_become_average_frame_rates_once_they_are_confirmed():
    rows = [["Game", "Tuning", "Run", "Avg frame time (ms)", "99% frame time (ms)"],
            *(["Keep", t, str(n), "8.0", "12.5"] for t in ("factory", "quiet") for n in (1, 2))]  # fmt: skip
    assert drafted(rows).waiting == ("Avg frame time (ms)",)
    assert not any("fps" in column for column in drafted(rows).rows[0].cells)
    draft = drafted(rows, **{"column.Avg frame time (ms)": "frame_ms"})
    assert [row.value("avg_fps") for row in draft.rows] == ["125"] * 4
    assert 'Left out: column "99% frame time (ms)".' in draft.head


def test_notes_of_takes_that_may_not_count_are_asked():
    rows = [["Game", "Tuning", "Run", "Avg FPS", "Note"], ["Keep", "factory", "1", "90.5", "bad, stutter"],
            ["Keep", "factory", "2", "90.5", ""], ["Keep", "quiet", "1", "90.5", ""],
            ["Keep", "quiet", "2", "90.5", ""]]  # fmt: skip
    draft = drafted(rows)
    assert draft.rows[0].cells["excluded"].written == "?"
    assert table_lines(draft)[1] == "  Keep   (b) - 2   1 2"
    assert drafted(rows, **{"left_out.row 2": "crash"}).rows[0].value("excluded") == "crash"
    assert drafted(rows, **{"left_out.row 2": "counts"}).rows[0].cells["excluded"] == ("", "row 2", False)


def test_a_value_far_from_the_others_of_its_game_is_asked():
    rows = [[*row] for row in TABLES["plain"].rows]
    rows[5][3] = str(float(rows[5][3]) * 10)
    draft = drafted(rows)
    (asked_row,) = [row for row in draft.rows if row.cells["avg_fps"].is_asked]
    assert asked_row.source == "row 6"
    (note,) = [one for one in draft.notes if "is a point missing?" in one]
    assert note.startswith(f"Row 6: avg_fps {rows[5][3]}, the others of its game are near ")
    assert drafted(TABLES["plain"]).n_open == 0


def test_cells_of_two_numbers_are_refused():
    rows = [["Game", "factory", "quiet"], ["Keep", "124.3 / 88.1", "120.0 / 85.0"]]
    with pytest.raises(TableError, match=r"cells hold two numbers, such as '124.3 / 88.1'"):
        drafted(rows)


def test_a_table_wider_than_the_terminal_is_a_list():
    tunings = [f"uv {n}" for n in range(800, 1000, 10)]
    rows = [["Game", "Tuning", "Run", "Avg FPS"], *(["Keep", t, "1", "90.5"] for t in tunings)]
    lines = "\n".join(table_lines(drafted(rows), 60)).splitlines()
    assert max(map(len, lines)) <= 60
    assert lines[0].startswith("  Keep: uv 800 1; uv 810 1;")


def test_what_is_no_table_is_an_error_that_says_how_to_name_columns():
    for rows in ([["only", "words"], ["in", "here"]], [["1", "2"], ["3", "4"]], [["one cell"]]):
        with pytest.raises(TableError, match="no table of results was found"):
            drafted(rows)


def test_names_from_right_to_left_stand_in_the_table():
    rows = [["Game", "Tuning", "Run", "Avg FPS"],
            *([game, t, str(n), "90.5"] for game in ("משחק ראשון", "لعبة") for t in ("factory", "quiet")
              for n in (1, 2))]  # fmt: skip
    lines = table_lines(drafted(rows))
    assert any("\u2068משחק ראשון\u2069" in line for line in lines)


def test_the_table_shows_holes_and_counts():
    rows = [row for row in TABLES["plain"].rows if row[:3] != ["Low Tide Racers", "factory", "3"]]
    lines = table_lines(drafted(rows))
    assert lines[0].split() == ["factory", "quiet"]
    assert lines[2] == "  Low Tide Racers   1 2 -     1 2 3"
    assert lines[-1].split() == ["8", "9", "=", "17"]


def test_a_run_without_one_of_its_typed_values_is_a_hole_and_named():
    rows = [["Game", "Tuning", "Run", "Avg FPS", "1% low"],
            *([game, t, str(n), "90.5", "70.1"] for game in ("Keep", "Salt Orchard") for t in ("factory", "quiet")
              for n in (1, 2, 3))]  # fmt: skip
    assert not any("-" in line for line in table_lines(drafted(rows)))
    rows[2][4], rows[6][3] = "", ""
    lines = table_lines(drafted(rows))
    assert lines[1].startswith("  Keep           1 - 3     1 2 -")
    assert "- in row 3: no 1 % low" in "\n".join(lines)
    assert "- in row 7: no average frame rate" in "\n".join(lines)
    # A value that was measured in one game alone is missing nowhere else.
    rows = [rows[0], *([*row[:3], "90.5", "70.1" * (row[0] == "Keep")] for row in rows[1:])]
    assert not any("-" in line for line in table_lines(drafted(rows)))
