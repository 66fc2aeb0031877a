"""The page of `check`: runs to redo first, each finding with its picture, and never a difference."""

from __future__ import annotations

import html
import re

import pytest
from second_language import said_in_english, wide_catalogue

import gpubench_kit as kit
from gpubench_kit import page
from gpubench_kit.checks import POSSIBLE, REDO
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.plan.rules import list_limits
from gpubench_kit.model.tables import ALL_TABLES, USABLE
from gpubench_kit.model.verdicts import VERDICTS
from gpubench_kit.page.method import finding_text
from gpubench_kit.report.notebook_run import check_page
from gpubench_kit.wording.catalogue import spoken
from gpubench_kit.wording.numbers import value_text
from tests.check_command.conftest import PLANTED, Checked

STOPPED = [one for one in PLANTED if one.kind in ("cap", "tuning_lost")]
ODD = [
    one
    for one in PLANTED
    if one.kind in ("gap", "loading_pause", "short_run", "background_load") and not one.excluded
]
#: Kind of mishap -> what its picture says.
MARKED = {"gap": "frames are missing", "short_run": r"end, 3\.\d s of frames at [34] s", "loading_pause": " ms at "}


def block_of(checked: Checked, run: str) -> str:
    """Return what the page shows of one run."""
    body = checked.sections["findings"].text
    start = body.index(f'id="run-{run}"')
    return body[start : body.find("<h3", start) % (len(body) + 1)]


def words_of(markup: str) -> str:
    """Return the words that a reader meets, text alternatives included."""
    labels = " ".join(re.findall(r'aria-label="([^"]*)"', markup))
    return html.unescape(f"{re.sub('<[^>]+>', ' ', markup)} {labels}")


def test_runs_that_verdicts_need_come_first_on_the_list_for_the_bench(mishaps):
    body = mishaps.sections["redo"].text
    first, then = body.split("Look for a cause")
    assert all(f"#run-{mishaps.run_of(one)}" in first for one in STOPPED)
    assert all(f"#run-{mishaps.run_of(one)}" in then for one in ODD)
    told = mishaps.sections["result"].text
    assert "2 runs have to be redone." in told
    asked = mishaps.redo[~mishaps.redo["is_needed"]]
    named = [f"{row.run} ({row.why.replace('_', ' ')})" for row in asked.itertuples()][:3]
    assert f"{len(asked)} further runs ask for a cause first: {', '.join(named)}" in told


def test_a_run_excluded_and_repeated_is_not_on_the_list(mishaps):
    excluded = mishaps.runs.loc[mishaps.runs["excluded_for"] == "crash", "run"]
    assert len(excluded) == 1
    assert excluded.iloc[0] not in set(mishaps.redo["run"])


@pytest.mark.parametrize("mishap", [*STOPPED, *ODD], ids=lambda one: one.kind)
def test_each_finding_has_its_picture_with_the_place_marked(mishaps, mishap):
    block = block_of(mishaps, mishaps.run_of(mishap))
    assert "<figure" in block
    assert "another run: " in block
    if mishap.kind in MARKED:
        labels = [one.replace("\u00a0", " ") for one in re.findall(r'aria-label="([^"]*)"', block)]
        assert any(re.search(MARKED[mishap.kind], one) for one in labels)


def test_no_run_in_which_something_was_found_serves_as_a_peer(mishaps):
    body = mishaps.sections["findings"].text
    peers = set(re.findall(r"another run: (r\d+)", body))
    assert peers
    assert not peers & set(mishaps.findings["run"])


def test_every_run_with_a_log_is_among_the_small_multiples(mishaps):
    body = mishaps.sections["runs"].text
    drawn = set(re.findall(r'aria-label="run (\w+),', body))
    assert drawn == set(mishaps.runs.loc[mishaps.runs["n_frames"].fillna(0) > 0, "run"])
    assert body.count('<ul class="small-runs">') == 3


