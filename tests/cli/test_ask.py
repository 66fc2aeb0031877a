"""Questions on a terminal: defaults, digits, back, evidence, stop; numbers and widths; lines without a terminal."""

from __future__ import annotations

import builtins

import pytest

from gpubench_kit.cli import terminal as asking
from gpubench_kit.cli.terminal import ask
from gpubench_kit.model.questions import SHOW, Choice, Question, isolated, paste_lines

TABLE = Question(
    "table", "Is this table right?", default="yes", default_text="yes",
    choices=(Choice("show each file", SHOW), Choice("change names", "names")), evidence=("a.csv  Salt Orchard",),
)  # fmt: skip
CARD = Question("card", "Name of the card", is_typed=True, writes='[[cards]] name = "{}"',
                default_text="leave empty", paste='plan.toml: [[cards]] name = ""')  # fmt: skip
MARGIN = Question("margin_pct", "Margin, in percent", default="2", default_text="2", is_typed=True,
                  check=lambda typed: "" if typed.isdigit() else f"'{typed}' is no number.")  # fmt: skip


def questions(answers) -> list[Question]:
    """Return three questions, and one more where names are to be changed."""
    more = [Question("name.a", "Name of game 'a'", is_typed=True, is_detail=True)] * (
        answers.get("table") == "names"
    )
    return [TABLE, *more, CARD, MARGIN]


@pytest.fixture
def typed(monkeypatch):
    """Return a function that sets what is typed; the end of the input stands behind it."""

    def give(*lines: str) -> None:
        left = iter(lines)

        def read(prompt: str = "") -> str:
            try:
                return next(left)
            except StopIteration:
                raise EOFError from None

        monkeypatch.setattr(builtins, "input", read)

    monkeypatch.setenv("COLUMNS", "100")
    return give


def test_enter_takes_the_defaults_and_leaves_the_others_open(typed, capsys):
    typed("", "", "")
    assert ask(questions) == {"table": "yes", "card": "", "margin_pct": "2"}
    shown = capsys.readouterr().out
    assert "1 of 3   Is this table right?\n         [Enter: yes]   1 show each file   2 change names  > " in shown
    assert "3 of 3   Margin, in percent" in shown
    assert "written" not in shown


def test_an_answer_that_opens_several_questions_says_so(typed, capsys):
    names = [Question(f"name.{n}", f"Name of game {n}", is_typed=True) for n in range(1, 4)]
    for n_opened, told in (
        (1, ""),
        (3, "This answer opens 3 more questions, from “Name of game 1” to “Name of game 3”"),
    ):
        typed("2", "", *[""] * n_opened, "")

        def asked(answers, n=n_opened):
            return [TABLE, *names[: n * (answers.get("table") == "names")], CARD]

        assert len(ask(asked)) == 2 + n_opened
        shown = " ".join(capsys.readouterr().out.split())
        assert ("This answer opens" in shown) == bool(told)
        assert told in shown


def test_an_answer_says_what_it_writes(typed, capsys):
    typed("", "Larkmoor 4", "3")
    assert ask(questions) == {"table": "yes", "card": "Larkmoor 4", "margin_pct": "3"}
    assert '         written: [[cards]] name = "Larkmoor 4"\n' in capsys.readouterr().out


def test_an_answer_opens_a_question_that_belongs_to_it(typed, capsys):
    typed("2", "b", "", "")
    assert ask(questions) == {"table": "names", "name.a": "b", "card": "", "margin_pct": "2"}
    shown = capsys.readouterr().out
    assert "1a       Name of game 'a'" in shown
    assert "2 of 3   Name of the card" in shown


def test_zero_goes_back_and_drops_what_was_opened(typed):
    typed("2", "b", "0", "0", "", "card", "2")
    assert ask(questions) == {"table": "yes", "card": "card", "margin_pct": "2"}


def test_zero_at_the_first_question_asks_it_again(typed):
    typed("0", "", "", "")
    assert ask(questions)["table"] == "yes"


def test_evidence_is_shown_by_a_question_mark_or_a_choice_and_the_question_stays(typed, capsys):
    typed("?", "1", "", "?", "", "")
    ask(questions)
    shown = capsys.readouterr().out
    assert shown.count("a.csv  Salt Orchard") == 2
    assert "There is nothing more to show." in shown


def test_what_is_no_answer_is_asked_again(typed, capsys):
    typed("7", "yes", "", "x", "two", "2")
    assert ask(questions) == {"table": "yes", "card": "x", "margin_pct": "2"}
    shown = capsys.readouterr().out
    assert shown.count("This is no answer here: 1 to 2, Enter, 0 (back) or ? (why).") == 2
    assert "'two' is no number." in shown


@pytest.mark.parametrize("stop", ["\x1b", "\x1b[A", None])
def test_escape_and_the_end_of_input_stop_and_what_was_answered_is_kept(typed, stop):
    kept: list[dict] = []
    typed(*(["", "Larkmoor 4"] + ([stop] if stop else [])))
    with pytest.raises(KeyboardInterrupt):
        ask(questions, keep=lambda answers: kept.append(dict(answers)))
    assert kept[-1] == {"table": "yes", "card": "Larkmoor 4"}
    typed("4")
    assert ask(questions, kept[-1]) == {"table": "yes", "card": "Larkmoor 4", "margin_pct": "4"}


def test_nothing_is_asked_that_was_answered(typed, capsys):
    typed()
    answers = {"table": "yes", "card": "x", "margin_pct": "1"}
    assert ask(questions, answers) == answers
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize("width", [40, 60, 100])
def test_lines_fit_the_terminal(typed, capsys, monkeypatch, width):
    monkeypatch.setenv("COLUMNS", str(width))
    long = Question("a", "Which of these words are the games? " * 4, about=("word " * 40,),
                    choices=tuple(Choice(f"choice number {n}", str(n)) for n in range(1, 8)))  # fmt: skip
    typed("7")
    assert ask(lambda _answers: [long]) == {"a": "7"}
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= width + len("  > ")
    assert all(line.startswith(" " * 9) for line in lines[1:])


def test_without_a_terminal_each_question_has_its_line():
    assert paste_lines([TABLE, CARD]) == [
        "Is this table right? (change names)", "Name of the card", '  plan.toml: [[cards]] name = ""',
    ]  # fmt: skip


def test_names_from_right_to_left_are_kept_apart():
    assert isolated("משחק") == "\u2068משחק\u2069"
    assert isolated("Salt Orchard") == "Salt Orchard"


def test_nobody_is_asked_through_a_pipe(monkeypatch):
    monkeypatch.setattr(asking.sys.stdin, "isatty", lambda: False, raising=False)
    assert not asking.is_terminal()
