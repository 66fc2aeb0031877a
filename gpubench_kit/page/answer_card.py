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
    title = headline(results)
    main = results.main
    within = [block for block in results.blocks if not block.is_between]
    cards = [rows for block in within for rows in _block_rows(results, block)]
    values = {
        "cards": cards,
        "note": _note(results, main) if main.pairs and results.groups else "",
        "rivals": [_rival(results, block) for block in results.blocks if block.is_between],
        "alerts": alerts(results),
        "known": _known(results),
        "pictures": _card_pictures(results, cards),
        "has_signs": results.has_verdicts,
    }
    body = render("answer.html.j2", values)
    kick = ", ".join(list(kicker(results))[1:3])
    lines = " ".join(further_lines(results))
    description = say(
        f"answer.description.{_standing(results.overall.itertuples())}",
        title=title,
        lines=lines,
        about=kick,
        level=level_text(results),
    ).replace("  ", " ")
    head = Head(
        tuple(kicker(results)),
        tuple(further_lines(results)),
        description,
        results.plan.review.site_url,
    )
    return Section("result", title, body, head=head)


def _card_pictures(results: Results, cards: Sequence[Rows]) -> list[tuple[str, str]]:
    """Return the files of the picture with the figures of the card, the first of several."""
    main = next((one for one in cards if one.is_main), None)
    name = "tunings-1" if main and len(main.rows) > TUNINGS_OF_A_PICTURE else "tunings"
    return picture_links(results, name, setting=results.groups[0]) if main else []


def unit_of_change(row: Any) -> str:
    """Return the unit of a row's change: percent on the ratio scale."""
    return "%" if row.scale == "ratio" else row.unit


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
    yield from [plan.review.author] * bool(plan.review.author)


def _block_rows(results: Results, block: Block) -> Iterator[Rows]:
    """Yield the rows of a block in each group: the main group of the first block in full, the others compact."""
    for group in results.groups:
        rows = rows_of(results, block, group=group)
        if rows:
            is_main = block is results.main and group == results.groups[0]
            yield Rows("" if is_main else _rows_title(results, block, group), tuple(rows), is_main)


def _rows_title(results: Results, block: Block, group: str) -> str:
    """Return the title of a compact block: card, test setup and group, as far as they tell it from the first."""
    of = block.pairs[0].of
    first = results.main.pairs[0].of
    games = say("answer.games", n=len({scene.game for scene in results.scenes(group, block)}))
    parts = [of.card] * (of.card != first.card) + [of.bench] * (of.bench != first.bench)
    parts += [group] * (group != "all" and len(results.groups) > 1) + [games]
    return ", ".join(parts)


def rows_of(results: Results, block: Block, *, group: str, name: Callable[[Pair], str] | None = None) -> list[Row]:
    """Return a row for each pair of a block in one group."""
    limits = _limits(results, block.pairs, group)
    rows = []
    for pair in block.pairs:
        found = [results.over_games(pair, group, metric) for metric in results.metrics]
        if any(row is not None for row in found):
            tiles = tuple(
                _tile(results, pair, metric, group=group, limit=limits[metric]) for metric in results.metrics
            )
            small = ", ".join(_small_line(results, pair, group))
            title = name(pair) if name else _row_name(results, block, pair)
            tuning = next(one for one in results.plan.tunings if one.name == pair.of.tuning)
            runs = results.runs
            is_its = (
                (runs["tuning"] == pair.of.tuning)
                & (runs["card"] == pair.of.card)
                & (runs["excluded_for"] == "crash")
            )
            told = [amounts_text(tuning.changes, signed=True), amounts_text(tuning.held_at)]
            told += [say("answer.crashed", n=int(is_its.sum()))] * bool(is_its.sum())
            changes = ", ".join(one for one in told if one)
            rows.append(Row(title, results.place(pair.of), changes, tiles, small))
    return rows


def _limits(results: Results, pairs: Iterable[Pair], group: str) -> dict[str, float]:
    """Return the common scale of the small charts of each metric."""
    rows = {metric: [results.over_games(pair, group, metric) for pair in pairs] for metric in results.metrics}
    return {
        metric: spark_limit((row.ci_low, row.ci_high, row.margin) for row in found if row is not None)
        for metric, found in rows.items()
    }


