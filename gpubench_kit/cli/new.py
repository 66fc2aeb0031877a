"""The command ``new``: a review folder to fill in, or drafted from a folder of logs or a table."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gpubench_kit.wording.catalogue import say

if TYPE_CHECKING:
    from gpubench_kit.model.questions import LogFacts

from gpubench_kit.cli.terminal import add_command, add_json, progress_bar, wrapped

_DONE, _BAD_INPUT = 0, 2

#: Endings of files that may be logs.
_LOG_ENDINGS = (".csv", ".tsv", ".txt", ".log", ".dat", ".json", ".jsonl", ".gz", ".bz2", ".xz", ".zip", ".zst", "")
#: Files of a folder that are looked at to say that it holds logs.
_LOOKED_AT = 12

_ABOUT = """\
With --from, plan and run sheet are drafted from what is there: a folder of logs, or a table of results (.xlsx,
.csv). What was found is shown as a table game x tuning x round; what nothing tells is asked. Logs are copied,
originals stay untouched. Without a terminal nothing is asked: open cells hold a ?, and each question is printed
with the line that answers it.

Exit codes: 0 done; 1 done, but cells of runs.csv are still open; 2 bad input.

Example: gpubench-kit new my-review --from logs"""


def add_new(commands: Any) -> None:
    """Add the command ``new`` to the commands of the parser."""
    does = "make a review folder, empty or from your logs"
    command = add_command(commands, "new", does, example="gpubench-kit new my-review --from logs", run=_new)
    command.add_argument("folder", metavar="FOLDER", help="folder to make; an existing one is never overwritten")
    command.add_argument("--from", dest="source", metavar="LOGS", help="folder of logs, or table of results")
    add_dialog_options(command)
    add_json(command, "print table and questions as JSON; asks nothing")
    command.formatter_class = argparse.RawDescriptionHelpFormatter
    command.epilog = _ABOUT


def add_dialog_options(command: argparse.ArgumentParser) -> None:
    """Add the options of a command that asks.

    Parameters
    ----------
    command : parser of the command
    """
    command.add_argument("--no-input", action="store_true", help="ask nothing: print questions with their lines")
    command.add_argument("--answers", metavar="FILE", help="answers.toml that a dialog kept, or your own")


def _new(asked: argparse.Namespace) -> int:
    """Make a review folder."""
    if asked.source is None:
        return _empty(asked)
    from gpubench_kit.cli.dialogs import make_review
    from gpubench_kit.model.errors import Fault, TableError
    from gpubench_kit.sheet.new_review import check_free

    source, folder = Path(asked.source), Path(asked.folder)
    check_free(folder)
    if source.is_file():
        return make_review(asked, draft_of_table(source), folder).code
    if not source.is_dir():
        raise TableError(Fault(asked.source, "there is no such folder or file.", "Correct the name."))
    return _from_folder(asked, source, folder)


def draft_of_table(file: Path):
    """Return the function that drafts a review from a table file for the answers so far.

    Parameters
    ----------
    file : the table
    """
    from gpubench_kit.sheet.from_table import draft_from_grids
    from gpubench_kit.sheet.text import read_grids

    grids = read_grids(file)
    return lambda answers: draft_from_grids(grids, file.name, answers)


def _from_folder(asked: argparse.Namespace, source: Path, folder: Path) -> int:
    """Draft a review from a folder: of its logs, else of the only table in it."""
    from gpubench_kit.cli.dialogs import make_review
    from gpubench_kit.logs.loose_files import facts_of_log
    from gpubench_kit.model.errors import Fault, LogError
    from gpubench_kit.sheet.from_folder import draft_from_logs
    from gpubench_kit.sheet.new_review import is_review

    if is_review(source):
        problem = "this folder is a review already."
        raise LogError(Fault(str(source), problem, f"Check it with: gpubench-kit check {source}"))
    files = list(_files_in(source, without=folder))
    logs = [file for file in files if file.suffix.casefold() in _LOG_ENDINGS]
    facts = []
    with progress_bar(asked) as show:
        for number, file in enumerate(logs):
            show(number / len(logs), say("draft.reading", files=len(logs)))
            facts.append(facts_of_log(file, name=file.relative_to(source).as_posix()))
    if any(fact.kind in ("frames", "unclear") for fact in facts):
        # Logs that lie in the review folder already are not copied.
        inner, outer, place = source.resolve(), folder.resolve(), ""
        if inner.is_relative_to(outer):
            place = f"{inner.relative_to(outer).as_posix()}/" if inner != outer else "./"
        clocks = _clocks_of(facts, source)
        draft_of = partial(draft_from_logs, facts, source, place=place or "logs/", clocks=clocks)
        return make_review(asked, draft_of, folder, source=None if place else source).code
    tables = [file for file in files if file.suffix.casefold() == ".xlsx"]
    if len(tables) == 1:
        return make_review(asked, draft_of_table(tables[0]), folder).code
    if not files:
        action = "Name the folder with your logs, or your table."
        raise LogError(Fault(str(source), "the folder is empty.", action))
    problems = (fact.fault or f"{fact.path.name}: {fact.kind}" for fact in facts if fact.kind != "frames")
    first = next((f" First: {one}" for one in problems), "")
    problem = f"none of {len(files)} files is a frame log (one row of text for each frame).{first}"
    raise LogError(Fault(str(source), problem, "See how a file is read with: gpubench-kit inspect FILE"))


def _clocks_of(facts: Sequence[LogFacts], source: Path) -> dict[str, str]:
    """Return in words how the clock of the only sensor log stands to the frame logs', by its path."""
    from gpubench_kit.logs.one_clock import RunTimes, clock_of_starts
    from gpubench_kit.logs.read_samples import read_sensor_log
    from gpubench_kit.model.errors import LogError

    sensors = [fact for fact in facts if fact.kind == "sensors"]
    frames = [fact for fact in facts if fact.kind == "frames"]
    if len(sensors) != 1 or len(frames) < 2:
        return {}
    (sensor,) = sensors
    try:
        samples = read_sensor_log(sensor.path)
    except LogError:
        return {}
    times = [RunTimes(str(one.path), one.started_at_s, one.length_s, one.clock_kind, one.file_time_s)
             for one in frames]  # fmt: skip
    clock = clock_of_starts(times, samples, closed_s=sensor.file_time_s)
    text = say("draft.side.clock_not_proven")
    if clock.is_proven:
        text = say("draft.side.clock_proven", offset=clock.offset_s)
    return {sensor.path.relative_to(source).as_posix(): text}


