"""What of an alarm's events is owed to the keeper, and when: its news, its end, and what it shares with its room."""

from __future__ import annotations

from rules.alarms.state import record_key
from rules.telling.ledger import Ledger
from rules.telling.news import kills
from rules.telling.settled import SIDES, Settled
from rules.telling.state import Heard, Owed, Sort
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent, AlarmEvent, News, Priority
from rules.trade.alarm_kinds import ALARMS
from rules.trade.emergencies import OUTWEIGHED_BY_HEAT, TOGETHER_FOR_MS
from rules.trade.urgency import rank

CHATTER_QUIET_FOR_MS = 6 * HOUR_MS
"""A chattering alarm is told once in this time. Own estimate."""
CHATTER_WAKE_FOR_MS = HOUR_MS
"""The same where it would wake the keeper. Common practice, no source."""

SAME_BREATH_MS = 15 * MINUTE_MS
"""Within this after a letter its cause is no news. Own estimate."""

_OVER = ("returned", "closed", "unknown")


def take_alarm(ledger: Ledger, event: AlarmEvent) -> None:
    """Work what has become of an alarm into what is known and owed."""
    key = record_key(event.chamber, event.alarm, event.probe, event.medium)
    heard = ledger.state.heard.setdefault(key, Heard(event))
    _update(heard, event)
    if heard.shown and event.change in ("raised", "escalated", "worsened", "unsuppressed", "unshelved", "resumed"):
        _overtake(ledger, event)
    if event.change == "raised":
        _count_raise(ledger, key, heard, event.at_ms)
    _share(ledger, heard, event.at_ms)
    if event.change in _OVER:
        _over(ledger, key, heard, event)
    elif not heard.shown or event.change == "acknowledged":
        ledger.state.owed.pop(key, None)
        if heard.room:
            ledger.look_again(event.at_ms)
    elif event.change in ("chattering", "latched"):
        if key in ledger.state.owed:
            ledger.state.owed[key].about.append(event)
    else:
        _standing(ledger, key, heard, event)
    if event.change == "latched" and f"{key}#over" in ledger.state.owed:
        ledger.state.owed[f"{key}#over"].about.append(event)
    _end_call(ledger, heard.place)


def _end_call(ledger: Ledger, place: str) -> None:
    """Nobody is waited for any more where nothing wakes: what wakes another day is called anew."""
    thread = ledger.state.threads.get(f"situation.{place}")
    if thread is None or thread.called_ms is None:
        return
    if not any(one.place == place and one.open and one.latest.priority == "wake" for one in ledger.state.heard.values()):
        thread.called_ms, thread.second = None, False


def _update(heard: Heard, event: AlarmEvent) -> None:
    heard.latest = event
    if event.change in ("raised", "escalated", "worsened", "stale"):
        heard.stale = event.change == "stale"
    if event.change in ("raised", "escalated", "worsened", "recovering", "relapsed"):
        heard.recovering = event.change == "recovering"
    if event.change in ("latched", "reset", "closed", "acknowledged"):
        heard.latched = event if event.change == "latched" else None
    if event.change == "chattering":
        heard.chattering = True
    if event.change in ("eased", "raised"):
        heard.eased_ms = event.at_ms if event.change == "eased" else None


def _share(ledger: Ledger, heard: Heard, at_ms: int) -> None:
    """One cause, one letter: what moves several chambers of a room the same way at once is told of the room from then on."""
    if heard.open and not heard.room and ALARMS[heard.latest.alarm].room_moves:  # a wet lid comes with the cold
        home = ledger.state.home(heard.latest.chamber)
        heard.room = home if home in ledger.settings.rooms else ""
    room = _moving_room(ledger, heard)
    if not room or heard.room or not heard.open:
        return
    harm = ALARMS[heard.latest.alarm].harm
    same = {
        key: one for key, one in ledger.state.heard.items()
        if one.open and _moving_room(ledger, one) == room and ALARMS[one.latest.alarm].harm == harm
        and abs((one.latest.since_ms or 0) - (heard.latest.since_ms or 0)) <= TOGETHER_FOR_MS
    }  # fmt: skip
    chambers = {one.latest.chamber for one in same.values()}
    if len(chambers) < 2:
        return
    for one in same.values():
        one.room = room
    for key, owed in ledger.state.owed.items():
        if owed.alarm in same or (owed.place in chambers and key.startswith("advice/")):
            owed.place = room
    for chamber in filter(None, chambers):
        thread = ledger.state.threads.get(f"situation.{chamber}")
        if thread is not None and not ledger.state.standing(chamber):
            thread.open, thread.closed_ms = False, at_ms


def _moving_room(ledger: Ledger, heard: Heard) -> str:
    """Return the room whose weather or power may be behind heat or cold of a chamber; empty: it is no such alarm."""
    kind, chamber = ALARMS[heard.latest.alarm], ledger.settings.chambers.get(heard.latest.chamber or "")
    return chamber.room if chamber is not None and chamber.room and kind.room_moves and kind.harm in ("heat", "cold") else ""


def _count_raise(ledger: Ledger, key: str, heard: Heard, at_ms: int) -> None:
    if heard.latest.kind == "alarm":
        ledger.state.raises[key] = ledger.state.raises.get(key, 0) + 1
    if heard.raised_ms is not None and at_ms - heard.raised_ms >= CHATTER_QUIET_FOR_MS:
        heard.chattering = False
    heard.raised_ms, heard.letter_value, heard.letter_value_ms, heard.room = at_ms, None, None, ""


