"""Within which limits a chamber is kept: temperature, humidity and the distance of the lid from the dew point, with delays."""

from __future__ import annotations

from typing import ClassVar

from pydantic import Field, field_validator, model_validator

from rules.terms.events import MINUTE_MS
from rules.terms.setting_forms import ClockTime, DurationMs, Section
from rules.trade.garden_sizes import Dryness


class ByTime(Section):
    """Other limits between two local times of day, reached by a ramp, never by a step."""

    begin: ClockTime
    """Local time at which these limits hold."""
    end: ClockTime
    """Local time at which the ordinary limits hold again."""
    low: float | None = None
    """Lower edge meanwhile; absent: unchanged."""
    high: float | None = None
    """Upper edge meanwhile; absent: unchanged."""
    ramp: DurationMs = 30 * MINUTE_MS
    """How long the limits take to move, before `begin` and before `end`."""


class Band(Section):
    """Two levels with hysteresis and delays in observed time."""

    FOLLOWS: ClassVar[frozenset[str]] = frozenset()
    """Edges that make room for the others where the keeper did not write them."""

    low: float | None
    high: float | None
    harmful_low: float | None
    harmful_high: float | None
    deadband: float
    on_delay: DurationMs
    off_delay: DurationMs
    harmful_on_delay: DurationMs
    target: float | None = None
    by_time: list[ByTime] = Field(default_factory=list, max_length=8)
    """Other limits by time of day."""

    @model_validator(mode="after")
    def _ordered(self) -> Band:
        def below(lower: str, upper: str, gap: float) -> None:
            a, b = (None if name in self.FOLLOWS - self.model_fields_set else getattr(self, name) for name in (lower, upper))
            if a is not None and b is not None and not a + gap <= b:
                raise ValueError(
                    f"{lower} = {a:g} and {upper} = {b:g} are too close: {upper} must be at least {gap:g} above {lower}"
                    f" (deadband {self.deadband:g}), or an alarm could never clear"
                )

        below("harmful_low", "low", self.deadband)
        below("low", "high", 2.5 * self.deadband)
        below("high", "harmful_high", self.deadband)
        return self


class TemperatureBand(Band):
    """Air temperature, degC. Defaults: a garden of tropical Atta and Acromyrmex, common practice, no source; 30 degC: growth
    clearly reduced (Cazin, Wiemer & Howard 1989); 20 degC: stagnation (Mueller et al. 2011). Other species groups, food and
    waste chambers have their own (`species_group`, `role`)."""

    low: float | None = Field(default=24.0, ge=5, le=40, json_schema_extra={"unit": "degC"})
    """Lower edge of the band."""
    high: float | None = Field(default=28.0, ge=5, le=40, json_schema_extra={"unit": "degC"})
    """Upper edge of the band."""
    harmful_low: float | None = Field(default=20.0, ge=0, le=40, json_schema_extra={"unit": "degC"})
    """Below this the garden suffers."""
    harmful_high: float | None = Field(default=30.0, ge=5, le=45, json_schema_extra={"unit": "degC"})
    """Above this the garden suffers."""
    deadband: float = Field(default=0.5, ge=0.1, le=5, json_schema_extra={"unit": "K"})
    """How far the value must come back past the edge before the alarm may clear."""
    on_delay: DurationMs = 10 * MINUTE_MS
    """How long the value must be outside before it is an alarm."""
    off_delay: DurationMs = 15 * MINUTE_MS
    """How long the value must be back inside before the alarm clears."""
    harmful_on_delay: DurationMs = 2 * MINUTE_MS
    """The same for the harmful level: heat harms fastest, so it is short."""
    target: float | None = Field(default=25.5, ge=5, le=40, json_schema_extra={"unit": "degC"})
    """What advice aims at: cool side of the middle, since heat is sudden and cold is slow."""


class HumidityBand(Band):
    """Relative humidity of the chamber's air, %RH over liquid water. Defaults: a garden of unknown size, common practice, no
    source. Food and waste chambers have their own (`role`): no lower edge."""

    FOLLOWS = frozenset({"low", "harmful_low"})

    @field_validator("low", "high", "harmful_low", "harmful_high")
    @classmethod
    def _in_percent(cls, value: float | None) -> float | None:
        if value is not None and 0.0 < value <= 1.0:
            raise ValueError(f"that is a share; humidity is written in percent: {100.0 * value:g}")
        return value

    low: float | None = Field(default=70.0, ge=0, le=100, json_schema_extra={"unit": "%RH", "default_words": "by size"})
    """Lower edge of the band. Absent: by the garden's size 80 below 20 ml, 75 below 200 ml or not known, 70 below 2 l, 60
    above. Above the temperature band it rises, since warm air dries more at the same humidity."""
    high: float | None = Field(default=90.0, ge=0, le=104, json_schema_extra={"unit": "%RH"})
    """Upper edge of the band. Above it the lid is what counts, and humid air an alarm where nobody knows the lid or from 96 %RH
    on. Food and waste chambers: an alarm."""
    harmful_low: float | None = Field(default=60.0, ge=0, le=100, json_schema_extra={"unit": "%RH", "default_words": "by size"})
    """Below this the garden loses water fast. Absent: 60 for a garden below 2 l, 50 above."""
    harmful_high: float | None = Field(default=None, ge=0, le=104, json_schema_extra={"unit": "%RH"})
    """Usually absent: humid air is not the harm, liquid water is."""
    deadband: float = Field(default=3.0, ge=0.5, le=20, json_schema_extra={"unit": "%RH"})
    """How far the value must come back past the edge before the alarm may clear."""
    on_delay: DurationMs = 10 * MINUTE_MS
    """How long the value must be outside before it is an alarm."""
    off_delay: DurationMs = 10 * MINUTE_MS
    """How long the value must be back inside before the alarm clears."""
    harmful_on_delay: DurationMs = 3 * MINUTE_MS
    """The same for the harmful level."""
    target: float | None = Field(default=None, ge=0, le=100, json_schema_extra={"unit": "%RH"})
    """What advice aims at; absent: 85 % for a young garden, 80 % for a grown one."""

    def sized(self, dryness: Dryness) -> HumidityBand:
        """Return the band with the edges that the keeper did not write as a garden of this size has them."""
        own, low, harmful = self.model_fields_set, self.low, self.harmful_low
        if "low" not in own:
            least = 0.0 if "harmful_low" not in own or harmful is None else harmful + self.deadband
            most = 100.0 if self.high is None else self.high - 2.5 * self.deadband
            low = min(max(dryness.low_pct, least), most)
        if "harmful_low" not in own and low is not None:
            harmful = min(dryness.harmful_pct, low - self.deadband)
        return self.model_copy(update={"low": low, "harmful_low": harmful})


class LidDewBand(Section):
    """When the lid is wet: lid temperature minus dew point, K, judged with its uncertainty."""

    caution_margin_k: float = Field(default=0.5, ge=-2, le=5, json_schema_extra={"unit": "K"})
    """A margin below this is worth an alarm where more than a haze hangs on the lid, or will within the hour."""
    deadband: float = Field(default=0.5, ge=0.1, le=3, json_schema_extra={"unit": "K"})
    """How far the margin must recover before the alarm may clear."""
    on_delay: DurationMs = 5 * MINUTE_MS
    """How long the lid must be wet before it is an alarm."""
    off_delay: DurationMs = 15 * MINUTE_MS
    """How long it must be dry before the alarm clears."""
