"""Every dialect is read to the same numbers, and nothing is ever read as another value."""

import gzip
import hashlib
import io
import itertools
import zipfile

import numpy as np
import pandas as pd
import pytest
import zstandard

from gpubench_kit.logs.text_table import open_table, read_columns
from gpubench_kit.model.errors import LogError

TIMES = [round(0.0167 * k, 4) for k in range(1, 61)]
FRAMES = [16.7 + 0.125 * (k % 5) for k in range(60)]


def _log(separator=",", decimal=".", heading="elapsed_s,frame_ms,note", end="\n"):
    """Return a log of 60 rows: time, frame time, and a word."""
    rows = [f"{time}{separator}{frame}{separator}x" for time, frame in zip(TIMES, FRAMES, strict=True)]
    text = end.join([heading.replace(",", separator), *(row.replace(".", decimal) for row in rows)])
    return text + end


def _read(tmp_path, content, columns=(0, 1)):
    """Return the columns and findings of a log with this content."""
    path = tmp_path / "run.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    table = open_table(path)
    columns = read_columns(table, columns)
    return columns.numbers, [finding.check for finding in (*table.findings, *columns.findings)]


def _assert_is_the_log(numbers):
    """Check that both number columns have exactly the values written."""
    assert numbers[0].tolist() == TIMES
    assert numbers[1].tolist() == FRAMES


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1", "cp1252", "utf-32"]
)
def test_encoding_is_found(tmp_path, encoding):
    numbers, findings = _read(tmp_path, _log(heading="elapsed_s,frame_ms,Größe").encode(encoding))
    _assert_is_the_log(numbers)
    assert findings == []


@pytest.mark.parametrize(
    ("separator", "decimal"), [(",", "."), *itertools.product((";", "\t", "|", "    "), ".,")], ids=repr
)
def test_separator_and_decimal_mark_are_found(tmp_path, separator, decimal):
    numbers, _ = _read(tmp_path, _log(separator, decimal))
    _assert_is_the_log(numbers)


WRAPPED = {
    "carriage returns": _log(end="\r\n"),
    "old line ends": _log(end="\r"),
    "preamble": "Made by a bench, 2026\nscene;harbour lap\n\n" + _log(),
    "long preamble": "".join(f"line {k} of notes, at length\n" for k in range(4000)) + _log(),
    "comments above": "# card\n# driver 1,2\n" + _log(),
    "units below the heading": _log().replace("note\n", "note\ns,ms,\n", 1),
    "no heading": _log().split("\n", 1)[1],
    "blank lines": _log().replace("\n", "\n\n"),
    "trailing separators": _log().replace("\n", ",\n"),
    "trailing separators below the heading": _log().replace("x\n", "x,\n"),
    "repeated heading": _log() + "",
    "quotes": _log().replace("x\n", '"a, b"\n'),
    "all quoted": "\n".join('"' + line.replace(",", '","') + '"' for line in _log().splitlines()) + "\n",
    "quoted decimal commas": "\n".join(
        '"' + line.replace(",", '","').replace(".", ",") + '"' for line in _log().splitlines()
    )
    + "\n",
    "commented heading": "# " + _log(),
}


@pytest.mark.parametrize("wrapped", WRAPPED.values(), ids=WRAPPED.keys())
def test_wrapping_does_not_change_a_value(tmp_path, wrapped):
    numbers, findings = _read(tmp_path, wrapped)
    _assert_is_the_log(numbers)
    assert findings == []


def test_aligned_columns_are_read(tmp_path):
    lines = ["   elapsed      frame time"] + [f"{t:10.4f}   {f:10.3f}" for t, f in zip(TIMES, FRAMES, strict=True)]
    numbers, findings = _read(tmp_path, "\n".join(lines) + "\n")
    _assert_is_the_log(numbers)
    assert findings == []


def test_aligned_row_with_a_hole_is_refused_and_not_shifted(tmp_path):
    lines = [f"{t:10.4f}   {f:10.3f}   7" for t, f in zip(TIMES, FRAMES, strict=True)]
    lines[30] = " " * 10 + lines[30][10:]
    with pytest.raises(LogError, match=r"line 31: it has 2 cells where 3 are expected"):
        _read(tmp_path, "\n".join(lines) + "\n")


