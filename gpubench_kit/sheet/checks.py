"""Rows of a run sheet held against the plan and against one another."""

from __future__ import annotations

import os
import re
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from gpubench_kit.model.errors import Fault, listed, shown, suggestion
from gpubench_kit.model.plan import ReviewPlan
from gpubench_kit.sheet.rows import SheetRow, row_name

RowFault = tuple[int, Fault]

_ABSOLUTE = re.compile(r"[\\/]|[A-Za-z]:")


class Placed(NamedTuple):
    """A row with what the plan makes of it: card, bench, game and setting filled in."""

    row: SheetRow
    card: str
    bench: str
    setting: str


class NamesInPlan:
    """Names that cells can hold, looked up once for all rows.

    Attributes
    ----------
    cards, benches, tunings, games : name -> section of the plan
    settings : (game, setting) -> section of the plan
    of_column : column of the sheet -> names that it can hold
    """

    def __init__(self, plan: ReviewPlan):
        self.cards = {card.name: card for card in plan.cards}
        self.benches = {bench.name: bench for bench in plan.benches}
        self.tunings = {tuning.name: tuning for tuning in plan.tunings}
        self.games = {game.name: game for game in plan.games}
        self.settings = plan.scenes
        of_column: dict[str, Mapping[str, Any]] = {
            "card": self.cards,
            "bench": self.benches,
            "tuning": self.tunings,
            "game": self.games,
        }
        self.of_column = {name: set(known) for name, known in of_column.items()}


def place_rows(rows: Iterable[SheetRow], names: NamesInPlan, *, file: str) -> tuple[list[Placed], list[RowFault]]:
    """Return the rows whose names are all in the plan, and what is wrong with the others.

    Parameters
    ----------
    rows : rows that are sound by themselves
    names : names in the plan
    file : name of the sheet

    Notes
    -----
    An empty cell stands for the only card, bench or setting; where the plan has several, it is a fault.
    """
    placed, faults = [], []
    for row in rows:
        found = [
            *_name(row.tuning, names.tunings, what="tuning"),
            *_name(row.card, names.cards, what="card"),
            *_name(row.bench, names.benches, what="bench"),
        ]
        # A machine that idles plays nothing.
        if row.game or row.purpose != "idle":
            found += _name(row.game, names.games, what="game")
        game = names.games.get(row.game)
        settings = [one.name for one in game.settings] if game else [row.setting]
        if game:
            found += _name(row.setting, settings, what="setting")
        if row.round == 0 and row.purpose == "measure":
            problem = "round 0 was found; a positive whole number is expected."
            found.append((problem, "Count rounds from 1."))
        tuning, card = names.tunings.get(row.tuning), names.cards.get(row.card or next(iter(names.cards)))
        if tuning and card and tuning.card not in ("", card.name, card.model):
            problem = f"tuning {shown(tuning.name)} is of card {shown(tuning.card)}, not of {shown(card.name)}."
            found.append((problem, "Correct the card or the tuning."))
        where = row_name(row.run, row.line, file=file)
        faults += [(row.line, Fault(where, problem, action)) for problem, action in found]
        if card and not found:
            bench = row.bench or next(iter(names.benches))
            placed.append(Placed(row, card.name, bench, row.setting or settings[0]))
    return placed, faults


def _name(found: str, known: Sequence[str] | Mapping[str, Any], *, what: str) -> Iterator[tuple[str, str]]:
    """Yield problem and action if a cell's name is not in the plan."""
    known = list(known)
    if not found and len(known) != 1:
        problem = f"no {what} is given, but the plan has {len(known)} ({what}s: {listed(known)})."
        yield problem, f"Fill in the column {shown(what)}."
    elif found and found not in known:
        problem = f"{what} {shown(found)} is not in the plan ({what}s: {listed(known)})."
        yield problem, suggestion(found, known) or "Add it or correct the sheet."
    elif not found and what in ("tuning", "game"):
        yield f"no {what} is given.", f"Fill in the column {shown(what)}."


