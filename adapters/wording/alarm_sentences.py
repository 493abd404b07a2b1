"""One alarm in plain words: what it is called, what is seen, and what to do first where no advice came
with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from math import inf

from adapters.wording.figures import Style, clean, span
from rules.settings import Settings
from rules.telling.settled import SIDES
from rules.terms.events import HOUR_MS, MINUTE_MS, AlarmEvent
from rules.trade.alarm_kinds import ALARMS, LOOK_LATER
from rules.trade.bearable import HarmKind
from rules.trade.emergencies import LAST_HELP


def title_of(settings: Settings, place: str | None) -> str:
    """Return how the keeper calls a chamber or room; the site's name for none."""
    if place is None:
        return clean(settings.site.name, 60)
    known = settings.chambers.get(place) or settings.rooms.get(place)
    return clean(known.title or place, 60) if known is not None else clean(place, 60)


def subject_of(alarm: AlarmEvent) -> str:
    """Return what an alarm is about: climate, lid, probe, medium or site."""
    return ALARMS[alarm.alarm].subject if alarm.alarm in ALARMS else "climate"


def first_step(alarm: AlarmEvent) -> str:
    """Return what to do first about an alarm that came without advice."""
    if alarm.condition in ("held", "unknown") and subject_of(alarm) in ("climate", "lid"):
        return "Go and look yourself, with another thermometer or hygrometer if you have one."
    return ALARMS[alarm.alarm].first_step.format(chamber=alarm.chamber) if alarm.alarm in ALARMS else "Go and look."


def first_steps(alarms: Sequence[AlarmEvent], *, urgent: bool = False) -> list[str]:
    """Return what to do first about alarms that came without advice, the worst first: one step for each harm; none for what is
    over, back in its band, only asked about or only ahead, unless there is nothing else. `urgent`: with what is left where that
    is done already, against the worst harm that wakes."""
    wrong = [alarm for alarm in alarms if alarm.open and alarm.kind == "alarm" and not back_inside(alarm)]
    found: dict[str, str] = {}
    for alarm in wrong or alarms:
        harm = ALARMS[alarm.alarm].harm if alarm.alarm in ALARMS else None
        found.setdefault(harm or alarm.alarm, first_step(alarm))
    told = [line for line in dict.fromkeys(found.values()) if line != LOOK_LATER or len(found) == 1]
    harms = [SIDES[alarm.alarm] for alarm in wrong if alarm.alarm in SIDES and alarm.priority == "wake"] if urgent else []
    helps = [LAST_HELP[harm] for harm in harms[:1]]
    return [*told[: 3 - len(helps)], *helps]


def label(alarm: str) -> str:
    """Return the short name of an alarm."""
    return ALARMS[alarm].label if alarm in ALARMS else clean(alarm.replace("-", " "), 60)


def sentence(alarm: AlarmEvent, settings: Settings, style: Style, told_at_ms: int, *, account: bool = True) -> str:
    """Return what is happening: who, what, value and limit, since when, and, unless told apart, its account of harm."""
    name, place = alarm.alarm, title_of(settings, alarm.chamber)
    condition = alarm.condition
    if _names_its_subject(name):
        said = _said(alarm, place)
    elif condition == "normal":
        value = "" if alarm.unit == "K" else _figures(replace(alarm, limit=None), style, told_at_ms)
        return f"{place}: “{label(name)}” does not hold{value}."
    elif condition in ("held", "unknown"):
        return _unseen(alarm, place, style, told_at_ms)
    elif back_inside(alarm):
        said = f"{_was(alarm, place)} and is only just back within its limit"
        return said + _figures(alarm, style, told_at_ms) + "."
    else:
        said = _said(alarm, place)
    figures = _figures(alarm, style, told_at_ms) + _since(alarm, style, told_at_ms)
    return f"{said}{figures}.{_harm(alarm, told_at_ms, account)}"


def back_inside(alarm: AlarmEvent) -> bool:
    """Return whether an alarm of a band still stands only because its value is back by less than the deadband."""
    return alarm.alarm in ALARMS and ALARMS[alarm.alarm].is_inside(alarm.value, alarm.limit)


def _names_its_subject(alarm: str) -> bool:
    """Whether the sentence is about a probe or a line, which the keeper must be able to find."""
    return alarm in ALARMS and not ALARMS[alarm].sentence.startswith("{place}")


def _said(alarm: AlarmEvent, place: str) -> str:
    name = alarm.alarm
    if name not in ALARMS:
        return f"{place} is {label(name)}"
    probe, medium = alarm.probe or "", alarm.medium or alarm.probe or ""
    return ALARMS[name].said(place, clean(probe, 64), clean(medium))


def raised(raised_from: float | None) -> str:
    """Return why an edge of dryness lies higher than it is written, after its figure."""
    return "" if raised_from is None else f", raised from {raised_from:.0f} %: warm air dries more"


