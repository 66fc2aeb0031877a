"""Looks are counted once per set of used runs; what each gave is kept, and what was decided before the first."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plans import SMALL_PLAN, small_plan

from gpubench_kit.model.errors import ReportError, TableError
from gpubench_kit.model.plan import load_plan
from gpubench_kit.sheet import looks as module
from gpubench_kit.sheet.look_files import GIVEN_FILE, LOOKS_FILE, read_looks
from gpubench_kit.sheet.looks import COUNTED_BY_REPORT, open_looks, run_ids, runs_fingerprint, values_fingerprint

OLD = Path(__file__).parents[1] / "reference" / "kit_0_1_0" / "reviews" / "spring"


def usable(n_rounds: int = 3, **columns) -> pd.DataFrame:
    """Return used runs of two tunings in two games, typed by hand."""
    rows = [
        {"run": f"r{n}{game}{tuning}", "card": "Larkmoor 4", "bench": "", "tuning": tuning, "game": game,
         "setting": "", "session": "", "round": n, "metric": metric, "frame_log_sha256": "",
         "value": 90 + n + len(game) + len(tuning) / 3 + len(metric)}
        for n in range(n_rounds) for game in ("Low Tide Racers", "Salt Orchard")
        for tuning in ("factory", "quiet") for metric in ("avg_fps", "board_w")
    ]  # fmt: skip
    table = pd.DataFrame(rows).assign(**columns)
    runs = table.drop_duplicates("run")
    return table.merge(runs[["run"]].assign(run_id=run_ids(runs)), on="run")


def look(folder, rows=None, **changes) -> str:
    """Make a look at some runs, and return its sentence."""
    return open_looks(small_plan(folder, changes=changes), usable() if rows is None else rows).record()


def changes_now(folder, plan) -> list[tuple[str, str, str]]:
    """Return the decisions of a plan that differ from those before the first look."""
    asked = small_plan(folder, changes=plan)
    return open_looks(asked).changes


@given(seed=st.integers(0, 2**32 - 1))
def test_order_of_rows_is_irrelevant(seed):
    mixed = usable().sample(frac=1, random_state=seed)
    assert values_fingerprint(mixed) == values_fingerprint(usable())
    assert runs_fingerprint(mixed) == runs_fingerprint(usable())


@pytest.mark.parametrize("column", ["run", "card", "tuning", "game", "setting", "bench"])
def test_corrected_names_make_no_new_look(tmp_path, column):
    look(tmp_path)
    renamed = usable()
    renamed[column] = renamed[column] + " corrected"
    runs = renamed.drop_duplicates("run")
    renamed = renamed.drop(columns="run_id").merge(runs[["run"]].assign(run_id=run_ids(runs)), on="run")
    section = f"{column}s"
    names = [one | {"name": f"{one['name']} corrected"} for one in SMALL_PLAN.get(section, ())]
    changes = {section: names} if names else {}
    assert open_looks(small_plan(tmp_path, changes=changes), renamed).known == 1


def test_a_run_is_known_by_its_log_whatever_its_row_says():
    runs = usable().drop_duplicates("run").assign(frame_log_sha256=[f"{n:064x}" for n in range(12)])
    renamed = runs.assign(tuning="other", game="other", round=9, run="other")
    assert run_ids(runs) == run_ids(renamed)
    assert len(set(run_ids(runs))) == 12
    assert len(set(run_ids(runs.assign(frame_log_sha256="a" * 64)))) == 12, "one log given twice is two runs"


def test_bits_below_nine_digits_make_no_new_look():
    other = usable()
    other["value"] *= 1 + 1e-15
    assert values_fingerprint(other) == values_fingerprint(usable())


def test_columns_that_are_missing_are_empty():
    assert values_fingerprint(usable().drop(columns=["setting", "bench"])) == values_fingerprint(usable())


def _moved_run(rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows with one run under the other tuning."""
    rows.loc[rows["run"] == "r0Salt Orchardquiet", "tuning"] = "factory"
    return rows


CHANGED = {
    "one more round": lambda rows: usable(4),
    "one run less": lambda rows: rows[rows["run"] != "r0Salt Orchardquiet"],
    "one run under another tuning": _moved_run,
}


@pytest.mark.parametrize("change", CHANGED.values(), ids=CHANGED.keys())
def test_another_set_of_used_runs_makes_a_new_look(tmp_path, change):
    look(tmp_path)
    assert open_looks(small_plan(tmp_path), change(usable())).made == 2


