"""What the page is built of: paragraphs, lists, tables by specification, folds, sections, the style sheet.

Every function of a block returns ``Markup``. What is given as plain text is data and is escaped; what is given as
``Markup`` was built here and is kept as it is.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterable, Mapping
from dataclasses import asdict, dataclass
from functools import lru_cache
from importlib import resources
from operator import attrgetter
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.model.plan.sections import Style
from gpubench_kit.model.tables import Table
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.page.charts import chart_css, font_faces, tokens_css
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.numbers import count_text
from gpubench_kit.wording.terms import scene_text, sign_of, verdict_word

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

    @classmethod
    def of(cls, head: str, cell: Cell, unit: str | None = None) -> Field:
        """Return a column by the key of its head; see `listing`."""
        is_number, label = unit is not None, say(head if "." in head else f"table.{head}")
        if callable(cell):
            return cls(label, cell, unit or "", is_number)
        named = attrgetter(cell)
        return cls(label, (lambda row: count_text(named(row))) if is_number else named, unit or "", is_number)


#: What fills a column: from a row to its cell, or the name of an attribute of rows.
Cell = str | Callable[[Any], str | Markup]
#: A column, or its key, its cell and, for numbers, their unit: see `listing`.
Column = Field | tuple[Any, ...]


def scene_of(row: Any) -> str:
    """Return the game of a row with its setting."""
    return scene_text(row.game, row.setting)


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


def listing(columns: Iterable[Column], rows: Iterable[Any], *, caption: str | Markup, css: str = "") -> Markup:
    """Return a table that a screen reader can follow, inside a region that scrolls sideways.

    Parameters
    ----------
    columns : what each holds: key of the head, whole or below ``table``, and the cell; for numbers, which stand to
        the right, also their unit. An attribute's name for a cell is its text, or the count of a number. The first
        column holds the heads of the rows.
    rows : what the cells are made of
    caption : what the table shows; also the name of the region
    css : further class of the table

    Returns
    -------
    Markup, empty where there are no rows
    """
    fields = [one if isinstance(one, Field) else Field.of(*one) for one in columns]
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


#: Kind of output by which the page knows its sections among a notebook's outputs.
MIME = "application/vnd.gpubench-kit.section+json"


@dataclass(frozen=True)
class Head:
    """What stands around the title of a page.

    Attributes
    ----------
    kick : above the title, the first in bold
    lines : below it
    description : of the page, for whoever shares it
    site_url : address of the page, for whoever shares it; empty for none
    """

    kick: tuple[str, ...] = ()
    lines: tuple[str, ...] = ()
    description: str = ""
    site_url: str = ""


@dataclass(frozen=True)
class Section:
    """One section of the page.

    Attributes
    ----------
    name : address of the section on the page
    title : its heading
    text : what it shows below the heading
    left_out : why there is nothing to show; then the page names the section and this reason
    head : what stands around the title, if this is the head of the page; else None
    """

    name: str
    title: str
    text: Markup
    left_out: str = ""
    head: Head | None = None

    def _repr_html_(self) -> str:
        """Return the section as HTML; nothing where it is left out."""
        if self.left_out:
            return ""
        template = "section.html.j2" if self.head is None else "summary.html.j2"
        values = {"name": self.name, "title": self.title, "body": self.text, "head": self.head}
        return str(render(template, values))

    def _repr_mimebundle_(self, include=None, exclude=None) -> dict[str, Any]:
        """Return the section as HTML together with what the page must know about it."""
        about = {
            "name": self.name,
            "title": self.title,
            "left_out": self.left_out,
            "is_summary": self.head is not None,
            "head": asdict(self.head) if self.head else {},
        }
        # A notebook says what is left out where it would stand; the page does so once, at its end.
        reason = paragraph(say("section.left_out", title=self.title, why=self.left_out), css="kit small")
        return {"text/html": str(reason) if self.left_out else self._repr_html_(), MIME: about}

    def __repr__(self) -> str:
        return f"Section({self.title!r})" if not self.left_out else f"Section({self.title!r}, left out)"


def left_out(name: str, title: str, reason: str) -> Section:
    """Return a section that shows nothing, with the reason why."""
    return Section(name=name, title=title, text=Markup(""), left_out=reason)


def section(key: str, parts: Iterable[str | Markup], *, title: str = "", why: str = "") -> Section:
    """Return a section of parts, named and titled by its key; left out, with the reason, where none shows anything.

    Parameters
    ----------
    key : of the sentences ``KEY.title`` and ``KEY.left_out``; its last word is the section's address
    parts : what it shows
    title, why : in place of these sentences
    """
    name, title, text = key.rpartition(".")[2], title or say(f"{key}.title"), join(parts)
    return Section(name, title, text) if text else left_out(name, title, why or say(f"{key}.left_out"))


def said_terms(key: str, names: Iterable[str]) -> list[tuple[str, str]]:
    """Return words with their explanations, ``KEY.NAME.term`` and ``KEY.NAME.text``, for `terms`."""
    return [(say(f"{key}.{name}.term"), say(f"{key}.{name}.text")) for name in names]


def table_links(folder: str, tables: Iterable[Table]) -> list[Markup]:
    """Return links to tables beside the page, each with what a row of it is."""
    return [
        join([link(f"{folder}/{one.name}.csv", f"{one.name}.csv"), say("files.rows", row=one.row)], ": ")
        for one in tables
    ]


_LIGHT = re.compile(r"^:root\{(.*?)\}", re.MULTILINE | re.DOTALL)
_DARK = re.compile(r"@media screen and \(prefers-color-scheme:dark\)\{:root\{(.*?)\}\}", re.DOTALL)


@dataclass(frozen=True)
class StyleSheet:
    """A style sheet; shown in a notebook, it gives the sections below it the look of the page.

    Attributes
    ----------
    tokens : colours and letters, as variables of the root
    rules : everything else
    """

    tokens: str
    rules: str

    @property
    def css(self) -> str:
        """The whole style sheet, for a page."""
        return f"{self.tokens}\n{self.rules}"

    def _repr_html_(self) -> str:
        """Return the style sheet as HTML, made to hold in a notebook."""
        return f"<style>\n{in_a_notebook(self.tokens, self.rules)}\n</style>"

    def _repr_mimebundle_(self, include=None, exclude=None) -> dict[str, Any]:
        """Return the style sheet for a notebook, and for the page."""
        about = {"name": "style", "title": "", "left_out": "", "is_summary": False, "head": {}, "style": self.css}
        return {"text/html": self._repr_html_(), MIME: about}

    def __repr__(self) -> str:
        return "Style sheet of the page"


#: A workbench stripes the rows of tables and floats the terms of lists in narrow columns; the page's own rules
#: follow and win.
_WITHOUT_THE_WORKBENCH = "tbody tr{background:none}dt,dd{float:none;width:auto}\n"


def look(plan: ReviewPlan | None = None) -> StyleSheet:
    """Return the look of the page, its charts and letters included.

    Parameters
    ----------
    plan : ReviewPlan, gives the accent colour; None for the kit's own
    """
    style = plan.style if plan else Style()
    tokens = f"{font_faces()}{tokens_css(style)}{_text('base.css')}"
    return StyleSheet(tokens, f"{_text('page.css')}\n{chart_css()}")


@lru_cache
def _text(name: str) -> str:
    """Return a style sheet of the package."""
    return resources.files("gpubench_kit.page").joinpath(name).read_text(encoding="utf-8")


def in_a_notebook(tokens: str, rules: str) -> str:
    """Return a style sheet of the page for a notebook: stronger than JupyterLab's own, and of its theme.

    Parameters
    ----------
    tokens : variables of the root, dark ones by the reader's setting
    rules : everything else; it is made to hold inside sections only

    Notes
    -----
    JupyterLab marks its theme at the body, which may differ from the reader's setting; elsewhere the setting rules.
    """
    light = _LIGHT.sub(r':root{\1}body[data-jp-theme-light="true"]{\1}', tokens)
    themed = _DARK.sub(r'\g<0>@media screen{body[data-jp-theme-light="false"]{\1}}', light)
    return f"{themed}\n.kit.kit.kit{{padding:1.1rem 1.3rem;\n{_WITHOUT_THE_WORKBENCH}{rules}}}"
