"""The noise that a plan counts with: from runs of this bench, from an earlier report, or a stated typical value."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from gpubench_kit.model.errors import DesignError, Fault, TableError
from gpubench_kit.model.metrics import METRICS, change_unit
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.rules import ARCHIVE_TABLE, SPREAD_FILE, table_left
from gpubench_kit.model.tables import NOISE
from gpubench_kit.schedule.design import PLANNED_NOISE, SOURCES, SoFar
from gpubench_kit.statistics.compare import estimate_noise
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import count_text, number_text
from gpubench_kit.wording.terms import metric_of

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
    path, name = table_left(plan.folder, SPREAD_FILE, ARCHIVE_TABLE)
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
    parts = []
    for one in known:
        metric = metric_of(one.metric)
        share, unit = (100, "%") if metric.scale == "ratio" else (1, metric.unit)
        parts.append(f"{metric.label} {number_text(share * one.sd, decimals=2)} {unit}")
    restarts = count_text(min(one.restarts for one in known), "restart")
    return say("schedule.noise.spread", place=known[0].place, restarts=restarts, spreads=", ".join(parts))


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


#: Games differ in noise as if each typical value rested on so few degrees of freedom.
TYPICAL_DF = 4.0

_CELL = ["game", "setting", "metric"]
_PURPOSES = {"pilot": "pilot", "measured": "measure"}


@dataclass(frozen=True)
class PlannedNoise:
    """The noise of every game and metric of the plan.

    Attributes
    ----------
    table : see ``schedule.design.PLANNED_NOISE``
    pilot : the same of the cells that pilot runs or earlier reviews know: rounds measured for verdicts are not in
        it, so that the number of rounds that follows from it stays as it is while they are recorded
    source : where it comes from, in sentences
    """

    table: pd.DataFrame
    pilot: pd.DataFrame
    source: str


def planning_noise(plan: ReviewPlan, so_far: SoFar) -> PlannedNoise:
    """Return the noise that the plan counts with.

    Parameters
    ----------
    plan : names games and metrics; ``session_plan.noise_from`` says where the noise comes from
    so_far : what there is of the review

    Returns
    -------
    PlannedNoise

    Raises
    ------
    DesignError : ``noise_from`` names a source in which no game of the plan has two runs of one tuning
    TableError : the table of an earlier report cannot be read

    Notes
    -----
    Variances of all tunings of a game are pooled; their means are not looked at. Games that the source
    lacks get the typical value. The spread between restarts is taken from the archive alone; it counts where
    restarts are the units. Without ``noise_from`` each game takes the best there is: pilots and
    measured runs, else an earlier report, else the typical value.
    """
    wanted = plan.session_plan.noise_from
    file, place = (None, "") if wanted in ("pilot", "typical") else table_left(plan.folder, PREVIOUS, ARCHIVE)
    archive = {} if file is None else _pooled({"archive": read_noise(file)})
    # Pilot and measured runs, as far as there are any, those at a cap left out.
    usable = so_far.usable[(so_far.usable["withheld_for"] == "") & (wanted not in ("archive", "typical"))]
    of = {source: usable[usable["purpose"] == purpose] for source, purpose in _PURPOSES.items()}
    runs = {name: estimate_noise(rows, plan, purpose=_PURPOSES[name]) for name, rows in of.items() if len(rows)}
    found = archive | _pooled(runs)
    before = archive | _pooled({source: table for source, table in runs.items() if source == "pilot"})
    known = [key for key in _cells(plan) if key in found]
    if wanted in ("pilot", "archive") and not known:
        raise DesignError(_nothing_found(wanted, place))
    rows = [_row(key, group, found.get(key)) for key, group in _cells(plan).items()]
    table = pd.DataFrame(rows)
    spreads = {} if wanted in ("pilot", "typical") else archive_spreads(plan)
    # Runs measured in several sessions of this review differ by their restarts already.
    apart = np.where(table["source"] == "measured", 0.0, 1.0)
    between = [spreads[one].sd if one in spreads else 0.0 for one in table["metric"]]
    table = table.assign(restart_sd=apart * between)
    source = " ".join(filter(None, (_source_text(rows, place), spreads_text(spreads.values()))))
    pilot = pd.DataFrame([_row(key, group, before[key]) for key, group in _cells(plan).items() if key in before])
    in_pilot = PLANNED_NOISE.frame(_in_unit(pilot.assign(restart_sd=0.0)) if len(pilot) else ())
    return PlannedNoise(PLANNED_NOISE.frame(_in_unit(table)), in_pilot, source)


def _cells(plan: ReviewPlan) -> dict[tuple[str, str, str], str]:
    """Return the group of every (game, setting, metric) that the plan will measure in its rounds."""
    metrics = [name for name in plan.analysis.metrics if METRICS[name].purpose == "measure"]
    return {(*scene, metric): one.group for scene, one in plan.scenes.items() for metric in metrics}


def _pooled(tables: Mapping[str, pd.DataFrame]) -> dict:
    """Return (source, runs, variance, df) by cell, the variances of all tunings weighted by their df."""
    if not tables:
        return {}
    parts = [table.assign(source=source) for source, table in tables.items()]
    rows = pd.concat(parts, ignore_index=True)
    rows = rows[(rows["n"] > 1) & rows["sd"].notna()]
    df = rows["n"].astype(float) - 1
    # The archive's noise is that within sessions, whose means take degrees of freedom too.
    df = rows["df"].astype(float).fillna(df) if "df" in rows else df
    rows = rows.assign(df=df, squares=df * rows["sd"].astype(float) ** 2, runs=rows["n"].astype(int))
    out = {}
    for key, part in rows.groupby(_CELL, sort=False):
        # Runs measured outnumber pilots once there are some; the name follows the larger part.
        source = part.groupby("source")["df"].sum().idxmax()
        out[key] = (source, int(part["runs"].sum()), part["squares"].sum() / part["df"].sum(), part["df"].sum())
    return out


def _row(key: tuple[str, str, str], group: str, found: tuple | None) -> dict:
    """Return the row of one cell: what was found, else what is typical."""
    game, setting, metric = key
    row = {"game": game, "setting": setting, "metric": metric, "group": group}
    if found is not None:
        source, runs, variance, df = found
        return {**row, "source": source, "runs": runs, "variance": variance, "df": df}
    typical = METRICS[metric].noise_pct
    if typical is not None:
        variance = float(np.log1p(typical / 100)) ** 2
        return {**row, "source": "typical", "runs": 0, "variance": variance, "df": TYPICAL_DF}
    return {**row, "source": "none", "runs": 0, "variance": np.nan, "df": 0.0}


def _in_unit(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows with their noise in percent or in the unit."""
    ratio = np.array([METRICS[name].scale == "ratio" for name in rows["metric"]], dtype=bool)
    unit = [change_unit(METRICS[name]) for name in rows["metric"]]
    sd = np.sqrt(rows["variance"].to_numpy(float))
    return rows.assign(unit=unit, sd=sd, noise=np.where(ratio, 100 * np.expm1(np.where(ratio, sd, 0.0)), sd))


