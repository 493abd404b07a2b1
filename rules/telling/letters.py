"""Composes letters from what is owed: one per place and situation, in its thread, most important first; floods as one."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Literal

from rules.climate.course import Presents
from rules.climate.situate import QUARTER_MS
from rules.settings import Settings
from rules.telling.ledger import Ledger
from rules.telling.news import class_of, importance, is_handed_over, is_over, kills, leads
from rules.telling.one_plan import of_one_plan
from rules.telling.pressing import AGAIN_FOR_MS, SORTS, Group, Pressing, turns_of
from rules.telling.state import ASKING, Heard, Owed, Sent, TellingState, Thread
from rules.telling.table import RESTS_MS
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent, AlarmEvent, Figures, LetterEvent, LetterSort, News
from rules.trade.alarm_kinds import ALARMS
from rules.trade.urgency import rank

FLOOD_COUNT, FLOOD_WINDOW_MS = 3, 10 * MINUTE_MS
"""More letters than this within so long become one summary. Own judgement."""
UNHEARD_AFTER_MS = 30 * MINUTE_MS
"""So long after an urgent letter a keeper who could answer has; a lethal mark that is passed then is the second address's
too, whatever its delay. Own estimate."""
SECOND_AGAIN_MS = HOUR_MS
"""Of several boxes that pass their marks one after the other it is told no more often than this. Own estimate."""
WAKE_SUMMARIES = 4
"""So many summaries may go out early within one flood window because something in them wakes. Own estimate."""


class Desk:
    """Writes the letters of one call of `tell`."""

    def __init__(self, settings: Settings, state: TellingState, origin: str, presents: Presents, away: bool = False) -> None:
        self.settings = settings
        self.presents = presents
        self.away = away
        self.state = state
        self.origin = origin
        self.ledger = Ledger(settings, state, presents)
        self.pressing = Pressing(self.ledger)
        self.letters: list[LetterEvent] = []

    def flush(self, at_ms: int) -> None:
        """Send all that is owed now."""
        self.state.flush_ms = None
        handed, groups = self._handed_over(self._pressing(self._groups(at_ms), at_ms))
        for group in handed:  # the checklist is for the stand-in alone, whole, whatever else goes on
            self._situation(group, at_ms)
        state = self.state
        state.sent = [sent for sent in state.sent if sent.at_ms > at_ms - FLOOD_WINDOW_MS]
        waited = len(groups) > 1 and any(state.owed[key].flooded for group in groups for key in group.keys)
        if len(state.sent) + len(groups) <= FLOOD_COUNT and not waited:
            for group in groups:
                self._situation(group, at_ms)
            return
        fresh = state.summary_ms is None or at_ms - state.summary_ms >= FLOOD_WINDOW_MS
        if fresh or (any(group.wakes for group in groups) and state.summaries < WAKE_SUMMARIES):
            state.summaries = 1 if fresh else state.summaries + 1
            state.summary_ms = at_ms if fresh else state.summary_ms
            self._summary(groups, at_ms)
            return
        for group in groups:
            for key in group.keys:
                state.owed[key].when, state.owed[key].flooded = "flood", True

    def _handed_over(self, groups: list[Group]) -> tuple[list[Group], list[Group]]:
        mine = [group for group in groups if is_handed_over(self.state.owed[group.keys[0]])]
        return mine, [group for group in groups if group not in mine]

    def second(self, place: str, at_ms: int) -> None:
        """Tell the second address of alarms that nobody has acknowledged."""
        thread = self._thread(f"situation.{place}", at_ms)
        thread.second, thread.second_ms = True, at_ms
        about = self._ordered([heard.latest for heard in self.unanswered(place)]) + self.state.asked(place)
        self.write(f"situation.{place}", "escalation", place, about, at_ms, to="second", urgent=True, done_ms=thread.done_ms)

    def unanswered(self, place: str) -> list[Heard]:
        """Return the alarms of a place that were told, still stand and that nobody has acknowledged."""
        return [
            heard
            for heard in self.state.heard.values()
            if heard.place == place and heard.told and heard.shown and not heard.latest.acknowledged and not heard.stale
            and not heard.recovering
            and rank(heard.latest.priority) >= rank("today")
        ]

    def write(
        self, key: str, sort: LetterSort, place: str, about: list[News], at_ms: int, *, urgent: bool = False,
        to: Literal["keeper", "second", "stand-in"] | None = None, done_ms: int | None = None,
    ) -> None:
        """Write one letter into its thread."""
        thread = self.state.threads.setdefault(key, Thread())
        name = f"{key}.{thread.number}" if thread.number else key
        about = of_one_plan(self.state, about)
        if key.startswith("situation."):
            asked = [event for event in about if isinstance(event, AdviceEvent) and event.status in ASKING]
            done_ms = thread.done_ms if urgent and not asked else done_ms
            thread.asked_ms = at_ms if asked and to != "second" else thread.asked_ms
            self.state.advice_sent |= {event.chamber or "site": event for event in asked}
        thread.ordinal += 1
        if to != "second":
            thread.told_ms, thread.letters_ms = at_ms, [*thread.letters_ms, at_ms][-len(RESTS_MS) :]
        about = [self._as_now(event, sort, at_ms) for event in about]
        if key.startswith("situation."):
            about = [self._beside_the_last(event, to) if isinstance(event, AlarmEvent) else event for event in about]
        self.letters.append(
            LetterEvent(
                id=f"{self.origin}.letter.{name}.{thread.ordinal}", at_ms=at_ms, chamber=self._chamber(place), sort=sort,
                thread=name, ordinal=thread.ordinal, to=to or ("stand-in" if self.away else "keeper"), urgent=urgent,
                done_ms=done_ms, about=tuple(about), present=self._present(place, about, at_ms),
                still_changed=self._still_changed(place, about) if sort == "all-clear" else (),
            )
        )

    def _still_changed(self, place: str, about: Sequence[News]) -> tuple[str, ...]:
        named = dict.fromkeys([place, *(event.chamber or "site" for event in about)])
        return tuple(dict.fromkeys(one for name in named for one in self.state.still_changed.get(name, ())))

    def _beside_the_last(self, alarm: AlarmEvent, to: str | None) -> AlarmEvent:
        """Put beside an alarm's value what the keeper's last letter said of it, and keep this one for the next."""
        heard = self.state.of(alarm)
        if heard is None or alarm.value is None:
            return alarm
        before = replace(alarm, told_value=heard.letter_value, told_ms=heard.letter_value_ms)
        read_ms = alarm.at_ms if alarm.read_ms is None else alarm.read_ms
        if heard.letter_value_ms != read_ms and to != "second":
            heard.letter_value, heard.letter_value_ms = alarm.value, read_ms
        return before

    def _as_now(self, event: News, sort: LetterSort, at_ms: int) -> News:
        """Return an alarm with its figure as it is now; what a digest tells of as over keeps the figure of then."""
        if not isinstance(event, AlarmEvent) or (sort == "digest" and not event.open):
            return event
        told = self.presents.told(event, at_ms)
        return told if told.harm_used is not None or told.seconds_left is None else _run_down(told, at_ms)

    def _present(self, place: str, about: list[News], at_ms: int) -> tuple[Figures, ...]:
        """Return what is believed now of every chamber that a letter is about: all of them where it is about no place."""
        named = {place, *(event.chamber for event in about)}
        chambers = [
            name for name, chamber in self.settings.chambers.items()
            if self._chamber(place) is None or name in named or chamber.room in named
        ]  # fmt: skip
        found = [self.presents.figures(name, at_ms) for name in chambers]
        return tuple(figures for figures in found if figures is not None)

    def marked(self, keys: Iterable[str], at_ms: int) -> None:
        """Note that these owed things are told now and owe them no longer."""
        for key in keys:
            owed = self.state.owed.pop(key)
            heard = self.state.heard.get(owed.alarm)
            if heard is not None:
                heard.told, heard.told_ms, heard.told_priority = True, at_ms, owed.priority
                heard.eased_ms = None if heard.latest.level == "harmful" else heard.eased_ms
            for event in owed.about:
                if isinstance(event, AdviceEvent) and owed.sort != "all-clear":
                    self.state.advice_sent[event.chamber or "site"] = event

    # ------------------------------------------------------------ what goes together

    def _groups(self, at_ms: int) -> list[Group]:
        now = {(owed.place, class_of(owed)) for owed in self.state.owed.values() if owed.when == "now"}
        groups = [self._group(place, kind, at_ms) for place, kind in sorted(now)]
        return [group for group in groups if group is not None]

    def _pressing(self, groups: list[Group], at_ms: int) -> list[Group]:
        """Return the groups that go out now; the others wait."""
        pressing = []
        for group in groups:
            later, again_ms = self.pressing.waits_for(group, at_ms)
            if later is None:
                pressing.append(group)
                continue
            if later == "digest" and group.sort == "all-clear" and not self.state.asked(group.place):
                self._close_if_over(f"situation.{group.place}", group, self._about(group), at_ms)
            for key in group.keys:
                owed = self.state.owed[key]
                if later == "digest" and owed.sort == "reminder":
                    del self.state.owed[key]  # a digest names all that stands by itself
                    continue
                owed.when, owed.again_ms = later, again_ms
                owed.at_ms = at_ms if later == "awake" else owed.at_ms  # the night that it waits for is this one
        return pressing

    def _group(self, place: str, kind: str, at_ms: int) -> Group | None:
        mine = {key: owed for key, owed in self.state.owed.items() if owed.place == place and class_of(owed) == kind}
        ready = [owed.sort for owed in mine.values() if owed.when == "now"]
        lead = min(ready, key=SORTS.index)
        whole = lead in ("escalation", "situation")
        keys = [key for key, owed in mine.items() if owed.when in ("now", "next") or whole or owed.sort == "all-clear"]
        if lead == "reminder" and not self.unanswered(place) and not any(key.startswith("advice/") for key in keys):
            for key in [key for key in keys if mine[key].sort == "reminder"]:
                del self.state.owed[key]  # acknowledged or over since
            return self._group(place, kind, at_ms) if any(owed.when == "now" for owed in self._of(place, kind)) else None
        wakes = any(mine[key].priority == "wake" and mine[key].sort != "all-clear" for key in keys)
        settled = self.pressing.settled
        wakes = wakes and (any(_looks_ahead(mine[key]) for key in keys) or not settled.is_settled(place, at_ms))
        wakes = wakes and not settled.all_come_back(place, at_ms)
        return Group(place, lead, tuple(sorted(keys, key=lambda key: (-rank(mine[key].priority), key))), wakes)

    def _of(self, place: str, kind: str) -> list[Owed]:
        return [owed for owed in self.state.owed.values() if owed.place == place and class_of(owed) == kind]

    # ------------------------------------------------------------ letters

    def _situation(self, group: Group, at_ms: int) -> None:
        key = f"situation.{group.place}" if group.sort in SORTS[:4] else f"{group.sort}.{group.place}"
        self._thread(key, at_ms)
        about = self._about(group)
        self._count(self.state.threads[key], group, about, at_ms)
        to: Literal["stand-in"] | None = "stand-in" if is_handed_over(self.state.owed[group.keys[0]]) else None
        self._settle(key, group, at_ms)
        if key.startswith("situation."):
            told = self.state.verified.pop(group.place, None)
            self.state.lines = [line for line in self.state.lines if told is None or line.id != told.id]
        quiet = self.ledger.quiet_until_ms(at_ms) is not None
        night = group.sort in ("situation", "escalation") and (group.wakes or quiet)  # what can wait for the morning has waited
        self.state.sent.append(Sent(at_ms))
        urgent = night or (group.sort == "reminder" and group.wakes) or self.stays(filter(kills, about), at_ms)
        self.write(key, group.sort, group.place, about, at_ms, urgent=urgent, to=to)
        self._call(key, group, about, at_ms)
        self._close_if_over(key, group, about, at_ms)

    def stays(self, grave: Iterable[News], at_ms: int) -> bool:
        """Return whether any of this does not come back: a letter with it is urgent, whatever its news."""
        alarms = [event for event in grave if isinstance(event, AlarmEvent)]
        return not all(self.pressing.settled.comes_back(alarm, at_ms) for alarm in alarms)

    def _call(self, key: str, group: Group, about: list[News], at_ms: int) -> None:
        """Note since when nobody has answered what wakes. Who does not answer before the next lethal mark does not hear: from
        then on each of them goes to the second address too."""
        thread = self.state.threads[key]
        if not group.wakes or all(one.latest.priority != "wake" for one in self.unanswered(group.place)):
            return
        if thread.called_ms is None:
            thread.called_ms = at_ms
            thread.second = thread.second and (thread.done_ms or 0) <= (thread.second_ms or 0)  # who answered is called anew
        marks = any(isinstance(event, AlarmEvent) and event.worse == "mark" and event.at_ms == at_ms for event in about)
        lately = thread.second_ms is not None and at_ms - thread.second_ms < SECOND_AGAIN_MS
        if marks and not lately and at_ms - thread.called_ms >= UNHEARD_AFTER_MS and thread.answered_ms is None:
            self.second(group.place, at_ms)

    def _count(self, thread: Thread, group: Group, about: list[News], at_ms: int) -> None:
        """Keep when a letter was no worse than the last, and whether it told that the devices cannot repair it."""
        self.pressing.note(group, thread, at_ms)
        for event in about:
            if isinstance(event, AdviceEvent) and event.status in ASKING:
                thread.beyond_devices = event.beyond_devices
                turned = [*thread.turned, *sorted(turns_of(event))] if event.beyond_devices else []
                thread.turned = list(dict.fromkeys(turned))

    def _summary(self, groups: list[Group], at_ms: int) -> None:
        about: list[News] = []
        for group in groups:
            key = f"situation.{group.place}" if group.sort in SORTS[:4] else f"{group.sort}.{group.place}"
            self._thread(key, at_ms)
            part = self._about(group)
            self._settle(key, group, at_ms)
            self._close_if_over(key, group, part, at_ms)
            about += part
        self.state.sent.append(Sent(at_ms))
        self.write("summary", "summary", "site", self._ordered(about), at_ms, urgent=any(group.wakes for group in groups))

    def _settle(self, key: str, group: Group, at_ms: int) -> None:
        thread = self.state.threads[key]
        if group.sort in ("situation", "escalation"):
            graver = max(rank(self.state.owed[name].priority) for name in group.keys)
            news = [event for name in group.keys for event in self.state.owed[name].about]
            worse = any(isinstance(event, AlarmEvent) and event.change == "worsened" for event in news)
            if thread.news_ms is None or graver > thread.rank:  # the same gravity does not start the reminders anew
                awake = self._is_up(thread, at_ms)  # and need not be called twice within minutes
                thread.news_ms, thread.reminders, thread.rank, thread.answered_ms = at_ms, int(awake), graver, None
            elif worse:  # this letter is the reminder: the next one comes no sooner after it than after a reminder
                most = len(self.settings.telling.wake_remind if group.wakes else self.settings.telling.today_remind)
                thread.news_ms, thread.answered_ms = at_ms, None
                thread.reminders = min(thread.reminders, max(most - 1, 0))
        self.marked(group.keys, at_ms)

    def _is_up(self, thread: Thread, at_ms: int) -> bool:
        """Whether the keeper has answered in this same night."""
        until_ms = self.ledger.quiet_until_ms(at_ms)
        return until_ms is not None and thread.done_ms is not None and self.ledger.quiet_until_ms(thread.done_ms) == until_ms

    def _thread(self, key: str, at_ms: int) -> Thread:
        thread = self.state.threads.setdefault(key, Thread())
        if not thread.open and key.startswith("situation."):
            again = thread.closed_ms is not None and at_ms - thread.closed_ms <= AGAIN_FOR_MS
            if not again:
                thread.number, thread.ordinal = thread.number + 1, 0
            thread.open, thread.closed_ms, thread.second, thread.reminders, thread.news_ms = True, None, False, 0, None
            thread.done_ms = thread.called_ms = thread.second_ms = None
        return thread

    def _close_if_over(self, key: str, group: Group, about: list[News], at_ms: int) -> None:
        thread = self.state.threads.get(key)
        if thread is not None and any(is_over(event) for event in about) and not self.state.standing(group.place):
            thread.open, thread.closed_ms = False, at_ms

    # ------------------------------------------------------------ what a letter is about

    def _about(self, group: Group) -> list[News]:
        items = [self.state.owed[key] for key in group.keys]
        news = self._ordered([event for owed in items if owed.sort != "reminder" for event in owed.about])
        if group.sort == "reminder":
            news = self._ordered([heard.latest for heard in self.unanswered(group.place)]) + news
        if group.sort in ("escalation", "situation", "reminder"):
            stands, told = self.state.asked(group.place), _asked_for(news)
            news = [*_for_the_killed(news, stands, told), *news] if told else [*news, *stands]
        if group.sort in ("care", "system"):
            return news
        verified = self.state.verified.get(group.place)
        about = [*news, *self._besides(group, news), *([] if verified is None else [verified])]
        return sorted(about, key=lambda event: (not kills(event), not leads(event, about[0])))  # whatever is the news

    def _besides(self, group: Group, news: list[News]) -> list[News]:
        """What else stands there, and what the same cause moves elsewhere in the room: where something is said to be over,
        also what was not told yet."""
        known = {event.id for event in news}
        moved = {event.alarm for event in news if isinstance(event, AlarmEvent) and ALARMS[event.alarm].room_moves}
        room = self._room(group.place)
        here = [
            heard.latest for heard in self.state.heard.values()
            if heard.open and heard.latest.kind == "alarm" and heard.latest.id not in known and (
                (heard.place == group.place and (
                    heard.told or heard.latest.suppression == "by-design" or (group.sort == "all-clear" and heard.shown)
                ))
                or (room is not None and self._room(heard.place) == room and heard.latest.alarm in moved
                    and heard.latest.suppression == "by-design")
            )
        ]
        return self._ordered(here)

    @staticmethod
    def _ordered(events: Iterable[News]) -> list[News]:
        return sorted(events, key=importance)

    def _chamber(self, place: str) -> str | None:
        return None if place == "site" and place not in self.settings.chambers else place

    def _room(self, place: str) -> str | None:
        chamber = self.settings.chambers.get(place)
        return None if chamber is None else chamber.room


def _run_down(alarm: AlarmEvent, at_ms: int) -> AlarmEvent:
    """Return an alarm without an account of harm, whose time left was estimated once, from the slope of then."""
    passed_ms = at_ms - (alarm.judged_ms or alarm.at_ms)
    left_s = (alarm.seconds_left or 0.0) - passed_ms / 1000.0
    return replace(alarm, seconds_left=left_s if left_s > 0.0 and passed_ms <= QUARTER_MS else None, judged_ms=at_ms)


def _for_the_killed(news: Sequence[News], stands: Sequence[AdviceEvent], told: set[str | None]) -> list[AdviceEvent]:
    """Return what stands to be done at each box that heat or cold kills and that nothing in the news is advised for."""
    killed, found = {event.chamber for event in news if kills(event)} - told, []
    for advice in sorted(stands, key=lambda advice: -len(advice.boxes)):
        if advice.chamber in killed:
            found.append(advice)
            killed -= {advice.chamber, *advice.boxes}
    return found


def _asked_for(news: Sequence[News]) -> set[str | None]:
    """Return the boxes that something is advised for in it: what is only withdrawn or judged asks for nothing."""
    asking = [event for event in news if isinstance(event, AdviceEvent) and event.status in ASKING]
    return {box for event in asking for box in (event.chamber, *event.boxes)}


def _looks_ahead(owed: Owed) -> bool:
    """Whether it asks at once for heat: a box whose heater is out is in its band on the way from hot to cold."""
    return owed.priority == "wake" and any(
        isinstance(event, AdviceEvent) and (event.device, event.change) == ("heater", "more") for event in owed.about
    )
