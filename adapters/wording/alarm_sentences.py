"""One alarm in plain words: what it is called, what is seen, and what to do first where no advice came
with it.
"""

from __future__ import annotations

from typing import Any

from adapters.wording.figures import Style, clean, seconds_between, span
from rules.settings import Settings
from rules.trade.alarm_kinds import ALARMS


def title_of(settings: Settings, place: str | None) -> str:
    """Return how the keeper calls a chamber or room; the site's name for none."""
    if place is None:
        return clean(settings.site.name, 60)
    known = settings.chambers.get(place) or settings.rooms.get(place)
    return clean(known.title or place, 60) if known is not None else clean(place, 60)


def subject_of(alarm: dict[str, Any]) -> str:
    """Return what an alarm is about: climate, lid, probe, medium or site."""
    return ALARMS[alarm["alarm"]].subject if alarm["alarm"] in ALARMS else "climate"


def first_step(alarm: dict[str, Any]) -> str:
    """Return what to do first about an alarm that came without advice."""
    if alarm.get("condition") in ("held", "unknown") and subject_of(alarm) in ("climate", "lid"):
        return "Go and look yourself, with another thermometer or hygrometer if you have one."
    return ALARMS[alarm["alarm"]].first_step if alarm["alarm"] in ALARMS else "Go and look."


def label(alarm: str) -> str:
    """Return the short name of an alarm."""
    return ALARMS[alarm].label if alarm in ALARMS else clean(alarm.replace("-", " "), 60)


def sentence(alarm: dict[str, Any], settings: Settings, style: Style, told_at: str) -> str:
    """Return what is happening: who, what, value and limit, since when."""
    name, place = alarm["alarm"], title_of(settings, alarm.get("chamber"))
    condition = alarm.get("condition")
    if _names_its_subject(name):
        said = _said(alarm, place)
    elif condition == "normal":
        value = "" if alarm.get("unit") == "K" else _figures(alarm | {"limit": None}, style, told_at)
        return f"{place}: “{label(name)}” does not hold{value}."
    elif condition in ("held", "unknown"):
        return _unseen(alarm, place, style, told_at)
    elif _back_inside(alarm):
        said = f"{place} was {label(name)} and is only just back within its limit"
        return said + _figures(alarm, style, told_at) + "."
    else:
        said = _said(alarm, place)
    return said + _figures(alarm, style, told_at) + _since(alarm, style, told_at) + "." + _harm(alarm, told_at)


def _back_inside(alarm: dict[str, Any]) -> bool:
    """Whether an alarm of a band still stands only because its value is back by less than the deadband."""
    value, limit, side = alarm.get("value"), alarm.get("limit"), _inside(alarm["alarm"])
    return side is not None and value is not None and limit is not None and side * (value - limit) > 0


def _inside(alarm: str) -> int | None:
    """Return on which side of its limit the value of a band's alarm is inside."""
    edge = ALARMS[alarm].edge if alarm in ALARMS else None
    return None if edge is None else {"low": 1, "high": -1}[edge[1]]


def _names_its_subject(alarm: str) -> bool:
    """Whether the sentence is about a probe or a line, which the keeper must be able to find."""
    return alarm in ALARMS and not ALARMS[alarm].sentence.startswith("{place}")


def _said(alarm: dict[str, Any], place: str) -> str:
    name = alarm["alarm"]
    if name not in ALARMS:
        return f"{place} is {label(name)}"
    probe, medium = alarm.get("probe") or "", alarm.get("medium") or alarm.get("probe") or ""
    return ALARMS[name].said(place, clean(probe, 64), clean(medium))


def _figures(alarm: dict[str, Any], style: Style, told_at: str) -> str:
    value, limit, unit = alarm.get("value"), alarm.get("limit"), alarm.get("unit")
    if value is None or unit is None or unit == "s":
        return ""
    old = seconds_between(alarm["time"], told_at) >= 60 and alarm["time"] != alarm.get("since")
    said = f": {style.quantity(value, unit)}" + (f" at {style.clock(alarm['time'], told_at)}" if old else "")
    if limit is None:
        return said
    if unit == "K":  # a margin: lid temperature minus dew point
        side = "below" if value < 0 else "above"
        return f" ({style.quantity(abs(value), unit)} {side} the dew point, where water settles)"
    return f"{said} (limit {style.quantity(limit, unit).removesuffix(' humidity')})"


def _since(alarm: dict[str, Any], style: Style, told_at: str) -> str:
    return f", since {style.clock(alarm['since'], told_at)}" if alarm.get("since") else ""


_FRESH_S = 600
"""A pace that was seen longer ago predicts nothing."""


def _harm(alarm: dict[str, Any], told_at: str) -> str:
    if alarm.get("condition") != "active":
        return ""
    if alarm.get("level") == "harmful":
        return " This does harm."
    left = alarm.get("seconds_left")
    if left is None or left <= 0:
        return ""
    age_s = seconds_between(alarm["time"], told_at)
    if age_s > _FRESH_S:
        return ""
    left -= age_s
    return f" At this pace it does harm in about {span(left)}." if left >= 60 else " By now it may do harm."


def _unseen(alarm: dict[str, Any], place: str, style: Style, told_at: str) -> str:
    name, value = alarm["alarm"], alarm.get("value")
    if alarm.get("condition") == "unknown":
        what = ALARMS[name].clause if name in ALARMS else f"it is {label(name)}"
        return f"{place}: whether {what} is not known, because nothing believable is heard from its probe."
    seen = "" if value is None else f" ({style.quantity(value, alarm.get('unit'))})"
    since = f" It began at {style.clock(alarm['since'], told_at)}." if alarm.get("since") else ""
    return f"{place} was {label(name)} when it was last seen{seen}.{since} I can no longer see it, so it may still be so."


def over(alarm: dict[str, Any], settings: Settings, style: Style, told_at: str) -> str:
    """Return that an alarm is over, how long it was and where the value is now."""
    place, name, unit = title_of(settings, alarm.get("chamber")), alarm["alarm"], alarm.get("unit")
    value = "" if alarm.get("value") is None or unit in (None, "s", "K") else f": {style.quantity(alarm['value'], unit)}"
    return f"{_over_what(alarm, place, name)}{value}.{_lasted(alarm, style, told_at)}"


def _over_what(alarm: dict[str, Any], place: str, name: str) -> str:
    if subject_of(alarm) in ("probe", "medium"):
        return f"“{label(name)}” is over for {clean(alarm.get('probe') or alarm.get('medium') or '', 64)} in {place}"
    of_a_part = name in ALARMS and ALARMS[name].tells_of_a_part
    return f"{place}: “{label(name)}” is over" if of_a_part else f"{place} is no longer {label(name)}"


def _lasted(alarm: dict[str, Any], style: Style, told_at: str) -> str:
    if not alarm.get("since"):
        return ""
    seconds = seconds_between(alarm["since"], alarm["time"])
    return f" It began at {style.clock(alarm['since'], told_at)} and lasted {span(seconds)}."
