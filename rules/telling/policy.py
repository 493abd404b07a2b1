"""What of an event is owed to the keeper, and when: at once, after the quiet hours, or with the digest."""

from __future__ import annotations

from rules.alarms.state import record_key
from rules.settings import Settings
from rules.telling.quiet_hours import quiet_until_ms
from rules.telling.state import ASKING, Heard, Owed, Rehearsal, Sort, TellingState, When
from rules.terms.events import (
    DAY_MS,
    HOUR_MS,
    AdviceEvent,
    AlarmEvent,
    CareEvent,
    Event,
    News,
    Priority,
    QualityEvent,
    SystemEvent,
    WordEvent,
)
from rules.trade.alarm_kinds import ALARMS
from rules.trade.emergencies import OUTWEIGHED_BY_HEAT, TOGETHER_FOR_MS
from rules.trade.urgency import rank

CHATTER_QUIET_FOR_MS = 6 * HOUR_MS
"""A chattering alarm is told once in this time. Own estimate."""
CHATTER_WAKE_FOR_MS = HOUR_MS
"""The same where it would wake the keeper. Common practice, no source."""
ADVICE_CALM_FOR_MS = HOUR_MS
"""Advice that turns to another device goes with the next letter when the last is younger than this and it need not wake."""
WAKE_SILENT_MS = 2 * HOUR_MS
"""Longer than this nothing urgent that is not done goes without a letter, though the reminders of its alarms are used up; where
it has been no worse for a day, a letter a day is enough."""
TRIED_FOR_MS = 12 * HOUR_MS
"""What was done longer ago than this is news when it is advised again. Own estimate."""
ANSWERS_FOR_MS = HOUR_MS
"""What is advised within this after the keeper said what is on the lid is the answer to it, and told at once."""
TOLD_AT_ONCE = frozenset({"memory-lost", "config-refused", "correction-ignored", "gap"})
"""What of the watching itself is worth a letter of its own."""

_OVER = ("returned", "closed", "unknown")


def take(settings: Settings, state: TellingState, event: Event) -> None:
    """Work one event into what is known and owed."""
    if isinstance(event, AlarmEvent):
        _alarm(settings, state, event)
    elif isinstance(event, AdviceEvent):
        _advice(settings, state, event)
    elif isinstance(event, CareEvent):
        _care(settings, state, event)
    elif isinstance(event, SystemEvent):
        _system(settings, state, event)
    elif isinstance(event, QualityEvent):
        _quality(state, event)
    elif isinstance(event, WordEvent):
        _word(state, event)


def when_told(
    settings: Settings, priority: Priority, at_ms: int, *, alarm: str = "", seconds_left: float | None = None
) -> When:
    """Return when something of this priority goes out that came up at `at_ms`."""
    if priority == "wake":
        return "now"
    if priority != "today":
        return "digest"
    until_ms = quiet_until_ms(at_ms, settings.telling, settings.zone)
    # Where all is used up already nothing is lost by the morning; what is lethal wakes by its priority.
    pressing = until_ms is not None and bool(alarm) and ALARMS[alarm].wakes_at_night and (seconds_left or 0.0) > 0.0
    if until_ms is None or (pressing and at_ms + (seconds_left or 0.0) * 1000 < until_ms):
        return "now"
    return "awake"


def owe(state: TellingState, key: str, owed: Owed) -> None:
    """Note something to be told, in the place of what was owed under the same key."""
    state.owed[key] = owed
    if owed.when == "now":
        state.owe_now(owed.at_ms)


# ---------------------------------------------------------------- alarms


def _alarm(settings: Settings, state: TellingState, event: AlarmEvent) -> None:
    key = record_key(event.chamber, event.alarm, event.probe, event.medium)
    heard = state.heard.setdefault(key, Heard(event))
    _update(heard, event)
    if heard.shown and event.change in ("raised", "escalated", "worsened", "unsuppressed", "unshelved", "resumed"):
        _overtake(state, event)
    if event.change == "raised":
        _count_raise(state, key, heard, event.at_ms)
    _share(settings, state, heard, event.at_ms)
    if event.change in _OVER:
        _over(settings, state, key, heard, event)
    elif not heard.shown or event.change == "acknowledged":
        state.owed.pop(key, None)
        _press(settings, state, heard, event)
    elif event.change in ("chattering", "latched"):
        if key in state.owed:
            state.owed[key].about.append(event)
    else:
        _standing(settings, state, key, heard, event)
    if event.change == "latched" and f"{key}#over" in state.owed:
        state.owed[f"{key}#over"].about.append(event)


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


