"""Numbers of a table that are calculated from its others: rows of sums and means, columns relative to one."""

from __future__ import annotations

import statistics
from collections import defaultdict
from collections.abc import Iterable, Sequence

from gpubench_kit.sheet.headings import number_in

#: Rows that a row of sums or means is below, and equal numbers of what others are relative to, at least.
_LEAST = 3


def sums_up(rows: Sequence[Sequence[str]], counting: Sequence[bool]) -> bool:
    """Return whether each number of the last row is one kind of sum of those above it, in two columns or more.

    Parameters
    ----------
    rows : cells by row
    counting : for each column, whether its numbers only count

    Notes
    -----
    One number alone may be a mean by chance, but not where names or numbers of runs are missing beside it.
    """
    if len(rows) <= _LEAST:
        return False
    read = [[number_in(cell) if cell else None for cell in cells] for cells in rows]
    columns = [column for column, counts in zip(zip(*read, strict=True), counting, strict=True)
               if column[-1] is not None and not counts]  # fmt: skip
    values = [[float(one.text) for one in column if one] for column in columns]
    filled = [sum(map(bool, cells)) for cells in rows]
    is_bare = filled[-1] < min(filled[:-1])
    if len(values) < 2 - is_bare or any(len(own) <= _LEAST or len(set(own[:-1])) < 2 for own in values):
        return False
    step = [0.51 * 10.0 ** -len(column[-1].text.partition(".")[2]) for column in columns if column[-1]]
    kinds = (
        statistics.fmean,
        sum,
        statistics.median,
        lambda one: statistics.geometric_mean(map(abs, one)) if all(one) else float("nan"),
    )
    return any(
        all(abs(kind(own[:-1]) - own[-1]) <= slack + 1e-9 for own, slack in zip(values, step, strict=True))
        for kind in kinds
    )


def relative_numbers(numbers: Iterable[tuple[str, str, float]]) -> set[str]:
    """Return the headings of numbers of which one tuning has 100, or 1, in every game, to which the others are set.

    Parameters
    ----------
    numbers : heading, tuning and value of each
    """
    values: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for heading, tuning, value in numbers:
        values[heading][tuning].append(value)
    return {
        heading
        for heading, by_tuning in values.items()
        if len({value for own in by_tuning.values() for value in own}) > 1
        and any(len(own) >= _LEAST and set(own) in ({100.0}, {1.0}) for own in by_tuning.values())
    }
