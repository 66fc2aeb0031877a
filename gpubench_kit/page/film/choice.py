"""Which pictures a review gives: those that a film uses, or all."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from itertools import product
from typing import Any

from gpubench_kit.page.answer_card import Row, kicker, rows_of
from gpubench_kit.page.charts import RIVAL, Cell, Column, Figure, FigureRow, Figures, Lane, Lanes
from gpubench_kit.page.charts.games import frame_rates
from gpubench_kit.page.charts.marks import NBSP, value_text
from gpubench_kit.page.charts.over_games import interval_cell
from gpubench_kit.page.efficiency import cost_charts, scatters, sensor_charts
from gpubench_kit.page.elements import tied
from gpubench_kit.page.film.frame import Body, Picture
from gpubench_kit.page.film.names import TUNINGS_OF_A_PICTURE as _TUNINGS
from gpubench_kit.page.film.names import pair_in_name
from gpubench_kit.page.game_sections import largest_change, scene_charts
from gpubench_kit.page.headline import games_title, leading_pair, line_about, rate_words, watts_title
from gpubench_kit.page.matrix import changes_chart, changes_of
from gpubench_kit.page.results import Block, Pair, Results, Scene
from gpubench_kit.page.rival import rival_title
from gpubench_kit.page.sweep import tuning_charts
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.names import metric_label, starting
from gpubench_kit.wording.numbers import is_missing, percent_text

#: Rows of one picture.
_ROWS = 8
_CSS = {"vg": "good", "vb": "bad", "vu": "n", "vn": "n"}


def film_pictures(results: Results, *, every: bool = False) -> Iterator[Picture]:
    """Yield the pictures of a review.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    every : whether all charts are drawn, upright ones too; else those that a film uses
    """
    if not results.main.pairs or not results.groups:
        return
    for picture in _wide(results, every=every):
        yield picture
        if every and picture.shape == "wide":
            yield replace(picture, shape="tall", chart=f"{picture.chart}-tall")


def _wide(results: Results, *, every: bool) -> Iterator[Picture]:
    """Yield every picture in its wide form, and the lower thirds."""
    group = results.groups[0]
    for block in results.blocks if every else results.blocks[:1]:
        for one in results.groups if every else [group]:
            yield from _tunings(results, block, one)
    yield from _games(results, group, every=every)
    for scatter in scatters(results)[:1]:
        yield _picture(results, ("", group), chart="watts-fps", title=watts_title(results), body=scatter)
    yield from _swept(results)
    yield from _further(results) if every else ()
    for pair in results.main.pairs:
        name = f"lower-third-{pair_in_name(results, pair)}"
        picture = _picture(results, ("", group), chart=name, title=line_about(results, pair), body=None)
        yield replace(
            picture, shape="third", place=results.place(pair.of), foot=tied(_third_foot(results, pair, group))
        )
    for one in results.groups:
        for scene in results.scenes(one):
            yield from _of_scene(results, scene, every=every)


def _picture(results: Results, where: tuple[str, str], *, chart: str, title: str, body: Body | None) -> Picture:
    """Return a picture with the foot of the review."""
    return Picture(*where, chart, tied(title), tied(foot(results)), body)


def foot(results: Results) -> str:
    """Return the bottom line: card, games, runs, day, driver, who measured, the channel, the level.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    """
    review = results.plan.review
    parts = [*kicker(results), review.channel or results.plan.style.mark]
    level = percent_text(100 * results.plan.analysis.confidence)
    return " · ".join([*(one for one in dict.fromkeys(parts) if one), say("film.intervals", level=level)])


def _tunings(results: Results, block: Block, group: str) -> Iterator[Picture]:
    """Yield the large figures of every tuning of a block, two to a picture."""
    rows = rows_of(results, block, group=group)
    for start in range(0, len(rows), _TUNINGS):
        shown, pairs = rows[start : start + _TUNINGS], block.pairs[start : start + _TUNINGS]
        if block.is_between:
            title = rival_title(results, pairs[0])
        else:
            lead = leading_pair(results)
            title = line_about(results, lead if lead in pairs else pairs[0])
        against = block.common.tuning if block.common and not block.is_between else ""
        columns = tuple(tile.label for tile in shown[0].tiles)
        body = Figures(f"{title}{f', vs {against}' if against else ''}", columns, tuple(map(_figure_row, shown)))
        number = f"-{start // _TUNINGS + 1}" if len(rows) > _TUNINGS else ""
        place = results.blocks.index(block)
        name = ("rival" if block.is_between else "tunings") + (f"-of-{place + 1}" if place else "")
        yield _picture(results, ("", group), chart=f"{name}{number}", title=title, body=body)


def _figure_row(row: Row) -> FigureRow:
    """Return the figures of one tuning, as the answer card shows them."""
    figures = []
    for tile in row.tiles:
        mark = tile.mark
        word, sign, css = (mark.word, mark.sign, _CSS.get(mark.css, "i")) if mark else ("", "", "i")
        figures.append(Figure(tile.figure or word, sign, word if tile.figure else "", css, tile.interval))
    return FigureRow(row.name, row.place, tuple(figures))


def _games(results: Results, group: str, *, every: bool) -> Iterator[Picture]:
    """Yield the change in each game, by tuning; of every metric of the answer where all is drawn."""
    metrics = results.metrics if every else results.metrics[:1]
    for pair, metric in product(results.main.pairs, metrics):
        rows = changes_of(results, pair, group=group, metric=metric)
        if len(rows) < 2:
            continue
        tuning = results.short(pair.of)
        heading = say("film.change", metric=metric_label(metric), reference=results.short(pair.against))
        if metric == results.plan.analysis.primary:
            title = games_title(results, pair)
        else:
            title = say("film.by_game", tuning=starting(tuning), metric=metric_label(metric))
        name = changes_chart(results, pair, metric)
        for number, shown in enumerate(_pages(rows, every=every), start=1):
            body = _change_lanes(shown, rows, heading=heading)
            yield _picture(
                results, ("", group), chart=f"{name}-{number}" if number > 1 else name, title=title, body=body
            )


def _swept(results: Results) -> Iterator[Picture]:
    """Yield what the sweep found, frame rate against power along the ladder; nothing without a sweep."""
    charts = tuning_charts(results.sweep.found, results.plan) if results.sweep and results.sweep.found else []
    for number, chart in enumerate(charts, start=1):
        name = f"sweep-{number}" if len(charts) > 1 else "sweep"
        yield _picture(results, ("", ""), chart=name, title=chart.title, body=chart)


def _further(results: Results) -> Iterator[Picture]:
    """Yield sensors over the run, and running costs."""
    for scene, charts in sensor_charts(results):
        for chart in charts:
            yield _picture(results, scene, chart=f"sensor-{chart.y.label}", title=chart.title, body=chart)
    for place, (group, chart) in enumerate(cost_charts(results), start=1):
        yield _picture(results, ("", group), chart=f"cost-{place}", title=chart.title, body=chart)


def _pages(rows: Sequence[tuple[Scene, Any]], *, every: bool) -> Iterator[list[tuple[Scene, Any]]]:
    """Yield the rows of each picture: the first ones, of which the last row sums up the rest; then the rest."""
    if len(rows) <= _ROWS:
        yield list(rows)
        return
    yield list(rows[: _ROWS - 1])
    if every:
        rest = rows[_ROWS - 1 :]
        for start in range(0, len(rest), _ROWS):
            yield list(rest[start : start + _ROWS])


def _change_lanes(shown: Sequence[tuple[Scene, Any]], rows: Sequence[tuple[Scene, Any]], *, heading: str) -> Lanes:
    """Return the intervals of some games; on the first picture the other games as hollow dots."""
    unit = "%" if shown[0][1].scale == "ratio" else shown[0][1].unit
    lanes = [Lane(scene.game, None, (interval_cell(row, unit=unit),)) for scene, row in shown]
    is_first, rest = shown[0] == rows[0], [row for _, row in rows[len(shown) :]]
    if is_first and rest:
        open_ = sum(row.verdict in ("undecided", "no_verdict") for row in rest)
        dots = tuple((row.game, float(row.change)) for row in rest)
        lanes.append(
            Lane(say("film.more_games", n=len(rest)), RIVAL, (Cell(dots, text=say("film.open", n=open_)),))
        )
    margin = shown[0][1].margin
    band = None if is_missing(margin) else (-float(margin), float(margin))
    ends = [end for _, row in rows for end in (row.ci_low, row.ci_high) if not is_missing(end)]
    most = 1.03 * max([abs(end) for end in ends] + [1.5 * float(margin) if band else 0.0])
    column = Column(heading, unit, margin=band, signed=True, low=-most, high=most)
    return Lanes(heading, (column,), tuple(lanes))


def _of_scene(results: Results, scene: Scene, *, every: bool) -> Iterator[Picture]:
    """Yield the pictures of one game at one setting."""
    states, title = results.states(), _scene_title(results, scene)
    bars = frame_rates(results.levels, scene=scene, states=states) if len(results.levels) else None
    if bars is not None:
        for number, body in enumerate(_pages_of(_with_lows(bars)), start=1):
            more = f"-{number}" if number > 1 else ""
            yield _picture(results, (scene.game, scene.setting), chart=f"frame-rates{more}", title=title, body=body)
    if not every:
        return
    for chart, drawn in scene_charts(results, scene, largest_change(results, scene)).items():
        if drawn is None:
            continue
        parts: Iterable[Body] = _pages_of(drawn) if isinstance(drawn, Lanes) else [drawn]
        for number, part in enumerate(parts, start=1):
            more = f"-{number}" if number > 1 else ""
            yield _picture(results, scene, chart=f"{chart}{more}", title=title, body=part)


def _with_lows(bars: Lanes) -> Lanes:
    """Return bars whose words also give the 1 % low."""
    if not any(cell and cell.has_notch for lane in bars.lanes for cell in lane.cells):
        return bars
    lanes = tuple(replace(lane, cells=tuple(_with_low(cell) for cell in lane.cells)) for lane in bars.lanes)
    return replace(bars, columns=(replace(bars.columns[0], heading=say("film.fps_and_low")),), lanes=lanes)


def _with_low(cell: Cell | None) -> Cell | None:
    """Return a bar whose words also give the 1 % low."""
    if cell is None or not cell.has_notch:
        return cell
    low = value_text(cell.notch, "FPS").partition(NBSP)[0]
    return replace(cell, text=f"{cell.text} | {low}")


def _pages_of(chart: Lanes) -> Iterator[Lanes]:
    """Yield a chart in parts of at most eight rows."""
    for start in range(0, max(len(chart.lanes), 1), _ROWS):
        yield replace(chart, lanes=chart.lanes[start : start + _ROWS])


def _scene_title(results: Results, scene: Scene) -> str:
    """Return what was found in a game: the frame rate under each of the first two tunings."""
    told = []
    for pair in results.main.pairs[:_TUNINGS]:
        row = results.in_game(pair, scene, results.plan.analysis.primary)
        if row is not None and not is_missing(row.change) and row.verdict != "no_verdict":
            name = results.short(pair.of) if not pair.is_between else pair.of.card
            told.append(say("film.tuning", tuning=name, finding=_finding(row)))
    where = f"{scene.game}, {scene.setting}" if len(results.groups) > 1 and scene.setting else scene.game
    return say("film.scene", scene=where, findings=", ".join(told)) if told else where


def _finding(row: Any) -> str:
    """Return what was found, in words that follow the name of a tuning."""
    if row.verdict == "same_within_margin":
        return say("film.same")
    return say("film.undecided") if row.verdict == "undecided" else rate_words(row)


def _third_foot(results: Results, pair: Pair, group: str) -> str:
    """Return the small line of a lower third: card, games, runs of each, the interval of the frame rate."""
    parts = list(kicker(results))[:2]
    low, high = results.runs_each((pair,), group, results.plan.analysis.primary)
    if high:
        parts.append(
            say("answer.runs_each", n=high) if low == high else say("answer.runs_between", low=low, high=high)
        )
    rows = rows_of(results, Block((pair,)), group=group)
    if rows and rows[0].tiles and rows[0].tiles[0].interval:
        level = percent_text(100 * results.plan.analysis.confidence)
        parts.append(say("film.interval", level=level, interval=rows[0].tiles[0].interval))
    return " · ".join(parts)
