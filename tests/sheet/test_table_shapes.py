"""Shapes of reviewers' tables: titles that name tunings, sums told by numbers, headings of two rows, slips."""

import pytest
from made_tables import asked, drafted, grid, values_of

from gpubench_kit.model.errors import TableError
from gpubench_kit.sheet.from_table import draft_from_grids
from gpubench_kit.sheet.headings import meaning_of

GAMES = ("Copper Monsoon", "Low Tide Racers", "Ninefold Keep", "Salt Orchard")
TUNINGS = ("factory", "quiet")
FPS = {(game, tuning, run): 60.0 + 17 * g + 3 * t + run / 2 + (g * run) % 3
       for g, game in enumerate(GAMES) for t, tuning in enumerate(TUNINGS) for run in (1, 2, 3)}  # fmt: skip
RUNS = ["Run 1", "Run 2", "Run 3"]
TRUTH = {key: {"avg_fps": value} for key, value in FPS.items()}
NUMBERS = {"column.the numbers": "avg_fps"}


def _of(tuning):
    """Return the rows of one tuning: a game and its runs."""
    return [[game, *(str(FPS[game, tuning, run]) for run in (1, 2, 3))] for game in GAMES]


def _beside(left, right):
    return [[*a, "", *b] for a, b in zip(left, right, strict=True)]


BLOCKS = {
    "below one another": [["factory"], ["Game", *RUNS], *_of("factory"), [""], ["quiet"], ["Game", *RUNS],
                          *_of("quiet")],
    "beside one another": _beside([["factory", "", "", ""], ["Game", *RUNS], *_of("factory")],
                                  [["quiet", "", "", ""], ["Game", *RUNS], *_of("quiet")]),
}  # fmt: skip


@pytest.mark.parametrize("name", BLOCKS)
def test_titles_above_blocks_name_their_tunings(name):
    assert values_of(drafted(BLOCKS[name], **NUMBERS)) == TRUTH
    assert "no_tuning" not in asked(drafted(BLOCKS[name]))


def test_sheets_that_are_called_as_tunings_are_one_table():
    sheets = [grid([["Game", "Run", "Avg FPS"], *([game, str(run), str(FPS[game, tuning, run])]
                   for game in GAMES for run in (1, 2, 3))], tuning) for tuning in TUNINGS]  # fmt: skip
    assert values_of(draft_from_grids(sheets, "larkmoor.xlsx", {})) == TRUTH
    names = "factory", "factory"
    twice = [grid([["Game", "Run", "Avg FPS"], ["Keep", "1", "99"], ["Tide", "1", "80"]], one) for one in names]
    assert asked(draft_from_grids(twice, "larkmoor.xlsx", {})) == {"which_table"}


def _wide(last):
    head = ["Game", *(f"{tuning} {run}" for tuning in TUNINGS for run in (1, 2, 3))]
    rows = [[game, *(str(FPS[game, tuning, run]) for tuning in TUNINGS for run in (1, 2, 3))] for game in GAMES]
    return [head, *rows, last]


@pytest.mark.parametrize("name", ["Overall", "4 games", "x"])
@pytest.mark.parametrize("kind", ["mean", "sum"])
def test_a_last_row_of_sums_is_known_by_its_numbers(name, kind):
    columns = [[FPS[game, tuning, run] for game in GAMES] for tuning in TUNINGS for run in (1, 2, 3)]
    sums = [sum(column) / (len(column) if kind == "mean" else 1) for column in columns]
    draft = drafted(_wide([name, *(f"{one:.1f}" for one in sums)]), **NUMBERS)
    assert values_of(draft) == TRUTH
    assert f'row 6 "{name}"' in draft.head[1]


def test_a_last_row_of_other_numbers_is_a_game():
    draft = drafted(_wide(["Velvet Comet", "99", "98", "97", "96", "95", "94"]), **NUMBERS)
    assert draft.names("game") == [*GAMES, "Velvet Comet"]


