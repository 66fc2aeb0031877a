"""Headings and cells of a reviewer's own table: which metric, which role, which number, and which are derived."""

from __future__ import annotations

import re
import statistics
from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.words import (
    CARD,
    CARD_MEMORY,
    DOUBTFUL_WALL,
    FRAMES,
    NOT_A_READING,
    QUANTITY,
    WALL,
    fold,
    known_unit,
    part_of,
    unit_stated,
    unknown_words,
    words_against,
    words_of,
)
from gpubench_kit.sheet.log_names import RESOLUTION, names_reference, names_tuning, word_set

_MEAN = word_set(
    "avg average mean mittel mittelwert schnitt durchschnitt moyenne moyen moyens moyennes media medio medios "
    "promedio średnie średnia medi gemiddeld средний среднее средние ממוצע 平均 ø o"
)
_TOTAL = _MEAN | word_set("total summe gesamt median geomean sum stdev stddev sd standardabweichung streuung")
#: Words that make a rate of frames.
_PER_SECOND = word_set("rate second sekunde seconde segundo secondo")
_A_SECOND = re.compile(r"/ ?s(ec|ek|\.)?(?![^\W_])")
#: Images per second.
_RATE = QUANTITY["rate"] | word_set("ips")
_EXTREME = word_set("min max best worst minimum maximum highest lowest peak")
_CHANGE = word_set("vs versus delta diff difference change gain unterschied differenz δ")
_OTHER_PARTS = word_set("cpu processor prozessor")
_LOW = word_set("low lows perzentil percentile tief tiefs")
_ROLES = {
    "game": word_set("game games spiel spiele title titel jeu jeux juego gioco gra игра משחק ゲーム 游戏"),
    "tuning": word_set(
        "tuning tunings state profile profil perfil profilo modus mode variante variant einstellung zustand "
        "réglage état estado stato stan ustawienie режим מצב"
    ),
    "setting": word_set("resolution auflosung setting settings quality qualitat preset"),
    "session": word_set("session evening abend sitzung day tag"),
    "order": word_set("order reihenfolge folge"),
    "round": word_set("round runde"),
    "run": word_set("run lauf durchgang pass nr no take versuch messung passe vuelta ריצה"),
    "time": word_set("date time datum zeit uhrzeit start started heure fecha hora"),
    "note": word_set("note notes bemerkung kommentar remark comment"),
    "card": word_set("card karte grafikkarte"),
}

#: A mean frame time in ms: no metric of a sheet, but average FPS is 1000 over it.
FRAME_MS = "frame_ms"

_LOW_0P1 = re.compile(r"0[.,]1\s*(?:%|percent|prozent|pct)|p99[.,]9|99[.,]9\s*%")
_LOW_1 = re.compile(r"(?<![\d.,])1\s*(?:%|percent|prozent|pct)|p99|99\s*%")
_NUMBER = re.compile(
    r"([-+−]?\d{1,3}(?:[ .,’'\u00a0\u202f]\d{3})+(?:[.,]\d+)?|[-+−]?\d+(?:[.,]\d+)?|[-+−]?[.,]\d+)"
    r"\s*([^\d\s].{0,8})?"
)
_GROUPED = re.compile(r"[-+−]?\d{1,3}([ .,’'\u00a0\u202f])\d{3}(?:\1\d{3})*")

#: Settings that a table has at most.
_MOST_SETTINGS = 6

#: A name with the number of a run behind it.
NUMBERED = re.compile(r"(.*?)[\s_#-]*(run|lauf|r|round|runde)?[\s_#-]*(\d{1,2})", re.IGNORECASE)

#: What a column may be, by the metric that it is likely to be.
CANDIDATES = {
    "board_w": ("board_w", "chip_w", "wall_w"), "avg_fps": ("avg_fps", "low_1pct_fps"),
    "core_c": ("core_c", "hotspot_c", "memory_c"), "fan_rpm": ("fan_rpm",),
    "core_mhz": ("core_mhz", "memory_mhz"), "low_1pct_fps": ("low_1pct_fps",), FRAME_MS: (FRAME_MS,),
}  # fmt: skip