def _share(settings: Settings, state: TellingState, heard: Heard, at_ms: int) -> None:
    """One cause, one letter: what moves several chambers of a room the same way at once is told of the room from then on."""
    if heard.open and not heard.room and ALARMS[heard.latest.alarm].room_moves:  # a wet lid comes with the cold
        home = state.home(heard.latest.chamber)
        heard.room = home if home in settings.rooms else ""
    room = _moving_room(settings, heard)
    if not room or heard.room or not heard.open:
        return
    harm = ALARMS[heard.latest.alarm].harm
    same = {
        key: one for key, one in state.heard.items()
        if one.open and _moving_room(settings, one) == room and ALARMS[one.latest.alarm].harm == harm
        and abs((one.latest.since_ms or 0) - (heard.latest.since_ms or 0)) <= TOGETHER_FOR_MS
    }  # fmt: skip
    chambers = {one.latest.chamber for one in same.values()}
    if len(chambers) < 2:
        return
    for one in same.values():
        one.room = room
    for key, owed in state.owed.items():
        if owed.alarm in same or (owed.place in chambers and key.startswith("advice/")):
            owed.place = room
    for chamber in chambers:
        thread = state.threads.get(f"situation.{chamber}")
        if thread is not None and not any(one.place == chamber and one.told and one.open for one in state.heard.values()):
            thread.open, thread.closed_ms = False, at_ms


def _press(settings: Settings, state: TellingState, heard: Heard, event: AlarmEvent) -> None:
    """Tell at once what waits for the morning where a box that is told of along with it does not last till then."""
    hidden = event.suppression == "by-design" and event.change in ("raised", "suppressed", "escalated", "worsened")
    if not (hidden and heard.room):
        return
    if when_told(settings, event.priority, event.at_ms, alarm=event.alarm, seconds_left=event.seconds_left) != "now":
        return
    for owed in state.owed.values():
        if owed.place == heard.room and owed.when == "awake" and owed.alarm:
            owed.when = "now"
            state.owe_now(event.at_ms)


def _moving_room(settings: Settings, heard: Heard) -> str:
    """Return the room whose weather or power may be behind heat or cold of a chamber; empty: it is no such alarm."""
    kind, chamber = ALARMS[heard.latest.alarm], settings.chambers.get(heard.latest.chamber or "")
    return chamber.room if chamber is not None and chamber.room and kind.room_moves and kind.harm in ("heat", "cold") else ""


def _count_raise(state: TellingState, key: str, heard: Heard, at_ms: int) -> None:
    if heard.latest.kind == "alarm":
        state.raises[key] = state.raises.get(key, 0) + 1
    if heard.raised_ms is not None and at_ms - heard.raised_ms >= CHATTER_QUIET_FOR_MS:
        heard.chattering = False
    heard.raised_ms, heard.letter_value, heard.letter_value_ms, heard.room = at_ms, None, None, ""


def _standing(settings: Settings, state: TellingState, key: str, heard: Heard, event: AlarmEvent) -> None:
    inside = ALARMS[event.alarm].is_inside(event.value, event.limit)  # only just: that it stood is told when it is over
    news = {
        "raised": True,
        "worsened": True,
        # Where there is an account of harm, that says when it is worse, not the level.
        "escalated": event.harm_used is None or not heard.told or rank(event.priority) > rank(heard.told_priority),
        "held": heard.told,
        "recovering": False,
        "relapsed": not heard.told and not event.acknowledged,
        "unshelved": not event.acknowledged,
    }.get(event.change, not heard.told and not event.acknowledged and key not in state.owed and not inside)
    when = when_told(settings, event.priority, event.at_ms, alarm=event.alarm, seconds_left=event.seconds_left)
    if key in state.owed and not news:
        owed = state.owed[key]
        owed.about[0] = event
        if owed.at_ms == event.at_ms:  # what is said last of one instant holds: whether it may disturb, too
            owed.when, owed.priority = when, event.priority
    elif news:
        when = "digest" if _is_chatter(heard, event) else when  # if it still stands then
        sort: Sort = "escalation" if event.change in ("escalated", "worsened") and heard.told else "situation"
        owe(state, key, Owed(heard.place, sort, event.priority, when, event.at_ms, [event], key))