def test_a_mean_is_known_by_its_word_in_the_column_of_runs():
    rows = [["Game", "Tuning", "Run", "Avg FPS"]]
    for game in GAMES:
        for tuning in TUNINGS:
            rows += [[game, tuning, str(run), str(FPS[game, tuning, run])] for run in (1, 2, 3)]
            rows.append([game, tuning, "Avg", "70"])
    draft = drafted(rows)
    assert values_of(draft) == TRUTH
    assert 'row 5 "Avg" (and 7 more like it)' in draft.head[1]


def test_metrics_above_tunings_are_kept_apart():
    rows = [["Game", "Run", "Avg FPS", "", "1% low", ""], ["", "", *TUNINGS, *TUNINGS]]
    for game in GAMES:
        for run in (1, 2, 3):
            fps = [FPS[game, tuning, run] for tuning in TUNINGS]
            rows.append([game, str(run), *(str(one) for one in fps), *(str(one - 20) for one in fps)])
    truth = {key: {"avg_fps": value, "low_1pct_fps": value - 20} for key, value in FPS.items()}
    assert values_of(drafted(rows)) == truth


def test_games_that_are_called_by_numbers_are_names():
    rows = [["Game", "Tuning", "Run", "Avg FPS"], *([name, tuning, "1", "99"] for name in ("1987", "2044", "Keep 2")
            for tuning in TUNINGS)]  # fmt: skip
    draft = drafted(rows)
    assert (draft.names("game"), draft.n_open) == (["1987", "2044", "Keep 2"], 0)


def test_dates_as_headings_are_sessions():
    days = ["2026-11-20 00:00:00", "2026-11-21 00:00:00"]
    rows = [["Game", "Tuning", *days], *([game, tuning, "90", "91"] for game in GAMES for tuning in TUNINGS)]
    draft = drafted(rows, **NUMBERS)
    assert draft.names("tuning") == list(TUNINGS)
    assert {row.value("session") for row in draft.rows} == {"2026-11-20", "2026-11-21"}


def test_percentages_are_no_frame_rates():
    with pytest.raises(TableError, match="no table of results"):
        drafted([["Game", *TUNINGS], *([game, "100%", "97.2%"] for game in GAMES)])


def _of_metric(title, share, rows=None):
    """Return a table of one metric: games and runs down, tunings across."""
    rows = rows or [(game, run) for game in GAMES for run in (1, 2, 3)]
    cells = (
        [game, str(run), *(f"{share * FPS[game, tuning, run]:.1f}" for tuning in TUNINGS)] for game, run in rows
    )
    return [[title, "", "", ""], ["Game", "Run", *TUNINGS], *cells]


def test_tables_of_two_metrics_and_the_same_runs_are_one():
    fps, lows = _of_metric("Avg FPS", 1.0), _of_metric("1% low", 0.5)
    for rows in ([*fps, [""], *lows], _beside(fps, lows)):
        found = values_of(drafted(rows))
        assert found == {key: {"avg_fps": value, "low_1pct_fps": round(value / 2, 1)} for key, value in FPS.items()}


def test_tables_of_two_metrics_and_other_runs_are_not_one():
    fewer = [(game, run) for game in GAMES for run in (1, 2)]
    fps, lows, same = _of_metric("Avg FPS", 1.0), _of_metric("1% low", 0.5, fewer), _of_metric("FPS (mean)", 1.0)
    assert asked(drafted([*fps, [""], *lows])) == {"which_table"}
    assert asked(drafted([*fps, [""], *same])) == {"which_table"}
    # Rows of one name alone do not say which of another table is theirs.
    bare = [[[cells[0], *cells[2:]] for cells in rows] for rows in (fps, _of_metric("1% low", 0.5))]
    assert asked(drafted([*bare[0], [""], *bare[1]])) == {"which_table"}


def test_a_slip_in_a_name_is_asked_and_joined():
    rows = [["Game", "Tuning", "Run", "Avg FPS"],
            *([game, tuning, str(run), str(value)] for (game, tuning, run), value in FPS.items())]  # fmt: skip
    rows[5][0] = "Coper Monsoon"
    draft = drafted(rows)
    assert "same_word.Coper Monsoon" in asked(draft)
    assert (draft.n_open, draft.names("game")) == (1, list(GAMES))
    right = drafted(rows, **{"same_word.Coper Monsoon": "Copper Monsoon"})
    assert (right.n_open, values_of(right)) == (0, TRUTH)
    other = drafted(rows, **{"same_word.Coper Monsoon": "Coper Monsoon"})
    assert (other.n_open, len(other.names("game"))) == (0, 5)