def test_a_number_corrected_and_a_metric_more_or_less_are_no_looks(tmp_path):
    look(tmp_path)
    changed = usable()
    changed.loc[0, "value"] += 0.01
    for rows in (changed, usable()[usable()["metric"] != "board_w"]):
        assert open_looks(small_plan(tmp_path), rows).made == 1


def test_a_number_changed_without_a_reason_is_told_until_one_is_given(tmp_path):
    look(tmp_path)
    changed = usable(corrected="")
    changed.loc[0, "value"] += 1
    again = open_looks(small_plan(tmp_path), changed)
    assert again.moved[["run", "metric", "look", "is_explained"]].to_numpy().tolist() == [
        ["r0Low Tide Racersfactory", "avg_fps", 1, False]
    ]
    assert again.moved["now"].item() - again.moved["before"].item() == pytest.approx(1)
    again.record()
    assert len(open_looks(small_plan(tmp_path), changed).moved) == 1, "made again, it stays what it was"
    changed.loc[0, "corrected"] = "read off the wrong line"
    explained = open_looks(small_plan(tmp_path), changed)
    assert explained.moved["is_explained"].all()
    explained.record()
    assert not len(open_looks(small_plan(tmp_path), changed).moved)


def test_what_another_version_of_the_kit_reads_from_a_log_is_explained(tmp_path, monkeypatch):
    logged = usable(frame_log_sha256="a" * 64)
    look(tmp_path, logged)
    changed = logged.assign(value=logged["value"] + 1)
    assert not open_looks(small_plan(tmp_path), changed).moved["is_explained"].any()
    monkeypatch.setattr(module, "__version__", "9.9.9")
    assert open_looks(small_plan(tmp_path), changed).moved["is_explained"].all()


def test_a_review_without_report_has_no_look(tmp_path):
    assert open_looks(small_plan(tmp_path)).made == 0
    assert open_looks(small_plan(tmp_path), usable()).made == 1
    assert open_looks(small_plan(tmp_path)).changes == []
    assert open_looks(small_plan(tmp_path), usable()).foreseen is None


def test_without_a_used_run_nothing_is_shown_and_no_look_is_counted(tmp_path):
    nothing = open_looks(small_plan(tmp_path), usable().iloc[:0])
    assert nothing.made == 0
    assert nothing.record() == "No run is used yet, so no verdict is shown and no look is counted."
    assert not (tmp_path / LOOKS_FILE).exists()
    assert "Look 1 of 2" in look(tmp_path)
    assert open_looks(small_plan(tmp_path), usable().iloc[:0]).made == 1


def test_a_report_made_again_is_no_new_look(tmp_path):
    assert look(tmp_path) == "Look 1 of 2 planned, at 12 used runs; looks.csv keeps count."
    before = [(tmp_path / name).read_bytes() for name in (LOOKS_FILE, GIVEN_FILE)]
    assert look(tmp_path) == "Look 1 of 2 planned, at 12 used runs; looks.csv keeps count."
    assert [(tmp_path / name).read_bytes() for name in (LOOKS_FILE, GIVEN_FILE)] == before


def test_each_new_set_of_runs_is_a_look_and_going_back_to_one_is_none(tmp_path):
    for count in (3, 4, 3):
        look(tmp_path, usable(count))
    looks = read_looks(tmp_path)
    assert looks["look"].tolist() == [1, 2]
    assert looks["runs_sha256"].tolist() == [runs_fingerprint(usable(count)) for count in (3, 4)]
    assert set(looks["plan_fingerprint"]) == {small_plan().fingerprint}
    assert set(looks["kit_version"]) == {module.__version__}
    made = [open_looks(small_plan(tmp_path), usable(count)).made for count in (3, 4, 5)]
    assert made == [2, 2, 3]


def test_runs_that_the_look_before_used_are_missed_by_name(tmp_path):
    look(tmp_path, usable(4))
    fewer = usable(4)[lambda rows: rows["run"] != "r0Salt Orchardquiet"]
    looks = open_looks(small_plan(tmp_path), fewer)
    assert (looks.made, looks.missing) == (2, ["r0Salt Orchardquiet"])


def test_a_notebook_that_a_report_runs_leaves_counting_to_it(tmp_path, monkeypatch):
    monkeypatch.setenv(COUNTED_BY_REPORT, "1")
    assert look(tmp_path).startswith("Look 1 of 2")
    assert not (tmp_path / LOOKS_FILE).exists()


