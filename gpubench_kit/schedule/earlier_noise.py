"""Tables that earlier reviews left: the noise of a report or of the archive, and the spread between restarts."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from gpubench_kit.model.errors import Fault, TableError
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.rules import ARCHIVE_TABLE, SPREAD_FILE
from gpubench_kit.model.tables import NOISE
from gpubench_kit.wording.numbers import count_text, number_text

#: Where `archive` and `--previous` leave the noise of earlier reviews.
ARCHIVE = Path("reports", "archive", "tables", "run_noise.csv")
PREVIOUS = "noise.csv"


@dataclass(frozen=True)
class EarlierSpread:
    """The spread between restarts of one metric.

    Attributes
    ----------
    metric : name of the metric
    sd : standard deviation, of the natural log on the ratio scale
    restarts : on how many it was measured
    place : table that it stands in
    """

    metric: str
    sd: float
    restarts: int
    place: str


def noise_file_of(report: str | Path) -> Path:
    """Return the noise table of an earlier report, after checking that it can be read.

    Parameters
    ----------
    report : folder of the report or of the archive, or its ``noise.csv``

    Raises
    ------
    TableError : there is no such table, or it lacks a column
    """
    given = Path(report)
    names = (Path("tables", ARCHIVE.name), Path("tables", PREVIOUS), Path(PREVIOUS))
    places = [given] if given.is_file() else [given / name for name in names]
    found = next((place for place in places if place.is_file()), None)
    if found is None:
        problem = f"there is no table of noise ({' or '.join(map(str, places))})."
        raise TableError(Fault(str(given), problem, "Name the folder of a report, as `report` writes it."))
    read_noise(found)
    return found


def noise_table_for(plan: ReviewPlan) -> tuple[Path | None, str]:
    """Return the table of noise that earlier reviews left for a plan, and its name; None where there is none.

    Parameters
    ----------
    plan : its folder may hold a copy of the table, which comes before the archive
    """
    places = ((plan.folder / PREVIOUS, PREVIOUS), (Path.cwd() / ARCHIVE, ARCHIVE.as_posix()))
    return next((one for one in places if one[0].is_file()), (None, ""))


def read_noise(path: Path) -> pd.DataFrame:
    """Return the columns of a noise table that a planner needs: names, ``n``, ``sd`` and, of the archive, ``df``.

    Parameters
    ----------
    path : ``noise.csv`` of a report, or ``run_noise.csv`` of the archive

    Raises
    ------
    TableError : it cannot be read, or lacks a column, or numbers are none
    """
    texts = [name for name in NOISE.key if name not in ("card", "bench", "tuning")]
    try:
        frame = pd.read_csv(path, dtype=dict.fromkeys(texts, str), keep_default_na=False, encoding="utf-8-sig")
    except (OSError, ValueError, pd.errors.ParserError) as error:
        reason = str(error).splitlines()[0]
        raise TableError(Fault(str(path), f"it cannot be read as a table ({reason}).", "Copy it again.")) from error
    missing = [name for name in (*texts, "n", "sd") if name not in frame]
    if missing:
        problem = f"it lacks the column {', '.join(map(repr, missing))}, so it is no table of noise."
        raise TableError(Fault(str(path), problem, "Name tables/noise.csv of a report."))
    for name in texts:
        frame[name] = frame[name].str.removeprefix("'")
    if "scope" in frame:
        frame = frame[frame["scope"] == "all"].copy()
    for name in ("n", "sd", *(["df"] if "df" in frame else [])):
        frame[name] = pd.to_numeric(frame[name], errors="coerce")
    return frame[(frame["n"] > 1) & (frame["sd"] >= 0) & np.isfinite(frame["sd"])]


def archive_spreads(plan: ReviewPlan) -> dict[str, EarlierSpread]:
    """Return the spread between restarts of each metric of the plan, as the archive measured it.

    Parameters
    ----------
    plan : names metrics; its folder may hold a copy of the table

    Returns
    -------
    dict by metric; empty where there is no archive, or it knows of no restart

    Raises
    ------
    TableError : the table cannot be read
    """
    places = ((plan.folder / SPREAD_FILE, SPREAD_FILE), (Path.cwd() / ARCHIVE_TABLE, ARCHIVE_TABLE.as_posix()))
    path, name = next((one for one in places if one[0].is_file()), (None, ""))
    rows = () if path is None else _spread_rows(path, name).itertuples()
    share = {metric: 100.0 if METRICS[metric].scale == "ratio" else 1.0 for metric in plan.analysis.metrics}
    return {
        row.metric: EarlierSpread(row.metric, row.spread / share[row.metric], int(row.restarts), name)
        for row in rows
        if row.metric in share
    }


def spreads_text(spreads: Iterable[EarlierSpread]) -> str:
    """Return where the spread between restarts comes from, in a sentence; nothing for none."""
    known = list(spreads)
    if not known:
        return ""
    text = ", ".join(f"{METRICS[one.metric].label} {_in_unit(one)}" for one in known)
    restarts = min(one.restarts for one in known)
    measured = f"measured over {count_text(restarts, 'restart')}"
    return f"The spread between restarts is taken from the archive ({known[0].place}), {measured}: {text}."


def _in_unit(spread: EarlierSpread) -> str:
    """Return a spread with its unit."""
    metric = METRICS[spread.metric]
    if metric.scale == "ratio":
        return f"{number_text(100 * spread.sd, decimals=2)} %"
    return f"{number_text(spread.sd, decimals=2)} {metric.unit}"


def _spread_rows(path: Path, name: str) -> pd.DataFrame:
    """Return the rows over all benches of the archive's table of spreads."""
    try:
        frame = pd.read_csv(path, keep_default_na=False, encoding="utf-8-sig", dtype=str)
        rows = frame[frame["scope"] == "all"]
        numbers = {column: pd.to_numeric(rows[column]) for column in ("spread", "restarts")}
    except (OSError, ValueError, KeyError, pd.errors.ParserError) as error:
        reason = str(error).splitlines()[0]
        problem = f"it cannot be read as the archive's table of restarts ({reason})."
        raise TableError(Fault(name, problem, "Make it again with `gpubench-kit archive`.")) from error
    return rows.assign(**numbers)[np.isfinite(numbers["spread"])]