#: Quantity of a unit -> metrics that may have it.
_IN_UNIT = {"rate": "fps", "power": "w", "heat": "c", "fan": "rpm", "clock": "mhz", "sound": "dba", "volt": "mv"}


class Read(NamedTuple):
    """A number in a cell: with a decimal point, its unit as written, and its comma.

    ``has_comma``: the comma was read as the decimal mark; ``is_doubtful``: it may part thousands as well.
    """

    text: str
    unit: str
    is_doubtful: bool
    has_comma: bool = False


class Meaning(NamedTuple):
    """A metric and how sure it is: ``stated``, ``likely``, or empty where no metric was found."""

    metric: str = ""
    certainty: str = ""


def number_in(cell: str) -> Read | None:
    """Return the number of a cell; None where it holds none.

    Parameters
    ----------
    cell : text of the cell; a known unit may stand behind the number
    """
    found = None if is_resolution(cell) else _NUMBER.fullmatch(cell.strip())
    if not found or (found[2] and known_unit(found[2].strip()) is None):
        return None
    text = re.sub(r"[ ’'\u00a0\u202f]", "", found[1]).replace("−", "-")
    if "," in text and "." in text:
        thousands, mark = (",", ".") if text.rfind(".") > text.rfind(",") else (".", ",")
        text = text.replace(thousands, "").replace(mark, ".")
        return Read(text, (found[2] or "").strip(), is_doubtful=False, has_comma=mark == ",")
    grouped = _GROUPED.fullmatch(found[1])
    is_doubtful = grouped is not None and grouped[1] == ","
    if grouped and grouped[1] in ",." and text.count(grouped[1]) > 1:
        return Read(text.replace(grouped[1], ""), (found[2] or "").strip(), is_doubtful=False)
    return Read(text.replace(",", "."), (found[2] or "").strip(), is_doubtful, has_comma="," in text)


def is_resolution(cell: str) -> bool:
    """Return whether a cell is a resolution, such as 1440p or 4K.

    Parameters
    ----------
    cell : text of the cell
    """
    return RESOLUTION.fullmatch(fold(cell).strip()) is not None


def is_words(cell: str) -> bool:
    """Return whether a cell holds words, and no number.

    Parameters
    ----------
    cell : text of the cell
    """
    return bool(cell) and number_in(cell) is None


def is_units(cells: Sequence[str]) -> bool:
    """Return whether a row holds units and nothing else.

    Parameters
    ----------
    cells : of the row
    """
    given = [cell.strip("[]() ") for cell in cells if cell]
    return bool(given) and all(known_unit(cell) is not None for cell in given)


def role_of(heading: str) -> str:
    """Return the column of the run sheet that a heading names; empty for none.

    Parameters
    ----------
    heading : as written
    """
    if fold(heading).strip() == "#":
        return "run"
    words = words_of(heading)
    if words & (QUANTITY["power"] | QUANTITY["rate"] | QUANTITY["heat"] | QUANTITY["frame"]) or unit_stated(
        heading
    ):
        return ""
    return next((role for role, own in _ROLES.items() if words & own), "")


def is_tuning(text: str) -> bool:
    """Return whether a text names a tuning, with or without the number of a run behind it.

    Parameters
    ----------
    text : as written
    """
    parted = NUMBERED.fullmatch(text.strip())
    stem = parted[1] if parted and parted[1].strip() else text
    return any(names_tuning(fold(one).strip()) for one in (text, stem)) or names_reference(text)


def share_of_tunings(cells: Sequence[str]) -> float:
    """Return the share of words that name tunings.

    Parameters
    ----------
    cells : of one column; blank ones count for nothing
    """
    given = [cell for cell in cells if cell]
    return sum(map(is_tuning, given)) / len(given) if given else 0.0


def are_tunings(names: Sequence[str]) -> bool:
    """Return whether names are those of tunings: more than half of them, or half where one is the state of sale.

    Parameters
    ----------
    names : of one column; blank ones count for nothing
    """
    share = share_of_tunings(names)
    return share > 0.5 or (share == 0.5 and any(map(names_reference, names)))


