"""Make the reference pages of the documentation from what the kit declares.

::

    python tools/make_reference.py FOLDER    write the pages into a folder
"""

from __future__ import annotations

import argparse
import json
import re
import sys
from collections.abc import Iterator
from pathlib import Path

from gpubench_kit.checks.review import CHECKS, check_of
from gpubench_kit.cli.command import make_parser
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.tables import METRIC_VALUES, USABLE
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.report.package import DECLARED
from gpubench_kit.sheet.rows import NEEDED, OPTIONAL, ORDERING
from gpubench_kit.wording.catalogue import load_catalogue

ROOT = Path(__file__).resolve().parents[1]

PLAN = (
    "`plan.toml` holds the decisions of a review. Unknown keys are refused, with the nearest known key named. "
    "Editors that know JSON Schema check it while you type: [plan.schema.json](../plan.schema.json)."
)
RUN_SHEET = (
    "`runs.csv` (or `runs.xlsx`) has one row for each run. Capitals and blanks in headings do not count. A metric "
    "typed by hand has a column of its [name](metrics.md)."
)
TABLES = (
    "The tables of a report and of an archive, as in their `datapackage.json`. An empty cell is a value that is "
    "not defined. The last two, `metrics` and `usable`, stand in notebooks alone."
)
SCALES = (
    "Each run has one value of each. On the ratio scale a difference is a percentage, computed on natural "
    "logarithms; on the difference scale it is in the unit."
)
FINDINGS = (
    "What the checks of logs, runs and the whole bench session can find, as in the table `findings`. A `stop` "
    "withholds the verdicts that need its runs, `exclude` is a rule of the plan, a `note` changes nothing. The "
    "limits stand in `[checks]` of the [plan](plan.md). Words in italics stand for names and numbers."
)
READING = (
    "What is noticed while logs and the run sheet are read; a line of the plan that settles it stands behind the "
    "action, filled in."
)
#: A place in a sentence of the catalogue.
PLACE = re.compile(r"\{(\w+)(?::[^{}]+)?\}")
#: Key of sentences -> name of their finding, where it is another.
CALLED = {"clock_not_proven_by_files": "clock_not_proven"}
#: Findings whose sentences are made where they are noticed -> what they have in common.
SAYS = {
    "run_sheet_row": "a row of the run sheet has a fault; it is left out",
    "without_runs": "the run sheet has no row yet for a game, card or tuning of the plan",
    "names_open": "a title or a name in plan.toml still waits for an answer",
    "one_sheet_read": "a workbook has several sheets; only the first with rows of numbers was read",
}
#: Column of a run sheet -> what stands in it.
SHEET = {
    "run": "name of the run, once in the sheet",
    "tuning": "name of a tuning of the plan",
    "game": "name of a game of the plan",
    "round": "number of the round; each tuning once in a round of a game",
    "order": "place of the run in the order in which all were done",
    "card": "name of a card, where the plan has several",
    "bench": "name of a bench, where the plan has several",
    "setting": "name of a setting of the game, where it has several",
    "purpose": "`measure` (default), `warm_up`, `soak`, `idle` or `pilot`; only `measure` enters verdicts, `soak` "
    "those on heat, fan and sound",
    "session": "runs between two restarts of the machine, or of a card's installation, share it",
    "launch": "runs between two starts of the game share it",
    "tuning_change": "runs under one act of applying a tuning share it",
    "frame_log": "file in `logs/` with one row for each frame",
    "sensor_log": "file in `logs/` with one row for each sample",
    "started_at": "date and time at which the run began",
    "replaces": "name of the failed run that this one repeats",
    "excluded": "cause for which a run does not count: `crash`, `wrong_settings`, `not_completed`, "
    "`background_load`, `log_gap` or `tuning_lost`",
    "corrected": "why a typed number was changed after a look",
    "game_version": "version of the game, where a patch came in between",
    "note": "anything; for yourself",
}


