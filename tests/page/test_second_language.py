"""A second language is a file: every sentence of the report page comes from the catalogue."""

from __future__ import annotations

from second_language import said_in_english, wide_catalogue

from gpubench_kit.model.metrics import METRICS
from gpubench_kit.wording.catalogue import say, spoken
from tests.page.conftest import GAMES, page_sections


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
