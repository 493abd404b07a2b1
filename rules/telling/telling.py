"""Which letters are owed for the events of a stretch of the stream: now, after the quiet hours, as reminder or as digest.

`tell` may be called for any piece of the stream: however it is cut, the same letters come out, with the same ids. What happens
at one instant is gathered before it is told, so a letter comes out of the call whose `until_ms` lies after the instant; its own
time is the instant itself.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import timedelta
from itertools import groupby
from operator import attrgetter
from typing import Literal

from rules.climate.course import Presents
from rules.settings import Settings, Telling
from rules.telling.letters import FLOOD_WINDOW_MS, Desk
from rules.telling.mild import look, look_ahead, next_evening_ms, next_look_ms
from rules.telling.news import calls
from rules.telling.policy import take
from rules.telling.quiet_hours import awake_ms, local, quiet_until_ms
from rules.telling.state import Heard, Owed, TellingState, Thread
from rules.telling.table import LOOKED_WITHIN_MS, NEXT_WITHIN_MS
from rules.terms.events import MINUTE_MS, AdviceEvent, Event, LetterEvent, News, SystemEvent
from rules.terms.local_time import instant_ms
from rules.trade.alarm_kinds import ALARMS
from rules.trade.cautions import CAUTIONS
from rules.trade.urgency import rank

__all__ = ["TellingState", "configured", "nothing_due", "tell"]

REHEARSED_EACH_MS = MINUTE_MS
REHEARSED: tuple[tuple[Literal["keeper", "second", "stand-in"], str], ...] = (
    ("keeper", "the urgent letter, at once, whatever the quiet hours are"),
    ("keeper", "the reminder to who has not answered"),
    ("second", "the letter to the second address, when nobody answers"),
    ("stand-in", "the letter to the stand-in, while the keeper is away"),
)
"""The letters of a rehearsal and whom they go to; in an emergency hours lie between them, here a minute."""
MOST_FREQUENT = 5
"""So many alarms are counted in the weekly digest. Own estimate."""
NIGHT_LOOK_MS = 5 * MINUTE_MS
"""What waits for the morning is looked at again as often as the account of harm: does it last till then? Bookkeeping."""
_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")

NOTHING_SEEN = Presents()

Due = tuple[int, int, str, bool]
"""Instant, rank among equals, what is due (and where), whether a local time decides it."""


def tell(
    settings: Settings, state: TellingState, events: Sequence[Event], from_ms: int, until_ms: int, origin: str,
    presents: Presents = NOTHING_SEEN, *, away: bool = False,
) -> tuple[TellingState, list[LetterEvent]]:
    """Return the state and the letters of a stretch; what falls due at `until_ms` belongs to the next one.

    `events` are in order of time and lie within the stretch, its end included. The state handed in is not changed; without
    events and with nothing due it is handed back as it is. `away`: the stand-in is told rather than the keeper.
    """
    if not events and nothing_due(state, until_ms):
        return state, []
    desk = Desk(settings, state.copied(), origin, presents, away)
    _introduce(desk, from_ms)
    for at_ms, together in groupby(events, key=attrgetter("at_ms")):
        _do_what_is_due(desk, at_ms)
        desk.state.seen_ms = at_ms
        for event in together:
            take(desk.ledger, event)
    _do_what_is_due(desk, until_ms)
    _plan(desk)
    return desk.state, desk.letters


def configured(settings: Settings, state: TellingState, at_ms: int) -> TellingState:
    """Return the state with its next local times worked out anew, after an edit of the config or a step of the clock."""
    desk = Desk(settings, state.copied(), "", NOTHING_SEEN)
    desk.state.seen_ms = max(state.seen_ms, at_ms)
    _plan(desk)
    return desk.state


def nothing_due(state: TellingState, until_ms: int) -> bool:
    """Return whether without news no letter is owed, nor anything looked at, before this instant."""
    due_ms = (state.flush_ms, state.due_ms, state.calendar_due)
    return state.introduced and all(due is None or due >= until_ms for due in due_ms)


def _introduce(desk: Desk, from_ms: int) -> None:
    """The first letter of a store: what the law and safety ask of a keeper. It also fixes the first digest's date."""
    state = desk.state
    if state.introduced:
        return
    state.introduced, state.seen_ms = True, from_ms
    today = local(from_ms, desk.settings.zone).date()
    passed = instant_ms(today, desk.settings.telling.digest_at, desk.settings.zone) < from_ms
    state.round_date = (today if passed else today - timedelta(days=1)).isoformat()
    about: list[News] = [_note(desk, from_ms, f"law-and-safety.{caution.topic}", caution.text) for caution in CAUTIONS]
    desk.write("system.site", "system", "site", about, from_ms, to="keeper")


def _note(desk: Desk, at_ms: int, what: str, text: str) -> SystemEvent:
    """Something that only letters tell, in the form of an event."""
    ident = f"{desk.origin}.note.{what}.{at_ms}"
    return SystemEvent(id=ident, at_ms=at_ms, chamber=None, what=what.partition(".")[0], text=text)


