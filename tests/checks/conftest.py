"""A small review, as the checks see it, in which nothing is wrong; each test spoils one thing."""

from dataclasses import asdict

import numpy as np
import pandas as pd
import pytest

from gpubench_kit.checks.evidence import gather_evidence
from gpubench_kit.checks.review import check_of, finding_of
from gpubench_kit.logs.review import Review
from gpubench_kit.logs.run_facts import RunFacts
from gpubench_kit.model.plan import ReviewPlan

GAMES = {"Low Tide Racers": 144.0, "Salt Orchard": 88.0}
TUNINGS = {"factory": (300.0, 2650.0, 1050.0), "quiet": (250.0, 2600.0, 960.0)}
ROUNDS = 4


class SeenReview(Review):
    """A review of which the pipeline reads what is given here, in place of files."""

    runs = plan = facts = findings = None

    def __init__(self, **seen):
        vars(self).update(seen)


def make_plan(**sections):
    """Return a plan with two games and two tunings, and the sections given."""
    plan = {
        "review": {"title": "A small review"},
        "cards": [{"name": "Larkmoor 4", "power_measured_at": "board_sensor"}],
        "tunings": [{"name": "factory", "reference": True}, {"name": "quiet"}],
        "games": [{"name": game} for game in GAMES],
    }
    return ReviewPlan.from_dict({**plan, **sections})


def make_runs():
    """Return the runs: games in rounds, the tunings alternating, in the order planned."""
    rows = []
    for round_ in range(1, ROUNDS + 1):
        for game in GAMES:
            names = list(TUNINGS) if round_ % 2 else list(TUNINGS)[::-1]
            for tuning in names:
                rows.append({"run": f"r{len(rows) + 1:02d}", "tuning": tuning, "game": game, "round": round_})
    runs = pd.DataFrame(rows)
    places = np.arange(1, len(runs) + 1)
    text = {"card": "Larkmoor 4", "model": "Larkmoor 4", "purpose": "measure", "session": "evening", "group": "all"}
    empty = (
        "bench",
        "setting",
        "tuning_change",
        "started_at",
        "sensor_log",
        "excluded",
        "replaces",
        "game_version",
        "note",
    )
    runs = runs.assign(**text, **dict.fromkeys(empty, ""), launch=runs["game"] + runs["round"].astype(str))
    return runs.assign(
        round=runs["round"].astype("Int64"), order=pd.array(places, "Int64"), order_done=pd.array(places, "Int64"),
        order_known=True, is_recorded=True, frame_log=runs["run"] + ".csv", power_measured_at="board_sensor",
        frames_counted="rendered", generated_per_rendered=0, frame_limit_fps=0.0, limited_by="card",
        n_frames=pd.array(places + 4000, "Int64"), duration_s=30.0, frame_log_sha256=runs["run"] + "-hash",
    )  # fmt: skip


def make_facts(runs):
    """Return facts of logs in which nothing is wrong."""
    rows = []
    for place, row in enumerate(runs.itertuples()):
        facts = RunFacts(
            run=row.run, n_frames=int(row.n_frames), duration_s=30.0, shortest_ms=5.0, longest_ms=40.0,
            interval_ms=7.0 + 0.01 * place, share_at_interval=0.05, first_part_ms=7.0 + 0.001 * (place % 3),
            later_part_ms=7.0, n_samples=60, longest_sample_gap_s=0.6, sensor_overlap=1.0,
            shift_s=-3.0 - place, mean_load_pct=98.0, first_part_w=298.0 + place % 3, later_part_w=300.0,
            first_part_c=66.0, later_part_c=67.0,
        )  # fmt: skip
        rows.append({name: getattr(facts, name) for name in asdict(facts)})
    return pd.DataFrame(rows)


def make_metrics(runs):
    """Return metrics with a little noise, the same at every call."""
    rng = np.random.default_rng(7)
    rows = []
    for row in runs.itertuples():
        watts, mhz, mv = TUNINGS[row.tuning]
        values = {
            "avg_fps": GAMES[row.game],
            "board_w": watts,
            "core_mhz": mhz,
            "core_mv": mv,
            "low_1pct_fps": 60.0,
        }
        for metric, value in values.items():
            noise = 0.0003 if metric in ("core_mhz", "core_mv") else 0.003
            rows.append(
                {
                    "run": row.run,
                    "metric": metric,
                    "value": value * np.exp(noise * rng.standard_normal()),
                    "step": 0.0,
                    "source": "log",
                    "certainty": "proven",
                }
            )
    return pd.DataFrame(rows)


class SmallReview:
    """Tables of a small review that a test can spoil before the checks look at them."""

    def __init__(self):
        self.plan = make_plan()
        self.runs = make_runs()
        self.facts = make_facts(self.runs)
        self.metrics = make_metrics(self.runs)

    def set_plan(self, **sections):
        self.plan = make_plan(**sections)

    def spoil(self, run, **cells):
        """Change cells of the run sheet, or facts, of one run, or of all runs with ``run=None``."""
        for name, value in cells.items():
            table = self.runs if name in self.runs.columns else self.facts
            here = table["run"].notna() if run is None else table["run"] == run
            table.loc[here, name] = value

    def put(self, run, metric, value):
        """Change the value of a metric of a run."""
        here = (self.metrics["run"] == run) & (self.metrics["metric"] == metric)
        self.metrics.loc[here, "value"] = value

    def value(self, run, metric):
        return float(self.metrics.query("run == @run and metric == @metric")["value"].iloc[0])

    def evidence(self):
        return gather_evidence(self.runs, self.facts, run_metrics=self.metrics, plan=self.plan)

    def review(self, findings=()):
        """Return what the pipeline reads of a review."""
        return SeenReview(runs=self.runs.copy(), plan=self.plan, facts=lambda: self.facts, findings=tuple(findings))

    def find(self, *names, is_blind=False):
        """Return what some checks find."""
        rows, evidence = map(check_of, names), self.evidence()
        return [finding_of(row, found, is_blind=is_blind) for row in rows for found in row.find(evidence)]


@pytest.fixture
def small():
    return SmallReview()
