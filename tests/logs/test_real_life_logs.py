"""Logs as they come from a desk: summaries, rulers, sheets, minutes, midnight; read rightly or refused in words."""

import gzip
import io
import zipfile

import numpy as np
import pandas as pd
import pytest
from made_logs import clock, frame_times, table

from gpubench_kit.logs.read_frames import read_frame_log
from gpubench_kit.logs.read_samples import read_sensor_log
from gpubench_kit.metrics.inspect_log import inspect_log
from gpubench_kit.model.errors import LogError

FRAME_MS = frame_times(300)
ENDS_S = np.cumsum(FRAME_MS) / 1000
COLUMNS = {"n": range(300), "t": [f"{one:.6f}" for one in ENDS_S], "f": FRAME_MS}
TEXT = table(COLUMNS)


def _inspect(tmp_path, content, name="run.csv"):
    """Return what the command ``inspect`` tells of a file with this content."""
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return inspect_log(path)


def _checks(told):
    """Return which findings a log gave."""
    return [finding["check"] for finding in told["findings"]]


def _scaled(factor, decimals):
    """Return the log with elapsed time in another unit."""
    return table(COLUMNS | {"t": [f"{one * factor:.{decimals}f}" for one in ENDS_S]})


def _zipped(names):
    """Return an archive with the log and other files."""
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as archive:
        for name in names:
            archive.writestr(name, TEXT if name == "run.csv" else "x")
    return packed.getvalue()


def _grouped(separator, mark, decimal):
    """Return the log in microseconds, with thousands marks."""
    cells = zip(ENDS_S, FRAME_MS, strict=True)
    rows = [f"{t * 1e6:,.0f}|{f * 1e3:,.0f}" for t, f in cells]
    rows = [row.replace(",", mark) for row in rows]
    quoted = [[f'"{cell}"' for cell in row.split("|")] for row in rows]
    return separator.join(("t us", "f us")) + "\n" + "".join(f"{separator.join(row)}\n" for row in quoted)


READ = {
    "summary below": (TEXT + "\nAverage,60.1,16.6\n1% low,41\nTotal frames: 300\n", ["summary_lines"]),
    "summary that has as many cells as a row": (TEXT + "avg,16.61,16.61\n", ["summary_lines"]),
    "markdown ruler": (TEXT.replace(",", " | ").replace("f\n", "f\n--- | --- | ---\n", 1), []),
    "heading again": (TEXT + TEXT.split("\n", 1)[0] + "\n", ["repeated_heading"]),
    "elapsed in minutes": (_scaled(1 / 60, 8), []),
    "elapsed in hours": (_scaled(1 / 3600, 10), []),
    "thousands marks of commas between commas": (_grouped(",", ",", "."), []),
    "thousands marks of apostrophes": (_grouped(";", "'", "."), []),
    "UTF-16 without a mark": (TEXT.encode("utf-16-le"), []),
    "zip with what an operating system adds": (_zipped(["run.csv", "__MACOSX/._run.csv", ".DS_Store"]), []),
    "units in a row": (TEXT.replace("f\n", "f\n-,s,ms\n", 1), []),
    "a whole evening of prose above": ("".join(f"note {k}, and more\n" for k in range(900)) + TEXT, []),
    "NUL bytes at the end": (TEXT.encode() + bytes(4096), ["nul_bytes"]),
}


@pytest.mark.parametrize(("content", "checks"), READ.values(), ids=READ.keys())
def test_log_is_read_to_the_frames_that_were_recorded(tmp_path, content, checks):
    told = _inspect(tmp_path, content)
    assert told["n_frames"] == 300
    assert told["metrics"]["avg_fps"] == pytest.approx(1000 / FRAME_MS.mean(), rel=1e-9)
    assert _checks(told) == checks


def test_clock_with_thousandths_tells_the_column_of_frame_times(tmp_path):
    stamps = [one.split("T")[1] for one in clock(ENDS_S, "2026-11-02T23:59:58")]
    told = _inspect(tmp_path, table({"clock": stamps, "f": FRAME_MS, "depth": 3 + FRAME_MS % 2}))
    assert told["columns"]["frame_time"]["column"] == "f"
    assert "wall clock" in told["columns"]["frame_time"]["why"]
    # Another column without a unit stands beside it, which the length of the run alone does not rule out.
    assert _checks(told) == ["format_likely"]


