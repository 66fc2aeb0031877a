"""Print the numbers of the house: modules, lines of code of each part against its budget, functions, imports.

::

    python tools/measure_house.py
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "support"))

from house_numbers import BUDGETS, MOST_MODULES, ONE_CALLER_GOAL, REST_BUDGET, House, measure
from source_trees import package_modules


def lines_of(house: House) -> list[str]:
    """Return what was measured, line by line, each with its goal where it has one."""
    left, rows = dict(house.code_lines), []
    for parts, budget in BUDGETS.items():
        rows.append((" + ".join(parts), sum(left.pop(part, 0) for part in parts), budget))
    rest = ", ".join(f"{part} {count}" for part, count in sorted(left.items(), key=lambda one: -one[1]))
    rows.append(("all else", sum(left.values()), REST_BUDGET))
    return [
        f"{'modules':36}{house.modules:8,}   goal {MOST_MODULES}",
        f"{'lines of code':36}{sum(house.code_lines.values()):8,}   goal {sum(BUDGETS.values()) + REST_BUDGET:,}",
        *(f"  {name:34}{count:8,}   budget {budget:,}" for name, count, budget in rows),
        f"    ({rest})",
        f"{'functions':36}{house.functions:8,}",
        f"{'helpers with one caller':36}{house.one_caller:8,}   "
        f"{house.one_caller_share:.1f} % of functions, goal {ONE_CALLER_GOAL} %",
        f"{'lines that import':36}{house.import_lines:8,}   {house.import_share:.1f} % of the code",
    ]


if __name__ == "__main__":
    print("\n".join(lines_of(measure(package_modules()))))
