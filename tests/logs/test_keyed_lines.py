"""Lines of keys and values, and of objects: the same numbers as in a table with a heading, or one clear message."""

import json
import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_logs import clock, frame_log, frame_times, sensor_signal, table
from mutations import mutated

from gpubench_kit.logs.format import RunTask
from gpubench_kit.logs.log_bytes import LogBytes
from gpubench_kit.logs.plain_rows import layout_of_pairs, with_keys_as_heading
from gpubench_kit.logs.read_frames import FormatMemory, read_frame_log
from gpubench_kit.logs.read_samples import read_sensor_log
from gpubench_kit.logs.run_log import read_run
from gpubench_kit.logs.text_table import open_table, read_columns, table_of
from gpubench_kit.metrics.inspect_log import inspect_log
from gpubench_kit.model.errors import LogError

FRAME_MS = frame_times(900)
SECONDS = [f"{one:.6f}" for one in np.cumsum(FRAME_MS) / 1000]
COLUMNS = {"t": SECONDS, "f": [f"{one}" for one in FRAME_MS]}


def _pairs(columns, between=", ", mark="="):
    """Return columns as lines of pairs."""
    rows = zip(*columns.values(), strict=True)
    return "".join(
        between.join(f"{key}{mark}{cell}" for key, cell in zip(columns, row, strict=True)) + "\n" for row in rows
    )


def _objects(columns):
    """Return columns of numbers as lines of objects."""
    return _pairs({f'"{key}"': cells for key, cells in columns.items()}, ", ", ": ").replace("\n", "}\n{")[:-1]


def _inspect(tmp_path, text):
    """Return what the command ``inspect`` tells of this text."""
    path = tmp_path / "run.txt"
    path.write_text(text, encoding="utf-8", newline="")
    return inspect_log(path)


PLAIN_DECIMALS = {key: [cell.replace(".", ",") for cell in cells] for key, cells in COLUMNS.items()}
WRITTEN = {
    "commas and blanks": _pairs(COLUMNS),
    "commas": _pairs(COLUMNS, ","),
    "semicolons": _pairs(COLUMNS, ";"),
    "semicolons and decimal commas": _pairs(PLAIN_DECIMALS, "; "),
    "tabs": _pairs(COLUMNS, "\t", ": "),
    "upright lines": _pairs(COLUMNS, " | ", " = "),
    "blanks": _pairs(COLUMNS, " "),
    "blanks and decimal commas": _pairs(PLAIN_DECIMALS, " "),
    "blanks beside the mark too": _pairs(COLUMNS, "  ", ": "),
    "a separator at the end": _pairs(COLUMNS, ";").replace("\n", ";\n"),
    "a sign for the number": _pairs({**COLUMNS, "#": range(900)}),
    "quoted keys": _pairs({'"t"': COLUMNS["t"], '"f"': COLUMNS["f"]}, ", ", ": "),
    "other line ends": _pairs(COLUMNS).replace("\n", "\r\n"),
    "words above": "# made up\ngame: Quarry\n\n" + _pairs(COLUMNS),
    "units in the cells": _pairs({"t": [f"{t} s" for t in SECONDS], "f": [f"{f} ms" for f in FRAME_MS]}),
    "objects": "{" + _objects(COLUMNS),
    "objects in a list": "[\n" + ("{" + _objects(COLUMNS)).replace("}\n", "},\n") + "]\n",
}


@pytest.mark.parametrize("text", WRITTEN.values(), ids=WRITTEN.keys())
def test_keys_in_each_line_are_the_heading_of_a_table(tmp_path, text):
    told, plain = _inspect(tmp_path, text), _inspect(tmp_path, table(COLUMNS))
    assert "keys in each line" in told["dialect"]
    assert (told["n_frames"], told["metrics"]) == (900, plain["metrics"])
    assert [told["columns"][one]["column"] for one in ("frame_time", "elapsed_time")] == ["f", "t"]


