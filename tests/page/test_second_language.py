"""A second language is a file: every sentence of pages and of results on a terminal comes from the catalogue."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import pytest
from made_reports import MadeReport, write_report
from second_language import said_in_english, wide_catalogue

from gpubench_kit.cli.command import main
from gpubench_kit.cli.report import outcome_lines
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.report.build import write_site_index
from gpubench_kit.wording.catalogue import say, spoken
from gpubench_kit.wording.terms import more_rounds_text, units_text
from tests.page.conftest import GAMES, facts_of, made_up, page_sections, results_of, whole_page, without_verdicts

LABELS = [one.label for one in METRICS.values()]


def test_every_sentence_of_the_page_is_in_the_catalogue(results):
    plan, (finding,) = results.plan, results.findings.itertuples()
    with spoken(wide_catalogue()):
        html = "".join(section._repr_html_() for section in page_sections(results))
    names = [plan.review.title, plan.cards[0].name, *GAMES, *(one.name for one in plan.tunings)]
    # Findings are said by the checks, definitions by the metrics, which the manifest and the tables hold too.
    names += [finding.message, finding.check.replace("_", " "), *(metric.label for metric in METRICS.values())]
    names += [*results.run_metrics["definition"].unique()]
    assert said_in_english(html, names=names) == []


def test_a_sentence_outside_the_catalogue_is_found():
    with spoken(wide_catalogue()):
        html = f"<p>{say('answer.runs', n=3)}</p><p>3 runs of quiet, 1.2 to 3.4 %</p>"
    assert said_in_english(html, names=["quiet"]) == ["3 runs of quiet, 1.2 to 3.4 %"]


@pytest.mark.parametrize("reason", ["", "format_not_confirmed", "not_stated", "confounded"])
def test_every_sentence_around_the_sections_is_in_the_catalogue(review, reason):
    shown = without_verdicts(review, reason=reason) if reason else review
    results = results_of(shown, facts_of=facts_of(shown), pictures="film", version="1.0")
    plan, (finding,) = results.plan, results.findings.itertuples()
    with spoken(wide_catalogue()):
        html = whole_page(results)
    names = [plan.review.title, plan.cards[0].name, *GAMES, *(one.name for one in plan.tunings), *LABELS]
    names += [finding.message, finding.check.replace("_", " "), "PNG", "SVG"]
    names += results.run_metrics["definition"].unique().tolist()
    assert said_in_english(html, names=names) == []


def test_every_sentence_of_small_tunings_is_in_the_catalogue():
    review = made_up(games=GAMES[:3], tunings=("factory", "quiet"), rounds=4)
    small = {"verdict": "worse_but_small", "change": -1.2, "ci_low": -1.6, "ci_high": -0.8}
    shown = replace(review, comparisons=review.comparisons.assign(**small))
    results = results_of(shown, facts_of=facts_of(review))
    with spoken(wide_catalogue()):
        html = "".join(section._repr_html_() for section in page_sections(results)[:4])
    assert said_in_english(html, names=["Larkmoor 4", *GAMES, "factory", "quiet", *LABELS]) == []


def test_every_sentence_of_the_list_of_reports_is_in_the_catalogue(tmp_path):
    made = MadeReport(title="Larkmoor 4", driver="571.1", games=2, rounds=2)
    folder = write_report(tmp_path / "reports" / "one", made, seed=1)
    (folder / "index.html").write_text("", encoding="utf-8")
    with spoken(wide_catalogue()):
        html = write_site_index(tmp_path / "reports").read_text(encoding="utf-8")
    assert "Larkmoor 4" in html
    assert said_in_english(html, names=["Larkmoor 4", "factory", "quiet", *LABELS]) == []


NUMBERS = {
    "same": (["100.1", "100.0", "99.9", "100.0"], ["100.0", "100.1", "99.9", "100.1"], "rounds"),
    "real": (["102.1", "102.6", "101.9"], ["100.0", "101.0", "99.5"], "alternated"),
    "small": (["101.0", "101.1", "101.0", "101.1"], ["100.0", "100.1", "100.0", "100.1"], "rounds"),
    "undecided": (["101.1", "97.6", "103.9"], ["100.0", "103.0", "97.5"], "rounds"),
    "blocks": (["105.1", "105.6", "105.9"], ["100.0", "100.1", "100.5"], "back_to_back"),
    "order": (["102.1", "102.6", "101.9"], ["100.0", "101.0", "99.5"], "not_known"),
    "once": (["102.1"], ["100.0"], "rounds"),
    "longer": (["102.1", "102.6", "101.9"], ["100.0", "101.0"], "alternated"),
}


@pytest.mark.parametrize("case", NUMBERS)
def test_every_sentence_of_a_comparison_on_the_terminal_is_in_the_catalogue(capsys, case):
    of, against, order = NUMBERS[case]
    with spoken(wide_catalogue()):
        main(["compare", *of, "--against", *against, "--order", order])
    lines = capsys.readouterr().out.splitlines()
    # The name of the test is that of the field in the JSON.
    names = [*LABELS, "paired t test", "pooled t test", "Welch's t test"]
    assert said_in_english("<br>".join(lines), names=names) == []


def test_every_outcome_of_many_reports_is_in_the_catalogue():
    many = [
        SimpleNamespace(review="one", outcome=one, seconds=1.0, page="a.html", faults=(), is_compared=place == 0)
        for place, one in enumerate(("made", "up to date", "bad input", "internal error", "lost"))
    ]
    with spoken(wide_catalogue()):
        lines = outcome_lines(many)
    assert said_in_english("<br>".join(lines), names=["one"]) == []


@pytest.mark.parametrize("layout", ["rounds", "restarts"])
@pytest.mark.parametrize("more_runs", [float("nan"), 1.0, 4.0])
@pytest.mark.parametrize("against", ["", "Fernholt 3"])
def test_what_more_runs_would_do_is_in_the_catalogue(layout, more_runs, against):
    row = SimpleNamespace(
        layout=layout, more_runs=more_runs, more_runs_for="whatever", margin_of_twelve=1.5, scale="ratio",
        unit="fps", of_card="", against_card=against,
    )  # fmt: skip
    with spoken(wide_catalogue()):
        told = f"{more_rounds_text(row, None)} {units_text(2, row, None)}"
    assert said_in_english(told, names=["Fernholt 3"]) == []


def test_a_language_without_a_sentence_of_the_page_is_an_error_not_a_gap():
    broken = wide_catalogue()
    entries = {key: text for key, text in broken.entries.items() if key != "answer.runs"}
    with spoken(type(broken)(broken.language, entries)), pytest.raises(KeyError):
        say("answer.runs", n=2)
