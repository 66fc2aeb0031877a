"""What a file is that is no log, from its first bytes: it is called by its kind, never damaged."""

from __future__ import annotations

from collections.abc import Collection

#: Where it stands, first bytes, what it is.
_KINDS = (
    (0, b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (0, b"Rar!\x1a\x07", "a rar archive"),
    (0, b"\x1f\x8b", "a gz file packed several times over"),
    (0, b"\xfd7zXZ\x00", "an xz archive packed several times over"),
    (0, b"BZh", "a bz2 file packed several times over"),
    (0, b"\x28\xb5\x2f\xfd", "a Zstandard file packed several times over"),
    (0, b"PK\x03\x04", "a zip archive packed several times over"),
    (0, b"PAR1", "a Parquet table packed several times over"),
    (0, b"PARE", "an encrypted Parquet table"),
    (0, b"\x04\x22\x4d\x18", "an lz4 file"),
    (0, b"\x1f\x9d", "a compress (.Z) file"),
    (0, b"LZIP\x01", "an lzip file"),
    (0, b"\x5d\x00\x00", "an lzma file"),
    (0, b"MSCF", "a cabinet archive"),
    (257, b"ustar", "a tar archive"),
    (0, b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an old office document, such as an .xls workbook"),
    (0, b"%PDF-", "a PDF document"),
    (0, b"{\\rtf", "an RTF document"),
    (0, b"\x89PNG", "a picture"),
    (0, b"\xff\xd8\xff", "a picture"),
    (0, b"GIF8", "a picture"),
    (0, b"RIFF", "a picture, sound or film"),
    (4, b"ftyp", "a film"),
    (0, b"\x1a\x45\xdf\xa3", "a film"),
    (0, b"OggS", "a sound or film"),
    (0, b"SQLite format 3\x00", "an SQLite database"),
    (0, b"ARROW1", "an Arrow or Feather table"),
    (0, b"\x89HDF", "an HDF5 file"),
    (0, b"\x93NUMPY", "a numpy array"),
    (0, b"\x7fELF", "a program"),
    (0, b"MZ\x90\x00", "a program"),
)

#: A file that only archives of one kind hold, and what they are.
_ARCHIVES = (
    ("xl/workbook.bin", "a binary .xlsb workbook"),
    ("word/document.xml", "a text document"),
    ("ppt/presentation.xml", "a presentation"),
    ("content.xml", "an OpenDocument file, such as an .ods workbook"),
)


def kind_of(content: bytes) -> str:
    """Return what a file is that is no text; empty where its first bytes tell nothing.

    Parameters
    ----------
    content : bytes of the file, unpacked
    """
    return next((kind for at, magic, kind in _KINDS if content[at : at + len(magic)] == magic), "")


def kind_of_archive(names: Collection[str]) -> str:
    """Return what an archive is that holds neither one log nor a workbook of a kind that is read.

    Parameters
    ----------
    names : names of the files in it
    """
    return next((kind for name, kind in _ARCHIVES if name in names), "")
