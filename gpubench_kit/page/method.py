"""Data quality in one line; how it was measured and judged, which test decided each game; the downloads."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import partial
from itertools import compress
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import ALL_TABLES, SEVERITIES
from gpubench_kit.page import elements as html
from gpubench_kit.page.answer_card import amounts_text, level_text, stand_alone
from gpubench_kit.page.caveats import alerts
from gpubench_kit.page.charts.curves import order_of_runs
from gpubench_kit.page.charts.from_tables import noise_of_games
from gpubench_kit.page.elements import Markup, Section, tied
from gpubench_kit.page.headline import short_reason
from gpubench_kit.page.pictures import FOLDER
from gpubench_kit.page.results import Results
from gpubench_kit.sweep.answers import SWEEP_TABLES
from gpubench_kit.wording.catalogue import has, say
from gpubench_kit.wording.numbers import (
    count_text,
    is_missing,
    number_text,
    percent_text,
    significant_text,
    unit_text,
    value_text,
)
from gpubench_kit.wording.terms import (
    capital,
    check_words,
    metric_label,
    metric_of,
    names_text,
    reason_words,
    scene_text,
)

_LAYOUTS = ("rounds", "restarts", "confounded", "not_stated")
_APPLIED = ("each_run", "each_block")


def method_body(results: Results) -> Markup:
    """Return what was measured, how, how differences are judged, and the definitions used."""
    plan, metrics = results.plan, results.run_metrics
    used = metrics.loc[metrics["metric"].isin(plan.analysis.metrics), ["metric", "definition"]].drop_duplicates()
    definitions = (
        (metric_label(metric), html.join(map(tied, part["definition"]), " "))
        for metric, part in used.groupby("metric", sort=False)
    )
    return html.join([
        html.heading(say("method.measured")), _tunings(plan), html.terms(_setups(plan)), _games(plan),
        html.heading(say("method.how")), html.bullets(_how(results)),
        html.heading(say("method.judged")), html.bullets(_judging(results)),
        html.heading(say("method.definitions")), html.terms(definitions),
    ])  # fmt: skip


def _tunings(plan: ReviewPlan) -> Markup:
    """Return the tunings and what each of them changes."""
    columns = [
        ("tuning", lambda one: say("method.reference", name=one.name) if one.reference else one.name),
        ("method.changes", lambda one: amounts_text(one.changes, signed=True) or say("method.none")),
        *[("method.held_at", lambda one: amounts_text(one.held_at))] * any(one.held_at for one in plan.tunings),
    ]
    return html.listing(columns, plan.tunings, caption=say("method.tunings"))


def _setups(plan: ReviewPlan) -> Iterator[tuple[str, str]]:
    """Yield the cards and the rest of the machine."""
    for card in plan.cards:
        yield card.name, say(f"method.role.{card.role}")
    for bench in plan.benches:
        room = "" if bench.room_c is None else say("method.room", degrees=number_text(bench.room_c, decimals=0))
        driver = say("method.driver", driver=bench.driver) if bench.driver else ""
        told = "; ".join(one for one in (driver, room) if one) or say("method.not_described")
        yield say("method.setup", name=bench.name).strip(), told


def _games(plan: ReviewPlan) -> Markup:
    """Return games, scenes and settings."""
    columns = [
        ("game", lambda one: scene_text(one[0].name, one[1].name)), ("method.scene", lambda one: one[0].scene),
        ("method.group", lambda one: "" if one[1].group == "all" else one[1].group),
        ("method.counted", lambda one: say(f"method.frames.{one[1].frames_counted}")),
        ("method.limited", lambda one: say(f"method.limit.{one[0].limited_by}")),
    ]  # fmt: skip
    scenes = [(game, one) for game in plan.games for one in game.settings]
    return html.listing(columns, scenes, caption=say("method.games"))


def _how(results: Results) -> Iterator[str]:
    """Yield how runs were ordered, and which were left out by rule."""
    plan, comparisons, rules = results.plan, results.comparisons, results.plan.exclude
    # Between models of which there are several samples the card is the unit.
    of_models = comparisons[["of_card", "against_card"]].isin(_models(results)).any(axis=1)
    is_between = (comparisons["of_card"] != comparisons["against_card"]) & ~of_models
    told = [say(f"method.layout.{one}") for one in _LAYOUTS if one in set(comparisons.loc[~is_between, "layout"])]
    for one in _LAYOUTS:
        if one in set(comparisons.loc[is_between, "layout"]):
            key = f"method.layout.between.{one}"
            told.append(say(key) if has(key) else say(f"method.layout.{one}"))
    yield from dict.fromkeys(told)
    if any("order_stated_alternated" in reason_words(one) for one in set(comparisons["reason"])):
        yield say("method.alternated")
    if plan.analysis.applied in _APPLIED:
        yield say(f"method.applied.{plan.analysis.applied}")
    ruled = [
        say("method.rule.short", seconds=number_text(rules.min_duration_s or 0.0, decimals=0)),
        say("method.rule.warm_up", n=rules.warm_up_runs_per_launch),
        say("method.rule.patch", n=rules.extra_runs_after_patch),
    ]
    set_ = (rules.min_duration_s, rules.warm_up_runs_per_launch, rules.extra_runs_after_patch)
    yield from compress(ruled, set_)
    yield f"{say('method.rule.alike' if any(set_) else 'method.rule.none')} {say('method.rule.causes')}"
    has_sensors = any(metric_of(one).needs in ("sensors", "both") for one in set(comparisons["metric"]))
    if plan.analysis.sensor_edge_s and has_sensors:
        yield say("method.edges", seconds=significant_text(plan.analysis.sensor_edge_s))


def _models(results: Results) -> frozenset[str]:
    """Return the models compared of which there are several cards."""
    names = {*results.comparisons["of_card"], *results.comparisons["against_card"]}
    return frozenset(name for name in names if len(results.plan.cards_named(name)) > 1)


def _judging(results: Results) -> Iterator[str]:
    """Yield how verdicts are reached."""
    analysis = results.plan.analysis
    yield say("method.unit")
    standing = "alone" if stand_alone(results.overall.itertuples()) else "together"
    yield say(f"method.{standing}", level=level_text(results))
    yield from deciding_sentences(results.comparisons, samples=_models(results))
    yield from overall_tests(results.overall)
    yield say("method.margin", margin=percent_text(analysis.margin_pct))
    yield say("method.ratios")
    yield say("method.watts")
    yield say(f"method.adjust.{analysis.adjust}")
    yield say("method.primary", metric=metric_of(analysis.primary).label)
    if results.comparisons["borrowed"].fillna(False).astype(bool).any():
        yield say("method.borrowed")
    made = max(results.looks_made, 1)
    yield say("method.looks", planned=analysis.looks, made=made)


PAIRED, POOLED, WELCH, WIDENED = "paired", "pooled", "welch", "widened"


def deciding_test(row: Any) -> str:
    """Return which test decided a row; empty where none was made.

    Parameters
    ----------
    row : row of ``comparisons``

    Notes
    -----
    Pairs of n rounds have n - 1 degrees of freedom (more where noise is borrowed, which only rounds do), two
    groups of n each 2 (n - 1), groups of unequal size those of Welch.
    """
    if is_missing(row.df):
        return ""
    if row.layout == "confounded":
        return WIDENED
    is_borrowed = not is_missing(row.borrowed) and bool(row.borrowed)
    if row.layout == "rounds" and (is_borrowed or np.isclose(row.df, row.n_blocks - 1)):
        return PAIRED
    return POOLED if np.isclose(row.df, 2 * (row.n_blocks - 1)) else WELCH


def deciding_sentences(comparisons: pd.DataFrame, *, samples: frozenset[str] = frozenset()) -> list[str]:
    """Return one sentence for each way in which games were decided.

    Parameters
    ----------
    comparisons : DataFrame, one row per (pair, game, setting, metric); see ``tables.COMPARISONS``
    samples : models of which several cards were measured: between them the card is the unit
    """
    rows: dict[tuple[str, str], list[Any]] = {}
    for row in comparisons.itertuples():
        if not (name := deciding_test(row)):
            continue
        units = {"restarts": "blocks", "confounded": "restarts"}.get(row.layout, "runs")
        if row.layout == "restarts" and samples & {row.of_card, row.against_card}:
            units = "cards"
        elif row.layout in ("restarts", "confounded") and row.of_card != row.against_card:
            units = "installations"
        rows.setdefault((name, units), []).append(row)
    return [
        _sentence(name, units, rows=found, with_games=len(rows) > 1)
        for (name, units), found in sorted(rows.items())
    ]


def overall_tests(overall: pd.DataFrame) -> Iterator[str]:
    """Yield how games were taken together, one sentence for each layout that occurs.

    Parameters
    ----------
    overall : DataFrame, one row per (pair, group, scope, metric); see ``tables.OVERALL``
    """
    found = set(overall.loc[overall["df"].notna() & (overall["scope"] == "these_games"), "layout"])
    yield from (say(f"tests.over_games.{layout}") for layout in _OVER_GAMES if layout in found)


_OVER_GAMES = ("rounds", "shared-rounds", "restarts", "confounded")


def _sentence(name: str, units: str, *, rows: list[Any], with_games: bool) -> str:
    """Return how one test was made, with its degrees of freedom, and of which games where tests differ."""
    ends = (min(row.df for row in rows), max(row.df for row in rows))
    least, most = (number_text(one, decimals=0 if np.isclose(one, round(one)) else 1) for one in ends)
    number = least if least == most else say("number.span", low=least, high=most)
    df = say("tests.df", n=1 if number == "1" else number)
    told = say(f"tests.{name}", units=say(f"tests.units.{units}"), df=df)
    if name == POOLED and rows[0].layout == "rounds":
        told = f"{told} {say('tests.few_rounds')}"
    if not with_games:
        return told
    games = "; ".join(dict.fromkeys(map(html.scene_of, rows)))
    metrics = [metric_of(one) for one in dict.fromkeys(row.metric for row in rows)]
    if all(one.purpose == "soak" for one in metrics):
        listed = ", ".join(one.label for one in metrics)
        return f"{told} {say('tests.soak', games=games, metrics=listed)}"
    return f"{told} {say('tests.games', games=games)}"


NOTEBOOK = "card_review.ipynb"


def downloads(results: Results) -> Section:
    """Return the section with the downloads and what the page was made of.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    """
    plan, declared = results.plan, {**ALL_TABLES, **SWEEP_TABLES}
    names = [one for one in ALL_TABLES if plan.claims or one != "claims"]
    names += list(results.sweep.tables) if results.sweep else []
    counted = {"made": max(results.looks_made, 1), "planned": plan.analysis.looks, "seed": plan.analysis.seed}
    values = {
        "tables": [(name, say("downloads.rows", row=declared[name].row)) for name in names],
        "about": say("downloads.about", version=results.version, **counted),
        "licence": plan.review.licence,
        "fingerprint": plan.fingerprint,
        "notebook": NOTEBOOK,
        "has_claims": "claims" in names,
        "pictures": f"{FOLDER}/index.html" if results.main.pairs and results.pictures != "none" else "",
    }
    return Section("downloads", say("downloads.title"), html.render("downloads.html.j2", values))


#: Amounts of findings from here on are told without decimals.
_WHOLE_FROM = 1000.0
_CODE = re.compile(r"`([^`]+)`")
#: Most rows of the table of noise: the noisiest; the table beside the page has all.
_NOISE_ROWS = 48


def quality(results: Results, *, tables: str = "tables") -> Section:
    """Return the section on data quality.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    tables : folder of the tables, as seen from the page
    """
    runs, stops = results.runs, int((results.findings["severity"] == "stop").sum())
    awaited = int((runs["excluded_for"] == "not_recorded").sum())
    compared = results.comparisons[results.comparisons["metric"] == results.plan.analysis.primary]
    without = compared[compared["verdict"] == "no_verdict"]
    is_open = bool(awaited or stops or alerts(results) or 0 < len(without) == len(compared))
    no_soak = set(results.comparisons.loc[results.comparisons["reason"] == "no_soak_runs", "metric"])
    heat = [metric_label(one) for one in results.plan.analysis.metrics if one in no_soak]
    lines = [_counted(runs)] + [say("quality.awaited", n=awaited)] * bool(awaited)
    if len(without):
        why = names_text(dict.fromkeys(map(short_reason, without.itertuples())))
        told = {"n": len(without), "of": len(compared), "metric": metric_label(without["metric"].iloc[0])}
        lines.append(say("quality.no_verdict", **told, why=why))
    lines += [say("quality.stops", n=stops)] * bool(stops)
    lines += [say("quality.no_stops")] * (not stops and not len(without))
    lines += [say("quality.no_soak", metrics=names_text(heat))] if heat else []
    chart = order_of_runs(results.usable, metric=results.plan.analysis.primary, states=results.states())
    help_ = html.paragraph(say("quality.order_help"))
    order = (
        html.join([html.heading(say("quality.order")), help_, html.figures([html.figure(chart)])]) if chart else ""
    )
    values = {
        "tables": tables,
        "word": say("quality.open" if is_open else "quality.good"),
        "line": " ".join(lines),
        "more": html.join([left_out_runs(runs), all_findings(results.findings), _noise(results), order]),
        "method": method_body(results) if len(results.comparisons) else "",
    }
    return Section("quality", say("quality.title"), html.render("quality.html.j2", values))


def _counted(runs: pd.DataFrame) -> str:
    """Return how many runs count, and what the others were for."""
    used, out = runs["used"].fillna(False).astype(bool), runs[_is_left_out(runs)]
    rest = runs.loc[~used, "purpose"].value_counts()
    others = [say(f"quality.purpose.{one}", n=rest[one]) for one in ("warm_up", "idle", "pilot") if one in rest]
    if len(out):
        causes = out["excluded_for"].value_counts(sort=False).items()
        listed = ", ".join(f"{count_text(count)} {say_cause(cause)}" for cause, count in causes)
        others.append(say("quality.left_out", n=len(out), causes=listed))
    counted = say("quality.count", n=int(used.sum()), of=len(runs))
    return f"{counted}: {', '.join(others)}." if others else f"{counted}."


def _is_left_out(runs: pd.DataFrame) -> pd.Series:
    """Return which runs were meant to count and are left out."""
    return ~runs["excluded_for"].isin(["", "not_recorded"]) & runs["purpose"].isin(["measure", "soak"])


def say_cause(cause: str) -> str:
    """Return a cause for leaving a run out, in words."""
    return cause.replace("_", " ")


def left_out_runs(runs: pd.DataFrame) -> Markup:
    """Return every run that is left out, with its reason."""
    columns = [
        ("run", "run"), ("game", html.scene_of), ("tuning", "tuning"), ("round", "round", ""),
        ("why", lambda row: capital(say_cause(row.excluded_for))),
    ]  # fmt: skip
    listed = html.listing(columns, runs[_is_left_out(runs)].itertuples(), caption=say("quality.left_out_caption"))
    return html.join(
        [html.heading(say("quality.left_out_title")), listed or html.paragraph(say("quality.none_left_out"))]
    )


def all_findings(findings: pd.DataFrame) -> Markup:
    """Return every finding, the severe ones first."""
    columns = [
        ("check", lambda row: check_words(row.check)), ("run", "run"),
        ("found_text", lambda row: message_text(row.message)), ("found", partial(_amount, name="found"), ""),
        ("limit", partial(_amount, name="limit"), ""),
    ]  # fmt: skip
    tables = []
    for severity in SEVERITIES:
        rows = list(findings[findings["severity"] == severity].itertuples())
        tables.append(html.listing(columns, rows, caption=say(f"quality.severity.{severity}", n=len(rows))))
    return html.join(
        [html.heading(say("quality.findings")), html.join(tables) or html.paragraph(say("quality.no_findings"))]
    )


#: A first word with a point or a stroke, or a name with blanks and an ending.
_NAMES_FILE = re.compile(r"[^\s,]*[./]|[^:]*\.[a-z]\w*:")


def message_text(message: str) -> str:
    """Return the message of a finding with a capital first letter, unless it begins with the name of a file."""
    return message if _NAMES_FILE.match(message) else capital(message)


def finding_text(row: Any, start: str = "") -> str:
    """Return a finding in words: what was found, and what to do.

    Parameters
    ----------
    row : row of ``tables.FINDINGS``, as a named tuple
    start : how the message names its run, where that stands above it
    """
    message = message_text(row.message.removeprefix(start))
    return _CODE.sub(r"“\1”", f"{message} {row.action}".strip())


def _amount(row: Any, name: str) -> str:
    """Return what was found, or its limit, with its unit; nothing where there is none."""
    value = getattr(row, name)
    if is_missing(value):
        return ""
    is_whole = float(value).is_integer() or abs(value) >= _WHOLE_FROM
    return f"{number_text(value, decimals=0)} {row.unit}".strip() if is_whole else unit_text(value, row.unit)


def _noise(results: Results) -> Markup:
    """Return how noisy the test setup is on the deciding metric: chart and numbers; the table beside has all."""
    primary, noise = results.plan.analysis.primary, results.noise
    rows = noise[noise["cv_pct"].notna() & (noise["metric"] == primary)]
    columns = [
        ("game", html.scene_of), ("tuning", "tuning"), ("runs", "n", ""),
        ("mean", lambda row: value_text(row.mean, row.metric), ""),
        ("noise", lambda row: significant_text(row.cv_pct, digits=2), "%"),
        ("detects", lambda row: significant_text(row.detectable_pct, digits=2), "%"),
    ]  # fmt: skip
    shown, caption = rows, say("quality.noise_caption")
    if len(rows) > _NOISE_ROWS:
        shown = rows.sort_values("cv_pct", ascending=False, kind="stable").head(_NOISE_ROWS)
        caption = say("quality.noise_part", n=len(shown), of=len(rows))
    listed = html.listing(columns, shown.itertuples(), caption=caption)
    if not listed:
        return listed
    chart = html.figure(noise_of_games(rows, metric=primary, margin=results.plan.margin_of(primary)))
    return html.join(
        [
            html.heading(say("quality.noise")),
            html.paragraph(say("quality.noise_help")),
            html.figures([chart]),
            listed,
        ]
    )