def _row_name(results: Results, block: Block, pair: Pair) -> str:
    """Return the whole name of what a row is about; with the other side where rows differ in it."""
    name = starting(pair.names[0])
    if block.common is None or pair.is_over_benches:
        return say("answer.pair", of=name, against=pair.names[1])
    return name


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
    unit, figure, beside = unit_of_change(row), change_text(row.change, unit_of_change(row)), ""
    interval = interval_text(row.ci_low, row.ci_high, unit)
    below = _levels(results, pair, metric, group=group)
    if METRICS[metric].unit == "W" and not is_missing(row.change_w):
        beside = f"{figure}"
        figure = watts_text(row.change_w)
        if not is_missing(row.change_w_ci_low):
            interval = interval_text(row.change_w_ci_low, row.change_w_ci_high, "W")
    if row.verdict == "no_verdict":
        return Tile(label, "", "", mark_of(row), None, "", short_reason(row))
    if row.carried_by:
        below = say("answer.carried", game=row.carried_by, change=change_text(row.change_without, unit))
    spark = Spark(
        row.change, row.ci_low, row.ci_high, row.verdict, row.margin, limit, unit, spoken_level(row.confidence)
    )
    return Tile(label, figure, beside, mark_of(row), spark, interval, below)


def _levels(results: Results, pair: Pair, metric: str, *, group: str) -> str:
    """Return the watts before and now, which a viewer can subtract; nothing for other metrics."""
    if METRICS[metric].unit != "W":
        return ""
    of, against = results.mean_of(pair, group, metric)
    ends = (number_text(against, decimals=1), number_text(of, decimals=1))
    return "" if is_missing(of) else say("answer.from_to", before=ends[0], after=ends[1])


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
    low, high = results.runs_each(block.pairs, group, results.metrics[0])
    runs = say("answer.runs_each", n=high) if low == high else say("answer.runs_between", low=low, high=high)
    scenes = results.scenes(group, block)
    games = scenes[0].game if len(scenes) == 1 else say("answer.games", n=len({scene.game for scene in scenes}))
    if group != "all" and len(scenes) > 1:
        games = say("answer.games_at", games=games, group=group)
    against = block.pairs[0].names[1] if block.common else ""
    low_help = [say(f"answer.note_low.{plan.analysis.low_definition}")] * ("low_1pct_fps" in results.metrics)
    parts = [
        say("answer.note_vs", reference=against, games=games, runs=runs) if against and not block.is_between
        else say("answer.note_games", games=games, runs=runs),
    ]  # fmt: skip
    rows = [results.over_games(pair, group, metric) for pair in block.pairs for metric in results.metrics]
    judged = [row for row in rows if row is not None and row.verdict != "no_verdict"]
    if judged:
        parts.append(say(f"answer.note_interval.{_standing(judged)}", level=level_text(results)))
        parts.append(say("answer.note_margin", margins=", ".join(_margins(results))))
    parts += [say("answer.note_watts")] * any(not is_missing(row.change_w) for row in judged)
    return " ".join([*parts, *low_help])


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
            unit = "%" if METRICS[metric].scale == "ratio" else METRICS[metric].unit
            size = percent_text(margin) if unit == "%" else unit_text(margin, unit)
            by_size.setdefault(size, []).append(metric_label(metric))
    for place, (size, names) in enumerate(by_size.items()):
        yield f"±{size}" if place == 0 else f"±{size} ({names_text(names)})"


def _rival(results: Results, block: Block) -> dict[str, Any]:
    """Return the sheet of a rival: its headline, how the cards were measured, a row for each pair of tunings."""
    groups = []
    for group in results.groups:
        rows = rows_of(results, block, group=group, name=pair_name)
        if rows:
            groups.append((group if len(results.groups) > 1 and group != "all" else "", rows))
    return {
        "title": rival_title(results, block.pairs[0]),
        "text": rival_text(results, block),
        "groups": groups,
        "id": f"rival-{results.blocks.index(block)}",
    }


def _known(results: Results) -> list[str]:
    """Return what must be known about the results of the card: what they rest on, games left out, each once."""
    pairs = [pair for block in results.blocks for pair in block.pairs]
    cases = product(pairs, results.groups, results.metrics)
    rows = [(pair, results.over_games(pair, group, metric)) for pair, group, metric in cases]
    concerned: dict[str, list[str]] = {}
    for pair, row in rows:
        for about, sentence in _known_about(results, pair, row) if row is not None else ():
            concerned.setdefault(sentence, []).append(about)
    return [_with_names([one for one in names if one], sentence) for sentence, names in concerned.items()]


def _with_names(names: list[str], sentence: str) -> str:
    """Return a sentence with the results it concerns: by name up to two, else how many."""
    if not names:
        return sentence
    about = "; ".join(names) if len(names) <= 2 else say("answer.results", n=len(names))
    return say("answer.known", about=about, sentence=sentence)


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
