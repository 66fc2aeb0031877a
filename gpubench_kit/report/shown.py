"""What the stages of the job share in a notebook: a summary that shows itself, sections, a review that is read."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

import pandas as pd

from gpubench_kit.bundled import check_parameters
from gpubench_kit.checks.review import check_review, exclude_runs, used_runs
from gpubench_kit.logs.review import Review, open_review
from gpubench_kit.metrics.per_run import compute_run_metrics
from gpubench_kit.model.errors import Fault, PlanError, ReportError, listed, shown, suggestion
from gpubench_kit.model.plan import PLAN_FILE, ReviewPlan, load_plan
from gpubench_kit.page.elements import Markup, bullets, heading, join
from gpubench_kit.page.section import MIME, Section
from gpubench_kit.page.stylesheet import look
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import count_text


class Shown:
    """What shows itself as a short summary; the style of its sections comes along."""

    def _plan(self) -> Any:
        """Return what gives the style: the plan, or what has a style itself."""
        return getattr(self, "plan", self)

    def _summary(self) -> tuple[str, list[str]]:
        """Return a title and sentences, as plain text."""
        raise NotImplementedError

    def _repr_html_(self) -> str:
        """Return the summary as HTML; all text in it is escaped."""
        title, lines = self._summary()
        body = join((heading(title, level=2), bullets(lines)))
        return str(Markup('<section class="kit summary">\n{}</section>\n').format(body))

    def _repr_mimebundle_(self, include=None, exclude=None) -> dict[str, Any]:
        """Return the summary behind the style sheet of all sections, which the page takes from here."""
        style = look(self._plan())._repr_mimebundle_()
        return {
            "text/html": f"{style['text/html']}\n{self._repr_html_()}",
            "text/plain": repr(self),
            MIME: style[MIME],
        }

    def __repr__(self) -> str:
        title, lines = self._summary()
        return "\n".join((title, *(f"  {line}" for line in lines)))


def section_of(sections: Mapping[str, Callable[..., Section]], name: str) -> Section:
    """Return the section of a name.

    Parameters
    ----------
    sections : what makes each, by name
    name : the name asked for

    Raises
    ------
    ReportError : there is no section of that name
    """
    if name not in sections:
        problem = f"there is none named {shown(name)} (sections: {listed(sections)})."
        raise ReportError(Fault("section", problem, suggestion(str(name), sections)))
    return sections[name]()


class Read(NamedTuple):
    """The runs of a review, read and checked."""

    plan: ReviewPlan
    logs: Review
    run_metrics: pd.DataFrame
    findings: pd.DataFrame
    usable: pd.DataFrame
    runs: pd.DataFrame


def plan_of(folder: str | Path) -> ReviewPlan:
    """Return the plan of a review folder; parameters that papermill misspelt stop the notebook before.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``

    Raises
    ------
    PlanError : there is no such folder, or its plan cannot be used
    ReportError : the notebook was given a parameter that it does not have
    """
    check_parameters()
    if not isinstance(folder, str | Path):
        problem = f"a {type(folder).__name__} was given in place of the folder of a review."
        raise PlanError(Fault("folder", problem, "Name the folder that holds plan.toml."))
    file = Path(folder)
    return load_plan(file if file.is_file() else file / PLAN_FILE)


def read_review(folder: str | Path, *, is_check: bool = False) -> Read:
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
    return Read(plan, logs, run_metrics, findings, usable, used_runs(logs, findings))


def runs_text(runs: pd.DataFrame, findings: pd.DataFrame) -> str:
    """Return how many runs count and what was found, in a sentence.

    Parameters
    ----------
    runs, findings : see ``model.tables.RUNS`` and ``FINDINGS``
    """
    used, of = int(runs["used"].sum()), count_text(len(runs), "run")
    return say("notebook.runs", used=used, of=of, findings=count_text(len(findings), "finding"))
