"""What drafts ask: sentences from the catalogue (``ask.KIND``), and which answers each kind of question takes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from types import MappingProxyType

from gpubench_kit.model.errors import shown
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.model.questions import SHOW, Choice, LogFacts, Question, isolated
from gpubench_kit.sheet.log_names import word_set
from gpubench_kit.wording.catalogue import has, say

#: Answers on a format that write: right, rows that are samples and not frames, watts of the chip alone.
RIGHT, SAMPLES, CHIP = "right", "samples", "chip"
#: Kinds that stand for themselves; all others are numbered with the question before them.
_MAIN = word_set(
    "table card which_card tunings margin_pct layouts typed_order restarted restart_between one_block_one_game "
    "blocks tuning_names block_list order which_table sheets_are_games sheets_are_tunings column comma running"
)
#: Kinds of which any text is an answer.
_TYPED = word_set(
    "card name tunings margin_pct no_tuning_in_name game_of_all blocks block_list tuning_names order no_tuning"
)
#: What Enter alone answers: proven, or harmless.
_DEFAULTS = {"margin_pct": "2", "table": "yes", "typed_order": "not_known", "restarted": "yes",
             "restart_between": "unknown", "order_same": "no", "running": "no", "order_read": "right"}  # fmt: skip
#: Answers of the digits, where they do not depend on what was found.
_CHOICES: Mapping[str, tuple[str, ...]] = {
    **dict.fromkeys(
        word_set("one_state numbers_of_games numbers_of_tunings one_day restarted sensor_log order_same running"),
        ("yes", "no"),
    ),
    "group_is": ("settings", "sessions", "cards", "reviews", "rounds"),
    "no_tuning_in_name": ("factory",), "no_tuning": ("factory",), "order_by": ("stamps", "numbers"),
    "file_times": ("file_times",), "typed_order": ("alternated", "back_to_back", "not_known"),
    "restart_between": ("yes", "no", "unknown"), "one_block_one_game": ("yes", "no", "list"),
    "order_read": ("right",), "recorder": ("both",),
    "sheets_are_games": ("games", "tables"), "sheets_are_tunings": ("tunings", "tables"),
    "comma": ("decimal", "thousands"), "roles": ("right", "turned"),
    "left_out": ("counts",), "column": ("none",),
}  # fmt: skip
#: Kinds that are answered under another kind's key.
_KEYS = {"which_card": "card", "are_tunings": "tunings_are", "file_times": "order_by",
         "sheets_are_games": "sheets_are", "sheets_are_tunings": "sheets_are"}  # fmt: skip

#: Of many names so many are listed.
_MOST_NAMES = 6
_NOTHING: Mapping[str, object] = MappingProxyType({})


def question(
    kind: str,
    values: Mapping[str, object] = _NOTHING,
    *,
    name: str = "",
    form: str = "text",
    choices: Iterable[Choice] = (),
    check: Callable[[str], str] | None = None,
) -> Question:
    """Return a question as the catalogue says it.

    Parameters
    ----------
    kind : key of its sentences
    values : what fills their places: numbers, texts (on one line), or several names (in quotes)
    name : what it is about, where there may be several of its kind: part of its key
    form : which of its texts is asked
    choices : answers that depend on what was found; they come before the others
    check : what is wrong with a typed answer
    """
    said: dict[str, object] = {}
    for place, value in values.items():
        if isinstance(value, int):
            said[place] = value
        elif isinstance(value, str):
            said[place] = shown(value)[1:-1]
        else:
            names = [f'"{isolated(shown(str(one))[1:-1])}"' for one in value]  # type: ignore[attr-defined]
            more = f" and {len(names) - _MOST_NAMES} more" if names[_MOST_NAMES:] else ""
            said[place] = ", ".join(names[:_MOST_NAMES]) + more

    def text(part: str) -> str:
        return say(f"ask.{kind}.{part}", **said) if has(f"ask.{kind}.{part}") else ""

    key = _KEYS.get(kind, kind)
    own = [Choice(text(f"choice.{answer}"), answer) for answer in _CHOICES.get(kind, ())]
    about = text("about")
    return Question(
        f"{key}.{name}" if name else key, text(form), (*choices, *own), default=_DEFAULTS.get(kind, ""),
        default_text=text("enter") or "later", is_typed=kind in _TYPED, about=(about,) if about else (),
        paste=text("paste"), writes=text("writes"), is_detail=kind not in _MAIN, check=check,
    )  # fmt: skip


def format_question(
    facts: LogFacts, entries: Sequence[str], *, key: str, n_logs: int, card: str = "", can_be_chip: bool = False
) -> Question:
    """Return the question whether a format is read right, as a draft and a check ask it.

    Parameters
    ----------
    facts : of one log of the format
    entries : of ``[[logs.format]]``, one for each card, that confirm what is proposed
    key : where the answer is kept
    n_logs : logs of the format
    card : whose logs they are; empty where it is not known yet
    can_be_chip : whether the answer that watts are those of the chip alone can be written
    """
    what = "sensors" if facts.kind == "sensors" else "frames"
    asked = [(role, heading, unit) for role, heading, unit, sure in facts.columns
             if what == "sensors" and sure in ("likely", "open") and role in METRICS]  # fmt: skip
    of_card = say("format.of_card", card=isolated(shown(card)[1:-1])) if card else ""
    text = say("format.text", n=n_logs, seen=shown(facts.seen)[1:-1], of_card=of_card)
    said, enter = " ".join(facts.questions[:3]) or say("format.by_looks", seen=facts.seen), say("format.later")
    answers, texts = [RIGHT, "other", *[SAMPLES] * (what == "frames")], f"format.{what}"
    if len(asked) == 1:
        role, heading, unit = asked[0]
        is_board = role == "board_w"
        quantity = say("format.board") if is_board else METRICS[role].label
        text = say("format.column", heading=shown(heading)[1:-1], what=quantity)
        if is_board:
            said, enter, texts = say("format.watts.about", unit=unit), say("format.watts.later"), "format.watts"
            answers[1:1] = [CHIP] * can_be_chip
    choices = []
    for one in answers:
        lines = (entry.strip().replace("\n", ", ").replace("]], ", "]] ") for entry in format_entries(entries, one))
        choices.append(Choice(say(f"{texts}.{one}"), one, "; ".join(lines)))
    return Question(
        key, text, (*choices, Choice(say("format.first_rows"), SHOW)), default_text=enter,
        about=(said, say(f"format.about_{what}", n=n_logs)), evidence=facts.first_rows, paste="\n".join(entries),
    )  # fmt: skip


def format_entries(entries: Sequence[str], answer: str) -> list[str]:
    """Return the entries of ``[[logs.format]]`` that an answer on a format writes; none for any other answer.

    Parameters
    ----------
    entries : that confirm what is proposed
    answer : as kept
    """
    if answer != SAMPLES:
        return list(entries) if answer in (RIGHT, CHIP) else []
    heads = (
        [line for line in entry.splitlines(keepends=True) if not line.startswith(("frames", "sensors"))]
        for entry in entries
    )
    return ["".join(head) + 'frames = { rows = "samples" }\n' for head in heads]


def format_answer(answer: str, paste: str) -> str:
    """Return an answer on a format: ``right`` where a file of answers names the unit that is proposed.

    Parameters
    ----------
    answer : as kept: a choice, or ``frames ms`` for ``{ frames = "ms" }``
    paste : lines for the plan that confirm the proposal
    """
    unit = answer.removeprefix("frames ")
    is_proposed = unit != answer and f'unit = "{unit}"' in paste.partition("frames = ")[2]
    return RIGHT if is_proposed else answer


def choice(kind: str, answer: str, *, value: str = "") -> Choice:
    """Return an answer of a kind of question as the catalogue says it.

    Parameters
    ----------
    kind : of the question
    answer : key of its text
    value : what is kept, where that is something else
    """
    return Choice(say(f"ask.{kind}.choice.{answer}"), value or answer)


def named(names: Sequence[str], most: int = 8) -> tuple[Choice, ...]:
    """Return names from files as choices, as many as there are digits.

    Parameters
    ----------
    names : in the order offered
    most : at most so many
    """
    return tuple(Choice(isolated(shown(name)[1:-1]), name) for name in names[:most])
