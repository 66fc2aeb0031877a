"""What a reader must know beside the results: cautions, alerts, sentences of the script, and corrections."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from operator import itemgetter
from typing import Any

import pandas as pd

from gpubench_kit.claims.script import Proposals
from gpubench_kit.model.formats import RULES
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.page import elements as html
from gpubench_kit.page.elements import Markup, Section
from gpubench_kit.page.results import Results, Scene
from gpubench_kit.statistics.looks import level_of_looks
from gpubench_kit.statistics.stability import pooled_failure_bound
from gpubench_kit.wording.catalogue import has, say
from gpubench_kit.wording.numbers import change_and_interval_text
from gpubench_kit.wording.terms import Mark, margin_text, metric_of, names_text, reason_text

#: What a reader of a report must know before copying a tuning.
REPORT = ("warranty", "stability", "one_card", "steps", "mains", "estimates")
#: What a reviewer must know at the test setup, and whoever reads an archive of reports.
BENCH = ("steps", "crash", "warranty", "mains")
ARCHIVE = ("warranty", "stability", "one_card", "steps")


def caution_lines(names: Iterable[str]) -> list[tuple[str, str]]:
    """Return cautions by name, each as its lead and its text."""
    return [(say(f"caution.{name}.lead"), say(f"caution.{name}.text")) for name in names]


def caution_box(names: Iterable[str]) -> Markup:
    """Return cautions as a box."""
    return html.render("cautions.html.j2", {"lines": caution_lines(names)})


def cautions(plan: ReviewPlan) -> Section:
    """Return the cautions of a report, with what the plan states about stability and the number of cards.

    Parameters
    ----------
    plan : ReviewPlan
    """
    samples = [
        say("caution.samples", n=len(unit.cards), card=unit.name) if len(unit.cards) > 1
        else say("caution.one_sample", card=unit.name)
        for unit in plan.card_units
    ]  # fmt: skip
    more = html.bullets([*samples, *_stability(plan), say("caution.scene"), say("caution.interval")])
    body = html.join([caution_box(REPORT), html.details(say("caution.limits"), more)])
    return Section("cautions", say("caution.title"), body)


def bench_cautions() -> Section:
    """Return the cautions for those who tune and measure: pages of check, plan and sweep carry them."""
    return Section("bench-cautions", say("caution.bench_title"), caution_box(BENCH))


def archive_cautions() -> Section:
    """Return the cautions of the archive: what old reports do not say about a card at hand."""
    return Section("cautions", say("caution.title"), caution_box(ARCHIVE))


def _stability(plan: ReviewPlan) -> Iterator[str]:
    """Yield what hours of testing say about each tuning, as the plan states them, and what they do not say."""
    stated = [one for one in plan.tunings if one.stability]
    for tuning in stated:
        bound = pooled_failure_bound((test.failures, test.hours) for test in tuning.stability)
        yield say("caution.hours", tuning=tuning.name, sentence=bound.sentence)
    if stated:
        yield say("caution.hours_limits")
    silent = [one.name for one in plan.tunings if not one.stability and not one.reference]
    if silent:
        yield say("caution.no_hours", n=len(silent), tunings=names_text(silent))


#: Changed decisions told one by one, and findings; the rest is counted.
_CHANGES_TOLD, _FINDINGS_TOLD, _RUNS_TOLD = 6, 3, 6

#: Checks whose finding touches what a tuning or a verdict is.
_TOUCHING = ("tuning_not_as_declared", "tuning_not_applied", "same_file_twice", "same_samples_twice")


def alerts(results: Results) -> list[str]:
    """Return what stands boxed below the answer, one text each; most pages have none."""
    told, (made, planned) = [], (results.looks_made, results.plan.analysis.looks)
    if results.changes:
        listed = "; ".join(
            what if what == RULES else say("alert.change", what=what, before=before, now=now)
            for what, before, now in results.changes[:_CHANGES_TOLD]
        )
        told.append(_and_more(say("alert.changed", listed=listed), len(results.changes) - _CHANGES_TOLD))
    if lost := results.lost_runs:
        text = say("alert.lost_runs", n=len(lost), listed=", ".join(lost[:_RUNS_TOLD]))
        told.append(_and_more(text, len(lost) - _RUNS_TOLD))
    if made > planned:
        too_many = level_of_looks(results.plan, looks_made=made)[1]
        told.append(say("alert.looks_too_many" if too_many else "alert.looks", made=made, planned=planned))
    # The order of runs is taken from the plan, where no clock confirms it.
    judged = results.runs[results.runs["used"].fillna(False).astype(bool) & results.runs["order"].notna()]
    if unverified := int(judged["order_done"].isna().sum()):
        told.append(say("alert.order_all") if unverified == len(judged) else say("alert.order", n=unverified))
    if results.plan.analysis.adjust == "none":
        told.append(say("alert.screening"))
    messages = list(dict.fromkeys(results.findings.loc[results.findings["check"].isin(_TOUCHING), "message"]))
    told += messages[:_FINDINGS_TOLD]
    more = len(messages) - _FINDINGS_TOLD
    return [*told, *[say("alert.findings", n=more)] * (more > 0)]


def _and_more(text: str, more: int) -> str:
    """Return a text with word of how many more there are."""
    return f"{text} {say('alert.more', n=more)}" if more > 0 else text


def finding_lines(results: Results, scene: Scene) -> list[str]:
    """Return findings that withhold a verdict and concern runs of one scene: they belong where they bite."""
    found, runs = results.findings, results.runs
    here = runs.loc[(runs["game"] == scene.game) & (runs["setting"] == scene.setting) & (runs["run"] != ""), "run"]
    stops = found.loc[(found["severity"] == "stop") & found["run"].isin(here), "message"]
    return list(dict.fromkeys(stops))[:_FINDINGS_TOLD]


_OUTCOMES = {"supported": ("✓", "vg"), "contradicted": ("✗", "vb"), "not_shown": ("?", "vu")}


def script(results: Results) -> Section:
    """Return the section on the sentences of the script; left out where there is none to check or to propose.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    """
    proposed = results.sentences or Proposals((), ())
    if not len(results.claims) and not proposed.safe and not proposed.not_shown:
        return html.left_out("script", say("script.heading"), say("script.left_out"))
    sentences = [
        {
            "id": f"claim-{html.slug(row.id)}", "text": row.text, "mark": outcome_mark(row.verdict),
            "say": row.suggested_text or row.text, "evidence": row.evidence,
        }
        for row in results.claims.itertuples()
    ]  # fmt: skip
    values = {"sentences": sentences, "safe": proposed.safe, "not_shown": proposed.not_shown}
    return Section("script", say("script.heading"), html.render("script.html.j2", values))


def outcome_mark(outcome: str) -> Mark:
    """Return how the outcome of a claim is shown."""
    sign, css = _OUTCOMES[outcome]
    return Mark(say(f"script.outcome.{outcome}"), sign, css, "")


#: Rows of a table that stand open on the page; longer ones are folded.
_OPEN = 12
#: Rows that the page prints at all; the table beside it holds every one.
_PRINTED = 200
_RESULTS, _SCRIPT = ("overall", "game"), ("claim", "claim_text")
#: Parts of what a report is made of; those that are counted.
_MADE_OF = ("title", "input", "input_name", "decision", "version", "looks")
_COUNTED = ("input", "input_name", "decision", "version")
_HASH_DIGITS = 12


def changes(corrections: pd.DataFrame, *, is_new: bool, fingerprint: str) -> Section:
    """Return the section on what changed since the earlier report.

    Parameters
    ----------
    corrections : DataFrame, one row per change; see ``report.changes.CHANGES``
    is_new : whether the latest correction was made by this report; else nothing changed since the earlier one
    fingerprint : hash of the earlier report
    """
    numbers = sorted(corrections["correction"].unique(), reverse=True)
    latest, older = (numbers[:1], numbers[1:]) if is_new else ([], numbers)
    parts = [_correction(corrections[corrections["correction"] == one]) for one in latest]
    parts = parts or [html.paragraph(say("changes.nothing"))]
    for number in older:
        body = _correction(corrections[corrections["correction"] == number], number=number)
        parts.append(html.details(say("changes.older", number=number), body))
    about = Markup('<span class="code">{}</span>').format(fingerprint[:_HASH_DIGITS])
    told = [say("changes.precise"), html.join([html.link("tables/changes.csv", "changes.csv"), "."])]
    parts.append(html.paragraph(*told, say("changes.fingerprint"), about))
    return Section("changes", say("changes.title"), html.join(parts))


def result_moves(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the results that read otherwise on the page, those with another verdict first.

    Parameters
    ----------
    rows : DataFrame, changes of one correction

    Returns
    -------
    DataFrame, with the further columns ``text_before``, ``text_now`` and ``is_verdict``
    """
    moved = rows[rows["part"].isin(_RESULTS)]
    texts = {
        f"text_{side}": [_result_text(row, side) for row in moved.to_dict("records")] for side in ("before", "now")
    }
    moved = moved.assign(**texts, is_verdict=moved["before"] != moved["now"])
    read = moved[(moved["text_before"] != moved["text_now"]) | moved["is_verdict"]]
    return read.sort_values("is_verdict", ascending=False, kind="stable")


