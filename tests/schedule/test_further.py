"""What comes next: nothing twice, another evening, the rounds that the plan's last look allows, or nothing more."""

import pytest
from extended_sheet import extend_run_sheet

from gpubench_kit.schedule.design import read_so_far
from gpubench_kit.schedule.make import make_schedule
from gpubench_kit.sheet.looks import open_looks
from gpubench_kit.statistics.compare import compare_tunings

LONG = {"minutes": 9000.0}
TWO_LOOKS = {"metrics": ["avg_fps"], "looks": 2, "adjust": "none"}
#: Noise and difference that leave a game open which a feasible number of rounds settles.
OPEN = {"noise": 0.006, "effect": 0.009, "seed": 2}
SCENES = ("Low Tide Racers", "Salt Orchard")
CARDS = [{"name": "Larkmoor 4"}, {"name": "Fernholt 3", "role": "rival"}]


def _plan_and_record(made, **recorded):
    """Add the next rows, and type values into them."""
    schedule = make_schedule(made.plan)
    extend_run_sheet(schedule.rows, made.plan)
    made.record(**recorded)
    return schedule


def _look(made) -> None:
    """Write down that a report has shown the values."""
    usable = read_so_far(made.plan).usable
    open_looks(made.plan, usable[usable["purpose"] != "pilot"]).record()


def test_calling_twice_never_adds_the_same_rows_again(folder):
    made = folder(3, session_plan=LONG)
    made.write_sheet()
    extend_run_sheet(make_schedule(made.plan).rows, made.plan)
    before = made.sheet.read_bytes()
    again = make_schedule(made.plan)
    assert (again.stage, len(again.rows), len(again.to_run)) == ("waiting", 0, 24)
    assert (
        again.messages[0]
        == "24 planned runs of the run sheet are not recorded yet (r001 to r024), so nothing was added."
    )
    assert extend_run_sheet(again.rows, made.plan) is None
    assert made.sheet.read_bytes() == before


def test_waiting_rows_keep_the_numbers_of_the_rounds_they_belong_to(folder):
    made = folder(6, session_plan=LONG)
    made.write_sheet()
    first = make_schedule(made.plan)
    extend_run_sheet(first.rows, made.plan)
    assert make_schedule(made.plan).needs.equals(first.needs)


def test_once_everything_is_recorded_the_report_comes_next(folder):
    made = folder(6, session_plan=LONG, analysis={"metrics": ["avg_fps"], "adjust": "none"})
    made.write_sheet()
    _plan_and_record(made, noise=0.001)
    after = make_schedule(made.plan)
    assert (after.stage, len(after.rows)) == ("done", 0)
    assert "Next: gpubench-kit report" in after.messages[0]


def test_another_evening_gets_what_the_first_left_out(folder):
    made = folder(4, session_plan={"minutes": 45.0, "launch_s": 60.0, "settle_s": 0.0})
    made.write_sheet()
    first = _plan_and_record(made, noise=0.001)
    assert first.dropped
    second = make_schedule(made.plan)
    assert (second.stage, set(second.rows["session"])) == ("first", {"session 2"})
    before, after = (set(zip(one["game"], one["round"], strict=True)) for one in (first.rows, second.rows))
    assert not before & after
    assert int(second.rows["order"].iloc[0]) == len(first.rows) + 1


def test_a_tuning_left_out_gets_its_rounds_when_the_others_have_theirs(folder):
    made = folder(
        2, ("factory", "quiet", "brisk"), session_plan={"minutes": 32.0, "launch_s": 60.0, "settle_s": 0.0}
    )
    made.write_sheet()
    assert [one.what for one in _plan_and_record(made, noise=0.001).dropped] == ["Tuning “brisk”"]
    assert "brisk" in set(make_schedule(made.plan).rows["tuning"])


def test_by_the_last_look_the_undecided_games_get_the_planners_number_and_no_more(folder):
    made = folder(3, session_plan=LONG, analysis=TWO_LOOKS)
    made.write_sheet()
    _plan_and_record(made, **OPEN)
    _look(made)
    plan = made.plan
    usable = read_so_far(plan).usable
    undecided = compare_tunings(usable, plan, looks_made=1).query("verdict == 'undecided' and more_runs.notna()")
    assert len(undecided), "the case has to leave something open"
    schedule = make_schedule(plan)
    assert schedule.stage == "further"
    wanted = dict(zip(undecided["game"], undecided["more_runs"], strict=True))
    assert schedule.rows.groupby("game")["round"].nunique().to_dict() == wanted
    assert set(schedule.rows["round"]) == set(range(5, 5 + max(wanted.values())))
    assert "before look 2 of 2" in schedule.messages[0]


