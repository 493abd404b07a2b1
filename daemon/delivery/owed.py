"""Decides what each outlet owes for an event, and words the outlets' own troubles as events for the other outlets."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

from adapters.outlets import AnyOutlet, ConsoleOutlet, MailOutlet, MqttOutlet
from adapters.outlets.outlet import Owed, Standing
from adapters.wording.figures import span
from adapters.wording.payload import (
    advice_state,
    alarm_state,
    alarm_topic,
    chamber_state,
    event_payload,
    place_level,
)
from daemon.store.batch_rows import json_text
from daemon.store.outbox_rows import LIMIT, Receipt, Waiting
from rules.climate.situation import Situation
from rules.settings import Settings
from rules.terms.events import AdviceEvent, AlarmEvent, Event, LetterEvent, SystemEvent
from rules.trade.alarm_kinds import identity

__all__ = ["LIMIT", "Notice", "Receipt", "Waiting", "notice_events", "obsolete", "owed_by", "owed_state", "told_events"]

_OPENS = ("raised", "escalated", "worsened", "resumed")
_ENDS = ("returned", "closed", "unknown")


def owed_by(
    events: Sequence[Event], outlets: Mapping[str, AnyOutlet], settings: Settings, *, trouble: Notice | None = None
) -> list[Owed]:
    """Return what the outlets owe for these events: MQTT all of them and the states after them, mail the letters, the
    console what its settings say. The outlet whose `trouble` they tell owes nothing, but for the addresses not refused."""
    owed: list[Owed] = []
    for event in events:
        for name, outlet in outlets.items():
            if _is_double(event, outlet, events):
                continue
            if trouble is None or name != trouble.outlet:
                owed += _owed(name, outlet, event, settings)
            elif trouble.refused and isinstance(outlet, MailOutlet) and isinstance(event, LetterEvent):
                everybody = dict.fromkeys([*outlet.to, *outlet.second, *outlet.stand_in])
                owed += mailed(name, event, [address for address in everybody if address != trouble.refused])
    return owed


def _is_double(event: Event, outlet: AnyOutlet, events: Sequence[Event]) -> bool:
    """Whether a letter to the second address would go to the keeper, who gets one of the same situation at that instant."""
    if not isinstance(event, LetterEvent) or event.to != "second" or not isinstance(outlet, MailOutlet) or outlet.second:
        return False
    mine = (event.thread, event.at_ms)
    return any(isinstance(one, LetterEvent) and one.to == "keeper" and (one.thread, one.at_ms) == mine for one in events)


def _owed(name: str, outlet: AnyOutlet, event: Event, settings: Settings) -> list[Owed]:
    if isinstance(outlet, MqttOutlet):
        return _published(name, event, settings)
    if isinstance(outlet, MailOutlet):
        return mailed(name, event, outlet.addresses(event.to)) if isinstance(event, LetterEvent) else []
    wanted = isinstance(outlet, ConsoleOutlet) and event.kind in outlet.tell and not is_bookkeeping(event)
    return [_message(name, event, json_text(event.as_json()))] if wanted else []


def is_bookkeeping(event: Event) -> bool:
    """Whether an event only says what explains or judges an alarm: programs want it, a human reads it in the letter."""
    if not isinstance(event, AlarmEvent):
        return False
    judged_anew = event.change == "updated" and event.harm_used is not None
    seen_well = event.change == "resumed" and event.condition == "normal"
    return event.change in ("suppressed", "unsuppressed", "unknown") or judged_anew or seen_well


def _published(name: str, event: Event, settings: Settings) -> list[Owed]:
    topic = f"{place_level(settings, event.chamber)}/event/{event.kind}"
    owed = [_message(name, event, event_payload(event, settings), topic=topic)]
    if isinstance(event, AlarmEvent):
        payload = "" if event.change == "closed" else alarm_state(event, settings)
        owed.append(_retained(name, "alarm", event.at_ms, alarm_topic(settings, event), payload, event.id))
    if isinstance(event, AdviceEvent):
        topic = f"{place_level(settings, event.chamber)}/advice"
        owed.append(_retained(name, "advice", event.at_ms, topic, advice_state(event, settings), event.id))
    return owed


def mailed(name: str, event: LetterEvent, addresses: Sequence[str]) -> list[Owed]:
    """Return what a mail outlet owes for a letter to these addresses."""
    payload = json_text(event.as_json())
    return [_message(name, event, payload, recipient=address) for address in addresses]


def _message(name: str, event: Event, payload: str, *, topic: str = "", recipient: str = "") -> Owed:
    about, standing = _standing(event)
    return Owed(
        outlet=name, event_id=event.id, kind=event.kind, ordinal=getattr(event, "ordinal", 0), recipient=recipient, topic=topic,
        payload=payload, about=about, standing=standing, expendable=not standing and not _is_news(event), made_ms=event.at_ms,
    )  # fmt: skip


def _standing(event: Event) -> tuple[str, Standing]:
    if isinstance(event, AlarmEvent):
        about = identity(event.chamber, event.alarm, event.probe or event.medium)
        opens = event.change in _OPENS and event.condition != "normal"
        return about, "opens" if opens else "ends" if event.change in _ENDS else ""
    if isinstance(event, LetterEvent):
        opens = event.sort in ("situation", "escalation")
        return event.thread, "opens" if opens else "ends" if event.sort == "all-clear" else ""
    return "", ""


def _is_news(event: Event) -> bool:
    return isinstance(event, LetterEvent) and event.sort in ("summary", "system", "reminder", "answer", "rehearsal")


def _retained(name: str, kind: str, at_ms: int, topic: str, payload: str, event_id: str = "") -> Owed:
    return Owed(outlet=name, event_id=event_id, kind=kind, topic=topic, payload=payload, made_ms=at_ms, retained=True)


def owed_state(
    situation: Situation,
    outlets: Mapping[str, AnyOutlet],
    settings: Settings,
    *,
    standing: Sequence[str] = (),
    advice: Mapping[str, Any] | None = None,
    verdict: str | None = None,
) -> list[Owed]:
    """Return the retained state of a chamber that MQTT outlets owe; call it when it is worth a message, not per reading."""
    payload = chamber_state(situation, settings, standing, advice, verdict)
    topic = f"{place_level(settings, situation.chamber)}/state"
    named = [name for name, outlet in outlets.items() if isinstance(outlet, MqttOutlet)]
    return [_retained(name, "state", situation.at_ms, topic, payload) for name in named]


def obsolete(states: Sequence[Waiting], settings: Settings, at_ms: int) -> list[Owed]:
    """Return what removes the retained states of chambers and rooms that the config no longer names."""
    owed = []
    for each in states:
        sort, _, rest = each.owed.topic.partition("/")
        known: Collection[str] = settings.chambers if sort == "chamber" else settings.rooms
        if sort in ("chamber", "room") and rest.split("/")[0] not in known and each.owed.payload:
            owed.append(_retained(each.owed.outlet, each.owed.kind, at_ms, each.owed.topic, ""))
    return owed


# ---------------------------------------------------------------- what the watching tells of itself

def told_events(name: str, what: str, text: str, now_ms: int) -> tuple[Event, Event]:
    """Return the event and the letter that tell the keeper something about the watching itself."""
    system = SystemEvent(id=f"{name}.{what}.{now_ms}", at_ms=now_ms, chamber=None, what=what, text=text)
    letter = LetterEvent(
        id=f"{name}.{what}.{now_ms}.letter", at_ms=now_ms, chamber=None, sort="system", thread=f"{what}.{now_ms}", ordinal=1,
        to="keeper", urgent=False, about=(system,),
    )
    return system, letter


# ---------------------------------------------------------------- one outlet's trouble, told by the others


@dataclass(frozen=True, slots=True)
class Notice:
    """An outlet is in trouble for long, or is well again. `at_ms` is the stream's time."""

    outlet: str
    what: Literal["outlet-down", "outlet-refused", "outlet-back"]
    detail: str
    for_s: float
    waiting: int
    refused: str = ""
    """The one address that is refused, where the others may be well."""


