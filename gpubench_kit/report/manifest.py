"""What made a report: inputs by hash, decisions, versions, seed, verdicts; no paths of the machine, no clock."""

from __future__ import annotations

import csv
import hashlib
import json
import math
import platform
from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.logs.clock import started_at_s
from gpubench_kit.logs.review import Review, open_review
from gpubench_kit.model.errors import Fault, GpubenchError, ReportError, listed
from gpubench_kit.model.formats import FORMAT_VERSION
from gpubench_kit.model.plan import ReviewPlan, load_plan, plan_file_of
from gpubench_kit.model.plan.rules import ARCHIVE_WORD, SPREAD_FILE, table_left
from gpubench_kit.model.tables import CLAIMS, COMPARISONS, OVERALL, PAIR_KEY
from gpubench_kit.schedule.noise import ARCHIVE, PREVIOUS
from gpubench_kit.sheet import load_run_sheet
from gpubench_kit.sheet.look_files import GIVEN_FILE, LOOKS_FILE
from gpubench_kit.sheet.text import SHEET_FILES

_START = datetime(1970, 1, 1)


@dataclass(frozen=True)
class Inputs:
    """What a page of a review is made of: plan, run sheet and logs.

    Attributes
    ----------
    plan_file, plan : the plan, and where it stands
    review : the logs; None where there is no run sheet yet
    """

    plan_file: Path
    plan: ReviewPlan
    review: Review | None = None

    @classmethod
    def of(cls, folder: str | Path, *, for_report: bool = False) -> Inputs:
        """Return what a page of a review is made of.

        Parameters
        ----------
        folder : folder of the review, or its plan
        for_report : all must be usable; else what can be used of logs and rows will do

        Raises
        ------
        GpubenchError : what is wrong with it
        """
        plan_file = plan_file_of(folder)
        plan = load_plan(plan_file)
        if for_report:
            load_run_sheet(plan, for_report=True)
        return cls(plan_file, plan, open_review(plan, keep_going=not for_report))

    def hashes(self) -> dict[str, str]:
        """Return the hash of every file that is read, by its name; looks are written down meanwhile.

        Raises
        ------
        ReportError : a file cannot be read any more
        """
        return input_hashes(self.plan, [self.plan_file.name, *self._sheets(), *self._logs()])

    def manifest(self, pictures: str, looks_made: int, results: Mapping[str, pd.DataFrame]) -> dict[str, Any]:
        """Return what makes a report of them, and what it says.

        Parameters
        ----------
        pictures : as in `gpubench_kit.report.build.build_report`
        looks_made, results : as in `make_manifest`; the results by their table's name
        """
        kept = [name for name in (LOOKS_FILE, GIVEN_FILE) if (self.plan.folder / name).exists()]
        files = [self.plan_file.name, *self._sheets(), *kept, *self._logs()]
        return make_manifest(self.plan, files, looks_made=looks_made, **results) | {"pictures": pictures}

    def without_results(self, pictures: str) -> dict[str, Any]:
        """Return the manifest's part that is known before anything is made, as JSON gives it back."""
        none = {one.name: one.frame() for one in (OVERALL, COMPARISONS, CLAIMS)}
        manifest = self.manifest(pictures, 0, none)
        del manifest["verdicts"], manifest["looks_made"]
        return json.loads(json.dumps(manifest))

    def _sheets(self) -> list[str]:
        """Return the run sheets that are there, the one that is read first."""
        return [name for name in SHEET_FILES if (self.plan.folder / name).is_file()]

    def _logs(self) -> list[str]:
        """Return the logs that were read, relative to the review's folder."""
        folder = self.plan.folder.resolve()
        tasks = self.review.tasks if self.review else ()
        paths = [Path(path) for task in tasks for path in (task.frame_path, task.sensor_path) if path]
        return [path.resolve().relative_to(folder).as_posix() for path in paths if path.exists()]


def measured_under(plan: ReviewPlan) -> dict[str, Any]:
    """Return date, cards, benches, tunings and games of a review, for its manifest.

    Parameters
    ----------
    plan : ReviewPlan, with the folder in which its run sheet is

    Returns
    -------
    dict that JSON can hold: ``date`` and the first and last start of a run as the sheet states them (empty where
    it states none), and what the plan says of cards, benches, tunings and games
    """
    try:
        sheet = load_run_sheet(plan).runs
    except GpubenchError:
        # Of a run sheet that cannot be read others tell.
        sheet = pd.DataFrame()
    first, last = _first_and_last(sheet["started_at"]) if len(sheet) else ("", "")
    games = []
    for game in plan.games:
        versions = sorted(set(sheet.loc[sheet["game"] == game.name, "game_version"]) - {""}) if len(sheet) else []
        for one in game.settings:
            about = {"name": game.name, "setting": one.name, "limited_by": game.limited_by, "versions": versions}
            own = ("group", "frames_counted", "generated_per_rendered", "frame_limit_fps")
            games.append(about | _named(one, own))
    return {
        "date": plan.review.date.isoformat() if plan.review.date else "",
        "first_start": first,
        "last_start": last,
        "cards": [_named(card, ("name", "model", "role", "power_measured_at")) for card in plan.cards],
        "benches": [_named(bench, ("name", "driver", "room_c")) for bench in plan.benches],
        "tunings": [_named(tuning, ("name", "reference", "card")) for tuning in plan.tunings],
        "games": games,
        "primary": plan.analysis.primary,
        "low_definition": plan.analysis.low_definition,
    }