def test_further_rounds_do_not_depend_on_the_difference_seen(folder):
    rows = []
    for effect in (0.009, 0.010):
        made = folder(1, session_plan=LONG, analysis=TWO_LOOKS)
        [(made.path / name).unlink(missing_ok=True) for name in ("looks.csv", "looks_given.csv")]
        made.write_sheet()
        _plan_and_record(made, noise=0.006, effect=effect, seed=2)
        _look(made)
        rows.append(make_schedule(made.plan).rows)
    assert len(rows[0])
    assert rows[0].equals(rows[1])


def test_only_tunings_that_are_undecided_get_further_rounds(folder):
    made = folder(1, ("factory", "quiet", "brisk"), session_plan=LONG, analysis=TWO_LOOKS)
    made.write_sheet()
    schedule = make_schedule(made.plan)
    extend_run_sheet(schedule.rows, made.plan)
    made.record(noise=0.005, effect=0.2, seed=3)
    _look(made)
    further = make_schedule(made.plan)
    assert further.stage == "further"
    assert set(further.rows["tuning"]) == {"factory", "brisk"}


def test_between_cards_undecided_games_get_further_mountings_with_as_many_rounds_as_before(folder):
    made = folder(2, ("factory",), cards=CARDS, session_plan=LONG, analysis=TWO_LOOKS)
    made.write_sheet()
    first = _plan_and_record(made, noise=0.008, seed=2)
    _look(made)
    rows = compare_tunings(read_so_far(made.plan).usable, made.plan, looks_made=1)
    assert set(rows["layout"]) == {"restarts"}
    undecided = rows[(rows["verdict"] == "undecided") & rows["more_runs"].notna()]
    wanted = dict(zip(undecided["game"], undecided["more_runs"], strict=True))
    assert len(wanted), "the case has to leave something open"
    further = make_schedule(made.plan)
    mounted = further.rows.groupby(["game", "card"])["session"].nunique()
    assert mounted.to_dict() == {(game, card["name"]): n for game, n in wanted.items() for card in CARDS}
    per_mounting = [set(one.rows.groupby(["game", "session"]).size()) for one in (first, further)]
    assert per_mounting == [{2}, {2}]
    assert further.messages[0].startswith(
        "Further installations of the cards in turns for the undecided games, by their"
    )
    told = [f"{game} {n} installations of each card with 2 rounds in each" for game, n in wanted.items()]
    assert all(one in further.messages[0] for one in told)


def _installed_once(folder, **analysis):
    """Return a folder with two games, every run on one card before those on the other, after the first look."""
    made = folder(2, ("factory",), cards=CARDS, session_plan=LONG, analysis=TWO_LOOKS | analysis)
    runs = [(card["name"], game, round_) for card in CARDS for game in SCENES for round_ in range(1, 6)]
    rows = [
        f"r{k:03d},factory,{game},measure,session 1 {card},{round_},{k},,{card}"
        for k, (card, game, round_) in enumerate(runs, start=1)
    ]
    made.write_sheet(*rows, headings="run,tuning,game,purpose,session,round,order,avg_fps,card")
    made.record(noise=0.012, seed=3)
    _look(made)
    return made


@pytest.mark.parametrize("analysis", [{}, {"restart_spread": {"avg_fps": 1.0, "restarts": 0}}])
def test_cards_installed_once_get_installations_in_turns_and_no_further_rounds_in_place(folder, analysis):
    made = _installed_once(folder, **analysis)
    further = make_schedule(made.plan)
    mounted = further.rows.groupby(["game", "card"])["session"].nunique()
    assert (further.stage, set(mounted), set(further.rows["card"])) == (
        "further",
        {2},
        {one["name"] for one in CARDS},
    )
    assert further.messages[0].startswith("Further installations of the cards in turns")
    assert "each is installed 2 times more" in further.messages[-1]
    _plan_and_record(made, noise=0.012)
    rows = compare_tunings(read_so_far(made.plan).usable, made.plan, looks_made=1)
    assert set(rows["layout"]) == {"restarts"}
    assert set(rows["n_blocks"]) == {3}


def test_cards_between_which_nothing_is_decidable_are_not_told_of_rounds(folder):
    made = folder(1, ("factory",), cards=CARDS, session_plan=LONG, analysis=TWO_LOOKS)
    made.write_sheet()
    _plan_and_record(made, noise=0.08, seed=3)
    _look(made)
    wanted = "since no feasible number of installations of the cards in turns settles them: Low Tide Racers."
    assert make_schedule(made.plan).messages == (f"Left as they are, {wanted}",)


def test_a_card_about_which_nothing_is_open_is_left_alone(folder):
    pair = {one: {"card": "Larkmoor 4", "tuning": name} for one, name in (("of", "quiet"), ("against", "factory"))}
    made = folder(1, cards=CARDS, comparisons=[pair], session_plan=LONG, analysis=TWO_LOOKS)
    made.write_sheet()
    assert set(_plan_and_record(made, **OPEN).rows["card"]) == {"Larkmoor 4", "Fernholt 3"}
    _look(made)
    further = make_schedule(made.plan)
    assert (further.stage, set(further.rows["card"])) == ("further", {"Larkmoor 4"})


