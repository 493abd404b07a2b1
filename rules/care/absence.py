"""What happens while the keeper is away, kept for the one letter that tells it when he is back."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

from rules.care.occurrences import Occurrence
from rules.care.state import AwayDiary, AwayDone, AwayTrouble
from rules.settings import Settings
from rules.terms.events import AlarmEvent, Event, WordEvent
from rules.terms.local_time import day_words, time_words
from rules.trade.alarm_kinds import ALARMS, identity
from rules.trade.bearable import BEARABLE

MOST_DONE, MOST_TROUBLES = 60, 400
"""More is not kept: of a letter nobody reads so much. Own estimate."""
_OVER = ("returned", "closed", "unknown")
_TOLD = ("raised", "escalated", "worsened", *_OVER)
_CODE = re.compile(r"^[a-z]+(?:_[a-z]+)+: ")
"""What scripts read before an answer's words."""
_SAID = {"keeper": "by you", "stand-in": "by the stand-in", "second": "by the second address", "mqtt": "by MQTT"}
"""Who said something; every other name is that of a user of the server."""


def noted(diary: AwayDiary, events: Iterable[Event], by: Mapping[str, str]) -> AwayDiary:
    """Return the diary with what has happened; `by`: who said a word, by the id of its answer."""
    troubles, done = dict(diary.troubles), list(diary.done)
    for event in events:
        if isinstance(event, AlarmEvent) and event.change in _TOLD:
            key = identity(event.chamber, event.alarm, event.probe or event.medium)
            before = troubles.get(key)
            worth = event.open and event.suppression == "none" and event.priority != "digest" and len(troubles) < MOST_TROUBLES
            if before is not None or worth:
                troubles[key] = _gone_on(before or AwayTrouble(event.chamber, event.alarm, event.at_ms, event.at_ms), event)
        elif isinstance(event, WordEvent) and event.accepted and event.id in by and event.word != "away":
            done.append(AwayDone(event.chamber, event.at_ms, by[event.id], _CODE.sub("", event.text)[:600]))
    return replace(diary, troubles=troubles, done=done[-MOST_DONE:])


def _gone_on(trouble: AwayTrouble, event: AlarmEvent) -> AwayTrouble:
    kind, worst = ALARMS[event.alarm].harm, trouble.worst
    if event.value is not None and event.unit in ("degC", "%RH") and kind in BEARABLE and event.open:
        sign = BEARABLE[kind].worse
        worst = event.value if worst is None or sign * (event.value - worst) > 0 else worst
    return replace(
        trouble, last_ms=event.at_ms, times=trouble.times + (event.change == "raised"), worst=worst, unit=event.unit,
        harmful=trouble.harmful or event.level == "harmful", open=event.open,
    )


def welcome_back(settings: Settings, diary: AwayDiary | None, standing: Sequence[Occurrence], at_ms: int) -> str:
    """Return, for each chamber, what happened, what was done and by whom, and what is due, for the keeper who is back."""
    parts = ["You are back: alarms come to you again."]
    if diary is not None:
        span = f"{time_words(diary.since_ms, settings.zone)} to {time_words(at_ms, settings.zone)}"
        parts[0] += f" This is what happened from {span}."
        places = [*settings.chambers, *settings.rooms, None]
        told = [_of_place(settings, diary, place) for place in places]
        parts += [part for part in told if part] or ["Nothing happened that was worth a letter."]
    due = [f"- {one.where}: {one.title} ({_status(one)} since {day_words(one.due_ms, settings.zone)})." for one in standing]
    parts.append("\n".join(["Due now:", *due]) if due else "Nothing of the routine is due.")
    return "\n\n".join(parts)


def _status(one: Occurrence) -> str:
    return "overdue, and harmful if missed," if one.status == "harmful-if-missed" else one.status


def _of_place(settings: Settings, diary: AwayDiary, place: str | None) -> str:
    known = settings.chambers.get(place or "") or settings.rooms.get(place or "")
    title = "The whole shelf" if place is None else (known.title if known is not None else "") or place
    happened = sorted((one for one in diary.troubles.values() if one.chamber == place), key=lambda one: one.first_ms)
    lines = [_trouble(settings, one) for one in happened]
    lines += [_done(settings, one) for one in diary.done if one.chamber == place]
    return "\n".join([f"{title}:", *lines]) if lines else ""


def _trouble(settings: Settings, one: AwayTrouble) -> str:
    label, first = ALARMS[one.alarm].label, time_words(one.first_ms, settings.zone)
    often = "" if one.times < 2 else f", {one.times} times"
    worst = "" if one.worst is None else f", at worst {one.worst:.1f} {'°C' if one.unit == 'degC' else '% humidity'}"
    harm = "; it did harm" if one.harmful else ""
    now = "It still stands" if one.open else f"Over since {time_words(one.last_ms, settings.zone)}"
    return f"- {label[:1].upper()}{label[1:]}, first {first}{often}{worst}{harm}. {now}."


def _done(settings: Settings, one: AwayDone) -> str:
    return f"- {time_words(one.at_ms, settings.zone)}, {_SAID.get(one.by, 'at the server')}: {one.text.rstrip('.')}."
