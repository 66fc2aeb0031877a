"""The film set of a review: which pictures it gives, those that a film uses or all, and a sheet of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from itertools import product
from pathlib import Path
from typing import Any

from gpubench_kit.model.errors import ReportError, check_choice
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.page.answer_card import kicker, rows_of, runs_each_text
from gpubench_kit.page.charts import RIVAL, Cell, Figure, FigureRow, Figures, Lane, Lanes
from gpubench_kit.page.charts.from_tables import change_lanes, frame_rates, with_lows
from gpubench_kit.page.efficiency import cost_charts, scatters, sensor_charts
from gpubench_kit.page.elements import render, tied
from gpubench_kit.page.game_sections import largest_change, scene_charts
from gpubench_kit.page.headline import (
    games_title,
    leading_pair,
    line_about,
    line_about_group,
    power_words,
    rate_words,
    rival_title,
    watts_title,
)
from gpubench_kit.page.matrix import changes_chart, changes_of
from gpubench_kit.page.pictures import (
    FOLDER,
    SHAPES,
    Body,
    Picture,
    can_draw_png,
    pair_in_name,
    picture_name,
    picture_png,
    picture_svg,
)
from gpubench_kit.page.pictures import TUNINGS_OF_A_PICTURE as _TUNINGS
from gpubench_kit.page.results import Block, Pair, Results, Scene
from gpubench_kit.page.sweep import tuning_charts
from gpubench_kit.palette import THEMES
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import is_missing, percent_text
from gpubench_kit.wording.terms import metric_label, metric_of, starting, unit_of_change

#: Rows of one picture.
_ROWS = 8
#: Verdict's class on the page -> that of its words in a picture.
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
    for one in _pictures(results, every=every):
        shown = one.foot or foot(results, Scene(one.game, one.setting))
        picture = replace(one, title=tied(one.title), foot=tied(shown))
        yield picture
        if every and picture.shape == "wide":
            yield replace(picture, shape="tall", chart=f"{picture.chart}-tall")


def foot(results: Results, scene: Scene) -> str:
    """Return the bottom line: card, games, runs, day, driver, who measured, the channel, the level.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    scene : what is shown: a game at a setting; without a game, all games of a group, or of all where that is empty
    """
    review = results.plan.review
    parts = [*kicker(results, scene), review.channel or results.plan.style.mark]
    level = percent_text(100 * results.plan.analysis.confidence)
    return " · ".join([*(one for one in dict.fromkeys(parts) if one), say("film.intervals", level=level)])


def _pictures(results: Results, *, every: bool) -> Iterator[Picture]:
    """Yield every picture in its wide form, and the lower thirds; an empty foot is that of the review."""
    group = results.groups[0]
    for block in results.blocks if every else results.blocks[:1]:
        for one in results.groups if every else [group]:
            yield from _tunings(results, block, one)
    yield from _games(results, group, every=every)
    for scatter in scatters(results)[:1]:
        yield Picture("", group, "watts-fps", watts_title(results), "", scatter)
    swept = tuning_charts(results.sweep.found, results.plan) if results.sweep and results.sweep.found else []
    for number, chart in enumerate(swept, start=1):
        yield Picture("", "", f"sweep-{number}" if len(swept) > 1 else "sweep", chart.title, "", chart)
    for scene, plots in sensor_charts(results) if every else ():
        for plot in plots:
            yield Picture(*scene, f"sensor-{plot.y.label}", plot.title, "", plot)
    for place, (of, title, plot) in enumerate(cost_charts(results) if every else (), start=1):
        yield Picture("", of, f"cost-{place}", title, "", plot)
    for pair in results.main.pairs:
        name, title = f"lower-third-{pair_in_name(results, pair)}", line_about(results, pair)
        yield Picture("", group, name, title, _third_foot(results, pair), None, results.place(pair.of), "third")
    for one in results.groups:
        for scene in results.scenes(one):
            yield from _of_scene(results, scene, every=every)


def _tunings(results: Results, block: Block, group: str) -> Iterator[Picture]:
    """Yield the large figures of every tuning of a block, two to a picture, as the answer card shows them."""
    rows, lead, place = rows_of(results, block, group=group), leading_pair(results), results.blocks.index(block)
    name = ("rival" if block.is_between else "tunings") + (f"-of-{place + 1}" if place else "")
    for start in range(0, len(rows), _TUNINGS):
        shown, pairs = rows[start : start + _TUNINGS], block.pairs[start : start + _TUNINGS]
        about = lead if lead is not None and lead in pairs else pairs[0]
        told = line_about if group == results.groups[0] else partial(line_about_group, group=group)
        title = rival_title(results, pairs[0]) if block.is_between else told(results, about)
        against = f", vs {block.common.tuning}" if block.common and not block.is_between else ""
        lines = []
        for row in shown:
            figures = []
            for tile in row.tiles:
                word, sign, css, _ = tile.mark or ("", "", "", "")
                told_word = word if tile.figure else ""
                figures.append(Figure(tile.figure or word, sign, told_word, _CSS.get(css, "i"), tile.interval))
            lines.append(FigureRow(row.name, row.place, tuple(figures)))
        body = Figures(f"{title}{against}", tuple(tile.label for tile in shown[0].tiles), tuple(lines))
        number = f"-{start // _TUNINGS + 1}" if len(rows) > _TUNINGS else ""
        yield Picture("", group, f"{name}{number}", title, "", body)


def _games(results: Results, group: str, *, every: bool) -> Iterator[Picture]:
    """Yield the change in each game, by tuning; of every metric of the answer where all is drawn."""
    for pair, metric in product(results.main.pairs, results.metrics if every else results.metrics[:1]):
        rows = changes_of(results, pair, group=group, metric=metric)
        if len(rows) < 2:
            continue
        label = metric_label(metric)
        heading = say("film.change", metric=label, reference=results.short(pair.against))
        title = games_title(results, pair, metric)
        name = changes_chart(results, pair, metric)
        bodies = _game_lanes(rows, heading)
        for number, body in enumerate(bodies if every else bodies[:1], start=1):
            yield Picture("", group, f"{name}-{number}" if number > 1 else name, title, "", body)


def _game_lanes(rows: list[tuple[Scene, Any]], heading: str) -> list[Lanes]:
    """Return the change in each game: the first games, of which a last row sums up the rest, then the rest."""
    first = rows[0][1]
    unit = unit_of_change(first)
    margin = None if is_missing(first.margin) else float(first.margin)
    ends = [abs(end) for _, row in rows for end in (row.ci_low, row.ci_high) if not is_missing(end)]
    limit = 1.03 * max([*ends, 1.5 * margin if margin else 0.0])
    band = None if margin is None else (-margin, margin)
    named = ((scene.game, row) for scene, row in rows)
    whole = change_lanes(named, heading, unit=unit, margin=band, limit=limit)
    if len(rows) <= _ROWS:
        return [whole]
    rest = [row for _, row in rows[_ROWS - 1 :]]
    open_ = sum(VERDICTS[row.verdict].is_open for row in rest)
    dots = tuple((row.game, float(row.change)) for row in rest)
    more = Lane(say("film.more_games", n=len(rest)), RIVAL, (Cell(dots, text=say("film.open", n=open_)),))
    first_lanes, rest_lanes = whole.lanes[: _ROWS - 1], whole.lanes[_ROWS - 1 :]
    return [replace(whole, lanes=(*first_lanes, more)), *_pages_of(replace(whole, lanes=rest_lanes))]


def _of_scene(results: Results, scene: Scene, *, every: bool) -> Iterator[Picture]:
    """Yield the pictures of one game at one setting."""
    bars = frame_rates(results.levels, scene=scene, states=results.states()) if len(results.levels) else None
    charts: dict[str, Any] = {"frame-rates": with_lows(bars) if bars else None}
    charts |= scene_charts(results, scene, largest_change(results, scene)) if every else {}
    rate, power = (_scene_title(results, scene, of_power=of_power) for of_power in (False, True))
    for name, chart in charts.items():
        title = power if name == "power" else rate
        bodies: list[Body] = [*_pages_of(chart)] if isinstance(chart, Lanes) else [chart] * (chart is not None)
        for number, body in enumerate(bodies, start=1):
            yield Picture(*scene, f"{name}-{number}" if number > 1 else name, title, "", body)


def _pages_of(chart: Lanes) -> list[Lanes]:
    """Return a chart in parts of at most eight rows."""
    starts = range(0, max(len(chart.lanes), 1), _ROWS)
    return [replace(chart, lanes=chart.lanes[start : start + _ROWS]) for start in starts]


def _scene_title(results: Results, scene: Scene, *, of_power: bool) -> str:
    """Return what was found in a game, about the primary metric or power, under each of the first two tunings."""
    watts = [one for one in results.metrics if metric_of(one).unit == "W"]
    told, metrics = [], watts if of_power else [results.plan.analysis.primary]
    for pair in results.main.pairs[:_TUNINGS] if metrics else ():
        row = results.in_game(pair, scene, metrics[0])
        if row is None or is_missing(row.change) or row.verdict == "no_verdict":
            continue
        plain = {"same_within_margin": "same", "undecided": "undecided"}.get(row.verdict, "")
        if plain:
            finding = say(f"film.{plain}_power" if of_power else f"film.{plain}")
        else:
            finding = power_words(row) if of_power else rate_words(row)
        name = results.short(pair.of) if not pair.is_between else pair.of.card
        told.append(say("film.tuning", tuning=name, finding=finding))
    where = f"{scene.game}, {scene.setting}" if len(results.groups) > 1 and scene.setting else scene.game
    return say("film.scene", scene=starting(where), findings=", ".join(told)) if told else starting(where)


def _third_foot(results: Results, pair: Pair) -> str:
    """Return the small line of a lower third: card, games, runs of each, the interval of the frame rate."""
    parts, group, primary = list(kicker(results))[:2], results.groups[0], results.plan.analysis.primary
    if results.runs_each((pair,), group, primary)[1]:
        parts.append(runs_each_text(results, (pair,), primary))
    rows = rows_of(results, Block((pair,)), group=group)
    if rows and rows[0].tiles and rows[0].tiles[0].interval:
        level = percent_text(100 * results.plan.analysis.confidence)
        parts.append(say("film.interval", level=level, interval=rows[0].tiles[0].interval))
    return " · ".join(parts)


#: What can be asked for, see `write_film`.
CHOICES = ("film", "all", "none")


def check_pictures(pictures: object) -> None:
    """Refuse a choice of pictures that is none.

    Parameters
    ----------
    pictures : what was chosen

    Raises
    ------
    ReportError : it is none of the choices
    """
    check_choice(pictures, CHOICES, where="pictures", error=ReportError)


def write_film(results: Results, folder: str | Path, *, pictures: str = "film") -> list[str]:
    """Write the pictures of a review, light and dark, with a sheet that shows them all.

    Parameters
    ----------
    results : see `gpubench_kit.page.Results`
    folder : folder of the report; ``pictures/`` is made in it
    pictures : ``film`` (those that a film uses), ``all`` (every chart, upright ones too) or ``none``

    Returns
    -------
    list of str, names of the files below ``pictures/``, sorted. PNG files are left out where what draws them is not
    installed.

    Raises
    ------
    ReportError : the choice is not one of these, or a file cannot be written
    """
    check_pictures(pictures)
    if pictures == "none":
        return []
    place, style, written = Path(folder) / FOLDER, results.plan.style, []
    kinds: dict[str, Callable[..., str | bytes]] = {"png": picture_png} if can_draw_png() else {}
    kinds["svg"] = picture_svg
    by_game: dict[str, list[tuple[Picture, str]]] = {}
    chosen = list(film_pictures(results, every=pictures == "all"))
    for picture in chosen:
        name = picture_name(results.plan, picture.chart, game=picture.game, setting=picture.setting)
        by_game.setdefault(picture.game or say("film.over_games"), []).append((picture, name))
        # Written one after the other: all pictures of a large review would fill the memory.
        for theme, (kind, draw) in product(THEMES, kinds.items()):
            written.append(_write(place, f"{name}_{theme}.{kind}", draw(picture, theme=theme, style=style)))
    if chosen:
        values = {"title": results.plan.review.title, "games": by_game, "kinds": list(kinds)}
        sheet = render("film_sheet.html.j2", values | {"themes": THEMES, "sizes": SHAPES})
        written.append(_write(place, "index.html", str(sheet)))
    return sorted(written)


def _write(place: Path, name: str, content: str | bytes) -> str:
    """Write one file whole or not at all; return its name."""
    target = place / name
    part = target.with_name(target.name + ".part")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        part.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
        part.replace(target)
    except OSError as error:
        raise ReportError(f"picture '{name}': cannot be written ({error.strerror}).") from error
    return name