FOUND = {
    "cut_last_line": _log() + "1.01,16.",
    "repeated_heading": _log() + "elapsed_s,frame_ms,note\n",
    "comment_lines": _log() + "# end of run\n",
    "summary_lines": _log() + "\nAverage,59.9,\nFrames: 60\n",
    "nul_bytes": _log() + "\0" * 512,
    "short_rows": _log().replace(",x\n0.334", "\n0.334"),
}


@pytest.mark.parametrize(("check", "content"), FOUND.items(), ids=FOUND.keys())
def test_what_is_left_out_becomes_a_finding(tmp_path, check, content):
    numbers, findings = _read(tmp_path, content)
    _assert_is_the_log(numbers)
    assert findings == [check]


COMPRESSED = {
    "gz": gzip.compress(_log().encode()),
    "gz in two members": gzip.compress(_log().encode()[:500]) + gzip.compress(_log().encode()[500:]),
    "zst": zstandard.compress(_log().encode()),
}


@pytest.mark.parametrize("content", COMPRESSED.values(), ids=COMPRESSED.keys())
def test_compressed_logs_are_unpacked(tmp_path, content):
    _assert_is_the_log(_read(tmp_path, content)[0])


def _zipped(*names):
    """Return a zip archive with the log under each name."""
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in names:
            archive.writestr(name, _log())
    return content.getvalue()


def test_zip_with_one_file_is_unpacked(tmp_path):
    _assert_is_the_log(_read(tmp_path, _zipped("log.csv"))[0])


def test_zip_with_two_files_is_refused(tmp_path):
    with pytest.raises(LogError, match="holds 2 files; one log is expected"):
        _read(tmp_path, _zipped("a.csv", "b.csv"))


def test_cut_gzip_file_gives_what_is_there(tmp_path):
    rng = np.random.default_rng(1)
    text = "t,f\n" + "".join(f"{k},{v}\n" for k, v in enumerate(rng.random(5000)))
    numbers, findings = _read(tmp_path, gzip.compress(text.encode())[:-9000])
    assert 100 < numbers[0].size < 5000
    assert findings == ["cut_file", "cut_last_line"]


@pytest.mark.parametrize("packed", [gzip.compress, zstandard.compress], ids=["gz", "zst"])
def test_bomb_is_refused_at_the_stated_limit(tmp_path, packed):
    with pytest.raises(LogError, match="unpacks to more than 128 MB"):
        _read(tmp_path, packed(b"0.1,16.7\n" * 16_000_000))


@pytest.mark.parametrize("kind", ["xlsx", "parquet"])
def test_workbook_and_parquet_are_read(tmp_path, kind):
    frame = pd.DataFrame({"elapsed_s": TIMES, "frame_ms": FRAMES, "note": "x"})
    path = tmp_path / f"run.{kind}"
    frame.to_excel(path, index=False) if kind == "xlsx" else frame.to_parquet(path)
    table = open_table(path)
    assert table.dialect.names == ("elapsed_s", "frame_ms", "note")
    _assert_is_the_log(read_columns(table, (0, 1)).numbers)


def test_parquet_table_that_unpacks_to_gigabytes_is_refused(tmp_path):
    path = tmp_path / "run.parquet"
    pd.DataFrame({"t": np.zeros(30_000_000, dtype=np.int8)}).to_parquet(path)
    assert path.stat().st_size < 1_000_000
    with pytest.raises(LogError, match="more than 128 MB"):
        open_table(path)


def test_missing_values_are_nan(tmp_path):
    numbers, findings = _read(tmp_path, _log().replace("16.825", "N/A").replace("16.95", ""))
    assert np.isnan(numbers[1]).sum() == 24
    assert findings == []


@pytest.mark.parametrize(
    ("numbers", "expected"),
    [
        (["1,234.5", "999.5"], [1234.5, 999.5]),
        (["1.234,5", "999,5"], [1234.5, 999.5]),
        (["1 234,5", "12 345,5"], [1234.5, 12345.5]),
        (["1'234.5", "0.5"], [1234.5, 0.5]),
        (["1\u202f234,5", "0,5"], [1234.5, 0.5]),
        (["1,234,567", "5"], [1234567.0, 5.0]),
    ],
    ids=["comma", "point", "blank", "apostrophe", "narrow blank", "comma without decimals"],
)
def test_thousands_marks_are_found_on_evidence(tmp_path, numbers, expected):
    content = "value;n\n" + "".join(f"{number};1\n" for number in numbers * 5)
    assert _read(tmp_path, content)[0][0].tolist() == expected * 5