def _correction(rows: pd.DataFrame, *, number: int | None = None) -> Markup:
    """Return one correction: what reads otherwise now, then what was changed beneath it."""
    moves = result_moves(rows)
    said, made_of = rows[rows["part"].isin(_SCRIPT)], rows[rows["part"].isin(_MADE_OF)]
    smaller = int(rows["part"].isin(_RESULTS).sum()) - len(moves)
    of = f" {say('changes.of', number=number)}" if number else ""
    verdicts, outcomes = int(moves["is_verdict"].sum()), int((said["part"] == "claim").sum())
    lead = [say("changes.verdicts", n=verdicts) if verdicts else say("changes.no_verdict")]
    lead = lead if len(moves) else [say("changes.none")]
    lead += [say("changes.otherwise", n=len(moves) - verdicts)] * (len(moves) > verdicts)
    lead += [say("changes.outcomes", n=outcomes)] * bool(outcomes)
    parts = [html.paragraph(*lead), *[html.paragraph(say("changes.smaller", n=smaller))] * bool(smaller)]
    is_explained = made_of["part"].isin(("input", "decision", "version")).any()
    if (len(moves) or smaller or len(said)) and not is_explained:
        parts.append(html.note(say("changes.unexplained")))

    def compared(row: dict[str, Any]) -> str:
        return f"{row['what']}: {metric_of(row['metric']).label}"

    parts += [
        _before_and_now(moves, "compared", compared, _result_cell, caption=say("changes.results", of=of)),
        _before_and_now(said, "sentence", itemgetter("what"), _outcome, caption=say("changes.script", of=of)),
    ]
    if len(made_of):
        counts = [
            say(f"changes.count.{part}", n=count)
            for part in _COUNTED
            if (count := int((made_of["part"] == part).sum()))
        ]
        caption = say("changes.made_of", of=of)
        parts += [
            html.heading(say("changes.changed", of=of)), html.bullets(counts),
            _before_and_now(made_of, "what", _named, _made_of_cell, caption=caption),
        ]  # fmt: skip
    return html.join(parts)


