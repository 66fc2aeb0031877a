"""Measure how often the kit errs and show it beside what is promised: a table, a picture, a part of a page.

::

    python tools/make_calibration.py           measure on all cores (an hour), write and draw
    python tools/make_calibration.py WORD ...  measure experiments whose name has one of the words, keep the others
    python tools/make_calibration.py --daily   measure in the few reviews of daily tests only
    python tools/make_calibration.py --power   measure only the power of printed verdicts
    python tools/make_calibration.py --draw    show what was measured before
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

import joblib
import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from gpubench_kit.palette import TOKENS

ROOT = Path(__file__).resolve().parents[1]
PROMISES = ROOT / "tests" / "error_rates" / "promises.csv"
TABLE = ROOT / "docs" / "calibration.csv"
PICTURE = ROOT / "docs" / "pictures" / "calibration.svg"
PAGE = ROOT / "docs" / "statistics.md"
POWER = ROOT / "docs" / "power.csv"
POWER_START = "<!-- power, made by tools/make_calibration.py -->\n"
#: What was found in all reviews, from how many, and what in those of a day.
FOUND = ["found", "standard_error", "suites", "daily"]
START, END = "<!-- made by tools/make_calibration.py -->\n", "<!-- end -->\n"

INK, MUTED, RULE, BAND, KIT, CONTROL = (TOKENS[token][0] for token in ("i", "m", "r", "band", "t1", "t3"))
KIT_MARK = {"marker": "o", "color": KIT}
CONTROL_MARK = {"marker": "D", "color": CONTROL, "markerfacecolor": "none"}
TITLES = {
    "error": "False claims: share of comparisons [%], log scale; an arrow is 0. The line is 5 %.",
    "power": "Right claims, and the four outcomes: share of comparisons [%]",
    "coverage": "Intervals that hold the truth [%]. The line is 95 %.",
}
EXACT = {
    21: "planner: rounds needed by spread and question, own and borrowed noise",
    22: "planner: chances and smallest difference at a spread of 1.0 %, five rounds",
    23: "planner: the same at 0.6 %, three rounds",
    24: "stability: upper limit of a failure rate",
}
NOISES = {"design": "as below", "uniform": "0.6 to 1.5 %"}
#: Kinds of promises in each panel of the picture; a control is a rule that the kit does not use.
PANELS = {
    "error": ("error", "refusal", "control"),
    "power": ("power", "outcome", "power control"),
    "coverage": ("coverage", "coverage control"),
}
#: Where the logarithmic axis of false claims begins and ends [%].
ERROR_AXIS = (0.9, 70.0)


def measure(words: list[str], *, whole: bool = True) -> pd.DataFrame:
    """Return the promises with what is found now, in all reviews and in those of a day.

    Parameters
    ----------
    words : parts of names of the experiments to measure; empty for all; others keep what was found before
    whole : whether all reviews are made, or only those of a day
    """
    sys.path.insert(0, str(ROOT / "tests" / "support"))
    from error_rates import EXPERIMENTS

    names = [name for name in EXPERIMENTS if not words or any(word in name for word in words)]
    results = joblib.Parallel(n_jobs=-1)(joblib.delayed(_run)(name, whole=whole) for name in names)
    found = dict(zip(names, results, strict=True))
    before = pd.read_csv(TABLE).reindex(columns=["experiment", "measured", *FOUND])
    table = pd.read_csv(PROMISES).merge(before, on=["experiment", "measured"], how="left")
    for place, row in table.iterrows():
        for of_day, one in found.get(row["experiment"], {}).items():
            name = row["measured"]
            table.loc[place, "daily" if of_day else "found"] = round(one[name].value, 6)
            if not of_day:
                table.loc[place, ["standard_error", "suites"]] = (
                    round(one[name].standard_error, 6),
                    one[name].suites,
                )
    return table.astype({"suites": int})


def _run(name: str, *, whole: bool) -> dict[bool, dict]:
    """Run one experiment in a process of its own: in the reviews of a day (True), and in all (False)."""
    sys.path.insert(0, str(ROOT / "tests" / "support"))
    from error_rates import DAILY_SUITES, EXPERIMENTS, with_suites

    with with_suites(DAILY_SUITES):
        found = {True: EXPERIMENTS[name]()}
    return found | ({False: EXPERIMENTS[name]()} if whole else {})


def measure_power() -> pd.DataFrame:
    """Return the power of printed verdicts."""
    sys.path.insert(0, str(ROOT / "tests" / "support"))
    from power_of_verdicts import table

    return table().round(2)


def power_text(table: pd.DataFrame) -> str:
    """Return the power of printed verdicts as a Markdown table."""
    head = [
        "noise",
        "tunings",
        "rounds",
        "a game: same at 0",
        "found at +2 %",
        "all games: same at 0",
        "found at +1 %",
    ]
    names = ["games, alike", "games, +2 %", "overall, alike", "overall, +1 %"]
    lines = [f"| {' | '.join(head)} |", f"| {' | '.join(['--:'] * len(head))} |"]
    for row in table.to_dict("records"):
        shares = " | ".join(f"{row[name]:.1f} %" for name in names)
        lines.append(f"| {NOISES[row['noise']]} | {row['tunings']} | {row['rounds']} | {shares} |")
    return "\n".join(lines) + "\n"


def with_table(page: str, text: str, start: str = START) -> str:
    """Return the page with a table between its marks."""
    before, _, rest = page.partition(start)
    after = rest.partition(END)[2]
    return f"{before}{start}\n{text}\n{END}{after}"


def table_text(table: pd.DataFrame) -> str:
    """Return promised and found as a Markdown table; exact numbers in one line for each row of promises."""
    lines = ["| row | case | promised | found |", "| --: | --- | --: | --: |"]
    for number, part in table.groupby("row"):
        if (part["kind"] == "exact").all():
            right = ((part["found"] - part["promised"]).abs() <= part["tolerance"]).sum()
            lines.append(f"| {number} | {EXACT[number]} | {len(part)} numbers | {right} found |")
        else:
            lines += map(_line, part.itertuples())
    return "\n".join(lines) + "\n"


def with_picture(page: str, table: pd.DataFrame) -> str:
    """Return the page with the picture's line made from the table."""
    return re.sub(rf"!\[.*\]\(pictures/{PICTURE.name}\)", lambda _: picture_text(table), page)