def _source_text(rows: list[dict], place: str) -> str:
    """Return where the noise comes from, in a sentence."""
    games: dict[str, set] = {}
    for row in rows:
        games.setdefault(row["source"], set()).add((row["game"], row["setting"]))
    sources = [source for source in SOURCES if source in games and source != "none"]
    if not sources:
        return say("schedule.noise.none")
    words = [say(f"schedule.noise.from.{one}", place=place) for one in sources]
    if len(words) == 1:
        return say("schedule.noise.one", source=words[0])
    return say("schedule.noise.several", sources=", ".join(words[:-1]), last=words[-1])


def _nothing_found(wanted: str, place: str) -> Fault:
    """Return the fault for a source without any game of the plan."""
    where = "plan.toml, session_plan.noise_from"
    if wanted == "pilot":
        problem = "'pilot' asks for runs of this test setup, but no tuning of any game has two recorded runs yet."
        action = "Record pilot runs (purpose 'pilot'), or set noise_from = \"typical\"."
    elif place:
        problem = f"'archive' asks for earlier reviews, but {place} holds none of the plan's games and metrics."
        action = 'Name another report with --previous, or set noise_from = "typical".'
    else:
        problem = f"'archive' asks for earlier reviews, but there is neither {PREVIOUS} in the review folder " \
                  f"nor {ARCHIVE.as_posix()}."  # fmt: skip
        action = 'Make it with `gpubench-kit archive reports`, name a report with --previous, or set ' \
                 'noise_from = "typical".'  # fmt: skip
    return Fault(where, problem, action)