def _before_and_now(
    rows: pd.DataFrame, head: str, name: Callable[[Any], str], cell: Callable[[Any, str], Any], *, caption: str
) -> Markup:
    """Return what changed as a table; folded away where it is long, with a word where it is cut."""
    columns = [(head, name), ("before", lambda row: cell(row, "before")), ("now", lambda row: cell(row, "now"))]
    made, count = html.listing(columns, rows.head(_PRINTED).to_dict("records"), caption=caption), len(rows)
    if count > _PRINTED:
        made = html.join([made, html.paragraph(say("changes.cut", printed=_PRINTED, count=count))])
    return html.details(f"{caption}: {count}", made) if count > _OPEN else made


def _outcome(row: dict[str, Any], side: str) -> str:
    """Return the outcome or the text of a sentence before, or now."""
    found = row[side]
    key = f"script.outcome.{found}"
    return (say(key) if has(key) else found) or say("changes.not_in_script")


def _result_cell(row: dict[str, Any], side: str) -> str | Markup:
    """Return a result before, or now: its numbers and its verdict."""
    found = row[side]
    if not found:
        return say("changes.not_compared")
    is_known = found in VERDICTS
    shown = html.verdict_shown(found, row["metric"], row[f"{side}_change"]) if is_known else found
    return html.join([row[f"text_{side}"], shown], " ")


def _result_text(row: dict[str, Any], side: str) -> str:
    """Return what a result says besides its verdict; margin, reason and loss only where they differ."""
    if not row[side]:
        return ""
    change, low, high, margin = (row[f"{side}_{one}"] for one in ("change", "ci_low", "ci_high", "margin"))
    parts = [change_and_interval_text(change, low, high, unit=row["unit"])]
    if row["before_margin"] != row["now_margin"] and pd.notna(margin):
        parts.append(margin_text(margin, row["unit"]))
    if row["before_reason"] != row["now_reason"] and row[f"{side}_reason"]:
        parts.append(reason_text(row[f"{side}_reason"]))
    if row["before_no_loss"] != row["now_no_loss"] and row["before"] == row["now"]:
        parts.append(say("changes.no_loss" if row[f"{side}_no_loss"] == "true" else "changes.loss_open"))
    return ", ".join(parts)


def _named(row: dict[str, Any]) -> str:
    """Return what was changed, with its kind unless its name says it."""
    return (
        row["what"] if row["part"] in ("title", "looks") else say(f"changes.kind.{row['part']}", what=row["what"])
    )


def _made_of_cell(row: dict[str, Any], side: str) -> str | Markup:
    """Return a hash, version or decision before, or now."""
    text = row[side]
    if not text:
        return say("changes.not_there")
    is_hash = row["part"] == "input" or (row["part"] == "decision" and len(text) == 64 and text.isalnum())
    return Markup('<span class="code">{}</span>').format(text[:_HASH_DIGITS]) if is_hash else text
