"""The answer card: what each tuning changes, the rival beside it, what to know first, and the signs."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import product
from typing import Any, NamedTuple

from gpubench_kit.claims.sentences import assumption
from gpubench_kit.claims.sentences import level_text as spoken_level
from gpubench_kit.model.metrics import METRICS, headline_metrics
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.page.caveats import alerts
from gpubench_kit.page.charts import Spark, spark_limit
from gpubench_kit.page.charts.from_tables import of_scene
from gpubench_kit.page.elements import Head, Section, render
from gpubench_kit.page.headline import further_lines, headline, pair_name, rival_text, rival_title, short_reason
from gpubench_kit.page.pictures import TUNINGS_OF_A_PICTURE, picture_links
from gpubench_kit.page.results import Block, Pair, Results, Scene
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import (
    change_text,
    interval_text,
    is_missing,
    money_text,
    number_text,
    percent_text,
    unit_text,
    watts_text,
)
from gpubench_kit.wording.terms import (
    Mark,
    day_text,
    is_conditional,
    mark_of,
    metric_label,
    metric_of,
    names_text,
    reason_words,
    sentences_of,
    starting,
    unit_of_change,
)

#: Further metrics told in the small line of a tuning, in this order, as far as they were compared.
#: Where two looks are planned, results of a third and later hold together less surely.
_UNPLANNED_LOOK = 3


class Tile(NamedTuple):
    """One metric of one tuning."""

    label: str
    figure: str
    beside: str
    mark: Mark | None
    spark: Any
    interval: str
    below: str


class Row(NamedTuple):
    """One tuning."""

    name: str
    place: int
    changes: str
    tiles: tuple[Tile, ...]
    small: str


class Rows(NamedTuple):
    """Tunings with one scale for each metric."""

    title: str
    rows: tuple[Row, ...]
    is_main: bool


def answer(results: Results) -> Section:
    """Return the head of the page: the finding, the answer card, the rival, cautions and signs.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    """
    title, main, lines = headline(results), results.main, tuple(further_lines(results))
    cards = [rows for block in results.blocks if not block.is_between for rows in _block_rows(results, block)]
    first = next((one for one in cards if one.is_main), None)
    # The picture with the figures of the card, the first of several.
    name = "tunings-1" if first and len(first.rows) > TUNINGS_OF_A_PICTURE else "tunings"
    values = {
        "cards": cards,
        "note": _note(results, main) if main.pairs and results.groups else "",
        "rivals": [_rival(results, block) for block in results.blocks if block.is_between],
        "alerts": alerts(results),
        "known": _known(results),
        "pictures": picture_links(results, name, setting=results.groups[0]) if first else [],
        "has_signs": results.has_verdicts,
    }
    kick = tuple(kicker(results))
    told = {"title": title, "lines": " ".join(lines), "about": ", ".join(kick[1:3]), "level": level_text(results)}
    description = say(f"answer.description.{_standing(results.overall.itertuples())}", **told).replace("  ", " ")
    head = Head(kick, lines, description, results.plan.review.site_url)
    return Section("result", title, render("answer.html.j2", values), head=head)


def kicker(results: Results, scene: Scene | None = None) -> Iterator[str]:
    """Yield what stands above the headline, or below a picture: card, games, runs, day, driver, who measured.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    scene : of a picture: a game at a setting; without a game, all games of a group; None for the whole review
    """
    plan, runs = results.plan, results.runs[results.runs["used"].fillna(False).astype(bool)]
    group = results.groups[0] if results.groups else ""
    yield plan.card_units[0].name
    if scene is not None and scene.game:
        runs = of_scene(runs, scene)
    elif scene is not None:
        group = scene.setting or "all"
        within = {tuple(one) for one in results.scenes(group)} if group in results.groups else None
        keys = zip(runs["game"], runs["setting"], strict=True)
        runs = runs if within is None else runs[[key in within for key in keys]]
    games = say("answer.games", n=runs["game"].nunique())
    if scene is None or not scene.game:
        yield games if group in ("", "all") else say("answer.games_at", games=games, group=group)
    yield say("answer.runs", n=len(runs))
    if plan.review.date:
        yield day_text(plan.review.date)
    yield from dict.fromkeys(bench.driver for bench in plan.benches if bench.driver)
    if plan.review.author:
        yield plan.review.author


def _block_rows(results: Results, block: Block) -> Iterator[Rows]:
    """Yield the rows of a block in each group: the main group of the first block in full, the others compact.

    A compact block is titled by card, test setup and group, as far as they tell it from the first.
    """
    of, first = block.pairs[0].of, results.main.pairs[0].of
    for group in results.groups:
        rows = rows_of(results, block, group=group)
        is_main = block is results.main and group == results.groups[0]
        parts = [of.card] * (of.card != first.card) + [of.bench] * (of.bench != first.bench)
        parts += [group] * (group != "all" and len(results.groups) > 1)
        parts.append(say("answer.games", n=len({scene.game for scene in results.scenes(group, block)})))
        if rows:
            yield Rows("" if is_main else ", ".join(parts), tuple(rows), is_main)


def rows_of(results: Results, block: Block, *, group: str, name: Callable[[Pair], str] | None = None) -> list[Row]:
    """Return a row for each pair of a block in one group, with its other side where rows differ in that."""
    limits, rows, runs = {}, [], results.runs
    for metric in results.metrics:
        found = [results.over_games(pair, group, metric) for pair in block.pairs]
        limits[metric] = spark_limit((row.ci_low, row.ci_high, row.margin) for row in found if row is not None)
    for pair in block.pairs:
        if all(results.over_games(pair, group, metric) is None for metric in results.metrics):
            continue
        tiles = tuple(_tile(results, pair, one, group=group, limit=limits[one]) for one in results.metrics)
        title = name(pair) if name else starting(pair.names[0])
        if not name and (block.common is None or pair.is_over_benches):
            title = say("answer.pair", of=title, against=pair.names[1])
        tuning = next(one for one in results.plan.tunings if one.name == pair.of.tuning)
        is_its = (runs["tuning"] == pair.of.tuning) & (runs["card"] == pair.of.card)
        crashed = int((is_its & (runs["excluded_for"] == "crash")).sum())
        told = [amounts_text(tuning.changes, signed=True), amounts_text(tuning.held_at)]
        told += [say("answer.crashed", n=crashed)] * bool(crashed)
        small = ", ".join(_small_line(results, pair, group))
        rows.append(Row(title, results.place(pair.of), ", ".join(filter(None, told)), tiles, small))
    return rows


def amounts_text(changes: dict[str, float], *, signed: bool = False) -> str:
    """Return declared amounts in words: the name of each holds its unit."""
    units = {"pct": "%", "mhz": "MHz", "mv": "mV", "w": "W", "c": "°C", "rpm": "rpm"}
    told = []
    for name, value in changes.items():
        what, _, unit = name.rpartition("_")
        if unit not in units:
            what, unit = name, ""
        number = number_text(value, decimals=0 if value == int(value) else 2)
        sign = "+" if signed and value > 0 else ""
        told.append(f"{what.replace('_', ' ')} {sign}{number} {units.get(unit, '')}".rstrip())
    return ", ".join(told)


def _tile(results: Results, pair: Pair, metric: str, *, group: str, limit: float) -> Tile:
    """Return one metric of one tuning."""
    row, label = results.over_games(pair, group, metric), metric_label(metric)
    if row is None or is_missing(row.change):
        word = say("answer.no_value") if row is None else VERDICTS["no_verdict"].word
        return Tile(label, "", "", Mark(word, "", "vn", ""), None, "", short_reason(row))
    if row.verdict == "no_verdict":
        return Tile(label, "", "", mark_of(row), None, "", short_reason(row))
    unit, beside, below = unit_of_change(row), "", ""
    figure, interval = change_text(row.change, unit), interval_text(row.ci_low, row.ci_high, unit)
    if METRICS[metric].unit == "W":
        # The watts before and now, which a viewer can subtract.
        of, against = results.mean_of(pair, group, metric)
        before, after = number_text(against, decimals=1), number_text(of, decimals=1)
        below = "" if is_missing(of) else say("answer.from_to", before=before, after=after)
    if METRICS[metric].unit == "W" and not is_missing(row.change_w):
        figure, beside = watts_text(row.change_w), figure
        if not is_missing(row.change_w_ci_low):
            interval = interval_text(row.change_w_ci_low, row.change_w_ci_high, "W")
    if row.carried_by:
        below = say("answer.carried", game=row.carried_by, change=change_text(row.change_without, unit))
    promised = spoken_level(row.confidence)
    spark = Spark(row.change, row.ci_low, row.ci_high, row.verdict, row.margin, limit, unit, promised)
    return Tile(label, figure, beside, mark_of(row), spark, interval, below)


def _small_line(results: Results, pair: Pair, group: str) -> Iterator[str]:
    """Yield what else changed with a tuning: clock, temperature, fan, sound, running cost."""
    for metric in headline_metrics("clocks", "heat"):
        row = results.over_games(pair, group, metric)
        if row is not None and not is_missing(row.change) and row.verdict not in ("no_verdict", "undecided"):
            yield f"{metric_of(metric).label} {change_text(row.change, unit_of_change(row))}"
    costs = results.costs
    if costs is None or not len(costs):
        return
    is_its = (costs["quantity"] == "running_cost") & (costs["group"] == group)
    for row in costs[is_its].itertuples():
        ends = (row.of_card, row.of_tuning, row.of_bench, row.against_card, row.against_tuning, row.against_bench)
        if ends == (*pair.of, *pair.against) and not is_missing(row.value):
            years = results.plan.costs.years
            sign = "+" if row.value > 0 else ""
            yield say("answer.cost_a_year", amount=f"{sign}{money_text(row.value / years, row.unit)}")


def _note(results: Results, block: Block) -> str:
    """Return what the figures of the card are: against what, over which games, which intervals and margins."""
    group, plan = results.groups[0], results.plan
    runs, scenes = runs_each_text(results, block.pairs, results.metrics[0]), results.scenes(group, block)
    games = scenes[0].game if len(scenes) == 1 else say("answer.games", n=len({scene.game for scene in scenes}))
    if group != "all" and len(scenes) > 1:
        games = say("answer.games_at", games=games, group=group)
    against = block.pairs[0].names[1] if block.common and not block.is_between else ""
    key = "answer.note_vs" if against else "answer.note_games"
    parts = [say(key, games=games, runs=runs, **({"reference": against} if against else {}))]
    rows = [results.over_games(pair, group, metric) for pair in block.pairs for metric in results.metrics]
    judged = [row for row in rows if row is not None and row.verdict != "no_verdict"]
    if judged:
        parts.append(say(f"answer.note_interval.{_standing(judged)}", level=level_text(results)))
        parts.append(say("answer.note_margin", margins=", ".join(_margins(results))))
    parts += [say("answer.note_watts")] * any(not is_missing(row.change_w) for row in judged)
    parts += [say(f"answer.note_low.{plan.analysis.low_definition}")] * ("low_1pct_fps" in results.metrics)
    return " ".join(parts)


def runs_each_text(results: Results, pairs: Sequence[Pair], metric: str) -> str:
    """Return how many runs each side has in any game of the main group, in words."""
    low, high = results.runs_each(pairs, results.groups[0], metric)
    return say("answer.runs_each", n=high) if low == high else say("answer.runs_between", low=low, high=high)


def _standing(overall: Iterable[Any]) -> str:
    """Return whether results over games hold together, or each stands alone, as the steps of a sweep do."""
    return "alone" if stand_alone(overall) else "together"


def stand_alone(overall: Iterable[Any]) -> bool:
    """Return whether there are results over games of which none shares a level with others."""
    levels = [row.level for row in overall]
    return bool(levels) and all(map(is_missing, levels))


def level_text(results: Results) -> str:
    """Return the level at which all statements about overall results hold together."""
    analysis = results.plan.analysis
    if results.looks_made < _UNPLANNED_LOOK or analysis.looks >= _UNPLANNED_LOOK:
        return percent_text(100 * analysis.confidence)
    # Each look beyond the second adds to the error of the page: seven parts of a hundred in place of five.
    return say("answer.about_level", level=percent_text(round(100 - 140 * (1 - analysis.confidence))))


def _margins(results: Results) -> Iterator[str]:
    """Yield the margin of the metrics on the card; those of one size once."""
    by_size: dict[str, list[str]] = {}
    for metric in results.metrics:
        margin = results.plan.margin_of(metric)
        if margin is not None:
            unit = unit_of_change(METRICS[metric])
            size = percent_text(margin) if unit == "%" else unit_text(margin, unit)
            by_size.setdefault(size, []).append(metric_label(metric))
    for place, (size, names) in enumerate(by_size.items()):
        yield f"±{size}" if place == 0 else f"±{size} ({names_text(names)})"


def _rival(results: Results, block: Block) -> dict[str, Any]:
    """Return the sheet of a rival: its headline, how the cards were measured, a row for each pair of tunings."""
    groups = []
    for group in results.groups:
        rows = rows_of(results, block, group=group, name=pair_name)
        groups += [(group if len(results.groups) > 1 and group != "all" else "", rows)] if rows else []
    return {
        "title": rival_title(results, block.pairs[0]), "text": rival_text(results, block), "groups": groups,
        "id": f"rival-{results.blocks.index(block)}",
    }  # fmt: skip


def _known(results: Results) -> list[str]:
    """Return what must be known about the results of the card, each once with the results it concerns."""
    pairs = [pair for block in results.blocks for pair in block.pairs]
    concerned: dict[str, list[str]] = {}
    for pair, group, metric in product(pairs, results.groups, results.metrics):
        if (row := results.over_games(pair, group, metric)) is not None:
            for about, sentence in _known_about(results, pair, row):
                concerned.setdefault(sentence, []).append(about)
    told = []
    for sentence, abouts in concerned.items():
        names = list(filter(None, abouts))
        # By name up to two, else how many.
        about = "; ".join(names) if len(names) <= 2 else say("answer.results", n=len(names))
        told.append(say("answer.known", about=about, sentence=sentence) if names else sentence)
    return told


def _known_about(results: Results, pair: Pair, row: Any) -> Iterator[tuple[str, str]]:
    """Yield what must be known about one result over games: the result, empty where it is named, and a sentence."""
    name = pair_name(pair) if pair.is_between else starting(pair.names[0])
    metric = metric_of(row.metric).label + ("" if row.group == "all" else f" ({row.group})")
    assumed = assumption(row, results.plan).removeprefix(", ")
    for word, sentence in zip(reason_words(row.reason), sentences_of(row), strict=True):
        if word == "assumed_restart_spread" and assumed:
            yield "", say("answer.assumed", tuning=name, assumption=assumed, sentence=sentence)
        elif word != "alone_it_would_count":
            yield say("answer.result", tuning=name, metric=metric), sentence
    if row.games_left_out and row.n_games:
        yield "", say("answer.games_out", tuning=name, metric=metric, games=row.games_left_out)
    if is_conditional(row):
        unit = unit_of_change(row)
        is_better = (row.change > 0) == (METRICS[row.metric].better == "higher")
        unless = say(
            f"answer.unless_{'better' if is_better else 'worse'}",
            of=pair.of.card if pair.is_between else starting(pair.names[0]),
            against=pair.against.card if pair.is_between else pair.names[1],
            metric=metric_of(row.metric).label,
            change=change_text(row.bench_change_pct, unit).lstrip("+"),
            spread=change_text(row.restart_spread_pct, unit).lstrip("+"),
        )
        yield "", unless
