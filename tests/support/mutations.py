"""Damage done to logs on purpose: cut, doubled, spliced, bits flipped, written in another encoding."""

from __future__ import annotations

import bz2
import gzip
import io
import lzma
import struct
import zipfile
from collections.abc import Callable

import numpy as np
import openpyxl
import pyarrow as pa
import pyarrow.parquet as pq
import zstandard


def mutated(content: bytes, other: bytes, rng: np.random.Generator) -> bytes:
    """Return a log with one to three kinds of damage.

    Parameters
    ----------
    content : the log
    other : another log, of which pieces may be spliced in
    rng : source of what happens where
    """
    for _ in range(int(rng.integers(1, 4))):
        damage = _DAMAGES[int(rng.integers(len(_DAMAGES)))]
        content = damage(content, other, rng)
    return content


def _place(content: bytes, rng: np.random.Generator) -> int:
    """Return a place in a text."""
    return int(rng.integers(0, len(content) + 1))


def _stretch(content: bytes, rng: np.random.Generator) -> tuple[int, int]:
    """Return start and end of a stretch of a text."""
    first, second = sorted((_place(content, rng), _place(content, rng)))
    return first, second


def _lines(content: bytes) -> list[bytes]:
    """Return the lines of a text with their ends."""
    return content.splitlines(keepends=True) or [b""]


def _cut_end(content, other, rng):
    return content[: _place(content, rng)]


def _cut_start(content, other, rng):
    return content[_place(content, rng) :]


def _cut_out(content, other, rng):
    first, second = _stretch(content, rng)
    return content[:first] + content[second:]


def _double(content, other, rng):
    first, second = _stretch(content, rng)
    return content[:second] + content[first:]


def _double_line(content, other, rng):
    lines = _lines(content)
    place = int(rng.integers(len(lines)))
    return b"".join([*lines[: place + 1], *lines[place:]])


def _splice(content, other, rng):
    first, second = _stretch(other, rng)
    place = _place(content, rng)
    return content[:place] + other[first:second] + content[place:]


def _swap_lines(content, other, rng):
    lines = _lines(content)
    first, second = (int(place) for place in rng.integers(0, len(lines), 2))
    lines[first], lines[second] = lines[second], lines[first]
    return b"".join(lines)


def _flip_bits(content, other, rng):
    changed = bytearray(content)
    for place in rng.integers(0, max(1, len(changed)), int(rng.integers(1, 12))) if changed else ():
        changed[place] ^= 1 << int(rng.integers(8))
    return bytes(changed)


def _replace_character(content, other, rng):
    signs = (
        b'"',
        b",",
        b";",
        b"\t",
        b"\0",
        b"\n",
        b"\r",
        b"-",
        b"e9",
        b" ",
        b"#",
        b"\xff",
        b"=1+1",
        b"nan",
        b"inf",
    )
    sign, place = signs[int(rng.integers(len(signs)))], _place(content, rng)
    return content[:place] + sign + content[place + 1 :]


def _encode(content, other, rng):
    encodings = ("utf-16", "utf-16-le", "utf-16-be", "utf-8-sig", "utf-32", "cp037")
    return content.decode("latin-1").encode(encodings[int(rng.integers(len(encodings)))], "replace")


def _other_marks(content, other, rng):
    pairs = (
        (b",", b";"),
        (b".", b","),
        (b",", b"\t"),
        (b",", b"  "),
        (b"\n", b"\r\n"),
        (b"\n", b",\n"),
        (b",", b",,"),
    )
    return content.replace(*pairs[int(rng.integers(len(pairs)))])


def _zeros(content, other, rng):
    place = _place(content, rng)
    return content[:place] + b"\0" * int(rng.integers(1, 600)) + content[place:]


def _compress(content, other, rng):
    packed = gzip.compress(content, compresslevel=1, mtime=0)
    return packed[: _place(packed, rng)] if rng.random() < 0.5 else packed


def packed(content: bytes, kind: str) -> bytes:
    """Return a log in a container.

    Parameters
    ----------
    content : the log; for a workbook or a Parquet table, its cells are split at commas
    kind : one of `CONTAINERS`
    """
    return CONTAINERS[kind](content)


def damaged_container(content: bytes, rng: np.random.Generator) -> bytes:
    """Return a packed log with one to three kinds of damage done to its bytes.

    Parameters
    ----------
    content : the container
    rng : source of what happens where
    """
    for _ in range(int(rng.integers(1, 4))):
        damage = _DAMAGES_OF_BYTES[int(rng.integers(len(_DAMAGES_OF_BYTES)))]
        content = damage(content, content, rng)
    return content


def _as_zip(content):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("run.csv", content)
    return out.getvalue()


def _cells(content):
    return [line.split(",") for line in content.decode("utf-8", "replace").splitlines()]


def _as_workbook(content):
    book, out = openpyxl.Workbook(), io.BytesIO()
    for row in _cells(content):
        book.active.append([float(cell) if cell.replace(".", "", 1).isdecimal() else cell for cell in row])
    book.save(out)
    return out.getvalue()


def _as_parquet(content):
    heading, *rows = _cells(content)
    names = [f"{number} {name}" for number, name in enumerate(heading)]
    rows = [row for row in rows if len(row) == len(names)]
    columns = dict(zip(names, map(list, zip(*rows, strict=True)), strict=False))
    out = io.BytesIO()
    pq.write_table(pa.table(columns), out)
    return out.getvalue()


CONTAINERS: dict[str, Callable[[bytes], bytes]] = {
    "gz": gzip.compress,
    "bz2": bz2.compress,
    "xz": lzma.compress,
    "zst": zstandard.compress,
    "zip": _as_zip,
    "gz in zip": lambda content: _as_zip(gzip.compress(content)),
    "xlsx": _as_workbook,
    "parquet": _as_parquet,
}


def _other_number(content, other, rng):
    """Put another number in the place of four bytes: sizes, places and counts stand in such."""
    numbers = (0, 1, 255, 65_535, 2**31 - 1, 2**32 - 1, int(rng.integers(2**32)))
    place = _place(content, rng)
    return content[:place] + struct.pack("<I", numbers[int(rng.integers(len(numbers)))]) + content[place + 4 :]


def _prose(content, other, rng):
    lines = b"".join(
        b"Run %d, harbour lap; notes: %d, %d\n" % (k, k * k, k + 7) for k in range(int(rng.integers(1, 80)))
    )
    return lines + content if rng.random() < 0.5 else content + lines


_DAMAGES: tuple[Callable[[bytes, bytes, np.random.Generator], bytes], ...] = (
    _cut_end, _cut_start, _cut_out, _double, _double_line, _splice, _swap_lines, _flip_bits, _flip_bits,
    _replace_character, _replace_character, _encode, _other_marks, _zeros, _compress, _prose,
)  # fmt: skip
_DAMAGES_OF_BYTES: tuple[Callable[[bytes, bytes, np.random.Generator], bytes], ...] = (
    _cut_end, _cut_out, _double, _splice, _flip_bits, _flip_bits, _flip_bits, _other_number, _other_number, _zeros,
)  # fmt: skip
