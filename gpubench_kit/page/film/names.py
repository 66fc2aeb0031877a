"""Names of pictures: a folder for each game, `game_setting_chart`, in the plain alphabet, each once."""

from __future__ import annotations

from collections.abc import Sequence

from gpubench_kit.file_names import slug, transliterated
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.page.film.frame import can_draw_png
from gpubench_kit.page.results import Pair, Results
from gpubench_kit.palette import THEMES

#: Folder of the pictures within a report, and of those over all games within it.
FOLDER, OVER_GAMES = "pictures", "all-games"
#: Tunings of one picture with large figures.
TUNINGS_OF_A_PICTURE = 2


def picture_name(plan: ReviewPlan, chart: str, *, game: str = "", setting: str = "") -> str:
    """Return folder and name of a picture below ``pictures/``, without theme and ending.

    Parameters
    ----------
    plan : gives all games, settings and groups: names that are written alike in the plain alphabet get a hash each
    chart : name of the chart
    game : empty for all games
    setting : setting of the game, or the group where all games are shown
    """
    folder = game_in_name(plan, game) if game else OVER_GAMES
    shown = "" if setting in ("", "all") else setting_in_name(plan, setting)
    return f"{folder}/{'_'.join(part for part in (folder, shown, transliterated(chart)) if part)}"


def game_in_name(plan: ReviewPlan, game: str) -> str:
    """Return a game in the plain alphabet, as folders and addresses on the page have it."""
    return _told_apart(game, [one.name for one in plan.games], taken=(OVER_GAMES,))


def setting_in_name(plan: ReviewPlan, setting: str) -> str:
    """Return a setting, or a group of settings, in the plain alphabet."""
    return _told_apart(
        setting, [name for one in plan.games for part in one.settings for name in (part.name, part.group)]
    )


def pair_in_name(results: Results, pair: Pair) -> str:
    """Return a pair as part of a chart's name: its tuning, with more where other pairs share that.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    pair : what is compared
    """
    pairs = [one for block in results.blocks for one in block.pairs]
    of = _told_apart(results.short(pair.of), [results.short(one.of) for one in pairs])
    if sum(one.of.tuning == pair.of.tuning for one in pairs) == 1:
        return of
    return f"{of}-{slug(*pair.of, *pair.against)}"


def picture_links(
    results: Results, chart: str, *, game: str = "", setting: str = "", in_film: bool = True
) -> list[tuple[str, str]]:
    """Return kind and address of the files of a picture that the report has; none where it was not asked for.

    Parameters
    ----------
    results : see `gpubench_kit.page.results.Results`
    chart, game, setting : as in `picture_name`
    in_film : whether the picture is among those that a film uses
    """
    if not (results.pictures == "all" or (in_film and results.pictures == "film")):
        return []
    name = picture_name(results.plan, chart, game=game, setting=setting)
    kinds = ("png", "svg") if can_draw_png() else ("svg",)
    return [(kind.upper(), f"{FOLDER}/{name}_{THEMES[0]}.{kind}") for kind in kinds]


def _told_apart(name: str, others: Sequence[str], *, taken: Sequence[str] = ()) -> str:
    """Return a name in the plain alphabet; with a hash where another one is written alike."""
    written = transliterated(name)
    alike = {one for one in others if transliterated(one) == written}
    # A second part makes sure of the hash, which `slug` gives only to what it could not write without loss.
    return slug(name, "\u00b7") if len(alike) > 1 or written in taken else written
