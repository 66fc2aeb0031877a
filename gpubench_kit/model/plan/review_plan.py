"""The review plan: ``plan.toml`` to one checked, frozen object, all faults at once."""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Mapping
from dataclasses import astuple
from pathlib import Path
from typing import Any

from pydantic import Field, PrivateAttr, ValidationError

from gpubench_kit.model.errors import Fault, PlanError, check_folder, shown
from gpubench_kit.model.formats import decisions_of
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan.checks import check_across_sections
from gpubench_kit.model.plan.comparisons import CardUnit, Pair, Subject, card_units, default_pairs, written_pairs
from gpubench_kit.model.plan.faults import faults_of, repaired
from gpubench_kit.model.plan.fields import Section
from gpubench_kit.model.plan.rules import RESTARTS, Analysis, Checks, Exclude, Logs, with_measured_spread
from gpubench_kit.model.plan.sections import (
    About,
    Bench,
    Card,
    Claim,
    Comparison,
    Costs,
    Game,
    SessionPlan,
    Setting,
    Style,
    Sweep,
    Tuning,
)

__all__ = ["PLAN_FILE", "SCHEMA_FILE", "Pair", "ReviewPlan", "Subject", "load_plan", "plan_file_of"]

PLAN_FILE = "plan.toml"
#: Its JSON Schema, as `tools/make_schema.py` makes it of the models below.
SCHEMA_FILE = Path(__file__).with_name("plan.schema.json")

#: A plan is a page or two of text; a larger file is something else.
_LARGEST_FILE = 2_000_000
_MOST_REPAIRS = 6


