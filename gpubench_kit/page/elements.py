"""Building blocks of the page: paragraphs, lists, tables, folded details.

Every function returns ``Markup``. What is given as plain text is data and is escaped; what is given as
``Markup`` was built here and is kept as it is.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

_TEMPLATES = Environment(
    loader=PackageLoader("gpubench_kit.page", "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)

#: The space between a number and the unit that follows it.
_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=(?:%|W|J|fps|ms|°C|rpm|dBA|MHz|mV|GB|s|min|h)\b|%)")


@dataclass(frozen=True)
class Column:
    """One column of a table on the page.

    Attributes
    ----------
    label : head of the column
    unit : unit of its numbers, printed in the head
    is_number : whether its cells are numbers, which stand to the right
    """

    label: str
    unit: str = ""
    is_number: bool = False


def render(template: str, values: Mapping[str, object]) -> Markup:
    """Return a template of the package filled in; plain text is escaped."""
    return Markup(_TEMPLATES.get_template(template).render(values))


def tied(text: str | Markup) -> str | Markup:
    """Return plain text in which a number and its unit stay on one line; markup is kept as it is."""
    return text if isinstance(text, Markup) else _NUMBER_AND_UNIT.sub("\u00a0", text)


def stacked(*texts: str) -> Markup:
    """Return texts below each other, an interval below its value, so that a narrow screen holds the column."""
    lines = [part for text in texts for part in text.replace(" (", "\n(").split("\n")]
    return join(map(tied, lines), Markup("<br>"))


def paragraph(*parts: str | Markup, css: str = "") -> Markup:
    """Return one paragraph of the given parts, separated by spaces; nothing for no text."""
    text = join((tied(part) for part in parts), " ")
    opening = Markup('<p class="{}">').format(css) if css else Markup("<p>")
    return Markup("{}{}</p>\n").format(opening, text) if text else Markup("")


def note(*parts: str | Markup) -> Markup:
    """Return a paragraph set apart: something the reader must know before using a number."""
    return paragraph(*parts, css="note")


def join(parts: Iterable[str | Markup], separator: str = "") -> Markup:
    """Return the parts that are not empty, escaped where plain, joined."""
    return Markup(separator).join(part for part in parts if part)


def bullets(items: Iterable[str | Markup]) -> Markup:
    """Return a list; nothing for no items."""
    inner = join(Markup("<li>{}</li>\n").format(tied(item)) for item in items)
    return Markup("<ul>\n{}</ul>\n").format(inner) if inner else inner


def terms(pairs: Iterable[tuple[str | Markup, str | Markup]], *, css: str = "terms") -> Markup:
    """Return a list of words, each with its explanation; nothing for no words."""
    inner = join(
        Markup("<div><dt>{}</dt><dd>{}</dd></div>\n").format(word, tied(meaning)) for word, meaning in pairs
    )
    return Markup('<dl class="{}">\n{}</dl>\n').format(css, inner) if inner else inner


def details(summary: str | Markup, body: Markup, *, is_open: bool = False) -> Markup:
    """Return a body that is folded away until asked for; nothing for no body."""
    if not body:
        return Markup("")
    state = Markup(" open") if is_open else Markup("")
    return Markup("<details{}><summary>{}</summary>\n{}</details>\n").format(state, summary, body)


def link(address: str, text: str | Markup) -> Markup:
    """Return a link to a place on the page or to a file of the report."""
    return Markup('<a href="{}">{}</a>').format(address, text)


def heading(text: str | Markup, *, level: int = 3, name: str = "") -> Markup:
    """Return a heading, with an address on the page where a name is given."""
    place = Markup(' id="{}"').format(name) if name else Markup("")
    return Markup("<h{0}{1}>{2}</h{0}>\n").format(level, place, text)


def table(
    columns: Sequence[Column],
    rows: Iterable[Sequence[str | Markup]],
    *,
    caption: str | Markup,
    css: str = "",
) -> Markup:
    """Return a table that a screen reader can follow, inside a region that scrolls sideways.

    Parameters
    ----------
    columns : heads; the first column holds the heads of the rows
    rows : cells as text, numbers already rounded
    caption : what the table shows; also the name of the region
    css : further class of the table

    Returns
    -------
    Markup, empty where there are no rows
    """
    filled = [[tied(cell) for cell in row] for row in rows]
    if not filled:
        return Markup("")
    label = Markup(caption).striptags()
    values = {"columns": columns, "rows": filled, "caption": caption, "label": label, "css": css}
    return render("table.html.j2", values)


def slug(text: str) -> str:
    """Return text as a short name for addresses: plain letters, digits and hyphens."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:60] or "part"
