"""The parts of the config that say who is told of an alarm, how, and what a helper should do."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, FiniteFloat, StringConstraints

from bottomheat.config_sections import Gpio, Section

Sentence = Annotated[str, StringConstraints(min_length=1, max_length=200)]
Address = Annotated[str, StringConstraints(min_length=1, max_length=2000)]
ClockTime = Annotated[str, StringConstraints(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]


class Sounder(Section):
    """A buzzer or lamp in the shed, on a line of its own."""

    gpio: Gpio = Field(description="GPIO number (BCM) of its driver input")
    active_high: bool = Field(default=True, description="true: it sounds when the line is high")


class Helper(Section):
    """What somebody else does while the grower is away: one plain sentence each."""

    too_hot: Sentence | None = Field(
        default=None,
        description="when heat is on that should be off",
        examples=["Unplug the grey plug, leave the lid on."],
    )
    too_cold: Sentence | None = Field(
        default=None,
        description="when heat is lost",
        examples=["Lay the two blankets over the box."],
    )
    other: Sentence | None = Field(
        default=None,
        description="for everything else",
        examples=["Nothing to do; tell me when you have read this."],
    )


class Alerts(Section):
    """How alarms leave the shed; without this section they wait for a look at the screen."""

    addresses: list[Address] = Field(
        default=[],
        max_length=16,
        repr=False,
        description="where messages go, as Apprise addresses; they hold secrets",
    )
    addresses_file: str | None = Field(
        default=None,
        description="file with one address a line, readable by the alerts service alone",
        examples=["/etc/bottomheat/addresses"],
    )
    command: list[Sentence] | None = Field(
        default=None,
        min_length=1,
        max_length=16,
        description="program and arguments; gets each message as JSON on standard input",
        examples=[["/usr/local/bin/ring-the-bell"]],
    )
    repeat_min: FiniteFloat = Field(
        default=15.0,
        alias="repeat_every",
        ge=1,
        le=1440,
        description="an alarm of the first level is sent again after so many minutes, until seen",
        examples=[15],
    )
    morning: ClockTime = Field(
        default="07:30",
        description="when the one message of the day is sent, in quotes",
        examples=["07:30"],
    )
    daily: bool = Field(
        default=True, description="send the all's-well each morning, even with nothing to say"
    )
    heartbeat: Address | None = Field(
        default=None,
        repr=False,
        description="web address that is fetched while all is running, so that somebody else "
        "notices when it stops; it may hold a secret",
    )
    heartbeat_every_min: FiniteFloat = Field(
        default=10.0,
        alias="heartbeat_every",
        ge=1,
        le=1440,
        description="how often, minutes",
        examples=[10],
    )
