"""Folders of logs to drafts: every cell right, asked or empty, never wrong in silence; answers settle the rest."""

from __future__ import annotations

import math
import random
from collections import Counter
from dataclasses import replace
from pathlib import Path

import pytest
from made_folders import ROOT, STYLES, MadeFolder, Style, made_folder, random_style

from gpubench_kit.model.questions import LogFacts, Question
from gpubench_kit.sheet.draft import Draft, all_questions, table_lines
from gpubench_kit.sheet.from_folder import draft_from_logs
from gpubench_kit.sheet.recordings import blocks_by_pauses, order_of
from gpubench_kit.sheet.run_order import block_lines, block_order

#: Columns in which names may be spelt otherwise than in the truth, but have to part the runs alike.
_PARTED = ("game", "tuning", "setting", "session")
COLUMNS = (*_PARTED, "round", "order", "sensor_log")


def drafted(folder: MadeFolder, **answers: str) -> Draft:
    """Return the draft of a folder."""
    return draft_from_logs(folder.facts, ROOT, answers)


def keys(draft: Draft, **answers: str) -> list[str]:
    """Return the keys of the questions."""
    return [one.key for one in all_questions(draft, answers)]


def wrong_cells(folder: MadeFolder, draft: Draft) -> list[tuple[str, str, str, str]]:
    """Return cells that are filled in without a question and differ from the truth."""
    rows = {row.source: row for row in draft.rows}
    wrong = []
    for column in COLUMNS:
        truth = {path: str(getattr(run, column)) for path, run in folder.truth.items()}
        cells = {path: rows[path].cells.get(column) for path in truth}
        found = {path: cell.value.removeprefix("logs/") if cell else "" for path, cell in cells.items()}
        sure = [path for path, cell in cells.items() if cell and cell.value and not cell.is_asked]
        if column == "order" and sure and "running number" in rows[sure[0]].cells["order"].why:
            # Numbers in the names say who came first, and keep the places of logs that are missing.
            ranks = {path: str(n) for n, path in enumerate(sorted(truth, key=lambda p: int(truth[p])), start=1)}
            wrong += [(column, path, found[path], ranks[path]) for path in sure if found[path] != ranks[path]]
        elif column in _PARTED:
            wrong += [
                (column, path, found[path], truth[path])
                for path in sure
                if not _parts_alike(path, sure, found, truth)
            ]
        else:
            wrong += [(column, path, found[path], truth[path]) for path in sure if found[path] != truth[path]]
    return wrong


def _parts_alike(path: str, sure: list[str], found: dict[str, str], truth: dict[str, str]) -> bool:
    """Return whether a name stands for one true name, and the true name for it."""
    same_found = {truth[other] for other in sure if found[other] == found[path]}
    same_truth = Counter(found[other] for other in sure if truth[other] == truth[path])
    return len(same_found) == 1 and len(same_truth) == 1


@pytest.mark.parametrize("name", STYLES)
def test_no_cell_is_wrong_in_silence(name):
    for seed in range(6):
        folder = made_folder(STYLES[name], seed * 31 + 5, n_missing=seed % 2 * (1 + seed % 3))
        assert wrong_cells(folder, drafted(folder)) == [], seed


def test_no_cell_of_random_names_is_wrong_in_silence():
    n_cells = n_asked = 0
    for seed in range(400):
        folder = made_folder(random_style(seed), seed, n_missing=seed % 3)
        if len({fact.path for fact in folder.facts}) < len(folder.facts):
            continue
        draft = drafted(folder)
        assert wrong_cells(folder, draft) == [], seed
        n_cells += len(draft.rows) * len(COLUMNS)
        n_asked += draft.n_open
    assert n_asked < 0.1 * n_cells


#: Styles of which nothing has to be asked when no log is missing.
PLAIN = ("folders by game", "accents and capitals", "tuning first", "right to left", "camel case and settings",
         "undervolt steps", "sensors by clock", "games share words", "in Spanish", "in Russian")  # fmt: skip


