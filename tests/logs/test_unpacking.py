"""Containers are read within limits: small files never fill the memory, and each is called by its kind."""

import bz2
import gzip
import io
import json
import lzma
import subprocess
import sys
import zipfile

import numpy as np
import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import zstandard
from made_bombs import bombs, falsified_parquet, workbook, zipped

from gpubench_kit.logs.file_kinds import unpacked_bytes
from gpubench_kit.logs.log_bytes import read_log_bytes, unpack
from gpubench_kit.model.errors import LogError, TableError
from gpubench_kit.sheet.workbook import read_sheets

TEXT = b"time_s,frame_ms\n0.0000,16.5\n0.0165,16.25\n"

#: Most memory that a process may have taken that reads any of the files [bytes].
MOST_MEMORY = 1_000_000_000

_READ_ALL = """
import json, resource, sys
from pathlib import Path
from gpubench_kit.model.errors import GpubenchError
from gpubench_kit.logs.log_bytes import read_log_bytes
from gpubench_kit.sheet.workbook import read_sheets
said = {}
for path in sorted(Path(sys.argv[1]).iterdir()):
    for read in (read_log_bytes, lambda one: read_sheets(one.read_bytes(), one.name)):
        if path.suffix != ".xlsx" and read is not read_log_bytes:
            continue
        try:
            read(path)
            said.setdefault(path.name, []).append("read")
        except GpubenchError as error:
            said.setdefault(path.name, []).append(str(error))
status = Path("/proc/self/status")
if status.exists():
    # What getrusage tells on Linux may be that of the process that started this one.
    peak = next(1024 * int(line.split()[1]) for line in status.open() if line.startswith("VmHWM"))
else:
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
print(json.dumps({"said": said, "bytes": peak}))
"""

