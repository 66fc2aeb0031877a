"""Could a text, decoded in one code page, be words? Told by its letters beyond ASCII alone.

A wrong code page gives itself away: letters of no one language, capitals inside words, words without a vowel,
characters that hardly any text has. Signs that headings share in all languages (``°``, ``µ``, ``²``) say nothing.
"""

from __future__ import annotations

import itertools
import re

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
    n_common = sum(_is_common(character.encode(encoding), encoding) for character in characters)
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


def _is_common(character: bytes, encoding: str) -> bool:
    """Return whether the two bytes of a character are among those of ordinary text."""
    lead, second = character[0], character[-1]
    return any(first <= lead <= last and second >= lowest for first, last, lowest in _COMMON[encoding])
