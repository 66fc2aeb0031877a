"""Made-up spreadsheets as reviewers keep them, with the truth: shapes, languages, units, sums, merged cells."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from pathlib import Path

import openpyxl

from gpubench_kit.sheet.draft import Draft, all_questions
from gpubench_kit.sheet.from_table import draft_from_grids
from gpubench_kit.sheet.text import Grid

GAMES = ("Copper Monsoon", "Low Tide Racers", "Ninefold Keep")
TUNINGS = ("factory", "quiet")

Key = tuple[str, str, int]


@dataclass(frozen=True)
class MadeTable:
    """One table: its rows, the truth as (game, tuning, round) -> metric -> value, keys of expected questions."""

    rows: list[list[str]]
    truth: dict[Key, dict[str, float]]
    asks: frozenset[str] = frozenset()
    title: str = ""
    free_tunings: bool = field(default=False)


def values(games=GAMES, tunings=TUNINGS, rounds=3, seed=1) -> dict[Key, dict[str, float]]:
    """Return made-up values of each run."""
    rng = random.Random(seed)
    return {
        (game, tuning, n): {"avg_fps": round(rng.uniform(70, 140), 1),
                            "low_1pct_fps": round(rng.uniform(50, 69), 1),
                            "board_w": round(rng.uniform(210, 310), 1)}
        for game in games for tuning in tunings for n in range(1, rounds + 1)
    }  # fmt: skip


def only(truth: dict[Key, dict[str, float]], *metrics: str) -> dict[Key, dict[str, float]]:
    """Return the truth of some metrics."""
    return {key: {name: row[name] for name in metrics} for key, row in truth.items()}


def long(head: list[str], truth: dict[Key, dict[str, float]], line, *, above=(), **about) -> MadeTable:
    """Return a table with one row per run."""
    return MadeTable([*above, head, *(line(key, row) for key, row in truth.items())], truth, **about)


def comma(value: float) -> str:
    """Return a number with a decimal comma."""
    return f"{value:.1f}".replace(".", ",")


def made_tables() -> dict[str, MadeTable]:
    """Return the tables by name."""
    every = values()
    fps, lows = only(every, "avg_fps"), only(every, "avg_fps", "low_1pct_fps")
    watts = only(every, "avg_fps", "board_w")
    order, watt = frozenset({"typed_order"}), frozenset({"typed_order", "column.Power (W)"})
    tables = {
        "plain": long(["game", "tuning", "run", "avg_fps"], fps,
                      lambda k, r: [*k[:2], str(k[2]), str(r["avg_fps"])], asks=order),
        "titles above and blank rows": long(
            ["Game", "Tuning", "Run", "Average FPS", "1% Low"], lows,
            lambda k, r: [*k[:2], str(k[2]), str(r["avg_fps"]), str(r["low_1pct_fps"])],
            above=(["Larkmoor 4, November", "", "", "", ""], ["", "", "", "", ""]), asks=order),
        "decimal commas": long(["Spiel", "Profil", "Lauf", "Ø FPS", "1 % Low (FPS)"], lows,
                               lambda k, r: [*k[:2], str(k[2]), comma(r["avg_fps"]), comma(r["low_1pct_fps"])],
                               asks=order),
        "units in the cells": long(["Game", "Tuning", "Run", "Avg", "GPU board power"], watts,
                                   lambda k, r: [*k[:2], str(k[2]), f"{r['avg_fps']} fps", f"{r['board_w']} W"],
                                   asks=order),
        "a row of units": MadeTable(
            [["Game", "Tuning", "Run", "Mean", "Card power"], ["", "", "", "[fps]", "[W]"],
             *([*k[:2], str(k[2]), str(r["avg_fps"]), str(r["board_w"])] for k, r in watts.items())], watts, order),
        "likely watts": long(["Game", "Tuning", "Run", "Avg FPS", "Power (W)"], watts,
                             lambda k, r: [*k[:2], str(k[2]), str(r["avg_fps"]), str(r["board_w"])], asks=watt),
        "processor and extremes": long(
            ["Game", "Tuning", "Run", "Avg FPS", "Min FPS", "Max FPS", "CPU °C"], fps,
            lambda k, r: [*k[:2], str(k[2]), str(r["avg_fps"]), "31.0", "201.5", "71"], asks=order),
        "capitals and blanks in names": long(
            ["Game", "Tuning", "Run", "Avg FPS"], fps,
            lambda k, r: [k[0].upper() if k[2] == 2 else k[0], f" {k[1].title()} " if k[2] == 3 else k[1],
                          str(k[2]), str(r["avg_fps"])], asks=order),
        "numbers through the sheet": MadeTable(
            [["Nr", "Game", "State", "Avg FPS"],
             *([str(n), k[0], k[1], str(r["avg_fps"])] for n, (k, r) in enumerate(fps.items(), start=1))],
            fps, order | {"running"}),
        "an order": MadeTable(
            [["Game", "Tuning", "Round", "Order", "Avg FPS"],
             *([k[0], k[1], str(k[2]), str(n), str(r["avg_fps"])]
               for n, (k, r) in enumerate(fps.items(), start=1))], fps),
        "no run numbers": long(["Game", "Tuning", "Avg FPS"], fps, lambda k, r: [*k[:2], str(r["avg_fps"])],
                               asks=order),
        "tunings without a heading word": long(
            ["Game", "Card state now", "Run", "Avg FPS"], fps,
            lambda k, r: [k[0], k[1], str(k[2]), str(r["avg_fps"])], asks=order),
    }  # fmt: skip
    return tables | _shaped(every, fps, lows) | _further(fps, lows)


def _shaped(every, fps, lows) -> dict[str, MadeTable]:
    """Return tables of other shapes than one row per run."""
    order = frozenset({"typed_order"})
    merged = [["Game", "Tuning", "Run", "Avg FPS"]]
    summed = [["Game", "Tuning", "Run", "Avg FPS"]]
    parted = [["", "", "", ""], ["Tuning", "Run", "Avg FPS", ""]]
    for game in GAMES:
        parted.append([game, "", "", ""])
        for tuning in TUNINGS:
            for n in (1, 2, 3):
                value = str(fps[game, tuning, n]["avg_fps"])
                merged.append(
                    [game if (tuning, n) == ("factory", 1) else "", tuning if n == 1 else "", str(n), value]
                )
                summed.append([game, tuning, str(n), value])
                parted.append([tuning, str(n), value, ""])
            summed.append(["Mean", "", "", "100.0"])
    numbered = ["factory 1", "factory 2", "factory 3", "quiet 1", "quiet 2", "quiet 3"]
    wide = [["Average FPS", *[""] * 6], ["Game", *numbered]]
    once = {key: row for key, row in fps.items() if key[2] == 1}
    short = [["Game", "factory", "quiet"]]
    turned = [["State", *GAMES]]
    two = [["", "factory", "", "quiet", ""], ["Game", "Avg FPS", "1% low", "Avg FPS", "1% low"]]
    for game in GAMES:
        wide.append([game, *(str(fps[game, t, n]["avg_fps"]) for t in TUNINGS for n in (1, 2, 3))])
        short.append([game, *(str(fps[game, t, 1]["avg_fps"]) for t in TUNINGS)])
        two += [[game if n == 1 else "",
                 *(str(lows[game, t, n][m]) for t in TUNINGS for m in ("avg_fps", "low_1pct_fps"))]
                for n in (1, 2, 3)]  # fmt: skip
    turned += [[t, *(str(fps[game, t, 1]["avg_fps"]) for game in GAMES)] for t in TUNINGS]
    strange = values(tunings=("Alpha", "Beta"), rounds=1)
    crossed = [["Average FPS", "", ""], ["Title", "Alpha", "Beta"]]
    crossed += [[game, *(str(strange[game, t, 1]["avg_fps"]) for t in ("Alpha", "Beta"))] for game in GAMES]
    unknown = only(strange, "avg_fps")
    return {
        "merged cells": MadeTable(merged, fps, order),
        "rows of means": MadeTable(summed, fps, order),
        "games between the rows": MadeTable(parted, fps, order),
        "wide with numbers": MadeTable(wide, fps, order),
        "wide, one run each": MadeTable([["Average FPS", "", ""], *short], once),
        "wide, of which metric": MadeTable(short, once, frozenset({"column.the numbers"})),
        "turned": MadeTable([["Avg FPS", "", "", ""], *turned], once),
        "two storeys": MadeTable(two, lows, order),
        "strange tunings in columns": MadeTable(crossed, unknown, frozenset({"roles", "reference"}), "", True),
    }


def _further(fps, lows) -> dict[str, MadeTable]:
    """Return tables whose numbers have their labels in unusual places."""
    order, numbers = frozenset({"typed_order"}), frozenset({"column.the numbers"})
    blocks: list[list[str]] = [["Larkmoor 4, average FPS, March", "", "", "", ""]]
    for game in GAMES:
        blocks += [[game, "", "", "", ""], ["Tuning", "Run 1", "Run 2", "Run 3", "Avg"]]
        blocks += [[t, *(str(fps[game, t, n]["avg_fps"]) for n in (1, 2, 3)), "100.0"] for t in TUNINGS]
    runs_below = [["Setting", *(game for game in GAMES for _ in range(3))], ["Run", *"123123123"]]
    runs_below += [[t, *(str(fps[game, t, n]["avg_fps"]) for game in GAMES for n in (1, 2, 3))] for t in TUNINGS]
    deltas = [["Game", "Setting", "Run", "Avg FPS", "1 %", "vs factory"]]
    deltas += [[*k[:2], str(k[2]), str(r["avg_fps"]), str(r["low_1pct_fps"]), "1.5 %"] for k, r in lows.items()]
    timed = [["Nr", "Date", "Game", "Tuning", "Avg FPS"]]
    timed += [[str(n), f"2026-03-01 18:{4 * n // 60:02d}:{4 * n % 60:02d}", k[0], k[1], str(r["avg_fps"])]
              for n, (k, r) in enumerate(fps.items(), start=1)]  # fmt: skip
    return {
        "blocks with runs in columns": MadeTable(blocks, fps, order),
        "run numbers below the heading": MadeTable(runs_below, fps, order | numbers),
        "changes beside the values": MadeTable(deltas, lows, order),
        "times": MadeTable(timed, fps),
    }


def random_table(rng: random.Random) -> MadeTable:
    """Return a table of a random layout, with columns in random order and of random headings."""
    truth = only(values(seed=rng.randrange(10**6), rounds=rng.choice((1, 2, 3))), "avg_fps", "low_1pct_fps")
    columns = {
        "game": (rng.choice(("Game", "Spiel", "Title", "Jeu")), lambda k, _: k[0]),
        "tuning": (rng.choice(("Tuning", "State", "Profil", "Mode")), lambda k, _: k[1]),
        "run": (rng.choice(("Run", "Lauf", "#", "Round", "Nr.")), lambda k, _: str(k[2])),
        "avg": (
            rng.choice(("Avg FPS", "Average FPS", "Ø FPS", "avg_fps", "FPS (mean)")),
            lambda _, r: r["avg_fps"],
        ),
        "low": (rng.choice(("1% Low", "1 % low FPS", "P99 FPS", "low_1pct_fps")), lambda _, r: r["low_1pct_fps"]),
        "note": ("Notes", lambda *_: rng.choice(("", "warm room", "fan at 40 %"))),
        "cpu": (rng.choice(("CPU W", "CPU temp", "Max FPS")), lambda *_: rng.uniform(50, 90)),
    }
    names = rng.sample(sorted(columns), len(columns))
    text = comma if rng.random() < 0.5 else "{:.1f}".format
    rows = [[columns[name][0] for name in names]]
    for key, row in truth.items():
        cells = [columns[name][1](key, row) for name in names]
        rows.append([text(cell) if isinstance(cell, float) else cell for cell in cells])
    above = [["bench notes", *[""] * (len(names) - 1)]] * rng.choice((0, 1))
    return MadeTable([*above, *rows], truth)


def write_workbook(file: Path, sheets: dict[str, list[list[str]]]) -> Path:
    """Write tables as a workbook, numbers as numbers."""
    book = openpyxl.Workbook()
    book.remove(book.active)
    for title, rows in sheets.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append([_typed(cell) for cell in row])
    book.save(file)
    return file


def _typed(cell: str) -> str | float | None:
    """Return a cell as a spreadsheet holds it."""
    try:
        return float(cell)
    except ValueError:
        return cell or None


TABLES_BY_NAME = made_tables()


def grid(rows: list[list[str]], title: str = "November") -> Grid:
    """Return rows as a sheet."""
    width = max(map(len, rows))
    cells = ((line, (*row, *[""] * (width - len(row)))) for line, row in enumerate(rows, start=1) if any(row))
    return Grid(title, tuple(cells))


def drafted(made: MadeTable | list[list[str]], **answers: str) -> Draft:
    """Return the draft of a table."""
    rows = made.rows if isinstance(made, MadeTable) else made
    return draft_from_grids([grid(rows)], "larkmoor.xlsx", answers)


def asked(draft: Draft, **answers: str) -> set[str]:
    """Return the keys of the questions."""
    return {one.key for one in all_questions(draft, answers)}


def values_of(draft: Draft) -> dict:
    """Return the values of the draft as the truth is kept: (game, tuning, round) -> metric -> value."""
    found = {}
    for row in draft.rows:
        metrics = {name: float(cell.value) for name, cell in row.cells.items() if name.endswith(("_fps", "_w"))}
        found[row.value("game"), row.value("tuning"), int(row.value("round"))] = metrics
    return found
