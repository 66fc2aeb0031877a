"""Single words of the trade that headings of logs and of spreadsheets hold, and the units they state.

Words for a quantity or a device must stand alone; long words against a column also count inside a compound, as the
harm of the two mistakes differs: a column left out is asked for, a wrong one would be published. There are no whole
headings here.
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources

#: Words of this length speak against a column also inside a compound.
_INSIDE_FROM = 5

#: Letters of the longest compound that is parted.
_LONGEST = 40

#: A letter of a script that writes words without blanks between them.
_DENSE = "[\u1100-\u11ff\u2e80-\u9fff\uac00-\ud7af]"

#: Where another word begins within one: at a capital, or in another script.
_BEGINS = re.compile(
    r"(?<=[a-zà-ÿ]{2})(?=[A-Z])|(?<=[A-Z][a-z])(?=[A-Z][a-z])|(?<=[A-Z]{2})(?=[A-Z][a-z])"
    rf"|(?<=[A-Za-z])(?={_DENSE})|(?<={_DENSE})(?=[A-Za-z])"
)

#: Letters that keep their stroke when accents are taken off.
_PLAIN = str.maketrans({"ß": "ss", "ł": "l", "ø": "o"})


def fold(text: str) -> str:
    """Return text without case, accents and compatibility forms.

    Parameters
    ----------
    text : as written
    """
    flat = unicodedata.normalize("NFKD", unicodedata.normalize("NFKC", text).casefold())
    return "".join(c for c in flat if not unicodedata.combining(c)).translate(_PLAIN)


@lru_cache(maxsize=1024)
def words_of(heading: str) -> frozenset[str]:
    """Return the folded words of a heading; capitals within a word begin another one beside it.

    Parameters
    ----------
    heading : as written
    """
    words = frozenset(re.findall(r"[^\W\d_]+", f"{fold(_BEGINS.sub(' ', heading))} {fold(heading)}"))
    words = words.union(*map(_compound, words))
    return words | {"gpu"} if words & _CARD_OF_TWO and words & _CARD_FOR else words


@lru_cache(maxsize=1024)
def _compound(word: str) -> frozenset[str]:
    """Return the words that a compound is wholly made of: one for the card first, or in a script without blanks."""
    is_dense = bool(re.match(_DENSE, word))
    if len(word) > _LONGEST or not (is_dense or any(map(word.startswith, CARD - {"board"}))):
        return frozenset()
    of_card = (CARD - {"board"}).union(*(QUANTITY[one] for one in _OF_A_CARD), *PART.values())
    known = of_card | OTHER | WALL | NOT_A_READING | NEUTRAL if is_dense else of_card
    parts = _parts(word, known, ("",) if is_dense else _JOINTS)
    return parts if len(parts) > 1 else frozenset()


def _parts(word: str, known: frozenset[str], joints: tuple[str, ...]) -> frozenset[str]:
    """Return the known words that a word is wholly made of, with letters that join them; nothing of any other."""
    for place in range(len(word), 0, -1):
        if word[:place] in known:
            rests = [word[place:].removeprefix(joint) for joint in joints]
            found = next(filter(None, (_parts(rest, known, joints) for rest in rests)), frozenset())
            if found or place == len(word):
                return found | {word[:place]}
    return frozenset()


def _words(text: str) -> frozenset[str]:
    """Return the folded words of a list."""
    return frozenset(fold(word) for word in text.split())


_LISTS = tomllib.loads(resources.files(__package__).joinpath("words.toml").read_text(encoding="utf-8"))
_DEVICE, _MOMENT = ({name: _words(text) for name, text in _LISTS[of].items()} for of in ("device", "of_a_moment"))

#: Words by the quantity that they name.
QUANTITY = {
    **{name: _words(text) for name, text in _LISTS["quantity"].items()},
    "frame": _words(
        "frame frames frametime picture pictures bild bildabstand bilddauer trame image fotograma klatka klatki "
        "フレーム καρέ beeld beeldtijd billed bilde imagen cuadro cuadros quadro quadros ruutu fotogramma "
        "кадр кадра кадру kadr snímek snímku képkocka kuva kare 帧 프레임"
    ),
    "rate": _words("fps framerate bildrate 帧率"),
}

#: Words for frames, more than one, and for a number of them.
FRAMES = _words("frames pictures bilder trames images fotogramas fotogrammi klatek кадров")
COUNT = _words("count n number num anzahl nombre numero número liczba число")

#: Words for how long something takes.
DURATION = _words(
    "time duration dur dauer zeit abstand durée temps duración tiempo durata tempo czas tid tijd χρόνος время "
    "時間 זמן aika zaman süre süresi idő čas doba час 时间 시간 帧时间"
)

#: Words that say no more than that a time goes from one row to the next, and that one is a moment.
STEPS = _words(
    "delta step diff difference gap distance length long since until last previous prev between per from the one "
    "each and for with every this took takes taken of whole full entire les des von vom pro par entre per "
    "nach zwischen ecart"
)
MOMENTS = _words(
    "stamp timestamp elapsed start started begin end ended now when clock epoch unix utc local tick ticks count "
    "counter counts present presented moment at passed uptime origin zeitstempel beginn ende verstrichen début "
    "fin laufzeit log relative session bench benchmark capture record recording mess qpc real wall run test total "
    "shown displayed into moment instant bei verstreken kulunut forløbet förfluten decorrido écoulé inizio fine "
    "trascorso inicio transcurrido początek koniec 경과 経過時間"
)

#: Words for what comes again without being a frame; those for what lies between two say nothing where frames are
#: named, and some of the others are what times are counted in.
_BETWEEN = _words("interval intervall intervalle intervalo intervallo interwał period periode période")
COUNTED_TIME = _words("tick ticks")
SAMPLED = (
    _words("sample samples poll server packet abtastung refresh vsync vblank event events")
    | COUNTED_TIME
    | _BETWEEN
)

#: Words for frames that are not rendered.
GENERATED = _words(
    "generated interpolated interp synthetic inserted rendered ai erzeugt generiert eingefügt généré interpolé "
    "generado generato"
)

#: Words for a program that draws frames.
PROGRAM = _words(
    "game app application process program exe executable window pid spiel anwendung programm prozess fenster jeu "
    "processus programme fenêtre juego aplicación proceso programa gioco applicazione processo programma gra okno "
    "display monitor screen bildschirm écran pantalla schermo ekran adapter swapchain"
)

#: Words for one of several runs, and for rows that are of none: before it, or not valid.
RUN = _words(
    "run lauf durchlauf pass lap round attempt take iteration repeat repetition wiederholung vuelta giro tuning "
    "profile preset setting config configuration"
)
NOT_OF_RUN = _words(
    "warmup warm loading menu pause paused intro lobby aufwärmen laden ladebildschirm menü chargement caricamento "
    "valid invalid gültig ungültig measuring recording discard discarded ignore ignored excluded"
)

#: Words for the kind of a frame, and for a frame that was not shown.
KIND = _words("type kind typ art tipo genre event")
DROPPED = _words(
    "dropped discarded skipped repeated duplicate duplicated verworfen ausgelassen wiederholt doppelt abandonné "
    "perdu répété perdido descartado repetido perso scartato ripetuto"
)

#: Words for the card; its name may be one of two lists together.
CARD = _DEVICE["card"]
_CARD_OF_TWO, _CARD_FOR = _DEVICE["card_of_two"], _DEVICE["card_for"]

#: Quantities that a card has a reading of.
_OF_A_CARD = ("power", "heat", "load", "clock", "fan", "volt")

#: Words for what works at a frame.
AT_WORK = CARD | _words("cpu processor prozessor processeur procesador render")

#: Words for something else than the card, for a part of it, and for memory that only a card has.
OTHER, PART = _DEVICE["other"], {name: _words(text) for name, text in _LISTS["part"].items()}
CARD_MEMORY = _MOMENT["card_memory"]

#: Words for times that are a part of a frame, or of something else.
NOT_FRAME = _words(
    "latency latenz latence latencia queue wait warten sim simulation input eingabe render physics physik audio "
    "sound busy"
)

#: Words for the socket of the whole machine, doubtful ones of these, and those that only a meter in it writes; and
#: words for another card than the first.
WALL, DOUBTFUL_WALL, OF_METERS = _DEVICE["wall"], _DEVICE["wall_in_doubt"], _DEVICE["of_wall_meters"]
SECOND = _DEVICE["another_card"]

#: Words for what is no reading of a moment, and those that change nothing of what a heading says.
NOT_A_READING, NEUTRAL = _MOMENT["no_reading"], _MOMENT["neutral"]

#: Signs that a heading calculates with.
_CALCULATED = re.compile(r"[+*×÷<>=±∑Δ]|/(?=\s*\d)|(?<=\s)[-−](?=\s)")
#: Letters that join the two words of a compound.
_JOINTS = ("", "n", "s", "en", "es")

#: What a heading of frame times holds: words, shorter ones that are names of variables, and no share or number.
_FRAME_TIMES = QUANTITY["frame"] | FRAMES | DURATION | STEPS | _words("ms us ns msec sec seconds milliseconds")
_SHORT = 2
_NUMBERS = re.compile(r"(?i)(?<![^\W\d_])p\d+|\d[\d.,]*\s*%|\d[.,]?\d+|\b\d+(?=\s+[^\W\d]{3})")

_AGAINST = OTHER | NOT_A_READING
#: Frames are generated, and not rated.
_LONG = {word for word in _AGAINST if len(word) >= _INSIDE_FROM and not any(word in one for one in GENERATED)}
_AGAINST_INSIDE = sorted(_LONG | {"igpu"} | {word for word in _AGAINST if re.match(_DENSE, word)})


@dataclass(frozen=True)
class Unit:
    """A unit that a heading states.

    Attributes
    ----------
    written : as it stands there
    quantity : what it is a unit of; ``time`` for units of time, empty for one that is unknown
    factor, zero : ``(value - zero) * factor`` is in the kit's unit of that quantity: W, °C, %, MHz, rpm, mV, GB,
        dBA, fps, ms
    """

    written: str
    quantity: str
    factor: float = 1.0
    zero: float = 0.0


_UNITS = {
    **dict.fromkeys(_words("w watt watts вт"), ("power", 1.0, 0.0)),
    "mw": ("power", 1e-3, 0.0),
    "kw": ("power", 1e3, 0.0),
    **dict.fromkeys(_words("uw μw"), ("power", 1e-6, 0.0)),
    **dict.fromkeys(_words("°c c degc celsius"), ("heat", 1.0, 0.0)),
    **dict.fromkeys(_words("°f f degf fahrenheit"), ("heat", 5 / 9, 32.0)),
    "k": ("heat", 1.0, 273.15),
    **dict.fromkeys(_words("mhz мгц"), ("clock", 1.0, 0.0)),
    "ghz": ("clock", 1e3, 0.0),
    "hz": ("clock", 1e-6, 0.0),
    **dict.fromkeys(
        _words("rpm 1/min u/min min-1 min−1 tr/min obr/min giri/min varv/min ot/min o/min tpm об/мин"),
        ("fan", 1.0, 0.0),
    ),
    **dict.fromkeys(_words("% pct percent"), ("percent", 1.0, 0.0)),
    "v": ("volt", 1e3, 0.0),
    "mv": ("volt", 1.0, 0.0),
    **dict.fromkeys(_words("gb gib gigabytes"), ("bytes", 1.0, 0.0)),
    **dict.fromkeys(_words("mb mib megabytes"), ("bytes", 1 / 1024, 0.0)),
    **dict.fromkeys(_words("kb kib"), ("bytes", 1 / 1024**2, 0.0)),
    "bytes": ("bytes", 1 / 1024**3, 0.0),
    **dict.fromkeys(_words("dba db db(a)"), ("sound", 1.0, 0.0)),
    "a": ("current", 1.0, 0.0),
    "ma": ("current", 1e-3, 0.0),
    "j": ("energy", 1.0, 0.0),
    "wh": ("energy", 3600.0, 0.0),
    **dict.fromkeys(_words("fps 1/s"), ("rate", 1.0, 0.0)),
    **dict.fromkeys(_words("s sec second seconds sekunden secondes δευτερολεπτα sn 秒 с"), ("time", 1e3, 0.0)),
    **dict.fromkeys(_words("ms msec milliseconds millisekunden 毫秒 мс"), ("time", 1.0, 0.0)),
    **dict.fromkeys(_words("us µs μs мкс"), ("time", 1e-3, 0.0)),
    "ns": ("time", 1e-6, 0.0),
    **dict.fromkeys(_words("min minutes minuten"), ("time", 6e4, 0.0)),
    "h": ("time", 3.6e6, 0.0),
}

_IN_BRACKETS = re.compile(r"[\[(]\s*([^\[\]()]+?)\s*[\])]")
#: Single letters that more often are a name than a unit: alone, or behind a word in small letters.
_LETTERS = frozenset("afcksvwhj")
_SMALL_LETTERS = frozenset("afhkvj")
#: Units that also stand in front.
_IN_FRONT = frozenset({"ms", "us", "ns", "fps", "rpm", "mhz"})


def known_unit(written: str) -> Unit | None:
    """Return a unit that is known; None for any other text.

    Parameters
    ----------
    written : as it stands in a heading, a row of units or a cell
    """
    known = _UNITS.get(fold(written).replace(" ", ""))
    return None if known is None else Unit(written, *known)


def unit_stated(heading: str, row_unit: str = "") -> Unit | None:
    """Return the unit that a heading, or the row of units below it, states; None for none.

    Parameters
    ----------
    heading : as written
    row_unit : what stands in the row of units, or behind the numbers of the cells

    Returns
    -------
    Unit, of an empty quantity where what stands in the place of a unit is not known
    """
    if row_unit.strip("[]() "):
        written = row_unit.strip("[]() ")
        return known_unit(written) or Unit(written, "")
    # Equal headings are numbered by some writers: power W, power W.1.
    heading = re.sub(r"(?<=\D)\.\d{1,2}$", "", heading.strip())
    found = _IN_BRACKETS.findall(re.sub(r"(?i)db\(a\)", "dBA", heading))
    if found:
        return known_unit(found[-1]) or Unit(found[-1], "")
    parts = [part for part in re.split(r"[\s_.]+", heading.strip()) if part]
    if not parts:
        return None
    if known_unit(parts[-1]) is None:
        parts[-1:] = _BEGINS.sub(" ", parts[-1]).split()
    last, is_alone = parts[-1], len(parts) == 1
    if fold(last) in _LETTERS and (is_alone or last in _SMALL_LETTERS):
        return None
    unit = known_unit(last)
    if unit is None and fold(parts[0]) in _IN_FRONT:
        unit = known_unit(parts[0])
    return unit


def without_brackets(heading: str) -> str:
    """Return a heading without what stands in brackets.

    Parameters
    ----------
    heading : as written
    """
    return re.sub(r"[\[(].*?[\])]", "", heading)


def words_against(heading: str) -> frozenset[str]:
    """Return the words of a heading that say that it is not the card's reading of a moment.

    Parameters
    ----------
    heading : as written
    """
    plain, unit = without_brackets(heading).strip(), known_unit(heading.split()[-1]) if heading.strip() else None
    # What turns so often in a minute is no lowest value.
    plain = plain.rpartition(" ")[0] if unit is not None and unit.quantity == "fan" else plain
    folded = fold(plain)
    return frozenset(word for word in _AGAINST_INSIDE if word in folded) | (words_of(plain) & _AGAINST)


def unknown_words(heading: str, unit: Unit | None) -> list[str]:
    """Return the words of a heading that say something that is not understood.

    Parameters
    ----------
    heading : as written
    unit : the unit that it states
    """
    quantity = unit.quantity if unit else ""
    known = frozenset().union(CARD, NEUTRAL, *PART.values(), QUANTITY.get(quantity, ()))
    # A board other than the card's power is one that parts sit on.
    known = known | WALL | OF_METERS if quantity == "power" else known - {"board"}
    known |= QUANTITY["load"] if quantity in ("power", "percent", "bytes") else frozenset()
    # A total of power is the whole card's; of memory it is what there is, not what is in use.
    known |= {"total"} if unit and unit.quantity == "power" else frozenset()
    known |= {"hot", "spot"} if part_of(heading) == "hotspot" else frozenset()
    known |= _CARD_OF_TWO | _CARD_FOR if words_of(heading) & _CARD_OF_TWO else frozenset()
    return _words_beyond(heading, unit, known)


def unknown_of_frames(heading: str, unit: Unit | None, *, is_moment: bool) -> list[str]:
    """Return the words and numbers of a heading that say more than that its values are frame times.

    Parameters
    ----------
    heading : as written
    unit : the unit that it states
    is_moment : whether its values are moments, not durations
    """
    known = _FRAME_TIMES | (MOMENTS if is_moment else _BETWEEN if speaks_of_frames(heading) else frozenset())
    words = [one for one in _words_beyond(heading, unit, known) if len(one) > _SHORT or not one.isalpha()]
    return words + _NUMBERS.findall(heading)


@lru_cache(maxsize=1024)
def speaks_of_frames(heading: str) -> bool:
    """Return whether a heading names a frame, alone or in a compound such as that for its time.

    Parameters
    ----------
    heading : as written
    """
    words = words_of(heading)
    return bool(words & QUANTITY["frame"]) or any(
        word.startswith(one) and _joins(word, _FRAME_TIMES | _BETWEEN)
        for word in words
        for one in QUANTITY["frame"]
    )


def _words_beyond(heading: str, unit: Unit | None, known: frozenset[str]) -> list[str]:
    """Return the words and signs of a heading that are not known, nor one of two that are, nor its unit."""
    own = {f"[{unit.written}]", f"({unit.written})"} if unit else set()
    parted = re.sub(r"['’]s\b", "", _BEGINS.sub(" ", heading))
    parted = re.sub(r"[\[(].*?[\])]", lambda found: " " if re.sub(r"\s", "", found[0]) in own else found[0], parted)
    known |= words_of(unit.written) if unit else frozenset()
    words, quantities = re.findall(r"[^\W\d_]+", fold(parted)), frozenset().union(*QUANTITY.values())
    # A dash behind what is no quantity parts a device from its reading.
    signs = [
        one[0]
        for one in _CALCULATED.finditer(parted)
        if one[0] not in "-−" or words_of(parted[: one.start()]) & quantities
    ]
    return signs + [word for word in words if word not in known and not _joins(word, known)]


def _joins(word: str, known: frozenset[str]) -> bool:
    """Return whether a word is one of two known words."""
    parts = _compound(word)
    return bool(parts and parts <= known) or any(
        word[:place] in known
        and any(word[place:].startswith(one) and word[place + len(one) :] in known for one in _JOINTS)
        for place in range(3, len(word) - 1)
    )


def number_of_device(heading: str) -> str:
    """Return the number of a card or a socket that a heading tells from others, in digits or as a word; else empty.

    Parameters
    ----------
    heading : as written
    """
    found = re.finditer(r"([^\W\d_]+)[\s#:._\[(-]{0,3}(\d{1,2})(?![^\W_])", fold(heading))
    in_words = "2" if words_of(heading) & SECOND else ""
    return next((one[2] for one in found if one[1] in CARD | WALL), in_words)


def part_of(heading: str) -> str:
    """Return the part of the card that a heading names, a key of `PART`; empty for none.

    Parameters
    ----------
    heading : as written
    """
    folded, words = fold(heading), words_of(heading)
    for part, names in PART.items():
        inside = any((len(name) >= _INSIDE_FROM or re.match(_DENSE, name)) and name in folded for name in names)
        if words & names or inside or (part == "hotspot" and "hot spot" in folded):
            return part
    return ""
