"""What drafts ask: sentences from the catalogue (``ask.KIND``), and which answers each kind of question takes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from types import MappingProxyType

from gpubench_kit.model.errors import shown
from gpubench_kit.model.questions import Choice, Question, isolated
from gpubench_kit.sheet.log_names import word_set
from gpubench_kit.wording.catalogue import has, say

#: Kinds that stand for themselves; all others are numbered with the question before them.
_MAIN = word_set(
    "table card which_card tunings margin_pct layouts typed_order restarted restart_between one_block_one_game "
    "blocks tuning_names block_list order which_table sheets_are_games column comma running"
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
    "order_read": ("right",), "recorder": ("both",), "layouts": ("right", "no"), "watts": ("right", "chip", "no"),
    "sheets_are_games": ("games", "tables"), "comma": ("decimal", "thousands"), "roles": ("right", "turned"),
    "left_out": ("counts",), "column": ("none",),
}  # fmt: skip
#: Kinds that are answered under another kind's key.
_KEYS = {"which_card": "card", "are_tunings": "tunings_are", "file_times": "order_by",
         "sheets_are_games": "sheets_are"}  # fmt: skip

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
    said = {place: one if isinstance(one, int) else _shown(one) for place, one in values.items()}

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


def _shown(value: object) -> str:
    """Return a text on one line, or several in quotes."""
    if isinstance(value, str):
        return shown(value)[1:-1]
    names = [f'"{isolated(shown(str(one))[1:-1])}"' for one in value]  # type: ignore[attr-defined]
    return ", ".join(names[:_MOST_NAMES]) + (f" and {len(names) - _MOST_NAMES} more" if names[_MOST_NAMES:] else "")


def format_answer(answer: str, paste: str) -> str:
    """Return an answer on a format: ``right`` where a file of answers names the unit that is proposed.

    Parameters
    ----------
    answer : as kept: a choice, or ``frames ms`` for ``{ frames = "ms" }``
    paste : lines for the plan that confirm the proposal
    """
    unit = answer.removeprefix("frames ")
    is_proposed = unit != answer and f'unit = "{unit}"' in paste.partition("frames = ")[2]
    return "right" if is_proposed else answer


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
