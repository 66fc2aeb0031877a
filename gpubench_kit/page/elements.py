"""Building blocks of the page: paragraphs, lists, tables by specification, folds.

Every function returns ``Markup``. What is given as plain text is data and is escaped; what is given as
``Markup`` was built here and is kept as it is.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.verdicts import sign_of, verdict_word

#: The space between a number and the unit that follows it.
_NUMBER_AND_UNIT = re.compile(r"(?<=\d) (?=(?:%|W|J|fps|FPS|ms|°C|rpm|dBA|MHz|mV|GB|s|min|h)\b|%)")


def tied(text: Any) -> Any:
    """Return plain text in which a number and its unit stay on one line; all else is kept as it is."""
    is_plain = isinstance(text, str) and not hasattr(text, "__html__")
    return _NUMBER_AND_UNIT.sub("\u00a0", text) if is_plain else text


_TEMPLATES = Environment(
    loader=PackageLoader("gpubench_kit.page", "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    finalize=tied,
)
_TEMPLATES.globals["say"] = say
#: Columns from which a table is too wide for a phone: there each row is a block of labelled values.
_WIDE = 5


@dataclass(frozen=True)
class Field:
    """One column of a table by specification.

    Attributes
    ----------
    label : head of the column
    cell : from a row to the text or markup of its cell
    unit : unit of its numbers, printed in the head
    is_number : whether its cells are numbers, which stand to the right
    """

    label: str | Markup
    cell: Callable[[Any], str | Markup]
    unit: str = ""
    is_number: bool = False

    @property
    def head(self) -> str:
        """Label and unit as text."""
        return Markup(f"{self.label} {self.unit}").striptags()


def render(template: str, values: Mapping[str, object]) -> Markup:
    """Return a template of the package filled in; plain text is escaped."""
    return Markup(_TEMPLATES.get_template(template).render(values))


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
    return Markup('<ul class="txt">\n{}</ul>\n').format(inner) if inner else inner


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
    opening = Markup('<details class="fold"{}><summary><span class="st">{}</span></summary><div>\n').format(
        state, summary
    )
    return Markup("{}{}</div></details>\n").format(opening, body)


def figure(chart: object | None) -> Markup:
    """Return a chart as a figure; nothing for no chart."""
    return Markup("") if chart is None else Markup('<figure class="chart">{}</figure>\n').format(chart)


def figures(parts: Iterable[Markup], *, css: str = "charts") -> Markup:
    """Return figures side by side where there is room, three in a row as a ``trio``; nothing for none."""
    inner = join(parts)
    return Markup('<div class="{}">{}</div>\n').format(css, inner) if inner else inner


def link(address: str, text: str | Markup) -> Markup:
    """Return a link to a place on the page or to a file of the report."""
    return Markup('<a href="{}">{}</a>').format(address, text)


def heading(text: str | Markup, *, level: int = 3, name: str = "") -> Markup:
    """Return a heading, with an address on the page where a name is given."""
    place = Markup(' id="{}"').format(name) if name else Markup("")
    return Markup("<h{0}{1}>{2}</h{0}>\n").format(level, place, text)


def stacked(*texts: str) -> Markup:
    """Return texts below each other, an interval below its value, so that a narrow screen holds the column."""
    lines = [part for text in texts for part in text.replace(" (", "\n(").split("\n")]
    return join(map(tied, lines), Markup("<br>"))


def columns(
    cells: Mapping[str, Callable[[Any], str | Markup]],
    *,
    numbers: Collection[str] = (),
    units: Mapping[str, str] | None = None,
) -> list[Field]:
    """Return the columns of a table, each by the name of its head in the catalogue.

    Parameters
    ----------
    cells : name of the head, below ``table``, and from a row to the cell
    numbers : names of columns of numbers, which stand to the right
    units : units of columns that have one
    """
    known = units or {}
    return [Field(say(f"table.{name}"), cell, known.get(name, ""), name in numbers) for name, cell in cells.items()]


def listing(fields: Iterable[Field], rows: Iterable[Any], *, caption: str | Markup, css: str = "") -> Markup:
    """Return a table that a screen reader can follow, inside a region that scrolls sideways.

    Parameters
    ----------
    fields : what each column holds; the first holds the heads of the rows
    rows : what the cells are made of
    caption : what the table shows; also the name of the region
    css : further class of the table

    Returns
    -------
    Markup, empty where there are no rows
    """
    fields = list(fields)
    filled = [[tied(field.cell(row)) for field in fields] for row in rows]
    if not filled:
        return Markup("")
    values = {
        "columns": fields,
        "rows": filled,
        "caption": caption,
        "label": Markup(caption).striptags(),
        "is_wide": len(fields) >= _WIDE,
        "css": join([css, "wd" if len(fields) >= _WIDE else ""], " "),
    }
    return render("table.html.j2", values)


def verdict_markup(row: Any) -> Markup:
    """Return the verdict of a row as a word with its sign; the sign repeats the word for the eye alone."""
    return verdict_shown(row.verdict, row.metric, row.change)


def verdict_shown(verdict: str, metric: str, change: float | None) -> Markup:
    """Return a verdict as a word with its sign."""
    sign = sign_of(verdict, change)
    shown = Markup('<i aria-hidden="true">{}</i> ').format(sign) if sign else Markup("")
    word = verdict_word(verdict, metric, change)
    return Markup('<span class="v {}">{}{}</span>').format(VERDICTS[verdict].css, shown, word)


def slug(text: str) -> str:
    """Return text as a short name for addresses: plain letters, digits and hyphens."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
    return re.sub(r"[^a-z0-9]+", "-", plain.lower()).strip("-")[:60] or "part"
