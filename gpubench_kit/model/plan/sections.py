"""Sections of ``plan.toml`` that say what is measured: title, cards, benches, tunings, games."""

from __future__ import annotations

from typing import Literal

from pydantic import Field, ValidationInfo, field_validator

from gpubench_kit.model.plan.fields import (
    Count,
    Date,
    Name,
    NotNegative,
    Number,
    Positive,
    Section,
    Text,
    Truth,
)

PowerPoint = Literal["board_sensor", "chip_sensor", "inline", "wall"]


class About(Section):
    """``[review]``: what stands above the page."""

    title: Name = Field(description="title of the page", examples=["Larkmoor 4: what a lower power limit costs"])
    author: Text = Field("", description="who measured")
    date: Date | None = Field(None, description="day of the review")
    licence: Text = Field("", description="licence under which the report is published")
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
    """``[[benches]]``: the rest of the machine; a driver update is a new bench."""

    name: Text = Field("", description="name of the bench; needed where there is more than one")
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