@pytest.mark.parametrize(
    ("heading", "certainty"),
    [("GPU power (W)", "stated"), ("Avg board power [W]", "stated"), ("GPU plug power (W)", "likely"),
     ("Wall (W)", "stated"), ("Monitor outlet (W)", "likely"), ("GPU video clock (MHz)", "likely"),
     ("Socket (W)", "likely"), ("Memory (°C)", "likely"), ("VRAM (°C)", "stated"), ("Hot spot (°C)", "stated"),
     ("Core (°C)", "likely"), ("core_c", "stated"), ("Avg FPS", "stated"), ("Board (W)", "stated")],
)  # fmt: skip
def test_a_word_that_is_not_understood_makes_a_column_likely(heading, certainty):
    assert meaning_of(heading).certainty == certainty


def _long():
    """Return a table with one row per run."""
    rows = [[game, tuning, str(run), str(value)] for (game, tuning, run), value in FPS.items()]
    return [["Game", "Tuning", "Run", "Avg FPS"], *rows]


def test_a_mean_below_a_table_of_one_number_per_row_is_known_by_what_is_missing_beside_it():
    mean = sum(FPS.values()) / len(FPS)
    draft = drafted([*_long(), ["All of them", "", "", f"{mean:.1f}"]])
    assert values_of(draft) == TRUTH
    assert 'row 26 "All of them"' in draft.head[1]


def test_a_tuning_is_not_filled_down_into_the_next_game():
    draft = drafted([*_long(), ["Velvet Comet", "", "1", "77.7"]])
    (row,) = [row for row in draft.rows if row.value("game") == "Velvet Comet"]
    assert (row.value("tuning"), row.is_asked("tuning")) == ("", True)


def test_merged_tunings_are_filled_down_within_their_game():
    rows = [[game if (tuning, run) == ("factory", "1") else "", tuning if run == "1" else "", run, value]
            for game, tuning, run, value in _long()[1:]]  # fmt: skip
    assert values_of(drafted([["Game", "Tuning", "Run", "Avg FPS"], *rows])) == TRUTH


def test_numbers_behind_the_names_of_tunings_in_rows_are_runs():
    head = ["Run", *GAMES]
    rows = [[f"{tuning} {run}", *(str(FPS[game, tuning, run]) for game in GAMES)]
            for tuning in TUNINGS for run in (1, 2, 3)]  # fmt: skip
    assert values_of(drafted([["Average FPS"], head, *rows])) == TRUTH
    steps = [["stock", *rows[0][1:]], ["uv 1", *rows[1][1:]], ["uv 2", *rows[2][1:]]]
    assert drafted([["Average FPS"], head, *steps]).names("tuning") == ["stock", "uv 1", "uv 2"]


def _sides(factor=lambda game: 1.0):
    """Return rows of the first run of each tuning, beside one another."""
    return [[game, *(f"{FPS[game, tuning, 1] * factor(game):.1f}" for tuning in TUNINGS)] for game in GAMES]


def test_numbers_relative_to_one_of_the_tunings_are_no_frame_rates():
    relative = _sides(lambda game: 100 / FPS[game, "factory", 1])
    head = ["Game", *TUNINGS]
    for above in ([], [["FPS, factory = 100"]]):
        with pytest.raises(TableError, match="no table of results"):
            drafted([*above, head, *relative])
    beside = drafted([["Average FPS"], head, *_sides(), [], ["Relative"], head, *relative])
    assert values_of(beside) == {key: value for key, value in TRUTH.items() if key[2] == 1}


def test_a_second_table_with_the_same_names_and_another_title_is_another_table():
    head = ["Game", *TUNINGS]
    rows = [["Average FPS"], head, *_sides(), [], ["Last year"], head, *_sides(lambda game: 0.8)]
    assert asked(drafted(rows)) == {"which_table"}


