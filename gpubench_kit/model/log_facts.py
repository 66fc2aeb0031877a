"""What is known of a log before it belongs to a run: a value, so that sheets can be made without reading logs."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path


@dataclass(frozen=True)
class LogFacts:
    """Facts of one file.

    Attributes
    ----------
    path : of the file
    kind : ``frames``, ``sensors``, ``sampled`` (rates or frame times once in a while), ``unclear`` (it asks) or
        ``none``
    sha256 : hash of its bytes; empty where it could not be read
    file_time_s : when it was last written, seconds since 1970; nan where unknown
    started_at_s : stamp of its first row, seconds since 1970, or of the day; nan without
    clock_kind : ``zoned``, ``dated`` or ``time_of_day``; empty without a stamp
    length_s : from the first frame or sample to the last [s]; nan where unknown
    mean_fps : frames over time; nan where unknown
    preamble : keys and values of lines above the heading, as written
    format_id : short name of its format, which logs of one recorder share
    seen : its heading cells, joined
    certainty : of its frame times, or the least of its sensors: ``proven``, ``stated``, ``likely`` or ``open``
    columns : role or metric, heading, unit and certainty of each column that is used
    questions : what it asks, in sentences
    paste : lines for the plan that answer, without the card; empty where nothing is asked
    fault : why it cannot be used; empty where it can
    """

    path: Path
    kind: str
    sha256: str = ""
    file_time_s: float = float("nan")
    started_at_s: float = float("nan")
    clock_kind: str = ""
    length_s: float = float("nan")
    mean_fps: float = float("nan")
    preamble: tuple[tuple[str, str], ...] = ()
    format_id: str = ""
    seen: str = ""
    certainty: str = ""
    columns: tuple[tuple[str, str, str, str], ...] = ()
    questions: tuple[str, ...] = ()
    paste: str = ""
    fault: str = ""

    def entry(self, card: str) -> str:
        """Return the entry of ``[[logs.format]]`` that confirms what is likely of this log, as lines.

        Parameters
        ----------
        card : name of the card whose log it is
        """
        about = {"card": card, "id": self.format_id, "seen": self.seen}
        head = [f"{key} = {quoted(text)}" for key, text in about.items()]
        return "\n".join(["[[logs.format]]", *head, *self.paste.splitlines()]) + "\n"


def quoted(text: str) -> str:
    """Return a text as a TOML string, as it stands in a plan.

    Parameters
    ----------
    text : any text
    """
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
