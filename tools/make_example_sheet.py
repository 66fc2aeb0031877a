"""Write docs/example_results.xlsx: a table of results as `report TABLE` reads it, with made-up numbers.

python tools/make_example_sheet.py
"""

from __future__ import annotations

import datetime
import random
from pathlib import Path

import openpyxl
from openpyxl.styles import Font

FILE = Path(__file__).resolve().parents[1] / "docs" / "example_results.xlsx"
GAMES = {"Copper Monsoon": 118.0, "Low Tide Racers": 91.0, "Ninefold Keep": 74.0, "Salt Orchard": 101.0}
HEADINGS = ("order", "game", "tuning", "run", "average FPS", "1 % low FPS", "card power (W)")


def main() -> None:
    """Write the workbook."""
    rng = random.Random(20261120)
    book = openpyxl.Workbook()
    book.properties.created = book.properties.modified = datetime.datetime(2026, 11, 20)
    sheet = book.active
    sheet.title = "results"
    sheet.append(["Made-up numbers: write your own below, one row for each run. Columns may stand in any order."])
    sheet.append([])
    sheet.append(HEADINGS)
    for cell in sheet[3]:
        cell.font = Font(bold=True)
    order = 0
    for run in (1, 2, 3):
        for game, fps in GAMES.items():
            for tuning in rng.sample(("factory", "quiet"), 2):
                order += 1
                rate = fps * (0.996 if tuning == "quiet" else 1.0) * rng.gauss(1, 0.004)
                watts = (241.0 if tuning == "quiet" else 286.0) * rng.gauss(1, 0.006)
                low = rate * 0.78 * rng.gauss(1, 0.008)
                sheet.append([order, game, tuning, run, round(rate, 1), round(low, 1), round(watts)])
    for column, width in zip("ABCDEFG", (8, 20, 12, 6, 14, 14, 16), strict=True):
        sheet.column_dimensions[column].width = width
    book.save(FILE)


if __name__ == "__main__":
    main()
