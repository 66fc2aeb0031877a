"""The page of a sweep, and its section in a review: the answers, curves, every setting, what to measure next."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page import elements as html
from gpubench_kit.page.charts import Plot
from gpubench_kit.page.charts.sweeps import (
    SweptPart,
    parts_of,
    power_over_ladder,
    rate_against_power,
    rate_over_ladder,
    together,
)
from gpubench_kit.page.elements import Head, Markup, Section
from gpubench_kit.page.sweep_answers import (
    advice_sentences,
    answer_sentences,
    between_cards_shown,
    failure_table,
    loss_text,
    notes_on,
    reading_tables,
    setting_tables,
)
from gpubench_kit.sweep.answers import SWEEP_TABLES
from gpubench_kit.sweep.find import Sweep, SweepInReview
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import change_text, count_text, interval_text, percent_text, unit_text
from gpubench_kit.wording.terms import capital, day_text, of_group, starting

_METHOD = ("efficient", "curve", "band", "knee", "next")


def sweep_head(sweep: Sweep, plan: ReviewPlan, *, cautions: list[str] | None = None) -> Section:
    """Return the head of the page: the lowest power without a loss that matters, and the most efficient setting.

    Parameters
    ----------
    sweep : see `gpubench_kit.sweep.find.find_tuning`
    plan : ReviewPlan
    cautions : what to know before any number, see `gpubench_kit.page.caveats`
    """
    settings = sweep.settings[~sweep.settings["is_factory"].fillna(False).astype(bool)]
    kick = (
        say("sweep.kick"), plan.review.title, plan.review.author,
        day_text(plan.review.date) if plan.review.date else "",
        count_text(settings["tuning"].nunique(), "setting"),
        count_text(int(sweep.settings["n_games"].max()) if len(sweep.settings) else 0, "game"),
        say("sweep.margin", margin=percent_text(plan.margin_of("avg_fps"))),
    )  # fmt: skip
    rows = [row for part in parts_of(sweep, plan) for row in _answer_rows(part)]
    rows.sort(key=lambda row: (not row["is_lowest"], row["watts"]))
    answers = answer_sentences(sweep, plan)
    body = html.join([
        html.render("sweep_answers.html.j2", {"rows": rows}) if rows else "",
        html.bullets(answers) if answers else html.paragraph(say("sweep.nothing"), css="result"),
        *map(html.note, [*(cautions or []), *notes_on(sweep)]),
    ])  # fmt: skip
    if rows and rows[0]["is_lowest"]:
        title = rows[0]["title"]
    else:
        title = say("sweep.no_title") if answers else say("sweep.no_data")
    return Section("result", title, body, head=Head(tuple(filter(None, kick))))


def _answer_rows(part: SweptPart) -> Iterator[dict[str, Any]]:
    """Yield the lowest power of a line of settings, and its most efficient setting, as rows of the answer card."""
    for kind, name in (("lowest", part.answer.lowest_tuning), ("efficient", part.answer.most_efficient_tuning)):
        row = part.row(name)
        is_new = row is not None and not row.is_factory and (kind == "lowest" or row.line == part.answer.line)
        if not is_new or not np.isfinite(row.board_w):
            continue
        lead = say(f"sweep.answer.{kind}", margin=percent_text(part.answer.margin))
        where = ", ".join(filter(None, [part.title, part.place_name(row.at)]))
        power, tiles = percent_text(round(-row.power_change, 1)), []
        for change, label, below in (
            ("fps", "rate", say("sweep.tile.at_most", loss=loss_text(row))),
            ("power", "power", unit_text(row.board_w, "W")),
            ("energy", "energy", unit_text(row.energy_per_frame_j, "J")),
        ):
            value, low, high = (getattr(row, f"{change}_{end}") for end in ("change", "ci_low", "ci_high"))
            if change == "fps" or np.isfinite(value):
                tiles.append({
                    "label": say(f"sweep.tile.{label}"), "figure": change_text(value), "below": below,
                    "interval": interval_text(low, high, "%"),
                })  # fmt: skip
        yield {
            "name": row.tuning, "what": of_group(f"{lead}. {capital(where)}", part.answer.group), "tiles": tiles,
            "is_lowest": kind == "lowest", "watts": row.board_w,
            "title": say("sweep.title", setting=starting(row.tuning), power=power, loss=loss_text(row)),
        }  # fmt: skip


def _section(name: str, parts: Iterable[str | Markup]) -> Section:
    """Return a section with its text and its parts; left out, with the reason, where there are none."""
    body = html.join(parts)
    return html.section(f"sweep.{name}", [html.paragraph(say(f"sweep.{name}.text")), body] if body else [])


def sweep_response(sweep: Sweep, plan: ReviewPlan) -> Section:
    """Return the section with the charts over the ladder; left out where fewer than two settings were measured.

    Parameters
    ----------
    sweep, plan : as in `sweep_head`
    """
    parts = parts_of(sweep, plan)
    shown: list[str | Markup] = []
    for part in parts:
        name = part.titled("" if part.answer.line else say("sweep.equal.no_other"))
        charts = html.figures(map(html.figure, (rate_over_ladder(part), *power_over_ladder(part))), css="trio")
        shown += [html.heading(capital(name)) if charts and len(parts) > 1 else "", charts]
    against = map(html.figure, (rate_against_power(lines) for lines in together(parts)))
    return _section("response", [*shown, html.figures(against, css="trio")])


def sweep_settings(sweep: Sweep, plan: ReviewPlan) -> Section:
    """Return the section with every setting, changes, tests, failures; left out where nothing was measured.

    Parameters
    ----------
    sweep, plan : as in `sweep_head`
    """
    parts = parts_of(sweep, plan)
    tables = [setting_tables(part, is_open=part is parts[0]) for part in parts]
    failures = [html.heading(say("sweep.failures.title")), html.paragraph(say("sweep.failures.text"))]
    return _section("settings", [*tables, *failures, failure_table(parts, sweep)] if parts else [])


def sweep_readings(sweep: Sweep, plan: ReviewPlan) -> Section:
    """Return the section on frame rate at equal power, and the reverse; left out where no power was measured.

    Parameters
    ----------
    sweep, plan : as in `sweep_head`
    """
    tables = [reading_tables(lines, sweep) for lines in together(parts_of(sweep, plan))]
    return _section("equal", [*tables, *between_cards_shown(sweep)] if any(tables) else [])


def sweep_next(sweep: Sweep, plan: ReviewPlan) -> Section:
    """Return the section on what to measure next, or why to stop; left out where nothing was measured.

    Parameters
    ----------
    sweep, plan : as in `sweep_head`
    """
    body = []
    for part in parts_of(sweep, plan):
        lead, items = advice_sentences(part, sweep)
        body += [html.paragraph(lead), html.bullets(items)]
    body += [html.paragraph(say("sweep.next.looks"))] if body else []
    return html.section("sweep.next", body, why=say("sweep.settings.left_out"))


def sweep_method(sweep: Sweep) -> Section:
    """Return the section on how the answers were found.

    Parameters
    ----------
    sweep : as in `sweep_head`
    """
    answers = sweep.answers
    level = percent_text(100 * float(answers["level"].max())) if len(answers) else say("sweep.method.the_level")
    order = say("sweep.method.order.text", level=level)
    shared = f" {say('sweep.method.order.shared')}" if answers["line"].nunique() > 1 else ""
    told = [
        *html.said_terms("sweep.method", ["loss"]), (say("sweep.method.order.term"), f"{order}{shared}"),
        *html.said_terms("sweep.method", _METHOD),
    ]  # fmt: skip
    return html.section("sweep.method", [html.terms(told)])


def sweep_files(plan: ReviewPlan, *, version: str, looks_made: int = 0) -> Section:
    """Return the section on files, versions and looks, with the downloads.

    Parameters
    ----------
    plan : as in `sweep_head`
    version : version of the kit
    looks_made : looks at verdicts so far, this one included
    """
    looks = say("files.looks_of", made=max(looks_made, 1), planned=plan.analysis.looks)
    facts = [
        (say("files.made_by"), f"gpubench_kit {version}"),
        (say("downloads.plan"), plan.fingerprint),
        (say("files.seed"), str(plan.analysis.seed)),
        (say("files.looks"), looks),
    ]
    whole = html.join([html.link("tuning/tables.zip", "tables.zip"), say("sweep.zip")], ": ")
    files = [*html.table_links("tuning/tables", SWEEP_TABLES.values()), whole]
    return html.section("files", [html.terms(facts), html.heading(say("downloads.title")), html.bullets(files)])


def tuning_charts(found: Sweep, plan: ReviewPlan) -> list[Plot]:
    """Return frame rate against power along the ladder, a chart for each card, test setup and group.

    Parameters
    ----------
    found : see `gpubench_kit.sweep.find.find_tuning`
    plan : ReviewPlan
    """
    drawn = map(rate_against_power, together(parts_of(found, plan)))
    return [one for one in drawn if one is not None]


def tuning(sweep: SweepInReview, plan: ReviewPlan) -> Section:
    """Return the section of a review on its sweep: the tuning found, what is read at equal power.

    Parameters
    ----------
    sweep : see `gpubench_kit.sweep.find.sweep_in_review`
    plan : ReviewPlan
    """
    title, found = say("sweep.found.title"), sweep.found
    if found is None:
        return html.left_out("tuning", title, sweep.why)
    lines = together(parts_of(found, plan))
    tables = [reading_tables(one, found) for one in lines]
    failed = failure_table([part for one in lines for part in one], found)
    return Section("tuning", title, html.join([
        html.bullets(answer_sentences(found, plan)), *map(html.note, notes_on(found)),
        html.figures(map(html.figure, tuning_charts(found, plan))),
        html.paragraph(say("sweep.found.text")) if any(tables) else "", *tables, *between_cards_shown(found),
        html.details(say("sweep.found.failures"), failed),
    ]))  # fmt: skip