def _overtake(state: TellingState, alarm: AlarmEvent) -> None:
    """Let go of advice from before this alarm that it speaks against: no letter carries both. What is advised now follows."""
    chamber = alarm.chamber or "site"
    advice = state.advice.get(chamber)
    if advice is not None and _speaks_against(alarm, advice):
        del state.advice[chamber]
    owed = state.owed.get(f"advice/{chamber}")
    if owed is not None and owed.sort != "all-clear" and _speaks_against(alarm, owed.about[0]):
        del state.owed[f"advice/{chamber}"]
        state.line(owed.about[0])


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


def _over(settings: Settings, state: TellingState, key: str, heard: Heard, event: AlarmEvent) -> None:
    unsent = state.owed.pop(key, None)
    if not heard.told:
        if unsent is not None:
            state.line(event)
        return
    priority: Priority = "today" if rank(heard.told_priority) >= rank("today") else "digest"
    sort: Sort = "situation" if event.change == "unknown" else "all-clear"
    over = f"{key}#over"
    earlier = state.owed[over].about if over in state.owed else []
    # While others stand here, one that is over is no letter of its own: it goes with the next one, or the digest.
    alone = not any(one is not heard and one.place == heard.place and one.told and one.open for one in state.heard.values())
    when = when_told(settings, priority, event.at_ms) if alone or sort == "situation" else "digest"
    owe(state, over, Owed(heard.place, sort, heard.told_priority, when, event.at_ms, [*earlier, event]))
    heard.told = False


# ---------------------------------------------------------------- the rest


def _advice(settings: Settings, state: TellingState, event: AdviceEvent) -> None:
    chamber = event.chamber or "site"
    if event.status in ASKING:
        state.advice[chamber] = event
        _advise(settings, state, chamber, event)
    elif event.status in ("resolved", "withdrawn"):
        state.advice.pop(chamber, None)
        _advice_over(settings, state, chamber, event)
    else:
        _verified(state, chamber, event)


def is_sent(state: TellingState, advice: AdviceEvent) -> bool:
    """Whether a letter has told of this advice: the same advisory, asking for the same first, no less urgent.

    Another amount is not another advice; the same first step in a later advisory is.
    """
    sent = state.advice_sent.get(advice.chamber or "site")
    return sent is not None and rank(sent.urgency) >= rank(advice.urgency) and (
        (sent.advisory, sent.device, sent.change) == (advice.advisory, advice.device, advice.change)
    )


def _verified(state: TellingState, chamber: str, event: AdviceEvent) -> None:
    """What was done has been judged: that advisory is over, and the next letter says what came of it."""
    state.line(event)
    state.verified[state.home(chamber)] = event
    state.advice.pop(chamber, None)
    _tried(state, state.advice_sent.pop(chamber, None), event.at_ms)
    state.owed.pop(f"advice/{chamber}", None)


def _tried(state: TellingState, sent: AdviceEvent | None, at_ms: int) -> None:
    """Keep the steps of advice that was told and done: advised again soon they are no news."""
    state.tried_ms = {step: tried_ms for step, tried_ms in state.tried_ms.items() if at_ms - tried_ms < TRIED_FOR_MS}
    if sent is not None:
        state.tried_ms |= {f"{sent.chamber}/{action.text}": at_ms for action in sent.actions}


def _advise(settings: Settings, state: TellingState, chamber: str, event: AdviceEvent) -> None:
    key, place = f"advice/{chamber}", state.home(chamber)
    when = _advice_when(settings, state, place, event)
    thread = state.threads.get(f"situation.{place}")
    recent = thread is not None and thread.news_ms is not None and event.at_ms - thread.news_ms < ADVICE_CALM_FOR_MS
    owed = state.owed.get(key)
    if event.status == "reminded" and is_sent(state, event):
        alone = not any(one.place == place and one.told and one.open for one in state.heard.values())
        last_ms = None if thread is None else thread.told_ms
        old = thread is not None and thread.news_ms is not None and event.at_ms - thread.news_ms >= DAY_MS
        silent_ms = 0 if last_ms is None else event.at_ms - last_ms
        silent = event.urgency == "wake" and silent_ms >= (DAY_MS if old else WAKE_SILENT_MS)
        if when != "digest" and (alone or silent):
            owe(state, key, Owed(place, "reminder", event.urgency, when, event.at_ms, [event]))
    elif is_sent(state, event):
        if owed is not None and owed.sort == "situation":
            del state.owed[key]  # it is again what the last letter said
    elif owed is not None and owed.sort == "situation" and rank(event.urgency) <= rank(owed.priority):
        owed.about = [event]
    else:
        news = Owed(place, "situation", event.urgency, when, event.at_ms, [event])
        calm = recent and event.status == "updated" and event.urgency != "wake"
        if when == "now" and (calm or state.is_repeat(news)):
            news.when = "next"
        owe(state, key, news)


