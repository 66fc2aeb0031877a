"""The table by game: every tuning against the reference, one metric at a time; the same over test setups."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from gpubench_kit.claims.sentences import level_text as spoken_level
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.page import elements as html
from gpubench_kit.page.answer_card import level_text
from gpubench_kit.page.charts import RIVAL, Spark, spark_limit
from gpubench_kit.page.charts.from_tables import frame_rates
from gpubench_kit.page.elements import Markup, Section
from gpubench_kit.page.headline import games_title, short_reason
from gpubench_kit.page.pictures import game_in_name, pair_in_name, picture_links
from gpubench_kit.page.results import NOT_CONFIRMED, Block, Pair, Results, Scene, Side
from gpubench_kit.statistics.contrasts import combine_benches
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import (
    change_and_interval_text,
    change_text,
    interval_text,
    is_missing,
    number_text,
    percent_text,
)
from gpubench_kit.wording.terms import (
    Mark,
    mark_of,
    metric_label,
    of_group,
    sentences_of,
    subject_text,
    unit_of_change,
)

#: Most columns of tunings in which each cell has room for its interval.
_SPARKS = 3


class Cell(NamedTuple):
    """The result of one tuning in one game."""

    change: str
    value: str
    mark: Mark
    title: str
    spark: Any
    #: Its interval without the unit, shown where it is asked for and in print.
    interval: str = ""


class Line(NamedTuple):
    """One game, or all games of a group."""

    name: str
    address: str
    value: str
    cells: tuple[Cell, ...]
    kind: str


def by_game(results: Results) -> Section:
    """Return the section with the table by game; left out where there is one scene only.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    """
    if not results.main.pairs or sum(len(results.scenes(group)) for group in results.groups) < 2:
        return html.left_out("games", say("games.heading"), say("games.left_out"))
    pairs = matrix_pairs(results)
    own = {id(pair) for pair in pairs}
    rest = [Block(tuple(pair for pair in block.pairs if id(pair) not in own)) for block in results.blocks]
    rest = [block for block in rest if block.pairs]
    # The picture with the change in each game is that of the first tuning that has one.
    group, metric, pictures = results.groups[0], results.metrics[0], []
    for pair in results.main.pairs:
        if len(changes_of(results, pair, group=group, metric=metric)) > 1:
            pictures = picture_links(results, changes_chart(results, pair, metric), setting=group)
            break
    values = {
        "main": _matrix(results, pairs, block=results.main, name="mx"),
        "more": [_matrix(results, block.pairs, block=block, name=f"mx{place}") for place, block in enumerate(rest)],
        "note": _note(results, pairs),
        "bars": _bars(results),
        "has_intervals": results.has_verdicts,
        "benches": over_benches(results),
        "pictures": pictures,
    }
    return Section("games", games_title(results), html.render("matrix.html.j2", values))


def changes_chart(results: Results, pair: Pair, metric: str) -> str:
    """Return the name of the chart with the change of a metric in each game."""
    return f"games-{pair_in_name(results, pair)}-{metric.replace('_', '-')}"


def changes_of(results: Results, pair: Pair, *, group: str, metric: str) -> list[tuple[Scene, Any]]:
    """Return the scenes of a group in which a metric was compared, the lowest change first."""
    rows = [(scene, results.in_game(pair, scene, metric)) for scene in results.scenes(group, results.main)]
    known = [(scene, row) for scene, row in rows if row is not None and not is_missing(row.change)]
    return sorted(known, key=lambda one: (one[1].change, one[0]))


def _bars(results: Results) -> list[tuple[str, Any]]:
    """Return average FPS and 1 % low of every game as bars on one scale, the fastest first."""
    rates = results.levels[results.levels["metric"] == "avg_fps"] if len(results.levels) else results.levels
    if not len(rates):
        return []
    limit, states, drawn = float(rates["value"].max()), results.states(), []
    for group in results.groups:
        of = f", {group}" if group != results.groups[0] else ""
        for scene in results.scenes(group):
            chart = frame_rates(results.levels, scene=scene, states=states, limit=limit)
            drawn += [(scene_name(results, scene) + of, chart)] * (chart is not None)
    return drawn


def matrix_pairs(results: Results) -> tuple[Pair, ...]:
    """Return the columns of the first table: tunings of the reviewed card, then its reference vs each rival."""
    main = results.main
    if main.is_between or main.common is None:
        return main.pairs
    beside = [
        pair
        for block in results.blocks
        for pair in block.pairs
        if block.is_between and pair.of == main.common and pair.against.tuning == results.plan.reference_tuning
    ]
    return (*main.pairs, *beside)


def _matrix(results: Results, pairs: Sequence[Pair], *, block: Block, name: str) -> dict[str, Any]:
    """Return one table with a tab for each metric."""
    common = block.common if block.common and not block.is_between else None
    bench = common.bench if common and pairs[0].is_over_benches else ""
    about = ", ".join(filter(None, dict.fromkeys([pairs[0].of.card, pairs[0].of.bench, pairs[0].against.card])))
    return {
        "name": name, "tabs": [_tab(results, pairs, metric=metric, common=common) for metric in results.metrics],
        "heads": [_head(results, pair, common) for pair in pairs],
        "columns": len(pairs) + (common is not None),
        "reference": _head_of(results, common, bench=bench) if common else None, "about": about,
    }  # fmt: skip


def _head(results: Results, pair: Pair, common: Side | None) -> dict[str, Any]:
    """Return the head of a pair's column; with both sides where they are not against the common reference."""
    if common is not None and not pair.is_between:
        return _head_of(results, pair.of, bench=pair.of.bench if pair.is_over_benches else "")
    own = Block((pair,))
    name = say("answer.pair", of=results.short(pair.of), against=results.short(pair.against, block=own))
    of, against = (subject_text(side, with_card=pair.is_between) for side in pair)
    place = RIVAL if pair.is_between else results.place(pair.of)
    return {"name": name, "title": say("answer.pair", of=of, against=against), "place": place}