def test_thousands_mark_beyond_the_look_ahead_is_found(tmp_path):
    values = [0.5 + k for k in range(2000)]
    content = "value;n\n" + "".join(f"{value:,};1\n" for value in values)
    assert _read(tmp_path, content)[0][0].tolist() == values


def test_comma_before_three_digits_is_a_decimal_mark_and_said_so(tmp_path):
    numbers, findings = _read(tmp_path, "value;n\n" + "16,667;1\n17,250;1\n" * 10)
    assert numbers[0][:2].tolist() == [16.667, 17.25]
    assert findings == ["decimal_mark_in_doubt"]


REFUSED = {
    "text in a number column": (
        _log().replace("0.334,17.2", "0.334,abc"),
        r"line 21: column 'frame_ms' holds 'abc'.*begins '0\.334,abc,x'",
    ),
    "text in the last row": (_log() + "1.01,abc,x\n", r"line 62: column 'frame_ms' holds 'abc'"),
    "infinity": (_log().replace("0.334,17.2", "0.334,inf"), r"line 21: column 'frame_ms' holds 'inf'"),
    "number beyond all bounds": (_log().replace("0.334,17.2", "0.334,1e999"), "where a number is expected"),
    "two rows in one line": (_log().replace("x\n0.334", "x0.334"), r"line 20: it has 5 cells where 3"),
    "torn row": (
        _log().replace(",x\n0.334", "\n0.334").replace("0.3173,17.075", "0.3173"),
        r"line 20: it has 1 cell",
    ),
    "NUL inside a line": (_log().replace("0.334,", "0.3\x0034,"), "line 21 holds NUL bytes"),
    "quote without end": (_log().replace("x\n0.334", '"x\n0.334'), "line 20"),
    "only words": ("no rows here\nat all\n", "no rows with numbers"),
    "only a heading": ("elapsed_s,frame_ms\n", "no rows with numbers"),
    "empty": ("", "the file is empty"),
    "one line without end": ("16.7", "no rows with numbers"),
    "damaged gzip": (b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\x03garbage", "do not unpack"),
    "damaged zip": (b"PK\x03\x04garbage", "zip directory cannot be read"),
    "damaged parquet": (b"PAR1garbagePAR1", "as a Parquet table"),
    "damaged zstd": (b"\x28\xb5\x2f\xfdgarbage", "Zstandard data do not unpack"),
    "half a character": (b"\xff\xfe0\x00.\x00\x00\xd8,\x00" * 20, "not valid UTF-16-LE"),
}


@pytest.mark.parametrize(("content", "message"), REFUSED.values(), ids=REFUSED.keys())
def test_what_cannot_be_read_is_refused_with_its_place(tmp_path, content, message):
    with pytest.raises(LogError, match=message):
        _read(tmp_path, content)


def test_missing_file_and_folder_are_refused(tmp_path):
    with pytest.raises(LogError, match=r"nowhere\.csv: the file is missing"):
        open_table(tmp_path / "nowhere.csv")
    with pytest.raises(LogError, match="no regular file"):
        open_table(tmp_path)


def test_hash_is_that_of_the_file_on_disk(tmp_path):
    path = tmp_path / "run.csv.gz"
    content = gzip.compress(_log().encode())
    path.write_bytes(content)
    assert open_table(path).sha256 == hashlib.sha256(content).hexdigest()


@pytest.mark.parametrize("rest", ["2.0,40.0,bench 7", "bench 7,40.0", "40.0,bench 7"])
def test_words_with_a_number_behind_a_stamp_do_not_make_blanks_the_separator(tmp_path, rest):
    rows = [f"2026-11-02T20:59:{k:02d}.000,{rest}" for k in range(10, 50)]
    (tmp_path / "run.csv").write_text("\n".join(["clock,a,b,c"[: 7 + 2 * rest.count(",")], *rows]) + "\n")
    assert open_table(tmp_path / "run.csv").dialect.separator == ","