def test_looks_and_confidence_stay_those_of_the_first_look(tmp_path):
    look(tmp_path)
    eased = small_plan(tmp_path, changes={"analysis": {"looks": 1, "confidence": 0.9}})
    stricter = small_plan(tmp_path, changes={"analysis": {"looks": 5, "confidence": 0.99}})
    found = [open_looks(plan).plan.analysis for plan in (eased, stricter)]
    assert [(one.looks, one.confidence) for one in found] == [(2, 0.95), (2, 0.99)]
    assert ("analysis.looks", "2", "1") in open_looks(eased).changes


CLAIM = {
    "id": "a", "text": "It is faster", "metric": "avg_fps", "says": "better", "over": "these_games",
    "of": {"tuning": "quiet"}, "against": {"tuning": "factory"},
}  # fmt: skip


def test_claims_written_after_the_first_verdicts_are_not_foreseen(tmp_path):
    verdicts = pd.DataFrame([{
        "of_card": "Larkmoor 4", "of_tuning": "quiet", "of_bench": "", "against_card": "Larkmoor 4",
        "against_tuning": "factory", "against_bench": "", "game": "Salt Orchard", "setting": "", "group": "all",
        "metric": "avg_fps", "margin": 2.0, "verdict": "undecided", "no_loss": pd.NA,
    }])  # fmt: skip
    overall = verdicts.drop(columns=["game", "setting"]).assign(scope="these_games", level=0.04, share=0.4)
    plan = small_plan(tmp_path, changes={"claims": [CLAIM]})
    open_looks(plan, usable()).record(verdicts, overall)
    later = small_plan(tmp_path, changes={"claims": [CLAIM, {**CLAIM, "id": "b", "says": "worse"}]})
    open_looks(later, usable()).record(verdicts, overall)
    keys = [later.claim_key(one) for one in later.claims]
    assert [key in open_looks(later, usable()).foreseen for key in keys] == [True, False]
    reworded = small_plan(tmp_path, changes={"claims": [{**CLAIM, "text": "Faster it is"}]})
    assert reworded.claim_key(reworded.claims[0]) == keys[0]


def test_decisions_changed_after_the_first_look_are_told(tmp_path):
    look(tmp_path)
    later = {
        "analysis": {"margin_pct": 3, "looks": 4, "metrics": ["avg_fps"], "margins": {"board_w": 5}},
        "exclude": {"min_duration_s": 55},
        "logs": {"sensors": {"board_w": "Power B"}},
        "games": [{"name": "Salt Orchard", "limited_by": "processor"}],
    }
    rows = usable(4)
    look(tmp_path, rows[rows["game"] == "Salt Orchard"], **later)
    assert changes_now(tmp_path, later) == [
        ("analysis.looks", "2", "4"),
        ("analysis.margin_pct", "2", "3"),
        ("analysis.margins.board_w", "not given", "5"),
        ("analysis.metrics", "avg_fps, board_w, energy_per_frame_j, low_1pct_fps", "avg_fps"),
        ("exclude.min_duration_s", "0", "55"),
        ("games.Low Tide Racers", "in the plan", "not in the plan"),
        ("games.Salt Orchard.limited_by", "card", "processor"),
        ("logs_read_as.sensors.Larkmoor 4.board_w", "not given", "Power B"),
    ]


def test_titles_and_pictures_are_no_decisions(tmp_path):
    look(tmp_path)
    assert changes_now(tmp_path, {"review": {"title": "Another"}, "style": {"accent": "#123456"}}) == []


def test_a_plan_of_any_size_can_be_recorded_and_compared(tmp_path):
    games = [{"name": f"{number} " + "x" * 5_000} for number in range(40)]
    look(tmp_path, usable(game=games[0]["name"]), games=games)
    assert changes_now(tmp_path, {"games": games}) == []
    changed = changes_now(tmp_path, {"games": games[1:], "analysis": {"margin_pct": 3}})
    assert [what for what, _, _ in changed] == ["analysis.margin_pct", "games"]


def test_a_file_saved_by_a_spreadsheet_is_still_counted(tmp_path):
    look(tmp_path)
    frame = pd.read_csv(tmp_path / LOOKS_FILE)
    frame.to_csv(tmp_path / LOOKS_FILE, sep=";", index=False, encoding="utf-8-sig", lineterminator="\r\n")
    assert open_looks(small_plan(tmp_path)).made == 1
    assert changes_now(tmp_path, {}) == []