@pytest.mark.parametrize(
    ("heading", "metric"),
    [("Average frame rate", "avg_fps"), ("FPS moyens", "avg_fps"), ("Mean frames per second", "avg_fps"),
     ("Średnie FPS", "avg_fps"), ("GPU voltage (V)", "core_mv")],
)  # fmt: skip
def test_words_of_the_trade_in_headings_are_stated(heading, metric):
    assert meaning_of(heading) == (metric, "stated")


def test_rows_of_spread_are_no_runs():
    rows = []
    for game in GAMES:
        rows += [row for row in _long()[1:] if row[0] == game and row[1] == "factory"]
        rows.append(["", "", "StdDev", "0.8"])
    draft = drafted([["Game", "Tuning", "Run", "Avg FPS"], *rows])
    assert len(draft.rows) == 12


def test_means_of_each_tuning_below_a_long_table_are_no_game():
    means = {tuning: [value for (_, one, _), value in FPS.items() if one == tuning] for tuning in TUNINGS}
    rows = [["All", tuning, "", f"{sum(own) / len(own):.1f}"] for tuning, own in means.items()]
    assert values_of(drafted([*_long(), *rows])) == TRUTH


def test_a_column_of_percentages_beside_tunings_is_no_tuning():
    rows = [[*cells, f"{100 * float(cells[2]) / float(cells[1]):.1f}"] for cells in _sides()]
    draft = drafted([["Average FPS"], ["Game", *TUNINGS, "quiet in %"], *rows])
    assert draft.names("tuning") == list(TUNINGS)
    limits = drafted([["Average FPS"], ["Game", "PL 100%", "PL 80%"], *_sides()])
    assert limits.names("tuning") == ["PL 100%", "PL 80%"]


@pytest.mark.parametrize("above", [[], [["Index, factory = 100"]]])
def test_a_table_that_repeats_heading_and_names_holds_no_further_rounds(above):
    head = ["Game", *TUNINGS]
    rows = [["Average FPS"], head, *_sides(), [], *above, head, *_sides(lambda game: 0.8)]
    assert asked(drafted(rows)) == {"which_table"}


@pytest.mark.parametrize("words", [("1440p", "4K"), ("dx11", "vk")])
def test_a_column_whose_words_each_game_has_alike_is_a_setting(words):
    rows = [[game, word, *(f"{FPS[game, tuning, 1] * (2 - place):.1f}" for tuning in TUNINGS)]
            for game in GAMES for place, word in enumerate(words)]  # fmt: skip
    draft = drafted([["Average FPS"], ["Game", "Res", *TUNINGS], *rows])
    assert {row.value("setting") for row in draft.rows} == set(words)
    assert {row.value("round") for row in draft.rows} == {"1"}
    assert draft.n_open == 0


def test_numbers_behind_games_that_could_be_runs_are_asked():
    rows = [["Game", "Tuning", "Avg FPS"],
            *([f"{game} {run}", tuning, str(value)] for (game, tuning, run), value in FPS.items())]  # fmt: skip
    draft = drafted(rows)
    assert "numbers_of_games" in asked(draft)
    assert all(row.is_asked("game") for row in draft.rows)
    assert values_of(drafted(rows, numbers_of_games="no")) == TRUTH
    kept = drafted(rows, numbers_of_games="yes")
    assert (len(kept.names("game")), kept.n_open) == (12, 0)


def test_a_row_of_zeros_is_no_mean():
    zeros = [[*cells, "0"] for cells in _sides()]
    draft = drafted([["Average FPS"], ["Game", *TUNINGS, "change"], *zeros, ["Velvet Comet", "80.1", "79.2", "0"]])
    assert "Velvet Comet" in draft.names("game")


def _under(head):
    return [head, *([game, tuning, str(run), str(value)] for (game, tuning, run), value in FPS.items())]


@pytest.mark.parametrize(
    "head",
    [
        ["Jeu", "Réglage", "Passe", "IPS moyennes"],
        ["Juego", "Perfil", "Vuelta", "FPS medios"],
        ["Spiel", "Zustand", "Messung", "Ø Bilder/s"],
        ["Gra", "Ustawienie", "Próba", "Średnie FPS"],
        ["משחק", "מצב", "ריצה", "FPS ממוצע"],
    ],
)
def test_headings_of_several_languages_are_read(head):
    assert values_of(drafted(_under(head))) == TRUTH