def _figures(alarm: AlarmEvent, style: Style, told_at_ms: int) -> str:
    value, limit, unit = alarm.value, alarm.limit, alarm.unit
    if value is None or unit is None or unit == "s":
        return ""
    aged = "" if _read_ms(alarm) == alarm.since_ms else _aged(alarm, style, told_at_ms)
    then, pace = _then(alarm, style, told_at_ms)
    said = f": {then}{style.quantity(value, unit)}{aged}" + (" now" if then and not aged else "") + pace
    if limit is None:
        return said
    if unit == "K":  # a margin: lid temperature minus dew point
        settles = "where water settles" if value < 0 else "below which water settles"
        return f" ({_beside_dew_point(value, style)}, {settles})"
    return f"{said} (limit {style.quantity(limit, unit).removesuffix(' humidity')}{raised(alarm.raised_from)})"


def _beside_dew_point(margin_k: float, style: Style) -> str:
    return f"{style.quantity(abs(margin_k), 'K')} {'below' if margin_k < 0 else 'above'} the dew point"


_MOVED = {"degC": 0.2, "%RH": 2.0}
"""A value that differs less from what the last letter said has not moved."""
_PACED_MS = (10 * MINUTE_MS, 3 * HOUR_MS)
"""Between two values so far apart a pace is worth telling."""


def _then(alarm: AlarmEvent, style: Style, told_at_ms: int) -> tuple[str, str]:
    """Return what the last letter said of the value, and how fast it has moved since; empty where it has not."""
    value, before, unit = alarm.value, alarm.told_value, alarm.unit
    if value is None or before is None or alarm.told_ms is None or abs(value - before) < _MOVED.get(unit or "", inf):
        return "", ""
    then = f"{style.quantity(before, unit)} at {style.clock(alarm.told_ms, told_at_ms)}, "
    apart_ms = _read_ms(alarm) - alarm.told_ms
    if not _PACED_MS[0] <= apart_ms <= _PACED_MS[1]:
        return then, ""
    pace = style.quantity(abs(value - before) * HOUR_MS / apart_ms, "K" if unit == "degC" else unit).removesuffix(" humidity")
    return then, f", {'rising' if value > before else 'falling'} by {pace} per hour"


def _read_ms(alarm: AlarmEvent) -> int:
    return alarm.at_ms if alarm.read_ms is None else alarm.read_ms


def _aged(alarm: AlarmEvent, style: Style, told_at_ms: int) -> str:
    """Return when the value was read where that is not just now."""
    old = told_at_ms - _read_ms(alarm) >= FRESH_MS
    return f" at {style.clock(_read_ms(alarm), told_at_ms)}" if old else ""


def _since(alarm: AlarmEvent, style: Style, told_at_ms: int) -> str:
    return f", since {style.clock(alarm.since_ms, told_at_ms)}" if alarm.since_ms else ""


FRESH_MS = 60_000
"""A figure that was read longer ago is told with its time."""
_FRESH_S = 600
"""A pace that was seen longer ago predicts nothing."""


def _was(alarm: AlarmEvent, place: str) -> str:
    """Return that it was so: of the place, or of a part of it."""
    part = alarm.alarm in ALARMS and ALARMS[alarm.alarm].tells_of_a_part
    return f"{place}: “{label(alarm.alarm)}” stood" if part else f"{place} was {label(alarm.alarm)}"


def _ahead(alarm: AlarmEvent) -> bool:
    """Return whether a heater that races towards harm has not got there yet."""
    runs = alarm.alarm == "heater-runaway" and alarm.value is not None and alarm.limit is not None
    return runs and alarm.value < alarm.limit  # type: ignore[operator]


def _harm(alarm: AlarmEvent, told_at_ms: int, account: bool) -> str:
    if alarm.condition != "active":
        return ""
    does_harm = f" {'This will do harm' if _ahead(alarm) else 'This does harm'}." if alarm.level == "harmful" else ""
    if alarm.harm_used is not None:
        return does_harm + (f" {left}" if account and (left := account_of(alarm, told_at_ms)) else "")
    if does_harm:
        return does_harm
    age_s = (told_at_ms - alarm.at_ms) / 1000
    if alarm.seconds_left is None or alarm.seconds_left <= 0 or age_s > _FRESH_S:
        return ""
    left_s = alarm.seconds_left - age_s
    return f" At this pace it does harm in about {span(left_s)}." if left_s >= 60 else " By now it may do harm."


_BORNE: dict[HarmKind, str] = {"heat": "heat", "cold": "cold", "dryness": "dry air", "water": "water from the lid"}


def _judged_ms(alarm: AlarmEvent) -> int:
    return alarm.at_ms if alarm.judged_ms is None else alarm.judged_ms


def account_of(alarm: AlarmEvent, told_at_ms: int, bearer: str = "garden") -> str:
    """Return how much of what such a garden (or other chamber) bears is used up, and how long the rest lasts; an old figure is
    not told."""
    age_s = (told_at_ms - _judged_ms(alarm)) / 1000
    if alarm.harm_used is None or not alarm.open or age_s > _FRESH_S:
        return ""
    what = _BORNE[ALARMS[alarm.alarm].harm or "water"]
    used_pct = round(100 * alarm.harm_used)
    left_s = None if alarm.seconds_left is None else alarm.seconds_left - age_s
    if used_pct >= 100 or (left_s is not None and left_s < 60):
        return f"All {what} that such a {bearer} bears is used up (an own estimate)."
    used = f"About {used_pct} %" if used_pct else "Hardly any"
    rest = "" if left_s is None else f"; at this pace the rest lasts about {span(left_s)}{_early(alarm, left_s, age_s)}"
    return f"{used} of the {what} that such a {bearer} bears is used up (an own estimate){rest}."