def _head_of(results: Results, side: Side, *, bench: str = "") -> dict[str, Any]:
    """Return the head of a tuning's column; with the test setup where sides differ in it."""
    title = subject_text(side, with_bench=bool(bench))
    return {"name": bench or results.short(side), "title": title, "place": results.place(side)}


def _tab(results: Results, pairs: Sequence[Pair], *, metric: str, common: Side | None) -> dict[str, Any]:
    """Return the table of one metric: all games first, then each, the worst under the first tuning on top."""
    scenes = {group: results.scenes(group) for group in results.groups}
    limit, has_reference = 0.0, common is not None
    if len(pairs) <= _SPARKS:
        every = [scene for found in scenes.values() for scene in found]
        rows = [results.in_game(pair, scene, metric) for pair in pairs for scene in every]
        limit = spark_limit((row.ci_low, row.ci_high, row.margin) for row in rows if row is not None)

    def rank(scene: Scene) -> float:
        # By the primary metric under the first tuning; what is not known comes last.
        row = results.in_game(pairs[0], scene, results.plan.analysis.primary)
        if row is None or is_missing(row.change):
            return float("inf")
        return row.change if METRICS[row.metric].better != "lower" else -row.change

    lines = []
    for group, found in scenes.items():
        if len(found) > 1:
            lines.append(_sum_line(results, pairs, metric=metric, group=group, has_reference=has_reference))
        lines += [
            _line(results, pairs, metric=metric, scene=scene, limit=limit, has_reference=has_reference)
            for scene in sorted(found, key=rank)
        ]
    unit = METRICS[metric].unit.replace("fps", "FPS")
    return {"metric": metric, "label": metric_label(metric), "unit": unit, "lines": lines}


def _sum_line(results: Results, pairs: Sequence[Pair], *, metric: str, group: str, has_reference: bool) -> Line:
    """Return the line over all games of a group."""
    games = say("games.all", n=len({scene.game for scene in results.scenes(group)}))
    name = (
        games
        if group == "all" or group == results.groups[0]
        else f"{group}, {say('answer.games', n=len(results.scenes(group)))}"
    )
    means = [results.mean_of(pair, group, metric) for pair in pairs]
    reference = next((against for _, against in means if not is_missing(against)), None)
    cells = []
    for pair, (of, against) in zip(pairs, means, strict=True):
        shown = against if pair.is_between and has_reference else of
        cells.append(
            _cell(results.over_games(pair, group, metric), value=shown, metric=metric, limit=0.0, is_overall=True)
        )
    kind = "sum" if group == results.groups[0] else "sum grp"
    return Line(
        name, "", level_value(reference, metric, is_overall=True) if has_reference else "", tuple(cells), kind
    )


