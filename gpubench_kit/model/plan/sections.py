"""Sections of ``plan.toml`` that say what is measured, and what the results are for."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, Strict, ValidationInfo, field_validator, model_validator

from gpubench_kit.model.plan.fields import (
    Amount,
    ClaimTopic,
    Count,
    Date,
    Name,
    NotNegative,
    Number,
    Positive,
    Section,
    Text,
    Truth,
    kit_error,
    signed_amount,
)

PowerPoint = Literal["board_sensor", "chip_sensor", "inline", "wall"]


class About(Section):
    """``[review]``: what stands above the page."""

    title: Name = Field(description="title of the page", examples=["Larkmoor 4: what a lower power limit costs"])
    author: Text = Field("", description="who measured")
    date: Date | None = Field(None, description="day of the review")
    licence: Text = Field("", description="licence under which the report is published")
    channel: Text = Field("", description="name of the channel, for the bottom line of pictures")
    site_url: Text = Field("", description="address at which the page will stand, for those who share it")


class Card(Section):
    """``[[cards]]``: one physical graphics card."""

    name: Name = Field(description="name of this card", examples=["Larkmoor 4"])
    model: Text = Field(
        "", validate_default=True, description="model of which it is a sample; the card's name where not given"
    )
    role: Literal["reviewed", "rival"] = Field("reviewed", description="card under review, or one compared with it")
    power_measured_at: PowerPoint | None = Field(
        None, description="where power was measured; not given: no watts or energy between cards"
    )
    price: Positive | None = Field(None, description="price, in the currency of [costs]")

    @field_validator("model")
    @classmethod
    def _model_or_name(cls, model: str, checked: ValidationInfo) -> str:
        """Name the model after the card where none is given."""
        return model or checked.data.get("name", "")


class Bench(Section):
    """``[[benches]]``: the rest of the machine; a driver update is a new test setup."""

    name: Text = Field("", description="name of the test setup; needed where there is more than one")
    driver: Text = Field("", description="driver version")
    room_c: Number | None = Field(None, description="room temperature [°C]")


class Stability(Section):
    """One entry of ``stability``: hours run with a tuning, and failures in them."""

    hours: Positive = Field(description="hours run [h]", examples=[12.5])
    failures: Count = Field(0, description="crashes and errors in these hours")


class Tuning(Section):
    """``[[tunings]]``: one named state of the card's limits."""

    name: Name = Field(description="name of the tuning", examples=["factory"])
    reference: Truth = Field(False, description="whether the other tunings are compared with this one")
    card: Text = Field("", description="the only card, or model, that has this tuning; not given: every card")
    changes: dict[Name, Number] = Field(
        default_factory=dict, description="offsets against the factory state, their unit in the name"
    )
    held_at: dict[Name, Number] = Field(default_factory=dict, description="held points, their unit in the name")
    needs_restart: Truth = Field(False, description="whether applying the tuning needs a restart")
    stability: tuple[Stability, ...] = Field((), description="hours run and failures")


class Setting(Section):
    """``[[games.settings]]``: resolution and quality of a game."""

    name: Text = Field("", description="name of the setting; needed where a game has more than one")
    group: Name = Field("all", description="settings of one kind; one overall result per group")
    frames_counted: Literal["rendered", "shown"] = Field("rendered", description="which frames count")
    generated_per_rendered: Count = Field(0, description="frames generated between rendered ones")
    frame_limit_fps: NotNegative = Field(
        0.0, description="declared frame limit [fps]; 0: none. With a limit there is no frame-rate verdict"
    )


class Game(Section):
    """``[[games]]``: what is played."""

    name: Name = Field(description="name of the game", examples=["Low Tide Racers"])
    scene: Text = Field("", description="the repeatable stretch that is measured")
    kind: Literal["built_in", "by_hand", "scripted"] = Field("by_hand", description="how the scene is played")
    ends: Literal["time", "frames"] = Field(
        "time", description="what ends a run: a fixed time, or a fixed number of frames"
    )
    limited_by: Literal["card", "processor", "memory", "frame_limit"] = Field(
        "card", description="what limits the frame rate; checked against the logs where they can tell"
    )
    settings: tuple[Setting, ...] = Field((Setting(),), min_length=1, description="resolutions and qualities")


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


