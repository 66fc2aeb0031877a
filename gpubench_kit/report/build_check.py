"""The page of `check`: made of the logs recorded so far, put beside the report, never a look at verdicts."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from gpubench_kit.checks import POSSIBLE, REDO
from gpubench_kit.logs.review import open_review
from gpubench_kit.model.errors import Fault
from gpubench_kit.model.plan import load_plan
from gpubench_kit.model.tables import FINDINGS, RUNS
from gpubench_kit.page.checking_words import head_sentences, is_anything_recorded, state_of_runs
from gpubench_kit.report.html import page_of
from gpubench_kit.report.package import read_table
from gpubench_kit.report.page_build import Progress, output_of, plan_file_of, run_bundled, tell_nobody
from gpubench_kit.report.place import ReportPlace

NOTEBOOK = "check_logs.ipynb"
PAGE, TABLES = "check.html", "check"

_RAN = 0.95


@dataclass(frozen=True)
class BuiltCheck:
    """What `build_check` made.

    Attributes
    ----------
    page : path of ``check.html``
    is_anything_recorded : whether there was anything to check
    summary : what the head of the page says: verdicts that the runs can give, runs to redo, the state of the runs
    row_faults : what is wrong with rows of the run sheet that were left out, each fault once
    can : metric, game and setting of each verdict of the plan that the runs can give
    cannot : those that they cannot give, with the reason and what to do
    """

    page: Path
    is_anything_recorded: bool
    summary: str
    row_faults: tuple[Fault, ...] = ()
    can: tuple[dict[str, str], ...] = ()
    cannot: tuple[dict[str, str], ...] = ()


def build_check(
    folder: str | Path, output: str | Path | None = None, *, progress: Progress | None = None
) -> BuiltCheck:
    """Check all logs recorded so far, and make the page with its tables beside the report.

    Parameters
    ----------
    folder : folder of the review, or its ``plan.toml``
    output : folder of the page; default ``reports/<name of the review folder>`` in the working directory. A
        report that stands there stays as it is
    progress : called with the share done and what is being done

    Returns
    -------
    BuiltCheck

    Raises
    ------
    GpubenchError : the plan or the whole run sheet cannot be used, or the page cannot be written; an earlier
        page is then as it was. Single rows and logs that cannot be used are findings
    """
    tell = progress or tell_nobody
    tell(0.0, "checking plan and run sheet")
    plan_file = plan_file_of(folder)
    plan = load_plan(plan_file)
    row_faults = open_review(plan, keep_going=True).row_faults
    place = ReportPlace(output_of(plan, output), plan.folder, names=(PAGE, TABLES))
    with place as staging:
        executed = run_bundled(NOTEBOOK, plan_file, staging / TABLES, tell=tell, until=_RAN)
        tell(_RAN, "laying out the page")
        (staging / PAGE).write_text(page_of(executed), encoding="utf-8", newline="\n")
        tables = staging / TABLES / "tables"
        possible, runs, redo, findings = (
            read_table(tables / f"{one.name}.csv", one) for one in (POSSIBLE, RUNS, REDO, FINDINGS)
        )
        place.finish()
    tell(1.0, "done")
    summary = [" ".join(head_sentences(possible, runs, redo=redo)), *state_of_runs(runs, findings)]
    able = possible["can"].astype(bool)
    can = possible.loc[able, ["metric", "game", "setting"]].to_dict("records")
    cannot = possible.loc[~able, ["metric", "game", "setting", "reason", "fix"]].to_dict("records")
    page, is_any = place.target / PAGE, is_anything_recorded(runs)
    return BuiltCheck(page, is_any, "\n".join(summary), row_faults, tuple(can), tuple(cannot))
