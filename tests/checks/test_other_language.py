"""A second language is a file: every sentence of a finding comes from the catalogue."""

import pytest
from second_language import said_in_english, wide_catalogue

from gpubench_kit.checks.review import find
from gpubench_kit.model.metrics import METRICS
from gpubench_kit.wording.catalogue import spoken

NAMES = ["Low Tide Racers", "Salt Orchard", "Larkmoor 4", "factory", "quiet", "evening"]


def spoil_logs(small):
    small.spoil("r01", n_gaps=2, gaps_ms=3100.0, longest_ms=1840.0, first_gap_s=12.3)
    small.spoil("r02", n_holes=1, longest_hole_s=2.5, first_hole_s=12.0)
    small.spoil("r03", n_backward=9, shortest_ms=0.0, n_zero=3)
    small.spoil("r04", n_samples=0)
    small.spoil("r05", sensor_overlap=0.5, longest_sample_gap_s=9.0)
    small.spoil("r06", first_part_ms=9.0, first_part_c=40.0, first_part_w=200.0)
    small.spoil("r07", frame_log_sha256="r08-hash")


def spoil_runs(small):
    small.spoil("r01", duration_s=12.0)
    small.spoil("r05", mean_load_pct=20.0)
    small.spoil("r08", share_at_interval=0.97)
    small.put("r03", "avg_fps", 200.0)
    small.put("r04", "board_w", -1.0)
    for metric in ("core_mv", "core_mhz", "board_w"):
        small.put("r02", metric, small.value("r01", metric))


def spoil_evening(small):
    small.set_plan(exclude={"warm_up_runs_per_launch": 1, "min_duration_s": 27})
    small.spoil("r03", duration_s=9.0, order_done=4)
    small.spoil("r04", order_done=3)
    small.spoil("r05", launch="")
    for run in ("r09", "r10", "r13", "r14"):
        small.spoil(run, game_version="1.5")
    small.spoil("r01", game_version="1.4")


@pytest.mark.parametrize(
    ("spoil", "least"), [(spoil_logs, 9), (spoil_runs, 5), (spoil_evening, 4)], ids=["logs", "runs", "evening"]
)
def test_every_sentence_of_a_finding_is_in_the_catalogue(small, spoil, least):
    spoil(small)
    with spoken(wide_catalogue()):
        found = [*find(small.evidence(), "rules"), *find(small.evidence(), "runs")]
    assert len({one.check for one in found}) >= least
    html = "".join(f"<p>{one.message}</p><p>{one.action}</p>" for one in found)
    names = [
        *NAMES,
        *(one.label for one in METRICS.values()),
        *METRICS,
        *small.runs["launch"],
        "r07.csv",
        "r08.csv",
    ]
    assert said_in_english(html, names=names) == []
