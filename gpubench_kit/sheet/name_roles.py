"""Which words of the names are games and which are tunings; what only seems so is asked."""

from __future__ import annotations

import re
import statistics
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence

from gpubench_kit.model.questions import Question
from gpubench_kit.model.words import CARD, QUANTITY, words_of
from gpubench_kit.sheet.log_names import names_reference, names_tuning, word_set
from gpubench_kit.sheet.name_factors import Factor, Factors, LogBoard
from gpubench_kit.sheet.questions import choice, named, question
from gpubench_kit.wording.catalogue import say

#: Keys of a log's first lines that name what was played.
_GAME_KEYS = word_set(
    "game games spiel title titel jeu juego gioco app application anwendung program programm process prozess exe"
)
_TUNING_KEYS = word_set("tuning profile profil mode modus state card gpu driver treiber")
_GROUP_KEYS = word_set("driver treiber pilote preset quality setting settings resolution auflösung")
#: Mean rates of games differ by more than the first factor, those of tunings by less than the second.
_GAMES_DIFFER, _TUNINGS_DIFFER, _SURE_GAMES = 1.25, 1.15, 1.3
#: What a group of words can be, by its answer -> the column that it fills.
_GROUP_COLUMNS = {
    "settings": "setting",
    "sessions": "session",
    "cards": "card",
    "reviews": "card",
    "rounds": "round",
}

#: Factor -> its column, and why.
Roles = dict[Factor, tuple[str, str]]


def label_logs(found: Factors, board: LogBoard) -> None:
    """Say which game, tuning and setting each log is; cells and questions go onto the board.

    Parameters
    ----------
    found : what varies in the names
    board : the logs
    """
    roles = _given_roles(found, board)
    stated = _games_in_logs(board)
    _give_games(found, roles, board, stated=stated)
    for factor in found.factors:
        _put_levels(factor, found, board, role=roles.get(factor))
    for phrase, files in found.settings.items():
        board.put(files, "setting", found.written(phrase), why=say("draft.why.in_name"))
    if not _has(roles, "game"):
        for one, value in stated.items():
            board.put([one], "game", value, why=say("draft.why.log_names_it"))
    if board.logs and not any("game" in cells for cells in board.cells):
        # Words that all names hold are proposed as the one game.
        count = Counter(word for order in found.order_of for word in dict.fromkeys(order))
        shared = [word for word in found.order_of[0] if count[word] == len(board.logs) and word in found.spelt]
        name = found.written(" ".join(word for word in shared if not names_tuning(word)))
        if name:
            asked = question("game_of_all", {"found": name}, choices=[choice("game_of_all", "yes", value=name)])
            answer = board.ask(asked, board.every, "game")
            board.put(board.every, "game", answer or name, why=say("draft.why.words_of_all"))
    _ask_groups_in_logs(board)
    for column in ("game", "tuning"):
        _ask_numbers(board, column)
    for column in ("game", "tuning"):
        bare = [one for one in board.every if column not in board.cells[one]]
        loose = [found.written(p) for p, held in sorted(found.left_over.items()) if held & set(bare)]
        if bare:
            asked = question(f"which_{column}", {"words": loose}, form="loose" if loose else "text")
            board.ask(asked, bare, column, "round")


def _given_roles(found: Factors, board: LogBoard) -> Roles:
    """Return the roles that answers and words for tunings give; words in two places are asked."""
    answers, roles = board.answers, Roles()
    for key, role in (("games_are", "game"), ("tunings_are", "tuning")):
        answered = [factor for factor in found.factors if answers.get(key) == _label(factor, found)]
        roles |= dict.fromkeys(answered[:1], (role, say("draft.why.answered")))
    likely = [factor for factor in found.factors if factor not in roles and any(map(names_tuning, factor))
              and _share_of_tunings(factor) >= 0.5]  # fmt: skip
    likely.sort(key=_share_of_tunings, reverse=True)
    if likely and not _has(roles, "tuning"):
        roles[likely[0]] = "tuning", say("draft.why.tuning_words")
        if len(likely) > 1:
            board.ask(_which("tunings_are", likely, found), board.every, "game", "tuning")
    elif answers.get("tunings_are"):
        board.ask(_which("tunings_are", found.factors, found))
    if answers.get("table") == "roles":
        for key in ("tunings_are", "games_are"):
            board.questions += [_which(key, found.factors, found)] * (key == "games_are" or not answers.get(key))
    elif answers.get("games_are"):
        board.ask(_which("games_are", found.factors, found))
    return roles