def test_the_page_has_no_word_of_a_verdict(mishaps):
    words = words_of(mishaps.text)
    # "Same" alone is a word of every day.
    verdicts = [one.word.replace("same", "same within") for one in VERDICTS.values()]
    told = [word for word in verdicts if re.search(rf"\b{word}\b", words, re.IGNORECASE)]
    assert told == []


def test_no_table_has_a_column_of_changes(mishaps):
    heads = re.findall(r'<th scope="col"[^>]*>(.*?)</th>', mishaps.text)
    assert heads
    assert not [head for head in heads if re.search("change|against|difference|interval", head, re.IGNORECASE)]


def test_the_means_of_two_tunings_never_stand_on_the_page_together(mishaps):
    words, noise = (
        words_of(mishaps.text),
        mishaps.noise[mishaps.noise["metric"].isin(mishaps.plan.analysis.metrics)],
    )
    for (game, metric), cells in noise.groupby(["game", "metric"]):
        told = [value for value in cells["mean"] if f" {value_text(value, metric)}" in words]
        assert len(told) < 2, (game, metric)


def test_findings_that_compare_tunings_tell_no_levels(mishaps):
    lost = mishaps.findings[mishaps.findings["check"] == "tuning_not_applied"].iloc[0]
    assert lost["message"].endswith("lost or mixed up.")
    assert lost[["found", "limit"]].isna().all()
    odd = mishaps.findings[mishaps.findings["check"] == "outlier"]["message"]
    assert len(odd)
    assert odd.str.contains("from the median of the other runs of this game and tuning").all()
    assert not odd.str.contains(r"the others \d").any()


def test_a_whole_review_has_its_rounds_folded_away(mishaps):
    body = mishaps.sections["progress"].text
    assert "All 15 rounds on the run sheet are complete" in body
    assert "<details class=" in body
    assert "Not recorded yet" not in body


def test_a_review_that_is_begun_tells_rounds_and_rows_still_to_record(begun):
    body = words_of(begun.sections["progress"].text)
    waiting = begun.runs[begun.runs["excluded_for"] == "not_recorded"]
    assert f"{len(begun.runs) - len(waiting)} of {len(begun.runs)} rows" in words_of(begun.sections["result"].text)
    assert f"Not recorded yet: {len(waiting)} rows" in body
    assert set(waiting["run"]) <= set(body.split())
    assert {"2 of 2", "0 of 2"} <= set(re.findall(r"\d of \d", body))


def test_runs_needed_come_from_noise_alone(mishaps):
    body = words_of(mishaps.sections["noise"].text)
    assert re.search(r"Average frame rate: enough runs for a margin of 2.% in \d of 3 games\.", body)
    assert "Runs so far" in body
    charts = re.findall(r'<svg [^>]*aria-label="([^"]*)"', mishaps.sections["noise"].text)
    assert [one.partition(" ")[0] for one in charts] == ["Noise", "Order"]


def test_noise_of_two_runs_is_told_but_not_drawn(begun):
    section = begun.sections["noise"]
    chart = next(one for one in re.findall(r'<svg [^>]*aria-label="([^"]*)"', section.text) if "by game" in one)
    runs = begun.noise[begun.noise["metric"] == "avg_fps"].groupby("game")["n"].min()
    assert {game for game in runs.index if game in chart} == set(runs.index[runs >= 3])
    assert "3 or more runs of each tuning" in section.text
    assert "over 50" in words_of(section.text)


def test_noise_of_two_runs_in_every_game_is_no_chart(begun):
    section = page.check_noise(begun.noise.assign(n=2), USABLE.frame(), begun.plan)
    assert "<svg" not in section._repr_html_()
    assert "3 or more runs of each tuning" in section._repr_html_()