def test_between_models_more_samples_are_asked_for_and_no_further_runs(folder):
    cards = [{"name": f"{model} {one}", "model": model} for model in ("Larkmoor 4", "Fernholt 3") for one in "ab"]
    cards = [card | ({"role": "rival"} if card["model"] != "Larkmoor 4" else {}) for card in cards]
    made = folder(1, ("factory",), cards=cards, session_plan=LONG, analysis=TWO_LOOKS)
    made.write_sheet()
    _plan_and_record(made, noise=0.012, seed=3)
    _look(made)
    further = make_schedule(made.plan)
    assert (further.stage, len(further.rows)) == ("done", 0)
    assert "more samples would decide" in further.messages[-1]


def test_when_the_looks_are_used_up_nothing_is_added_and_the_price_of_more_is_told(folder):
    made = folder(2, session_plan=LONG, analysis={"looks": 1})
    made.write_sheet()
    _plan_and_record(made, noise=0.02)
    _look(made)
    schedule = make_schedule(made.plan)
    assert (schedule.stage, len(schedule.rows)) == ("done", 0)
    assert "1 look at verdicts made, 1 planned" in schedule.messages[0]
    assert "make look 2: it is judged at the level 0.015" in schedule.messages[1]


def test_runs_recorded_since_the_last_report_ask_for_the_report_first(folder):
    made = folder(2, session_plan=LONG, analysis=TWO_LOOKS)
    made.write_sheet()
    _plan_and_record(made, **OPEN)
    _look(made)
    assert len(_plan_and_record(made, noise=0.012, seed=9).rows)
    schedule = make_schedule(made.plan)
    assert (schedule.stage, len(schedule.rows)) == ("done", 0)
    assert "Make the report first" in schedule.messages[0]


def test_games_that_no_number_of_rounds_decides_are_named_and_left(folder):
    made = folder(1, session_plan=LONG, analysis=TWO_LOOKS)
    made.write_sheet()
    _plan_and_record(made, noise=0.08)
    _look(made)
    schedule = make_schedule(made.plan)
    assert (schedule.stage, len(schedule.rows)) == ("done", 0)
    assert schedule.messages == (
        "Left as they are, since no feasible number of rounds settles them: Low Tide Racers.",
    )


def test_a_look_that_decided_everything_leaves_nothing_to_add(folder):
    made = folder(6, session_plan=LONG, analysis=TWO_LOOKS)
    made.write_sheet()
    _plan_and_record(made, noise=0.001)
    _look(made)
    schedule = make_schedule(made.plan)
    assert schedule.messages == ("The last report left no game undecided; there is nothing to add.",)


def test_further_rounds_that_do_not_fit_leave_out_games_and_say_so(folder):
    made = folder(4, session_plan=LONG, analysis=TWO_LOOKS)
    made.write_sheet()
    _plan_and_record(made, noise=0.006, effect=0.012, seed=6)
    _look(made)
    whole = make_schedule(made.plan)
    made.sections["session_plan"] = {"minutes": whole.minutes - 1}
    cut = make_schedule(made.plan)
    assert cut.stage == "further"
    assert 0 < len(cut.rows) < len(whole.rows)
    assert "it stays undecided" in cut.dropped[0].then


def test_a_crashed_run_without_repeat_leaves_its_round_incomplete(folder):
    made = folder(1, session_plan=LONG)
    made.write_sheet(headings="run,tuning,game,purpose,session,round,order,avg_fps,excluded")
    _plan_and_record(made, noise=0.001)
    text = made.sheet.read_text(encoding="utf-8").splitlines()
    text[1] = text[1].rstrip(",") + ",crash"
    cells = [line.split(",") for line in text]
    place = cells[0].index("excluded")
    cells[1] = (cells[1][:8] + [""] * len(cells[0]))[: len(cells[0])]
    cells[1][place] = "crash"
    made.sheet.write_text("\n".join(",".join(one) for one in cells) + "\n", encoding="utf-8")
    schedule = make_schedule(made.plan)
    assert set(schedule.rows["round"]) == {5}
    assert len(schedule.rows) == 2


@pytest.mark.parametrize("stage", ["first", "further"])
def test_no_difference_is_ever_shown(folder, stage):
    made = folder(2, session_plan=LONG, analysis=TWO_LOOKS)
    made.write_sheet()
    if stage == "further":
        _plan_and_record(made, **OPEN)
        _look(made)
    schedule = make_schedule(made.plan)
    assert schedule.stage == stage
    for name in ("noise", "needs", "needs_overall", "chances", "rows"):
        assert not {"change", "ci_low", "ci_high", "verdict"} & set(getattr(schedule, name).columns)