@pytest.mark.parametrize("name", PLAIN)
def test_well_named_logs_need_only_the_common_answers(name):
    draft = drafted(made_folder(STYLES[name], 5))
    asked = [key for key in keys(draft) if not key.startswith("tunings.")]
    assert asked == ["table", "card", "margin_pct"]
    assert draft.n_open == 0


def asked(draft: Draft, key: str) -> Question:
    """Return one question of a draft."""
    return next(one for one in draft.questions if one.key == key)


def test_a_slip_is_asked_and_both_answers_hold():
    folder = made_folder(STYLES["a slip"], 5)
    question = asked(drafted(folder), "same_word.Asehn")
    assert question.text == '"Asehn" (1 file) is taken for "Ashen" (8 files).'
    right = drafted(folder, **{"same_word.Asehn": "Ashen"})
    assert (right.n_open, len(right.names("game"))) == (0, 5)
    other = drafted(folder, **{"same_word.Asehn": "Asehn"})
    assert {"Ashen Marches", "Asehn Marches"} <= set(other.names("game"))
    assert "few.game" in keys(other)


def test_names_without_a_tuning_are_asked():
    folder = made_folder(STYLES["no word for factory"], 5)
    draft = drafted(folder)
    assert asked(draft, "no_tuning_in_name").text == '15 names hold no tuning, 15 hold "uv".'
    assert {row.cells["tuning"].written for row in draft.rows} == {"factory ?", "uv"}
    answered = drafted(folder, no_tuning_in_name="stock limits")
    assert (answered.n_open, set(answered.names("tuning"))) == (0, {"stock limits", "uv"})


def test_unknown_words_are_proposed_by_rates_and_never_taken():
    folder = made_folder(STYLES["unknown tunings"], 5)
    draft = drafted(folder)
    assert all(row.cells["game"].is_asked and row.cells["tuning"].is_asked for row in draft.rows)
    tunings, games = [choice.value for choice in asked(draft, "games_are").choices]
    assert (tunings, len(games.split(", "))) == ("Alpha, Beta", 5)
    answered = drafted(folder, games_are=games, reference="Alpha")
    assert (answered.n_open, answered.reference) == (0, "Alpha")
    assert "fps" not in " ".join(one.text for one in draft.questions).casefold()


def test_words_in_two_places_are_asked_and_other_roles_can_be_given():
    folder = made_folder(STYLES["games named like tunings"], 5)
    draft = drafted(folder, table="roles")
    assert "games_are" in keys(draft, table="roles")
    assert "tunings_are" in keys(draft, table="roles")


def test_limits_keep_their_signs_and_numbers_of_games_are_no_tunings():
    draft = drafted(made_folder(STYLES["limits with signs"], 5))
    assert (set(draft.names("tuning")), draft.n_open) == ({"stock", "-90mV 88%", "+120MHz"}, 0)
    proposed = {one.key: [choice.value for choice in one.choices] for one in all_questions(draft, {})}
    assert proposed["tunings.-90mV 88%"] == ["voltage_mv -90, power_limit_pct -12"]
    assert proposed["tunings.+120MHz"] == ["core_mhz +120"]
    draft = drafted(made_folder(STYLES["numbers of games"], 5))
    assert {"Ashen 13", "Rallye 11", "Glasshouse 10"} == set(draft.names("game"))
    assert draft.n_open == 0


def test_words_that_only_count_are_asked_and_may_be_sessions_or_rounds():
    folder = made_folder(STYLES["sittings"], 5)
    draft = drafted(folder)
    assert "games_are" not in keys(draft)
    assert asked(draft, "group_is").text == 'What are "s1", "s2"?'
    settled = drafted(folder, group_is="sessions")
    assert (settled.n_open, settled.names("session")) == (0, ["s1", "s2"])
    assert {column for column, *_ in wrong_cells(folder, settled)} == {"session"}
    folder = made_folder(STYLES["letters behind camel"], 5)
    assert asked(drafted(folder), "group_is").text == 'What are "A", "B", "C"?'
    settled = drafted(folder, group_is="rounds")
    assert (settled.n_open, wrong_cells(folder, settled)) == (0, [])
    assert all("1 2 3   1 2 3" in line for line in table_lines(settled)[1:4])


