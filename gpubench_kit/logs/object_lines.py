"""Lines that hold one JSON object each: '{"t": 0.5, "frame_ms": 16.7}'. Numbers keep every digit."""

from __future__ import annotations

import json
from dataclasses import dataclass

#: Cells of the table are separated by tabs, which a value has none of.
_BETWEEN_CELLS = "\t"

_WORDS = {None: "", True: "true", False: "false"}


@dataclass(frozen=True)
class ObjectLayout:
    """The keys of the objects, in the order of one of them."""

    keys: tuple[str, ...]

    def heading(self) -> str:
        """Return the keys as a heading."""
        return _BETWEEN_CELLS.join(map(cell_of_value, self.keys))

    def row(self, line: str) -> str | None:
        """Return the values of a line, in the order of the heading.

        A key that is left out has an empty cell. It is the line itself where it is no object with any of the keys,
        and None where it has further ones, or a key twice, or a value that is no text or number.
        """
        pairs = _pairs(line)
        cells = {key: cell_of_value(value) for key, value in pairs if key in self.keys}
        if not cells:
            return line
        if len(cells) < len(pairs) or any(isinstance(value, list) for _, value in pairs):
            return None
        return _BETWEEN_CELLS.join(cells.get(key, "") for key in self.keys)


def layout_of_object(line: str) -> ObjectLayout | None:
    """Return the keys of an object in a line; None where it is none, or not flat.

    Parameters
    ----------
    line : without its end
    """
    pairs = _pairs(line)
    layout = ObjectLayout(tuple(dict.fromkeys(key for key, _ in pairs)))
    return layout if pairs and layout.row(line) is not None else None


def _pairs(line: str) -> list[tuple[str, object]]:
    """Return keys and values of the object in a line; none where there is no object."""
    line = line.strip().rstrip(",")
    if not (line.startswith("{") and line.endswith("}")):
        return []
    try:
        # Objects become lists of pairs, so that a key that stands twice is seen; numbers stay text.
        return json.loads(line, object_pairs_hook=list, parse_float=str, parse_int=str, parse_constant=str)
    except (ValueError, RecursionError):
        return []


def cell_of_value(value: object) -> str:
    """Return a value of a JSON document as the text of a cell."""
    if value is None or isinstance(value, bool):
        return _WORDS[value]
    text = " ".join(str(value).split())
    return '"' + text.replace('"', '""') + '"' if '"' in text else text
