"""A review in one call, for notebooks: from its folder to verdicts (`review`), or its logs checked (`check`)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, partial
from pathlib import Path
from typing import Literal

import pandas as pd

from gpubench_kit import __version__, page
from gpubench_kit.checks.readiness import Readiness, check_readiness
from gpubench_kit.claims.check import check_claims
from gpubench_kit.claims.script import Proposals, proposed_sentences, write_script_sheet
from gpubench_kit.costs import estimate_costs
from gpubench_kit.logs.review import Review
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import RUN_METRICS, USABLE, Column, Table
from gpubench_kit.page.checking_words import head_sentences, state_of_runs
from gpubench_kit.page.film.write import write_film
from gpubench_kit.page.headline import headline
from gpubench_kit.page.results import Results
from gpubench_kit.page.section import Section
from gpubench_kit.report.package import write_tables
from gpubench_kit.report.shown import Shown, read_review, runs_text, section_of
from gpubench_kit.sheet.looks import Looks, open_looks
from gpubench_kit.statistics.compare import compare_over_games, compare_tunings, estimate_noise
from gpubench_kit.statistics.levels import levels_of_games
from gpubench_kit.sweep.find import SweepInReview, sweep_in_review
from gpubench_kit.wording.catalogue import say

_COLUMNS = {one.name: one for one in (*RUN_METRICS.columns, *USABLE.columns)}

#: Values of runs with what was measured beside them, for plots in notebooks.
METRIC_VALUES = Table(
    "metrics", "run and metric", ("run", "metric"),
    (
        *(_COLUMNS[name] for name in (
            "run", "metric", "value", "unit", "card", "bench", "tuning", "game", "setting", "group", "purpose",
            "session", "round", "order", "source", "certainty",
        )),
        Column("used", "truth", "whether the run enters verdicts"),
    ),
)  # fmt: skip

ReviewSection = Literal[
    "answer", "by_game", "watts", "games", "tuning", "script", "quality", "cautions", "downloads"
]
CheckSection = Literal["head", "redo", "cautions", "findings", "progress", "noise", "runs", "logs", "limits"]


@dataclass(frozen=True, repr=False)
class ReviewResults(Shown):
    """A review from its folder to its verdicts.

    Attributes
    ----------
    plan : the review's plan, as its first look pinned it
    logs : its runs, with what was found out about their logs
    runs : DataFrame, one row per run; see ``model.tables.RUNS``
    findings : DataFrame, one row per finding; see ``FINDINGS``
    noise : DataFrame, one row per card, bench, tuning, game, setting and metric; see ``NOISE``
    comparisons : DataFrame, one row per pair, game, setting and metric; see ``COMPARISONS``
    overall : DataFrame, one row per pair, group, scope and metric; see ``OVERALL``
    claims : DataFrame, one row per claim; see ``CLAIMS``
    usable : DataFrame, one row per used run and metric; see ``USABLE``
    run_metrics : DataFrame, one row per run and metric; see ``RUN_METRICS``
    levels : DataFrame; see `gpubench_kit.statistics.levels.LEVELS`
    costs : DataFrame; see `gpubench_kit.costs.COSTS`
    sentences : what can be said of the results; see `gpubench_kit.claims.script.Proposals`
    sweep : the sweep in this review, or why there is none
    looks : looks at its verdicts, the present one included
    look_text : the present look in a sentence
    """

    plan: ReviewPlan
    logs: Review
    runs: pd.DataFrame
    findings: pd.DataFrame
    noise: pd.DataFrame
    comparisons: pd.DataFrame
    overall: pd.DataFrame
    claims: pd.DataFrame
    usable: pd.DataFrame
    run_metrics: pd.DataFrame
    levels: pd.DataFrame
    costs: pd.DataFrame
    sentences: Proposals
    sweep: SweepInReview
    looks: Looks
    look_text: str
    pictures: str = "none"

    @cached_property
    def metrics(self) -> pd.DataFrame:
        """Values of all runs with game, tuning and round beside them, one row per run and metric: see
        ``METRIC_VALUES``."""
        own = self.logs.runs[["run", "group", "order"]].merge(self.runs.drop(columns="order"), on="run")
        own["order"] = own["order_done"].fillna(own["order"])
        return METRIC_VALUES.frame(self.run_metrics.merge(own, on="run"))

    def section(self, name: ReviewSection) -> Section:
        """Return a section of the page, as the command ``report`` lays it out.

        Parameters
        ----------
        name : ``answer``, ``by_game``, ``watts``, ``games``, ``tuning``, ``script``, ``quality``, ``cautions`` or
            ``downloads``

        Raises
        ------
        ReportError : there is no such section
        """
        results = self._results
        names = ("answer", "by_game", "watts", "games", "script", "quality", "downloads")
        sections = {one: partial(getattr(page, one), results) for one in names}
        sections |= {
            "tuning": partial(page.tuning, self.sweep, self.plan),
            "cautions": partial(page.cautions, self.plan),
        }
        return section_of(sections, name)

    def write(self, folder: str | Path) -> Path:
        """Write tables with their description, the sheet for the script, and pictures for the film.

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
        names = ("runs", "run_metrics", "findings", "noise", "comparisons", "overall", "claims")
        tables = {name: getattr(self, name) for name in names}
        write_tables(tables | dict(self.sweep.tables), folder, plan=self.plan)
        write_script_sheet(self.claims, self.sentences, folder, plan=self.plan)
        write_film(self._results, folder, pictures=self.pictures)
        return Path(folder)

    @cached_property
    def _results(self) -> Results:
        """What the page is made of."""
        return Results(
            self.plan, self.runs, self.findings, self.noise, self.usable, self.comparisons, self.overall,
            self.levels, self.run_metrics, self.claims, self.sentences, self.costs, self.sweep, self.logs.facts_of,
            self.looks.made, self.looks.changes, self.looks.missing, __version__, self.pictures,
        )  # fmt: skip

    def _summary(self) -> tuple[str, list[str]]:
        lines = [headline(self._results), runs_text(self.runs, self.findings), self.look_text]
        names = "metrics, comparisons, overall, noise, findings, claims, runs"
        return self.plan.review.title, [*lines, say("notebook.tables", names=names)]