def test_a_column_that_counts_within_each_name_holds_the_runs():
    head, *rows = _under(["Game", "Tuning", "Xyz", "Avg FPS"])
    assert values_of(drafted([head, *reversed(rows)])) == TRUTH
    rows[0][2] = "7"
    assert 'column "Xyz"' in drafted([head, *rows]).head[1]


def test_a_corner_that_names_a_metric_stands_for_all_numbers():
    head = ["", "factory", "", "", "quiet", "", ""]
    corner = ["Average FPS", "1", "2", "3", "1", "2", "3"]
    rows = [[game, *(str(FPS[game, tuning, run]) for tuning in TUNINGS for run in (1, 2, 3))] for game in GAMES]
    assert values_of(drafted([head, corner, *rows])) == TRUTH


def test_rows_of_half_known_tunings_are_no_games_where_one_is_the_state_of_sale():
    rows = [[f"{name} {run}", *(str(FPS[game, tuning, run]) for game in GAMES)]
            for name, tuning in (("factory", "factory"), ("hushed", "quiet")) for run in (1, 2, 3)]  # fmt: skip
    draft = drafted([["Average FPS", *GAMES], *rows])
    assert draft.names("tuning") == ["factory", "hushed"]
    assert "roles" not in asked(draft)


def test_a_repeated_heading_above_other_tunings_parts_nothing():
    head, *rows = _under(["Game", "Tuning", "Run", "Avg FPS"])
    rows = [row for tuning in TUNINGS for row in [head, *(row for row in rows if row[1] == tuning)]]
    assert values_of(drafted(rows)) == TRUTH
    other = [[*row[:3], str(float(row[3]) + 1)] if row is not head else row for row in rows]
    assert asked(drafted([*rows, *other])) == {"which_table"}


def test_sheets_or_blocks_of_one_kind_are_proposed_to_be_tunings():
    head, names = ["Game", "Run", "Avg FPS"], {"factory": "factory", "hushed": "quiet"}
    own = {name: [head, *([game, str(run), str(FPS[game, tuning, run])] for game in GAMES for run in (1, 2, 3))]
           for name, tuning in names.items()}  # fmt: skip
    sheets = [grid(rows, name) for name, rows in own.items()]
    blocks = [grid([row for name, rows in own.items() for row in ([name], *rows, [""])])]
    for grids in (sheets, blocks):
        draft = draft_from_grids(grids, "x.xlsx", {})
        assert draft.first[0].text.endswith('Is each a tuning: "factory", "hushed"?')
        assert all(row.is_asked("tuning") for row in draft.rows)
        draft = draft_from_grids(grids, "x.xlsx", {"sheets_are": "tunings"})
        assert draft.n_open == 0
        found = {(game, names[name], run): one for (game, name, run), one in values_of(draft).items()}
        assert found == TRUTH
        assert draft_from_grids(grids, "x.xlsx", {"sheets_are": "tables"}).rows == ()


def test_titled_tables_of_the_same_names_are_never_one():
    table = _under(["Game", "Tuning", "Run", "Avg FPS"])
    draft = drafted([["1440p ultra"], *table, [""], ["4K ultra"], *table, [""], ["old driver"], *table])
    assert next(one for one in draft.first if one.key == "which_table").text.startswith(
        "larkmoor.xlsx holds 3 tables"
    )


def test_a_low_above_its_average_is_left_open_with_it():
    rows = [["Game", "Tuning", "Run", "1% low FPS", "Average FPS"],
            *([*map(str, key), "71.5" if key == ("Salt Orchard", "quiet", 2) else "41", str(value)]
              for key, value in FPS.items())]  # fmt: skip
    rows[-2][3:] = reversed(rows[-2][3:])
    draft = drafted(rows)
    open_rows = [row for row in draft.rows if row.is_asked("avg_fps") or row.is_asked("low_1pct_fps")]
    assert [(row.value("game"), row.value("round")) for row in open_rows] == [("Salt Orchard", "2")]
    assert all(open_rows[0].is_asked(one) for one in ("avg_fps", "low_1pct_fps"))
    assert "is above what it is a low of" in draft.notes[0]
