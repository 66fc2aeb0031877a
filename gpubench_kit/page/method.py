"""How it was measured and judged, which test decided each game, the definitions used, and the downloads."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.tables import ALL_TABLES
from gpubench_kit.page.answer_card import amounts_text, level_text, stand_alone
from gpubench_kit.page.elements import Field, Markup, Section, bullets, heading, join, listing, render, terms, tied
from gpubench_kit.page.pictures import FOLDER
from gpubench_kit.page.results import Results
from gpubench_kit.sweep.answers import SWEEP_TABLES
from gpubench_kit.wording.catalogue import has, say
from gpubench_kit.wording.numbers import is_missing, number_text, percent_text, significant_text
from gpubench_kit.wording.terms import metric_label, metric_of, reason_words, scene_text

_LAYOUTS = ("rounds", "restarts", "confounded", "not_stated")
_APPLIED = ("each_run", "each_block")


def method_body(results: Results) -> Markup:
    """Return what was measured, how, how differences are judged, and the definitions used."""
    plan = results.plan
    return join([
        heading(say("method.measured")), _tunings(plan), terms(_setups(plan)), _games(plan),
        heading(say("method.how")), bullets(_how(results)),
        heading(say("method.judged")), bullets(_judging(results)),
        heading(say("method.definitions")), _definitions(results.run_metrics, plan),
    ])  # fmt: skip


def _tunings(plan: ReviewPlan) -> Markup:
    """Return the tunings and what each of them changes."""
    columns = [
        Field(
            say("table.tuning"), lambda one: say("method.reference", name=one.name) if one.reference else one.name
        ),
        Field(say("method.changes"), lambda one: amounts_text(one.changes, signed=True) or say("method.none")),
    ]
    if any(one.held_at for one in plan.tunings):
        columns.append(Field(say("method.held_at"), lambda one: amounts_text(one.held_at)))
    return listing(columns, plan.tunings, caption=say("method.tunings"))


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
        Field(say("table.game"), lambda one: scene_text(one[0].name, one[1].name)),
        Field(say("method.scene"), lambda one: one[0].scene),
        Field(say("method.group"), lambda one: "" if one[1].group == "all" else one[1].group),
        Field(say("method.counted"), lambda one: say(f"method.frames.{one[1].frames_counted}")),
        Field(say("method.limited"), lambda one: say(f"method.limit.{one[0].limited_by}")),
    ]
    scenes = [(game, one) for game in plan.games for one in game.settings]
    return listing(columns, scenes, caption=say("method.games"))


def _how(results: Results) -> Iterator[str]:
    """Yield how runs were ordered, and which were left out by rule."""
    plan, comparisons = results.plan, results.comparisons
    is_between = (comparisons["of_card"] != comparisons["against_card"]) & ~_of_models(results)
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
    yield from _rules(plan)
    has_sensors = any(metric_of(one).needs in ("sensors", "both") for one in set(comparisons["metric"]))
    if plan.analysis.sensor_edge_s and has_sensors:
        yield say("method.edges", seconds=significant_text(plan.analysis.sensor_edge_s))


def _models(results: Results) -> frozenset[str]:
    """Return the models compared of which there are several cards."""
    names = {*results.comparisons["of_card"], *results.comparisons["against_card"]}
    return frozenset(name for name in names if len(results.plan.cards_named(name)) > 1)


def _of_models(results: Results) -> pd.Series:
    """Return which rows compare models of which there are several samples: the card is then the unit."""
    return results.comparisons[["of_card", "against_card"]].isin(_models(results)).any(axis=1)


def _rules(plan: ReviewPlan) -> Iterator[str]:
    """Yield the rules of the plan by which runs are left out."""
    rules = plan.exclude
    if rules.min_duration_s:
        yield say("method.rule.short", seconds=number_text(rules.min_duration_s, decimals=0))
    if rules.warm_up_runs_per_launch:
        yield say("method.rule.warm_up", n=rules.warm_up_runs_per_launch)
    if rules.extra_runs_after_patch:
        yield say("method.rule.patch", n=rules.extra_runs_after_patch)
    is_ruled = rules.min_duration_s or rules.warm_up_runs_per_launch or rules.extra_runs_after_patch
    yield f"{say('method.rule.alike' if is_ruled else 'method.rule.none')} {say('method.rule.causes')}"


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


def _definitions(run_metrics: pd.DataFrame, plan: ReviewPlan) -> Markup:
    """Return the definition of each metric that is compared, as it was used."""
    used = run_metrics.loc[run_metrics["metric"].isin(plan.analysis.metrics), ["metric", "definition"]]
    found = used.drop_duplicates().groupby("metric", sort=False)
    return terms((metric_label(metric), join(map(tied, part["definition"]), " ")) for metric, part in found)


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
        if name := deciding_test(row):
            rows.setdefault((name, _units(row, samples)), []).append(row)
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


def _units(row: Any, samples: frozenset[str]) -> str:
    """Return what a row's test counts."""
    between_cards = row.of_card != row.against_card
    if row.layout == "restarts" and samples & {row.of_card, row.against_card}:
        return "cards"
    if row.layout in ("restarts", "confounded") and between_cards:
        return "installations"
    return {"restarts": "blocks", "confounded": "restarts"}.get(row.layout, "runs")


def _sentence(name: str, units: str, *, rows: list[Any], with_games: bool) -> str:
    """Return how one test was made, with its degrees of freedom, and of which games where tests differ."""
    told = say(f"tests.{name}", units=say(f"tests.units.{units}"), df=_df_words(rows))
    if name == POOLED and rows[0].layout == "rounds":
        told = f"{told} {say('tests.few_rounds')}"
    if not with_games:
        return told
    games = "; ".join(dict.fromkeys(scene_text(row.game, row.setting) for row in rows))
    metrics = [metric_of(one) for one in dict.fromkeys(row.metric for row in rows)]
    if all(one.purpose == "soak" for one in metrics):
        listed = ", ".join(one.label for one in metrics)
        return f"{told} {say('tests.soak', games=games, metrics=listed)}"
    return f"{told} {say('tests.games', games=games)}"


def _df_words(rows: list[Any]) -> str:
    """Return the degrees of freedom of several rows, the least and the most."""
    least, most = min(row.df for row in rows), max(row.df for row in rows)
    ends = [number_text(one, decimals=0 if np.isclose(one, round(one)) else 1) for one in (least, most)]
    number = ends[0] if ends[0] == ends[1] else say("number.span", low=ends[0], high=ends[1])
    return say("tests.df", n=1 if number == "1" else number)


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
    return Section("downloads", say("downloads.title"), render("downloads.html.j2", values))
