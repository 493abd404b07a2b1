"""The forms that every table of the config is written in: strictness, durations and times of day."""

from __future__ import annotations

import re
from datetime import time
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer, ValidationInfo

from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS

_DURATION = re.compile(r"(\d{1,6}(?:\.\d{1,3})?)\s?(s|min|h|d)")
_UNIT_MS = {"s": SECOND_MS, "min": MINUTE_MS, "h": HOUR_MS, "d": DAY_MS}


def _duration_ms(text: Any, info: ValidationInfo) -> Any:
    if isinstance(text, int) and not isinstance(text, bool) and not (info.context or {}).get("written"):
        return text  # already milliseconds: a model built in code; in a config that somebody wrote it is refused
    match = _DURATION.fullmatch(text) if isinstance(text, str) else None
    if match is None:
        raise ValueError('a duration is a number with its unit, such as "90s", "10min", "2h" or "1d"')
    return round(float(match[1]) * _UNIT_MS[match[2]])


def _clock_time(text: Any) -> Any:
    if isinstance(text, time):
        return text
    if isinstance(text, str) and re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", text):
        return time(int(text[:2]), int(text[3:]))
    raise ValueError('a time of day is written "HH:MM", such as "22:30"')


DurationMs = Annotated[
    int, BeforeValidator(_duration_ms, json_schema_input_type=str), Field(ge=0, json_schema_extra={"unit": "duration"})
]
ClockTime = Annotated[
    time, BeforeValidator(_clock_time, json_schema_input_type=str), Field(strict=False),
    PlainSerializer(lambda at: f"{at:%H:%M}", return_type=str, when_used="json"),  # what is written can be read again
]


class Section(BaseModel):
    """Base of every table of the config: strict, unknown keys refused, frozen."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, allow_inf_nan=False,
        hide_input_in_errors=True, defer_build=True,  # one validator for the whole config, not another for each table: 0.15 s
    )
