"""A comma between digits is a decimal mark or a separator, and where nothing tells, the log is refused."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gpubench_kit.logs.log_bytes import LogBytes
from gpubench_kit.logs.text_table import read_columns, table_of
from gpubench_kit.model.errors import LogError

#: Frame times of 8 to 13 ms, in microseconds: nine of a hundred have a zero behind the comma of milliseconds.
MICROSECONDS = [8_000 + 1_237 * k % 5_003 for k in range(60)]
ELAPSED = np.cumsum(MICROSECONDS).tolist()


def _read(lines):
    """Return the columns of a log with these lines as lists of numbers, and the names of its columns."""
    text = "".join(f"{line}\n" for line in lines).encode()
    table = table_of(LogBytes(name="run.txt", sha256="0" * 64, encoding="utf-8", text=text, findings=()))
    columns = read_columns(table, range(table.dialect.n_columns)).numbers
    return [columns[place].tolist() for place in columns], table.dialect.names


def _with_comma(thousandths, places=3):
    """Return whole numbers of thousandths as decimal numbers with a comma."""
    return [f"{value / 1000:.{places}f}".replace(".", ",") for value in thousandths]


def _numbers(cells):
    """Return the numbers that cells with a decimal comma hold."""
    return [float(cell.replace(",", ".")) for cell in cells]


ONE_COLUMN = {
    "three digits": (["frame time"], _with_comma(MICROSECONDS)),
    "one digit": (["frame_ms"], _with_comma(MICROSECONDS, 1)),
    "zeros at the end left out": (
        ["frame_ms"],
        [cell.rstrip("0").rstrip(",") for cell in _with_comma(MICROSECONDS)],
    ),
    "elapsed": (["time ms"], _with_comma(ELAPSED)),
    "elapsed in seconds": (["time s"], _with_comma([value / 1000 for value in ELAPSED], 5)),
    "unit below": (["frame", "s"], _with_comma([value / 1000 for value in MICROSECONDS], 6)),
    "unit behind a comma": (["frame time, ms"], _with_comma(MICROSECONDS, 1)),
    "no zero before it": (["frame s"], [f",{value:06d}" for value in MICROSECONDS]),
    "exponent": (["frame s"], [f"{value / 1e6:.4e}".replace(".", ",") for value in MICROSECONDS]),
    "to five digits": (["frame time"], [f"{value / 1000:#.5g}".replace(".", ",") for value in MICROSECONDS]),
    "no heading": ([], _with_comma(MICROSECONDS)),
    "no heading, zeros left out": ([], [cell.rstrip("0").rstrip(",") for cell in _with_comma(MICROSECONDS)]),
    "no heading, one digit that wraps": ([], [f"{k // 10},{k % 10}" for k in range(3, 60)]),
}


@pytest.mark.parametrize(("heading", "cells"), ONE_COLUMN.values(), ids=ONE_COLUMN.keys())
def test_column_with_decimal_comma_is_one_column(heading, cells):
    columns, names = _read([*heading, *cells])
    assert columns == [_numbers(cells)]
    assert names == (heading[0] if heading else "",)


TWO_COLUMNS = {
    "numbers of frames": ([], range(1, 61), [16 + k % 2 for k in range(60)]),
    "numbers of frames behind": ([], [16 + k % 2 for k in range(60)], range(101, 161)),
    "elapsed and frame times": (
        [],
        np.cumsum([7 + k % 3 for k in range(60)]).tolist(),
        [7 + k % 3 for k in range(60)],
    ),
    "zeros at the end": ([], [16 + k % 3 for k in range(60)], [95 + k % 9 for k in range(60)]),
    "no zero in sixty rows": ([], [16 + k % 3 for k in range(60)], [250 + k % 9 for k in range(60)]),
    "flags": ([], [16 + k % 3 for k in range(60)], [int(k % 7 == 0) for k in range(60)]),
    "two names": (["frame_ms,load"], [16 + k % 2 for k in range(60)], [50 + k % 4 for k in range(60)]),
    "two names, the last a unit": (["time,w"], [500 * k for k in range(9)], [250 + k for k in range(9)]),
    "words above": (["Log of the third day"], [16 + k % 3 for k in range(60)], [95 + k % 9 for k in range(60)]),
}


@pytest.mark.parametrize(("heading", "first", "second"), TWO_COLUMNS.values(), ids=TWO_COLUMNS.keys())
def test_two_columns_of_whole_numbers_stay_two(heading, first, second):
    columns, _ = _read([*heading, *(f"{one},{two}" for one, two in zip(first, second, strict=True))])
    assert columns == [list(first), list(second)]


def test_column_with_leading_zeros_stays_one_where_the_heading_names_it():
    rows = [f"{16 + k % 3},{93_000 + k:06d}" for k in range(60)]
    columns, names = _read(["frame_ms,time", *rows])
    assert columns == [[16 + k % 3 for k in range(60)], [93_000 + k for k in range(60)]]
    assert names == ("frame_ms", "time")


IN_DOUBT = {
    "one digit": [f"{16 + k % 3},{(3 * k + 1) % 10}" for k in range(60)],
    "hardly varies": [f"16,{660 + k % 9}" for k in range(60)],
    "clock behind": [f"{16 + k},{93_000 + k:06d}" for k in range(0, 120, 2)],
}


@pytest.mark.parametrize("rows", IN_DOUBT.values(), ids=IN_DOUBT.keys())
@pytest.mark.parametrize("above", [[], ["# a comment"]], ids=["nothing above", "a comment above"])
def test_rows_that_can_be_one_column_or_two_are_refused_with_the_way_out(above, rows):
    with pytest.raises(LogError, match=r"run.txt, line \d: a comma between digits can be .* Write a heading"):
        _read([*above, *rows])
    assert len(_read(["frame_ms", *rows])[0]) == 1
    assert len(_read(["frame_ms,other", *rows])[0]) == 2


def test_heading_of_one_name_above_rows_of_two_columns_is_refused():
    with pytest.raises(LogError, match="the heading 'frame time' names one column, and the rows look like two"):
        _read(["frame time", *(f"{k},{16 + k % 2}" for k in range(1, 61))])


def test_summary_below_does_not_hide_the_decimal_comma():
    cells = _with_comma(MICROSECONDS)
    assert _read(["frame time", *cells, "average, 10", "best, 8"])[0] == [_numbers(cells)]


@pytest.mark.parametrize("mark", [".", ","])
@pytest.mark.parametrize("heading", [[], ["ms"], ['"ms"'], ['"frame time, ms"']], ids=str)
def test_quoted_cells_of_one_column_are_read(heading, mark):
    values = [value / 1000 for value in MICROSECONDS]
    columns, names = _read([*heading, *(f'"{value:.3f}"'.replace(".", mark) for value in values)])
    assert columns == [values]
    assert names == tuple(line.strip('"') for line in heading or [""])


def test_quoted_cell_that_is_no_number_is_refused_by_its_line():
    with pytest.raises(LogError, match="line 31: column 'ms' holds 'broken'"):
        _read(["ms", *['"11.247"'] * 29, '"broken"', *['"11.247"'] * 9])


def _read_or_asked(lines):
    """Return the columns of a log, or the part of the refusal that says what to do."""
    try:
        return _read(lines)[0]
    except LogError as error:
        return str(error).rpartition(", or ")[2]


ASKS = "let the recorder write decimal points or another separator."


@given(st.lists(st.integers(5_000, 40_000), min_size=2, max_size=90), st.integers(1, 3))
def test_numbers_with_decimal_comma_below_a_heading_come_back_or_are_asked_for(thousandths, places):
    cells = _with_comma(thousandths, places)
    assert _read_or_asked(["frame time", *cells]) in ([_numbers(cells)], ASKS)


@given(st.lists(st.integers(5_000, 40_000), max_size=90), st.integers(2, 3))
def test_numbers_with_zeros_behind_the_decimal_comma_come_back_without_a_heading(thousandths, places):
    cells = _with_comma([6_910, 7_048, *thousandths], places)
    assert _read(cells)[0] == [_numbers(cells)]


@given(
    st.lists(st.tuples(st.integers(1, 40_000), st.integers(0, 40_000)), min_size=12, max_size=90),
    st.sampled_from([[], ["frame,time"], ["frame_us,load"]]),
)
def test_two_columns_of_whole_numbers_come_back_and_are_asked_for_only_without_a_heading(pairs, heading):
    columns = [[one for one, _ in pairs], [two for _, two in pairs]]
    found = _read_or_asked([*heading, *(f"{one},{two}" for one, two in pairs)])
    assert found == columns or (found == ASKS and not heading)