def notice_events(notice: Notice, at_ms: int) -> list[Event]:
    """Return the events that tell of an outlet's trouble: record them with `owed_by(..., trouble=notice)`.

    Trouble is also a letter; that it is over is not.
    """
    system = SystemEvent(
        id=f"{notice.what}.{notice.outlet}.{at_ms}", at_ms=at_ms, chamber=None, what=notice.what, text=_notice_text(notice)
    )
    if notice.what == "outlet-back":
        return [system]
    thread = f"outlet.{notice.outlet}.{at_ms}"
    letter = LetterEvent(
        id=f"{thread}.letter", at_ms=at_ms, chamber=None, sort="system", thread=thread, ordinal=1, to="keeper", urgent=False,
        about=(system,),
    )  # fmt: skip
    return [system, letter]


def _notice_text(notice: Notice) -> str:
    waits = f" {notice.waiting} message{' waits' if notice.waiting == 1 else 's wait'}." if notice.waiting else ""
    if notice.what == "outlet-back":
        return f"The outlet {notice.outlet} works again after {span(notice.for_s)}."
    if notice.what == "outlet-refused":
        return f"The outlet {notice.outlet} refused a message: {notice.detail}.{waits}"
    since = f"has not worked for {span(notice.for_s)}" if notice.for_s >= 60.0 else "does not work"
    return f"The outlet {notice.outlet} {since}: {notice.detail}.{waits}"
