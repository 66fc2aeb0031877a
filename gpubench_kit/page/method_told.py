"""The section on method, in plain words, with the definitions that were used."""

from __future__ import annotations

import pandas as pd

from gpubench_kit.page.deciding_tests import deciding_sentences
from gpubench_kit.page.elements import Column, Markup, bullets, details, heading, join, table, terms, tied
from gpubench_kit.page.section import Section
from gpubench_kit.wording.numbers import number_text, percent_text, significant_text
from gpubench_kit.wording.reasons import CAUTION_TEXT, reason_words
from gpubench_kit.wording.terms import metric_of, scene_text, sentence

_LAYOUTS = {
    "rounds": "Runs were made in rounds, one of each tuning.",
    "restarts": "Each side was measured in several separate blocks; the block is the unit, not the single run.",
    "confounded": "Where each side was measured in one block only, no verdict is given unless a spread between "
    "restarts is stated: a difference between tunings and a difference between two restarts cannot be told apart.",
    "not_stated": "Where the order of the runs is not stated, the two sides are treated as separate groups, and "
    "there is no result over games.",
}
#: The same where two cards are compared: what starts anew between them is the installation.
_BETWEEN_CARDS = {
    "restarts": "Cards were installed in turns, several times each; the installation is the unit, not the single "
    "run.",
    "confounded": "Where cards were not installed in turns, no verdict is given unless a spread between "
    "installations is stated: a difference between cards and a difference between two installations cannot be told "
    "apart.",
}
_ADJUST = {
    "holm": "Many games are compared at once, so p-values are adjusted (Holm 1979): the chance of even one false "
    "claim among the named games stays at the level.",
    "fdr_bh": "For screening only, p-values are adjusted for the share of false claims (Benjamini and Hochberg "
    "1995).",
    "none": "For screening only, p-values are not adjusted for the number of comparisons.",
}
_ALTERNATED = "order_stated_alternated"
_APPLIED = {"each_run": "before each run", "each_block": "once for each block of runs"}
_UNITS = {"pct": "%", "mhz": "MHz", "mv": "mV", "w": "W", "c": "°C", "rpm": "rpm"}
_FRAMES = {"rendered": "rendered frames", "shown": "frames shown"}
_LIMITS = {"card": "the card", "processor": "the processor", "memory": "memory", "frame_limit": "a frame limit"}


def method(run_metrics: pd.DataFrame, comparisons: pd.DataFrame, plan, *, looks_made: int = 0) -> Section:
    """Return the section on method.

    Parameters
    ----------
    run_metrics : DataFrame, one row per (run, metric); see ``tables.RUN_METRICS``
    comparisons : DataFrame, one row per (pair, game, setting, metric); see ``tables.COMPARISONS``
    plan : ReviewPlan
    looks_made : looks at verdicts so far, this one included

    Returns
    -------
    Section
    """
    parts = [
        heading("What was measured"),
        _tunings(plan),
        _benches(plan),
        details("Games and scenes", _games(plan)),
        heading("How it was measured"),
        bullets(_layout_sentences(comparisons, plan)),
        heading("How differences are judged"),
        bullets(_judging_sentences(comparisons, plan, looks_made=looks_made)),
        heading("Definitions used"),
        _definitions(run_metrics, plan),
    ]
    return Section("method", "Method", join(parts))


def _tunings(plan) -> Markup:
    """Return the tunings and what each of them changes."""
    columns = [Column("Tuning"), Column("Changes against the factory state"), Column("Held at")]
    lines = [
        [
            f"{one.name} (reference)" if one.reference else one.name,
            _amounts(one.changes, signed=True),
            _amounts(one.held_at),
        ]
        for one in plan.tunings
    ]
    if not any(one.held_at for one in plan.tunings):
        columns, lines = columns[:2], [line[:2] for line in lines]
    return table(columns, lines, caption="Tunings")


def _amounts(changes: dict[str, float], *, signed: bool = False) -> str:
    """Return declared amounts in words: the name of each holds its unit."""
    told = []
    for name, value in changes.items():
        what, _, unit = name.rpartition("_")
        if unit not in _UNITS:
            what, unit = name, ""
        number = number_text(value, decimals=0 if value == int(value) else 2)
        sign = "+" if signed and value > 0 else ""
        told.append(f"{what.replace('_', ' ')} {sign}{number} {_UNITS.get(unit, '')}".rstrip())
    return ", ".join(told) or "none"


def _benches(plan) -> Markup:
    """Return the cards and the rest of the machine."""
    pairs = [(card.name, "rival card" if card.role == "rival" else "card under review") for card in plan.cards]
    for bench in plan.benches:
        room = "" if bench.room_c is None else f"room at {number_text(bench.room_c, decimals=0)} °C"
        told = "; ".join(one for one in (f"driver: {bench.driver}" if bench.driver else "", room) if one)
        pairs.append((f"Bench {bench.name}".strip(), told or "not described in the plan"))
    return terms(pairs)


def _games(plan) -> Markup:
    """Return games, scenes and settings."""
    columns = [Column("Game"), Column("Scene"), Column("Group"), Column("Counted"), Column("Limited by")]
    lines = [
        [
            scene_text(game.name, one.name), game.scene, "" if one.group == "all" else one.group,
            _FRAMES[one.frames_counted], _LIMITS[game.limited_by],
        ]
        for game in plan.games
        for one in game.settings
    ]  # fmt: skip
    return table(columns, lines, caption="Games, scenes and settings, as the plan states them")