def _files_in(source: Path, *, without: Path) -> Iterator[Path]:
    """Yield the files of a folder in order, at any depth; hidden ones and those of the new review are left out."""
    new = without.resolve()
    is_inside = source.resolve().is_relative_to(new)
    for path in sorted(source.rglob("*")):
        parts = path.relative_to(source).parts
        is_hidden = any(part.startswith((".", "__")) for part in parts)
        # Names of bytes that are no text cannot stand in a run sheet.
        is_text = all(part.encode("utf-8", "ignore").decode() == part for part in parts)
        is_new = not is_inside and path.resolve().is_relative_to(new)
        if not is_hidden and is_text and path.is_file() and not is_new:
            yield path


def _empty(asked: argparse.Namespace) -> int:
    """Make a review folder to fill in; say that --from exists where logs are at hand."""
    from gpubench_kit.sheet.new_review import new_review

    hint = _logs_at_hand(Path(asked.folder))
    made = new_review(asked.folder)
    if not asked.quiet:
        ready = say("told.ready", folder=made)
        print(*hint, ready, *wrapped(say("caution.terminal")), sep="\n")
    return _DONE


def _logs_at_hand(folder: Path) -> list[str]:
    """Return the line that names --from, where the working folder or the one to make holds frame logs."""
    from gpubench_kit.logs.loose_files import facts_of_log

    for place in dict.fromkeys((folder, Path())):
        files = [
            file for file in sorted(place.glob("*")) if file.suffix.casefold() in _LOG_ENDINGS and file.is_file()
        ]
        looked = [facts_of_log(file).kind for file in files[:_LOOKED_AT]]
        n_logs = looked.count("frames")
        if n_logs > 1:
            count = len(files) if n_logs == len(looked) else n_logs
            return [say("told.logs_at_hand", count=count, folder=place)]
    return []
