"""The other stages of the job in one call each: logs checked, the tuning found, a session planned, an archive."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Literal

import pandas as pd

from gpubench_kit import __version__, page
from gpubench_kit.archive import archive as archives
from gpubench_kit.checks.readiness import Readiness, check_readiness
from gpubench_kit.files import check_parameters
from gpubench_kit.logs.review import Review
from gpubench_kit.model.errors import Fault, ReportError
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page.caveats import alerts
from gpubench_kit.page.checking import head_sentences, state_of_runs
from gpubench_kit.page.planning import in_lines
from gpubench_kit.page.printed_sheet import printed_sheet
from gpubench_kit.page.results import Results
from gpubench_kit.report.notebook_run import check_page
from gpubench_kit.report.package import PRINTED_FILE, ROWS_FILE, TOLD_FILE, csv_text
from gpubench_kit.report.pages import previous_kept
from gpubench_kit.report.stages import (
    Sections,
    Stage,
    check_options,
    look_text,
    plan_of,
    read_runs,
    runs_text,
    stage,
)
from gpubench_kit.schedule.design import PLANNED_RUNS
from gpubench_kit.schedule.make import Schedule, make_schedule
from gpubench_kit.sheet.looks import Looks, open_looks
from gpubench_kit.statistics.compare import estimate_noise
from gpubench_kit.sweep import find
from gpubench_kit.wording.numbers import count_text

CheckSection = Literal["head", "redo", "cautions", "findings", "progress", "noise", "runs", "logs", "limits"]
TuningSection = Literal[
    "head", "response", "bench_cautions", "settings", "readings", "next", "quality", "method", "cautions", "files"
]
SessionSection = Literal["head", "says", "cautions", "chances", "needs", "time", "order", "method"]
ArchiveSection = Literal[
    "head", "noise", "control", "drivers", "cards", "games", "claims", "findings", "cautions", "method", "files"
]


@dataclass(frozen=True, repr=False)
class CheckResults(Stage[CheckSection]):
    """The logs recorded so far, checked; it never shows differences between tunings.

    Attributes
    ----------
    plan, logs, runs, findings : as in `ReviewResults`
    readiness : verdicts that the runs can give, and runs to repeat
    """

    plan: ReviewPlan
    logs: Review
    runs: pd.DataFrame
    findings: pd.DataFrame
    readiness: Readiness
    _noise: pd.DataFrame
    _usable: pd.DataFrame

    _named = "findings, noise, possible, redo, runs"

    @property
    def noise(self) -> pd.DataFrame:
        """Noise as in `ReviewResults`, without means: two side by side would show a difference."""
        return self._noise.assign(mean=float("nan"))

    @property
    def possible(self) -> pd.DataFrame:
        """Verdicts of the plan, and whether the runs can give them; see `gpubench_kit.checks.POSSIBLE`."""
        return self.readiness.possible

    @property
    def redo(self) -> pd.DataFrame:
        """Runs to repeat; see `gpubench_kit.checks.REDO`."""
        return self.readiness.redo

    def confirm_format(self, format_id: str, *, frames: str = "") -> str:
        """Write into the plan that a format of logs, which is only likely, is read rightly.

        Parameters
        ----------
        format_id, frames : see `Readiness.confirm_format`

        Returns
        -------
        str, the entry that the plan now holds; it counts once the notebook is run again

        Raises
        ------
        GpubenchError : no such format waits, the proposal has another unit, or the plan cannot be written
        """
        return self.readiness.confirm_format(format_id, frames=frames)

    def _tables(self) -> Mapping[str, pd.DataFrame]:
        return {"findings": self.findings, "noise": self.noise, "possible": self.possible, "redo": self.redo,
                "runs": self.runs}  # fmt: skip

    def _sections(self) -> Sections:
        plan, logs, runs, findings, redo = self.plan, self.logs, self.runs, self.findings, self.redo
        return {
            "head": partial(page.check_head, runs, findings, redo=redo, possible=self.possible, plan=plan),
            "redo": partial(page.check_redo, redo, plan),
            "cautions": page.bench_cautions,
            "findings": partial(page.check_findings, logs, findings, redo=redo, plan=plan),
            "progress": partial(page.check_progress, runs, plan),
            "noise": partial(page.check_noise, self._noise, self._usable, plan),
            "runs": partial(page.check_runs, logs, findings, runs=runs, plan=plan),
            "logs": partial(page.check_logs, logs, findings),
            "limits": partial(page.check_limits, plan),
        }

    def _lines(self) -> list[str]:
        heads = head_sentences(self.possible, self.runs, redo=self.redo)
        return [*heads, *state_of_runs(self.runs, self.findings)]


@stage
def check(folder: str | Path) -> CheckResults:
    """Check the logs recorded so far: what to run again, every finding, the noise; no differences between tunings.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``

    Returns
    -------
    CheckResults

    Raises
    ------
    GpubenchError : the plan or the whole run sheet cannot be used. Single rows and logs that cannot be used are
        findings
    """
    read = read_runs(folder, is_check=True)
    looks = open_looks(read.plan, read.usable)
    ready = check_readiness(read.logs, read.usable, findings=read.findings, looks_made=looks.made)
    noise = estimate_noise(read.usable, read.plan)
    return CheckResults(read.plan, read.logs, read.runs, read.findings, ready, noise, read.usable)


@dataclass(frozen=True, repr=False)
class TuningResults(Stage[TuningSection]):
    """The ladder of a review, searched.

    Attributes
    ----------
    plan, runs, findings, noise, usable, run_metrics, looks, look_text : as in `ReviewResults`
    sweep : what the ladder shows; see `gpubench_kit.sweep.find.Sweep`
    """

    plan: ReviewPlan
    sweep: find.Sweep
    runs: pd.DataFrame
    findings: pd.DataFrame
    noise: pd.DataFrame
    usable: pd.DataFrame
    run_metrics: pd.DataFrame
    looks: Looks
    look_text: str

    _named = "settings, answers, noise, findings, runs"

    @property
    def settings(self) -> pd.DataFrame:
        """One row per setting; see ``sweep.answers.SWEEP``."""
        return self.sweep.settings

    @property
    def answers(self) -> pd.DataFrame:
        """One row per line of settings; see ``sweep.answers.ANSWERS``."""
        return self.sweep.answers

    def _tables(self) -> Mapping[str, pd.DataFrame]:
        names = ("runs", "run_metrics", "findings", "noise")
        return {name: getattr(self, name) for name in names} | dict(self.sweep.tables)

    def _sections(self) -> Sections:
        sweep, plan, made = self.sweep, self.plan, self.looks.made
        results = Results(
            plan, self.runs, self.findings, self.noise, self.usable, looks_made=made, version=__version__,
            changes=self.looks.changes, lost_runs=self.looks.missing,
        )  # fmt: skip
        names = ("response", "settings", "readings", "next")
        return {one: partial(getattr(page, f"sweep_{one}"), sweep, plan) for one in names} | {
            "head": partial(page.sweep_head, sweep, plan, cautions=alerts(results)),
            "bench_cautions": page.bench_cautions,
            "quality": partial(page.quality, results, tables="tuning/tables"),
            "method": partial(page.sweep_method, sweep),
            "cautions": partial(page.cautions, plan),
            "files": partial(page.sweep_files, plan, version=__version__, looks_made=made),
        }

    def _lines(self) -> list[str]:
        found = page.sweep_head(self.sweep, self.plan).title
        return [found, runs_text(self.runs, self.findings), self.look_text]


@stage
def find_tuning(folder: str | Path, *, count_look: bool = True) -> TuningResults:
    """Search the ladder of a review for the lowest power that loses nothing that matters.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``
    count_look : as in `review`

    Returns
    -------
    TuningResults

    Raises
    ------
    GpubenchError : the plan, the run sheet or a log cannot be used, or the plan has no ladder
    """
    check_options(count_look)
    read = read_runs(folder)
    looks = open_looks(read.plan, read.usable)
    plan = looks.plan
    sweep = find.find_tuning(read.usable, read.runs, plan, looks_made=looks.made)
    return TuningResults(
        plan, sweep, read.runs, read.findings, estimate_noise(read.usable, plan), read.usable, read.run_metrics,
        looks, look_text(looks, count_look),
    )  # fmt: skip


@dataclass(frozen=True, repr=False)
class PlannedSession(Stage[SessionSection], Schedule):
    """What to do next at the bench, and what it can show; see `gpubench_kit.schedule.make.Schedule`."""

    _named = "needs, to_run, noise, visits"

    def write(self, folder: str | Path) -> Path:
        """Write the sheet for the printer, the rows that the command adds to ``runs.csv``, and what it says."""
        folder = self._place(folder)
        printed = printed_sheet(self)
        check_page(printed)
        files = {ROWS_FILE: csv_text(self.rows, PLANNED_RUNS), TOLD_FILE: "\n".join(in_lines(self)) + "\n",
                 PRINTED_FILE: printed}  # fmt: skip
        try:
            folder.mkdir(parents=True, exist_ok=True)
            for name, text in files.items():
                (folder / name).write_text(text, encoding="utf-8", newline="")
        except OSError as error:
            where, problem = f"output folder '{folder.name}'", f"it cannot be written ({error.strerror or error})."
            raise ReportError(Fault(where, problem, "Name another folder.")) from error
        return folder

    def _sections(self) -> Sections:
        names = ("head", "says", "chances", "needs", "time", "order", "method")
        sections = {one: partial(getattr(page, f"plan_{one}"), self) for one in names}
        return sections | {"cautions": page.bench_cautions}

    def _lines(self) -> list[str]:
        return in_lines(self)


@stage
def plan_session(folder: str | Path, *, previous: str | Path | None = None) -> PlannedSession:
    """Plan the next bench session of a review; no run is added to its sheet, and no difference is computed.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``
    previous : earlier report whose noise is counted with; its table is kept as ``noise.csv`` in the folder, as by
        ``schedule --previous``

    Returns
    -------
    PlannedSession; made again from the same folder it is the same

    Raises
    ------
    GpubenchError : the plan, the run sheet or the noise cannot be used, or the session is too short for anything
    """
    plan = plan_of(folder)
    with previous_kept(previous, plan):
        return PlannedSession(**vars(make_schedule(plan)))


@dataclass(frozen=True, repr=False)
class GatheredArchive(Stage[ArchiveSection], archives.Archive):
    """All reports below some folders; see `gpubench_kit.archive.archive.Archive`."""

    _named = "reviews, run_noise, cards, games, findings"

    def _tables(self) -> Mapping[str, pd.DataFrame]:
        return self.tables

    def _sections(self) -> Sections:
        names = ("head", "noise", "control", "drivers", "cards", "games", "claims", "findings")
        return {one: partial(getattr(page, f"archive_{one}"), self) for one in names} | {
            "cautions": page.archive_cautions, "method": page.archive_method,
            "files": partial(page.archive_files, self, version=__version__),
        }  # fmt: skip

    def _lines(self) -> list[str]:
        return [self.summary, count_text(len(self.findings), "finding")]


@stage
def gather_archive(folders: Sequence[str | Path] | str | Path, folder: str | Path = "") -> GatheredArchive:
    """Read all reports below folders into one archive that can be asked.

    Parameters
    ----------
    folders : one folder or several that hold report folders, at any depth
    folder : folder of the archive, in which ``parquet/`` is made; default a scratch folder that goes with it

    Returns
    -------
    GatheredArchive

    Raises
    ------
    ReportError : no report that can be read lies below the folders, or the archive cannot be written
    """
    check_parameters()
    return GatheredArchive(**vars(archives.gather_archive(folders, folder)))