def _do_what_is_due(desk: Desk, before_ms: int) -> None:
    while True:
        due = min(_dues(desk), default=None)
        if due is None or max(due[0], desk.state.seen_ms) >= before_ms:  # what is late waits for the end of its instant too
            return
        desk.state.seen_ms = max(due[0], desk.state.seen_ms)
        _do(desk, due[2], desk.state.seen_ms)


def _dues(desk: Desk) -> Iterable[Due]:
    state, settings, telling = desk.state, desk.settings, desk.settings.telling
    yield from _reminders(desk)
    for owed in state.owed.values():
        if owed.when == "awake":
            yield awake_ms(owed.at_ms, telling, settings.zone), 2, "awake", True
        elif owed.when == "next":
            raw_ms = owed.at_ms + NEXT_WITHIN_MS if owed.again_ms is None else owed.again_ms
            # What was to be told at night, and then put off, cannot wait for the morning either.
            presses = owed.priority == "wake" or quiet_until_ms(owed.at_ms, telling, settings.zone) is not None
            due_ms = raw_ms if presses else awake_ms(raw_ms, telling, settings.zone)
            yield due_ms, 2, "next", due_ms != raw_ms
        elif owed.when == "flood" and state.summary_ms is not None:
            yield state.summary_ms + FLOOD_WINDOW_MS, 3, "flood", False
    if any(owed.when == "awake" and owed.alarm for owed in state.owed.values()):
        yield (state.seen_ms // NIGHT_LOOK_MS + 1) * NIGHT_LOOK_MS, 2, "night", False
    if state.rehearsal is not None:
        yield state.rehearsal.begun_ms + state.rehearsal.told * REHEARSED_EACH_MS, 6, "rehearse", False
    if state.flush_ms is not None:
        yield state.flush_ms, 4, "flush", False
    evening_ms = next_evening_ms(desk.ledger, state.seen_ms)
    if evening_ms is not None:
        yield evening_ms, 4, "evening", True
    look_ms = next_look_ms(desk.ledger, state.seen_ms)
    if look_ms is not None:
        yield look_ms, 4, "look", False
    if state.round_date:
        yield desk.ledger.next_digest_ms(), 5, "round", True


def _reminders(desk: Desk) -> Iterable[Due]:
    settings, telling = desk.settings, desk.settings.telling
    for key, thread in desk.state.threads.items():
        if not thread.open or not key.startswith("situation."):
            continue
        place = key.removeprefix("situation.")
        alarms = desk.unanswered(place)
        wakes = [heard for heard in alarms if heard.latest.priority == "wake"]
        offsets = telling.wake_remind if wakes else telling.today_remind
        calm_ms = _calm_until_ms(thread, [0, *offsets], telling)
        if alarms and thread.news_ms is not None and thread.reminders < len(offsets):
            raw_ms = max(thread.news_ms + offsets[thread.reminders], calm_ms, desk.state.seen_ms)
            due_ms = raw_ms if wakes else awake_ms(raw_ms, telling, settings.zone)
            yield due_ms, 0, f"remind/{place}", due_ms != raw_ms
        called_ms = thread.called_ms if thread.called_ms is not None or thread.second_ms is not None else thread.answered_ms
        if wakes and called_ms is not None and not thread.second:
            yield max(called_ms + telling.second_after, _judged_ms(thread, telling)), 1, f"second/{place}", False


def _calm_until_ms(thread: Thread, offsets: Sequence[int], telling: Telling) -> int:
    """Return until when nobody is reminded: the last letter about the trouble is no older than the one before would be, or what
    was advised is done and needs its time."""
    step = thread.reminders
    told = 0 if thread.told_ms is None or step + 1 >= len(offsets) else thread.told_ms + offsets[step + 1] - offsets[step]
    return max(told, _judged_ms(thread, telling))


def _judged_ms(thread: Thread, telling: Telling) -> int:
    """Return when what came of the keeper's last answer is told at the latest: the next look after its time."""
    return 0 if thread.answered_ms is None else thread.answered_ms + telling.second_after + LOOKED_WITHIN_MS


def _do(desk: Desk, what: str, at_ms: int) -> None:
    kind, _, place = what.partition("/")
    state = desk.state
    if kind == "remind":
        state.threads[f"situation.{place}"].reminders += 1
        wakes = any(heard.latest.priority == "wake" for heard in desk.unanswered(place))
        state.owe(what, Owed(place, "reminder", "wake" if wakes else "today", "now", at_ms, []))
    elif kind == "second":
        desk.second(place, at_ms)
    elif kind == "rehearse":
        _rehearse(desk, at_ms)
    elif kind == "night":
        desk.ledger.look_again(at_ms)
    elif kind == "evening":
        look_ahead(desk.ledger, at_ms)
    elif kind == "look":
        look(desk.ledger, at_ms)
    elif kind == "flush":
        desk.flush(at_ms)
    elif kind == "round":
        _round(desk, at_ms)
    else:
        for owed in state.owed.values():
            if owed.when == kind:
                owed.when = "now"
        state.owe_now(at_ms)


def _rehearse(desk: Desk, at_ms: int) -> None:
    """Write the next letter of a rehearsal: as urgent as in an emergency, and by the same way."""
    rehearsal = desk.state.rehearsal
    if rehearsal is None:
        return
    rehearsal.told += 1
    to, what = REHEARSED[rehearsal.told - 1]
    note = _note(desk, at_ms, f"rehearsal.{rehearsal.told}", f"{rehearsal.told} of {len(REHEARSED)}: {what}")
    desk.write("rehearsal", "rehearsal", "site", [note], at_ms, urgent=True, to=to)
    if rehearsal.told == len(REHEARSED):
        desk.state.rehearsal = None


# ---------------------------------------------------------------- the digest


def _round(desk: Desk, at_ms: int) -> None:
    """The digest hour of a local date. After a jump of the clock over several dates there is one, not one for each."""
    state, settings, telling = desk.state, desk.settings, desk.settings.telling
    today = local(at_ms, settings.zone).date()
    passed = instant_ms(today, telling.digest_at, settings.zone) <= at_ms
    state.round_date = (today if passed else today - timedelta(days=1)).isoformat()
    if _WEEKDAYS[today.weekday()] == telling.weekly_digest:
        _digest(desk, at_ms, weekly=True)
    elif telling.daily_digest:
        _digest(desk, at_ms, weekly=False)
    else:
        _morning(desk, at_ms)


def _morning(desk: Desk, at_ms: int) -> None:
    waiting = [owed for owed in desk.state.owed.values() if owed.when == "digest" and rank(owed.priority) > 0]
    for owed in waiting:
        owed.when = "now"
    if waiting:
        desk.state.owe_now(at_ms)


def _digest(desk: Desk, at_ms: int, *, weekly: bool) -> None:
    state = desk.state
    keys = [key for key, owed in state.owed.items() if owed.when == "digest"]
    about = [event for key in sorted(keys) for event in state.owed[key].about]
    desk.marked(keys, at_ms)
    about += [heard.latest for heard in state.heard.values() if heard.open and _stands(heard)]
    for key, heard in state.heard.items():
        if heard.open and heard.shown and not heard.told and key not in state.owed:  # seen before its letter: this tells it
            heard.told, heard.told_ms, heard.told_priority = True, at_ms, heard.latest.priority
    about += [heard.latched for heard in state.heard.values() if heard.latched is not None]
    about += state.undone()
    if weekly:
        about += [heard.latest for heard in state.heard.values() if heard.latest.condition == "unknown" and not heard.told]
    about += [*state.quality.values(), *(state.week_lines if weekly else state.lines)]
    about = list({_what_it_says(event): event for event in about}.values())
    if weekly:
        about += _most_frequent(desk, at_ms)
        state.week_lines, state.raises = [], {}
    state.lines = []
    urgent = desk.stays(filter(calls, about), at_ms)
    desk.write("weekly" if weekly else "digest", "digest", "site", about, at_ms, to="keeper", urgent=urgent)
    for place in {heard.place for heard in state.heard.values() if heard.told and calls(heard.latest)} if urgent else ():
        thread = state.threads.get(f"situation.{place}")
        if thread is not None and thread.open:
            thread.told_ms = at_ms  # with all that stands there and what to do: the next letter about it waits as after its own


def _what_it_says(event: News) -> tuple[str, ...]:
    """Return what makes two lines of a digest one: the event, and of what was judged the last of each chamber that says it."""
    if isinstance(event, AdviceEvent) and event.status == "verified":
        return ("verified", event.chamber or "", event.headline)
    return (event.id,)


def _stands(heard: Heard) -> bool:
    """Whether a digest says that it stands: also what is not told yet, or was told of another chamber of its room only."""
    return heard.told or heard.shown or _moved_by_room(heard)


def _moved_by_room(heard: Heard) -> bool:
    return heard.latest.suppression == "by-design" and ALARMS[heard.latest.alarm].room_moves


def _most_frequent(desk: Desk, at_ms: int) -> list[SystemEvent]:
    """The alarms that came most often since the last weekly digest: they are the ones whose bands deserve a look."""
    often = sorted(desk.state.raises.items(), key=lambda pair: (-pair[1], pair[0]))[:MOST_FREQUENT]
    return [
        _note(desk, at_ms, f"raises.{key}", f"{key} was raised {count} times in the last week")
        for key, count in often
        if count > 1
    ]


def _plan(desk: Desk) -> None:
    dues = list(_dues(desk))
    desk.state.due_ms = min((due[0] for due in dues if not due[3] and due[2] != "flush"), default=None)
    desk.state.calendar_due = min((due[0] for due in dues if due[3]), default=None)