#: Files that hold little enough for all their asking.
READ_ALL_THE_SAME = {"one list.parquet"}


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="the system does not tell how much memory was taken")
def test_no_small_file_fills_the_memory(tmp_path):
    files = bombs()
    for name, content in files.items():
        (tmp_path / name).write_bytes(content)
        assert len(content) < 128_000_000
    done = subprocess.run([sys.executable, "-P", "-c", _READ_ALL, str(tmp_path)], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["bytes"] < MOST_MEMORY
    assert set(told["said"]) == set(files)
    for name, said in told["said"].items():
        assert name in READ_ALL_THE_SAME or "read" not in said, f"{name} was read"


@pytest.mark.parametrize(
    "packed",
    [
        gzip.compress(TEXT),
        bz2.compress(TEXT),
        bz2.compress(TEXT[:20]) + bz2.compress(TEXT[20:]),
        lzma.compress(TEXT),
        lzma.compress(TEXT[:20]) + lzma.compress(TEXT[20:]),
        zstandard.compress(TEXT),
        zipped({"a.csv": TEXT}),
        zipped({"a.csv": TEXT}).replace(b"a.csv", b"\0.csv"),
        zipped({"a.csv.gz": gzip.compress(TEXT)}),
        zipped({"a.csv.xz": lzma.compress(TEXT)}),
        gzip.compress(zipped({"a.csv": TEXT})),
        gzip.compress(gzip.compress(TEXT)),
    ],
    ids=[
        "gz",
        "bz2",
        "bz2_twice",
        "xz",
        "xz_twice",
        "zst",
        "zip",
        "zip_of_a_file_without_a_name",
        "gz_in_zip",
        "xz_in_zip",
        "zip_in_gz",
        "gz_twice",
    ],
)
def test_what_is_packed_gives_the_same_text(packed):
    assert unpack(packed, "run").content == TEXT
    assert not unpack(packed, "run").findings


@pytest.mark.parametrize("pack", [gzip.compress, bz2.compress, lzma.compress], ids=["gz", "bz2", "xz"])
def test_a_cut_file_gives_what_is_there_and_says_so(pack):
    rng = np.random.default_rng(7)
    # More than one block of bz2, of which only whole ones can be unpacked.
    text = b"".join(b"%d\n" % one for one in rng.integers(0, 10**9, 150_000))
    packed = pack(text)
    found = unpack(packed[: len(packed) * 9 // 10], "run")
    assert text.startswith(found.content)
    assert len(found.content) > len(text) // 4
    assert [one.check for one in found.findings] == ["cut_file"]


def _with_password(content):
    """Return a zip archive that states that its file is locked."""
    packed = bytearray(zipped({"a.csv": content}))
    packed[6] |= 1
    packed[packed.rfind(b"PK\x01\x02") + 8] |= 1
    return bytes(packed)


OTHER_KINDS = {
    "7z archive": b"7z\xbc\xaf\x27\x1c" + bytes(40),
    "rar archive": b"Rar!\x1a\x07\x01\x00" + bytes(40),
    "lz4 file": b"\x04\x22\x4d\x18" + bytes(40),
    "tar archive": gzip.compress(bytes(257) + b"ustar\x0000" + bytes(500)),
    "old office document": b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(500),
    "binary .xlsb workbook": zipped({"[Content_Types].xml": b"", "xl/workbook.bin": b"x"}),
    "OpenDocument file": zipped({"mimetype": b"x", "content.xml": b"<a/>"}),
    "PDF document": b"%PDF-1.7\n" + TEXT,
    "zip archive with a password": _with_password(TEXT),
    "zip archive packed by a method other": zipped({"a.csv": TEXT}, method=zipfile.ZIP_LZMA),
    "gz file packed several times over": gzip.compress(gzip.compress(gzip.compress(gzip.compress(TEXT)))),
}


@pytest.mark.parametrize("kind", OTHER_KINDS)
def test_what_is_not_read_is_called_by_its_kind(tmp_path, kind):
    path = tmp_path / "run.csv"
    path.write_bytes(OTHER_KINDS[kind])
    with pytest.raises(LogError, match=rf"run\.csv: this is an? {kind}") as raised:
        read_log_bytes(path)
    assert "damaged" not in str(raised.value)
    assert "record" not in str(raised.value)


def test_a_falsified_directory_of_a_parquet_table_does_not_hide_its_size():
    content = falsified_parquet()
    file = pq.ParquetFile(io.BytesIO(content))
    assert file.metadata.num_rows == 10
    assert file.metadata.row_group(0).total_byte_size == 80
    assert unpacked_bytes(content) == pytest.approx(240_000_000, rel=0.01)


@pytest.mark.parametrize("compression", ["none", "snappy", "zstd", "gzip"])
@pytest.mark.parametrize("version", ["1.0", "2.0"])
def test_page_headers_of_sound_parquet_tables_are_understood(compression, version):
    rng = np.random.default_rng(3)
    frame = pa.table({"t": rng.normal(size=50_000), "n": pa.array([None, "a", "b"] * 16_666 + [None, "c"])})
    packed = io.BytesIO()
    pq.write_table(frame, packed, compression=compression, data_page_version=version, row_group_size=20_000)
    content = packed.getvalue()
    file = pq.ParquetFile(io.BytesIO(content))
    groups = [file.metadata.row_group(number) for number in range(file.metadata.num_row_groups)]
    stated = sum(group.column(number).total_uncompressed_size for group in groups for number in range(2))
    # What the directory states counts the headers too: a few dozen bytes each.
    assert 0.98 * stated < unpacked_bytes(content) <= stated


def test_a_damaged_parquet_directory_does_not_end_the_process():
    packed = io.BytesIO()
    pq.write_table(pa.table({"t": ["a", "b"]}), packed)
    # The column is now said to hold whole numbers, of which the library's own object for a column makes an abort.
    damaged = packed.getvalue().replace(b"\x15\x0c\x25", b"\x15\x04\x25")
    assert damaged != packed.getvalue()
    with pytest.raises(LogError, match="cannot be read as a Parquet table"):
        unpack(damaged, "run")


def test_parquet_cells_come_back_as_they_were(tmp_path):
    frame = pd.DataFrame(
        {
            "t": [0.1, 0.25, float("nan")],
            "n": pd.array([1, None, 3], dtype="Int64"),
            "of": ["a\tb", None, "c"],
            "at": pd.to_datetime(["2026-03-04 05:06:07.25", None, "2026-03-04 05:06:08"], format="ISO8601"),
            "on": [True, False, True],
        }
    )
    frame.to_parquet(tmp_path / "run.parquet")
    text = read_log_bytes(tmp_path / "run.parquet").text.decode()
    assert text.splitlines() == [
        "t\tn\tof\tat\ton",
        "0.1\t1\ta b\t2026-03-04 05:06:07.250000\tTrue",
        "0.25\t\t\t\tFalse",
        "\t3\tc\t2026-03-04 05:06:08\tTrue",
    ]


def test_the_sheet_with_rows_of_numbers_is_read_and_the_others_are_named(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["made at the bench"])
    log = book.create_sheet("frames")
    for row in (["t", "f", "note"], [0.0, 16.5, "first"], [0.0165, 16.25], [0.03275, 17, None], [None, None]):
        log.append(row)
    book.save(tmp_path / "run.xlsx")
    read = read_log_bytes(tmp_path / "run.xlsx")
    assert read.text == b"t\tf\tnote\n0\t16.5\tfirst\n0.0165\t16.25\t\n0.03275\t17\t\n"
    assert "only 'frames'" in read.findings[0].message


@pytest.mark.parametrize(
    ("line", "times", "found"),
    [(b"1\n", 8_000_001, "8,000,001 lines"), (b"1,2,3,4,5,6,7,8\n", 2_500_001, "20,000,008 cells")],
    ids=["lines", "cells"],
)
def test_a_text_of_far_more_than_a_log_is_refused(tmp_path, line, times, found):
    (tmp_path / "run.csv").write_bytes(line * times)
    with pytest.raises(LogError, match=rf"run\.csv: .*{found}.*; at most 8,000,000 lines and 20,000,000 cells"):
        read_log_bytes(tmp_path / "run.csv")


def test_a_formatted_cell_far_away_costs_nothing():
    rows = '<row r="1"><c r="A1"><v>1</v></c></row><row r="90000"><c r="C90000" s="0"/></row>'
    found = read_sheets(workbook(rows), "runs.xlsx")[0].rows
    assert found == [(1, ["1"])]


def test_a_workbook_that_spans_too_much_says_what_to_do():
    rows = '<row r="1048576"><c r="A1048576"><v>1</v></c></row>'
    with pytest.raises(TableError, match=r"400,000 cells.*Delete empty rows and columns far from the table"):
        read_sheets(workbook(rows), "runs.xlsx")