def test_numbers_of_logs_tell_the_order_and_nothing_else():
    draft = drafted(made_folder(STYLES["logs by number"], 5))
    assert {"which_game", "which_tuning"} <= set(keys(draft))
    assert (draft.names("game"), draft.names("tuning")) == ([], [])
    assert [row.value("order") for row in draft.rows[:3]] == ["1", "2", "3"]
    folder = made_folder(STYLES["days as folders, running number"], 5)
    assert (drafted(folder).n_open, set(drafted(folder).names("game"))) == (0, set(STYLES["sittings"].games))


def test_games_and_tunings_are_typed_as_a_list_where_pauses_do_not_tell():
    folder = made_folder(STYLES["stamps only"], 5)
    rows = drafted(folder).rows
    assert asked_first(folder) == ["tuning_names", "block_list"]
    halves = (rows[:20], rows[20:])
    typed = "; ".join(f"{half[0].value('started_at')[11:16]} Game {n} {'f q ' * (len(half) // 2)}".strip()
                      + " f" * (len(half) % 2) for n, half in enumerate(halves, start=1))  # fmt: skip
    draft = drafted(folder, tuning_names="factory, quiet", block_list=typed)
    assert (draft.n_open, draft.names("game"), draft.names("tuning")) == (
        0,
        ["Game 1", "Game 2"],
        ["factory", "quiet"],
    )
    assert drafted(folder, tuning_names="factory, quiet", block_list=typed[:-2]).n_open > 0
    check = next(one.check for one in draft.first if one.key == "block_list")
    assert (check(typed), check("18:30 Keep f q")[:31]) == ("", "This is no list of all 45 logs:")


def asked_first(folder: MadeFolder) -> list[str]:
    """Return the keys of the questions that come before the table."""
    return [one.key for one in drafted(folder).first]


def test_a_bad_take_asks_for_its_cause():
    folder = made_folder(STYLES["a bad take"], 5)
    draft = drafted(folder)
    (key,) = [one.key for one in draft.questions if one.key.startswith("left_out.")]
    assert 'There is no "result I did not like": such a run counts.' in asked(draft, key).about
    row = next(row for row in draft.rows if "bad" in row.source)
    assert row.cells["excluded"].written == "?"
    settled = drafted(folder, **{key: "not_completed"})
    row = next(row for row in settled.rows if "bad" in row.source)
    assert (row.cells["excluded"].written, settled.n_open) == ("not_completed", 0)


def test_a_retry_asks_what_it_replaces_and_why():
    folder = made_folder(STYLES["a retry"], 5)
    draft = drafted(folder)
    replaces, cause = (next(one.key for one in draft.questions if one.key.startswith(key))
                       for key in ("replaces.", "left_out."))  # fmt: skip
    bad = cause.removeprefix("left_out.")
    settled = drafted(folder, **{replaces: bad, cause: "crash"})
    retry = next(row for row in settled.rows if "retry" in row.source)
    run = next(f"r{n:03d}" for n, row in enumerate(settled.rows, start=1) if row.source == bad)
    assert (retry.value("replaces"), settled.n_open) == (run, 0)


def test_equal_files_are_kept_once_and_named():
    folder = made_folder(STYLES["a copy inside"], 5)
    draft = drafted(folder)
    assert len(draft.rows) == 45
    assert any("is the same file as" in line and "left out" in line for line in draft.head)
    assert not any("Kopie" in path for path, _ in draft.copies)


def test_numbers_against_stamps_are_asked():
    draft = drafted(made_folder(STYLES["numbers against stamps"], 5))
    assert any("run against the stamps" in one.text for one in draft.questions)
    assert all(row.cells["round"].is_asked for row in draft.rows)


def test_copied_logs_without_stamps_have_no_order_and_ask_for_it():
    folder = made_folder(STYLES["copied"], 5)
    draft = drafted(folder)
    assert not any(row.value("order") for row in draft.rows)
    assert "typed_order" in keys(draft)
    assert drafted(folder, typed_order="alternated").plan_lines["analysis"] == ('typed_order = "alternated"',)