def main() -> int:
    """Write every page."""
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    pages = {"plan": plan_page, "run_sheet": sheet_page, "tables": tables_page, "metrics": metrics_page,
             "checks": checks_page, "verdicts": verdicts_page, "commands": commands_page,
             "api": api_page}  # fmt: skip
    for name, page in pages.items():
        text = "\n".join(page()) + "\n"
        file = folder / f"{name}.md"
        # An unchanged page keeps its time, so that the site is not made anew for nothing.
        if not file.exists() or file.read_text(encoding="utf-8") != text:
            file.write_text(text, encoding="utf-8", newline="\n")
    return 0


def plan_page() -> Iterator[str]:
    """Yield the lines of the page on ``plan.toml``: every section, every key."""
    schema = json.loads((ROOT / "docs" / "plan.schema.json").read_text(encoding="utf-8"))
    yield from ("# The plan", "", PLAN, "")
    shown: set[str] = set()
    for key, about in schema["properties"].items():
        many, name = _model_of(about)
        if name:
            yield from _section(f"[[{key}]]" if many else f"[{key}]", name, schema["$defs"], shown)


def _section(heading: str, name: str, models: dict, shown: set[str]) -> Iterator[str]:
    """Yield one section of the plan, and the sections below it."""
    if name in shown:
        return
    shown.add(name)
    model = models[name]
    about = str(model.get("description", "")).split("\n")[0].rpartition("``: ")[2]
    yield from (f"## {heading}", "", f"{about[:1].upper()}{about[1:]}", "")
    yield from ("| key | default | meaning |", "| --- | --- | --- |")
    below = []
    for key, about in model.get("properties", {}).items():
        many, other = _model_of(about)
        if other:
            place = heading.strip("[]")
            below.append((f"[[{place}.{key}]]" if many else f"[{place}.{key}]", other))
        default = "needed" if key in model.get("required", ()) else _default(about)
        yield f"| `{key}` | {default} | {_cell(about.get('description', ''))}{_choices(about)} |"
    yield ""
    for place, other in below:
        yield from _section(place, other, models, shown)


def _model_of(about: dict) -> tuple[bool, str]:
    """Return whether a key holds a list, and the model of its values; empty where they are plain."""
    for one in (about, *about.get("anyOf", ())):
        many = "items" in one
        target = one["items"] if many else one
        if "$ref" in target:
            return many, target["$ref"].rpartition("/")[2]
    return False, ""


def _default(about: dict) -> str:
    """Return a default as it stands in a plan."""
    value = about.get("default")
    return "" if value in (None, "", [], {}) else f"`{_cell(json.dumps(value, ensure_ascii=False))}`"


def _choices(about: dict) -> str:
    """Return the values that a key may have, unless it is a list of metrics."""
    values = about.get("enum", ())
    return f" ({', '.join(f'`{one}`' for one in values)})" if 0 < len(values) < 8 else ""


def sheet_page() -> Iterator[str]:
    """Yield the lines of the page on the run sheet."""
    yield from ("# The run sheet", "", RUN_SHEET, "")
    yield from ("| column | meaning |", "| --- | --- |")
    for name in (*NEEDED, *ORDERING, *OPTIONAL):
        yield f"| `{name}` | {_cell(SHEET[name])}{' (needed)' if name in NEEDED else ''} |"


def tables_page() -> Iterator[str]:
    """Yield the lines of the page on the published tables."""
    yield from ("# Tables", "", TABLES, "")
    for table in (*DECLARED.values(), METRIC_VALUES, USABLE):
        keys = ", ".join(f"`{one}`" for one in table.key)
        yield from (f"## {table.name}", "", f"One row per {table.row}. Key: {keys}.", "")
        yield from ("| column | type | unit | meaning |", "| --- | --- | --- | --- |")
        yield from (
            f"| `{one.name}` | {one.kind} | {_cell(one.unit)} | {_cell(one.meaning)} |" for one in table.columns
        )
        yield ""


