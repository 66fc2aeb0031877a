"""The page of a planned evening, its chart, and the run sheet on paper."""

import re
from html.parser import HTMLParser

import pytest
from extended_sheet import extend_run_sheet
from second_language import said_in_english, wide_catalogue

from gpubench_kit import page
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.page.charts.curves import chance_curves
from gpubench_kit.page.planning import in_lines
from gpubench_kit.page.printed_sheet import printed_sheet
from gpubench_kit.report.notebook_run import check_page
from gpubench_kit.schedule.make import make_schedule
from gpubench_kit.sheet.rows import CAUSES
from gpubench_kit.wording.catalogue import spoken

LONG = {"minutes": 9000.0}
SECTIONS = ("plan_head", "plan_says", "plan_chances", "plan_needs", "plan_time", "plan_order", "plan_method")


class _Text(HTMLParser):
    """Collects the text of a page, style sheets apart."""

    def __init__(self):
        super().__init__()
        self.parts, self._skips = [], False

    def handle_starttag(self, tag, attrs):
        self._skips = tag == "style"

    def handle_data(self, data):
        if not self._skips:
            self.parts.append(data)


def _text(html: str) -> str:
    """Return the text of HTML, spaces made single."""
    reader = _Text()
    reader.feed(html)
    return " ".join(" ".join(reader.parts).replace("\u00a0", " ").split())


def _whole_page(schedule) -> str:
    """Return the text of all sections."""
    return _text("".join(getattr(page, name)(schedule)._repr_html_() for name in SECTIONS))


def test_the_head_tells_runs_rounds_time_and_what_was_left_out(folder):
    schedule = make_schedule(folder(10, ("factory", "quiet", "brisk")).plan)
    text = _text(page.plan_head(schedule)._repr_html_())
    assert "80 runs in 10 games, 4 rounds of “factory” and “quiet”: 2 h 42 min, of 3 h 00 min." in text
    assert "Everything would take 3 h 35 min" in text
    assert "Tuning “brisk” (53 min saved). Nothing new can be said about “brisk”." in text
    assert "average frame rate 0.6 %" in text


def test_between_cards_the_page_counts_installations_in_turns(folder):
    rivals = [{"name": "Larkmoor 4"}, {"name": "Fernholt 3", "role": "rival"}]
    text = _whole_page(make_schedule(folder(2, ("factory",), cards=rivals, session_plan=LONG).plan))
    for words in (
        "6 rounds of “factory” in 3 installations of each card in turns: ",
        "Between cards installations are what is counted: more rounds within them do not take their place.",
        "Cards are installed in turns, 3 times each; installations are the units between cards.",
        "What an installation adds to the noise.",
    ):
        assert words in text
    alone = _whole_page(make_schedule(folder(2, session_plan=LONG).plan))
    assert "installation" not in alone


def test_the_page_says_what_it_cannot_say(folder):
    metrics = ["avg_fps", "low_1pct_fps", "core_c", "load_pct"]
    analysis = {"metrics": metrics, "margins": {"low_1pct_fps": 1.0}, "adjust": "none"}
    made = folder(10, session_plan=LONG, analysis=analysis)
    text = _text(page.plan_says(make_schedule(made.plan))._repr_html_())
    for words in (
        "The 1 % low in every game, taken singly: not with a feasible number, for more than 16 rounds would be",
        "these need long runs of purpose “soak”, not planned here",
        "GPU load: no noise is known",
        "Other cards of the model: one is measured.",
        "every game is decided (8 in 10 or more).",
        "This holds for games that differ by nothing, or by the margin or more.",
    ):
        assert words in text


def test_few_games_and_one_game_are_told_what_they_lack(folder):
    assert "none can borrow noise" in _whole_page(make_schedule(folder(5, session_plan=LONG).plan))
    assert "there is one game" in _whole_page(make_schedule(folder(1, session_plan=LONG).plan))


def test_games_that_the_rounds_decide_are_told_from_those_they_do_not(folder):
    made = folder(2, session_plan={"minutes": 60.0, "noise_from": "pilot"})
    values = {"Low Tide Racers": (99.9, 100, 100.1), "Salt Orchard": (90, 100, 110)}
    made.write_sheet(*(f"p{game}{n},factory,{game},pilot,,,,{one}" for game, ones in values.items()
                       for n, one in enumerate(ones)))  # fmt: skip
    text = _whole_page(make_schedule(made.plan))
    assert "Low Tide Racers is decided (8 in 10 or more); Salt Orchard is rather left undecided." in text
    assert "over 16 (12 show" in text


def test_each_game_has_one_number_and_the_chance_of_the_planned_rounds(folder):
    schedule = make_schedule(folder(10, session_plan=LONG).plan)
    row = schedule.needs.iloc[0]
    text = _text(page.plan_needs(schedule)._repr_html_())
    assert f"{row['detectable']:.1f} {100 * row['chance']:.0f} {row['rounds_to_decide']}" in text
    assert "A game that differs by half the margin is decided less often." in text


