"""A section for each game: every run as a dot, frame times of two runs, the percentile curve, in one open fold."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.page.caveats import finding_lines
from gpubench_kit.page.charts import Lanes, Plot
from gpubench_kit.page.charts.from_tables import frame_rates, middle_runs, runs_of_game
from gpubench_kit.page.charts.run_logs import frame_times, percentiles_of_game
from gpubench_kit.page.elements import Section, left_out, render
from gpubench_kit.page.headline import is_real, short_reason, side_of
from gpubench_kit.page.pictures import game_in_name, picture_links, setting_in_name
from gpubench_kit.page.results import Pair, Results, Scene
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import change_text, interval_text, is_missing, percent_text
from gpubench_kit.wording.terms import margin_amount, names_text, scene_text, starting, unit_of_change, verdict_word

#: Games that stand open: the biggest loss, the biggest gain, the noisiest.
_OPEN = 3
#: Axes of the strips with every run: rates, then power and heat.
_STRIPS = (("avg_fps", "low_1pct_fps"), ("board_w", "core_c"))
#: Charts of a scene, those that stand together in one.
_FIGURES = (("runs", "power"), ("frame-times",), ("percentiles",))
#: Reasons that withhold a verdict on rates, though what differs in the frame times may be seen.
_CAPPED = ("held_by_cap", "frame_limit_declared")
#: Tunings told one by one in the sentence of a game.
_TOLD = 3


def games(results: Results) -> Section:
    """Return the section with a fold for each game; left out where nothing was compared.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    """
    if not results.main.pairs:
        return left_out("detail", say("detail.heading"), say("detail.left_out"))
    scenes = [scene for group in results.groups for scene in results.scenes(group)]
    by_game = {scene.game: [one for one in scenes if one.game == scene.game] for scene in scenes}
    roles = _roles(results)
    order = [*roles, *sorted((game for game in by_game if game not in roles), key=str.casefold)]
    made = [
        _game(results, game, by_game[game], roles.get(game)) | {"is_open": game in roles or len(by_game) == 1}
        for game in order
    ]
    # Typed numbers have neither frame times nor percentiles, and so no word on them.
    there = {name for game in made for part in game["parts"] for name in part["drawn"]}
    note = [say("detail.note.runs", level=percent_text(100 * results.plan.analysis.confidence))]
    note += [say(f"detail.note.{name}") for name in ("frame-times", "percentiles") if name in there]
    values = {"games": made, "note": " ".join(note)}
    return Section("detail", say("detail.heading"), render("games.html.j2", values))


def _roles(results: Results) -> dict[str, tuple[list[str], Pair]]:
    """Return the games that stand open, in order: biggest loss, biggest gain, noisiest, then the next gains.

    Each has its tags, and the pair that its frame times are shown for: that of its first tag.
    """
    found = [
        (row, scene.game, pair)
        for pair in results.main.pairs
        for scene in results.scenes(results.groups[0])
        if (row := results.in_game(pair, scene, results.plan.analysis.primary)) is not None
        and not is_missing(row.change)
    ]
    # What is the same within the margin is neither a loss nor a gain, and not undecided.
    open_ = [one for one in found if is_real(one[0]) or one[0].verdict == "undecided"]
    ranked = {
        kind: sorted(
            (one for one in open_ if sign * _gain(one[0]) > 0),
            key=lambda one: (not is_real(one[0]), -abs(_gain(one[0]))),
        )
        for kind, sign in (("loss", -1), ("gain", 1))
    }
    named = [
        (game, f"{kind}{'' if is_real(row) else '_undecided'}", pair)
        for kind, listed in ranked.items()
        for row, game, pair in listed[:1]
    ]
    noisiest = _noisiest(results)
    of_it = [one for one in found if one[1] == noisiest]
    named += [(noisiest, "noisiest", max(of_it, key=lambda one: abs(one[0].change))[2])] if of_it else []
    roles: dict[str, tuple[list[str], Pair]] = {}
    for game, tag, pair in named:
        roles.setdefault(game, ([], pair))[0].append(say(f"detail.tag.{tag}"))
    for row, game, pair in ranked["gain"][1:]:
        if len(roles) < _OPEN and game not in roles and is_real(row):
            roles[game] = ([say("detail.tag.next_gain")], pair)
    return roles


def _gain(row: Any) -> float:
    """Return a change as a gain: positive is better."""
    return -row.change if METRICS[row.metric].better == "lower" else row.change


def _noisiest(results: Results) -> str:
    """Return the game whose runs differ most on the primary metric, as a root mean square over its tunings."""
    noise = results.noise
    rows = noise[(noise["metric"] == results.plan.analysis.primary) & noise["cv_pct"].notna()]
    names = {scene.game for scene in results.scenes(results.groups[0])}
    rows = rows[rows["game"].isin(names) & (rows["card"] == results.main.pairs[0].of.card)]
    if not len(rows) or len(names) < 2:
        return ""
    spread = rows.assign(square=rows["cv_pct"] ** 2).groupby("game")["square"].mean()
    return str(np.asarray(spread.index)[int(np.argmax(spread.to_numpy()))])


def _game(results: Results, game: str, scenes: Sequence[Scene], role: tuple[list[str], Pair] | None) -> dict:
    """Return one game with its scenes, for the template."""
    planned = next(one for one in results.plan.games if one.name == game)
    tags, pair = role or ([], largest_change(results, scenes[0]))
    limited = say(f"detail.limited.{planned.limited_by}") if planned.limited_by != "card" else ""
    about = ", ".join(filter(None, (planned.scene * (planned.scene != game), limited)))
    name, parts = f"game-{game_in_name(results.plan, game)}", []
    for place, scene in enumerate(scenes):
        id_ = f"{name}-{setting_in_name(results.plan, scene.setting)}" if place else name
        part = _part(
            results, scene, pair=pair, notes=[say("detail.cpu_limited")] * (planned.limited_by == "processor")
        )
        parts.append(part | {"id": id_, "heading": f"{scene.game}, {scene.setting}" if place else ""})
    return {"name": game, "id": name, "tag": " · ".join(tags) or about, "is_role": bool(tags), "parts": parts}


def largest_change(results: Results, scene: Scene) -> Pair:
    """Return the pair with the largest change in a scene.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    scene : game and setting
    """
    primary = results.plan.analysis.primary
    rows = [(results.in_game(pair, scene, primary), pair) for pair in results.main.pairs]
    known = [
        (abs(row.change), -place, pair)
        for place, (row, pair) in enumerate(rows)
        if row is not None and not is_missing(row.change)
    ]
    return max(known)[2] if known else results.main.pairs[0]


def scene_charts(results: Results, scene: Scene, pair: Pair) -> dict[str, Lanes | Plot | None]:
    """Return the charts of one scene by name.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    scene : game and setting
    pair : whose frame times are laid over each other, and whose percentiles have an interval
    """
    states = results.states()
    leading = tuple(one for one in states if (one.card, one.tuning, one.bench) in pair)
    withheld = {one.of for one in results.main.pairs if not may_be_compared(results, scene, one)}
    compared = tuple(one for one in states if (one.card, one.tuning, one.bench) not in withheld)
    own = results.runs[(results.runs["game"] == scene.game) & (results.runs["setting"] == scene.setting)]
    facts, level = results.facts(own["run"]), results.plan.analysis.confidence
    primary = results.plan.analysis.primary
    first = _STRIPS[0] if primary in (*_STRIPS[0], *_STRIPS[1]) else (primary, _STRIPS[0][0])
    strips = {
        name: runs_of_game(results.usable, results.levels, scene=scene, states=states, metrics=metrics)
        for name, metrics in (("runs", first), ("power", _STRIPS[1]))
    }
    middle = [one for one in middle_runs(facts, own, scene=scene, states=leading) if one[2].trace is not None]
    names = (say("charts.frame_times_of", state=name, run=found.run) for name, _, found in middle)
    title = say("charts.frame_times", scene=scene_text(*scene), runs=say("list.and").join(names))
    percentiles = percentiles_of_game(facts, own, scene=scene, states=compared, confidence=level, leading=leading)
    return strips | {"frame-times": frame_times(title, middle), "percentiles": percentiles}


def may_be_compared(results: Results, scene: Scene, pair: Pair) -> bool:
    """Return whether frame times of a pair may be drawn as a difference: its design and reading must hold."""
    row = results.in_game(pair, scene, results.plan.analysis.primary)
    return row is None or row.verdict != "no_verdict" or row.reason in _CAPPED


def _part(results: Results, scene: Scene, *, pair: Pair, notes: list[str]) -> dict[str, Any]:
    """Return one scene: its sentence, what is limited, its charts."""
    drawn = {name: chart for name, chart in scene_charts(results, scene, pair).items() if chart}
    pictures = partial(picture_links, results, game=scene.game, setting=scene.setting)
    shown = filter(None, ([name for name in names if name in drawn] for names in _FIGURES))
    own_verdicts = []
    for one in results.main.pairs:
        row = results.in_game(one, scene, results.plan.analysis.primary)
        # Without borrowed noise the own verdict differs by the missing correction alone: no second opinion.
        is_borrowed = row is not None and not is_missing(row.borrowed) and bool(row.borrowed)
        if is_borrowed and row.verdict != "no_verdict" and row.own_verdict not in ("", row.verdict):
            word = VERDICTS[row.own_verdict].word
            own_verdicts.append(say("detail.own", tuning=starting(results.short(one.of)), verdict=word))
    has_bars = frame_rates(results.levels, scene=scene, states=results.states()) is not None
    return {
        "text": game_sentence(results, scene),
        "drawn": list(drawn),
        "notes": [*notes, *finding_lines(results, scene), *own_verdicts],
        "charts": [
            ([drawn[name] for name in names], pictures(names[0], in_film=False)) for names in shown if names
        ],
        "pictures": pictures("frame-rates") if has_bars else [],
    }


def game_sentence(results: Results, scene: Scene) -> str:
    """Return what was found in one scene: each tuning, or the two decided most and how many are undecided."""
    primary, group = results.plan.analysis.primary, results.groups[0]
    rows = [(results.in_game(pair, scene, primary), pair) for pair in results.main.pairs]
    if results.groups == [group] and results.scenes(group) == [scene]:
        # One scene is the whole review: its sentence is the card's, not a second opinion at another level.
        rows = [(results.over_games(pair, group, primary) or row, pair) for row, pair in rows]
    rows = [(row, pair) for row, pair in rows if row is not None]
    if len(rows) <= _TOLD:
        told = _clauses(results, rows)
    else:
        is_open = [VERDICTS[row.verdict].is_open for row, _ in rows]
        ranked = sorted(
            (one for one, left in zip(rows, is_open, strict=True) if not left), key=lambda one: one[0].change
        )
        told = list(dict.fromkeys(_clause(results, *one) for one in (*ranked[-1:], *ranked[:1])))
        open_ = [row for (row, _), left in zip(rows, is_open, strict=True) if left]
        changes = [row.change for row in open_ if not is_missing(row.change)]
        if changes:
            low, high = (change_text(one, unit_of_change(open_[0])) for one in (min(changes), max(changes)))
            told.append(say("detail.open", n=len(open_), of=len(rows), low=low, high=high))
    return f"{'; '.join(told)}." if told else ""


def _clauses(results: Results, rows: Sequence[tuple[Any, Pair]]) -> list[str]:
    """Return what each tuning does in a scene; those that are the same within the margin together, at the end."""
    same = [(row, pair) for row, pair in rows if row.verdict == "same_within_margin"]
    if len(same) < 2:
        return [_clause(results, row, pair) for row, pair in rows]
    names = names_text([side_of(results, pair) for _, pair in same])
    others = [_clause(results, row, pair) for row, pair in rows if row.verdict != "same_within_margin"]
    return [*others, say("detail.all_same", tunings=names, margin=margin_amount(same[0][0]))]


def _clause(results: Results, row: Any, pair: Pair) -> str:
    """Return what one tuning does in a scene."""
    name = side_of(results, pair)
    if row.verdict == "no_verdict" or is_missing(row.change):
        return say("detail.no_verdict", tuning=name, why=short_reason(row))
    unit = unit_of_change(row)
    interval = interval_text(row.ci_low, row.ci_high, unit)
    if row.verdict == "undecided":
        return say("detail.undecided", tuning=name, interval=interval)
    if row.verdict == "same_within_margin":
        return say("detail.same", tuning=name, margin=margin_amount(row), interval=interval)
    word = verdict_word(row.verdict.removesuffix("_but_small"), row.metric, row.change)
    size = change_text(abs(row.change), unit).lstrip("+")
    return say(
        "detail.real" if not row.verdict.endswith("_small") else "detail.small",
        tuning=name,
        size=size,
        word=word,
        interval=interval,
    )
