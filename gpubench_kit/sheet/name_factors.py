"""What varies in the names of logs: words that go together, and sets of them of which each name has just one."""

from __future__ import annotations

import itertools
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from gpubench_kit.model.errors import shown
from gpubench_kit.model.questions import Choice, Question, isolated
from gpubench_kit.sheet.log_names import GENERIC, RESOLUTION, TRY, NameParts, names_tuning

Files = frozenset[int]

#: A set of words with more levels than this share of the files tells them apart one by one: no factor.
_MOST_LEVELS = 0.67
#: Two sets of words that cross in fewer pairs than this share are views of one factor.
_CROSSED = 0.6
_MOST_COVERS, _MOST_STEPS, _MOST_WORDS = 30, 20_000, 600


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
    questions : what words were taken for one another
    doubts : file -> columns of the run sheet that wait for these answers
    """

    files: dict[str, Files]
    factors: list[frozenset[str]] = field(default_factory=list)
    settings: dict[str, Files] = field(default_factory=dict)
    left_over: dict[str, Files] = field(default_factory=dict)
    spelt: Mapping[str, str] = field(default_factory=dict)
    order_of: list[list[str]] = field(default_factory=list)
    questions: list[Question] = field(default_factory=list)
    doubts: dict[int, set[str]] = field(default_factory=lambda: defaultdict(set))

    def written(self, phrase: str) -> str:
        """Return a phrase as the names write it."""
        return " ".join(self.spelt.get(word, word) for word in phrase.split())

    def ask_names(self, question: Question, files: Iterable[int]) -> None:
        """Add a question on which the names of games and tunings depend."""
        self.questions.append(question)
        for one in files:
            self.doubts[one] |= {"game", "tuning"}


def find_factors(parts: Sequence[NameParts], answers: Mapping[str, str]) -> Factors:
    """Find what varies in names.

    Parameters
    ----------
    parts : the names, taken apart
    answers : answers so far, by key

    Returns
    -------
    Factors. Words in all names are constants; words that always go together are one phrase; a factor is a set of
    phrases of which each name has one. Slips and initials are joined only as a question
    """
    found = Factors({}, order_of=[[word for word, _ in one.words] for one in parts])
    words = _words_of_names(parts, found)
    if not words:
        return found
    _join_slips(words, found, answers)
    found.files = _phrases(words, found.order_of)
    found.settings = {p: found.files.pop(p) for p in list(found.files) if all(map(RESOLUTION.fullmatch, p.split()))}
    pairs = [
        (a, b)
        for a in found.files
        for b in found.files
        if a != b and (" " in b and "".join(word[0] for word in b.split()) == a.replace(" ", ""))
    ]
    for short, name in pairs:
        if short not in found.files or name not in found.files or found.files[short] & found.files[name]:
            continue
        if _ask_same(found, (short, name), (found.files[short], found.files[name]), answers):
            files = found.files.pop(short)
            found.files[name] |= files
            _spell(found, files, {short: name.split()})
    every = frozenset(range(len(parts)))
    covers = [one for one in _covers(found.files, every) if len(one) <= max(2, _MOST_LEVELS * len(parts))]
    used: set[str] = set()
    for views in _grouped(covers, found.files, every):
        members = frozenset().union(*views)
        levels: dict[str, set[int]] = defaultdict(set)
        for one in every:
            held = sorted(
                (p for p in members if one in found.files[p]), key=lambda p: _place(p, found.order_of[one])
            )
            levels[" ".join(dict.fromkeys(held))].add(one)
        used |= members
        found.files |= {level: frozenset(files) for level, files in levels.items()}
        found.factors.append(frozenset(levels))
    _place_the_rest(found, used)
    _without_tuning(found, every)
    return found


def _words_of_names(parts: Sequence[NameParts], found: Factors) -> dict[str, set[int]]:
    """Return the files of each word that varies; how words are spelt is kept."""
    held: dict[str, set[int]] = defaultdict(set)
    spelt: dict[str, Counter[str]] = defaultdict(Counter)
    said = ((one, word, written) for one, name in enumerate(parts) for word, written in name.words)
    for one, word, written in said:
        if word not in TRY and word not in GENERIC:
            held[word].add(one)
            spelt[word][written] += 1
    found.spelt = {word: count.most_common(1)[0][0] for word, count in spelt.items()}
    return {word: files for word, files in held.items() if len(files) < len(parts)}


def _join_slips(words: dict[str, set[int]], found: Factors, answers: Mapping[str, str]) -> None:
    """Join rare words with frequent ones that differ in a letter or two, each as a question."""
    if len(words) > _MOST_WORDS:
        return
    for rare in sorted(words, key=lambda word: len(words[word])):
        frequent = sorted(words, key=lambda word: -len(words[word]))
        meant = next((word for word in frequent if _is_slip(rare, word, words)), "")
        if meant and _ask_same(found, (rare, meant), (words[rare], words[meant]), answers):
            files = words.pop(rare)
            words[meant] |= files
            _spell(found, files, {rare: [meant]})


def _ask_same(
    found: Factors, phrases: tuple[str, str], files: tuple[Iterable[int], Iterable[int]], answers: Mapping[str, str]
) -> bool:
    """Ask whether one phrase stands for another; return whether it is taken so."""
    rare, meant = (found.written(phrase) for phrase in phrases)
    key, own = f"same_word.{rare}", list(files[0])
    text = _taken(rare, meant, (len(own), len(list(files[1]))))
    question = Question(
        key, text, choices=(Choice("right", meant), Choice("no, another name", rare)), is_detail=True,
        paste=f"runs.csv: take the question marks away where {shown(meant)} is right",
    )  # fmt: skip
    answer = answers.get(key, "")
    if answer:
        found.questions.append(question)
    else:
        found.ask_names(question, own)
    return answer != rare


def _spell(found: Factors, files: Iterable[int], words: Mapping[str, list[str]]) -> None:
    """Put words in the place of others in the names of some files."""
    for one in files:
        found.order_of[one] = [new for word in found.order_of[one] for new in words.get(word, [word])]


def _taken(rare: str, meant: str, counts: tuple[int, int]) -> str:
    """Return the question whether one word is another."""
    files = [f"{n} file{'s' * (n != 1)}" for n in counts]
    return f"{shown(isolated(rare))} ({files[0]}) is taken for {shown(isolated(meant))} ({files[1]})."


def _is_slip(rare: str, word: str, words: Mapping[str, set[int]]) -> bool:
    """Return whether a rare word is likely a slip for another one; never in the same name."""
    is_rarer = len(words[word]) >= 2 * len(words[rare]) and not words[word] & words[rare]
    if rare == word or not is_rarer or len(rare) <= 3 or re.search(r"\d", rare + word):
        return False
    return 0 < _distance(rare, word) <= (2 if len(rare) >= 7 else 1)


def _distance(a: str, b: str) -> int:
    """Return letters changed, left out, added or exchanged with the next (optimal string alignment)."""
    if abs(len(a) - len(b)) > 2:
        return 3
    d = {(i, 0): i for i in range(len(a) + 1)} | {(0, j): j for j in range(len(b) + 1)}
    for i, j in itertools.product(range(1, len(a) + 1), range(1, len(b) + 1)):
        d[i, j] = min(d[i - 1, j] + 1, d[i, j - 1] + 1, d[i - 1, j - 1] + (a[i - 1] != b[j - 1]))
        if i > 1 and j > 1 and a[i - 1] == b[j - 2] and a[i - 2] == b[j - 1]:
            d[i, j] = min(d[i, j], d[i - 2, j - 2] + 1)
    return d[len(a), len(b)]


def _place(phrase: str, order: Sequence[str]) -> int:
    """Return where a phrase stands in a name."""
    first = phrase.split()[0]
    return order.index(first) if first in order else len(order)


def _phrases(words: Mapping[str, set[int]], order_of: Sequence[Sequence[str]]) -> dict[str, Files]:
    """Return words that always go together as phrases."""
    together: dict[Files, list[str]] = defaultdict(list)
    for word, files in words.items():
        together[frozenset(files)].append(word)
    return {
        " ".join(sorted(group, key=lambda word: _place(word, order_of[min(files)]))): files
        for files, group in together.items()
    }


def _covers(phrases: Mapping[str, Files], every: Files) -> list[frozenset[str]]:
    """Return sets of phrases of which each file has just one."""
    covers: list[frozenset[str]] = []
    steps = itertools.count()
    by_file = {one: [p for p, files in phrases.items() if one in files] for one in every}

    def go(left: Files, used: frozenset[str]) -> None:
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


def _grouped(
    covers: Iterable[frozenset[str]], phrases: Mapping[str, Files], every: Files
) -> list[list[frozenset[str]]]:
    """Return covers by factor: those that share a phrase, or do not cross, are views of one factor."""

    def are_one(a: frozenset[str], b: frozenset[str]) -> bool:
        pairs = {(next(p for p in a if f in phrases[p]), next(p for p in b if f in phrases[p])) for f in every}
        return bool(a & b) or len(pairs) < _CROSSED * len(a) * len(b)

    groups: list[list[frozenset[str]]] = []
    for cover in sorted(covers, key=lambda one: (len(one), sorted(one))):
        joined = [group for group in groups if any(are_one(cover, other) for other in group)]
        groups = [group for group in groups if group not in joined]
        groups.append([cover, *(other for group in joined for other in group)])
    return groups


def _place_the_rest(found: Factors, used: set[str]) -> None:
    """Add phrases that stand in whole levels of a factor to its names; the others are left over."""
    members = {level for factor in found.factors for level in factor}
    for phrase in [p for p in found.files if p not in used and p not in members]:
        files = found.files[phrase]
        host = next(
            (
                factor
                for factor in found.factors
                if (files == _union(found.files[level] for level in factor if found.files[level] <= files))
            ),
            None,
        )
        if host is None or names_tuning(phrase):
            found.left_over[phrase] = files
            continue
        longer = {level: _longer(level, phrase, found) if found.files[level] <= files else level for level in host}
        for level, name in longer.items():
            found.files[name] = found.files[level]
        found.factors = [frozenset(longer.values()) if factor is host else factor for factor in found.factors]


def _union(sets: Iterable[Files]) -> Files:
    """Return what is in any of the sets."""
    return frozenset().union(*sets)


def _longer(level: str, phrase: str, found: Factors) -> str:
    """Return a level's name with a further phrase, words in the order of the names."""
    order = found.order_of[min(found.files[level])]
    return " ".join(sorted({*level.split(), *phrase.split()}, key=lambda word: _place(word, order)))


def _without_tuning(found: Factors, every: Files) -> None:
    """Make words for tunings that only some names hold a factor, the other names its empty level."""
    words = [phrase for phrase in found.left_over if names_tuning(phrase)]
    sets = [found.left_over[phrase] for phrase in words]
    has_tunings = any(names_tuning(level) for factor in found.factors for level in factor)
    if not words or has_tunings or sum(map(len, sets)) != len(_union(sets)):
        return
    found.files[""] = every - _union(sets)
    found.factors.append(frozenset([*words, ""]))
    for phrase in words:
        found.left_over.pop(phrase)