def _advice_when(settings: Settings, state: TellingState, place: str, event: AdviceEvent) -> When:
    """Return when advice is told: the first to an alarm of the place as soon as that alarm would be, another one later."""
    if event.at_ms - state.looked_ms.get(event.chamber or "", -ANSWERS_FOR_MS) < ANSWERS_FOR_MS:
        return "now"
    thread = state.threads.get(f"situation.{place}")
    first = (event.chamber or "site") not in state.advice_sent or thread is None or not thread.open
    pressing = [
        one.latest for one in state.heard.values()
        if one.place == place and one.shown and one.open and one.latest.priority == "today"
    ]
    if event.urgency == "today" and first and any(_told_at(settings, alarm, event.at_ms) == "now" for alarm in pressing):
        return "now"
    return when_told(settings, event.urgency, event.at_ms)


def _told_at(settings: Settings, alarm: AlarmEvent, at_ms: int) -> When:
    left_s = None if alarm.seconds_left is None else alarm.seconds_left - (at_ms - alarm.at_ms) / 1000
    return when_told(settings, alarm.priority, at_ms, alarm=alarm.alarm, seconds_left=left_s)


def _advice_over(settings: Settings, state: TellingState, chamber: str, event: AdviceEvent) -> None:
    unsent, place = state.owed.pop(f"advice/{chamber}", None), state.home(chamber)
    sent = state.advice_sent.pop(chamber, None)
    if event.status == "withdrawn" and state.said_done.get(chamber) == event.advisory:
        _tried(state, sent, event.at_ms)  # another look was asked for before it could be judged
    if sent is None:
        if unsent is not None:
            state.line(event)
        return
    thread = state.threads.get(f"situation.{place}")
    alone = thread is not None and thread.open and not any(one.place == place and one.told for one in state.heard.values())
    when = when_told(settings, "today", event.at_ms) if alone else "digest"
    owe(state, f"advice/{chamber}", Owed(place, "all-clear", "today", when, event.at_ms, [event]))


def _care(settings: Settings, state: TellingState, event: CareEvent) -> None:
    place = event.chamber or "site"
    key = f"care/{place}/{event.task}"
    if event.status == "done":
        state.owed.pop(key, None)
    else:
        key = f"{key}/{event.id}" if event.status == "told" else key  # an answer is owed for itself, a task once
        when = when_told(settings, event.priority, event.at_ms)
        owe(state, key, Owed(place, "care", event.priority, when, event.at_ms, [event]))


def _system(settings: Settings, state: TellingState, event: SystemEvent) -> None:
    if event.what in TOLD_AT_ONCE:
        when = when_told(settings, "today", event.at_ms)
        owe(state, f"system/{event.what}", Owed("site", "system", "today", when, event.at_ms, [event]))
    else:
        state.line(event)


def _word(state: TellingState, event: WordEvent) -> None:
    """What was advised is done: that is an answer, though the alarm stands until its figure is right."""
    if event.word == "lid-seen" and event.accepted and event.chamber is not None:
        state.looked_ms[event.chamber] = event.at_ms
    place, chamber = state.home(event.chamber), event.chamber or "site"
    thread = state.threads.get(f"situation.{place}")
    if event.word == "rehearse" and event.accepted:
        state.rehearsal = Rehearsal(event.at_ms)
    if event.word == "advice-done" and event.accepted:
        stands = state.advice.get(chamber)
        if stands is None or state.said_done.get(chamber) != stands.advisory:
            state.said_done[chamber] = event.advisory  # an older one that is said afterwards takes nothing back
        state.drop_done(chamber, event.advisory)
        if state.asked(place):
            return  # of another box, or newer than what was done: that is still to be answered
        state.owed.pop(f"remind/{place}", None)
        if thread is not None:
            thread.answered_ms = thread.done_ms = event.at_ms
    elif event.takes_back == "advice-done" and event.accepted:
        state.said_done.pop(chamber, None)
        if thread is not None:
            thread.answered_ms = thread.done_ms = None


def _quality(state: TellingState, event: QualityEvent) -> None:
    key = f"{event.probe}/{event.quantity}/{event.test}"
    if event.ne107 == "ok":
        state.quality.pop(key, None)
    else:
        state.quality[key] = event
