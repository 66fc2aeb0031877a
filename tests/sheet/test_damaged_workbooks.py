"""A damaged workbook is read as a run sheet or a table of results, or refused in one message."""

import io
import zipfile

import numpy as np
import openpyxl
import pytest
from made_bombs import zipped
from mutations import damaged_container

from gpubench_kit.model.errors import GpubenchError
from gpubench_kit.sheet.text import read_cells, read_grids


def _workbook(*, has_formulas=False):
    """Return a small run sheet as a workbook, with two decimals shown."""
    book, out = openpyxl.Workbook(), io.BytesIO()
    book.active.title = "runs"
    book.active.append(["run", "tuning", "game", "avg_fps"])
    for number in range(20):
        book.active.append([f"r{number}", "factory", "Salt Orchard", 100 + number / 7])
        book.active.cell(number + 2, 4).number_format = "0.00"
    if has_formulas:
        book.active["E2"] = "=D2*2"
    book.save(out)
    return out.getvalue()


def _with_damaged_part(content, rng):
    """Return a workbook of which one part has a few other signs, in an archive that is whole."""
    with zipfile.ZipFile(io.BytesIO(content)) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}
    name = list(parts)[int(rng.integers(len(parts)))]
    part = bytearray(parts[name])
    for place in rng.integers(0, len(part), int(rng.integers(1, 6))):
        part[place] = b'0123456789<>"/ =-eE'[int(rng.integers(19))]
    return zipped({**parts, name: bytes(part)})


def _count_read(folder, n_files, seed):
    """Read damaged workbooks in both ways; return how many were read."""
    rng, kinds = np.random.default_rng(seed), [_workbook(), _workbook(has_formulas=True)]
    path, n_read, refused = folder / "runs.xlsx", 0, []
    for number in range(n_files):
        damage = damaged_container if rng.random() < 0.3 else _with_damaged_part
        path.write_bytes(damage(kinds[number % 2], rng))
        for read in (lambda file: read_cells(file, frozenset({"run"})), read_grids):
            try:
                read(path)
                n_read += 1
            except GpubenchError as error:
                refused.append(error)
    assert all(len(str(fault)) < 1500 for error in refused for fault in error.faults)
    return n_read


def test_damaged_workbooks_are_read_or_refused(tmp_path):
    assert 0 < _count_read(tmp_path, 150, seed=1) < 300


@pytest.mark.long
@pytest.mark.parametrize("seed", range(2, 12))
def test_ten_thousand_damaged_workbooks_are_read_or_refused(tmp_path, seed):
    assert 0 < _count_read(tmp_path, 1000, seed=seed) < 2000
