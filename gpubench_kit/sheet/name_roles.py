"""Which words of the names are games and which are tunings; what only seems so is asked."""

from __future__ import annotations

import re
import statistics
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from gpubench_kit.model.errors import shown
from gpubench_kit.model.questions import Choice, LogFacts, Question, isolated
from gpubench_kit.model.words import words_of
from gpubench_kit.sheet.draft import Cell
from gpubench_kit.sheet.log_names import names_tuning, word_set
from gpubench_kit.sheet.name_factors import Factors

Factor = frozenset[str]

#: Keys of a log's first lines that name what was played.
_GAME_KEYS = word_set(
    "game games spiel title titel jeu juego gioco app application anwendung program programm process prozess exe"
)
_TUNING_KEYS = word_set("tuning profile profil mode modus state card gpu driver treiber")
#: Mean rates of games differ by more than the first factor, those of tunings by less than the second.
_GAMES_DIFFER, _TUNINGS_DIFFER, _SURE_GAMES = 1.25, 1.15, 1.3


@dataclass
class Labels:
    """Cells of each file, questions (those before the table first), and for each file the columns that wait."""

    cells: list[dict[str, Cell]]
    questions: list[Question] = field(default_factory=list)
    first: list[Question] = field(default_factory=list)
    doubts: dict[int, set[str]] = field(default_factory=lambda: defaultdict(set))

    def put(self, files: Iterable[int], column: str, cell: Cell) -> None:
        """Fill a cell in some files."""
        for one in files:
            self.cells[one][column] = cell

    def ask(self, question: Question, files: Iterable[int], *columns: str, is_answered: bool = False) -> None:
        """Add a question, on which some columns of some files depend until it is answered."""
        self.questions.append(question)
        for one in () if is_answered else files:
            self.doubts[one] |= set(columns)

    def value(self, one: int, column: str) -> str:
        """Return a cell's value; empty where there is none."""
        return self.cells[one][column].value if column in self.cells[one] else ""


@dataclass
class _Roles:
    """Roles of factors so far, and where they come from."""

    of: dict[Factor, str] = field(default_factory=dict)
    why: dict[Factor, str] = field(default_factory=dict)

    def set(self, factor: Factor, role: str, why: str) -> None:
        """Give a factor its role."""
        self.of[factor], self.why[factor] = role, why

    def has(self, role: str) -> bool:
        """Return whether some factor has a role."""
        return role in self.of.values()


def label_files(found: Factors, facts: Sequence[LogFacts], answers: Mapping[str, str]) -> Labels:
    """Say which game, tuning and setting each file is.

    Parameters
    ----------
    found : what varies in the names
    facts : of the frame logs, in the same order
    answers : answers so far, by key

    Returns
    -------
    Labels, with the questions of ``found``
    """
    labels = Labels([{} for _ in facts], list(found.questions))
    for one, columns in found.doubts.items():
        labels.doubts[one] |= columns
    roles = _Roles()
    for key, role in (("games_are", "game"), ("tunings_are", "tuning")):
        named = [factor for factor in found.factors if answers.get(key) == _label(factor, found)]
        if named:
            roles.set(named[0], role, "answered")
    likely = [factor for factor in found.factors if factor not in roles.of and any(map(names_tuning, factor))
              and _share_of_tunings(factor) >= 0.5]  # fmt: skip
    likely.sort(key=_share_of_tunings, reverse=True)
    if likely and not roles.has("tuning"):
        roles.set(likely[0], "tuning", "words for tunings in the names")
        if len(likely) > 1:
            labels.ask(_which("tunings_are", "tunings", likely, found), range(len(labels.cells)), "game", "tuning")
    elif answers.get("tunings_are"):
        labels.questions.append(_which("tunings_are", "tunings", found.factors, found))
    if answers.get("table") == "roles" and not answers.get("tunings_are"):
        labels.questions.append(_which("tunings_are", "tunings", found.factors, found))
    stated = _games_in_logs(facts)
    _games(found, roles, labels, facts=facts, stated=stated, answers=answers)
    for factor in found.factors:
        _put_levels(factor, found, roles, labels, answers=answers)
    for phrase, files in found.settings.items():
        labels.put(files, "setting", Cell(found.written(phrase), "in the name"))
    if stated and not roles.has("game"):
        for one, value in stated.items():
            labels.put([one], "game", Cell(value, "the log names it"))
    _one_for_all(found, facts, labels, answers)
    _numbered_games(labels, answers)
    _missing(found, labels)
    return labels


def _label(factor: Factor, found: Factors) -> str:
    """Return how questions and answers name a factor: its levels."""
    return ", ".join(sorted(found.written(level) for level in factor if level)[:8])


def _which(key: str, what: str, factors: Sequence[Factor], found: Factors) -> Question:
    """Return the question which words are the games, or the tunings."""
    names = [_label(factor, found) for factor in factors]
    return Question(
        key, f"Which words are the {what}?", is_detail=True,
        choices=tuple(Choice(isolated(name), name) for name in names[:8]),
        paste="runs.csv: take the question marks away in the columns game and tuning, or exchange them",
    )  # fmt: skip