def _layout_sentences(comparisons: pd.DataFrame, plan) -> list[str]:
    """Return how runs were ordered, and which were left out by rule."""
    is_across = _between_cards(comparisons, plan)
    told = _told_layouts(comparisons[~is_across], _LAYOUTS)
    told += [one for one in _told_layouts(comparisons[is_across], _LAYOUTS | _BETWEEN_CARDS) if one not in told]
    if any(_ALTERNATED in reason_words(one) for one in set(comparisons["reason"])):
        told.append(CAUTION_TEXT[_ALTERNATED])
    if plan.analysis.applied in _APPLIED:
        told.append(f"The plan states that tunings were applied {_APPLIED[plan.analysis.applied]}.")
    told += _rules(plan)
    edge = plan.analysis.sensor_edge_s
    if edge and metric_of_sensors(comparisons):
        told.append(f"Sensors average over time, so their means leave out {significant_text(edge)} s at each end.")
    return told


def _told_layouts(comparisons: pd.DataFrame, texts: dict[str, str]) -> list[str]:
    """Return the sentences of the layouts that rows have."""
    found = set(comparisons["layout"])
    return [text for name, text in texts.items() if name in found]


def _between_cards(comparisons: pd.DataFrame, plan) -> pd.Series:
    """Return which rows compare two single cards; between samples of models the card itself is the unit."""
    sides = comparisons[["of_card", "against_card"]]
    return (sides["of_card"] != sides["against_card"]) & ~sides.isin(_models(comparisons, plan)).any(axis=1)


def _models(comparisons: pd.DataFrame, plan) -> frozenset[str]:
    """Return the models compared of which there are several cards."""
    names = {*comparisons["of_card"], *comparisons["against_card"]}
    return frozenset(name for name in names if len(plan.cards_named(name)) > 1)


def metric_of_sensors(comparisons: pd.DataFrame) -> bool:
    """Return whether any compared metric comes from sensors."""
    return any(metric_of(one).needs in ("sensors", "both") for one in set(comparisons["metric"]))


def _rules(plan) -> list[str]:
    """Return the rules of the plan by which runs are left out."""
    rules = plan.exclude
    told = []
    if rules.min_duration_s:
        told.append(f"Runs shorter than {number_text(rules.min_duration_s, decimals=0)} s are left out.")
    if rules.warm_up_runs_per_launch:
        told.append(f"The first {rules.warm_up_runs_per_launch} measured after each start of a game are left out.")
    if rules.extra_runs_after_patch:
        told.append(f"The first {rules.extra_runs_after_patch} after a change of a game's version are left out.")
    ruled = (
        "These rules of the plan treat all tunings alike." if told else "The plan has no rule that leaves runs out."
    )
    last = "Otherwise a run is left out only for a logged cause, such as a crash, never because of its number."
    return [*told, f"{ruled} {last}"]


def _judging_sentences(comparisons: pd.DataFrame, plan, *, looks_made: int) -> list[str]:
    """Return how verdicts are reached."""
    analysis = plan.analysis
    level = comparisons["confidence"].dropna()
    confidence = percent_text(100 * (level.iloc[0] if len(level) else analysis.confidence))
    told = [
        f"A run gives one value per metric; frames are never counted as measurements. Intervals hold at "
        f"{confidence}.",
        *deciding_sentences(comparisons, samples=_models(comparisons, plan)),
        f"The margin is ±{percent_text(analysis.margin_pct)} unless a table names another. “Same within margin” "
        "needs two one-sided tests to rule out a difference as large as the margin (Schuirmann 1987).",
        "Ratios are averaged on the log scale, so a gain and a loss of the same factor cancel out.",
        _ADJUST[analysis.adjust],
        f"One metric decides: {metric_of(analysis.primary).label}. The others are secondary and never rescue it.",
    ]
    if comparisons["borrowed"].fillna(False).any():
        told.append(
            "With so few runs a game's own noise is poorly known, so noise is partly borrowed from the other games "
            "(after Smyth 2004), never more than the game's own weight. Where a game judged by its own noise alone "
            "comes out differently, its table says so."
        )
    return [*told, _looks_sentence(plan, looks_made)]


def _looks_sentence(plan, looks_made: int) -> str:
    """Return how often results may be, and were, looked at."""
    planned = plan.analysis.looks
    made = max(looks_made, 1)
    text = f"The plan allows {planned} look{'s' if planned > 1 else ''} at verdicts; this is look {made}."
    if made > planned:
        return f"{text} More looks than planned make chance finds likelier, so a stricter level is used."
    return text


def _definitions(run_metrics: pd.DataFrame, plan) -> Markup:
    """Return the definition of each metric that is compared, as it was used."""
    used = run_metrics.loc[run_metrics["metric"].isin(plan.analysis.metrics), ["metric", "definition"]]
    used = used.drop_duplicates()
    pairs = [
        (sentence(metric_of(metric).label), join(map(tied, part["definition"]), " "))
        for metric, part in used.groupby("metric", sort=False)
    ]
    return terms(pairs)