def review(
    folder: str | Path, *, count_look: bool = True, pictures: Literal["film", "all", "none"] = "none"
) -> ReviewResults:
    """Read, check and compare the runs of a review: the whole way from its folder to its verdicts.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``
    count_look : whether a new set of used runs is written to ``looks.csv`` as a look at verdicts, as ``report``
        does; without, ``looks.csv`` stays as it is
    pictures : which pictures `ReviewResults.write` writes

    Returns
    -------
    ReviewResults

    Raises
    ------
    GpubenchError : the plan, the run sheet or a log cannot be used; every fault is listed

    Examples
    --------
    >>> import gpubench_kit as kit
    >>> review = kit.review("measured")  # doctest: +SKIP
    >>> review.comparisons[["game", "metric", "change", "verdict"]]  # doctest: +SKIP
    """
    read = read_review(folder)
    usable, runs = read.usable, read.runs
    looks = open_looks(read.plan, usable)
    plan = looks.plan
    noise = estimate_noise(usable, plan)
    comparisons = compare_tunings(usable, plan, looks=looks)
    overall = compare_over_games(usable, plan, looks=looks)
    sweep = sweep_in_review(usable, runs, plan, looks_made=looks.made)
    return ReviewResults(
        plan, read.logs, runs, read.findings, noise, comparisons, overall,
        check_claims(comparisons, overall, plan, sweep=sweep, looks=looks), usable, read.run_metrics,
        levels_of_games(noise, plan), estimate_costs(comparisons, overall, plan),
        proposed_sentences(comparisons, overall, plan), sweep, looks,
        looks.record(comparisons, overall) if count_look else say("notebook.not_counted"), pictures,
    )  # fmt: skip


@dataclass(frozen=True, repr=False)
class CheckResults(Shown):
    """The logs recorded so far, checked; never a difference between tunings.

    Attributes
    ----------
    plan : the review's plan
    logs : its runs, with what was found out about their logs
    runs : DataFrame, one row per run; see ``model.tables.RUNS``
    findings : DataFrame, one row per finding; see ``FINDINGS``
    noise : DataFrame, one row per card, bench, tuning, game, setting and metric; see ``NOISE``
    usable : DataFrame, one row per used run and metric; see ``USABLE``
    readiness : verdicts that the runs can give, and runs to repeat
    """

    plan: ReviewPlan
    logs: Review
    runs: pd.DataFrame
    findings: pd.DataFrame
    noise: pd.DataFrame
    usable: pd.DataFrame
    readiness: Readiness

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

    def section(self, name: CheckSection) -> Section:
        """Return a section of the page, as the command ``check`` lays it out.

        Parameters
        ----------
        name : ``head``, ``redo``, ``cautions``, ``findings``, ``progress``, ``noise``, ``runs``, ``logs`` or
            ``limits``

        Raises
        ------
        ReportError : there is no such section
        """
        plan, logs, runs, findings, redo = self.plan, self.logs, self.runs, self.findings, self.redo
        sections = {
            "head": partial(page.check_head, runs, findings, redo=redo, possible=self.possible, plan=plan),
            "redo": partial(page.check_redo, redo, plan),
            "cautions": page.bench_cautions,
            "findings": partial(page.check_findings, logs, findings, redo=redo, plan=plan),
            "progress": partial(page.check_progress, runs, plan),
            "noise": partial(page.check_noise, self.noise, self.usable, plan),
            "runs": partial(page.check_runs, logs, findings, runs=runs, plan=plan),
            "logs": partial(page.check_logs, logs, findings),
            "limits": partial(page.check_limits, plan),
        }
        return section_of(sections, name)

    def write(self, folder: str | Path) -> Path:
        """Write the tables with their description, without means: two side by side would show a difference.

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
        tables = {"findings": self.findings, "noise": self.noise.assign(mean=float("nan"))}
        tables |= {"possible": self.possible, "redo": self.redo, "runs": self.runs}
        write_tables(tables, folder, plan=self.plan)
        return Path(folder)

    def _summary(self) -> tuple[str, list[str]]:
        lines = [
            *head_sentences(self.possible, self.runs, redo=self.redo),
            *state_of_runs(self.runs, self.findings),
        ]
        return self.plan.review.title, [
            *lines,
            say("notebook.tables", names="findings, noise, possible, redo, runs"),
        ]


def check(folder: str | Path) -> CheckResults:
    """Check the logs recorded so far: what to run again, every finding, the noise; never a difference.

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
    read = read_review(folder, is_check=True)
    looks = open_looks(read.plan, read.usable)
    ready = check_readiness(read.logs, read.usable, findings=read.findings, looks_made=looks.made)
    noise = estimate_noise(read.usable, read.plan)
    return CheckResults(read.plan, read.logs, read.runs, read.findings, noise, read.usable, ready)