def _share_of_tunings(factor: Factor) -> float:
    """Return the share of a factor's levels that are words for tunings; names without any count."""
    return sum(names_tuning(level) or not level for level in factor) / len(factor)


def _games_in_logs(facts: Sequence[LogFacts]) -> dict[int, str]:
    """Return the game of each file where lines above the heading name it; nothing where none does in all files."""
    values: dict[str, dict[int, str]] = defaultdict(dict)
    for one, fact in enumerate(facts):
        for key, value in fact.preamble:
            values[key][one] = value
    for key, of_file in values.items():
        n_names = len(set(of_file.values()))
        is_named = bool(words_of(key) & _GAME_KEYS) and not words_of(key) & _TUNING_KEYS
        if is_named and len(of_file) == len(facts) and 1 < n_names <= max(2, len(facts) // 2):
            return of_file
    return {}


def _named_alike(factor: Factor, found: Factors, facts: Sequence[LogFacts]) -> bool:
    """Return whether lines above the headings of the logs name the levels of a factor, too."""
    for level in factor:
        words = set(level.split())
        files = found.files[level]
        if not level or not all(any(words <= words_of(value) for _, value in facts[one].preamble) for one in files):
            return False
    return True


def _games(
    found: Factors, roles: _Roles, labels: Labels, *, facts: Sequence[LogFacts], stated: Mapping[int, str],
    answers: Mapping[str, str],
) -> None:  # fmt: skip
    """Give the role of games to a factor; where several could be it, ask."""
    every = range(len(labels.cells))
    if answers.get("games_are") or answers.get("table") == "roles":
        labels.questions.append(_which("games_are", "games", found.factors, found))
    rest = [factor for factor in found.factors if factor not in roles.of]
    if roles.has("game"):
        if len(rest) == 1 and not roles.has("tuning"):
            roles.set(rest[0], "tuning", "the other words of the names")
        return
    alike = [factor for factor in rest if _named_alike(factor, found, facts)]
    if alike:
        roles.set(alike[0], "game", "the log names it, too")
        if len(rest) == 2 and not roles.has("tuning"):
            other = next(factor for factor in rest if factor is not alike[0])
            roles.set(other, "tuning", "the other words of the names")
            labels.ask(_are_tunings(other, found), every, "tuning", is_answered=bool(answers.get("tunings_are")))
        return
    if len(rest) == 1 and roles.has("tuning"):
        roles.set(rest[0], "game", "the other words of the names")
    elif stated and len(rest) == 1:
        roles.set(rest[0], "tuning", "the only words of the names that vary")
        labels.ask(_are_tunings(rest[0], found), every, "tuning", is_answered=bool(answers.get("tunings_are")))
    elif rest and not stated:
        _propose_games(rest, found, roles, labels, facts=facts)


def _are_tunings(factor: Factor, found: Factors) -> Question:
    """Return the question whether a factor's words are the tunings."""
    name = _label(factor, found)
    return Question(
        "tunings_are", f"Are these the tunings: {isolated(name)}?", choices=(Choice("yes", name),), is_detail=True,
        paste="runs.csv: take the question marks away in the column tuning",
    )  # fmt: skip


def _propose_games(
    rest: list[Factor], found: Factors, roles: _Roles, labels: Labels, *, facts: Sequence[LogFacts]
) -> None:
    """Propose games by how much the mean rates differ, which is asked."""
    rest.sort(key=lambda factor: _spread(factor, found, facts))
    question = _which("games_are", "games", sorted(rest, key=lambda one: _label(one, found)), found)
    labels.ask(question, range(len(labels.cells)), "game", "tuning")
    if len(rest) >= 2 and roles.has("tuning"):
        roles.set(rest[-1], "game", "frame rates differ most")
    elif len(rest) == 2:
        few, many = rest
        is_clear = _spread(many, found, facts) > _GAMES_DIFFER and _spread(few, found, facts) < _TUNINGS_DIFFER
        if is_clear and len(many) >= len(few):
            roles.set(few, "tuning", "frame rates differ little")
            roles.set(many, "game", "frame rates differ much")
    elif len(rest) == 1 and (_spread(rest[0], found, facts) > _SURE_GAMES or len(rest[0]) > 3):
        roles.set(rest[0], "game", "the only words of the names that vary")


def _spread(factor: Factor, found: Factors, facts: Sequence[LogFacts]) -> float:
    """Return the highest mean rate of a factor's levels over the lowest; 1 where rates are not known."""
    means = [statistics.fmean(facts[one].mean_fps for one in found.files[level]) for level in factor]
    known = [mean for mean in means if mean > 0]
    return max(known) / min(known) if len(known) == len(means) and known else 1.0


#: What a group of words can be, by its answer -> the column that it fills.
_GROUP_COLUMNS = {"settings": "setting", "sessions": "session", "cards": "card", "reviews": "card"}


def _put_levels(
    factor: Factor, found: Factors, roles: _Roles, labels: Labels, *, answers: Mapping[str, str]
) -> None:
    """Fill in the levels of a factor under its role; of words without a role it is asked what they are."""
    role = roles.of.get(factor)
    every = range(len(labels.cells))
    if role is None:
        levels = [found.written(level) for level in sorted(factor)]
        column = _GROUP_COLUMNS.get(answers.get("group_is", ""), "group")
        question = Question(
            "group_is", f"What are {', '.join(shown(isolated(one)) for one in levels[:6])}?", is_detail=True,
            choices=(Choice("settings", "settings"), Choice("sessions, with a restart between", "sessions"),
                     Choice("cards", "cards"), Choice("cards, a review of each", "reviews")),
            paste="runs.csv: add a column setting, session or card",
        )  # fmt: skip
        labels.ask(question, every, "round", "group", is_answered="group_is" in answers and column != "group")
        for level in factor:
            labels.put(found.files[level], column, Cell(found.written(level), "words that vary together"))
        return
    for level in factor:
        name = found.written(level)
        if level:
            labels.put(found.files[level], role, Cell(name, roles.why[factor]))
            continue
        files = found.files[level]
        answer = answers.get("no_tuning_in_name", "")
        labels.put(files, role, Cell(answer or "factory", "no word for a tuning in the name"))
        others = ", ".join(shown(found.written(one)) for one in sorted(factor) if one)
        question = Question(
            "no_tuning_in_name", f"{len(files)} names hold no tuning, {len(every) - len(files)} hold {others}.",
            choices=(Choice(f"the {len(files)} are factory", "factory"),), is_typed=True, is_detail=True,
            default_text="later; or type its name", evidence=("The name of a tuning may be typed, too.",),
            paste="runs.csv: take the question marks away in the column tuning where 'factory' is right",
        )  # fmt: skip
        labels.ask(question, files, "tuning", is_answered=bool(answer))


def _one_for_all(found: Factors, facts: Sequence[LogFacts], labels: Labels, answers: Mapping[str, str]) -> None:
    """Propose the words that all names hold as the one game, where no others are."""
    if any("game" in cells for cells in labels.cells) or not facts:
        return
    count = Counter(word for order in found.order_of for word in dict.fromkeys(order))
    shared = [word for word in found.order_of[0] if count[word] == len(facts) and word in found.spelt]
    name = found.written(" ".join(word for word in shared if not names_tuning(word)))
    if not name:
        return
    question = Question(
        "game_of_all", f"Is {shown(isolated(name))} the game of all logs?", is_typed=True, is_detail=True,
        choices=(Choice("yes", name),), default_text="later; or type its name",
        paste=f"runs.csv: write {shown(name)} into the column game",
    )  # fmt: skip
    answer = answers.get("game_of_all", "")
    every = range(len(facts))
    labels.put(every, "game", Cell(answer or name, "words that all names hold"))
    labels.ask(question, every, "game", is_answered=bool(answer))


def _numbered_games(labels: Labels, answers: Mapping[str, str]) -> None:
    """Ask where the same numbers stand behind every game: they may be rounds, and no part of the names."""
    of_stem: dict[str, set[str]] = defaultdict(set)
    for cells in labels.cells:
        parted = re.fullmatch(r"(.*?) (\d+)", cells["game"].value) if "game" in cells else None
        of_stem[parted[1] if parted else ""].add(parted[2] if parted else "")
    held = list(of_stem.values())
    if "" in of_stem or not held or len(held[0]) < 2 or any(one != held[0] for one in held):
        return
    numbers = ", ".join(sorted(held[0])[:6])
    question = Question(
        "numbers_of_games", f"Are the numbers behind the games ({numbers}) part of their names?", is_detail=True,
        choices=(Choice("yes", "yes"), Choice("no", "no")), paste="runs.csv: correct game and round",
    )  # fmt: skip
    is_answered = answers.get("numbers_of_games") == "yes"
    labels.ask(question, range(len(labels.cells)), "game", "round", is_answered=is_answered)


def _missing(found: Factors, labels: Labels) -> None:
    """Ask for games and tunings that neither names nor logs tell."""
    texts = {
        "game": "Which game is which log? Its start stands beside each in runs.csv.",
        "tuning": "Under which tuning was each log recorded? Neither names nor logs say it.",
    }
    for column, text in texts.items():
        files = [one for one, cells in enumerate(labels.cells) if column not in cells]
        if not files:
            continue
        loose = sorted(found.written(p) for p, held in found.left_over.items() if held & set(files))[:6]
        more = f" Words without a role: {', '.join(map(isolated, loose))}." if loose else ""
        paste = f"runs.csv: fill in the column {column}"
        labels.ask(Question(f"which_{column}", text + more, paste=paste, is_detail=True), files, column, "round")