def metrics_page() -> Iterator[str]:
    """Yield the lines of the page on metrics."""
    yield from ("# Metrics", "", SCALES, "")
    yield from ("| name | meaning | unit | better | scale | needs |", "| --- | --- | --- | --- | --- | --- |")
    for one in METRICS.values():
        cells = (f"`{one.name}`", f"{one.label}. {one.help}", one.unit, one.better, one.scale, one.needs)
        yield f"| {' | '.join(map(_cell, cells))} |"


def checks_page() -> Iterator[str]:
    """Yield the lines of the page on checks: what each says, and what to do."""
    head = ("", "| name | is a | says | what to do |", "| --- | --- | --- | --- |")
    yield from ("# Checks", "", FINDINGS, *head)
    yield from (_check_line(one.name, one.name, "finding") for one in CHECKS if one.stage != "reading")
    yield from ("", "## Noticed in reading", "", READING, *head)
    groups = [key.split(".")[:2] for key in load_catalogue().entries]
    keys = [key for group, key in groups if group in ("logs", "routine")]
    keys += [one.name for one in CHECKS if one.stage == "reading"]
    names: dict[str, str] = {}
    for key in keys:
        names.setdefault(CALLED.get(key, key), key)
    yield from (_check_line(name, key, "logs") for name, key in names.items())


def _check_line(name: str, key: str, group: str) -> str:
    """Return the line of one check: its sentences, or in few words what its findings have in common."""
    entries = load_catalogue().entries

    def listed(part: str) -> str:
        own = [text for one, text in entries.items() if one.startswith(f"{group}.{key}.") and one.endswith(part)]
        forms = [text if isinstance(text, str) else text["many"] for text in own]
        # The levels of tunings are said after the first look only.
        forms = [text.replace("{levels}", "") for text in forms]
        return _cell(PLACE.sub(r"*\1*", " / ".join(dict.fromkeys(forms))))

    says = listed(".text") or SAYS.get(key) or entries.get(f"routine.{key}") or entries[f"check.why.{key}"]
    says = PLACE.sub(r"*\1*", says)
    action = listed(".action") or entries.get(f"check.fix.{key}", "")
    says = f"{says[:1].upper()}{says[1:].rstrip('.')}."
    return f"| `{name}` | {check_of(name).severity} | {says} | {action} |"


def verdicts_page() -> Iterator[str]:
    """Yield the lines of the page on the words of verdicts."""
    yield from ("# Verdicts", "", "The words in tables, on the page and what they mean.", "")
    yield from ("| in tables | on the page | sign | meaning |", "| --- | --- | --- | --- |")
    for one in VERDICTS.values():
        signs = " or ".join(dict.fromkeys(one.signs))
        yield f"| {' | '.join(map(_cell, (f'`{one.name}`', one.word, signs, one.meaning)))} |"


def commands_page() -> Iterator[str]:
    """Yield the lines of the page on commands: the help of each."""
    parser = make_parser()
    yield from ("# Commands", "", f"```text\n{parser.format_help()}```", "")
    (commands,) = (one for one in parser._actions if isinstance(one, argparse._SubParsersAction))
    for name, command in commands.choices.items():
        yield from (f"## {name}", "", f"```text\n{command.format_help()}```", "")


def api_page() -> Iterator[str]:
    """Yield the lines of the page on public names."""
    yield from ("# Public names", "", "```{eval-rst}")
    for module in ("gpubench_kit", "gpubench_kit.plots"):
        yield from (f".. automodule:: {module}", "   :members:", "   :imported-members:", "")
    yield "```"


def _cell(text: str) -> str:
    """Return text as a cell of a table."""
    return " ".join(str(text).split()).replace("|", "\\|").replace("``", "`")


if __name__ == "__main__":
    sys.exit(main())