class ReviewPlan(Section):
    """What the reviewer decided before the data: made by `load_plan` or `ReviewPlan.from_dict`.

    Attributes are named as the sections and keys of ``plan.toml``; those left out hold their defaults.
    """

    review: About = Field(description="title of the review")
    cards: tuple[Card, ...] = Field(min_length=1, description="cards that are measured")
    benches: tuple[Bench, ...] = Field((Bench(),), min_length=1, description="machines that the cards are in")
    tunings: tuple[Tuning, ...] = Field(min_length=1, description="tunings that are compared")
    games: tuple[Game, ...] = Field(min_length=1, description="games that are played")
    analysis: Analysis = Field(Analysis(), description="decisions about the comparison")
    exclude: Exclude = Field(Exclude(), description="automatic reasons to leave a run out")
    checks: Checks = Field(Checks(), description="limits of findings")
    logs: Logs = Field(Logs(), description="how logs are read")
    comparisons: tuple[Comparison, ...] = Field((), description="pairs that are compared")
    claims: tuple[Claim, ...] = Field((), description="sentences checked against the data")
    session_plan: SessionPlan = Field(SessionPlan(), description="how long things take at the bench")
    sweep: Sweep = Field(Sweep(), description="search for the tuning")
    costs: Costs = Field(Costs(), description="prices and hours")
    style: Style = Field(Style(), description="look of the pictures")

    _folder: Path = PrivateAttr(default=Path())
    _spread_source: str = PrivateAttr(default="")

    @classmethod
    def from_dict(cls, mapping: Mapping[str, Any], folder: str | Path | None = None) -> ReviewPlan:
        """Return a checked plan from a mapping with the sections and keys of ``plan.toml``.

        Parameters
        ----------
        mapping : the plan, as a TOML reader would give it
        folder : folder of the review; the working directory where not given

        Raises
        ------
        PlanError : with every fault of the plan
        """
        return _checked(dict(mapping), folder=Path(folder or ""), file="plan")

    def __repr__(self) -> str:
        counts = {one: len(getattr(self, one)) for one in ("cards", "tunings", "games", "claims")}
        parts = (f"{count} {one if count != 1 else one[:-1]}" for one, count in counts.items())
        return f"ReviewPlan {shown(self.review.title)}: {', '.join(parts)}"

    __str__ = __repr__

    @property
    def folder(self) -> Path:
        """Folder of the review, in which the run sheet and the logs are."""
        return self._folder

    @property
    def restart_spread_source(self) -> str:
        """Table that the spread between restarts was taken from; empty where the plan states it, or none."""
        return self._spread_source

    @property
    def reference_tuning(self) -> str:
        """Name of the tuning that the others are compared with."""
        return next(tuning.name for tuning in self.tunings if tuning.reference)

    @property
    def card_units(self) -> tuple[CardUnit, ...]:
        """Cards as units of comparison: one card, or all samples of a model; the reviewed one first."""
        return card_units(self.cards)

    @property
    def scenes(self) -> dict[tuple[str, str], Setting]:
        """Everything played, in the plan's order: each game at each of its settings, by the names of both."""
        return {(game.name, one.name): one for game in self.games for one in game.settings}

    @property
    def fingerprint(self) -> str:
        """SHA-256 of the decisions, as hexadecimal digits; titles, comments and the order of keys are none.

        How logs are read is none either: a format may be confirmed at any time.
        """
        decided = {key: value for key, value in self.decisions().items() if not key.startswith("logs_read_as.")}
        text = json.dumps(decided, sort_keys=True, ensure_ascii=True)
        return hashlib.sha256(text.encode("ascii")).hexdigest()

    def margin_of(self, metric: str) -> float | None:
        """Return the smallest difference that matters.

        Parameters
        ----------
        metric : name of a metric

        Returns
        -------
        float, in percent on the ratio scale, else in the metric's unit; None where a metric on the
        difference scale has none
        """
        own = self.analysis.margins.get(metric)
        if own is not None or METRICS[metric].scale == "difference":
            return own
        return self.analysis.margin_pct

    def restart_spread_of(self, metric: str) -> tuple[float, int] | None:
        """Return the spread between restarts of a metric [%] and the restarts it was measured on (0: assumed).

        Parameters
        ----------
        metric : name of a metric

        Returns
        -------
        (percent, restarts), or None where the plan gives no spread for this metric
        """
        spread = self.analysis.restart_spread
        return (spread[metric], int(spread.get(RESTARTS, 0))) if metric in spread else None

    def cards_named(self, name: str) -> tuple[str, ...]:
        """Return the names of the cards that a subject's ``card`` stands for: itself, or a model's samples."""
        exact = tuple(card.name for card in self.cards if card.name == name)
        return exact or tuple(card.name for card in self.cards if card.model == name)

    def pairs(self) -> tuple[Pair, ...]:
        """Return the pairs to compare: those of ``[[comparisons]]``, else the default ones.

        Returns
        -------
        tuple of Pair. By default every tuning against the reference within each card and bench and,
        with a rival, the same tunings across cards. With several samples of a model a subject's
        ``card`` is the model's name.
        """
        if not self.comparisons:
            return default_pairs(self.card_units, self.tunings, benches=self.benches)
        return tuple(pair for asked in self.comparisons for pair in self.pairs_of(asked))

    def pairs_not_asked_for(self) -> tuple[Pair, ...]:
        """Return the tunings against the reference that ``[[comparisons]]``, where given, leave out.

        Returns
        -------
        tuple of Pair, as `pairs` has them by default, within each card; steps of a ladder are left to the sweep
        """
        ladder, asked = self.sweep.ladder, set(self.pairs())
        steps = {one.name for one in self.tunings if ladder in {**one.changes, **one.held_at}}
        every = default_pairs(self.card_units, self.tunings, benches=self.benches) if self.comparisons else ()
        own = (pair for pair in every if pair.of.card == pair.against.card and pair.of.tuning not in steps)
        return tuple(pair for pair in own if pair not in asked)

    def pairs_of(self, asked: Comparison | Claim) -> tuple[Pair, ...]:
        """Return the pairs that one comparison or claim speaks of: one, or one per bench; see `written_pairs`."""
        return written_pairs(
            asked.of, asked.against, units=self.card_units, tunings=self.tunings, benches=self.benches
        )

    def claim_key(self, claim: Claim) -> str:
        """Return what a claim states, without its wording: pairs, metric, games, word, amount, place on a sweep."""
        pairs = sorted(str((astuple(pair.of), astuple(pair.against))) for pair in self.pairs_of(claim))
        amount = None if claim.size is None else (claim.size, claim.is_percent)
        return str((pairs, claim.metric, claim.group, claim.over, claim.word, amount, claim.reading))

    def decisions(self) -> dict[str, Any]:
        """Return what was decided before the data, with defaults filled in, as plain JSON values.

        Returns
        -------
        dict from a dotted key such as ``analysis.margin_pct`` to its value
        """
        sections = {key: getattr(self, key).model_dump(mode="json") for key in ("analysis", "exclude", "checks")}
        del sections["analysis"]["seed"]
        counted = {card.name: self.logs.of_card(card.name).count_only for card in self.cards}
        if any(counted.values()):
            sections["logs"] = {
                card: {heading: list(values) for heading, values in only.items()} for card, only in counted.items()
            }
        # A format that was confirmed is no decision: it says how a log was written, whatever the runs show.
        stated = {card.name: self.logs.of_card(card.name).sensors for card in self.cards}
        if any(stated.values()):
            sections["logs_read_as"] = {"sensors": {card: one for card, one in stated.items() if one}}
        measured = {key: getattr(self, key) for key in ("cards", "benches", "tunings", "games")}
        return decisions_of(sections, measured, pairs=self.pairs())