def runs_in_names(tunings: Sequence[str]) -> dict[str, list[str]]:
    """Return tunings and runs of rows where every tuning has the same numbers of runs behind it; else nothing.

    Parameters
    ----------
    tunings : of each row, as written
    """
    parted = [
        found for one in tunings if (found := NUMBERED.fullmatch(one.strip())) and re.search(r"\D$", found[1])
    ]
    numbers: dict[str, set[int]] = {}
    for one in parted:
        numbers.setdefault(one[1].strip(), set()).add(int(one[3]))
    counted = list(numbers.values())
    is_run = len(counted) > 1 and len(counted[0]) > 1 and all(one == counted[0] for one in counted)
    if len(parted) < len(tunings) or not is_run or min(counted[0]) > 1:
        return {}
    return {"tuning": [one[1].strip() for one in parted], "run": [one[3] for one in parted]}


def counts_runs(rows: Iterable[tuple[int, str, Sequence[str]]], place: int) -> bool:
    """Return whether a column counts from 1 among the rows of each name, as numbers of runs do.

    Parameters
    ----------
    rows : line, title of the part, and cells of each; a blank name stands for the one above it
    place : of the column
    """
    of_name: dict[tuple[str, ...], list[str]] = defaultdict(list)
    names: list[str] = []
    for _, section, cells in rows:
        names = [cell or above for cell, above in zip(cells, names or cells, strict=True)]
        of_name[section, *map(fold, filter(is_words, names))].append(cells[place])
    return all(1 < len(own) < 10 and sorted(own) == list("123456789"[: len(own)]) for own in of_name.values())


def crosses(column: Sequence[str], games: Sequence[str]) -> bool:
    """Return whether a column of a few words has the same ones in every game, as settings have.

    Parameters
    ----------
    column, games : of each row
    """
    words: dict[str, set[str]] = {}
    for word, game in zip(column, games, strict=True):
        words.setdefault(fold(game), set()).add(fold(word))
    return len(words) > 1 and all(
        1 < len(own) <= _MOST_SETTINGS and own == set.union(*words.values()) for own in words.values()
    )


def is_summary(label: str) -> bool:
    """Return whether a row's label says that the row sums up others.

    Parameters
    ----------
    label : text at the row's beginning
    """
    words = words_of(label) or frozenset(fold(label).split())
    return 0 < len(words) <= 3 and bool(words & _TOTAL)


def is_left_out(heading: str) -> bool:
    """Return whether a heading names an extreme, a change, or another part of the machine.

    Parameters
    ----------
    heading : as written
    """
    words = words_of(heading) or frozenset(fold(heading).split())
    return bool(words & (_EXTREME | _CHANGE | _OTHER_PARTS))


def meaning_of(heading: str, unit: str = "") -> Meaning:
    """Return the metric that a heading means.

    Parameters
    ----------
    heading : as written
    unit : unit in the row below, or behind the numbers

    Returns
    -------
    Meaning. The kit's own names, the lows, and a quantity beside a word for the card or the wall are stated; a
    quantity alone is likely; a word against the card's reading leaves it out.
    """
    name = re.sub(r"[\s_-]+", "_", fold(heading)).strip("_")
    if name in METRICS:
        return Meaning(name, "stated")
    words, whole = words_of(heading), fold(heading)
    plain_against = words_against(heading) - _MEAN - NOT_A_READING
    if plain_against or words & (_EXTREME | _CHANGE):
        return Meaning()
    stated = unit_stated(heading, unit)
    is_rate = words & (QUANTITY["frame"] | FRAMES) and (words & _PER_SECOND or _A_SECOND.search(whole))
    is_rate = is_rate or words & _RATE
    quantity = "rate" if is_rate else stated.quantity if stated else ""
    if quantity == "time":
        is_mean = words & QUANTITY["frame"] and not words & _LOW and not re.search(r"\d", whole)
        return Meaning(FRAME_MS, "likely") if is_mean and stated and stated.factor == 1.0 else Meaning()
    if _LOW_0P1.search(whole):
        return Meaning("low_0p1pct_fps", "stated")
    if _LOW_1.search(whole):
        return Meaning("low_1pct_fps", "stated")
    if words & _LOW and (quantity == "rate" or words & QUANTITY["rate"]):
        return Meaning("low_1pct_fps", "likely")
    is_whole = not set(unknown_words(heading, stated)) - _MEAN
    return _by_quantity(heading, words, quantity, is_whole=is_whole)


