"""The frame logs of a folder while a draft is made of them, and what varies in their names.

What varies are words that go together, and sets of them of which each name has just one.
"""

from __future__ import annotations

import itertools
import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from gpubench_kit.model.questions import LogFacts, Question
from gpubench_kit.sheet.draft import Cell
from gpubench_kit.sheet.log_names import GENERIC, RESOLUTION, TRY, names_tuning, parts_of_all
from gpubench_kit.sheet.questions import choice, question
from gpubench_kit.wording.numbers import count_text

Files = frozenset[int]
Factor = frozenset[str]

#: A set of words with more levels than this share of the files tells them apart one by one: no factor.
_MOST_LEVELS = 0.67
#: Two sets of words that cross in fewer pairs than this share are views of one factor.
_CROSSED = 0.6
_MOST_COVERS, _MOST_STEPS, _MOST_WORDS = 30, 20_000, 600

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


@dataclass
class Factors:
    """What varies in the names.

    Attributes
    ----------
    files : phrase -> files whose names hold it; the empty phrase: those without a word for a tuning
    factors : sets of phrases; each file has one of each set
    settings : resolution -> files
    left_over : phrases of no factor
    spelt : folded word -> as most names write it
    order_of : places of the words in each name
    """

    files: dict[str, Files] = field(default_factory=dict)
    factors: list[Factor] = field(default_factory=list)
    settings: dict[str, Files] = field(default_factory=dict)
    left_over: dict[str, Files] = field(default_factory=dict)
    spelt: Mapping[str, str] = field(default_factory=dict)
    order_of: list[list[str]] = field(default_factory=list)

    def written(self, phrase: str) -> str:
        """Return a phrase as the names write it."""
        return " ".join(self.spelt.get(word, word) for word in phrase.split())

    def in_order(self, phrases: Iterable[str], one: int) -> list[str]:
        """Return phrases by where they stand in a name."""
        places = {word: place for place, word in reversed(list(enumerate(self.order_of[one])))}
        return sorted(phrases, key=lambda phrase: places.get(phrase.split()[0], len(places)))


def find_factors(board: LogBoard) -> Factors:
    """Find what varies in names.

    Parameters
    ----------
    board : the logs; questions go there

    Returns
    -------
    Factors. Words in all names are constants; words that always go together are one phrase; a factor is a set of
    phrases of which each name has one. Slips and initials are joined only as a question
    """
    found = Factors(order_of=[[word for word, _ in name.words] for name in board.parts])
    held: dict[str, set[int]] = defaultdict(set)
    spelt: dict[str, Counter[str]] = defaultdict(Counter)
    for one, name in enumerate(board.parts):
        for word, written in name.words:
            if word not in TRY | GENERIC:
                held[word].add(one)
                spelt[word][written] += 1
    found.spelt = {word: count.most_common(1)[0][0] for word, count in spelt.items()}
    words = {word: frozenset(files) for word, files in held.items() if len(files) < len(board.parts)}
    if not words:
        return found
    if len(words) <= _MOST_WORDS:
        _join(words, lambda rare, word, of: is_slip(rare, word, (len(of[rare]), len(of[word]))), found, board)
    together: dict[Files, list[str]] = defaultdict(list)
    for word, files in words.items():
        together[files].append(word)
    found.files = {" ".join(found.in_order(group, min(files))): files for files, group in together.items()}
    found.settings = {p: found.files.pop(p) for p in list(found.files) if all(map(RESOLUTION.fullmatch, p.split()))}
    _join(found.files, _are_initials, found, board)
    every = frozenset(board.every)
    covers = [one for one in _covers(found.files, every) if len(one) <= max(2, _MOST_LEVELS * len(every))]
    used: set[str] = set()
    for members in _grouped(covers, found.files, every):
        levels: dict[str, set[int]] = defaultdict(set)
        for one in every:
            own = found.in_order(sorted(p for p in members if one in found.files[p]), one)
            levels[" ".join(own)].add(one)
        used |= members
        found.files |= {level: frozenset(files) for level, files in levels.items()}
        found.factors.append(frozenset(levels))
    _place_the_rest(found, used)
    loose = [phrase for phrase in found.left_over if names_tuning(phrase)]
    sets = [found.left_over[phrase] for phrase in loose]
    has_tunings = any(names_tuning(level) for factor in found.factors for level in factor)
    if loose and not has_tunings and sum(map(len, sets)) == len(frozenset().union(*sets)):
        # Words for tunings that only some names hold are a factor, the other names its empty level.
        found.files[""] = every.difference(*sets)
        found.factors.append(frozenset([*loose, ""]))
        found.left_over = {phrase: files for phrase, files in found.left_over.items() if phrase not in loose}
    return found


