"""The desk's view as a page for a second screen: written at states only; not a page to publish."""

from __future__ import annotations

from contextlib import suppress
from importlib import resources

from jinja2 import Environment

from gpubench_kit.desk.says import view_of
from gpubench_kit.desk.states import Desk
from gpubench_kit.page.charts import tokens_css

#: Name of the page in the review folder.
PAGE = "desk.html"
_TEMPLATE = "desk_page.html.j2"


def page_of(desk: Desk) -> str:
    """Return the page as HTML; all that fills it is escaped.

    Parameters
    ----------
    desk : in any state
    """
    view = view_of(desk)
    first, *others = [line.replace("\t", "   ") for line in view.now if line.strip()]
    state, _, head = first.partition("  ")
    head = " ".join(head.split())
    # Read from afar: the tuning to set and its values, else the state's first line.
    big = next((" ".join(line[3:].split()) for line in others if line.startswith("SET")), head)
    now = others if big == head else [head, *others]
    template = Environment(autoescape=True).from_string(
        resources.files(__package__).joinpath(_TEMPLATE).read_text("utf-8")
    )
    css, at = tokens_css(desk.keeper.plan.style), f"{desk.keeper.clock.now():%H:%M:%S}"
    about = {"view": view, "css": css, "at": at, "games": desk.forecast.games}
    return template.render(**about, state=state, big=big, now=now)


def write_page(desk: Desk) -> None:
    """Write the page whole, in one step; where it cannot be, the next state writes it.

    Parameters
    ----------
    desk : in any state
    """
    with suppress(OSError):
        desk.keeper.disk.replace(desk.keeper.folder / PAGE, page_of(desk).encode())
