"""The exact commands that a letter tells the keeper to type on the server."""

from __future__ import annotations

from collections.abc import Sequence

from rules.terms.events import AlarmEvent, CareEvent

MOST_SINGLE = 3


def acknowledge(alarm: AlarmEvent) -> str:
    """Seen: no more reminders."""
    return f"dewlid ack {_alarm(alarm)}"


def acknowledge_all(alarms: Sequence[AlarmEvent], room: str | None = None) -> list[str]:
    """Seen, all of it: alarm by alarm while these are few, else all of each chamber at once, or of the room that all are in."""
    places = list(dict.fromkeys(alarm.chamber or "site" for alarm in alarms))
    if len(alarms) <= MOST_SINGLE or "site" in places:
        return [acknowledge(alarm) for alarm in alarms]
    return [f"dewlid ack {room if room and len(places) > 2 else ' '.join(places)}"]


def shelve(alarm: AlarmEvent, for_text: str = "4h") -> str:
    """Quiet for a while."""
    return f"dewlid shelve {_alarm(alarm)} --for {for_text}"


def _alarm(alarm: AlarmEvent) -> str:
    parts = [alarm.chamber or "site", alarm.alarm]
    about = alarm.probe or alarm.medium
    return " ".join([*parts, "--probe", about] if about else parts)


def done(advisory: str) -> str:
    """The advice was carried out."""
    return f"dewlid done {advisory}"


def lid_seen(chamber: str) -> str:
    """The lid was looked at and is dry."""
    return f"dewlid lid {chamber} seen dry"


def note(chamber: str) -> str:
    """What was seen, in the keeper's own words."""
    return f'dewlid note {chamber} "WHAT YOU SAW"'


def visit(chamber: str) -> str:
    """Work in the tank: no alarms about lid and humidity meanwhile."""
    return f"dewlid visit {chamber}"


def out_of_service(probe: str) -> str:
    """The probe is taken out of use for some hours."""
    return f"dewlid out-of-service {probe} --for 2h"


def why(chamber: str) -> str:
    """All numbers behind the advice."""
    return f"dewlid why {chamber}"


def care_done(event: CareEvent) -> str:
    """A task of the routine was done."""
    place = f" --chamber {event.chamber}" if event.chamber else ""
    return f"dewlid care done {event.task}{place}"


def check() -> str:
    """Try every probe and outlet once."""
    return "dewlid check"
