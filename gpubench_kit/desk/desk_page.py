"""The desk's view as a page for a second screen: written at states only; not a page to publish."""

from __future__ import annotations

from functools import lru_cache
from importlib import resources

from jinja2 import Environment, Template

from gpubench_kit.desk.forecast import noise_text
from gpubench_kit.desk.says import View, view_of
from gpubench_kit.desk.states import Desk
from gpubench_kit.page.charts import tokens_css

#: Name of the page in the review folder.
PAGE = "desk.html"


@lru_cache(maxsize=1)
def _template() -> Template:
    """Return the page's template; all that fills it is escaped."""
    text = resources.files(__package__).joinpath("desk_page.html.j2").read_text(encoding="utf-8")
    return Environment(autoescape=True).from_string(text)


def page_of(desk: Desk) -> str:
    """Return the page as HTML.

    Parameters
    ----------
    desk : in any state
    """
    view = view_of(desk)
    first, *others = [line.replace("\t", "   ") for line in view.now if line.strip()]
    state, _, big = first.partition("  ")
    games = [
        {"game": one.game, "setting": one.setting, "done": one.done, "planned": one.planned,
         "noise": noise_text(one) if one.done > 1 else "not known yet"}
        for one in desk.forecast.games
    ]  # fmt: skip
    at = f"{desk.keeper.clock.now():%H:%M:%S}"
    shown = [" ".join(big.split()), *others]
    style = tokens_css(desk.keeper.plan.style)
    head = " ".join(_big(view, big).split())
    return _template().render(
        view=view, css=style, state=state.strip() or "Now", big=head, now=shown, games=games, at=at
    )


def _big(view: View, first: str) -> str:
    """Return what is read from afar: the tuning to set and its values, else the state's first line."""
    return next((line[3:] for line in view.now if line.startswith("SET")), first)


def write_page(desk: Desk) -> None:
    """Write the page whole, in one step.

    Parameters
    ----------
    desk : in any state
    """
    desk.keeper.disk.replace(desk.keeper.folder / PAGE, page_of(desk).encode())
