"""Routine notes of many runs told once, with their range, so that they do not bury what matters."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from gpubench_kit.model.findings import Finding

#: Notes on how logs were read that are the same for every run of a recorder, and their common sentence.
_ROUTINE = {
    "lined_up_by_edge": "samples were lined up by an edge of load or power ({low:+.2f} to {high:+.2f} s)",
    "same_clock_taken": "both logs count seconds and were taken as one clock ({low:+.2f} to {high:+.2f} s apart)",
    "started_together_taken": "both logs were taken to start together",
    "date_order_in_doubt": "dates could begin with the day or the month; they were read day first",
    "date_order_by_clocks": "dates were read month first, since only so do the clocks meet",
    "other_outcomes": "some frames have another outcome than most; all are counted",
    "frames_not_counted": "frames that the plan does not count were left out",
    "several_sources": "a column tells frames of several sources apart",
    "samples_not_counted": "samples that the plan does not count were left out",
    "frame_times_from_steps": "frame times were taken from the steps of elapsed time",
    "format_likely": "the format of the frame log is only likely, and not confirmed: shown, not used in verdicts",
    "sensor_likely": "sensors are only likely, and not confirmed: shown, not used in verdicts",
    "columns_left_out": "columns were left out, since they are not the card's readings",
    "sensor_stays": "a load or a power does not rise where the other one does; it is not the card's, and not used",
    "counter_wrapped": "counters that begin anew were counted on",
    "typed_beside_likely": "numbers were typed beside logs whose format is only likely; neither is used",
    "samples_left_out": "samples that cannot be, and stray zeros, were left out",
    "cells_denied": "single frame times were taken from the time beside them, which denies what is written",
    "too_coarse": "frame times are written too coarsely for lows and pacing",
    "frames_of_two_kinds": "a column alternates between two kinds of frames",
    "sensor_time_counted": "samples' time was taken for seconds, though it could number the rows",
    "sensors_unclear": "sensors cannot be told apart by their values and are not used",
    "sensor_unit_taken": "sensors are in another unit than the kit's and were converted",
    "sensor_without_values": "a sensor's column holds no numbers",
    "cut_last_line": "a last line without line end was left out",
    "encoding_guessed": "the encoding of a log was told from the letters of its headings",
    "decimal_mark_in_doubt": "the comma was read as the decimal mark, though it could separate thousands",
    "minutes_read": "a column of minutes and seconds was read in seconds",
    "counted_from_zero": "times that begin at zero were read as the time that has passed",
    "comment_lines": "comment lines stand between the rows",
    "summary_lines": "lines below the last row were left out",
    "coarse_stamps": "stamps are coarser than the samples and were spread",
    "log_by_pattern": "the log was named by the plan's pattern",
}

#: Runs that have a routine note before it is told once for all.
_TOLD_SINGLY = 3


def gathered(findings: Iterable[Finding]) -> list[Finding]:
    """Return findings in which routine notes of more than three runs are one note.

    Parameters
    ----------
    findings : of all runs

    Returns
    -------
    list of Finding; the facts of each run still hold its own values
    """
    findings = list(dict.fromkeys(findings))
    by_check: dict[str, list[Finding]] = {}
    for finding in findings:
        if finding.check in _ROUTINE and finding.run:
            by_check.setdefault(finding.check, []).append(finding)
    many = {check: alike for check, alike in by_check.items() if len({one.run for one in alike}) > _TOLD_SINGLY}
    kept = [finding for finding in findings if finding.check not in many or not finding.run]
    return kept + [_one_for_all(check, alike) for check, alike in many.items()]


def _one_for_all(check: str, alike: list[Finding]) -> Finding:
    """Return one note for many alike, with an example."""
    values = [one.found for one in alike if one.found is not None] or [0.0]
    sentence = _ROUTINE[check].format(low=min(values), high=max(values))
    example = alike[0]
    n_runs = len({one.run for one in alike})
    message = f"in {n_runs} runs {sentence}. For example run '{example.run}': {example.message}"
    return replace(example, run="", message=message, found=float(n_runs), limit=None, unit="runs")
