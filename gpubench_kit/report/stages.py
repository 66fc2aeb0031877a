"""The stages of the job in one call each, for notebooks; here: verdicts (`review`).

What a stage gives shows itself as a summary, gives the sections of its page, and writes its files.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property, partial, wraps
from inspect import signature
from pathlib import Path
from typing import Any, Generic, Literal, NamedTuple, ParamSpec, TypeVar

import pandas as pd

from gpubench_kit import __version__, page
from gpubench_kit.checks.review import check_review, exclude_runs, metric_values, used_runs
from gpubench_kit.claims.check import check_claims
from gpubench_kit.claims.script import Proposals, proposed_sentences, write_script_sheet
from gpubench_kit.costs import estimate_costs
from gpubench_kit.files import check_parameters
from gpubench_kit.logs.review import Review, open_review
from gpubench_kit.metrics.per_run import compute_run_metrics
from gpubench_kit.model.errors import (
    Fault,
    PlanError,
    ReportError,
    check_folder,
    check_given,
    listed,
    shown,
    suggestion,
)
from gpubench_kit.model.plan import ReviewPlan, load_plan, plan_file_of
from gpubench_kit.page.elements import MIME, Markup, Section, bullets, heading, join, look
from gpubench_kit.page.film import check_pictures, write_film
from gpubench_kit.page.headline import headline
from gpubench_kit.page.results import Results
from gpubench_kit.report.package import write_tables
from gpubench_kit.sheet.looks import Looks, open_looks
from gpubench_kit.statistics.compare import compare_over_games, compare_tunings, estimate_noise, levels_of_games
from gpubench_kit.sweep import find
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import count_text

ReviewSection = Literal[
    "answer", "by_game", "watts", "games", "tuning", "script", "quality", "cautions", "downloads"
]

P = ParamSpec("P")
R = TypeVar("R")
Name = TypeVar("Name", bound=str)
Sections = Mapping[str, Callable[[], Section]]


class Stage(Generic[Name]):
    """What one stage gives: a summary that shows itself, sections of its page, files."""

    _named = ""

    def section(self, name: Name) -> Section:
        """Return a section of the page, as the command of this stage lays it out.

        Parameters
        ----------
        name : name of the section; editors list them, and so does the error

        Raises
        ------
        ReportError : there is no such section
        """
        sections = self._sections()
        if name not in sections:
            problem = f"there is none named {shown(name)} (sections: {listed(sections)})."
            raise ReportError(Fault("section", problem, suggestion(str(name), sections)))
        return sections[name]()

    def write(self, folder: str | Path) -> Path:
        """Write the files of this stage: tables with their description, and what its command lays beside them.

        Parameters
        ----------
        folder : where; it is made if need be

        Returns
        -------
        Path of the folder

        Raises
        ------
        ReportError : a file stands there, it is the folder of the review itself, or a file cannot be written
        """
        place = self._place(folder)
        write_tables(self._tables(), place, plan=self._about())
        return place

    def _place(self, folder: str | Path) -> Path:
        """Return where files may be written, or refuse it."""
        check_folder(folder, wanted="a folder to write to", error=ReportError)
        place, review = Path(folder), getattr(self._about(), "folder", None)
        if place.exists() and not place.is_dir():
            raise ReportError(Fault(str(folder), "a file was found; a folder is expected.", "Name another folder."))
        if review is not None and place.resolve() == Path(review).resolve():
            problem = "this is the folder of the review itself, in which results would lie among what was measured."
            raise ReportError(Fault(str(folder), problem, 'Name another folder, for example "out".'))
        return place

    def _about(self) -> Any:
        """Return what gives title and style: the plan, or what has both itself."""
        return getattr(self, "plan", self)

    def _sections(self) -> Sections:
        """Return what makes each section, by its name."""
        raise NotImplementedError

    def _tables(self) -> Mapping[str, pd.DataFrame]:
        """Return the tables that are written."""
        raise NotImplementedError

    def _lines(self) -> list[str]:
        """Return the summary: sentences, as plain text."""
        raise NotImplementedError

    def _summary(self) -> tuple[str, list[str]]:
        """Return the title and all sentences; the last one names the tables."""
        return self._about().review.title, [*self._lines(), say("notebook.tables", names=self._named)]

    def _repr_html_(self) -> str:
        """Return the summary as HTML; all text in it is escaped."""
        title, lines = self._summary()
        body = join((heading(title, level=2), bullets(lines)))
        return str(Markup('<section class="kit summary">\n{}</section>\n').format(body))

    def _repr_mimebundle_(self, include=None, exclude=None) -> dict[str, Any]:
        """Return the summary behind the style sheet of all sections, which the page takes from here."""
        style = look(self._about())._repr_mimebundle_()
        html = f"{style['text/html']}\n{self._repr_html_()}"
        return {"text/html": html, "text/plain": repr(self), MIME: style[MIME]}

    def __repr__(self) -> str:
        title, lines = self._summary()
        return "\n".join((title, *(f"  {line}" for line in lines)))


def stage(call: Callable[P, R]) -> Callable[P, R]:
    """Let a call that does not fit, such as those of version 0.1.0, be answered by a sentence of the kit.

    Parameters
    ----------
    call : function of a stage
    """

    @wraps(call)
    def as_asked(*given: P.args, **named: P.kwargs) -> R:
        try:
            signature(call).bind(*given, **named)
        except TypeError as error:
            name, (first, *rest) = f"kit.{call.__name__}", signature(call).parameters
            example = "reports" if first == "folders" else "my_review"
            options = f", and by name {listed(rest)}" if rest else ""
            action = f'It takes a folder{options}: {name}("{example}").'
            raise PlanError(Fault(name, f"the call does not fit ({error}).", action)) from None
        return call(*given, **named)

    return as_asked


class _Read(NamedTuple):
    """The runs of a review, read and checked."""

    plan: ReviewPlan
    logs: Review
    run_metrics: pd.DataFrame
    findings: pd.DataFrame
    usable: pd.DataFrame
    runs: pd.DataFrame


def plan_of(folder: str | Path) -> ReviewPlan:
    """Return the plan of a review; parameters that papermill misspelt stop the notebook before.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``

    Raises
    ------
    PlanError : there is no such folder, or its plan cannot be used
    ReportError : the notebook was given a parameter that it does not have
    """
    check_parameters()
    return load_plan(plan_file_of(folder))


def read_runs(folder: str | Path, *, is_check: bool = False) -> _Read:
    """Return the runs of a review, read and checked.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``
    is_check : go on past logs that cannot be used, and say nothing that compares tunings

    Raises
    ------
    GpubenchError : the plan, the run sheet or a log cannot be used
    """
    plan = plan_of(folder)
    logs = open_review(plan, keep_going=is_check)
    run_metrics = compute_run_metrics(logs, plan)
    findings = check_review(logs, run_metrics, plan, is_blind=is_check)
    usable = exclude_runs(logs, run_metrics, findings)
    return _Read(plan, logs, run_metrics, findings, usable, used_runs(logs, findings))


def check_options(count_look: bool, pictures: str = "none") -> None:
    """Refuse options of a call before anything is read.

    Parameters
    ----------
    count_look : whether a look is counted
    pictures : which pictures are written

    Raises
    ------
    ReportError : it is something else
    """
    check_given(count_look, bool, where="count_look", wanted="True or False", error=ReportError)
    check_pictures(pictures)


def runs_text(runs: pd.DataFrame, findings: pd.DataFrame) -> str:
    """Return how many runs count and what was found, in a sentence.

    Parameters
    ----------
    runs, findings : see ``model.tables.RUNS`` and ``FINDINGS``
    """
    used, of = int(runs["used"].sum()), count_text(len(runs), "run")
    return say("notebook.runs", used=used, of=of, findings=count_text(len(findings), "finding"))


def look_text(looks: Looks, count_look: bool, *tables: pd.DataFrame) -> str:
    """Return the present look in a sentence.

    Parameters
    ----------
    looks : looks at the verdicts
    count_look : whether the present one counts, and is written down
    tables : what it gives: ``comparisons`` and ``overall``
    """
    return looks.record(*tables) if count_look else say("notebook.not_counted")


@dataclass(frozen=True, repr=False)
class ReviewResults(Stage[ReviewSection]):
    """A review from its folder to its verdicts; tables are as declared in ``model.tables``.

    Attributes
    ----------
    plan : the review's plan, as its first look pinned it
    logs : its runs, with what was found out about their logs
    runs, findings, noise, comparisons, overall, claims, usable, run_metrics : DataFrame each, see ``RUNS``,
        ``FINDINGS``, ``NOISE``, ``COMPARISONS``, ``OVERALL``, ``CLAIMS``, ``USABLE`` and ``RUN_METRICS``
    levels : DataFrame; see `gpubench_kit.statistics.compare.LEVELS`
    costs : DataFrame; see `gpubench_kit.costs.COSTS`
    sentences : what can be said of the results; see `gpubench_kit.claims.script.Proposals`
    sweep : the sweep in this review, or why there is none
    looks : looks at its verdicts, the present one included
    look_text : the present look in a sentence
    pictures : which pictures `write` writes
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
    sweep: find.SweepInReview
    looks: Looks
    look_text: str
    pictures: str = "none"

    _named = "metrics, comparisons, overall, noise, findings, claims, runs"

    @cached_property
    def metrics(self) -> pd.DataFrame:
        """Values of all runs with game, tuning and round beside them: see ``METRIC_VALUES``."""
        return metric_values(self.logs, self.run_metrics, self.usable, runs=self.runs)

    def frames(self, run: str) -> pd.DataFrame:
        """Return the frames of one run, for `gpubench_kit.plots.frame_times` and ``percentiles``; its log is read.

        Parameters
        ----------
        run : name of the run, as in ``runs``

        Returns
        -------
        DataFrame, one row per frame: ``run``; ``time_s``, when it began, from the start of the first one [s];
        ``frame_ms``, how long it took [ms]

        Raises
        ------
        TableError : there is no such run, or it has no log of frames
        LogError : the log cannot be used
        """
        frames = self.logs.frames_of(run)
        return pd.DataFrame({"run": run, "time_s": frames.time_s, "frame_ms": frames.frame_ms})

    @cached_property
    def _results(self) -> Results:
        """What the page is made of."""
        return Results(
            self.plan, self.runs, self.findings, self.noise, self.usable, self.comparisons, self.overall,
            self.levels, self.run_metrics, self.claims, self.sentences, self.costs, self.sweep, self.logs.facts_of,
            self.looks.made, self.looks.changes, self.looks.missing, __version__, self.pictures,
        )  # fmt: skip

    def write(self, folder: str | Path) -> Path:
        """Write tables with their description, the sheet for the script, and pictures for the film."""
        place = super().write(folder)
        write_script_sheet(self.claims, self.sentences, place, plan=self.plan)
        write_film(self._results, place, pictures=self.pictures)
        return place

    def _tables(self) -> Mapping[str, pd.DataFrame]:
        names = ("runs", "run_metrics", "findings", "noise", "comparisons", "overall", "claims")
        return {name: getattr(self, name) for name in names} | dict(self.sweep.tables)

    def _sections(self) -> Sections:
        names = ("answer", "by_game", "watts", "games", "script", "quality", "downloads")
        return {one: partial(getattr(page, one), self._results) for one in names} | {
            "tuning": partial(page.tuning, self.sweep, self.plan), "cautions": partial(page.cautions, self.plan),
        }  # fmt: skip

    def _lines(self) -> list[str]:
        return [headline(self._results), runs_text(self.runs, self.findings), self.look_text]


@stage
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
    check_options(count_look, pictures)
    read = read_runs(folder)
    usable, looks = read.usable, open_looks(read.plan, read.usable)
    plan = looks.plan
    noise = estimate_noise(usable, plan)
    comparisons = compare_tunings(usable, plan, looks=looks, may_be_empty=True)
    overall = compare_over_games(usable, plan, looks=looks, may_be_empty=True)
    sweep = find.sweep_in_review(usable, read.runs, plan, looks_made=looks.made)
    return ReviewResults(
        plan, read.logs, read.runs, read.findings, noise, comparisons, overall,
        check_claims(comparisons, overall, plan, sweep=sweep, looks=looks), usable, read.run_metrics,
        levels_of_games(noise, plan), estimate_costs(comparisons, overall, plan),
        proposed_sentences(comparisons, overall, plan), sweep, looks,
        look_text(looks, count_look, comparisons, overall), pictures,
    )  # fmt: skip