def _standing(ledger: Ledger, key: str, heard: Heard, event: AlarmEvent) -> None:
    if _is_said(ledger, heard, event):
        heard.told, heard.told_ms, heard.told_priority = True, event.at_ms, event.priority
        return
    inside = ALARMS[event.alarm].is_inside(event.value, event.limit)  # only just: that it stood is told when it is over
    news = {
        "raised": True,
        "worsened": True,
        # Where there is an account of harm, that says when it is worse, not the level, unless the figure has gone further.
        "escalated": event.harm_used is None or not heard.told or rank(event.priority) > rank(heard.told_priority)
        or Settled(ledger).has_gone_on(event),
        "held": heard.told,
        "recovering": False,
        "relapsed": not heard.told and not event.acknowledged,
        "unshelved": not event.acknowledged,
    }.get(event.change, not heard.told and not event.acknowledged and key not in ledger.state.owed and not inside)
    when = ledger.when_of(event, event.at_ms)
    if key in ledger.state.owed and not news:
        owed = ledger.state.owed[key]
        owed.about[0] = event
        if owed.at_ms == event.at_ms:  # what is said last of one instant holds: whether it may disturb, too
            owed.when, owed.priority = when, event.priority
    elif news:
        waits = _is_chatter(heard, event) or _is_nothing_beside(ledger, event)
        when = "digest" if waits else when  # if it still stands then
        sort: Sort = "escalation" if event.change in ("escalated", "worsened") and heard.told else "situation"
        ledger.state.owe(key, Owed(heard.place, sort, event.priority, when, event.at_ms, [event], key))


def _is_said(ledger: Ledger, heard: Heard, event: AlarmEvent) -> bool:
    """Whether it only names the cause of heat or cold of which a letter has just told, with all that is advised against it."""
    advice, side = ledger.state.asked(heard.place), SIDES.get(event.alarm)
    sent = all(ledger.state.is_sent(one) and rank(one.urgency) >= rank(event.priority) for one in advice)
    thread = ledger.state.threads.get(f"situation.{heard.place}")  # each of its letters tells of all that stands
    told_ms = None if thread is None else thread.told_ms
    lately = told_ms is not None and event.at_ms - told_ms < SAME_BREATH_MS
    here = (one.latest for one in ledger.state.standing(heard.place) if one.latest.chamber == event.chamber)
    known = any(SIDES.get(alarm.alarm) == side for alarm in here)
    return event.change == "raised" and ALARMS[event.alarm].sudden and bool(advice) and sent and lately and known


def _overtake(ledger: Ledger, alarm: AlarmEvent) -> None:
    """Let go of advice from before this alarm that it speaks against: no letter carries both. What is advised now follows."""
    chamber = alarm.chamber or "site"
    advice = ledger.state.advice.get(chamber)
    if advice is not None and _speaks_against(alarm, advice):
        del ledger.state.advice[chamber]
    owed = ledger.state.owed.get(f"advice/{chamber}")
    if owed is not None and owed.sort != "all-clear" and _speaks_against(alarm, owed.about[0]):
        del ledger.state.owed[f"advice/{chamber}"]


def _speaks_against(alarm: AlarmEvent, advice: News) -> bool:
    if not isinstance(advice, AdviceEvent):
        return False
    emergency = advice.urgency == "wake" and all(action.amount is None for action in advice.actions)
    if emergency and alarm.alarm in OUTWEIGHED_BY_HEAT:
        return False
    return ALARMS[alarm.alarm].speaks_against(f"{action.device}:{action.change}" for action in advice.actions)


def _is_chatter(heard: Heard, event: AlarmEvent) -> bool:
    if not heard.chattering or event.level == "harmful" or heard.told_ms is None or heard.told:
        return False
    calm_for_ms = CHATTER_WAKE_FOR_MS if event.priority == "wake" else CHATTER_QUIET_FOR_MS
    return event.at_ms - heard.told_ms < calm_for_ms


def _is_nothing_beside(ledger: Ledger, event: AlarmEvent) -> bool:
    """Whether it is a wet lid or humid air of a box that heat or cold kills, or whose heat has failed: a cold lid gets wet.
    That goes with the next letter about it."""
    kind = ALARMS[event.alarm]
    mild = kind.answered == "climate" and not kind.wakes_at_night and not kind.sudden
    return mild and any(
        one.told and one.latest.chamber == event.chamber and (kills(one.latest) or _has_failed(one.latest))
        for one in ledger.state.heard.values()
    )


def _has_failed(alarm: AlarmEvent) -> bool:
    return alarm.alarm == "heater-failed" and alarm.condition == "active"


def _over(ledger: Ledger, key: str, heard: Heard, event: AlarmEvent) -> None:
    unsent = ledger.state.owed.pop(key, None)
    if not heard.told:
        if unsent is not None:
            ledger.state.line(event)
        return
    priority: Priority = "today" if rank(heard.told_priority) >= rank("today") else "digest"
    sort: Sort = "situation" if event.change == "unknown" else "all-clear"
    over = f"{key}#over"
    earlier = ledger.state.owed[over].about if over in ledger.state.owed else []
    # While others stand here, one that is over is no letter of its own: it goes with the next one, or the digest.
    alone = not any(one is not heard for one in ledger.state.standing(heard.place))
    when = ledger.when(priority, event.at_ms) if alone or sort == "situation" else "digest"
    ledger.state.owe(over, Owed(heard.place, sort, heard.told_priority, when, event.at_ms, [*earlier, event]))
    heard.told = False