DAMAGE = {
    "row taken out": (lambda text: text.replace("\n1,", "\n2,"), r"looks\.csv, line 2: look '2' was found; 1 is"),
    "hash cut": (
        lambda text: text.replace(values_fingerprint(usable()), "a" * 63), "the hash of the used runs is damaged"
    ),
    "decisions cut": (lambda text: text.replace("{", "["), "the decisions before the first look are damaged"),
    "another table": (lambda text: "run,tuning\nr1,quiet\n", "the columns are not look, used_runs_sha256"),
    "emptied": (lambda text: "", r"looks\.csv: the file is empty"),
}  # fmt: skip


@pytest.mark.parametrize(("damage", "message"), DAMAGE.values(), ids=DAMAGE.keys())
def test_a_damaged_file_is_told_and_never_counted_as_none(tmp_path, damage, message):
    look(tmp_path)
    text = (tmp_path / LOOKS_FILE).read_text(encoding="utf-8")
    (tmp_path / LOOKS_FILE).write_text(damage(text), encoding="utf-8")
    with pytest.raises(TableError, match=message):
        open_looks(small_plan(tmp_path))


def test_what_was_given_is_missed_where_it_was_edited_or_lost(tmp_path):
    look(tmp_path)
    given = tmp_path / GIVEN_FILE
    text = given.read_text(encoding="utf-8")
    for edited, message in (
        (text.replace("avg_fps=", "avg_fps=1"), "what look 1 gave was edited. Restore the file"),
        (text.partition("\n")[0] + "\n", "what look 1 gave is missing"),
        ("a,b\n1,2\n", "the columns are not given, look"),
    ):
        given.write_text(edited, encoding="utf-8")
        with pytest.raises(TableError, match=message):
            open_looks(small_plan(tmp_path))
    given.unlink()
    with pytest.raises(TableError, match=r"looks_given\.csv: it is missing, but looks\.csv names what it kept"):
        open_looks(small_plan(tmp_path))
    given.write_text(text, encoding="utf-8")
    (tmp_path / LOOKS_FILE).unlink()
    with pytest.raises(TableError, match=r"looks\.csv: it is missing, but looks_given\.csv keeps"):
        open_looks(small_plan(tmp_path))


@pytest.mark.parametrize("count", [1, 2])
def test_a_kill_between_the_two_files_leaves_the_looks_as_they_were(tmp_path, monkeypatch, count):
    look(tmp_path)
    before = (tmp_path / LOOKS_FILE).read_bytes()
    done, replace = [], os.replace

    def stop(source, target):
        if len(done) == count:
            raise KeyboardInterrupt
        done.append(target)
        replace(source, target)

    monkeypatch.setattr(os, "replace", stop)
    if count == 1:
        with pytest.raises(KeyboardInterrupt):
            look(tmp_path, usable(4))
        assert (tmp_path / LOOKS_FILE).read_bytes() == before
    else:
        look(tmp_path, usable(4))
    monkeypatch.undo()
    assert open_looks(small_plan(tmp_path)).made == count
    look(tmp_path, usable(4))
    assert open_looks(small_plan(tmp_path)).made == 2


def test_a_failed_write_leaves_the_earlier_looks(tmp_path, monkeypatch):
    look(tmp_path)
    there = sorted(path.name for path in tmp_path.iterdir())

    def refuse(source, target):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(
        ReportError, match=r"cannot be written down .Permission denied.. Make the review folder writable"
    ):
        look(tmp_path, usable(4))
    assert open_looks(small_plan(tmp_path)).made == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == there


def test_looks_of_version_0_1_0_count_and_nothing_is_remembered_of_them(tmp_path):
    review = shutil.copytree(OLD, tmp_path / "spring")
    plan = (review / "plan.toml").read_text(encoding="utf-8").replace("power_point", "power_measured_at")
    (review / "plan.toml").write_text(plan, encoding="utf-8")
    rows = usable().replace("Low Tide Racers", "Dune Relay")
    looks = open_looks(load_plan(review), rows)
    assert (looks.made, looks.known, len(looks.kept)) == (2, 0, 0)
    assert looks.foreseen is None
    assert looks.changes == [("rules changed with version 0.2.0", "0.1.0", "0.2.0")]
    assert looks.record() == "Look 2 of 2 planned, at 12 used runs; looks.csv keeps count."
    again = open_looks(load_plan(review), rows)
    assert (again.made, again.known, again.rows["kit_version"].tolist()) == (2, 2, ["", module.__version__])