def test_what_most_rows_are_taken_from_stands_once_above_the_files():
    draft = drafted(made_folder(STYLES["a bad take"], 5))
    first, *lines = draft.file_lines()
    assert first.startswith("Told by: ")
    assert len(lines) == len(draft.rows)
    assert sum("words for tunings in the names" in line for line in lines) < 4


def test_a_start_that_several_logs_state_orders_nothing():
    folder = made_folder(STYLES["copied"], 5)
    logs = [replace(one, started_at_s=1.79e9, clock_kind="dated") for one in folder.facts if one.kind == "frames"]
    assert not any(row.value("order") for row in draft_from_logs(logs, ROOT, {}).rows)


def test_file_times_count_only_once_they_are_confirmed():
    folder = made_folder(STYLES["file times"], 5)
    assert all(row.cells["order"].is_asked for row in drafted(folder).rows)
    settled = drafted(folder, order_by="file_times")
    assert settled.n_open == 0
    assert wrong_cells(folder, settled) == []


def test_times_without_a_date_need_one_evening():
    folder = made_folder(STYLES["times only"], 5)
    assert all(row.cells["order"].is_asked and row.cells["round"].is_asked for row in drafted(folder).rows)
    assert drafted(folder, one_day="yes").n_open == 0


def test_all_of_one_tuning_first_is_said_before_the_first_question():
    draft = drafted(made_folder(STYLES["old logs"], 5))
    assert [name for name, _ in block_order(draft.rows)] == ["factory", "quiet"]
    lines = block_lines(draft)
    assert lines[0].startswith("All 12 runs of factory (18:30 to ")
    assert "came before all 12 of quiet (" in lines[0]
    assert any("unless the test setup itself came back more" in line for line in lines)
    assert "restart_between" in keys(draft)
    assert block_lines(drafted(made_folder(STYLES["folders by game"], 5))) == []


def test_a_restart_between_the_blocks_makes_two_sessions():
    folder = made_folder(STYLES["old logs"], 5)
    assert len(drafted(folder).names("session")) == 1
    assert len(drafted(folder, restart_between="yes").names("session")) == 2


def test_a_second_card_in_the_names_is_asked():
    folder = made_folder(STYLES["folders by game"], 5)
    facts = [replace(fact, path=ROOT / card / fact.path.relative_to(ROOT), sha256=f"{card}{fact.sha256}")
             for card in ("Larkmoor", "Fernholt") for fact in folder.facts if fact.kind == "frames"]  # fmt: skip
    draft = draft_from_logs(facts, ROOT, {})
    assert 'What are "Fernholt", "Larkmoor"?' in [one.text for one in draft.questions]
    assert all(row.cells["round"].is_asked for row in draft.rows)
    settled = draft_from_logs(facts, ROOT, {"group_is": "cards"})
    assert {row.value("card") for row in settled.rows} == {"Larkmoor", "Fernholt"}
    (which,) = [one for one in all_questions(settled, {"group_is": "cards"}) if one.key == "card"]
    assert {choice.value for choice in which.choices} == {"Larkmoor", "Fernholt"}
    each = draft_from_logs(facts, ROOT, {"group_is": "reviews"})
    assert (each.rows, [name for name, _ in each.parts]) == ((), ["Fernholt", "Larkmoor"])
    one = draft_from_logs(facts, ROOT, dict(each.parts[0][1]))
    assert len(one.rows) == 45
    assert all(row.source.startswith("Fernholt") for row in one.rows)
    assert not any(row.cells["round"].is_asked for row in one.rows)