def _by_quantity(heading: str, words: frozenset[str], quantity: str, *, is_whole: bool) -> Meaning:
    """Return the metric by the unit, else by a word for the quantity; stated where the heading is understood."""
    if quantity and quantity not in _IN_UNIT:
        return Meaning()
    named = quantity or next((one for one in _IN_UNIT if words & QUANTITY[one]), "")
    is_card = is_whole and bool(words & CARD)
    if named == "rate":
        is_mean = bool(words & _MEAN) or "ø" in heading.casefold()
        return Meaning("avg_fps", "stated" if is_mean else "likely")
    if named == "power":
        if words & WALL:
            is_wall = is_whole and not words & WALL <= DOUBTFUL_WALL
            return Meaning("wall_w", "stated" if is_wall else "likely")
        return Meaning("board_w", "stated" if is_card and part_of(heading) == "" else "likely")
    if named == "heat":
        metric = {"hotspot": "hotspot_c", "memory": "memory_c"}.get(part_of(heading), "core_c")
        is_own = metric == "hotspot_c" or (metric == "memory_c" and bool(words & CARD_MEMORY))
        is_stated = is_card or (is_whole and is_own)
        return Meaning(metric, "stated" if is_stated else "likely")
    if named == "sound":
        return Meaning("sound_dba", "stated")
    if named == "clock":
        return Meaning(
            "memory_mhz" if part_of(heading) == "memory" else "core_mhz", "stated" if is_card else "likely"
        )
    if named == "volt":
        return Meaning("core_mv", "stated" if is_card else "likely")
    if named == "fan":
        return Meaning("fan_rpm", "stated" if is_card else "likely") if quantity == "fan" else Meaning()
    is_mean = bool(words) and not words - _MEAN
    return Meaning("avg_fps", "likely") if is_mean else Meaning()


#: Rows that a row of sums or means is below, and equal numbers of what others are relative to, at least.
_LEAST = 3


def sums_up(rows: Sequence[Sequence[str]], counting: Sequence[bool]) -> bool:
    """Return whether each number of the last row is one kind of sum of those above it, in two columns or more.

    Parameters
    ----------
    rows : cells by row
    counting : for each column, whether its numbers only count

    Notes
    -----
    One number alone may be a mean by chance, but not where names or numbers of runs are missing beside it.
    """
    if len(rows) <= _LEAST:
        return False
    read = [[number_in(cell) if cell else None for cell in cells] for cells in rows]
    columns = [column for column, counts in zip(zip(*read, strict=True), counting, strict=True)
               if column[-1] is not None and not counts]  # fmt: skip
    values = [[float(one.text) for one in column if one] for column in columns]
    filled = [sum(map(bool, cells)) for cells in rows]
    is_bare = filled[-1] < min(filled[:-1])
    if len(values) < 2 - is_bare or any(len(own) <= _LEAST or len(set(own[:-1])) < 2 for own in values):
        return False
    step = [0.51 * 10.0 ** -len(column[-1].text.partition(".")[2]) for column in columns if column[-1]]
    kinds = (
        statistics.fmean,
        sum,
        statistics.median,
        lambda one: statistics.geometric_mean(map(abs, one)) if all(one) else float("nan"),
    )
    return any(
        all(abs(kind(own[:-1]) - own[-1]) <= slack + 1e-9 for own, slack in zip(values, step, strict=True))
        for kind in kinds
    )


def relative_numbers(numbers: Iterable[tuple[str, str, float]]) -> set[str]:
    """Return the headings of numbers of which one tuning has 100, or 1, in every game, to which the others are set.

    Parameters
    ----------
    numbers : heading, tuning and value of each
    """
    values: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
    for heading, tuning, value in numbers:
        values[heading][tuning].append(value)
    return {
        heading
        for heading, by_tuning in values.items()
        if len({value for own in by_tuning.values() for value in own}) > 1
        and any(len(own) >= _LEAST and set(own) in ({100.0}, {1.0}) for own in by_tuning.values())
    }