def _line(row: tuple) -> str:
    """Return the line of one promise."""
    what = f"{row.what} *(control)*" if row.kind.endswith("control") else row.what
    unit, digits = ("", 2) if row.unit == "rounds" else (" %", 2 if row.kind == "width" else 1)
    numbers = f"{row.promised:.{digits}f}{unit} ± {row.tolerance:.{digits}f} | {row.found:.{digits}f}{unit}"
    return f"| {row.row} | {what} | {numbers} |"


def picture_text(table: pd.DataFrame) -> str:
    """Return the line of the page that shows the picture, with what it shows in words."""
    kinds = [kind for panel in PANELS.values() for kind in panel]
    drawn = table[(table["unit"] == "%") & table["kind"].isin(kinds)]
    by_kit = drawn[~drawn["kind"].str.endswith("control")]
    kept = (by_kit["found"] - by_kit["promised"]).abs() <= by_kit["tolerance"]
    false, control = by_kit[by_kit["kind"] == "error"], drawn.loc[drawn["kind"] == "control", "found"]
    most = false.loc[false["found"].idxmax()]
    words = (
        "Promised and found shares, one line for each case. "
        f"Of {len(by_kit)} shares found by the kit {kept.sum()} lie inside the promised bands. Its false claims: "
        f"{false['found'].median():.1f} % in the middle, at most {most['found']:.1f} % (row {most['row']}). "
        f"Rules that the kit does not use: {control.min():.1f} to {control.max():.1f} % false claims."
    )
    return f"![{words}](pictures/{PICTURE.name})"


