"""What the keeper can say to the rules, from the command line or (where enabled) over MQTT.

Each word is a frozen model with `word: Literal[...]`; `Word` is the catalogue. `taken_ms` is set when the word enters the
stream; `at_ms` is the instant that the keeper speaks of and may lie in the past.
"""

from __future__ import annotations

import unicodedata
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, TypeAdapter

_STEERING = ("Cc", "Cf", "Zl", "Zp")


def _harmless(text: str) -> str:
    """Put a blank for each sign that could steer a terminal or hide text, where no rule looks at the text itself."""
    return text if text.isprintable() else "".join(" " if unicodedata.category(sign) in _STEERING else sign for sign in text)


Harmless = AfterValidator(_harmless)

Name = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[a-z0-9][a-z0-9-]*$")]  # bookkeeping
Text = Annotated[str, Field(max_length=2000)]
"""What the keeper notes: lines stay lines. A sign that steers a terminal is refused by the rules, with its place."""
Instant = Annotated[int, Field(ge=0, lt=7_258_118_400_000)]
"""Milliseconds since 1970, before 2200: beyond lies no calendar day that every part could name."""


class Spoken(BaseModel):
    """What every word carries: when it entered the stream, its id (a word is taken once) and who said it."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False, defer_build=True)
    taken_ms: Instant
    word_id: Annotated[str, Field(min_length=1, max_length=80), Harmless]
    by: Annotated[str, Field(max_length=64), Harmless] = "keeper"


class Acknowledge(Spoken):
    """Seen: reminders stop. `occurrence` guards against acknowledging a newer one unseen."""

    word: Literal["acknowledge"] = "acknowledge"
    chamber: Name | None = None
    alarm: Name
    probe: Name | None = None
    occurrence: int | None = None


class Shelve(Spoken):
    """Silence one alarm for a bounded time; harmful level and expiry break through."""

    word: Literal["shelve"] = "shelve"
    chamber: Name | None = None
    alarm: Name
    probe: Name | None = None
    for_ms: int = Field(gt=0, le=7 * 86_400_000)


class Unshelve(Spoken):
    """End a shelf before its time."""

    word: Literal["unshelve"] = "unshelve"
    chamber: Name | None = None
    alarm: Name
    probe: Name | None = None


class OutOfService(Spoken):
    """A probe is taken out of use (for_ms > 0, at most 14 days) or put back (for_ms = 0)."""

    word: Literal["out-of-service"] = "out-of-service"
    probe: Name
    for_ms: int = Field(ge=0, le=14 * 86_400_000)
    reason: Annotated[Text, Harmless] = ""


class Visit(Spoken):
    """Work in the tank: lid and humidity steps are quiet for a while, heat never. Ends by itself."""

    word: Literal["visit"] = "visit"
    chamber: Name
    for_ms: int = Field(default=20 * 60_000, ge=0, le=4 * 3_600_000)


class LidMeasured(Spoken):
    """A handheld measurement of the lid's inner surface."""

    word: Literal["lid-measured"] = "lid-measured"
    chamber: Name
    at_ms: Instant
    lid_temperature_c: float = Field(ge=-20, le=60)
    standard_uncertainty_k: float = Field(default=0.5, gt=0, le=5)


class LidSeen(Spoken):
    """What the lid looked like: evidence on which side of the dew point it is."""

    word: Literal["lid-seen"] = "lid-seen"
    chamber: Name
    at_ms: Instant
    seen: Literal["dry", "mist", "droplets"]


class AdviceDone(Spoken):
    """The keeper did what was advised, perhaps by another amount (in the advice's own unit)."""

    word: Literal["advice-done"] = "advice-done"
    advisory: Annotated[str, Field(max_length=80), Harmless]
    amount: float | None = None
    left_out: bool = False
    """The heater that it is about was found not to switch off, and is unplugged."""


class GardenSize(Spoken):
    """How large the garden is: millilitres, or its share of the basin."""

    word: Literal["garden"] = "garden"
    chamber: Name
    at_ms: Instant
    garden_ml: float | None = Field(default=None, gt=0, le=200_000)
    fill: float | None = Field(default=None, gt=0, le=1)


class CareDone(Spoken):
    """A task of the routine was done, with an amount where it matters."""

    word: Literal["care-done"] = "care-done"
    chamber: Name | None = None
    task: Name
    at_ms: Instant
    amount: float | None = None
    unit: Annotated[str, Field(max_length=16), Harmless] | None = None


class Observation(Spoken):
    """What the keeper saw, in the trade's fixed vocabulary (see rules/care/observations.py), and free text."""

    word: Literal["observation"] = "observation"
    chamber: Name
    at_ms: Instant
    seen: Annotated[tuple[Annotated[str, Field(max_length=80), Harmless], ...], Field(max_length=50, strict=False)] = ()
    text: Text = ""


class LeavesGiven(Spoken):
    """A line of the leaf diary."""

    word: Literal["leaves"] = "leaves"
    chamber: Name
    at_ms: Instant
    plant: Annotated[str, Field(min_length=1, max_length=80)]
    place: Annotated[str, Field(max_length=120)] = ""
    treated: bool | None = None


class Away(Spoken):
    """The keeper is away from one instant to another; the stand-in looks after the shelf."""

    word: Literal["away"] = "away"
    from_ms: Instant
    to_ms: Instant


class Calibrated(Spoken):
    """A probe's correction from now on: corrected = gain * raw + offset."""

    word: Literal["calibrated"] = "calibrated"
    probe: Name
    quantity: Literal["air_temperature", "relative_humidity", "surface_temperature"]
    offset: float
    gain: float = Field(gt=0.5, lt=2)
    standard_uncertainty: float = Field(ge=0)
    method: Annotated[Text, Harmless] = ""


class TakeBack(Spoken):
    """An earlier word of the keeper was a slip: it is taken back, with what followed from it."""

    word: Literal["take-back"] = "take-back"
    said: Annotated[str, Field(min_length=1, max_length=80), Harmless]


class Rehearse(Spoken):
    """Send letters as they come in an emergency, marked as a rehearsal, to see whether they arrive."""

    word: Literal["rehearse"] = "rehearse"


class ModelFitted(Spoken):
    """The daemon's daily fit of a chamber's heat and moisture balance, as `rules.advice.model` wrote it down."""

    word: Literal["model-fitted"] = "model-fitted"
    chamber: Name
    model: dict[str, Any]


Word = (
    Acknowledge | Shelve | Unshelve | OutOfService | Visit | LidMeasured | LidSeen | AdviceDone | GardenSize
    | CareDone | Observation | LeavesGiven | Away | Calibrated | TakeBack | Rehearse | ModelFitted
)
AnyWord = Annotated[Word, Field(discriminator="word")]
WORD: TypeAdapter[Word] = TypeAdapter(AnyWord, config=ConfigDict(defer_build=True))
"""Reads any word; made ready at the first one, for which no start needs to wait."""