def test_cards_and_drivers_that_the_logs_name_are_asked():
    def of(key, value):
        return drafted(made_folder(Style(STYLES["copied"].name_of, preamble=lambda run: ((key, value(run)),)), 5))

    two_cards = of("GPU", lambda run: "Fernholt 3" if run.round > 2 else "Larkmoor 4")
    assert asked(two_cards, "group_is").text == 'What are "Fernholt 3", "Larkmoor 4"?'
    assert two_cards.n_open
    assert "group_is" in keys(of("driver", lambda run: f"31.{run.round}"))
    assert "group_is" not in keys(of("driver", lambda run: f"for {run.game}"))
    assert "group_is" not in keys(of("card", lambda run: f"{run.tuning} profile"))
    assert "group_is" not in keys(of("GPU load", lambda run: f"9{run.round} %"))
    assert "group_is" not in keys(of("note", lambda run: f"pass {run.round}"))


def test_two_recorders_of_the_same_runs_are_asked():
    folder = made_folder(STYLES["folders by game"], 5)
    frames = [fact for fact in folder.facts if fact.kind == "frames"]
    other = [replace(fact, path=fact.path.with_suffix(".txt"), sha256=f"b{fact.sha256}", format_id="b", seen="x;y",
                     started_at_s=fact.started_at_s + 2) for fact in frames]  # fmt: skip
    draft = draft_from_logs([*frames, *other], ROOT, {})
    assert all(row.cells["round"].is_asked for row in draft.rows)
    assert asked(draft, "recorder").choices[0].text == '"frame;ms" (45 logs)'
    assert len(draft_from_logs([*frames, *other], ROOT, {"recorder": "b"}).rows) == 45


def test_a_sensor_log_of_another_evening_is_asked():
    folder = made_folder(STYLES["folders by game"], 5)
    facts = [fact if fact.kind == "frames" else replace(fact, started_at_s=fact.started_at_s - 90_000)
             for fact in folder.facts]  # fmt: skip
    draft = draft_from_logs(facts, ROOT, {})
    assert all(row.cells["sensor_log"].is_asked for row in draft.rows)
    assert "does not span 45 of the runs" in asked(draft, "sensor_log").text
    assert not any(row.value("sensor_log") for row in draft_from_logs(facts, ROOT, {"sensor_log": "no"}).rows)


def test_a_likely_format_is_asked_once_and_written_into_the_plan():
    folder = made_folder(STYLES["folders by game"], 5)
    about = {"certainty": "likely", "questions": ("'Dauer' is likely the frame time.",), "paste": "frames = {}"}
    facts = [replace(fact, **about) if fact.kind == "frames" else fact for fact in folder.facts]
    draft = draft_from_logs(facts, ROOT, {"card": "Larkmoor 4"})
    (question,) = draft.later
    assert (question.key, question.default) == ("layouts.5f0c9a21", "")
    assert question.about[0] == "'Dauer' is likely the frame time."
    confirmed = draft_from_logs(facts, ROOT, {"card": "Larkmoor 4", "layouts.5f0c9a21": "right"})
    assert confirmed.plan_lines["sections"] == (
        '[[logs.format]]\ncard = "Larkmoor 4"\nid = "5f0c9a21"\nseen = "frame;ms"\nframes = {}\n',
    )


def test_a_single_column_of_sensors_is_asked_by_its_name():
    folder = made_folder(STYLES["folders by game"], 5)
    about = {"certainty": "likely", "paste": "sensors = {}", "format_id": "a1",
             "columns": (("load_pct", "GPU load", "%", "stated"),
                         ("board_w", "Power (W)", "W", "likely"))}  # fmt: skip
    facts = [replace(fact, **about) if fact.kind == "sensors" else fact for fact in folder.facts]
    (question,) = draft_from_logs(facts, ROOT, {}).later
    assert question.text == 'Column "Power (W)" of the sensor log: is it the power of the card\'s whole board?'


# ------------------------------------------------------------------------------------------ blocks by pauses


def evening(short: tuple[float, float], long: tuple[float, float], seed: int) -> tuple[list[float], list[int]]:
    """Return starts of four games of six runs, and the block of each."""
    rng, starts, of, now = random.Random(seed), [], [], 0.0
    for block in range(4):
        for _ in range(6):
            starts.append(now)
            of.append(block)
            now += 60 + rng.uniform(*short)
        now += rng.uniform(*long) - rng.uniform(*short)
    return starts, of