def plan_file_of(folder: str | Path) -> Path:
    """Return the plan of a review, named by its folder or by the plan itself.

    Parameters
    ----------
    folder : as it was named

    Raises
    ------
    PlanError : what was given names no folder
    """
    check_folder(folder)
    return Path(folder) if Path(folder).is_file() else Path(folder) / PLAN_FILE


def load_plan(path: str | Path) -> ReviewPlan:
    """Read and check a plan.

    Parameters
    ----------
    path : ``plan.toml``, or the review folder that holds it

    Returns
    -------
    ReviewPlan, frozen

    Raises
    ------
    PlanError : the file cannot be read, or the plan has faults; all of them are listed
    """
    check_folder(path)
    path = Path(path)
    is_folder = path.name != PLAN_FILE and (path.is_dir() or not (path.exists() or path.suffix))
    file = path / PLAN_FILE if is_folder else path
    if not file.parent.exists():
        action = "Name the folder of the review, or make one with: gpubench-kit new FOLDER"
        raise PlanError(Fault(shown(str(file.parent)), "there is no such folder.", action))
    if file.is_dir():
        raise PlanError(Fault(file.name, "a folder was found; a text file is expected.", "Rename the folder."))
    if not file.exists():
        problem = f"there is no such file in the folder {shown(str(file.parent))}."
        raise PlanError(Fault(file.name, problem, "Make one with: gpubench-kit new FOLDER"))
    if file.suffix.casefold() not in (Path(PLAN_FILE).suffix, ""):
        action = f"Name the folder of the review. A table becomes a review by: gpubench-kit report {file.name}"
        raise PlanError(Fault(file.name, "this is no plan of a review.", action))
    try:
        content = file.read_bytes()
    except OSError as error:
        problem = f"the file cannot be read ({error.strerror})."
        raise PlanError(Fault(file.name, problem, "Check its permissions.")) from error
    if len(content) > _LARGEST_FILE:
        raise PlanError(Fault(file.name, f"{len(content)} bytes were found; a page of text is expected."))
    if not content.strip():
        raise PlanError(Fault(file.name, "the file is empty; a plan is expected.", "Start from: gpubench-kit new"))
    return _checked(_parsed(content, file.name), folder=file.absolute().parent, file=file.name)


def _parsed(content: bytes, file: str) -> dict[str, Any]:
    """Return the content of a TOML file, with or without a byte-order mark, or raise where it stops being TOML."""
    text = ""
    try:
        text = content.decode("utf-8-sig")
        return tomllib.loads(text)
    except UnicodeDecodeError as error:
        line = content[: error.start].count(b"\n") + 1
        problem = f"the text is not UTF-8 (first at line {line}); TOML files are UTF-8 text."
        raise PlanError(Fault(f"{file}, line {line}", problem, "Save it again as UTF-8 in your editor.")) from error
    except RecursionError:
        raise PlanError(Fault(file, "lists or tables are nested too deeply to be a plan.")) from None
    except ValueError as error:
        raise PlanError(_syntax_fault(str(error), text=text, file=file)) from None


def _syntax_fault(message: str, *, text: str, file: str) -> Fault:
    """Return a syntax fault with line and column, and the line as it stands."""
    found = re.fullmatch(r"(?s)(.*?) \((?:at )?(?:line (\d+), column (\d+)|end of document)\)", message)
    what, line, column = found.groups() if found else (message, None, None)
    lines = text.splitlines() or [""]
    number = int(line) if line else len(lines)
    where = f"{file}, line {number}" + (f", column {column}" if column else "")
    problem = f"this is not valid TOML: {what[:1].lower()}{what[1:].rstrip('.')}."
    content = lines[min(number, len(lines)) - 1].strip()
    return Fault(where, problem, f"The line reads: {shown(content)}" if content else "")


def _checked(data: dict[str, Any], *, folder: Path, file: str) -> ReviewPlan:
    """Return the plan, or raise all faults: those within sections and those across them."""
    data, source, faults = with_measured_spread(data, folder=folder, file=file)
    touched: set[str] = set()
    plan: ReviewPlan | None = None
    remaining = data
    for attempt in range(_MOST_REPAIRS):
        try:
            plan = ReviewPlan.model_validate(remaining)
            break
        except ValidationError as error:
            # Later attempts only serve the checks across sections; their errors follow from the repair.
            faults += faults_of(error, data, model=ReviewPlan, file=file) if attempt == 0 else []
            remaining, now_touched = repaired(error, remaining, model=ReviewPlan)
            touched |= now_touched
    if plan is not None:
        faults += check_across_sections(plan, data, touched=touched, file=file)
    if faults or plan is None:
        raise PlanError(faults)
    plan._folder = folder
    plan._spread_source = source
    return plan
