"""Which separator makes rows of numbers out of lines."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from gpubench_kit.logs.cell_text import is_clock, is_missing, looks_numeric, split_line

#: In this order: one that comes earlier is kept unless a later one fits better.
_SEPARATORS = ("\t", ";", "|", ",", " ", "")


@dataclass(frozen=True)
class SeparatorFit:
    """How well a separator fits.

    Attributes
    ----------
    separator : one character; a blank for aligned columns; empty for one column
    is_numeric : for each cell of a row, whether it is a number
    score : share of cells that are understood, 0 to 1
    """

    separator: str
    is_numeric: tuple[bool, ...]
    score: float

    def holds(self, cells: list[str]) -> bool:
        """Return whether a line is a row of data: as many cells, with numbers where numbers belong."""
        if len(cells) != len(self.is_numeric):
            return False
        pairs = [cell for cell, is_numeric in zip(cells, self.is_numeric, strict=True) if is_numeric]
        return any(map(looks_numeric, pairs)) and all(looks_numeric(cell) or is_missing(cell) for cell in pairs)

    def resembles(self, cells: list[str]) -> bool:
        """Return whether a line has as many cells as a row, and a number where one belongs."""
        pairs = zip(cells, self.is_numeric, strict=False)
        return len(cells) == len(self.is_numeric) and any(
            numeric and looks_numeric(cell) for cell, numeric in pairs
        )


def cells_of(line: str, separator: str) -> list[str]:
    """Return the cells of a line as `split_line` does; a lone cell without the quotes around it."""
    is_quoted = separator == "" and '"' in line
    return split_line(line.strip(), "\t") if is_quoted else split_line(line, separator)


def best_fit(lines: list[str]) -> SeparatorFit | None:
    """Return the separator that makes most lines rows of numbers; None where no line has a number."""
    text, best = "\n".join(lines), None
    fits = (_fit(lines, separator) for separator in _SEPARATORS if separator in text)
    for fit in (fit for fit in fits if fit is not None):
        best = fit if best is None or fit.score > best.score + 0.05 else best
    return best


def _fit(lines: list[str], separator: str) -> SeparatorFit | None:
    """Return how well a separator fits; None where it leaves no numbers."""
    rows = [cells_of(line, separator) for line in lines]
    counts = Counter(map(len, rows))
    if not counts:
        return None
    n_columns = max(counts, key=lambda n: (counts[n], n))
    rows = [row for row in rows if len(row) == n_columns]
    kinds = [[_kind(cell) for cell in column] for column in zip(*rows, strict=True)]
    is_numeric = tuple(kind.count("number") > 0.6 * (len(kind) - kind.count("none")) for kind in kinds)
    if not any(is_numeric) or (separator and n_columns == 1):
        return None
    n_understood = sum(len(kind) - kind.count("text") for kind in kinds)
    return SeparatorFit(separator, is_numeric, n_understood / n_columns / len(lines))


def _kind(cell: str) -> str:
    """Return what a cell holds: ``number``, ``clock``, ``none`` or ``text``."""
    if looks_numeric(cell):
        return "number"
    if is_missing(cell):
        return "none"
    return "clock" if is_clock(cell) else "text"
