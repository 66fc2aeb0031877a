"""A verdict is one row: a made-up one is allowed, said, marked and explained wherever verdicts are."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from gpubench_kit.model.verdicts import VERDICTS, other_way

#: The row is added before anything else of the kit is loaded, as if it stood in the file.
CODE = """
import json, sys
from gpubench_kit.model import verdicts

verdicts.VERDICTS["far_better"] = verdicts.Verdict(
    "far_better", "far better", "⇧⇩", "vf", "good", frozenset({"up", "far"}), "Better by ten margins or more."
)
from types import SimpleNamespace
from gpubench_kit import plots
from gpubench_kit.archive.gather import ARCHIVE_TABLES
from gpubench_kit.model.table_checks import check_table
from gpubench_kit.model.tables import COMPARISONS, OVERALL
from gpubench_kit.page.charts import Spark, draw
from gpubench_kit.page.elements import verdict_markup
from gpubench_kit.page.headline import is_real
from gpubench_kit.plots.theme import verdict_colour as colour_in_plots
from gpubench_kit.report.earlier_report import _Result
from gpubench_kit.statistics.testing import DIFFERENT, weaker_verdict
from gpubench_kit.wording.terms import mark_of, verdict_word

row = SimpleNamespace(verdict="far_better", metric="pacing_ms", change=12.0)
for table in (COMPARISONS, OVERALL):
    check_table(table.frame([{"metric": "pacing_ms", "verdict": "far_better"}]), table)
sides = dict.fromkeys(("of_card", "of_tuning", "of_bench", "against_card", "against_tuning", "against_bench"), "-")
ends = dict.fromkeys(("change", "ci_low", "ci_high", "margin"), 1.0)
kept = _Result(**sides, **ends, metric="pacing_ms", verdict="far_better")
sys.path.insert(0, sys.argv[1])
import make_reference

print(json.dumps({
    "markup": str(verdict_markup(row)),
    "mark": mark_of(row)[:3],
    "faster": verdict_word("far_better", "avg_fps", 12.0),
    "real": is_real(row),
    "in_charts": str(draw(Spark(12.0, 9.0, 15.0, "far_better", 2.0, 20.0, "%", "95 %"))),
    "in_plots": colour_in_plots("far_better") == colour_in_plots("better"),
    "different": "far_better" in DIFFERENT,
    "weaker": weaker_verdict("far_better", "undecided"),
    "kept": kept.verdict,
    "archive": sum("far_better" in one.allowed for table in ARCHIVE_TABLES.values() for one in table.columns),
    "reference": [line for line in make_reference.verdicts_page() if "far_better" in line],
}))
"""


@pytest.fixture(scope="module")
def found(pytestconfig) -> dict:
    """Return where the made-up verdict was found."""
    tools = str(pytestconfig.rootpath / "tools")
    done = subprocess.run([sys.executable, "-c", CODE, tools], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr[-2000:]
    return json.loads(done.stdout)


def test_tables_manifests_and_archives_may_hold_it(found):
    assert found["kept"] == "far_better"
    assert found["archive"] > 0


def test_the_page_says_its_word_with_its_sign_and_class(found):
    assert found["mark"] == ["far better", "⇧", "vf"]
    assert found["markup"] == '<span class="v vf"><i aria-hidden="true">⇧</i> far better</span>'
    assert found["real"]


def test_a_rate_goes_by_the_number(found):
    assert found["faster"] == "faster"


def test_charts_and_plots_give_it_its_colour(found):
    assert found["in_charts"].count("qgood") == 2
    assert found["in_plots"]


def test_what_it_claims_decides_which_verdict_is_the_weaker(found):
    assert found["different"]
    assert found["weaker"] == "undecided"


def test_the_reference_explains_it(found):
    assert found["reference"] == ["| `far_better` | far better | ⇧ or ⇩ | Better by ten margins or more. |"]


def test_the_other_side_of_a_verdict_has_its_word_turned_round():
    turned = {name: other_way(name) for name in VERDICTS if other_way(name) != name}
    pairs = [("better", "worse"), ("higher", "lower")]
    pairs += [(f"{one}_but_small", f"{other}_but_small") for one, other in pairs]
    assert turned == dict(pairs) | {other: one for one, other in pairs}
    assert {name for name, row in VERDICTS.items() if row.is_open} == {"undecided", "no_verdict"}