def test_gzip_file_cut_in_the_middle_gives_whole_rows_and_says_so(tmp_path):
    packed = gzip.compress(TEXT.encode())
    told = _inspect(tmp_path, packed[: len(packed) // 2], "run.csv.gz")
    assert 100 < told["n_frames"] < 200
    assert _checks(told)[0] == "cut_file"


def test_workbook_is_read_from_its_first_sheet_with_rows_of_numbers(tmp_path):
    path = tmp_path / "run.xlsx"
    with pd.ExcelWriter(path) as book:
        pd.DataFrame({"to do": ["lap", "lap again"]}).to_excel(book, sheet_name="notes", index=False)
        pd.DataFrame(COLUMNS | {"t": ENDS_S.round(6)}).to_excel(book, sheet_name="lap", index=False, startrow=3)
        book.sheets["lap"]["A1"] = "Larkmoor 4, harbour lap"
        book.sheets["lap"].freeze_panes = "A5"
    told = inspect_log(path)
    assert told["n_frames"] == 300
    assert "only 'lap', the first with rows of numbers, was read" in told["findings"][0]["message"]


def test_columns_of_one_heading_are_told_apart_by_their_number(tmp_path):
    told = _inspect(tmp_path, TEXT.replace("n,t,f", "f,t,f", 1))
    assert told["columns"]["frame_time"]["column"] == "3 (f)"


REFUSED = {
    "times or rates": ("fps\n" + "".join(f"{1000 / one:.2f}\n" for one in FRAME_MS), "a frame or a sample"),
    "negative frame time": (TEXT.replace(f",{FRAME_MS[100]}\n", f",-{FRAME_MS[100]}\n"), "below zero"),
    "only a heading": ("n,t,f\n", "no rows with numbers"),
    "one frame": ("n,t,f\n1,0.016,16.1\n", "no rows with numbers"),
    "two rows of rising numbers": ("a,b\n1,2\n3,4\n", "2 frames; at least 10 are expected"),
    "nine frames": ("".join(TEXT.splitlines(keepends=True)[:10]), "9 frames; at least 10"),
    "an archive of two logs": (_zipped(["run.csv", "other.csv"]), "holds 2 files"),
    "a page of a web server": ("<html>404</html>", "no whole line"),
    "a word among frame times": (TEXT.replace(f",{FRAME_MS[100]}\n", ",seven\n"), "line 102: .*'seven'"),
}  # fmt: skip


@pytest.mark.parametrize(("content", "message"), REFUSED.values(), ids=REFUSED.keys())
def test_log_that_could_mean_two_things_or_nothing_is_refused(tmp_path, content, message):
    with pytest.raises(LogError, match=message):
        _inspect(tmp_path, content)


BESIDE = ("card_ms", "fps", "frames", "board_w", "voltage [V]", "Power [W]", "elapsed_s", "frame_ms")


@pytest.mark.parametrize("empty", BESIDE)
@pytest.mark.parametrize("beside", [(), ("Power [W]",), BESIDE], ids=["alone", "a power", "all"])
def test_a_column_that_is_empty_throughout_is_as_if_it_were_not_there(tmp_path, empty, beside):
    frame_ms = frame_times(900)
    columns = {"n": range(900), "elapsed_s": (np.cumsum(frame_ms) / 1000).round(6), "frame_ms": frame_ms}
    columns |= {name: (300 + frame_ms).round(1) for name in beside if name not in columns}
    told = []
    for cells in ({empty: [""] * 900}, {}):
        path = tmp_path / "run.csv"
        path.write_text(table({name: one for name, one in columns.items() if name != empty} | cells))
        for read in (read_frame_log, read_sensor_log):
            try:
                found = read(path)
                told.append([(one.role, one.label) for one in found.choices])
            except LogError as error:
                told.append(error.faults[0].problem.partition(" (found")[0])
    assert told[:2] == told[2:]