#: Key of an amount -> which end of the change from ``against`` to ``of`` it bounds, and the amount's sign there.
AMOUNT_KEYS = {
    "saves_at_least": ("at_most", -1),
    "costs_at_most": ("at_most", 1),
    "gains_at_least": ("at_least", 1),
    "loses_at_most": ("at_least", -1),
}


_AMOUNT = 'a number is in the metric\'s unit (money and years for estimates), "3 %" in percent'


class Claim(Section):
    """``[[claims]]``: one sentence to be checked against the data."""

    id: Name = Field(description="short name of the claim", examples=["nothing-lost"])
    text: Name = Field(description="the sentence that will be said", examples=["The quiet tuning loses nothing"])
    metric: ClaimTopic = Field(
        description="metric, or estimate of cost, that the sentence speaks of", examples=["avg_fps"]
    )
    of: SubjectText = Field(description="what the sentence praises", examples=[{"tuning": "quiet"}])
    against: SubjectText = Field(description="what it is compared with", examples=[{"tuning": "factory"}])
    over: Name = Field("these_games", description=f"the name of a game, or one of {', '.join(OVER_WORDS)}")
    group: Text = Field("", description="group of settings it speaks of; not given: every group")
    says: Literal["better", "worse", "no_loss", "same"] | None = Field(
        None, description="what the sentence says; or one of the four amounts in its place", examples=["no_loss"]
    )
    saves_at_least: Amount | None = Field(
        None, description=f"where less is better: it takes less by so much or more; {_AMOUNT}", examples=[30, "8 %"]
    )
    costs_at_most: Amount | None = Field(
        None, description=f"where less is better: it takes more by so much at most; {_AMOUNT}"
    )
    gains_at_least: Amount | None = Field(
        None, description=f"where more is better: it gives more by so much or more; {_AMOUNT}", examples=["5 %"]
    )
    loses_at_most: Amount | None = Field(
        None, description=f"where more is better: it gives less by so much at most; {_AMOUNT}", examples=["2 %"]
    )
    at_w: Positive | None = Field(None, description="with avg_fps: read off the sweep at this power [W]")
    at_fps: Positive | None = Field(
        None, description="with board_w, between two cards: read off both sweeps at this frame rate [fps]"
    )
    at_loss_pct: Annotated[float, Strict(), Field(ge=0, lt=100)] | None = Field(
        None, description="with board_w, on one card: read off the sweep where this much frame rate is given up [%]"
    )

    @model_validator(mode="before")
    @classmethod
    def _refuse_signed_amounts(cls, given: Any) -> Any:
        """Refuse the amounts with signs of version 0.1.0, with the lines that take their place."""
        if isinstance(given, dict) and (
            {"by", "by_pct"} & set(given) or given.get("says") in ("at_least", "at_most")
        ):
            raise kit_error(*signed_amount(given))
        return given

    @property
    def amount_keys(self) -> tuple[str, ...]:
        """Keys of the amounts that are given; a checked claim has one, or none beside ``says``."""
        return tuple(key for key in AMOUNT_KEYS if getattr(self, key) is not None)

    @property
    def word(self) -> str:
        """What the claim says as the plan writes it: the word of ``says``, or the key of its amount."""
        return self.says or next(iter(self.amount_keys), "")

    @property
    def kind(self) -> str:
        """What the claim says of the change from ``against`` to ``of``: a word, ``at_least`` or ``at_most``."""
        return self.says or AMOUNT_KEYS.get(self.word, ("", 0))[0]

    @property
    def size(self) -> float | None:
        """The amount without sign; None for a claim without one."""
        if self.says or not self.amount_keys:
            return None
        given = getattr(self, self.amount_keys[0])
        return float(given.removesuffix(" %")) if isinstance(given, str) else given

    @property
    def amount(self) -> float | None:
        """The end of the change from ``against`` to ``of`` that the claim states; None for a claim without one."""
        return None if self.size is None else AMOUNT_KEYS[self.word][1] * self.size + 0.0

    @property
    def is_percent(self) -> bool:
        """Whether the amount is in percent."""
        return self.size is not None and isinstance(getattr(self, self.word), str)

    @property
    def is_in_unit(self) -> bool:
        """Whether the amount is in the metric's unit."""
        return self.size is not None and not self.is_percent

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