def _line(
    results: Results, pairs: Sequence[Pair], *, metric: str, scene: Scene, limit: float, has_reference: bool
) -> Line:
    """Return the line of one scene."""
    rows = [results.in_game(pair, scene, metric) for pair in pairs]
    cells, reference = [], None
    for pair, row in zip(pairs, rows, strict=True):
        value = None
        # Means of a reading that is not confirmed would be a difference, side by side.
        if row is not None and row.reason != NOT_CONFIRMED:
            value = row.against_value if pair.is_between and has_reference else row.of_value
            own = row.of_value if pair.is_between else row.against_value
            reference = own if is_missing(reference) else reference
        cells.append(_cell(row, value=value, metric=metric, limit=limit))
    shown = level_value(reference, metric) if has_reference else ""
    return Line(
        scene_name(results, scene), f"game-{game_in_name(results.plan, scene.game)}", shown, tuple(cells), ""
    )


def scene_name(results: Results, scene: Scene) -> str:
    """Return a game, with its setting where another row of its group is of the same game."""
    same = [one for group in results.groups for one in results.scenes(group) if one.game == scene.game]
    groups = {next(g for g in results.groups if one in results.scenes(g)) for one in same}
    return scene.game if len(groups) == len(same) else f"{scene.game}, {scene.setting}"


def _cell(row: Any, *, value: float | None, metric: str, limit: float, is_overall: bool = False) -> Cell:
    """Return the cell of one result."""
    shown = level_value(value, metric, is_overall=is_overall)
    if row is None or is_missing(row.change) or row.verdict == "no_verdict":
        is_measured = row is not None and row.reason not in ("", "not_measured")
        word = VERDICTS["no_verdict"].word if is_measured else say("answer.not_measured")
        return Cell("", shown, Mark(word, "", "vn", ""), "" if row is None else short_reason(row), None)
    unit, mark = unit_of_change(row), mark_of(row)
    change = change_text(row.change, unit).removesuffix(unit).rstrip()
    level = say("games.on_its_own")
    if is_overall:
        level = say("games.alone") if is_missing(row.level) else say("games.together")
    interval = interval_text(row.ci_low, row.ci_high, unit)
    title = f"{mark.word}, {interval} ({level})"
    spark = None
    if limit:
        promised = spoken_level(row.confidence)
        spark = Spark(row.change, row.ci_low, row.ci_high, row.verdict, row.margin, limit, unit, promised)
    return Cell(change, shown, mark, title, spark, interval.removesuffix(unit).rstrip())


def level_value(value: float | None, metric: str, *, is_overall: bool = False) -> str:
    """Return a level without its unit: FPS of 100 and more without decimals, watts of all games with one."""
    if is_missing(value):
        return ""
    unit = METRICS[metric].unit
    if unit == "W":
        return number_text(value, decimals=1 if is_overall else 0)
    return number_text(value, decimals=0 if unit == "fps" and value >= 100 else 1)


def _note(results: Results, pairs: Sequence[Pair]) -> str:
    """Return how the verdicts of single games were reached, and what the bars are."""
    metric = results.metrics[0]
    scenes = [scene for group in results.groups for scene in results.scenes(group)]
    rows = [results.in_game(pair, scene, metric) for pair in pairs for scene in scenes]
    if all(row is None or row.verdict == "no_verdict" for row in rows):
        return ""
    rows = [row for row in rows if row is not None and not is_missing(row.confidence)]
    level = percent_text(100 * min(row.confidence for row in rows)) if rows else level_text(results)
    parts = [say("games.note.bars", level=level), say(f"games.note.{results.plan.analysis.adjust}", n=len(rows))]
    return " ".join(parts)


def over_benches(results: Results) -> Markup:
    """Return what was found over the test setups; nothing with one setup."""
    rows = list(combine_benches(results.overall, results.plan).itertuples())
    if not rows:
        return Markup("")
    names = ("card", "tuning") if len(results.plan.cards) > 1 else ("tuning",)

    def compared(row: Any) -> str:
        of, against = (", ".join(getattr(row, f"{side}_{name}") for name in names) for side in ("of", "against"))
        return of_group(say("answer.pair", of=of, against=against), row.group)

    def change(row: Any) -> Markup:
        return html.stacked(change_and_interval_text(row.change, row.ci_low, row.ci_high, unit=unit_of_change(row)))

    count = int(max(row.n_benches for row in rows))
    columns = [
        ("benches.compared", compared), ("metric", lambda row: metric_label(row.metric)),
        ("benches.change", change, ""), ("benches.verdict", html.verdict_markup),
        *[("benches.known", lambda row: " ".join(sentences_of(row)))] * any(sentences_of(row) for row in rows),
    ]  # fmt: skip
    text = html.paragraph(say("benches.text", n=count))
    return html.join([text, html.listing(columns, rows, caption=say("benches.caption", n=count))])
