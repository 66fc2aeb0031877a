"""Which code page are the headings of a log in, that is neither UTF-8 nor UTF-16?

Values are the same in every code page; headings are not. Two must agree before the Western one is left: the letters
of the decoded text are those of words, and charset-normalizer finds it tidy. A log in ASCII or UTF-8 comes nowhere
near, so the library is loaded at the first log that asks for it. A wrong code page gives itself away: letters of no
one language, capitals inside words, words without a vowel, characters that hardly any text has.
"""

from __future__ import annotations

import functools
import itertools
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from gpubench_kit.processes import loaded_when_used

#: Signs beyond ASCII that stand in headings of any language.
_SIGNS = frozenset("\u00a0\u3000°ºªµμ²³¹±·×÷€£¥§©®™«»‹›‘’‚“”„•…‰–—−√Δ№℃ー、。・／（）［］【】「」：；％＿－＋～→")

#: Letters beyond ASCII by language. The Portuguese tilde on the o is looked at apart, in `_letters`.
_WESTERN = {
    "German": "äöüß",
    "French": "àâçèéêëîïôœùûüÿ",
    "Spanish": "áéíñóúü¿¡",
    "Portuguese": "àáâãçéêíóôúü",
    "Italian": "àèéìòù",
    "Danish": "æøåé",
    "Swedish": "åäöéü",
    "Dutch": "éèëïöü",
    "Estonian": "äöõüšž",
    "Icelandic": "áæðéíóöþúý",
}
_CENTRAL = {
    "Polish": "ąćęłńóśźż",
    "Czech": "áčďéěíňóřšťúůýž",
    "Slovak": "áäčďéíĺľňóôŕšťúýž",
    "Hungarian": "áéíóöőúüű",
    "Croatian": "čćđšž",
    "Romanian": "ăâîşţ",
}
_TURKISH = {"Turkish": "çğıöşüâîûi\u0307"}

_LETTER = r"[^\W\d_]"
_WORD = re.compile(rf"{_LETTER}+")

#: Signs in the place of a letter: so do letters of other code pages show in the Western one.
_SIGN_AS_LETTER = re.compile(r"[³¹¾](?=[^\W\d_])|(?<=[^\W\d_])[¿ºª](?=[^\W\d_])")

_CYRILLIC = frozenset("абвгдежзийклмнопрстуфхцчшщъыьэюяёіїєґў")
_GREEK = frozenset("αβγδεζηθικλμνξοπρστυφχψωςάέήίόύώϊϋΐΰ")
_VOWELS = frozenset("аеёиоуыэюяіїєαεηιουωάέήίόύώϊϋΐΰ")

#: The letters of which seven in ten letters of a text are made, Russian and Greek.
_MOST_COMMON = frozenset("оеаинтсрвл" + "αοιετσςνηυράόί")

#: Share of these from which on headings all in capitals are believed: no capital inside a word speaks for them.
_COMMON_ENOUGH = 0.6

#: Letters from which on a word has a vowel and no capital inside; shorter ones are often units.
_LONG_WORD = 4

#: Lead bytes of the characters that ordinary text is made of, and the lowest second byte below them.
_COMMON = {
    "gbk": ((0xB0, 0xD7, 0xA1),),
    "big5": ((0xA4, 0xC6, 0x40),),
    "cp949": ((0xB0, 0xC8, 0xA1),),
    "cp932": ((0x82, 0x82, 0x9F), (0x83, 0x83, 0x40), (0x88, 0x97, 0x40)),
    "euc_jp": ((0xA4, 0xA5, 0xA1), (0xB0, 0xCF, 0xA1)),
}
_COMMON_SHARE = 0.9
_FEWEST_CHARACTERS = 3