def draw(table: pd.DataFrame) -> Figure:
    """Return the picture: what is promised with its tolerance as a band, what is found as a mark."""
    in_percent = table[table["unit"] == "%"]
    panels = {name: in_percent[in_percent["kind"].isin(kinds)] for name, kinds in PANELS.items()}
    heights = [len(part) + 1 for part in panels.values()]
    figure = Figure(figsize=(10, 0.25 * sum(heights) + 1.6), layout="constrained")
    axes = figure.subplots(len(panels), height_ratios=heights)
    for axis, (name, part) in zip(axes, panels.items(), strict=True):
        _draw_panel(axis, part, TITLES[name])
    axes[0].set_xscale("log")
    axes[0].set_xlim(*ERROR_AXIS)
    axes[0].set_xticks([1, 2, 5, 10, 20, 50], labels=["1", "2", "5", "10", "20", "50"])
    axes[0].xaxis.set_minor_locator(mpl.ticker.NullLocator())
    axes[0].axvline(5, color=MUTED, linewidth=1, zorder=1)
    axes[1].set_xlim(-1, 101)
    axes[2].set_xlim(80, 100)
    axes[2].axvline(95, color=MUTED, linewidth=1, zorder=1)
    _draw_key(figure)
    return figure


def _draw_panel(axis, part: pd.DataFrame, title: str) -> None:
    """Draw one row for each promise."""
    places = np.arange(len(part))
    low, width = part["promised"] - part["tolerance"], 2 * part["tolerance"]
    axis.barh(places, width, left=low, height=0.7, color=BAND, edgecolor=RULE, zorder=2)
    axis.scatter(part["promised"], places, marker="|", s=90, color=MUTED, zorder=3)
    for place, row in zip(places, part.itertuples(), strict=True):
        mark = CONTROL_MARK if row.kind.endswith("control") else KIT_MARK
        if row.kind in PANELS["error"] and row.found < ERROR_AXIS[0]:
            # No logarithmic axis has a place for it.
            axis.plot(ERROR_AXIS[0], place, markersize=5.5, zorder=4, clip_on=False, **mark | {"marker": "<"})
        else:
            axis.errorbar(row.found, place, xerr=2 * row.standard_error, markersize=5.5, zorder=4, **mark)
    labels = [f"{row.what}  ({row.row})" for row in part.itertuples()]
    axis.set_yticks(places, labels=labels, fontsize=8)
    axis.set_ylim(len(part) - 0.4, -0.6)
    axis.set_title(title, loc="left", fontsize=10, color=INK)
    axis.tick_params(colors=INK, length=0, labelsize=8)
    axis.grid(axis="x", color=RULE, linewidth=0.6, zorder=0)
    axis.set_axisbelow(True)
    axis.spines[:].set_visible(False)


def _draw_key(figure: Figure) -> None:
    """Draw what marks and bands mean."""
    handles = [
        mpl.patches.Patch(facecolor=BAND, edgecolor=RULE, label="promised, with its tolerance"),
        mpl.lines.Line2D([], [], linestyle="none", label="found, the kit", **KIT_MARK),
        mpl.lines.Line2D([], [], linestyle="none", label="found, a rule that the kit does not use", **CONTROL_MARK),
    ]
    figure.legend(handles=handles, loc="outside lower center", ncols=3, frameon=False, fontsize=8)


def main(arguments: list[str]) -> None:
    """Write the numbers unless only their showing is asked for, then page and picture."""
    words = [word for word in arguments if not word.startswith("--")]
    if not arguments or words or "--daily" in arguments:
        found = measure(words, whole="--daily" not in arguments)
        found.to_csv(TABLE, index=False, lineterminator="\n")
    if not arguments or "--power" in arguments:
        measure_power().to_csv(POWER, index=False, lineterminator="\n")
    table, page = pd.read_csv(TABLE), PAGE.read_text(encoding="utf-8")
    page = with_table(with_table(page, table_text(table)), power_text(pd.read_csv(POWER)), POWER_START)
    PAGE.write_text(with_picture(page, table), encoding="utf-8")
    PICTURE.parent.mkdir(exist_ok=True)
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": "calibration", "font.family": "sans-serif"}):
        draw(table).savefig(PICTURE, format="svg", metadata={"Date": None, "Creator": None})


if __name__ == "__main__":
    main(sys.argv[1:])
