"""The page of `check`: what to take back to the bench, and every finding with its picture; never a difference."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from typing import Any

import pandas as pd

from gpubench_kit.checks.evidence import place_text
from gpubench_kit.claims.rules import sign_note
from gpubench_kit.file_names import slug
from gpubench_kit.logs.review import Review
from gpubench_kit.model.errors import shown
from gpubench_kit.page.charts import Plot
from gpubench_kit.page.checking_pictures import pictures_of_run
from gpubench_kit.page.checking_words import head_sentences, state_of_runs
from gpubench_kit.page.data_quality import message_text
from gpubench_kit.page.drawn import figure, figures
from gpubench_kit.page.elements import (
    Column,
    Markup,
    bullets,
    details,
    heading,
    join,
    link,
    note,
    paragraph,
    table,
    terms,
)
from gpubench_kit.page.section import Head, Section, left_out
from gpubench_kit.wording.numbers import count_text
from gpubench_kit.wording.terms import scene_text, sentence

#: Runs shown with a picture; a page with more is slow to open, and says so.
_MOST_PICTURED = 40

_CODE = re.compile(r"`([^`]+)`")

#: Findings on the sheet and its files, which have a section of their own.
OF_FILES = (
    "run_sheet_row", "files_without_row", "not_recorded_yet", "without_runs", "log_guessed", "logs_not_matched",
    "log_by_pattern",
)  # fmt: skip

_NO_LOOK = (
    "This page shows runs and their noise, and never shows differences between tunings. Looking at it as often as "
    "you like costs nothing: it is no look at verdicts."
)


def check_head(
    runs: pd.DataFrame, findings: pd.DataFrame, *, redo: pd.DataFrame, possible: pd.DataFrame, plan
) -> Section:
    """Return the head of the page: which verdicts the runs can give, what has to be redone, the state of the runs.

    Parameters
    ----------
    runs : DataFrame, one row per run; see ``tables.RUNS``
    findings : DataFrame, one row per finding; see ``tables.FINDINGS``
    redo : DataFrame, one row per run to redo; see `gpubench_kit.checks.REDO`
    possible : DataFrame, one row per metric, game and setting; see `gpubench_kit.checks.POSSIBLE`
    plan : ReviewPlan

    Returns
    -------
    Section
    """
    told = paragraph(*head_sentences(possible, runs, redo=redo), css="result")
    state = bullets(message_text(one) for one in state_of_runs(runs, findings))
    signs = [note(f"Claim “{one.id}” (“{one.text}”): {sign_note(one)}") for one in plan.claims if sign_note(one)]
    body = join([told, state, *signs, paragraph(_NO_LOOK, css="muted")])
    return Section("result", f"Check: {plan.review.title}", body, head=Head())


def check_redo(redo: pd.DataFrame, plan) -> Section:
    """Return the list to take back to the bench: runs to redo first, then runs that ask for a cause.

    Parameters
    ----------
    redo : DataFrame, one row per run to redo; see `gpubench_kit.checks.REDO`
    plan : ReviewPlan

    Returns
    -------
    Section
    """
    needed, asked = redo[redo["is_needed"]], redo[~redo["is_needed"]]
    if not len(redo):
        return Section("redo", "Back to the bench", paragraph("No run has to be redone."))
    first = "Verdicts need these runs. Games are kept together, so that each is started once."
    then = "Something was odd here. Find the cause first: redo the run only if the cause is no part of the game."
    body = [
        heading("Redo first"),
        paragraph(first) if len(needed) else paragraph("None."),
        _redo_table(needed, plan, caption="Runs to redo, in the order of the bench"),
        heading("Look for a cause") if len(asked) else "",
        paragraph(then) if len(asked) else "",
        _redo_table(asked, plan, caption="Runs that ask for a cause"),
    ]
    return Section("redo", "Back to the bench", join(body))


def _redo_table(rows: pd.DataFrame, plan, *, caption: str) -> Markup:
    """Return runs of the list as a table; card and bench only where there are several."""
    with_card, with_bench = len(plan.cards) > 1, len(plan.benches) > 1
    columns = [Column("Run"), Column("What"), Column("Why")]
    columns += [Column("Card")] * with_card + [Column("Bench")] * with_bench
    lines = [
        [
            link(f"#{_address(row.run)}", row.run), _what(row), _listed(row.why.split("; ")),
            *([row.card] * with_card), *([row.bench] * with_bench),
        ]
        for row in rows.itertuples()
    ]  # fmt: skip
    return table(columns, lines, caption=caption, css="runs redo")


def _what(row: Any) -> Markup:
    """Return game, tuning and round of a run, as few words as fit beside each other on a telephone."""
    below = ", ".join(part for part in (row.tuning, "" if pd.isna(row.round) else f"round {row.round}") if part)
    return Markup('{}<br><span class="unit">{}</span>').format(scene_text(row.game, row.setting), below)


def check_findings(review: Review, findings: pd.DataFrame, *, redo: pd.DataFrame, plan) -> Section:
    """Return every finding: those on several runs, then those on single runs with pictures of the run.

    Parameters
    ----------
    review : the runs, after their logs were read
    findings : DataFrame, one row per finding; see ``tables.FINDINGS``
    redo : DataFrame, one row per run to redo; its runs come first
    plan : ReviewPlan

    Returns
    -------
    Section; left out where the checks found nothing
    """
    name, title = "findings", "Findings"
    told = findings[~findings["check"].isin(OF_FILES)]
    if not len(told):
        return left_out(name, title, "the checks found nothing")
    single = told[told["run"].isin(review.runs["run"])]
    order = dict.fromkeys([*redo["run"], *single["run"]])
    blocks = []
    for place, run in enumerate(run for run in order if run in set(single["run"])):
        own = single[single["run"] == run]
        pictures = _pictures(review, run, findings=single, plan=plan) if place < _MOST_PICTURED else []
        blocks.append(_run_block(review, own, pictures=pictures))
    unseen = max(0, len(blocks) - _MOST_PICTURED)
    cut = f"The last {count_text(unseen, 'run')} stand without a picture." if unseen else ""
    body = [_of_several(told[~told["run"].isin(single["run"])]), paragraph(cut), *blocks]
    return Section(name, title, join(body))


def _pictures(review: Review, run: str, *, findings: pd.DataFrame, plan) -> list[Plot]:
    """Return the pictures of one run."""
    checks = findings.loc[findings["run"] == run, "check"]
    return pictures_of_run(review, run, plan=plan, checks=tuple(checks), found_in=set(findings["run"]))


def _run_block(review: Review, own: pd.DataFrame, *, pictures: Sequence[Plot]) -> Markup:
    """Return what was found in one run, with its pictures."""
    row = review.runs.set_index("run").loc[own["run"].iloc[0]]
    what = ", ".join(part for part in (scene_text(row["game"], row["setting"]), row["tuning"], _round(row)) if part)
    title = heading(f"{row.name}: {what}", name=_address(row.name))
    start = f"run {shown(row.name)} ({shown(row['tuning'])}, {place_text(row)}): "
    listed = terms((_kind(one), told_finding(one, start)) for one in own.itertuples())
    return join([title, listed, figures(map(figure, pictures))])


def _round(row: pd.Series) -> str:
    """Return the round of a run in words."""
    return "" if pd.isna(row["round"]) else f"round {row['round']}"


def _of_several(rows: pd.DataFrame) -> Markup:
    """Return the findings that concern more than one run; notes on how things are stay folded."""
    routine = rows["check"].isin(_ROUTINE)
    title = heading("Over several runs") if (~routine).any() else ""
    listed = terms((_kind(one), told_finding(one)) for one in rows[~routine].itertuples())
    folded = terms((_kind(one), told_finding(one)) for one in rows[routine].itertuples())
    return join([title, listed, details(f"Notes: {count_text(int(routine.sum()), 'finding')}", folded)])


#: Notes on how things are, which ask for nothing.
_ROUTINE = (
    "layout", "session_not_given", "order_not_verified", "frame_limit_declared", "lined_up_by_edge",
    "same_clock_taken", "started_together_taken", "frame_times_from_steps",
    "cut_last_line", "comment_lines", "summary_lines", "coarse_stamps", "one_sheet_read",
)  # fmt: skip


def told_finding(row: Any, start: str = "") -> str:
    """Return a finding in words: what was found, and what to do.

    Parameters
    ----------
    row : row of ``tables.FINDINGS``, as a named tuple
    start : how the message names its run, where that stands above it
    """
    message = message_text(row.message.removeprefix(start))
    return _CODE.sub(r"“\1”", f"{message} {row.action}".strip())


def _kind(row: Any) -> Markup | str:
    """Return the name of the check, and what its finding does where it does anything."""
    does = {"stop": "verdicts withheld", "exclude": "left out by rule"}.get(row.severity, "")
    name = sentence(row.check.replace("_", " "))
    return Markup('{} <span class="unit">{}</span>').format(name, does) if does else name


def _listed(checks: Iterable[str]) -> str:
    """Return names of checks in words."""
    return ", ".join(check.replace("_", " ") for check in checks)


def _address(run: str) -> str:
    """Return the address of a run on the page."""
    return slug("run", run)
