"""Which code page are the headings of a log in, that is neither UTF-8 nor UTF-16?

Values are the same in every code page; headings are not. Two must agree before the Western one is left:
``alphabets`` finds words in the decoded text, and charset-normalizer finds it tidy. A log in ASCII or UTF-8 comes
nowhere near, so the library is loaded at the first log that asks for it.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from gpubench_kit.late_loading import loaded_when_used
from gpubench_kit.logs.alphabets import (
    commonness,
    is_central_european,
    is_cyrillic,
    is_east_asian,
    is_greek,
    is_turkish,
    is_western,
)

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
    return _code_page_of_head(_telling_lines(content))


def _telling_lines(content: bytes) -> bytes:
    """Return the lines of a log's beginning that hold more than ASCII, each once; rows only if no others do."""
    head = content[:_HEAD]
    end = len(head) if len(content) <= _HEAD else max(head.rfind(b"\n"), head.rfind(b"\r")) + 1
    lines = dict.fromkeys(line for line in head[:end].splitlines() if not line.isascii())
    return b"\n".join([line for line in lines if not _ROW.match(line)] or lines)


@functools.lru_cache(maxsize=16)
def _code_page_of_head(lines: bytes) -> CodePage | None:
    """Return the code page of some lines; the logs of one recorder have the same ones."""
    if not lines or is_western(lines.decode("cp1252", "replace")):
        return None
    possible = [page for page in _CODE_PAGES if _fits(page, lines)]
    judged = [(rank, page) for page in possible if (rank := _disorder(lines, page.encoding)) is not None]
    judged.sort(key=lambda one: one[0])
    is_sure = len(judged) == 1 or (len(judged) > 1 and judged[0][0] < judged[1][0])
    return judged[0][1] if is_sure else None


def _fits(page: CodePage, lines: bytes) -> bool:
    """Return whether some lines could be words in a code page."""
    try:
        return page.fits(lines.decode(page.encoding))
    except UnicodeDecodeError:
        return False


def _disorder(lines: bytes, encoding: str) -> tuple[float, float, float] | None:
    """Return how untidy a code page makes some lines: the lower, the better; None where it is refused."""
    match = charset_normalizer.from_bytes(
        lines, cp_isolation=[encoding], threshold=_MOST_DISORDER, preemptive_behaviour=False, enable_fallback=False
    ).best()
    if match is None:
        return None
    return match.chaos, -match.coherence, -commonness(str(match))