def is_western(text: str) -> bool:
    """Return whether a text decoded as windows-1252 could be right: one Western language, or words of two.

    Parameters
    ----------
    text : lines of a log

    Notes
    -----
    So it is for text without letters beyond ASCII. Of two languages, none is Icelandic, whose letters are those
    that Turkish ones turn into.
    """
    if _SIGN_AS_LETTER.search(text):
        return False
    words = [letters for word in _WORD.findall(text) if (letters := _letters(word))]
    strange = {sign for sign in text if not sign.isascii() and not sign.isalpha()} - _SIGNS - {"¿", "¡"}
    if strange:
        return False
    pairs = itertools.combinations([set(known) for name, known in _WESTERN.items() if name != "Icelandic"], 2)
    alone = ((set(known), set(known)) for known in _WESTERN.values())
    return any(all(word <= one or word <= other for word in words) for one, other in (*alone, *pairs))


def is_central_european(text: str) -> bool:
    """Return whether a text has the letters of one Central European language, at least two different ones."""
    return _is_of_one(text, _CENTRAL)


def is_turkish(text: str) -> bool:
    """Return whether a text has the letters of Turkish, at least two different ones."""
    return _is_of_one(text, _TURKISH)


def is_cyrillic(text: str) -> bool:
    """Return whether the words of a text beyond ASCII are written in Cyrillic letters as words are."""
    return _is_of_script(text, _CYRILLIC)


def is_greek(text: str) -> bool:
    """Return whether the words of a text beyond ASCII are written in Greek letters as words are."""
    return _is_of_script(text, _GREEK)


def is_east_asian(text: str, encoding: str) -> bool:
    """Return whether a text is made of the characters that are common in its two-byte code page.

    Parameters
    ----------
    text : lines of a log
    encoding : a key of the lead bytes above
    """
    runs = re.findall(r"[^\x00-\x7f]+", "".join(" " if sign in _SIGNS - {"ー"} else sign for sign in text))
    characters = "".join(runs).replace("ー", "")
    if len(characters) < _FEWEST_CHARACTERS:
        return False
    # The two bytes of a character are among those of ordinary text.
    codes = [character.encode(encoding) for character in characters]
    n_common = sum(
        any(first <= code[0] <= last and code[-1] >= lowest for first, last, lowest in _COMMON[encoding])
        for code in codes
    )
    # In Western text, a character for each umlaut stands alone.
    n_in_company = sum(len(run) for run in runs if len(run) > 1)
    return n_common >= _COMMON_SHARE * len(characters) and 2 * n_in_company >= len(characters)


def commonness(text: str) -> float:
    """Return the share of the commonest letters among the Cyrillic and Greek ones of a text, to a tenth.

    Parameters
    ----------
    text : lines of a log

    Notes
    -----
    Two code pages of one script turn words into other letters; written small throughout, they could be words still.
    """
    letters = [letter for letter in text.lower() if letter in _CYRILLIC or letter in _GREEK]
    return round(sum(letter in _MOST_COMMON for letter in letters) / len(letters), 1) if letters else 0.0


def _letters(text: str) -> set[str]:
    """Return the letters beyond ASCII of a text, in lower case; a Portuguese o with tilde goes before an e."""
    lower = text.lower().replace("õe", "oe")
    return {letter for letter in lower if not letter.isascii()} - _SIGNS


def _is_of_one(text: str, languages: dict[str, str]) -> bool:
    """Return whether one of these languages has all letters of a text."""
    letters = _letters(text)
    return len(letters) > 1 and any(letters <= set(known) for known in languages.values())


def _is_of_script(text: str, script: frozenset[str]) -> bool:
    """Return whether all letters beyond ASCII are of a script, in words that could be some."""
    if not _letters(text) <= script:
        return False
    words = [word for word in _WORD.findall(text) if _letters(word)]
    long = [word for word in words if len(word) >= _LONG_WORD]
    if all(word == word.upper() for word in long) and commonness(text) < _COMMON_ENOUGH:
        return False
    return bool(long) and all(_could_be_word(word, script) for word in long)