def _has(roles: Roles, role: str) -> bool:
    """Return whether some factor has a role."""
    return any(one == role for one, _ in roles.values())


def _label(factor: Factor, found: Factors) -> str:
    """Return how questions and answers name a factor: its levels."""
    return ", ".join(sorted(found.written(level) for level in factor if level)[:8])


def _which(kind: str, factors: Sequence[Factor], found: Factors) -> Question:
    """Return the question which words are the games, or the tunings."""
    return question(kind, choices=named([_label(factor, found) for factor in factors]))


def _share_of_tunings(factor: Factor) -> float:
    """Return the share of a factor's levels that are words for tunings; names without any count."""
    return sum(names_tuning(level) or not level for level in factor) / len(factor)


def _are_numbered(factor: Factor) -> bool:
    """Return whether levels are one word or none with a number or a letter behind: s1, s2; a, b, c."""
    parted = [re.fullmatch(r"(.*?) ?(\d+|[a-f])", level) for level in factor]
    return all(parted) and len({one[1] for one in parted if one}) == 1


def _games_in_logs(board: LogBoard) -> dict[int, str]:
    """Return the game of each log where lines above the heading name it; nothing where none does in all logs."""
    for key, of_log in _values_in_logs(board).items():
        n_names = len(set(of_log.values()))
        is_named = bool(words_of(key) & _GAME_KEYS) and not words_of(key) & _TUNING_KEYS
        if is_named and len(of_log) == len(board.logs) and 1 < n_names <= max(2, len(board.logs) // 2):
            return of_log
    return {}


def _values_in_logs(board: LogBoard) -> dict[str, dict[int, str]]:
    """Return the values above the headings of the logs, by key and log."""
    values: dict[str, dict[int, str]] = defaultdict(dict)
    for one, fact in enumerate(board.logs):
        for key, value in fact.preamble:
            values[key][one] = value
    return values


def _give_games(found: Factors, roles: Roles, board: LogBoard, *, stated: Mapping[int, str]) -> None:
    """Give the role of games to a factor; where several could be it, ask."""
    rest = [factor for factor in found.factors if factor not in roles]
    if _has(roles, "game"):
        if len(rest) == 1 and not _has(roles, "tuning"):
            roles[rest[0]] = "tuning", say("draft.why.other_words")
        return
    # Lines above the headings of the logs may name the levels of a factor, too.
    said = [[words_of(value) for _, value in fact.preamble] for fact in board.logs]
    alike = [
        factor
        for factor in rest
        if all(level and any(set(level.split()) <= words for words in said[one])
               for level in factor for one in found.files[level])
    ]  # fmt: skip
    # Words that only count (s1, s2) are no games where others could be.
    whole = [factor for factor in rest if not _are_numbered(factor)]
    if alike:
        roles[alike[0]] = "game", say("draft.why.log_names_it_too")
        if len(rest) == 2 and not _has(roles, "tuning"):
            other = next(factor for factor in rest if factor is not alike[0])
            _propose_tunings(other, found, roles, board, why=say("draft.why.other_words"))
    elif len(whole) == 1 and _has(roles, "tuning"):
        roles[whole[0]] = "game", say("draft.why.other_words")
    elif len(rest) == 1 and _has(roles, "tuning") and not stated:
        roles[rest[0]] = "game", say("draft.why.other_words")
    elif stated and len(rest) == 1 and not _has(roles, "tuning"):
        _propose_tunings(rest[0], found, roles, board, why=say("draft.why.only_varying_words"))
    elif rest and not stated:
        _propose_games(rest, found, roles, board)


def _propose_tunings(factor: Factor, found: Factors, roles: Roles, board: LogBoard, *, why: str) -> None:
    """Propose the tunings, which is asked."""
    name = _label(factor, found)
    roles[factor] = "tuning", why
    board.ask(
        question("are_tunings", {"names": name}, choices=[choice("are_tunings", "yes", value=name)]),
        board.every,
        "tuning",
    )


def _propose_games(rest: list[Factor], found: Factors, roles: Roles, board: LogBoard) -> None:
    """Propose games by how much the mean rates differ, which is asked."""

    def spread(factor: Factor) -> float:
        """Return the highest mean rate of the levels over the lowest; 1 where rates are not known."""
        means = [statistics.fmean(board.logs[one].mean_fps for one in found.files[level]) for level in factor]
        known = [mean for mean in means if mean > 0]
        return max(known) / min(known) if len(known) == len(means) and known else 1.0

    rest.sort(key=spread)
    board.ask(
        _which("games_are", sorted(rest, key=lambda one: _label(one, found)), found), board.every, "game", "tuning"
    )
    if len(rest) >= 2 and _has(roles, "tuning"):
        roles[rest[-1]] = "game", say("draft.why.rates_differ_most")
    elif len(rest) == 2:
        few, many = rest
        if spread(many) > _GAMES_DIFFER and spread(few) < _TUNINGS_DIFFER and len(many) >= len(few):
            roles[few] = "tuning", say("draft.why.rates_differ_little")
            roles[many] = "game", say("draft.why.rates_differ_much")
    elif len(rest) == 1 and (spread(rest[0]) > _SURE_GAMES or len(rest[0]) > 3):
        roles[rest[0]] = "game", say("draft.why.only_varying_words")


def _put_levels(factor: Factor, found: Factors, board: LogBoard, *, role: tuple[str, str] | None) -> None:
    """Fill in the levels of a factor under its role; of words without a role it is asked what they are."""
    levels = [found.written(level) for level in sorted(factor)]
    if role is None:
        files_of = {found.written(level): list(found.files[level]) for level in sorted(factor)}
        _ask_group(files_of, board, why=say("draft.why.words_together"))
        return
    for level in factor:
        if level:
            board.put(found.files[level], role[0], found.written(level), why=role[1])
            continue
        files = found.files[level]
        said = {
            "n_without": len(files),
            "n_with": len(board.logs) - len(files),
            "names": list(filter(None, levels)),
        }
        # Where other names say "factory" already, those without a word are hardly the same.
        is_twice = any(map(names_reference, levels)) and not all(board.parts[one].tries for one in files)
        in_doubt = board.every if is_twice else files
        answer = board.ask(question("no_tuning_in_name", said), in_doubt, "tuning", *["game"] * is_twice)
        board.put(files, role[0], answer or "factory", why=say("draft.why.no_tuning_word"))


def _ask_group(files_of: Mapping[str, Sequence[int]], board: LogBoard, *, why: str) -> None:
    """Ask what words or values are that part the logs; what they are until then is a group."""
    column = _GROUP_COLUMNS.get(board.answers.get("group_is", ""), "group")
    waits = ("round", "group") if column == "group" else ()
    board.questions.append(question("group_is", {"names": list(files_of)}))
    board.doubt(board.every if waits else (), *waits)
    for number, (level, files) in enumerate(files_of.items(), start=1):
        board.put(files, column, str(number) if column == "round" else level, why=why)


def _ask_groups_in_logs(board: LogBoard) -> None:
    """Ask what values above the headings are that part the logs, such as two cards or two drivers.

    What each game, or each tuning, has of its own is no group; another card is one for all that.
    """
    if any({"group", *_GROUP_COLUMNS.values()} & cells.keys() for cells in board.cells):
        return
    for key, of_log in _values_in_logs(board).items():
        words, files_of = words_of(key), defaultdict(list)
        for one, value in sorted(of_log.items()):
            files_of[value].append(one)
        is_group = 1 < len(files_of) <= max(2, len(board.logs) // 2) and len(of_log) == len(board.logs)
        if not is_group or not words & (CARD | _GROUP_KEYS) or words & frozenset().union(*QUANTITY.values()):
            continue
        pairs = [
            {(board.value(one, column), value) for one, value in of_log.items()} for column in ("game", "tuning")
        ]
        is_own = any(len({level for level, _ in own}) == len(own) for own in pairs)
        is_same = any(all(words_of(level) & words_of(value) for level, value in own) for own in pairs)
        if is_same or (is_own and not words & CARD):
            continue
        _ask_group(dict(sorted(files_of.items())), board, why=say("draft.why.log_names_it"))
        return


def _ask_numbers(board: LogBoard, column: str) -> None:
    """Ask where the same numbers stand behind every game, or tuning: they may be rounds, and no part of names."""
    of_stem: dict[str, set[str]] = defaultdict(set)
    for one in board.every:
        parted = re.fullmatch(r"(.*[^\W\d_]) ?(\d+)", board.value(one, column))
        of_stem[parted[1] if parted else ""].add(parted[2] if parted else "")
    held = list(of_stem.values())
    is_few = len(held) < 2 and column == "tuning"
    if "" in of_stem or not held or is_few or len(held[0]) < 2 or any(one != held[0] for one in held):
        return
    if board.ask(question(f"numbers_of_{column}s", {"numbers": ", ".join(sorted(held[0])[:6])})) != "yes":
        board.doubt(board.every, column, "round")
