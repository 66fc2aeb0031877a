"""The page of `check`: which verdicts the runs can give, what to redo, every finding; never a difference."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.checks.evidence import run_text
from gpubench_kit.checks.review import check_of
from gpubench_kit.claims.check import sign_note
from gpubench_kit.files import slug
from gpubench_kit.logs.review import Review
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page.checking_runs import is_of_files, pictures_of_run
from gpubench_kit.page.checking_words import head_sentences, is_read, state_of_runs
from gpubench_kit.page.data_quality import finding_text, message_text
from gpubench_kit.page.elements import (
    Head,
    Markup,
    Section,
    bullets,
    columns,
    details,
    figure,
    figures,
    heading,
    join,
    left_out,
    link,
    listing,
    note,
    paragraph,
    terms,
)
from gpubench_kit.wording.catalogue import has, isolated, say
from gpubench_kit.wording.terms import check_words, scene_text

#: Runs shown with a picture; a page with more is slow to open, and says so.
_MOST_PICTURED = 40


def check_head(
    runs: pd.DataFrame, findings: pd.DataFrame, *, redo: pd.DataFrame, possible: pd.DataFrame, plan: ReviewPlan
) -> Section:
    """Return the head of the page: which verdicts the runs can give, what has to be redone, the state of the runs.

    Parameters
    ----------
    runs : DataFrame, one row per run; see ``tables.RUNS``
    findings : DataFrame, one row per finding; see ``tables.FINDINGS``
    redo : DataFrame, one row per run to redo; see `gpubench_kit.checks.REDO`
    possible : DataFrame, one row per metric, game and setting; see `gpubench_kit.checks.POSSIBLE`
    plan : ReviewPlan
    """
    first, *more = head_sentences(possible, runs, redo=redo)
    told = paragraph(*more, css="result")
    state = bullets(message_text(one) for one in state_of_runs(runs, findings))
    signs = [
        note(say("check.claim", id=one.id, text=one.text, note=sign_note(one)))
        for one in plan.claims
        if sign_note(one)
    ]
    body = join([told, state, *signs, paragraph(say("check.no_look"), css="muted")])
    title = _title(possible, runs, redo=redo)
    return Section("result", title, body, head=Head((say("check.kick", title=plan.review.title),), (first,)))


def _title(possible: pd.DataFrame, runs: pd.DataFrame, *, redo: pd.DataFrame) -> str:
    """Return what to do next in a few words: redo runs, go on recording, or report."""
    needed = int(redo["is_needed"].sum())
    if needed:
        return say("check.title.redo", n=needed)
    waiting = int((~is_read(runs)).sum())
    if waiting:
        return say("check.title.record", n=waiting)
    return say("check.title.ready" if possible["can"].astype(bool).any() else "check.title.not_yet")


def check_redo(redo: pd.DataFrame, plan: ReviewPlan) -> Section:
    """Return the list to take back to the bench: runs to redo first, then runs that ask for a cause.

    Parameters
    ----------
    redo : DataFrame, one row per run to redo; see `gpubench_kit.checks.REDO`
    plan : ReviewPlan
    """
    if not len(redo):
        return Section("redo", say("check.redo.title"), paragraph(say("check.redo.none")))
    cells = {
        "run": lambda row: link(f"#{_address(row.run)}", row.run),
        "what": _what,
        "why": lambda row: ", ".join(row.why.replace("_", " ").split("; ")),
    }
    cells |= {"card": lambda row: row.card} if len(plan.cards) > 1 else {}
    cells |= {"bench": lambda row: row.bench} if len(plan.benches) > 1 else {}
    body = []
    for kind, rows in (("first", redo[redo["is_needed"]]), ("cause", redo[~redo["is_needed"]])):
        if len(rows):
            caption = say(f"check.redo.{kind}.caption")
            table = listing(columns(cells), rows.itertuples(), caption=caption, css="redo")
            body += [heading(say(f"check.redo.{kind}.title")), paragraph(say(f"check.redo.{kind}.text")), table]
    return Section("redo", say("check.redo.title"), join(body))


def _what(row: Any) -> Markup:
    """Return game, tuning and round of a run, as few words as fit beside each other on a telephone."""
    below = ", ".join(filter(None, [row.tuning, _round(row.round)]))
    return Markup('{}<br><span class="unit">{}</span>').format(scene_text(row.game, row.setting), below)


def _round(number: Any) -> str:
    return "" if pd.isna(number) else say("check.round", round=number)


def check_findings(review: Review, findings: pd.DataFrame, *, redo: pd.DataFrame, plan: ReviewPlan) -> Section:
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
    told = findings[~is_of_files(findings)]
    if not len(told):
        return left_out("findings", say("quality.findings"), say("check.findings.left_out"))
    single = told[told["run"].isin(review.runs["run"])]
    found_in = set(single["run"])
    order = [run for run in dict.fromkeys([*redo["run"], *single["run"]]) if run in found_in]
    several = told[~told["run"].isin(found_in)]
    routine = np.array([check_of(one).is_routine for one in several["check"]], dtype=bool)
    notes = terms(map(_term, several[routine].itertuples()))
    body = [
        heading(say("check.findings.several")) if not routine.all() else "",
        terms(map(_term, several[~routine].itertuples())),
        details(say("check.findings.notes", n=int(routine.sum())), notes),
    ]
    unseen = max(0, len(order) - _MOST_PICTURED)
    body += [paragraph(say("check.findings.unseen", n=unseen))] * bool(unseen)
    for place, run in enumerate(order):
        own = single[single["run"] == run]
        row = review.runs[review.runs["run"] == run].iloc[0]
        what = ", ".join(
            filter(None, [scene_text(row["game"], row["setting"]), row["tuning"], _round(row["round"])])
        )
        title = heading(f"{run}: {what}", name=_address(run))
        start = f"{isolated(run_text(row))}: "
        listed = terms(_term(one, start) for one in own.itertuples())
        checks, is_pictured = tuple(own["check"]), place < _MOST_PICTURED
        drawn = pictures_of_run(review, run, plan=plan, checks=checks, found_in=found_in) if is_pictured else []
        run_block = join([title, listed, figures(map(figure, drawn))])
        body.append(run_block)
    return Section("findings", say("quality.findings"), join(body))


def _term(row: Any, start: str = "") -> tuple[Markup | str, str]:
    """Return the name of a check with what its finding does where it does anything, and the finding in words."""
    key, name = f"check.does.{row.severity}", check_words(row.check)
    does = Markup('{} <span class="unit">{}</span>').format(name, say(key)) if has(key) else name
    return does, finding_text(row, start)


def _address(run: str) -> str:
    """Return the address of a run on the page."""
    return slug("run", run)
