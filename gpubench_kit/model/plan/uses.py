"""Sections of ``plan.toml`` that say what the results are for: comparisons, claims, evening, costs, style."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, Strict

from gpubench_kit.model.plan.fields import ClaimTopic, Name, NotNegative, Number, Positive, Section, Text

#: Values of ``over`` that are not the name of a game.
OVER_WORDS = ("every_game", "these_games", "games_like_these")

#: Key of a claim that is read off the sweep -> its metric, and the name of the reading in the sweep's tables.
READINGS = {
    "at_w": ("avg_fps", "rate_at_power"),
    "at_fps": ("board_w", "power_at_rate"),
    "at_loss_pct": ("board_w", "power_at_loss"),
}


class SubjectText(Section):
    """``of`` or ``against``: what is compared, as written; what is left out is filled in by the plan."""

    card: Text = Field("", description="card, or model with several samples")
    tuning: Text = Field("", description="tuning")
    bench: Text = Field("", description="bench")


class Comparison(Section):
    """``[[comparisons]]``: one pair to compare."""

    of: SubjectText = Field(description="what is judged", examples=[{"tuning": "quiet"}])
    against: SubjectText = Field(description="what it is compared with", examples=[{"tuning": "factory"}])


#: How the amount of a claim is read.
_SIGN = 'a fall is negative: "saves at least 30 W" is says = "at_most", by = -30'


class Claim(Section):
    """``[[claims]]``: one sentence to be held against the data."""

    id: Name = Field(description="short name of the claim", examples=["nothing-lost"])
    text: Name = Field(description="the sentence that will be said", examples=["The quiet tuning loses nothing"])
    metric: ClaimTopic = Field(
        description="metric, or estimate of cost, that the sentence speaks of", examples=["avg_fps"]
    )
    of: SubjectText = Field(description="what the sentence praises", examples=[{"tuning": "quiet"}])
    against: SubjectText = Field(description="what it is compared with", examples=[{"tuning": "factory"}])
    over: Name = Field("these_games", description=f"the name of a game, or one of {', '.join(OVER_WORDS)}")
    group: Text = Field("", description="group of settings it speaks of; not given: every group")
    says: Literal["better", "worse", "no_loss", "same", "at_least", "at_most"] = Field(
        description="what the sentence says", examples=["no_loss"]
    )
    by_pct: Number | None = Field(
        None, description=f"with at_least and at_most: the change from against to of [%]; {_SIGN}"
    )
    by: Number | None = Field(
        None,
        description="with at_least and at_most: the change from against to of, in the metric's unit (money and "
        f"years for estimates); {_SIGN}",
    )
    at_w: Positive | None = Field(None, description="with avg_fps: read off the sweep at this power [W]")
    at_fps: Positive | None = Field(
        None, description="with board_w, between two cards: read off both sweeps at this frame rate [fps]"
    )
    at_loss_pct: Annotated[float, Strict(), Field(ge=0, lt=100)] | None = Field(
        None, description="with board_w, on one card: read off the sweep where this much frame rate is given up [%]"
    )

    @property
    def reading(self) -> tuple[str, float] | None:
        """Key and value of what is read off the sweep; None for a claim about what was measured."""
        given = ((key, getattr(self, key)) for key in READINGS)
        return next(((key, value) for key, value in given if value is not None), None)


class SessionPlan(Section):
    """``[session_plan]``: how long things take at the bench, for the planner."""

    minutes: Positive = Field(180.0, description="time there is [min]")
    scene_s: Positive = Field(60.0, description="length of a scene [s]")
    launch_s: NotNegative = Field(240.0, description="starting a game [s]")
    tuning_change_s: NotNegative = Field(20.0, description="applying a tuning [s]")
    settle_s: NotNegative = Field(90.0, description="waiting until temperatures settle [s]")
    restart_s: NotNegative = Field(120.0, description="restarting the machine [s]")
    card_swap_min: NotNegative = Field(20.0, description="exchanging the card [min]")
    must_have: tuple[Name, ...] = Field((), description="tunings that must not be dropped")
    noise_from: Literal["archive", "pilot", "typical"] | None = Field(
        None, description="where the noise comes from; not given: the best there is, printed"
    )


class Sweep(Section):
    """``[sweep]``: search for the tuning."""

    ladder: Text = Field("", description="the change that is stepped; each step is a tuning of its own")


class Costs(Section):
    """``[costs]``: what a kilowatt-hour costs; without a price there is no section on costs."""

    currency: Name = Field("EUR", description="currency of all prices")
    price_per_kwh: NotNegative | None = Field(None, description="price of a kilowatt-hour")
    hours_per_day: Annotated[float, Strict(), Field(ge=0, le=24)] = Field(2.0, description="hours played a day [h]")
    years: Positive = Field(4.0, description="years of use")


class Style(Section):
    """``[style]``: pictures only."""

    accent: Annotated[str, Strict(), Field(pattern=r"^#[0-9a-fA-F]{6}$")] = Field(
        "#2f6f8f", description="accent colour, #rrggbb"
    )
    font_scale: Annotated[float, Strict(), Field(ge=0.5, le=3)] = Field(1.0, description="size of the letters")
    mark: Text = Field("", description="text laid over each picture")