STAMPS = clock(np.cumsum(FRAME_MS) / 1000)
IN_WORDS = {
    "a stamp before keys": [f"{c} frame_ms={f:.3f}" for c, f in zip(STAMPS, FRAME_MS, strict=True)],
    "a stamp in brackets and numbers of frames": [
        f"[{c[11:]}] Frame {k}: {f:.3f} ms" for k, (c, f) in enumerate(zip(STAMPS, FRAME_MS, strict=True))
    ],
    "a level before keys": [
        f"{c[11:]} INFO frame={k} frame_ms={f:.3f}" for k, (c, f) in enumerate(zip(STAMPS, FRAME_MS, strict=True))
    ],
    "texts in quotes": [
        f'at="{c}" place="old pier" frame_us={1000 * f:.0f}' for c, f in zip(STAMPS, FRAME_MS, strict=True)
    ],
    "a sentence": [f"[{t:>12}] frame took {f:.3f} ms" for t, f in zip(SECONDS, FRAME_MS, strict=True)],
    "units alone": [f"{t}s {f:.3f}ms {1000 / f:.1f}fps" for t, f in zip(SECONDS, FRAME_MS, strict=True)],
    "keys with blanks behind their marks": [
        f"{c[11:]} frame: {f:.3f} card: 1.5" for c, f in zip(STAMPS, FRAME_MS, strict=True)
    ],
    "a day and a program in front": [
        f"Nov 02 {c[11:]} box bench[22]: frame {k} {f:.3f} ms"
        for k, (c, f) in enumerate(zip(STAMPS, FRAME_MS, strict=True))
    ],
    "an arrow, with words above": [
        "capture of the old pier",
        *(f"{c[11:]} -> {f:.3f} ms" for c, f in zip(STAMPS, FRAME_MS, strict=True)),
    ],
}


def _frames(tmp_path, lines):
    """Return number of frames, average frame rate and certainty of a frame log."""
    path = tmp_path / "run.txt"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    log = read_frame_log(path)
    return log.frames.frame_ms.size, 1000 / log.frames.frame_ms.mean(), log.certainty.word


FPS = pytest.approx(1000 / FRAME_MS.mean(), rel=1e-3)


@pytest.mark.parametrize("lines", IN_WORDS.values(), ids=IN_WORDS.keys())
def test_numbers_among_words_that_are_the_same_in_each_line_are_columns(tmp_path, lines):
    assert _frames(tmp_path, lines) == (900, FPS, "proven")


def test_lines_of_numbers_with_a_unit_behind_row_numbers_are_only_likely(tmp_path):
    assert _frames(tmp_path, [f"{k:05d} {f:.3f}ms" for k, f in enumerate(FRAME_MS)]) == (900, FPS, "likely")


def test_words_of_something_else_than_frames_prove_nothing(tmp_path):
    lines = [f"[{c[11:]}] physics {k}: {f:.3f} ms" for k, (c, f) in enumerate(zip(STAMPS, FRAME_MS, strict=True))]
    assert _frames(tmp_path, lines)[2] == "likely"


def test_a_line_of_other_words_among_them_is_refused_with_its_number(tmp_path):
    lines = [f"Frame {k} took {f:.3f} ms" for k, f in enumerate(FRAME_MS)]
    with pytest.raises(LogError, match="line 701"):
        _inspect(tmp_path, "\n".join([*lines[:700], f"{lines[700]} SLOW", *lines[701:]]) + "\n")


def test_lone_pair_in_a_line_is_a_column(tmp_path):
    told = _inspect(tmp_path, _pairs({"frame_ms": FRAME_MS}))
    assert told["metrics"]["avg_fps"] == pytest.approx(1000 / FRAME_MS.mean())


@pytest.mark.parametrize(("between", "mark"), [(", ", "="), (" | ", ": "), ("\t", "=")])
def test_samples_with_a_clock_and_keys_are_those_of_the_table(tmp_path, between, mark):
    times, load, watts = sensor_signal(60.0)
    columns = {"stamp": clock(times), "load_pct": load, "board_w": watts.round(1)}
    path = tmp_path / "sensors.txt"
    path.write_text(_pairs(columns, between, mark))
    log = read_sensor_log(path)
    assert log.time_s == pytest.approx(times, abs=1e-9)
    assert (log.clock_kind, log.values["board_w"].tolist()) == ("dated", watts.round(1).tolist())


def test_keys_may_hold_blanks_and_units(tmp_path):
    times, _, watts = sensor_signal(60.0)
    heat = 90 + times.round()
    path = tmp_path / "sensors.txt"
    path.write_text(_pairs({"t [s]": times, "board [W]": watts.round(1), "die heat [°F]": heat}, "; "), "utf-8")
    log = read_sensor_log(path)
    assert log.values["board_w"].tolist() == watts.round(1).tolist()
    assert log.values["core_c"] == pytest.approx((heat - 32) * 5 / 9)


NUMBERS = st.from_regex(r"-?(0|[1-9][0-9]{0,8})(\.[0-9]{1,9})?", fullmatch=True)
KEYS = st.lists(st.from_regex(r"[a-z_][a-z_0-9]{0,9}", fullmatch=True), min_size=1, max_size=5, unique=True)


def _values(text):
    """Return heading and columns of numbers of this text."""
    log = table_of(LogBytes("run", "", text.encode(), "", ()))
    read = read_columns(log, range(log.dialect.n_columns))
    return log.dialect.names, [values.tolist() for values in read.numbers.values()]


