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


def test_a_metric_above_a_repeated_heading_begins_another_table():
    rows = [["Avg FPS"], ["Game", *RUNS], *_of("factory"), ["1% low"], ["Game", *RUNS], *_of("quiet")]
    assert asked(drafted(rows)) == {"which_table"}


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
