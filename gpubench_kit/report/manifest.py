"""What made a report: inputs by hash, decisions, versions, seed, verdicts; no paths of the machine, no clock."""

from __future__ import annotations

import csv
import hashlib
import math
import platform
from collections.abc import Iterable
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pandas as pd

from gpubench_kit.model.errors import ReportError
from gpubench_kit.model.formats import FORMAT_VERSION
from gpubench_kit.model.plan.measured_spread import SPREAD_FILE
from gpubench_kit.model.plan.rules import ARCHIVE_WORD
from gpubench_kit.model.tables import PAIR_KEY
from gpubench_kit.report.measured_under import measured_under
from gpubench_kit.schedule.earlier_noise import noise_table_for

#: Packages whose version can change a number or a picture.
_PACKAGES = ("numpy", "scipy", "pandas", "statsmodels", "matplotlib", "seaborn", "papermill", "nbconvert")
_RESULT = ("change", "ci_low", "ci_high", "margin", "verdict", "no_loss", "reason")


def make_manifest(
    plan,
    inputs: Iterable[str],
    *,
    overall: pd.DataFrame,
    comparisons: pd.DataFrame,
    claims: pd.DataFrame,
    looks_made: int,
) -> dict[str, Any]:
    """Return what made a report.

    Parameters
    ----------
    plan : ReviewPlan, gives folder, fingerprint, seed and analysis
    inputs : files that were read, as paths relative to the plan's folder; what the plan takes from the archive of
        the bench (``restart_spread``, ``noise_from``) is added, by its path in the working directory
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    comparisons : DataFrame, one row per (pair, game, setting, metric); see ``tables.COMPARISONS``
    claims : DataFrame, one row per sentence of the script; see ``tables.CLAIMS``
    looks_made : looks at verdicts so far, this one included

    Returns
    -------
    dict that JSON can hold

    Raises
    ------
    ReportError : an input is no longer there
    """
    return {
        "format_version": FORMAT_VERSION,
        "title": plan.review.title,
        "measured": measured_under(plan),
        "plan_fingerprint": plan.fingerprint,
        "decisions": plan.decisions(),
        "seed": plan.analysis.seed,
        "looks_made": looks_made,
        "looks_planned": plan.analysis.looks,
        "inputs": input_hashes(plan, inputs),
        "versions": kit_versions(),
        "verdicts": {
            "overall": json_rows(overall, (*PAIR_KEY, "group", "scope", "metric", *_RESULT)),
            "games": json_rows(comparisons, (*PAIR_KEY, "game", "setting", "metric", *_RESULT)),
            "claims": json_rows(claims, ("id", "text", "verdict")),
        },
    }


def input_hashes(plan, inputs: Iterable[str]) -> dict[str, str]:
    """Return the hash of every file that a report is made of, by its name.

    Parameters
    ----------
    plan, inputs : as in `make_manifest`

    Raises
    ------
    ReportError : one is no longer there
    """
    return {name: file_hash(path) for name, path in sorted(_input_files(plan, inputs).items())}


def _input_files(plan, inputs: Iterable[str]) -> dict[str, Path]:
    """Return every input by its name: files of the review, and the tables of the archive that its plan asks for."""
    files = {name: plan.folder / name for name in inputs}
    spread = plan.restart_spread_source
    if spread:
        files[spread] = (plan.folder if spread == SPREAD_FILE else Path.cwd()) / spread
    if plan.session_plan.noise_from == ARCHIVE_WORD:
        # The evening was planned by it; a report can be made where it is no longer at hand.
        table, name = noise_table_for(plan)
        files |= {} if table is None else {name: table}
    return files


def kit_versions() -> dict[str, str]:
    """Return the versions of Python, of the kit, and of every package that can change a number or a picture."""
    own = {"python": platform.python_version(), "gpubench_kit": version("gpubench_kit")}
    return own | {name: version(name) for name in _PACKAGES}


def compared_anything(report: Path) -> bool:
    """Return whether a report holds any comparison, judged or not.

    Parameters
    ----------
    report : folder of a report

    Notes
    -----
    A confounded pair is compared: its difference is printed, only not judged.
    """
    with (report / "tables" / "comparisons.csv").open(encoding="utf-8", newline="") as file:
        return any(row["change"] for row in csv.DictReader(file))


def file_hash(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, as hexadecimal digits.

    Raises
    ------
    ReportError : the file cannot be read
    """
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise ReportError(f"{path.name}: it was read before but cannot be read now ({error.strerror}).") from error


def json_rows(frame: pd.DataFrame, columns: Iterable[str]) -> list[dict[str, Any]]:
    """Return rows as JSON values; what is not defined is null.

    Parameters
    ----------
    frame : the rows
    columns : names of the columns that are kept
    """
    return [
        {name: _json_value(value) for name, value in row.items()} for row in frame[list(columns)].to_dict("records")
    ]


def _json_value(value: Any) -> Any:
    """Return a cell as a JSON value."""
    if pd.isna(value):
        return None
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value.item() if hasattr(value, "item") else value