@given(KEYS, st.data(), st.sampled_from([", ", ";", "\t", "|", " "]), st.sampled_from(["=", ": ", " = "]))
def test_every_number_is_that_of_the_text(keys, data, between, mark):
    rows = data.draw(st.lists(st.tuples(*[NUMBERS for _ in keys]), min_size=3, max_size=12))
    columns = dict(zip(keys, zip(*rows, strict=True), strict=True))
    expected = [[float(cell) for cell in cells] for cells in columns.values()]
    assert _values(_pairs(columns, between, mark)) == (tuple(keys), expected)
    assert _values("{" + _objects(columns)) == (tuple(keys), expected)


@given(st.lists(st.lists(NUMBERS, min_size=1, max_size=5).map(",".join), min_size=1, max_size=20))
def test_rows_of_numbers_are_never_taken_for_pairs(rows):
    assert with_keys_as_heading(("a,b\n" + "\n".join(rows) + "\n").encode(), "run") is None


@pytest.mark.parametrize(
    "line",
    [
        "",
        "16.7",
        "0.5,16.7",
        "2026-11-02T21:00:00.000,16.7",
        "21:00:00.000;16.7",
        "0:16.7",
        "t=0.5,16.7",
        "t=0.5,t=0.6",
        "1=0.5,2=16.7",
        "game=Quarry, tuning=stock",
        "card=B2, build=7a",
        "t=0,5,f=16,7",
        "=0.5",
        f"{'k' * 81}=0.5",
    ],
)
def test_line_that_is_no_list_of_pairs_has_no_layout(line):
    assert layout_of_pairs(line) is None


def test_tables_with_marks_in_their_cells_stay_tables():
    starts = np.arange(400) / 60
    texts = [
        frame_log(FRAME_MS),
        table({"c": clock(starts), "w": ["a=b"] * 400, "f": FRAME_MS[:400]}),
        "game: Quarry\ntuning=stock\n" * 3 + table({"c": clock(starts, form="%H:%M:%S.%f"), "f": FRAME_MS[:400]}),
    ]
    assert [with_keys_as_heading(text.encode(), "run") for text in texts] == [None, None, None]


@pytest.mark.parametrize(
    "line",
    ["f=16.7, t=9.9", "t=9.9, f=16.7, g=1", "t=9.9", "t=9.9, t=9.9", '{"t": 9.9, "f": 16.7, "g": 1}'],
)
def test_line_with_other_keys_is_refused_with_its_number(tmp_path, line):
    lines = ("{" + _objects(COLUMNS) if line.startswith("{") else _pairs(COLUMNS)).splitlines()
    lines[700] = line
    with pytest.raises(LogError, match=r"line 701: .* has not the keys of the other lines \('t', 'f'\)"):
        _inspect(tmp_path, "\n".join(lines) + "\n")


@pytest.mark.parametrize("line", ["t=9.9, 16.7", "t=9.9, f=fast", "what is this, here"])
def test_line_without_the_numbers_is_refused_with_its_number(tmp_path, line):
    lines = _pairs(COLUMNS).splitlines()
    lines[700] = line
    with pytest.raises(LogError, match="line 701"):
        _inspect(tmp_path, "\n".join(lines) + "\n")


@pytest.mark.parametrize("value", ["[1, 2]", '{"a": 1}', "[" * 100_000])
def test_value_that_is_no_number_or_text_is_refused(tmp_path, value):
    lines = ("{" + _objects(COLUMNS)).splitlines()
    lines[700] = f'{{"t": 9.9, "f": {value}}}'
    with pytest.raises(LogError, match="line 701"):
        _inspect(tmp_path, "\n".join(lines) + "\n")


def test_another_unit_in_a_cell_is_refused_with_the_number_of_its_line(tmp_path):
    cells = [f"{f} ms" for f in FRAME_MS]
    cells[700] = "0.0167 s"
    with pytest.raises(LogError, match=r"line 701: column 2 holds '0\.0167 s'"):
        _inspect(tmp_path, _pairs({"t": SECONDS, "f": cells}))


def test_missing_values_and_keys_and_a_summary_are_what_they_are_elsewhere(tmp_path):
    rows = [{"t": float(t), "f": float(f)} for t, f in zip(SECONDS, FRAME_MS, strict=True)]
    rows[400]["f"] = None
    del rows[500]["f"]
    told = _inspect(tmp_path, "".join(json.dumps(row) + "\n" for row in rows) + '{"average": 60.1}\n')
    assert told["n_frames"] == 900
    assert {one["check"] for one in told["findings"]} >= {"summary_lines", "cells_denied"}


def test_texts_of_objects_are_cells_of_one_line():
    rows = [{"n": k, "w": 'a "b"\tc\n', "yes": True, "f": 16.5} for k in range(20)]
    log = table_of(LogBytes("run", "", "".join(json.dumps(row) + "\n" for row in rows).encode(), "", ()))
    assert log.sample[3] == ["3", 'a "b" c', "true", "16.5"]