def _first_and_last(started_at: pd.Series) -> tuple[str, str]:
    """Return the first and the last start of a run, as dates with times; empty where none is stated."""
    given = started_at[started_at != ""]
    seconds = started_at_s(given) if len(given) else np.array([])
    known = seconds[np.isfinite(seconds)]
    if not len(known):
        return "", ""
    first, last = (_START + timedelta(seconds=float(one)) for one in (known.min(), known.max()))
    return first.isoformat(timespec="seconds"), last.isoformat(timespec="seconds")


def _named(part: Any, names: Iterable[str]) -> dict[str, Any]:
    """Return some attributes of a section of the plan; what is not given is empty."""
    return {name: "" if getattr(part, name) is None else getattr(part, name) for name in names}


#: Packages whose version can change a number or a picture.
_PACKAGES = ("numpy", "scipy", "pandas", "statsmodels", "papermill", "nbconvert")
#: Draws PNG files where it is installed.
_DRAWS_PNG = "resvg-py"
_RESULT = ("change", "ci_low", "ci_high", "margin", "verdict", "no_loss", "reason")


def make_manifest(
    plan: ReviewPlan,
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


def input_hashes(plan: ReviewPlan, inputs: Iterable[str]) -> dict[str, str]:
    """Return the hash of every file that a report is made of, by its name.

    Parameters
    ----------
    plan, inputs : as in `make_manifest`

    Raises
    ------
    ReportError : one is no longer there
    """
    files = {name: plan.folder / name for name in inputs}
    if spread := plan.restart_spread_source:
        files[spread] = (plan.folder if spread == SPREAD_FILE else Path.cwd()) / spread
    if plan.session_plan.noise_from == ARCHIVE_WORD:
        # The bench session was planned by it; a report can be made where it is no longer at hand.
        table, name = table_left(plan.folder, PREVIOUS, ARCHIVE)
        files |= {} if table is None else {name: table}
    return {name: file_hash(path) for name, path in sorted(files.items())}


def kit_versions() -> dict[str, str]:
    """Return the versions of Python, of the kit, and of every package that can change a number or a picture."""
    own = {"python": platform.python_version(), "gpubench_kit": version("gpubench_kit")}
    drawn = {_DRAWS_PNG: version(_DRAWS_PNG)} if find_spec("resvg_py") is not None else {}
    return own | {name: version(name) for name in _PACKAGES} | drawn


def verdicts_of(report: Path) -> dict[str, Any]:
    """Return the verdicts of a report as its manifest holds them: overall, by game, and on claims.

    Parameters
    ----------
    report : folder of a report
    """
    return json.loads((report / "manifest.json").read_text(encoding="utf-8"))["verdicts"]


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

    def plain(value: Any) -> Any:
        if pd.isna(value) or (isinstance(value, float) and not math.isfinite(value)):
            return None
        return value if isinstance(value, float) or not hasattr(value, "item") else value.item()

    rows = frame[list(columns)].to_dict("records")
    return [{name: plain(value) for name, value in row.items()} for row in rows]


def check_unchanged(
    before: Mapping[str, Hashable], now: Mapping[str, Hashable], runs: pd.DataFrame | None = None
) -> None:
    """Raise where a file changed while a page was made of it: the page would speak of another one than it names.

    Parameters
    ----------
    before : hash of each file before anything was read, by its name
    now : hash of each file at the end
    runs : DataFrame, one row per run; see ``tables.RUNS``: its hashes are those of the bytes that were read

    Raises
    ------
    ReportError : with the names of the files
    """
    changed = sorted(name for name in {**before, **now} if before.get(name) != now.get(name))
    read = set() if runs is None else set(runs["frame_log_sha256"].dropna()) - {""}
    if not changed and not read <= set(before.values()):
        changed = ["a frame log"]
    if changed:
        problem = f"{listed(changed)} changed while the page was made, so nothing was written."
        raise ReportError(Fault("inputs", problem, "Call again when nothing writes there any more."))