def _could_be_word(word: str, script: frozenset[str]) -> bool:
    """Return whether a word is of one script, has a vowel, and no capital and no final sigma inside."""
    lower = word.lower()
    if "ς" in lower[:-1]:
        return False
    is_regular = word == lower or word == word.upper() or word[1:] == lower[1:]
    return is_regular and set(lower) <= script and not _VOWELS.isdisjoint(lower)


charset_normalizer = loaded_when_used("charset_normalizer")

#: Beginning of a log whose lines are looked at [bytes]; the headings of hundreds of sensors stand in it.
_HEAD = 16_384

#: Beginning of a row of data, which a damaged byte can stand in.
_ROW = re.compile(rb"[\s\"']*[-+.]?\d")

#: Disorder in the decoded text, in charset-normalizer's measure, up to which a code page is believed.
_MOST_DISORDER = 0.2


@dataclass(frozen=True)
class CodePage:
    """A code page that headings are looked for in.

    Attributes
    ----------
    encoding : Python's name
    in_words : as it stands in messages
    fits : whether a text decoded with it could be words
    """

    encoding: str
    in_words: str
    fits: Callable[[str], bool]


#: In every one of them a byte below 0x40 stands for itself, so that no digit, comma, semicolon or tab is lost.
#: GB 18030 is read as far as it has two bytes for a character: its longer ones hold digits.
_CODE_PAGES = (
    CodePage("cp1250", "Central European (windows-1250)", is_central_european),
    CodePage("cp1254", "Turkish (windows-1254)", is_turkish),
    CodePage("cp1251", "Cyrillic (windows-1251)", is_cyrillic),
    CodePage("koi8_r", "Cyrillic (KOI8-R)", is_cyrillic),
    CodePage("cp866", "Cyrillic (code page 866)", is_cyrillic),
    CodePage("cp1253", "Greek (windows-1253)", is_greek),
    CodePage("cp932", "Japanese (Shift JIS)", partial(is_east_asian, encoding="cp932")),
    CodePage("euc_jp", "Japanese (EUC)", partial(is_east_asian, encoding="euc_jp")),
    CodePage("gbk", "Chinese (GBK)", partial(is_east_asian, encoding="gbk")),
    CodePage("big5", "Chinese (Big5)", partial(is_east_asian, encoding="big5")),
    CodePage("cp949", "Korean (EUC-KR)", partial(is_east_asian, encoding="cp949")),
)


def code_page_of(content: bytes) -> CodePage | None:
    """Return the code page that the beginning of a log is surely in, or None where it may be Western.

    Parameters
    ----------
    content : text that is not UTF-8
    """
    head = content[:_HEAD]
    end = len(head) if len(content) <= _HEAD else max(head.rfind(b"\n"), head.rfind(b"\r")) + 1
    lines = dict.fromkeys(line for line in head[:end].splitlines() if not line.isascii())
    return _code_page_of_head(b"\n".join([line for line in lines if not _ROW.match(line)] or lines))


@functools.lru_cache(maxsize=16)
def _code_page_of_head(lines: bytes) -> CodePage | None:
    """Return the code page of some lines; the logs of one recorder have the same ones."""
    if not lines or is_western(lines.decode("cp1252", "replace")):
        return None
    judged = []
    for page in _CODE_PAGES:
        try:
            text = lines.decode(page.encoding)
        except UnicodeDecodeError:
            continue
        if not page.fits(text):
            continue
        match = charset_normalizer.from_bytes(
            lines,
            cp_isolation=[page.encoding],
            threshold=_MOST_DISORDER,
            preemptive_behaviour=False,
            enable_fallback=False,
        ).best()
        if match is not None:
            # How untidy the page makes the lines: the lower, the better.
            judged.append(((match.chaos, -match.coherence, -commonness(str(match))), page))
    judged.sort(key=lambda one: one[0])
    is_sure = len(judged) == 1 or (len(judged) > 1 and judged[0][0] < judged[1][0])
    return judged[0][1] if is_sure else None
