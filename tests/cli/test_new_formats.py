"""`new FOLDER --from LOGS` asks whether a format is read right, as `check` does, and writes what is answered."""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import numpy as np
import pytest
from made_dialects import frames, text_of, written
from terminal import talk

from gpubench_kit import cli
from gpubench_kit.logs.review import formats_to_confirm, open_review
from gpubench_kit.model.plan import load_plan

pytestmark = pytest.mark.usefixtures("notebooks_here")

GAMES = ("Copper Monsoon", "Salt Orchard")


def new(*words: str | Path) -> int:
    """Run the command without a terminal."""
    return cli.main(["new", *map(str, words)])


@pytest.fixture
def likely_logs(tmp_path) -> Path:
    """Eight logs of a lone column, which no time proves, and of power that does not say of what."""
    for place, (game, tuning, n) in enumerate(itertools.product(GAMES, ("factory", "quiet"), (1, 2))):
        frame_ms = frames(np.random.default_rng(place), 1500)
        columns = {"dur": written(frame_ms, "ms"), "power; all [W]": np.full(frame_ms.size, 250.5)}
        (tmp_path / "logs").mkdir(exist_ok=True)
        (tmp_path / "logs" / f"{game} {tuning} {n}.csv").write_text(text_of(columns), encoding="utf-8")
    return tmp_path / "logs"


def test_a_format_answered_right_is_confirmed_in_the_plan(tmp_path, likely_logs):
    shown = talk(
        ["new", "x", "--from", "logs"], ["", "1", "Larkmoor 4", "power_limit_pct -12", "1", ""], folder=tmp_path
    )
    assert shown.code == 0, shown.text
    assert '8 logs of one format ("dur;power; all [W]"): is this right?' in " ".join(shown.text.split())
    # What was written is shown as it stands in the plan.
    plan = load_plan(tmp_path / "x")
    (entry,) = plan.logs.format
    told = " ".join(shown.text.partition("written: [[logs.format]] ")[2].split())
    assert told.startswith(
        f'card = "Larkmoor 4", id = "{entry.id}", seen = "dur;power; all [W]", '
        'frames = { time = "dur", unit = "ms", rows = "frames" }, sensors = {'
    )
    assert (entry.card, entry.seen) == ("Larkmoor 4", "dur;power; all [W]")
    assert set(entry.sensors) == {"board_w"}
    review = open_review(plan)
    assert len(review.tasks) == 8
    assert formats_to_confirm(review) == []


def test_a_draft_and_a_check_ask_for_a_format_alike(tmp_path, likely_logs):
    drafted = talk(
        ["new", "x", "--from", "logs"], ["", "1", "Larkmoor 4", "power_limit_pct -12", "4", "", ""], folder=tmp_path
    )
    checked = talk(["check", "x"], ["4", "3"], folder=tmp_path)

    def asked(text: str) -> list[str]:
        """Return the lines of the question, with the first rows that a digit shows."""
        lines = text[text.index("8 logs of one format") :].replace(" of Larkmoor 4", "").replace("logs/", "")
        return " ".join(lines.partition("  > 4")[0].split()), lines.partition("  > 4")[2].splitlines()[1:5]

    assert asked(drafted.text) == asked(checked.text)
    assert "1 right: one row per frame 2 another unit or column 3 rows are not frames 4 first rows" in (
        asked(drafted.text)[0])  # fmt: skip
    assert asked(drafted.text)[1][0].strip() == "dur,power; all [W]"
    assert 'frames = { rows = "samples" }' in checked.text.partition("written: ")[2]
    assert load_plan(tmp_path / "x").logs.format[0].frames.rows == "samples"


@pytest.mark.parametrize("key", ["", "2"])
def test_a_format_that_is_not_confirmed_waits_for_check(tmp_path, likely_logs, key):
    shown = talk(["new", "x", "--from", "logs"], ["", "1", "Larkmoor 4", "", key, ""], folder=tmp_path)
    assert shown.code == 0, shown.text
    plan = load_plan(tmp_path / "x")
    assert plan.logs.format == ()
    (waiting,) = formats_to_confirm(open_review(plan))
    assert (waiting.card, waiting.n_logs) == ("Larkmoor 4", 8)


def test_without_a_terminal_the_lines_to_paste_confirm_the_format(tmp_path, likely_logs, capsys):
    (tmp_path / "a.toml").write_text('card = "Larkmoor 4"\n', encoding="utf-8")
    assert new(tmp_path / "x", "--from", likely_logs, "--answers", tmp_path / "a.toml") == 0
    lines = [line.strip() for line in capsys.readouterr().out.splitlines()]
    entry = lines[lines.index("[[logs.format]]") :]
    with (tmp_path / "x" / "plan.toml").open("a", encoding="utf-8") as plan:
        plan.write("\n".join(["", *entry[: entry.index("")], ""]))
    assert formats_to_confirm(open_review(load_plan(tmp_path / "x"))) == []


def test_a_file_of_answers_may_name_the_unit_of_a_format_in_place_of_right(tmp_path, likely_logs, capsys):
    assert new(tmp_path / "asked", "--from", likely_logs, "--json") == 0
    (asked,) = [one for one in json.loads(capsys.readouterr().out)["questions"] if one["id"].startswith("layouts")]
    assert asked["answers"] == ["right", "other", "samples"]
    assert asked["files"] == sorted(file.name for file in likely_logs.iterdir())
    format_id = asked["id"].removeprefix("layouts.")

    def answered(name: str, answer: str) -> int:
        said = f'card = "Larkmoor 4"\nlayouts = {{ "{format_id}" = {answer} }}\n'
        (tmp_path / "a.toml").write_text(said, encoding="utf-8")
        return new(tmp_path / name, "--from", likely_logs, "--answers", tmp_path / "a.toml")

    assert answered("right", '"right"') == 0
    assert answered("unit", '{ frames = "ms" }') == 0
    plans = [(tmp_path / name / "plan.toml").read_bytes() for name in ("right", "unit")]
    assert plans[0] == plans[1]
    assert b"[[logs.format]]" in plans[0]
    assert answered("wrong", '{ frames = "s" }') == 2
    assert "'frames s' was found; one of 'right', 'other', 'samples' is expected" in capsys.readouterr().err
    assert not (tmp_path / "wrong").exists()