def _join(
    phrases: dict[str, Files], stands_for: Callable[[str, str, Mapping[str, Files]], bool], found: Factors,
    board: LogBoard,
) -> None:  # fmt: skip
    """Join phrases with those that they likely stand for, never in the same name, each as a question."""
    for rare in sorted(phrases, key=lambda one: len(phrases[one])):
        frequent = sorted(phrases, key=lambda one: -len(phrases[one]))
        fit = (one for one in frequent if not phrases[one] & phrases[rare] and stands_for(rare, one, phrases))
        meant = next(fit, "")
        if not meant:
            continue
        files, names = phrases[rare], (found.written(rare), found.written(meant))
        asked = same_word_question(names, (len(files), len(phrases[meant])), "file")
        if board.ask(asked, files, "game", "tuning") != names[0]:
            phrases[meant] |= phrases.pop(rare)
            for one in files:
                words = ((meant.split() if word == rare else [word]) for word in found.order_of[one])
                found.order_of[one] = list(itertools.chain(*words))


def same_word_question(names: tuple[str, str], times: tuple[int, int], counted: str) -> Question:
    """Return the question whether a rare name is a frequent one.

    Parameters
    ----------
    names, times : the rare name and the frequent one, and how often each stands there
    counted : what is counted
    """
    said = {"rare": names[0], "meant": names[1], "n_rare": count_text(times[0], counted),
            "n_meant": count_text(times[1], counted)}  # fmt: skip
    answers = (choice("same_word", "right", value=names[1]), choice("same_word", "other", value=names[0]))
    return question("same_word", said, name=names[0], choices=answers)


def is_slip(rare: str, word: str, times: tuple[int, int]) -> bool:
    """Return whether a rare name is likely a slip for another one.

    Parameters
    ----------
    rare, word : both names, folded
    times : how often each stands there
    """
    is_short = len(rare) <= 3 or bool(re.search(r"\d", rare + word))
    if rare == word or is_short or times[1] < 2 * times[0] or abs(len(rare) - len(word)) > 2:
        return False
    # Letters changed, left out, added or exchanged with the next (optimal string alignment).
    d = {(i, 0): i for i in range(len(rare) + 1)} | {(0, j): j for j in range(len(word) + 1)}
    for i, j in itertools.product(range(1, len(rare) + 1), range(1, len(word) + 1)):
        d[i, j] = min(d[i - 1, j] + 1, d[i, j - 1] + 1, d[i - 1, j - 1] + (rare[i - 1] != word[j - 1]))
        if i > 1 and j > 1 and rare[i - 1] == word[j - 2] and rare[i - 2] == word[j - 1]:
            d[i, j] = min(d[i, j], d[i - 2, j - 2] + 1)
    return 0 < d[len(rare), len(word)] <= (2 if len(rare) >= 7 else 1)


def _are_initials(short: str, name: str, _: Mapping[str, Files]) -> bool:
    """Return whether a phrase is the initials of another one."""
    return " " in name and "".join(word[0] for word in name.split()) == short.replace(" ", "")


def _covers(phrases: Mapping[str, Files], every: Files) -> list[Factor]:
    """Return sets of phrases of which each file has just one."""
    covers: list[Factor] = []
    steps = itertools.count()
    by_file = {one: [p for p, files in phrases.items() if one in files] for one in every}

    def go(left: Files, used: Factor) -> None:
        if len(covers) >= _MOST_COVERS or next(steps) > _MOST_STEPS:
            return
        if not left:
            covers.append(used)
            return
        for phrase in by_file[min(left)]:
            if phrases[phrase] <= left:
                go(left - phrases[phrase], used | {phrase})

    if all(by_file.values()):
        go(every, frozenset())
    return [one for one in dict.fromkeys(covers) if len(one) > 1]


def _grouped(covers: Iterable[Factor], phrases: Mapping[str, Files], every: Files) -> list[Factor]:
    """Return the phrases of each factor: covers that share a phrase, or do not cross, are views of one."""

    def are_one(a: Factor, b: Factor) -> bool:
        pairs = {(next(p for p in a if f in phrases[p]), next(p for p in b if f in phrases[p])) for f in every}
        return bool(a & b) or len(pairs) < _CROSSED * len(a) * len(b)

    groups: list[list[Factor]] = []
    for cover in sorted(covers, key=lambda one: (len(one), sorted(one))):
        joined = [group for group in groups if any(are_one(cover, other) for other in group)]
        groups = [group for group in groups if group not in joined]
        groups.append([cover, *itertools.chain(*joined)])
    return [frozenset().union(*group) for group in groups]


def _place_the_rest(found: Factors, used: set[str]) -> None:
    """Add phrases that stand in whole levels of a factor to its names; the others are left over."""
    members = {level for factor in found.factors for level in factor}
    for phrase in [one for one in found.files if one not in used | members]:
        files = found.files[phrase]
        held = {factor: [level for level in factor if found.files[level] <= files] for factor in found.factors}
        fit = (
            factor
            for factor, levels in held.items()
            if frozenset().union(*(found.files[one] for one in levels)) == files
        )
        host = next(fit, None)
        if host is None or names_tuning(phrase):
            found.left_over[phrase] = files
            continue
        names = set(host)
        for level in held[host]:
            words = {*level.split(), *phrase.split()}
            name = " ".join(found.in_order(sorted(words), min(found.files[level])))
            found.files[name] = found.files[level]
            names = names - {level} | {name}
        found.factors = [frozenset(names) if factor is host else factor for factor in found.factors]
