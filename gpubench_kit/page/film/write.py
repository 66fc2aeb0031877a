"""The film set as files: a folder for each game, and a sheet with all pictures."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import product
from pathlib import Path

from gpubench_kit.model.errors import ReportError, check_choice
from gpubench_kit.page.elements import render
from gpubench_kit.page.film.choice import film_pictures
from gpubench_kit.page.film.frame import SHAPES, Picture, can_draw_png, picture_png, picture_svg
from gpubench_kit.page.film.names import FOLDER, picture_name
from gpubench_kit.page.results import Results
from gpubench_kit.palette import THEMES
from gpubench_kit.wording.catalogue import say

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
    chosen = [
        (one, picture_name(results.plan, one.chart, game=one.game, setting=one.setting))
        for one in film_pictures(results, every=pictures == "all")
    ]
    place, style, written = Path(folder) / FOLDER, results.plan.style, []
    # Written one after the other: all pictures of a large review would fill the memory.
    for (picture, name), theme, (kind, draw) in product(chosen, THEMES, _kinds().items()):
        written.append(_write(place, f"{name}_{theme}.{kind}", draw(picture, theme=theme, style=style)))
    if chosen:
        written.append(_write(place, "index.html", _sheet(results, chosen)))
    return sorted(written)


def _sheet(results: Results, pictures: Sequence[tuple[Picture, str]]) -> str:
    """Return the sheet with all pictures, each with its name."""
    by_game: dict[str, list[tuple[Picture, str]]] = {}
    for picture, name in pictures:
        by_game.setdefault(picture.game or say("film.over_games"), []).append((picture, name))
    values = {
        "title": results.plan.review.title,
        "games": by_game,
        "kinds": list(_kinds()),
        "themes": THEMES,
        "sizes": SHAPES,
    }
    return str(render("film_sheet.html.j2", values))


def _kinds() -> dict[str, Callable[..., str | bytes]]:
    """Return the ending of each file of a picture, and what draws it."""
    return {"png": picture_png, "svg": picture_svg} if can_draw_png() else {"svg": picture_svg}


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