def test_log_that_is_too_large_is_refused():
    content = _pairs(COLUMNS).encode() * 800
    with pytest.raises(LogError, match=r"run: the file has \d\d MB and keys in each line, .* at most 12 MB"):
        with_keys_as_heading(content, "run")


def test_damaged_logs_with_keys_are_read_or_refused():
    rng, seeds = np.random.default_rng(11), [_pairs(COLUMNS).encode(), ("{" + _objects(COLUMNS)).encode()]
    n_read, n_files = 0, 200
    for number in range(n_files):
        content = mutated(seeds[number % 2], seeds[1 - number % 2], rng).decode("utf-8", "replace")
        numbers = {float(one) for one in re.findall(r"-?\d+(?:\.\d*)?", content)}
        try:
            _, columns = _values(content)
        except LogError:
            continue
        n_read += 1
        assert {one for values in columns for one in values if np.isfinite(one)} <= numbers
    assert 0.1 * n_files < n_read < 0.9 * n_files


def test_log_with_keys_is_not_remembered_for_a_table_with_the_same_heading(tmp_path):
    memory = FormatMemory()
    for number, text in enumerate((_pairs(COLUMNS, ","), table(COLUMNS), _pairs(COLUMNS, ","))):
        path = tmp_path / f"{number}.txt"
        path.write_text(text)
        run = read_run(RunTask("r", path, path.name), memory=memory)
        assert run.frames.frame_ms == pytest.approx(FRAME_MS, abs=0)
        assert ("keys in each line" in run.facts.frame_dialect) is (number != 1)


DOCUMENT = [{"time_s": round(0.016 * k + 0.001 * (k % 3), 3), "frame_ms": 16.0 + (k % 3)} for k in range(400)]
AS_LISTS = [list(row.values()) for row in DOCUMENT]
BY_NAME = {name: [row[name] for row in DOCUMENT] for name in DOCUMENT[0]}
DOCUMENTS = {
    "objects": json.dumps(DOCUMENT),
    "objects over several lines": json.dumps(DOCUMENT, indent=2),
    "lists below a heading": json.dumps([list(DOCUMENT[0]), *AS_LISTS], indent=1) + "\n",
    "lists by name": json.dumps(BY_NAME),
    "a member of an object": json.dumps(
        {"game": "Salt Orchard", "about": {"n": 400}, "frames": DOCUMENT}, indent=1
    ),
    "columns beside what tells of the run": json.dumps({"game": "Salt Orchard", "n": 400, **BY_NAME}),
    "lists by name in a member": json.dumps({"game": "Salt Orchard", "frames": BY_NAME}),
}


NESTED = [{"t": float(t), "ms": {"frame": float(f), "card": 1.5}} for t, f in zip(SECONDS, FRAME_MS, strict=True)]


@pytest.mark.parametrize(
    "text",
    [json.dumps(NESTED), "\n".join(map(json.dumps, NESTED)), json.dumps({"about": {"n": 900}, "rows": NESTED})],
)
def test_members_of_members_are_columns_of_both_keys(tmp_path, text):
    path = tmp_path / "run.json"
    path.write_text(f"{text}\n", encoding="utf-8")
    table = open_table(path)
    assert table.dialect.names == ("t", "ms frame", "ms card")
    assert np.array_equal(read_columns(table, [1]).numbers[1], FRAME_MS)


def test_a_lone_list_of_numbers_is_a_column(tmp_path):
    path = tmp_path / "run.json"
    path.write_text(json.dumps({"unit": "ms", "frame_ms": FRAME_MS.tolist()}), encoding="utf-8")
    assert np.array_equal(read_columns(open_table(path), [0]).numbers[0], FRAME_MS)


@pytest.mark.parametrize("text", DOCUMENTS.values(), ids=DOCUMENTS.keys())
def test_a_log_that_is_one_json_document_is_read(tmp_path, text):
    path = tmp_path / "run.json"
    path.write_text(text, encoding="utf-8")
    table = open_table(path)
    assert table.dialect.names == ("time_s", "frame_ms")
    read = read_columns(table, [0, 1])
    assert np.array_equal(read.numbers[0], BY_NAME["time_s"])
    assert np.array_equal(read.numbers[1], BY_NAME["frame_ms"])


@pytest.mark.parametrize(
    "text",
    [json.dumps(DOCUMENT)[:-20], "[[1, 2], [3]]\n", json.dumps({"a": DOCUMENT, "b": DOCUMENT}), "[" * 100_000],
)
def test_a_json_document_that_holds_no_one_table_is_refused(tmp_path, text):
    path = tmp_path / "run.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(LogError):
        open_table(path)
