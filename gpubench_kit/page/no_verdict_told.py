"""What has no verdict, told once for all comparisons and metrics that share the reason, and what to do about it."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from gpubench_kit.page.pairs import subject_names
from gpubench_kit.page.wording import result_clause, sentence_of
from gpubench_kit.wording.numbers import count_text
from gpubench_kit.wording.reasons import reason_words, sentences_of
from gpubench_kit.wording.terms import metric_of, names_text

#: Further comparisons that one sentence names.
_MOST_NAMED = 3

#: Reason -> what to do; a reason whose sentence says it already has none.
REMEDIES = {
    "not_measured": "Record runs of both sides.",
    "different_power_points": "Measure both at one point, and state it as power_measured_at in the plan.",
    "different_frames_counted": "Count the same frames on both sides.",
    "different_bench": "Name the benches in a [[comparisons]] entry, or measure both sides on one.",
    "different_game_version": "Run both sides on one version of the game.",
    "value_not_usable": "Correct the value on the run sheet, or record the run again.",
    "held_by_cap": "Lift the cap, or choose a scene that stays below it.",
    "tuning_not_applied": "Run the command check: it names the runs to redo.",
    "same_file_twice": "Give each run its own log.",
    "same_samples_twice": "Give each run its own sensor log.",
    "log_unusable": "Run the command check: it names the log.",
    "sensor_log_unusable": "Run the command check: it names the sensor log.",
    "all_values_equal": "Lift the cap that holds them, or record more digits.",
    "one_card": "Measure a second card of each model.",
    "confounded": "Run the tunings in turns, round by round, or state restart_spread in the plan.",
    "drift_visible": "Run the two sides in turns.",
    "one_run": "Record at least two rounds; five settle more.",
    "no_spread": "Record more digits.",
    "too_many_looks": "Plan the looks, and record new runs.",
    "not_stated": "Give round and order on the run sheet; if the sides took turns, write "
    'typed_order = "alternated" under [analysis].',
    "order_same_every_time": "Change from round to round which side comes first.",
    "no_common_games": "Run every game in every round.",
    "too_few_games": "Measure at least three games.",
}
_BETWEEN_CARDS = {
    "confounded": "Install the cards in turns (A B B A), or state restart_spread in the plan.",
}


def no_verdict_sentences(rows: Sequence[Any], plan) -> list[str]:
    """Return one text for each reason that withholds verdicts.

    Parameters
    ----------
    rows : rows of ``overall`` without a verdict, in the order in which they are to be told
    plan : ReviewPlan
    """
    by_reason: dict[tuple[str, bool], list[Any]] = {}
    for row in rows:
        by_reason.setdefault((row.reason, row.of_card != row.against_card), []).append(row)
    return [_told(shared, plan) for shared in by_reason.values()]


def remedy_of(row: Any) -> str:
    """Return what to do about a row without a verdict; empty where its reason says it.

    Parameters
    ----------
    row : row of ``comparisons`` or ``overall``
    """
    remedies = REMEDIES if row.of_card == row.against_card else REMEDIES | _BETWEEN_CARDS
    return " ".join(remedies[word] for word in reason_words(row.reason) if word in remedies)


def _told(rows: Sequence[Any], plan) -> str:
    """Return what shares one reason, why, and what to do."""
    first = rows[0]
    if len(rows) == 1:
        of, against = subject_names(first, plan)
        clauses = [result_clause(rows, of=of, against=against, plan=plan)]
    else:
        why = " ".join(sentences_of(first)).rstrip(".")
        clauses = [f"{'; '.join(_by_metrics(rows, plan))}: {why[:1].lower()}{why[1:]}"]
    return f"{sentence_of(clauses)} {remedy_of(first)}".strip()


def _by_metrics(rows: Sequence[Any], plan) -> list[str]:
    """Return a clause for each list of metrics: which comparisons have no verdict on it."""
    metrics: dict[tuple[str, str], dict[str, None]] = {}
    for row in rows:
        metrics.setdefault(subject_names(row, plan), {})[_metric(row)] = None
    pairs: dict[tuple[str, ...], list[tuple[str, str]]] = {}
    for pair, names in metrics.items():
        pairs.setdefault(tuple(names), []).append(pair)
    return [_clause(found, names) for names, found in pairs.items()]


def _clause(pairs: list[tuple[str, str]], metrics: tuple[str, ...]) -> str:
    """Return which comparisons have no verdict on some metrics."""
    (of, against), further = pairs[0], pairs[1:]
    text = f"{of} against {against} has no verdict on {names_text(metrics)}"
    names = [one if other == against else f"{one} against {other}" for one, other in further[:_MOST_NAMED]]
    left = len(further) - len(names)
    names += [count_text(left, "further comparison")] * bool(left)
    verb = "has" if len(further) == 1 else "have"
    return f"{text}, nor {verb} {names_text(names)}" if further else text


def _metric(row: Any) -> str:
    """Return a row's metric, at its group where it has one."""
    label = metric_of(row.metric).label
    return label if row.group == "all" else f"{label} at {row.group}"
