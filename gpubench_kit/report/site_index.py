"""The list of all reports in a folder: one page that links to each, made anew with every report."""

from __future__ import annotations

import json
import os
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from urllib.parse import quote

from markupsafe import Markup

from gpubench_kit.model.errors import ReportError
from gpubench_kit.model.formats import current_manifest
from gpubench_kit.page.elements import render
from gpubench_kit.page.stylesheet import look
from gpubench_kit.report.html import ICON, check_page
from gpubench_kit.wording.catalogue import say
from gpubench_kit.wording.names import metric_label
from gpubench_kit.wording.numbers import change_text, interval_text
from gpubench_kit.wording.terms import metric_of
from gpubench_kit.wording.verdicts import mark_of

_PAGE = "index.html"
_MARK = '<main class="site">'
_RESULTS_SHOWN = 3


def write_site_index(folder: str | Path) -> Path:
    """Write the page that lists every report in a folder; links are relative, so the folder can be put anywhere.

    A page of that name which is not such a list is left alone.

    Parameters
    ----------
    folder : folder that holds report folders

    Returns
    -------
    Path of the page

    Raises
    ------
    ReportError : the page cannot be written
    """
    folder, page = Path(folder), Path(folder) / _PAGE
    if page.exists() and _MARK not in page.read_text(encoding="utf-8", errors="replace"):
        return page
    reports = sorted(_reports_in(folder), key=lambda one: one[0])
    entries = [_entry(name, manifest) for name, manifest in reports]
    html = str(
        render(
            "site_index.html.j2",
            {"style": Markup(look().css), "entries": entries, "icon": ICON},
        )
    )
    check_page(html)
    part = folder / f".{_PAGE}.part"
    try:
        part.write_text(html, encoding="utf-8", newline="\n")
        os.replace(part, page)
    except OSError as error:
        raise ReportError(f"{_PAGE}: the list of reports cannot be written ({error.strerror}).") from error
    return page


def _reports_in(folder: Path) -> list[tuple[str, dict[str, Any]]]:
    """Return the name and the manifest of every report in a folder; what is no report is skipped."""
    found = []
    for path in folder.glob("*/manifest.json"):
        try:
            manifest = json.loads(path.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            continue
        is_report = isinstance(manifest, dict) and "format_version" in manifest and "verdicts" in manifest
        if is_report and (path.parent / _PAGE).exists():
            found.append((path.parent.name, current_manifest(manifest)))
    return found


def _entry(name: str, manifest: dict[str, Any]) -> dict[str, Any]:
    """Return one report: its title and address, what was measured, its first results over all games as tiles."""
    measured = manifest.get("measured") or {}
    cards = ", ".join(one["name"] for one in measured.get("cards", ()) if one.get("role") == "reviewed")
    drivers = ", ".join(dict.fromkeys(one["driver"] for one in measured.get("benches", ()) if one.get("driver")))
    about = (cards, measured.get("date", ""), say("method.driver", driver=drivers) if drivers else "")
    rows = [row for row in manifest["verdicts"]["overall"] if row["scope"] == "these_games"]
    return {
        "address": f"{quote(name)}/{_PAGE}",
        "title": manifest["title"],
        "about": " · ".join(filter(None, about)),
        "tiles": [_tile(row) for row in rows[:_RESULTS_SHOWN]],
    }


def _tile(row: dict[str, Any]) -> dict[str, Any]:
    """Return one result: what was compared in which metric, the change, the verdict, its interval."""
    unit = "%" if metric_of(row["metric"]).scale == "ratio" else metric_of(row["metric"]).unit
    of, against = row["of_tuning"], row["against_tuning"]
    if row["of_card"] != row["against_card"]:
        of, against = f"{row['of_card']}, {of}", f"{row['against_card']}, {against}"
    group = "" if row["group"] == "all" else f" ({row['group']})"
    pair = say("answer.pair", of=of, against=against)
    return {
        "label": f"{pair}{group}: {metric_label(row['metric'])}",
        "figure": change_text(row["change"], unit),
        "mark": mark_of(SimpleNamespace(**row)),
        "interval": interval_text(row.get("ci_low"), row.get("ci_high"), unit) if "ci_low" in row else "",
    }
