"""One alarm in plain words: what it is called, what is seen, and what to do first where no advice came
with it.
"""

from __future__ import annotations

from typing import Any

from adapters.wording.figures import Style, clean, seconds_between, span
from rules.settings import Settings
from rules.trade.alarm_kinds import ALARMS

# Common practice, no source. For alarms that come without an advisory, or before one could be worked out.
FIRST_STEP: dict[str, str] = {
    "temperature-high": "Go and look. If the heater is warm, unplug it at the wall. Shade the tank.",
    "temperature-low": "Go and look. Is the heater plugged in and warm to the hand?",
    "humidity-low": "Check that the lid is shut and every tube and plug is in place.",
    "humidity-high": "Look at the lid. If it is dry, there is nothing to do now.",
    "lid-dew": "Look at the lid. If drops hang over the garden, wipe it dry.",
    "heater-runaway": "Unplug the heater now, at the wall.",
    "heater-failed": "Check the heat: is it plugged in and warm to the hand?",
    "lid-open": "Shut the lid, and check every tube and plug.",
    "lid-drip-tonight": "Lay foam on the lid before you go to bed.",
    "temperature-leaving": "Nothing yet. Look again when the time below is over.",
    "humidity-leaving": "Nothing yet. Look again when the time below is over.",
    "mister-stuck": "Unplug the mister and look for the leak.",
    "probe-stale": "Look at the probe: is it plugged in, has it power, is the cable whole?",
    "probe-fault": "Look at the probe: dry it, look for garden or water on it, compare it with another one.",
    "probes-disagree": "Put both probes side by side for an hour and see which one is wrong.",
    "probe-calibration": "Check the humidity probe over wet salt (75 %) when you have a quiet evening.",
    "blind": "Go and look at the chamber yourself: nothing can be seen of it from here.",
    "medium-down": "Check the cable or the broker that these probes share.",
}
_SEEN = {
    "lid-dew": "its lid is wet",
    "lid-open": "its lid seems to be open or ajar",
    "lid-drip-tonight": "its lid will drip before dawn if nothing is done",
    "heater-runaway": "its heater does not stop heating",
    "heater-failed": "its heat is failing",
    "mister-stuck": "water keeps coming",
    "blind": "nothing can be seen of it: no probe there is heard or believed",
    "temperature-leaving": "its temperature is about to leave its band",
    "humidity-leaving": "its humidity is about to leave its band",
    "probes-disagree": "its two probes do not agree",
}


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
    return FIRST_STEP.get(alarm["alarm"], "Go and look.")


def label(alarm: str) -> str:
    """Return the short name of an alarm."""
    return ALARMS[alarm].label if alarm in ALARMS else clean(alarm.replace("-", " "), 60)


def sentence(alarm: dict[str, Any], settings: Settings, style: Style, told_at: str) -> str:
    """Return what is happening: who, what, value and limit, since when."""
    name, place = alarm["alarm"], title_of(settings, alarm.get("chamber"))
    condition = alarm.get("condition")
    if name in ("probe-stale", "probe-fault", "probe-calibration"):
        said = _probe_sentence(alarm, place)
    elif name == "medium-down":
        said = f"The line or broker {clean(alarm.get('medium') or alarm.get('probe') or '')} is down"
    elif condition == "normal":
        value = "" if alarm.get("unit") == "K" else _figures(alarm | {"limit": None}, style, told_at)
        return f"{place}: “{label(name)}” does not hold{value}."
    elif condition in ("held", "unknown"):
        return _unseen(alarm, place, style, told_at)
    elif _back_inside(alarm):
        said = f"{place} was {label(name)} and is only just back within its limit"
        return said + _figures(alarm, style, told_at) + "."
    else:
        said = f"{place}: {_SEEN[name]}" if name in _SEEN else f"{place} is {label(name)}"
    return said + _figures(alarm, style, told_at) + _since(alarm, style, told_at) + "." + _harm(alarm, told_at)


def _back_inside(alarm: dict[str, Any]) -> bool:
    """Whether an alarm of a band still stands only because its value is back by less than the deadband."""
    value, limit, side = alarm.get("value"), alarm.get("limit"), _INSIDE.get(alarm["alarm"])
    return side is not None and value is not None and limit is not None and side * (value - limit) > 0


_INSIDE = {"temperature-high": -1, "humidity-high": -1, "temperature-low": 1, "humidity-low": 1}
"""On which side of its limit the value of each band's alarm is inside."""


def _probe_sentence(alarm: dict[str, Any], place: str) -> str:
    probe = clean(alarm.get("probe") or "", 64)
    return {
        "probe-stale": f"The probe {probe} in {place} is silent",
        "probe-fault": f"The probe {probe} in {place} is not believed",
        "probe-calibration": f"The humidity check of the probe {probe} in {place} is due",
    }[alarm["alarm"]]


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
        what = _SEEN.get(name, f"it is {label(name)}")
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
    return f"{place}: “{label(name)}” is over" if name in _SEEN else f"{place} is no longer {label(name)}"


def _lasted(alarm: dict[str, Any], style: Style, told_at: str) -> str:
    if not alarm.get("since"):
        return ""
    seconds = seconds_between(alarm["since"], alarm["time"])
    return f" It began at {style.clock(alarm['since'], told_at)} and lasted {span(seconds)}."
