"""A check is one row: made up here, it is found in findings, page, terminal and reference."""

import sys
from pathlib import Path

import pytest

import gpubench_kit as kit
from gpubench_kit.checks import review
from gpubench_kit.checks.evidence import Found
from gpubench_kit.checks.review import CHECKS, Check
from gpubench_kit.wording.catalogue import Catalogue, load_catalogue, spoken

WORDS = {
    "finding.lamp_flickers.text": "{run}: the lamp flickered {times} times{levels}.",
    "finding.lamp_flickers.action": "Change the lamp.",
}
ALL_WORDS = Catalogue("en", {**load_catalogue().entries, **WORDS})
TOOLS = Path(__file__).parents[2] / "tools"


def flickers(evidence):
    """Find it in the first run."""
    yield Found(next(evidence.runs.itertuples()), 7.0, 3.0, {"times": 7})


@pytest.fixture
def one_more_row(monkeypatch):
    """Add the made-up check by its row."""
    row = Check("lamp_flickers", "stop", "times", flickers, asks=True, shown_by=("board_w",))
    monkeypatch.setattr(review, "CHECKS", (*CHECKS, row))
    with spoken(ALL_WORDS):
        yield row


def test_a_made_up_check_is_found_everywhere(one_more_row, mishaps_folder):
    found = kit.check(mishaps_folder)
    (row,) = found.findings[found.findings["check"] == "lamp_flickers"].itertuples()
    assert (row.severity, row.found, row.limit, row.unit) == ("stop", 7.0, 3.0, "times")
    assert row.message.endswith("the lamp flickered 7 times.")
    page = found.section("findings")._repr_html_()
    assert "Lamp flickers" in page
    assert "The lamp flickered 7 times. Change the lamp." in page
    # The run is to be redone, and its verdicts are withheld: on the page and on the terminal.
    assert "lamp_flickers" in found.redo.set_index("run").loc[row.run, "why"]
    assert "lamp flickers" in found.section("redo")._repr_html_()
    assert "lamp_flickers" in set(found._usable["withheld_for"])
    assert "lamp flickers" in str(found)


def test_a_made_up_check_is_in_the_reference(one_more_row, monkeypatch):
    monkeypatch.syspath_prepend(str(TOOLS))
    monkeypatch.delitem(sys.modules, "make_reference", raising=False)
    import make_reference

    monkeypatch.setattr(make_reference, "CHECKS", review.CHECKS)
    monkeypatch.setattr(make_reference, "load_catalogue", lambda: ALL_WORDS)
    line = "| `lamp_flickers` | stop | *run*: the lamp flickered *times* times. | Change the lamp. |"
    assert line in list(make_reference.checks_page())


def test_every_check_has_a_sentence_and_every_name_is_there_once():
    entries = load_catalogue().entries
    for one in CHECKS:
        has_text = any(key.startswith(f"finding.{one.name}.") and key.endswith(".text") for key in entries)
        assert has_text == (one.stage != "reading"), one.name
    assert len({one.name for one in CHECKS}) == len(CHECKS)
