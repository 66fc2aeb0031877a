"""The other stages of the job in one call each, for notebooks: the tuning found, a session planned, an archive."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Literal

import pandas as pd

from gpubench_kit import __version__, page
from gpubench_kit.archive import archive as archives
from gpubench_kit.bundled import check_parameters
from gpubench_kit.model.errors import Fault, ReportError
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page.caution_lines import alerts
from gpubench_kit.page.planning_words import in_lines
from gpubench_kit.page.printed_sheet import printed_sheet
from gpubench_kit.page.results import Results
from gpubench_kit.page.section import Section
from gpubench_kit.report.html import check_page
from gpubench_kit.report.package import PRINTED_FILE, ROWS_FILE, TOLD_FILE, csv_text, write_tables
from gpubench_kit.report.shown import Shown, plan_of, read_review, runs_text, section_of
from gpubench_kit.schedule.make import Schedule, make_schedule
from gpubench_kit.schedule.tables import PLANNED_RUNS
from gpubench_kit.sheet.looks import Looks, open_looks
from gpubench_kit.statistics.compare import estimate_noise
from gpubench_kit.sweep import find
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import count_text

TuningSection = Literal[
    "head", "response", "bench_cautions", "settings", "readings", "next", "quality", "method", "cautions", "files"
]
SessionSection = Literal["head", "says", "cautions", "chances", "needs", "time", "order", "method"]
ArchiveSection = Literal[
    "head", "noise", "control", "drivers", "cards", "games", "claims", "findings", "cautions", "method", "files"
]


@dataclass(frozen=True, repr=False)
class TuningResults(Shown):
    """The ladder of a review, searched.

    Attributes
    ----------
    plan : the review's plan, as its first look pinned it
    sweep : what the ladder shows; see `gpubench_kit.sweep.find.Sweep`
    runs, findings, noise, usable, run_metrics : as in `ReviewResults`
    looks : looks at its verdicts, the present one included
    look_text : the present look in a sentence
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

    @property
    def settings(self) -> pd.DataFrame:
        """One row per setting; see ``sweep.tables.SWEEP``."""
        return self.sweep.settings

    @property
    def answers(self) -> pd.DataFrame:
        """One row per line of settings; see ``sweep.tables.ANSWERS``."""
        return self.sweep.answers

    def section(self, name: TuningSection) -> Section:
        """Return a section of the page, as the command ``sweep`` lays it out.

        Parameters
        ----------
        name : ``head``, ``response``, ``bench_cautions``, ``settings``, ``readings``, ``next``, ``quality``,
            ``method``, ``cautions`` or ``files``

        Raises
        ------
        ReportError : there is no such section
        """
        sweep, plan, made = self.sweep, self.plan, self.looks.made
        results = Results(
            plan, self.runs, self.findings, self.noise, self.usable, looks_made=made, version=__version__,
            changes=self.looks.changes, lost_runs=self.looks.missing,
        )  # fmt: skip
        names = ("response", "settings", "readings", "next")
        sections = {one: partial(getattr(page, f"sweep_{one}"), sweep, plan) for one in names}
        sections |= {
            "head": partial(page.sweep_head, sweep, plan, cautions=alerts(results)),
            "bench_cautions": page.bench_cautions,
            "quality": partial(page.quality, results, tables="tuning/tables"),
            "method": partial(page.sweep_method, sweep),
            "cautions": partial(page.cautions, plan),
            "files": partial(page.sweep_files, plan, version=__version__, looks_made=made),
        }
        return section_of(sections, name)

    def write(self, folder: str | Path) -> Path:
        """Write the tables with their description.

        Parameters
        ----------
        folder : where; it is made if need be

        Returns
        -------
        Path of the folder

        Raises
        ------
        ReportError : a file cannot be written
        """
        tables = {
            "runs": self.runs,
            "run_metrics": self.run_metrics,
            "findings": self.findings,
            "noise": self.noise,
        }
        write_tables(tables | self.sweep.tables, folder, plan=self.plan)
        return Path(folder)

    def _summary(self) -> tuple[str, list[str]]:
        lines = [runs_text(self.runs, self.findings), self.look_text]
        return self.plan.review.title, [
            *lines,
            say("notebook.tables", names="settings, answers, noise, findings, runs"),
        ]


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
    read = read_review(folder)
    looks = open_looks(read.plan, read.usable)
    plan = looks.plan
    sweep = find.find_tuning(read.usable, read.runs, plan, looks_made=looks.made)
    return TuningResults(
        plan, sweep, read.runs, read.findings, estimate_noise(read.usable, plan), read.usable, read.run_metrics,
        looks, looks.record() if count_look else say("notebook.not_counted"),
    )  # fmt: skip


