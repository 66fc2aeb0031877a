"""Sweeps that go wrong, through the command: each is told in plain words on the page."""

from __future__ import annotations

import re
from itertools import pairwise

import numpy as np
import pytest
from made_rivals import toml_text, write_rows
from markupsafe import Markup

from gpubench_kit.cli import main

pytestmark = pytest.mark.usefixtures("notebooks_here")

GAMES = ("Low Tide Racers", "Salt Orchard", "Copper Monsoon")
ROUNDS = 5
#: Card -> change of frame rate [%] by step of the power limit [%].
LADDERS = {
    "Larkmoor 4": {-5: 0.0, -10: -6.0, -15: -0.2, -20: -7.0, -25: -1.0},
    "Fernholt 3": {-10: -0.2, -20: -4.0},
    "Larkmoor 4 Lite": {-10: -0.1, -20: -0.5},
}
FAILED = "Larkmoor 4 Lite"


def plan() -> dict:
    """Return a plan with three cards, each with settings of its own."""
    steps = [
        {"name": f"{card} {step}", "card": card, "changes": {"power_limit_pct": step}}
        for card, ladder in LADDERS.items()
        for step in ladder
    ]
    return {
        "review": {"title": "Three ladders"},
        "cards": [
            {"name": card, "power_measured_at": "board_sensor", "role": "rival" if place else "reviewed"}
            for place, card in enumerate(LADDERS)
        ],
        "tunings": [{"name": "factory", "reference": True}, *steps],
        "games": [{"name": name} for name in GAMES],
        "analysis": {"metrics": ["avg_fps", "board_w", "energy_per_frame_j"]},
        "sweep": {"ladder": "power_limit_pct"},
    }


def rows() -> list[dict]:
    """Return the run sheet: rounds of every setting, alternating; at the failed card each setting crashes once."""
    rng, made = np.random.default_rng(5), []
    for card, ladder in LADDERS.items():
        steps = {"factory": (0, 0.0)} | {f"{card} {step}": (step, loss) for step, loss in ladder.items()}
        for game in GAMES:
            for number in range(1, ROUNDS + 1):
                for tuning in list(steps)[:: 1 if number % 2 else -1]:
                    made += list(_runs(card, (game, number, tuning), steps[tuning], rng))
    return [{"run": f"r{order:03d}", "order": order} | row for order, row in enumerate(made, start=1)]


def _runs(card: str, place: tuple, step: tuple[int, float], rng):
    """Yield a run, after a crash where the card is the one that fails."""
    game, number, tuning = place
    facts = {"card": card, "tuning": tuning, "game": game, "round": number, "excluded": "", "replaces": ""}
    if card == FAILED and tuning != "factory" and number == 1 and game == GAMES[0]:
        yield facts | {"excluded": "crash"}
    fps = 100 * (1 + step[1] / 100) * np.exp(0.003 * rng.standard_normal())
    watts = 300 * (1 + 0.7 * step[0] / 100) * np.exp(0.003 * rng.standard_normal())
    yield facts | {"avg_fps": f"{fps:.2f}", "board_w": f"{watts:.1f}"}


@pytest.fixture(scope="module")
def page(tmp_path_factory) -> str:
    """Return the words of the page that the command makes."""
    folder = tmp_path_factory.mktemp("sweeps")
    (folder / "review").mkdir()
    (folder / "review" / "plan.toml").write_text(toml_text(plan()), encoding="utf-8")
    sheet = rows()
    for row, after in pairwise(sheet):
        if row["excluded"]:
            after["replaces"] = row["run"]
    write_rows(folder / "review", sheet)
    assert main(["sweep", str(folder / "review"), "-o", str(folder / "out"), "--quiet"]) == 0
    html = (folder / "out" / "tuning.html").read_text(encoding="utf-8")
    return " ".join(str(Markup(re.sub(r"(?s)<(svg|style).*?</\1>", " ", html)).striptags()).split())


@pytest.mark.slow
def test_a_sweep_that_is_not_monotone_loses_its_curve_and_keeps_its_tests(page):
    assert "The frame rates do not follow a curve that only rises and flattens" in page
    assert "on our Larkmoor 4: “Larkmoor 4 -5”" in page


@pytest.mark.slow
def test_two_settings_only_are_searched(page):
    assert "on our Fernholt 3: “Fernholt 3 -10”" in page
    assert "The next, “Fernholt 3 -20”, is shown to lose more." in page


@pytest.mark.slow
def test_where_every_setting_failed_the_factory_state_is_left(page):
    assert (
        "on our Larkmoor 4 Lite: none shown below the factory state. Every setting that keeps the frame rate failed"
    ) in page


@pytest.mark.slow
def test_failures_without_hours_give_no_rate_per_hour(page):
    assert "No hours of a stability test are stated, so no rate per hour can be given." in page
    assert "crashed: not stable; up to" in page
