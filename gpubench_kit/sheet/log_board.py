"""The frame logs of a folder while a draft is made of them: names taken apart, cells filled in, questions asked."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from gpubench_kit.model.questions import LogFacts, Question
from gpubench_kit.sheet.draft import Cell
from gpubench_kit.sheet.log_names import parts_of_all

#: What the runs that rounds count share; sessions number their rounds through.
_CELL = ("card", "game", "tuning", "setting", "group")


class LogBoard:
    """Frame logs, and what is known of each.

    Attributes
    ----------
    logs : facts, their paths from the folder
    answers : answers so far, by key
    parts : names taken apart
    every : places of the logs
    cells : cells of each log by column of the run sheet
    questions, first : what is asked, and what is asked before there is a table; those answered too
    doubts : log -> columns that wait for an answer
    start_s, why : start of each log [s] (times without a date count from midnight), and where that is from
    order : logs in the order recorded; empty where it is not known
    """

    def __init__(self, logs: Sequence[LogFacts], answers: Mapping[str, str]):
        self.logs, self.answers, self.every = list(logs), answers, range(len(logs))
        self.parts = parts_of_all([self.name(one) for one in self.every])
        self.cells: list[dict[str, Cell]] = [{} for _ in logs]
        self.questions: list[Question] = []
        self.first: list[Question] = []
        self.doubts: dict[int, set[str]] = defaultdict(set)
        self.start_s: list[float | None] = [None] * len(logs)
        self.why = [""] * len(logs)
        self.order: list[int] = []

    @property
    def is_clocked(self) -> bool:
        """Whether every log has a start."""
        return None not in self.start_s

    def name(self, one: int) -> str:
        """Return the path of a log from the folder."""
        return self.logs[one].path.as_posix()

    def length_s(self, one: int) -> float:
        """Return the length of a log; 0 where it is not known."""
        return max(0.0, self.logs[one].length_s) if self.logs[one].length_s > 0 else 0.0

    def value(self, one: int, column: str) -> str:
        """Return a cell's value; empty where there is none."""
        return self.cells[one].get(column, Cell()).value

    def key(self, one: int) -> tuple[str, ...]:
        """Return what the runs share among which rounds count."""
        return tuple(self.value(one, column) for column in _CELL)

    def put(self, logs: Iterable[int], column: str, value: str, *, why: str = "") -> None:
        """Fill a cell in some logs."""
        for one in logs:
            self.cells[one][column] = Cell(value, why)

    def doubt(self, logs: Iterable[int], *columns: str) -> None:
        """Let columns of some logs wait for an answer."""
        for one in logs:
            self.doubts[one] |= set(columns)

    def settle(self, logs: Iterable[int], *columns: str) -> None:
        """Take back that columns of some logs wait."""
        for one in logs:
            self.doubts[one] -= set(columns)

    def ask(self, asked: Question, logs: Iterable[int] = (), *columns: str) -> str:
        """Ask; the columns of the logs that depend on it wait until it is answered. Return the answer so far."""
        concerned = list(logs)
        self.questions.append(replace(asked, files=tuple(map(self.name, concerned))))
        answer = self.answers.get(asked.key, "")
        if not answer:
            self.doubt(concerned, *columns)
        return answer