def check_together(placed: Sequence[Placed], all_runs: Sequence[tuple[int, str]], *, file: str) -> list[RowFault]:
    """Return what shows only when rows are seen together.

    Parameters
    ----------
    placed : rows whose names are all in the plan
    all_runs : (line, run) of every row, sound or not
    file : name of the sheet

    Returns
    -------
    list of (line, Fault): repeated run names, repeats of no run or of another kind of run, two used runs
    of one tuning in a round
    """
    faults: list[RowFault] = []
    lines = defaultdict(list)
    for line, run in all_runs:
        lines[run].append(line)
    for run, where in lines.items():
        if run and len(where) > 1:
            numbers = ", ".join(map(str, where[:8]))
            problem = f"{len(where)} rows have this name (lines {numbers}); each run needs its own."
            faults.append((where[-1], Fault(row_name(run, where[-1], file=file), problem, "Rename all but one.")))
    by_run = {one.row.run: one for one in placed}
    for one in placed:
        name, problem = one.row.replaces, ""
        if name and name == one.row.run:
            problem, action = "the run replaces itself.", "Name the run that it repeats."
        elif name and name not in lines:
            problem = f"replaces {shown(name)}, which is no run of this sheet."
            action = suggestion(name, lines) or "Correct the name."
        elif name in by_run and _kind(one) != _kind(by_run[name]):
            problem = f"replaces {shown(name)}, which is of another card, bench, tuning, game or setting."
            action = "A repeat has to be of the same; correct one of them."
        if problem:
            faults.append((one.row.line, Fault(row_name(one.row.run, one.row.line, file=file), problem, action)))
    first: dict[tuple, str] = {}
    for one in placed:
        row = one.row
        if not row.is_used or row.round is None:
            continue
        earlier = first.setdefault((*_kind(one), row.session, row.round), row.run)
        if earlier != row.run:
            problem = (
                f"{shown(earlier)} is a used run of tuning {shown(row.tuning)} in round {row.round} of "
                f"{shown(row.game)} already; one run of each tuning per round is expected."
            )
            action = "Give the cause in 'excluded' of the one that does not count, or correct the round."
            faults.append((row.line, Fault(row_name(row.run, row.line, file=file), problem, action)))
    return faults


def _kind(one: Placed) -> tuple[str, ...]:
    """Return what a repeat shares with the run that it repeats."""
    return (one.card, one.bench, one.row.tuning, one.row.game, one.setting)


def check_paths(rows: Iterable[Any], folder: Path, *, file: str) -> list[RowFault]:
    """Return a fault for each log whose path leaves the review folder.

    Parameters
    ----------
    rows : rows that are sound by themselves
    folder : the review folder
    file : name of the sheet
    """
    places = RealPaths(folder)
    cells = ((row, column, getattr(row, column)) for row in rows for column in ("frame_log", "sensor_log"))
    starts = (places.root, places.root / "logs")
    action = "Copy the log into the folder's logs, and write its path from the folder."
    faults = []
    for row, column, written in cells:
        if not written:
            continue
        # Sheets travel between systems, so both kinds of slash count on each of them.
        path = os.path.normpath(written.replace("\\", "/"))
        leaves = _ABSOLUTE.match(written) or path.split(os.sep)[0] == ".."
        if leaves or not all(places.has(places.real(start / path)) for start in starts):
            where = f"{row_name(row.run, row.line, file=file)}, column {shown(column)}"
            fault = Fault(where, f"the path {shown(written)} leaves the review folder.", action)
            faults.append((row.line, fault))
    return faults


class RealPaths:
    """Paths with links followed, and whether they lie in a folder."""

    def __init__(self, root: Path):
        self.root = root.resolve()
        self._inside = str(self.root).rstrip(os.sep) + os.sep
        self._parents: dict[str, str] = {}

    def real(self, path: Path) -> Path:
        """Return the path with links followed.

        Parameters
        ----------
        path : of a file, which need not be there

        Raises
        ------
        OSError, ValueError, RuntimeError : it is no path of a file
        """
        if ".." in path.parts or os.path.islink(path):
            return path.resolve()
        parent = str(path.parent)
        if parent not in self._parents:
            self._parents[parent] = str(path.parent.resolve())
        return path if self._parents[parent] == parent else Path(self._parents[parent], path.name)

    def has(self, real: Path) -> bool:
        """Return whether a path with links followed is the folder or lies in it.

        Parameters
        ----------
        real : as `real` gives it
        """
        return str(real).startswith(self._inside) or real == self.root
