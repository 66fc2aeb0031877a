"""Sentences that the results carry, proposed word for word, and the sheet of them for a script."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from dataclasses import astuple, dataclass
from itertools import product
from pathlib import Path
from typing import Any

import pandas as pd

from gpubench_kit.claims.classify import classify_claim, page_level, stands_in_every_game
from gpubench_kit.claims.rules import SUPPORTED
from gpubench_kit.claims.sentences import (
    best_sentence,
    evidence,
    label_words,
    sides,
    standing,
    suggestion,
    unsafe_order,
    way_words,
    whose,
)
from gpubench_kit.claims.targets import Results, both_ways
from gpubench_kit.model.errors import ReportError
from gpubench_kit.model.metrics import section_metrics
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.sections import Claim, SubjectText
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.statistics.variance import direction_of
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.terms import capital

#: Most sentences in each of the two lists.
MOST = 8

_OVER = ("these_games", "every_game", "games_like_these")


@dataclass(frozen=True)
class Proposal:
    """A sentence, and what the data say about it."""

    text: str
    why: str


@dataclass(frozen=True)
class Proposals:
    """What can be said, strongest wording first in the order of the plan's metrics; and what may not.

    Attributes
    ----------
    safe : sentences that the data support
    not_shown : sentences often said in such a case that the data do not support, or contradict
    """

    safe: tuple[Proposal, ...]
    not_shown: tuple[Proposal, ...]

    def __repr__(self) -> str:
        return f"Proposals(safe={len(self.safe)}, not_shown={len(self.not_shown)})"


def proposed_sentences(comparisons: pd.DataFrame, overall: pd.DataFrame, plan: ReviewPlan) -> Proposals:
    """Return sentences that the data support, and those often said that they do not.

    Parameters
    ----------
    comparisons : DataFrame, one row per (pair, game, setting, metric); see ``tables.COMPARISONS``
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    plan : ReviewPlan

    Returns
    -------
    Proposals, at most `MOST` of each kind

    Notes
    -----
    Each sentence passes the same rules as a claim of the plan.
    """
    results = both_ways(comparisons, overall, plan=plan)
    safe = dict.fromkeys(
        [*_over_games(results, plan), *_in_every_game(results, plan, level=page_level(overall, plan))]
    )
    # What one sample of a model never shows.
    tunings = [one.name for one in plan.tunings if not one.reference]
    alone = [unit.name for unit in plan.card_units if len(unit.cards) == 1 and tunings]
    of_samples = (Proposal(say("claims.script.every_sample", card=card, tuning=tunings[0]),
                           say("claims.script.one_sample")) for card in alone)  # fmt: skip
    doubtful = dict.fromkeys([*_often_said(results, plan), *of_samples])
    return Proposals(tuple(safe)[:MOST], tuple(doubtful)[:MOST])


def _first(plan: ReviewPlan, section: str) -> list[str]:
    """Return the first metric of a section of the page that the plan compares."""
    return [one for one in section_metrics(section) if one in plan.analysis.metrics][:1]


def _over_games(results: Results, plan: ReviewPlan) -> Iterator[Proposal]:
    """Yield what is settled over the games measured, metric by metric and pair by pair."""
    start = (plan.analysis.primary, *_first(plan, "lows"), "board_w", *_first(plan, "energy"))
    wanted = (*start, *plan.analysis.metrics)
    metrics = [one for one in dict.fromkeys(wanted) if one in plan.analysis.metrics and direction_of(one)]
    for metric in metrics:
        for pair in plan.pairs():
            verdict = classify_claim(_claim(pair, metric, "better"), results, plan=plan)
            # What one game carries alone is no result over games, and is not offered as one.
            decided = [one for one in verdict.classified if not VERDICTS[one.target.row.verdict].is_open]
            settled = [one for one in decided if not one.target.row.carried_by]
            yield from (Proposal(best_sentence(one.target, plan), standing(one.target.row)) for one in settled)


def _in_every_game(results: Results, plan: ReviewPlan, *, level: float) -> Iterator[Proposal]:
    """Yield what holds in every scene: of each pair a gain, or else that nothing was lost."""
    for pair in plan.pairs():
        claims = [_claim(pair, plan.analysis.primary, says, over="every_game") for says in ("better", "no_loss")]
        verdicts = [classify_claim(claim, results, plan=plan) for claim in claims]
        held = [one for one in verdicts if stands_in_every_game(one, plan, level=level) and len(one.classified) > 1]
        safe = [one for one in held if not unsafe_order(each.target.row for each in one.classified)]
        yield from (Proposal(suggestion(one, plan=plan), evidence(one)) for one in safe[:1])


def _often_said(results: Results, plan: ReviewPlan) -> Iterator[Proposal]:
    """Yield what one often hears in such a case and the data do not show."""
    cases = product(_OVER, plan.pairs())
    claims = (claim for over, pair in cases for claim in _usual_claims(pair, results, over=over, plan=plan))
    for claim in claims:
        verdict = classify_claim(claim, results, plan=plan)
        if verdict.outcome != SUPPORTED and verdict.classified:
            yield Proposal(claim.text, say(f"claims.script.why.{verdict.outcome}", evidence=evidence(verdict)))


def _usual_claims(pair, results: Results, *, over: str, plan: ReviewPlan) -> Iterator[Claim]:
    """Yield the claims that suit what was measured: a gain where there was one, no loss where it was small."""
    primary = plan.analysis.primary
    rows = results.overall.get((*astuple(pair.of), *astuple(pair.against)), [])
    wanted = [primary] if over != "these_games" else [primary, *_first(plan, "lows"), *_first(plan, "energy")]
    for metric in (one for one in wanted if direction_of(one)):
        found = [row for row in rows if row.metric == metric and row.scope == "these_games"]
        gains = [(direction_of(metric) * row.change, row.margin) for row in found]
        if any(gain > 0 for gain, _ in gains):
            yield _claim(pair, metric, "better", over=over, text=_text(found[0], "better", over, plan))
        if metric == primary and any(-2 * margin < gain < 0 for gain, margin in gains):
            yield _claim(pair, metric, "no_loss", over=over, text=_text(found[0], "no_loss", over, plan))


def _text(row: Any, says: str, over: str, plan: ReviewPlan) -> str:
    """Return a claim as one hears it; with its card or bench where the same can be said of others."""
    of, against = sides(row, plan)
    where = whose(row, plan) if len(plan.cards) > 1 or len(plan.benches) > 1 else ""
    way = way_words(row.metric, is_up=direction_of(row.metric) > 0)
    kind = says if says == "no_loss" else "rate" if row.metric == "avg_fps" else "other"
    values = {"of": of, "against": against, "way": way, "label": label_words(row.metric)}
    place = "any_game" if kind == "no_loss" and over == "every_game" else over
    values["where"] = say(f"claims.script.over.{place}") + where
    return capital(say(f"claims.script.heard.{kind}", **values))


def _claim(pair, metric: str, says: str, *, over: str = "these_games", text: str = "-") -> Claim:
    """Return a claim about a pair."""
    of, against = (
        SubjectText(card=one.card, tuning=one.tuning, bench=one.bench) for one in (pair.of, pair.against)
    )
    return Claim(id="-", text=text, metric=metric, of=of, against=against, over=over, says=says)


SHEET_FILE = "claims.txt"

_WIDTH = 90


def script_sheet(claims: pd.DataFrame, proposals: Proposals, *, title: str = "") -> str:
    """Return a plain-text sheet to speak, or to write, from.

    Parameters
    ----------
    claims : DataFrame, one row per claim; see ``tables.CLAIMS``
    proposals : see `gpubench_kit.claims.script.proposed_sentences`
    title : of the review

    Returns
    -------
    str : lines of at most 90 signs
    """
    head = say("claims.script.title") + (f": {title}" if title else "")
    blocks = [_heading(head), *_filled(say("claims.script.note"))]
    blocks += [_heading(say("claims.script.of_plan"))] if len(claims) else []
    for row in claims.itertuples():
        blocks += ["", *_filled(f"[{say(f'script.outcome.{row.verdict}').upper()}] {row.text}")]
        said = say("claims.script.say", text=row.suggested_text)
        for text in (say("claims.script.evidence", text=row.evidence), said, row.to_settle):
            blocks += _filled(text, indent="    ")
    for name, listed in (("safe", proposals.safe), ("often", proposals.not_shown)):
        blocks += [_heading(say(f"script.{name}"))] if listed else []
        for one in listed:
            blocks += ["", *_filled(f"- {one.text}", hang="  "), *_filled(one.why, indent="    ")]
    return "\n".join(blocks).rstrip() + "\n"


def write_script_sheet(claims: pd.DataFrame, proposals: Proposals, folder: str | Path, *, plan: ReviewPlan) -> Path:
    """Write the sheet beside the tables of a report.

    Parameters
    ----------
    claims, proposals : as in `script_sheet`
    folder : folder of the report; the sheet is written into its ``tables/``
    plan : ReviewPlan, gives the title

    Returns
    -------
    Path of the file

    Raises
    ------
    ReportError : the file cannot be written
    """
    target = Path(folder) / "tables" / SHEET_FILE
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(script_sheet(claims, proposals, title=plan.review.title), encoding="utf-8", newline="\n")
    except OSError as error:
        raise ReportError(f"{SHEET_FILE}: cannot be written ({error.strerror}).") from error
    return target


def _heading(text: str) -> str:
    """Return an underlined heading after an empty line."""
    lines = list(_filled(text))
    return "\n".join(["", *lines, "=" * max(map(len, lines))])


def _filled(text: str, *, indent: str = "", hang: str = "") -> Iterator[str]:
    """Yield text in lines; what a reader wrote is kept to one paragraph."""
    # A number and its percent sign stay on one line.
    words = " ".join(text.split()).replace(" %", "\u00a0%")
    lines = textwrap.wrap(
        words, _WIDTH, initial_indent=indent, subsequent_indent=indent + hang, break_on_hyphens=False
    )
    yield from (line.replace("\u00a0", " ") for line in lines)
