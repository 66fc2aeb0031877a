"""Cut the fonts of page and pictures from the open fonts that they come from; their result is kept in the project.

::

    python tools/cut_fonts.py SOURCES

``SOURCES`` is a folder with ``archivo-latin-standard-normal.woff2`` and ``archivo-latin-ext-standard-normal.woff2``
(Archivo, variable web files, version 5.3.0, SIL Open Font License 1.1 without reserved names) and their
``LICENSE``. The signs are cut from DejaVu Sans Bold, which comes with matplotlib. Needs the dependency group
``fonts``. Written are, for each face, a WOFF2 file that pages embed and a TTF file that PNG pictures are drawn
with, and ``advances.json``: how far each character moves on, in thousandths of the size.

Figures are all of one width: the font's tabular ones stand in the place of its usual ones.
"""

from __future__ import annotations

import io
import json
import shutil
import sys
from pathlib import Path

import matplotlib
from fontTools import merge, subset
from fontTools.ttLib import TTFont
from fontTools.varLib import instancer

TARGET = Path(__file__).resolve().parents[1] / "gpubench_kit" / "page" / "charts" / "fonts"
DEJAVU = Path(matplotlib.get_data_path(), "fonts", "ttf")
FAMILY, SIGNS_FAMILY = "Review Sans", "Review Signs"
#: Face -> weight by which style sheets ask for it, place on the font's axes.
FACES = {
    "regular": (400, {"wght": 400, "wdth": 100}),
    "semibold": (600, {"wght": 600, "wdth": 98}),
    "bold": (700, {"wght": 750, "wdth": 91}),
}
LATIN = {*range(0x20, 0x7F), *range(0xA0, 0x100), *map(ord, "\u2009–—‘’“”„•…€™−")}
LATIN_EXTENDED = {*range(0x100, 0x180), *map(ord, "ȘșȚțẞ")}
SIGNS = "▲▼△▽◆◇●○■□✓✗=?–"
#: Seconds from 1904 to a fixed day: the same files come out whenever they are made.
MADE = 3_800_000_000


def main(sources: Path) -> None:
    """Write every face, the widths and the licences."""
    TARGET.mkdir(parents=True, exist_ok=True)
    advances = {}
    for name, (weight, place) in FACES.items():
        face = _face(sources, place)
        _name(face, FAMILY, weight)
        _write(face, name)
        advances[name] = _advances(face)
    signs = _cut(TTFont(DEJAVU / "DejaVuSans-Bold.ttf"), set(map(ord, SIGNS)))
    _name(signs, SIGNS_FAMILY, 700)
    _write(signs, "signs")
    advances["signs"] = _advances(signs)
    text = json.dumps(advances, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    (TARGET / "advances.json").write_text(text + "\n", encoding="utf-8", newline="\n")
    shutil.copyfile(sources / "LICENSE", TARGET / "LICENSE_ARCHIVO")
    shutil.copyfile(DEJAVU / "LICENSE_DEJAVU", TARGET / "LICENSE_DEJAVU")


def _face(sources: Path, place: dict[str, float]) -> TTFont:
    """Return one static face of both files."""
    parts = []
    for file, wanted in (("latin", LATIN), ("latin-ext", LATIN_EXTENDED)):
        font = TTFont(sources / f"archivo-{file}-standard-normal.woff2", recalcTimestamp=False)
        font.flavor = None
        font = instancer.instantiateVariableFont(font, place)
        _make_figures_tabular(font)
        parts.append(_as_file(_cut(font, wanted & set(font.getBestCmap()))))
    merged = merge.Merger().merge(parts)
    merged.recalcTimestamp = False
    return merged


def _make_figures_tabular(font: TTFont) -> None:
    """Put the tabular figures where the usual ones are."""
    table = font["GSUB"].table if "GSUB" in font else None
    records = table.FeatureList.FeatureRecord if table else []
    for record in (one for one in records if one.FeatureTag == "tnum"):
        for index in record.Feature.LookupListIndex:
            for part in table.LookupList.Lookup[index].SubTable:
                swaps = getattr(getattr(part, "ExtSubTable", part), "mapping", {})
                for encoding in font["cmap"].tables:
                    encoding.cmap = {code: swaps.get(glyph, glyph) for code, glyph in encoding.cmap.items()}


def _cut(font: TTFont, codes: set[int]) -> TTFont:
    """Return the font with these characters only."""
    options = subset.Options()
    options.layout_features = ["kern", "ccmp", "mark"]
    options.hinting = False
    options.name_IDs = [0, 1, 2, 13, 14]
    cutter = subset.Subsetter(options)
    cutter.populate(unicodes=codes)
    cutter.subset(font)
    return font


def _as_file(font: TTFont) -> io.BytesIO:
    """Return a font as a file in memory."""
    file = io.BytesIO()
    font.save(file)
    file.seek(0)
    return file


def _name(font: TTFont, family: str, weight: int) -> None:
    """Give a font its family and weight."""
    font["OS/2"].usWeightClass = weight
    font["OS/2"].usWidthClass = 5
    font["OS/2"].fsSelection = 0x40
    font["head"].macStyle = 0
    names = font["name"]
    for number, text in ((1, family), (2, "Regular"), (4, f"{family} {weight}"), (6, f"ReviewFont-{weight}")):
        names.setName(text, number, 3, 1, 0x409)
    names.names = [one for one in names.names if one.platformID == 3 and one.nameID not in (16, 17, 25)]
    font["head"].created = font["head"].modified = MADE
    font.recalcTimestamp = False


def _write(font: TTFont, name: str) -> None:
    """Write a face in both forms."""
    font.flavor = None
    font.save(TARGET / f"{name}.ttf")
    font.flavor = "woff2"
    font.save(TARGET / f"{name}.woff2")


def _advances(font: TTFont) -> dict[str, int]:
    """Return how far each character moves on, in thousandths of the size."""
    unit = font["head"].unitsPerEm
    return {chr(code): round(1000 * font["hmtx"][glyph][0] / unit) for code, glyph in font.getBestCmap().items()}


if __name__ == "__main__":
    main(Path(sys.argv[1]))