def test_names_of_games_and_tunings_are_data(folder):
    made = folder(2, ("factory", "<b>quiet</b>"), session_plan=LONG)
    made.sections["games"][0]["name"] = "<script>alert(1)</script>"
    schedule = make_schedule(made.plan)
    for html in (printed_sheet(schedule), *(getattr(page, name)(schedule)._repr_html_() for name in SECTIONS)):
        assert "<script>" not in html
        assert "<b>quiet" not in html


def test_a_folder_with_nothing_to_run_leaves_out_time_and_order(folder):
    made = folder(6, session_plan=LONG)
    made.write_sheet()
    extend_run_sheet(make_schedule(made.plan).rows, made.plan)
    made.record(noise=0.001)
    schedule = make_schedule(made.plan)
    assert page.plan_time(schedule).left_out
    assert page.plan_order(schedule).left_out
    assert "There is nothing to run" in _text(printed_sheet(schedule))


@pytest.mark.parametrize("shape", ["plain", "restart", "rival", "letters", "warm-up"])
def test_the_paper_has_one_box_for_each_run_in_order(folder, shape):
    tunings = ("factory", "quiet with a long name") if shape == "letters" else ("factory", "quiet")
    made = folder(7, tunings, session_plan=LONG)
    if shape == "restart":
        made.sections["tunings"][1]["needs_restart"] = True
    if shape == "rival":
        made.sections["cards"] = [{"name": "Larkmoor 4"}, {"name": "Fernholt 3", "role": "rival"}]
    if shape == "warm-up":
        made.sections["exclude"] = {"warm_up_runs_per_launch": 1}
    schedule = make_schedule(made.plan)
    html = printed_sheet(schedule)
    check_page(html)
    assert re.findall(r"<small>(r\d+)</small>", html) == list(schedule.rows["run"])
    steps = html.count('class="before"')
    assert html.count('class="box"') == len(schedule.rows) + steps
    words = {
        "restart": "Restart, then quiet",
        "rival": "out and mount it again.",
        "letters": "B = quiet with a long",
        "warm-up": "Warm-up",
        "plain": "Round 4",
    }
    assert words[shape] in _text(html)


def test_the_paper_of_waiting_rows_lists_only_what_is_left(folder):
    made = folder(2, session_plan=LONG)
    made.write_sheet()
    extend_run_sheet(make_schedule(made.plan).rows, made.plan)
    lines = made.sheet.read_text(encoding="utf-8").splitlines()
    place = lines[0].split(",").index("avg_fps")
    cells = lines[1].split(",")
    cells[place] = "99.5"
    made.sheet.write_text("\n".join([lines[0], ",".join(cells), *lines[2:]]) + "\n", encoding="utf-8")
    html = printed_sheet(make_schedule(made.plan))
    assert re.findall(r"<small>(r\d+)</small>", html) == [f"r{number:03d}" for number in range(2, 17)]


def test_the_chart_has_a_line_for_each_difference_and_marks_the_plan(folder):
    made = folder(10, session_plan=LONG)
    schedule = make_schedule(made.plan)
    drawn = chance_curves(schedule.chances, made.plan, metric="avg_fps", planned=5)
    assert [curve.name for curve in drawn.series] == ["no difference", "1 %", "2 %", "3 %"]
    at_five = schedule.chances.query("metric == 'avg_fps' and rounds == 5 and difference_pct == 2")["chance"].iloc[
        0
    ]
    curve = next(one for one in drawn.series if one.name == "2 %")
    assert f"{100 * at_five:.0f} % after 5" in curve.note
    assert [mark.x for mark in drawn.marks if mark.x is not None] == [5.0]


def test_a_metric_without_noise_has_no_chart(folder):
    made = folder(2, session_plan=LONG)
    assert chance_curves(make_schedule(made.plan).chances, made.plan, metric="sound_dba") is None


def test_the_chart_says_where_80_percent_is_not_reached(folder):
    made = folder(1, session_plan=LONG, analysis={"metrics": ["low_1pct_fps"], "primary": "low_1pct_fps"})
    schedule = make_schedule(made.plan)
    drawn = chance_curves(schedule.chances, made.plan, metric="low_1pct_fps", planned=5)
    assert "1 %: 80 % not reached" in drawn.alternative_text
    assert [len(one.points) for one in drawn.series] == [15] * 4


def test_the_printed_sheet_carries_the_cautions(folder):
    text = _text(printed_sheet(make_schedule(folder().plan)))
    for said in ("one limit at a time", "second crash, at picture errors, smell or heat", "licensed people"):
        assert said in text


def test_every_sentence_of_the_page_and_of_the_terminal_is_in_the_catalogue(folder):
    made = folder(10, ("factory", "quiet", "brisk"))
    names = [*CAUSES, "session 1", made.plan.review.title, *(metric.label for metric in METRICS.values())]
    names += [one.name for one in (*made.plan.games, *made.plan.tunings)]
    with spoken(wide_catalogue()):
        schedule = make_schedule(made.plan)
        html = "".join(getattr(page, name)(schedule)._repr_html_() for name in SECTIONS) + printed_sheet(schedule)
        html += "".join(f"<p>{line}</p>" for line in in_lines(schedule))
    assert said_in_english(html, names=names) == []
