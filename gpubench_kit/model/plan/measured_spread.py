"""The spread between restarts that a plan takes from the archive of its bench."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any

from gpubench_kit.model.errors import Fault
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan.rules import ARCHIVE_WORD, LEAST_RESTARTS, RESTARTS, Analysis

#: Where `archive` leaves it, and its name beside a plan.
SPREAD_FILE = "restart_spread.csv"
ARCHIVE_TABLE = Path("reports", "archive", "tables", SPREAD_FILE)

_PLACE = "[analysis], restart_spread"
_COLUMNS = ("scope", "bench", "metric", "restarts", "spread", "widen_by", "widen_restarts")
_ACTION = (
    "Make it with `gpubench-kit archive reports`, or state one: restart_spread = { avg_fps = 0.5, restarts = 0 }"
)


def with_measured_spread(
    data: Mapping[str, Any], *, folder: Path, file: str
) -> tuple[dict[str, Any], str, list[Fault]]:
    """Return a plan's content with the spread between restarts filled in where it is taken from the archive.

    Parameters
    ----------
    data : the plan as parsed
    folder : folder of the review
    file : name of the plan, for the place of a fault

    Returns
    -------
    dict, the content; str, where the spread comes from (empty: as written); list of Fault

    Notes
    -----
    ``restart_spread.csv`` in the review folder comes first: a copy keeps a report as it is when the archive grows.
    Else that of ``reports/archive`` in the working directory. The row of the plan's latest bench counts, else that
    over all benches. The plan has one number of restarts, the least of its metrics'.
    """
    analysis = data.get("analysis")
    if not isinstance(analysis, Mapping) or analysis.get("restart_spread") != ARCHIVE_WORD:
        return dict(data), "", []
    places = ((folder / SPREAD_FILE, SPREAD_FILE), (Path.cwd() / ARCHIVE_TABLE, ARCHIVE_TABLE.as_posix()))
    path, name = next((one for one in places if one[0].is_file()), (None, ""))
    spread, problem = ({}, _nowhere()) if path is None else _spread_in(path, name, data)
    faults = [Fault(f"{file}, {_PLACE}", problem, _ACTION)] if problem else []
    return {**data, "analysis": {**analysis, "restart_spread": spread}}, name, faults


def _nowhere() -> str:
    """Return what is wrong where there is no archive."""
    return (
        f"'{ARCHIVE_WORD}' asks for what the archive measured, but there is neither {SPREAD_FILE} in the review "
        f"folder nor {ARCHIVE_TABLE.as_posix()} in the working directory."
    )


def _spread_in(path: Path, name: str, data: Mapping[str, Any]) -> tuple[dict[str, float], str]:
    """Return the spread as a plan states it, or what is wrong with the table."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as lines:
            rows = list(csv.DictReader(lines))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        return {}, f"{name} cannot be read ({str(error).splitlines()[0]})."
    missing = [column for column in _COLUMNS if not rows or column not in rows[0]]
    if missing:
        return {}, f"{name} lacks the column '{missing[0]}' or any row, so it is no table of the archive."
    wanted = _wanted(data)
    known = {row["metric"]: row for row in _by_preference(rows, _latest_bench(data)) if row["metric"] in wanted}
    if not known:
        return {}, f"{name} knows no restarts in the plan's metrics ({', '.join(wanted)})."
    return _as_stated(known.values()), ""


def _wanted(data: Mapping[str, Any]) -> list[str]:
    """Return the metrics of the plan, as far as they can be read."""
    metrics = data["analysis"].get("metrics", Analysis.model_fields["metrics"].default)
    return [one for one in metrics if one in METRICS] if isinstance(metrics, list | tuple) else []


def _latest_bench(data: Mapping[str, Any]) -> str:
    """Return the name of the last bench of the plan."""
    benches = data.get("benches")
    last = benches[-1] if isinstance(benches, list) and benches else {}
    return str(last.get("name", "")) if isinstance(last, Mapping) else ""


def _by_preference(rows: Iterable[Mapping[str, str]], bench: str) -> list[Mapping[str, str]]:
    """Return the rows over all benches, then those of the bench that can be used, which take their place."""
    rows = [row for row in rows if _number(row["spread"]) is not None]
    own = [row for row in rows if row["scope"] == "bench" and row["bench"].removeprefix("'") == bench]
    usable = [row for row in own if _number(row["widen_by"]) is not None]
    return [row for row in rows if row["scope"] == "all"] + usable


def _as_stated(rows: Iterable[Mapping[str, str]]) -> dict[str, float]:
    """Return rows of the table as a plan states a spread: by metric, with the least number of restarts."""
    spread, restarts = {}, []
    for row in rows:
        usable = _number(row["widen_by"])
        spread[row["metric"]] = _number(row["spread"]) if usable is None else usable
        restarts.append(
            _number(row["widen_restarts"]) if usable is not None else min(_few(row), LEAST_RESTARTS - 1)
        )
    return {**spread, RESTARTS: int(min(one or 1 for one in restarts))}


def _few(row: Mapping[str, str]) -> float:
    """Return the number of restarts of a row that is not known well enough to be used."""
    return _number(row["restarts"]) or 1.0


def _number(text: str) -> float | None:
    """Return a cell as a number that is not negative; None where it is none."""
    try:
        value = float(text)
    except ValueError:
        return None
    return value if math.isfinite(value) and value >= 0 else None
