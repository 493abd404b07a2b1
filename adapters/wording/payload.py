"""Events and states as JSON payloads for readers that are programs. See `adapters.outlets.mqtt_topic` for the topics."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

from adapters.wording.figures import ascii_only
from rules.climate.situation import Situation
from rules.settings import Settings
from rules.terms.events import AdviceEvent, AlarmEvent, Event, rfc3339

SCHEMA = 1
_STATE_KEYS = (
    "time", "chamber", "alarm", "condition", "level", "acknowledged", "suppression", "occurrence", "priority", "value", "limit",
    "unit", "probe", "medium", "since", "seconds_left", "early_seconds_left", "harm_used", "reason",
)  # fmt: skip
_SITUATION_KEYS = (
    "temperature_c", "relative_humidity_pct", "dew_point_c", "absolute_humidity_g_m3", "vapour_pressure_deficit_pa",
    "lid_temperature_c", "lid_source", "dew_margin_k", "probability_wet", "condensate_g_m2", "room_temperature_c",
    "room_relative_humidity_pct", "room_dew_point_c", "u_temperature_k", "u_relative_humidity_pct", "u_dew_point_k",
    "u_dew_margin_k", "temperature_slope_k_h", "humidity_slope_pct_h", "visiting", "saturated", "lacking",
)  # fmt: skip


def site_level(settings: Settings) -> str:
    """Return the site's name as one topic level: small letters, digits and hyphens."""
    slug = re.sub(r"[^a-z0-9]+", "-", ascii_only(settings.site.name, "site").lower()).strip("-")
    return slug or "site"


def place_level(settings: Settings, place: str | None) -> str:
    """Return the topic levels of a chamber, a room, or of what belongs to no place."""
    if place is None:
        return "site"
    return f"room/{place}" if place in settings.rooms and place not in settings.chambers else f"chamber/{place}"


def alarm_topic(settings: Settings, event: AlarmEvent) -> str:
    """Return the topic of an alarm's state."""
    about = event.probe or event.medium
    tail = f"/{re.sub(r'[^A-Za-z0-9_.-]+', '-', about)}" if about else ""
    return f"{place_level(settings, event.chamber)}/alarm/{event.alarm}{tail}"


def event_payload(event: Event, settings: Settings) -> str:
    """Return an event as payload."""
    return _text(settings, event.as_json())


def heartbeat_payload(number: int, now_ms: int, settings: Settings) -> str:
    """Return the heartbeat: the whole way, from inbox to this message, was well at this instant."""
    return _text(settings, {"time": rfc3339(now_ms), "beat": number})


_OWN = ("at_ms", "held_rank", "mark_left_s")
"""What an account of harm keeps for itself."""


def alarm_state(event: AlarmEvent, settings: Settings) -> str:
    """Return the state of an alarm after an event; the event's id and change stand beside it."""
    body = event.as_json()
    return _text(settings, {key: body[key] for key in _STATE_KEYS} | {"event": event.id, "change": event.change})


def advice_state(event: AdviceEvent, settings: Settings) -> str:
    """Return the advisory that stands after an event; empty when none does, which removes it."""
    return "" if event.over or event.status == "verified" else _text(settings, event.as_json())


def chamber_state(
    situation: Situation, settings: Settings, standing: Sequence[str] = (), advice: Mapping[str, Any] | None = None,
    verdict: str | None = None,
) -> str:
    """Return what is believed of a chamber now, how it is, the alarms that stand, and the headline of its advisory."""
    figures = {key: _short(getattr(situation, key)) for key in _SITUATION_KEYS}
    figures["harm"] = [
        {key: value for key, value in asdict(harm).items() if key not in _OWN} for harm in situation.harm
    ]
    told = (
        None
        if advice is None
        else {key: advice.get(key) for key in ("advisory", "headline", "device", "change", "amount", "unit")}
    )
    head = {"time": rfc3339(situation.at_ms), "chamber": situation.chamber}
    return _text(settings, head | figures | {"verdict": verdict, "alarms": list(standing), "advice": told})


def _short(value: Any) -> Any:
    return round(value, 3) if isinstance(value, float) and math.isfinite(value) else value


def _text(settings: Settings, body: Mapping[str, Any]) -> str:
    whole = {"schema": SCHEMA, "advisory_only": True, "site": settings.site.name} | dict(body)
    return json.dumps(_finite(whole), separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _finite(body: Any) -> Any:
    if isinstance(body, dict):
        return {key: _finite(value) for key, value in body.items()}
    if isinstance(body, list | tuple):
        return [_finite(value) for value in body]
    return None if isinstance(body, float) and not math.isfinite(body) else body