@dataclass(frozen=True, repr=False)
class PlannedSession(Shown, Schedule):
    """What to do next at the bench, and what it can show; see `gpubench_kit.schedule.make.Schedule`."""

    def section(self, name: SessionSection) -> Section:
        """Return a section of the page, as the command ``schedule`` lays it out.

        Parameters
        ----------
        name : ``head``, ``says``, ``cautions``, ``chances``, ``needs``, ``time``, ``order`` or ``method``

        Raises
        ------
        ReportError : there is no such section
        """
        names = ("head", "says", "chances", "needs", "time", "order", "method")
        sections = {one: partial(getattr(page, f"plan_{one}"), self) for one in names}
        return section_of(sections | {"cautions": page.bench_cautions}, name)

    def write(self, folder: str | Path) -> Path:
        """Write the run sheet for the printer, and the rows that the command adds to ``runs.csv``.

        Parameters
        ----------
        folder : where; ``run_sheet.html``, ``new_runs.csv`` and, in a few lines, ``plan.txt`` are written

        Returns
        -------
        Path of the folder

        Raises
        ------
        ReportError : a file cannot be written
        """
        folder = Path(folder)
        printed = printed_sheet(self)
        check_page(printed)
        try:
            folder.mkdir(parents=True, exist_ok=True)
            (folder / ROWS_FILE).write_text(csv_text(self.rows, PLANNED_RUNS), encoding="utf-8", newline="")
            (folder / TOLD_FILE).write_text("\n".join(in_lines(self)) + "\n", encoding="utf-8")
            (folder / PRINTED_FILE).write_text(printed, encoding="utf-8", newline="\n")
        except OSError as error:
            where, problem = f"output folder '{folder.name}'", f"it cannot be written ({error.strerror or error})."
            raise ReportError(Fault(where, problem, "Name another with --output.")) from error
        return folder

    def _summary(self) -> tuple[str, list[str]]:
        return self.plan.review.title, [
            *in_lines(self),
            say("notebook.tables", names="needs, to_run, noise, visits"),
        ]


def plan_session(folder: str | Path) -> PlannedSession:
    """Plan the next bench session of a review; nothing is written, and no difference is computed.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``

    Returns
    -------
    PlannedSession; made again from the same folder it is the same

    Raises
    ------
    GpubenchError : the plan, the run sheet or the noise cannot be used, or the session is too short for anything
    """
    return PlannedSession(**vars(make_schedule(plan_of(folder))))


@dataclass(frozen=True, repr=False)
class GatheredArchive(Shown, archives.Archive):
    """All reports below some folders; see `gpubench_kit.archive.archive.Archive`."""

    def section(self, name: ArchiveSection) -> Section:
        """Return a section of the page, as the command ``archive`` lays it out.

        Parameters
        ----------
        name : ``head``, ``noise``, ``control``, ``drivers``, ``cards``, ``games``, ``claims``, ``findings``,
            ``cautions``, ``method`` or ``files``

        Raises
        ------
        ReportError : there is no such section
        """
        names = ("head", "noise", "control", "drivers", "cards", "games", "claims", "findings")
        sections = {one: partial(getattr(page, f"archive_{one}"), self) for one in names}
        sections |= {
            "cautions": page.archive_cautions, "method": page.archive_method,
            "files": partial(page.archive_files, self, version=__version__),
        }  # fmt: skip
        return section_of(sections, name)

    def write(self, folder: str | Path) -> Path:
        """Write the tables with their description.

        Parameters
        ----------
        folder : where; it is made if need be

        Returns
        -------
        Path of the folder

        Raises
        ------
        ReportError : a file cannot be written
        """
        write_tables(self.tables, folder, plan=self)
        return Path(folder)

    def _summary(self) -> tuple[str, list[str]]:
        lines = [self.summary, count_text(len(self.findings), "finding")]
        return self.title, [*lines, say("notebook.tables", names="reviews, run_noise, cards, games, findings")]


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
