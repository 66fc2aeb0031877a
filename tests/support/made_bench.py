"""The recipe of a made-up bench: eight reviews whose noise, restarts and drivers are known."""

from __future__ import annotations

from made_reports import MadeReport

CLAIM = {
    "id": "nothing-lost", "text": "The quiet tuning loses nothing", "metric": "avg_fps", "of": {"tuning": "quiet"},
    "against": {"tuning": "factory"}, "over": "these_games", "says": "no_loss",
}  # fmt: skip
NOISE_PCT, RESTART_PCT, DRIVER_PCT = 0.5, 0.3, -3.0
NOISY, NOISY_PCT = "game 03", 6.0


def bench_review(number: int) -> MadeReport:
    """Return one of the bench's reviews: a new driver from the fifth on, which costs 3 %."""
    later = number >= 4
    return MadeReport(
        title=f"Review {number}",
        date=f"2026-{number + 1:02d}-01",
        bench=f"desk, driver {'B' if later else 'A'}",
        driver="B" if later else "A",
        games=7,
        rounds=12,
        rounds_per_session=3,
        metrics=("avg_fps", "board_w"),
        noise_pct=NOISE_PCT,
        noise_of={NOISY: NOISY_PCT},
        restart_pct=RESTART_PCT,
        level_pct=DRIVER_PCT if later else 0.0,
        sections={"claims": [CLAIM]} if number % 2 else {},
    )