def test_pauses_in_two_heaps_cut_an_evening_into_its_games():
    for seed in range(200):
        starts, of = evening((20, 45), (150, 330), seed)
        blocks = blocks_by_pauses(starts, [60.0] * 24)
        assert [n for n, block in enumerate(blocks) for _ in block] == of


def test_pauses_of_all_lengths_cut_nothing():
    cut = [len(blocks_by_pauses(evening((20, 240), (60, 300), seed)[0], [60.0] * 24)) for seed in range(200)]
    assert cut.count(1) > 190


def test_stamps_only_are_named_by_blocks():
    starts, _ = evening((20, 45), (150, 330), 1)
    about = {"clock_kind": "dated", "length_s": 60.0, "mean_fps": 100.0}
    facts = [LogFacts(ROOT / f"capture {n:05d}.csv", "frames", sha256=str(n), started_at_s=1.7e9 + start, **about)
             for n, start in enumerate(starts)]  # fmt: skip
    answers = {"one_block_one_game": "yes"} | {f"blocks.{n}": f"Game {'ABCD'[n - 1]}" for n in range(1, 5)}
    answers |= {"tuning_names": "factory, quiet", "order": "f q q f f q", "order_same": "yes"}
    draft = draft_from_logs(facts, ROOT, answers)
    assert draft.n_open == 0
    assert table_lines(draft)[1].split()[:8] == ["Game", "A", "1", "2", "3", "1", "2", "3"]
    assert "".join(row.value("tuning")[0] for row in draft.rows[:6]) == "fqqffq"
    assert all(row.cells["game"].is_asked for row in draft_from_logs(facts, ROOT, {}).rows)


@pytest.mark.parametrize(
    ("typed", "read"),
    [("f q", ["factory", "quiet"]), ("Factory, quiet", ["factory", "quiet"]), ("f", []), ("f x", []), ("", [])],
)
def test_orders_are_typed_by_names_or_first_letters(typed, read):
    assert order_of(typed, ("factory", "quiet"), 2) == read


def test_first_letters_that_two_tunings_share_are_no_order():
    assert order_of("f f", ("factory", "fast"), 2) == []


def test_a_folder_without_frame_logs_has_no_rows():
    draft = draft_from_logs([LogFacts(Path("logs/a.csv"), "none", fault="a.csv: no log.")], ROOT, {})
    assert draft.rows == ()
    assert draft.head == ("1 files: 0 frame logs.", "Left over: a.csv: no log.")


def test_runs_of_unknown_length_and_rate_are_drafted():
    folder = made_folder(STYLES["unknown tunings"], 5)
    facts = [replace(fact, length_s=math.nan, mean_fps=math.nan) for fact in folder.facts]
    assert len(draft_from_logs(facts, ROOT, {}).rows) == 30


@pytest.mark.parametrize(("answer", "measured_at"), [("right", ""), ("chip", "chip_sensor")])
def test_watts_that_do_not_say_of_what_are_asked_for_and_may_be_those_of_the_chip(answer, measured_at):
    folder = made_folder(STYLES["old logs"], 0)
    likely = {
        "format_id": "c15d361c", "seen": "time;Power (W)", "columns": (("board_w", "Power (W)", "W", "likely"),),
        "paste": 'sensors = { board_w = { column = "Power (W)", unit = "W" } }',
    }  # fmt: skip
    facts = [replace(one, **likely) if one.kind == "sensors" else one for one in folder.facts]
    draft = draft_from_logs(facts, ROOT, {"layouts.c15d361c": answer, "card": "Larkmoor 4"})
    (asked,) = [one for one in draft.later if one.key == "layouts.c15d361c"]
    assert asked.text == 'Column "Power (W)" of the sensor log: is it the power of the card\'s whole board?'
    assert asked.about[0] == "It says W; it does not say of what."
    assert [one.text for one in asked.choices] == ["yes", "only the chip", "no, another part", "first rows"]
    assert draft.plan_lines["cards"] == ((f'power_measured_at = "{measured_at}"',) if measured_at else ())
    assert "[[logs.format]]" in draft.plan_lines["sections"][0]