def test_logs_that_are_all_read_alike_are_told_in_one_line(mishaps):
    body = words_of(mishaps.sections["logs"].text)
    frames, sensors = (sum(f"{kind} logs:" in line for line in body.splitlines()) for kind in ("frame", "sensor"))
    assert (frames, sensors) == (1, 1)
    assert re.search(
        r"Samples of 33 runs were aligned by the edges of the load, shifted by −\d\S* to −\d\S*\ss\.", body
    )


def test_align_notes_of_all_runs_are_one_finding(mishaps):
    notes = mishaps.findings[mishaps.findings["check"] == "aligned_by_edge"]
    assert len(notes) == 1
    assert notes["run"].iloc[0] == ""


def test_bad_rows_and_bad_logs_are_listed_and_the_rest_is_checked(broken):
    assert set(broken.findings.loc[broken.findings["check"] == "run_sheet_row", "run"]) == {"r003"}
    assert set(broken.findings.loc[broken.findings["check"] == "log_unusable", "run"]) == {"r009", "r010"}
    assert {"r009", "r010"} <= set(broken.redo.loc[broken.redo["is_needed"], "run"])
    head, body = (words_of(broken.sections[name].text) for name in ("result", "logs"))
    assert "2 logs are missing or cannot be used (r009, r010). The first of them: " in " ".join(head.split())
    assert "run 'r009': log 'logs/r009.frames.csv.gz' is missing" in head
    assert "left out" in head
    assert "'Salt Orchid' is not in the plan" in body
    assert "Run 'r009' names 'logs/r009.frames.csv.gz'." in body
    assert "'stray.csv'" in body
    assert int(broken.runs["used"].sum()) == 27


def test_the_limits_stand_on_the_page_with_their_defaults(mishaps):
    body = words_of(mishaps.sections["limits"].text)
    assert all(key in body for key in type(mishaps.plan.checks).model_fields)
    assert "All limits are the kit's." in body


@pytest.mark.parametrize("name", ["mishaps", "begun", "broken"])
def test_the_page_reaches_for_nothing_outside_and_its_addresses_are_its_own(name, request):
    text = request.getfixturevalue(name).text
    check_page(text)
    ids = re.findall(r' id="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'href="#(run-[^"]+)"', text)) <= set(ids)


#: Checks on files and sheets whose sentences are made where these are read.
_SAID_BY_READERS = ("aligned_by_edge", "not_recorded_yet", "run_sheet_row")


@pytest.mark.parametrize("which", ["mishaps_folder", "begun_folder"])
def test_every_sentence_of_the_page_is_in_the_catalogue(request, which):
    with spoken(wide_catalogue()):
        found = kit.check(request.getfixturevalue(which))
        sections = [found.section(one) for one in ("head", "redo", "cautions", "findings", "progress", "noise")]
        sections += [found.section(one) for one in ("runs", "logs", "limits")]
        text = "".join(one._repr_html_() for one in sections)
    plan, findings = found.plan, found.findings
    # Limits are said by the plan's rules, rows by the declared tables, how logs and sheets are read by readers.
    names = [*findings["check"].str.replace("_", " "), *(one.row for one in (POSSIBLE, REDO, *ALL_TABLES.values()))]
    names += map(finding_text, findings[findings["check"].isin(_SAID_BY_READERS)].itertuples())
    facts = [one for one in map(found.logs.facts_of, found.runs["run"]) if one is not None]
    names += [f"{one.label}: {one.why}" for one in (*facts[0].frame_columns, *facts[0].sensor_columns)]
    names += [one for fact in facts for one in (fact.frame_dialect, *(each.label for each in fact.frame_columns))]
    names += [one.label for one in facts[0].sensor_columns] + ["[ms]", "[s]", "[MHz]", "[mV]", "[rpm]"]
    names += [text for one in list_limits() for text in (one.key, one.meaning)]
    names += [plan.review.title, plan.cards[0].name, *(one.name for one in (*plan.games, *plan.tunings))]
    names += [one.label for one in METRICS.values()]
    assert said_in_english(text, names=[one for one in names if one]) == []