_THEN_S = 4 * 3600
"""An account that is older says nothing of now."""


def account_then(alarm: AlarmEvent, style: Style, told_at_ms: int, bearer: str = "garden") -> str:
    """Return the account of harm as it was when it was last told, where it is not of now."""
    age_s = (told_at_ms - _judged_ms(alarm)) / 1000
    if not alarm.harm_used or alarm.seconds_left is None or not alarm.open or not _FRESH_S < age_s < _THEN_S:
        return ""
    what, end_ms = _BORNE[ALARMS[alarm.alarm].harm or "water"], _judged_ms(alarm) + round(1000 * alarm.seconds_left)
    used = f"about {100 * alarm.harm_used:.0f} % of the {what} that such a {bearer} bears was used up (an own estimate)"
    rest = f"at the pace of then the rest lasts until about {style.clock(end_ms, told_at_ms)}"
    return f"At {style.clock(_judged_ms(alarm), told_at_ms)} {used}; {rest}." if end_ms > told_at_ms else ""


def _early(alarm: AlarmEvent, left_s: float, age_s: float) -> str:
    early_s = None if alarm.early_seconds_left is None else alarm.early_seconds_left - age_s
    told = early_s is not None and early_s < 0.8 * left_s
    return f", at the earliest {span(early_s)}" if told and early_s is not None else ""


def worse_by(alarm: AlarmEvent, style: Style) -> str:
    """Return what an alarm has become, and by what."""
    kind = ALARMS[alarm.alarm].harm if alarm.alarm in ALARMS else None
    worse = "worse since my last letter"
    if alarm.worse == "mark" and kind == "water":
        return f"{worse}: the film on the lid has grown to half of what drips"
    if alarm.worse == "mark" and alarm.mark is not None:
        side = "risen above" if kind == "heat" else "fallen below"
        return f"{worse}: it has {side} {style.quantity(alarm.mark, alarm.unit)}"
    if alarm.worse == "time":
        return f"{worse}: half of the time that was left is gone"
    return "more urgent since my last letter"


def _unseen(alarm: AlarmEvent, place: str, style: Style, told_at_ms: int) -> str:
    name, value = alarm.alarm, alarm.value
    if alarm.condition == "unknown":
        what = ALARMS[name].clause if name in ALARMS else f"it is {label(name)}"
        return f"{place}: whether {what} is not known, because nothing believable is heard from its probe."
    seen = ""
    if value is not None:
        figure = _beside_dew_point(value, style) if alarm.unit == "K" else style.quantity(value, alarm.unit)
        seen = f" ({figure}{_aged(alarm, style, told_at_ms)})"
    since = f" It began at {style.clock(alarm.since_ms, told_at_ms)}." if alarm.since_ms else ""
    return f"{_was(alarm, place)} when it was last seen{seen}.{since} I can no longer see it, so it may still be so."


def over(alarm: AlarmEvent, settings: Settings, style: Style, told_at_ms: int) -> str:
    """Return that an alarm is over, how long it was and where the value is now."""
    place, name, unit = title_of(settings, alarm.chamber), alarm.alarm, alarm.unit
    known = alarm.value is not None and unit not in (None, "s", "K")
    value = f": {style.quantity(alarm.value, unit)}{_aged(alarm, style, told_at_ms)}" if known else ""
    return f"{_over_what(alarm, place, name)}{value}.{_lasted(alarm, style, told_at_ms)}"


def over_before(alarm: AlarmEvent, settings: Settings, style: Style, told_at_ms: int) -> str:
    """Return that an alarm that stands now stood before as well, and had ended meanwhile."""
    began = f"from {style.clock(alarm.since_ms, told_at_ms)} " if alarm.since_ms else ""
    place = title_of(settings, alarm.chamber)
    return f"{place}: “{label(alarm.alarm)}” stood before, {began}until {style.clock(alarm.at_ms, told_at_ms)}."


def _over_what(alarm: AlarmEvent, place: str, name: str) -> str:
    if subject_of(alarm) in ("probe", "medium"):
        return f"“{label(name)}” is over for {clean(alarm.probe or alarm.medium or '', 64)} in {place}"
    of_a_part = name in ALARMS and ALARMS[name].tells_of_a_part
    return f"{place}: “{label(name)}” is over" if of_a_part else f"{place} is no longer {label(name)}"


def _lasted(alarm: AlarmEvent, style: Style, told_at_ms: int) -> str:
    if not alarm.since_ms:
        return ""
    return f" It began at {style.clock(alarm.since_ms, told_at_ms)} and lasted {span((alarm.at_ms - alarm.since_ms) / 1000)}."
