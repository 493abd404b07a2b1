"""Which row of the table holds of a letter in the making, and by it: whether it goes out, waits, or is too much for the day."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from rules.telling.alarm_news import SAME_BREATH_MS
from rules.telling.ledger import Ledger
from rules.telling.one_more_box import is_one_more_box
from rules.telling.quiet_hours import local
from rules.telling.settled import Settled
from rules.telling.state import Owed, Sort, Thread, When
from rules.telling.table import (
    AGAIN_MS,
    CALM_LETTERS,
    JUDGED_MS,
    LOOKED_WITHIN_MS,
    NEXT_WITHIN_MS,
    REMINDERS,
    REMINDERS_LATER,
    RESTS_MS,
    ROWS,
    WITH_DIGEST_MS,
    NewsKind,
    Row,
)  # fmt: skip
from rules.terms.events import DAY_MS, HOUR_MS, AdviceEvent, AlarmEvent
from rules.trade.alarm_kinds import ALARMS
from rules.trade.bearable import BEARABLE
from rules.trade.urgency import rank

ANEW_AFTER_MS = 2 * HOUR_MS
"""What fails suddenly and was told longer ago than this is news when it fails again; judgement."""
AGAIN_FOR_MS = 6 * HOUR_MS
"""A situation that comes back within this goes on in the same thread. Own estimate."""
ANSWERS_FOR_MS = HOUR_MS
"""What is advised within this after the keeper said what is on the lid is the answer to it, and told at once."""

WAITS_FOR_ITS_STEP: frozenset[NewsKind] = frozenset({"graver", "worse", "same", "sign", "repeat", "reminder"})
"""What is no news to who has just done all that was asked, and has nothing to do."""
SAYS_THE_SAME: frozenset[NewsKind] = frozenset({"same", "sign", "repeat", "reminder"})
HAS_A_STEP: frozenset[NewsKind] = frozenset({"other", "step", "repeat"})
"""What waits no longer than till the evening: over night a step that nobody was told is not done."""
LAST_HOUR_S = 3600.0
"""With so little left nothing waits: whoever can help must still come. Own estimate."""

SORTS: tuple[Sort, ...] = ("escalation", "situation", "reminder", "all-clear", "care", "system")


@dataclass(frozen=True, slots=True)
class Group:
    """What goes into one letter."""

    place: str
    sort: Sort
    keys: tuple[str, ...]
    wakes: bool


def turns_of(advice: AdviceEvent) -> set[str]:
    """Return the devices, with their change, that are to be turned by a stated amount, and what else is to be done, as it is
    said: a cool pack is another help than a shaded room."""
    return {
        action.text if action.amount is None else f"{action.device}:{action.change}" for action in advice.actions
        if action.change not in ("check", "hold")
    }


class Pressing:
    """What may wait of the letters of one call of `tell`."""

    def __init__(self, ledger: Ledger) -> None:
        self.ledger, self.state, self.settled = ledger, ledger.state, Settled(ledger)

    def waits_for(self, group: Group, at_ms: int) -> tuple[When | None, int | None]:
        """Return what a letter waits for, and when it is looked at again if that is the next one; None: it goes out now."""
        items, thread = self._items(group), self.state.threads.get(f"situation.{group.place}")
        quiet, row = self.ledger.quiet_until_ms(at_ms) is not None, None
        if thread is not None and group.sort in SORTS[:4]:
            row = self.row_of(group, thread, at_ms)
            if self._is_enough(row, group, thread, at_ms) or self._is_at_work(group, thread, at_ms):
                return "digest", None
            rests_ms = self._rests_until_ms(row, group, thread, at_ms)
            if group.sort == "all-clear" and at_ms < rests_ms:
                return "digest", None
            waits_ms, judged_ms = self._waits_until_ms(row, group, thread, at_ms), self._judged_ms(row, group, thread, at_ms)
            again_ms = max(waits_ms or 0, judged_ms, rests_ms)
            if row.news in HAS_A_STEP and not quiet:
                again_ms = self.ledger.evening_ms(again_ms)
            if at_ms < again_ms:
                return "next", again_ms
        about = [event for owed in items for event in owed.about]
        if group.sort == "all-clear" and (self.settled.is_leaving(about, at_ms) or self._says_little(group, at_ms)):
            return "digest", None
        if group.sort in ("situation", "escalation") and self._follows_heat(items, at_ms):
            return "next", None
        if not quiet:
            tells = group.sort in SORTS[:3] and self._is_of_water(group) and self._digest_is_near(at_ms)
            return ("digest" if tells and not group.wakes else None), None
        calmed = not group.wakes and any(owed.priority == "wake" for owed in items)  # it is back in its band
        late = row is not None and thread is not None and not self._may_at_night(row, group, thread, at_ms)
        return ("awake" if calmed or late or self._has_got_better(items, at_ms) else None), None

    def _is_at_work(self, group: Group, thread: Thread, at_ms: int) -> bool:
        """Whether it tells who has done what was asked these hours of air, heat or lid that do no harm and go no further, with
        nothing else to do: what is advised later takes it along."""
        about = [event for owed in self._items(group) for event in owed.about]
        mild = all(
            isinstance(event, AlarmEvent) and ALARMS[event.alarm].answered == "climate" and event.level != "harmful"
            and not ALARMS[event.alarm].sudden for event in about
        )
        done = thread.done_ms is not None and at_ms - thread.done_ms < AGAIN_FOR_MS and not self.state.asked(group.place)
        calm = group.sort in SORTS[:2] and not group.wakes and not self.settled.goes_on(group.place, at_ms)
        return done and mild and calm

    def _says_little(self, group: Group, at_ms: int) -> bool:
        """Whether an all-clear is none, since something is asked for there still, or the digest says it soon enough."""
        of_water = self._is_of_water(group) and self.ledger.settings.telling.daily_digest
        return bool(self.state.asked(group.place)) or self._digest_is_near(at_ms) or of_water

    def _is_of_water(self, group: Group) -> bool:
        """Whether it is of a wet lid, damp air or a swing alone: what goes and comes with each night, and harms over
        days."""
        alarms = [event for owed in self._items(group) for event in owed.about if isinstance(event, AlarmEvent)]
        kinds = [ALARMS[alarm.alarm] for alarm in alarms]
        return bool(kinds) and not any(kind.wakes_at_night or kind.sudden or kind.answered != "climate" for kind in kinds)

    def _has_got_better(self, items: list[Owed], at_ms: int) -> bool:
        """Whether it may not disturb the night any more by its figures of now, though it did when it was put off."""
        if not all(owed.priority == "today" and (owed.alarm or owed.again_ms) for owed in items if owed.sort != "all-clear"):
            return False
        here = [one for one in self.state.heard.values() if one.place == items[0].place and one.open]
        return all(
            self.ledger.when_of(one.latest, at_ms) != "now" for one in here if one.latest.suppression in ("none", "by-design")
        )

    def note(self, group: Group, thread: Thread, at_ms: int) -> None:
        """Keep when a letter was a reminder, or no worse than the last."""
        row = self.row_of(group, thread, at_ms)
        if not row.new and not self.settled.goes_on(group.place, at_ms):
            thread.reminded_ms = [*thread.reminded_ms, at_ms][-REMINDERS:]
        elif self._is_calm(row, group, thread, at_ms):
            thread.calm_ms = [*thread.calm_ms, at_ms][-CALM_LETTERS:]

    def row_of(self, group: Group, thread: Thread, at_ms: int) -> Row:
        """Return the first row of the table that holds of what goes into a letter; what else is worse in it counts too."""
        if thread.closed_ms is not None and at_ms - thread.closed_ms > AGAIN_FOR_MS:
            return next(row for row in ROWS if row.news == "graver")
        found = {self._news(owed, group, thread, at_ms) for owed in self._items(group)}
        if "step" in found and not found.isdisjoint(("worse", "sign")):
            found.add("other")  # it answers what has come up
        rows = [row for row in ROWS if row.news in found]
        return replace(
            rows[0], calm=all(row.calm for row in rows), beyond=any(row.beyond for row in rows),
            for_mark_ms=min(row.for_mark_ms for row in rows if row.new or row is rows[0]),
        )

    def _items(self, group: Group) -> list[Owed]:
        return [self.state.owed[key] for key in group.keys]

    # ------------------------------------------------------------ which row

    def _news(self, owed: Owed, group: Group, thread: Thread, at_ms: int) -> NewsKind:
        if owed.sort == "reminder" or owed.sort == "all-clear":
            return owed.sort
        if is_one_more_box(self.ledger, owed):
            return "box"
        if self.state.is_repeat(owed):
            return "repeat"
        alarms = [self._of_alarm(event, group.place) for event in owed.about if isinstance(event, AlarmEvent)]
        if "mark" in alarms:
            return "mark"
        if rank(owed.priority) > thread.rank and "new-harm" not in alarms:
            return "graver"
        if not alarms:
            return self._of_advice(owed, group.place, thread, at_ms)
        return next(row.news for row in ROWS if row.news in alarms)

    def _of_alarm(self, alarm: AlarmEvent, place: str) -> NewsKind:
        kind = ALARMS[alarm.alarm]
        if alarm.worse == "mark" and kind.harm is not None and BEARABLE[kind.harm].wakes:
            return "mark"
        harmful, told = alarm.level == "harmful", self._figure_told(alarm, place)
        if (harmful and not told) or self._began_anew(alarm, place):
            return "new-harm"
        if self._is_last_call(alarm) and not self.settled.was_hot_just_now(place, alarm.at_ms):
            return "graver"
        if harmful or alarm.change in ("worsened", "escalated"):
            return "worse" if self.settled.has_gone_on(alarm) else "same"
        return "sign" if alarm.level == "outside" or alarm.change == "returned" else "other"

    def _is_last_call(self, alarm: AlarmEvent) -> bool:
        """Whether it has come to wake, of which no letter has told so, or its last hour has begun: on a plateau no figure goes
        further, and what is bearable runs out all the same."""
        heard = self.state.of(alarm)
        if alarm.change not in ("worsened", "escalated") or alarm.priority != "wake" or heard is None:
            return False
        left_s = alarm.seconds_left or 0.0
        return heard.told_priority != "wake" or (alarm.worse == "time" and LAST_HOUR_S / 2.0 < left_s <= LAST_HOUR_S)

    def _is_answer(self, owed: Owed, at_ms: int) -> bool:
        """Whether it is advised to who has just said what is on the lid."""
        chambers = [event.chamber or "site" for event in owed.about if isinstance(event, AdviceEvent)]
        return any(at_ms - self.state.looked_ms.get(chamber, -ANSWERS_FOR_MS) < ANSWERS_FOR_MS for chamber in chambers)

    def _of_advice(self, owed: Owed, place: str, thread: Thread, at_ms: int) -> NewsKind:
        """Something else to do waits for the next letter where it is not urgent, or the last asked for a look at first."""
        asking = [event for event in owed.about if isinstance(event, AdviceEvent)]
        chambers = [event.chamber or "site" for event in asking]
        if self._is_answer(owed, at_ms):
            return "other"
        if all(event.urgency != "wake" and event.status == "updated" for event in asking):
            return "step"
        sent = [self.state.advice_sent.get(chamber) for chamber in chambers]
        answered = thread.answered_ms is not None and thread.answered_ms >= (thread.told_ms or 0)
        looks = all(one is not None and one.change == "check" for one in sent) and not answered
        return "step" if looks and not self.settled.goes_on(place, at_ms) else "other"

    def _figure_told(self, alarm: AlarmEvent, place: str) -> bool:
        """Whether a letter of the place has told of the same figure of the same chamber."""
        figure = ALARMS[alarm.alarm].figure
        return figure is not None and any(
            one.latest.chamber == alarm.chamber and ALARMS[one.latest.alarm].figure == figure
            for one in self.state.standing(place)
        )

    def _began_anew(self, alarm: AlarmEvent, place: str) -> bool:
        """Whether heat, lid or water fail once more, not just after a letter has told of it, or of the same harm with all that
        is advised against it."""
        if alarm.change != "raised" or not ALARMS[alarm.alarm].sudden:
            return False
        advice, heard = self.state.asked(place), self.state.of(alarm)
        answered = bool(advice) and all(self.state.is_sent(one) for one in advice)
        same = [
            one for one in self.state.standing(place)
            if answered and one.latest.chamber == alarm.chamber and ALARMS[one.latest.alarm].harm == ALARMS[alarm.alarm].harm
        ]
        told_ms = [one.told_ms for one in (heard, *same) if one is not None and one.told_ms is not None]
        return not told_ms or alarm.at_ms - max(told_ms) >= ANEW_AFTER_MS

    # ------------------------------------------------------------ what the row says

    def _waits_until_ms(self, row: Row, group: Group, thread: Thread, at_ms: int) -> int | None:
        """Return until when it goes with the next letter of its place; None: for none."""
        if thread.told_ms is None or group.sort == "all-clear" or row.news == "mark":
            return None
        items, advice = self._items(group), self.state.asked(group.place)
        asked = bool(advice) and all(self.state.is_sent(one) for one in advice)
        said_ms = self._said_until_ms(group, thread)
        if asked and at_ms < said_ms:
            return said_ms
        if not thread.open:
            return None
        came_ms = min(owed.at_ms for owed in items)
        newest_ms = max(owed.at_ms for owed in items)
        mark_ms = newest_ms + row.for_mark_ms if self.settled.is_near_mark(group.place, at_ms) else 0
        if group.sort == "reminder":
            return mark_ms
        hour_ms = came_ms + NEXT_WITHIN_MS
        if row.news == "box":
            return hour_ms
        pace_ms = self._pace_ms(row, items, at_ms)
        done_ms = (thread.answered_ms or 0) + min(pace_ms, NEXT_WITHIN_MS)  # what was done needs its time
        news_ms = max(thread.told_ms + pace_ms if asked or not row.asked else 0, done_ms)
        if at_ms < news_ms and row.waits_ms <= NEXT_WITHIN_MS:
            news_ms = hour_ms
        return max(mark_ms, min(news_ms, came_ms + max(row.waits_ms, NEXT_WITHIN_MS)))

    def _rests_until_ms(self, row: Row, group: Group, thread: Thread, at_ms: int) -> int:
        """Return until when a letter waits that is no worse than the last and wakes nobody, by how many the day brought; 0: it
        does not, as the first step of a day."""
        steps, day_ms = row.news in HAS_A_STEP, at_ms - DAY_MS
        answers = any(self._is_answer(owed, at_ms) for owed in self._items(group))
        first = steps and (thread.asked_ms or 0) <= day_ms
        if not self._is_calm(row, group, thread, at_ms) or first or answers or thread.told_ms is None:
            return 0
        if self._is_left_undone(row, group.place, thread, at_ms):
            return thread.told_ms + DAY_MS
        rest_ms = RESTS_MS[min(sum(told_ms > day_ms for told_ms in thread.letters_ms), len(RESTS_MS) - 1)]
        return thread.told_ms + (min(rest_ms, AGAIN_MS) if steps else rest_ms)

    def _is_left_undone(self, row: Row, place: str, thread: Thread, at_ms: int) -> bool:
        """Whether it asks once more for what nobody has done for a day, of what goes no further: a letter a day is enough."""
        asked, since_ms = self.state.asked(place), thread.answered_ms or thread.news_ms or at_ms
        told = row.news in SAYS_THE_SAME and bool(asked) and all(self.state.is_sent(one) for one in asked)
        return told and at_ms - since_ms >= DAY_MS and not self.settled.goes_on(place, at_ms)

    def _said_until_ms(self, group: Group, thread: Thread) -> int:
        """Return until when the last letter that asked for steps says what to do about this, too; 0: it does not, for what
        wakes is a figure of which none has told."""
        alarms = [event for owed in self._items(group) for event in owed.about if isinstance(event, AlarmEvent)]
        if thread.asked_ms is None or group.sort == "reminder":
            return 0
        if not group.wakes:
            return thread.asked_ms + JUDGED_MS
        told = all(self._figure_told(alarm, group.place) for alarm in alarms)
        return thread.asked_ms + SAME_BREATH_MS if told else 0

    def _judged_ms(self, row: Row, group: Group, thread: Thread, at_ms: int) -> int:
        """Return until when a letter without a step waits for what the keeper has done to be judged, 0: for nothing. What goes
        on, and a last call of what has come no nearer, wait as long as what is done in an emergency; a mark and a new harm do
        not."""
        state, done_ms = self.state, thread.done_ms
        if group.sort == "all-clear" or done_ms is None or row.news not in WAITS_FOR_ITS_STEP or state.asked(group.place):
            return 0
        done = [one for name, one in state.advice.items() if state.said_done.get(name) == one.advisory]
        needs_ms = [round(1000.0 * (one.look_again_s or 0.0)) for one in done if state.home(one.chamber) == group.place]
        calls = group.wakes and row.news == "graver" and not self.settled.is_nearer(group.place, at_ms)
        most_ms = JUDGED_MS if calls or self.settled.goes_on(group.place, at_ms) else DAY_MS
        return done_ms + min(max(needs_ms), most_ms) + LOOKED_WITHIN_MS if needs_ms else 0

    def _pace_ms(self, row: Row, items: list[Owed], at_ms: int) -> int:
        """Return how long such news waits: what gets worse no longer than half of the time that is left."""
        place = items[0].place
        if row.news == "repeat" and self.settled.goes_on(place, at_ms) and not self.settled.is_late(place, at_ms):
            return row.waits_ms // 2
        if row.news not in ("worse", "same"):
            return row.waits_ms
        return round(min(row.waits_ms, max(JUDGED_MS, 500.0 * self._left_s(items, at_ms))))

    def _left_s(self, items: list[Owed], at_ms: int) -> float:
        """Return how long it lasts before a harm that this is about has used up all; endless where it never does, or has."""
        alarms = [event for owed in items for event in owed.about if isinstance(event, AlarmEvent)]
        return min((self.ledger.presents.told(alarm, at_ms).seconds_left or math.inf for alarm in alarms), default=math.inf)

    def _follows_heat(self, items: list[Owed], at_ms: int) -> bool:
        """Whether it is the air or lid of a box that heats or cools fast: that is told within the hour, and this with it."""
        alarms = [event for owed in items for event in owed.about if isinstance(event, AlarmEvent)]
        young = all(owed.priority != "wake" and at_ms - owed.at_ms < NEXT_WITHIN_MS for owed in items)
        other = all(ALARMS[alarm.alarm].figure != "temperature_c" for alarm in alarms)
        return young and other and self.settled.is_leaving(alarms, at_ms)

    def _is_enough(self, row: Row, group: Group, thread: Thread, at_ms: int) -> bool:
        """Whether the place has had its letters of the day, and this one is no worse than the last; what only reminds is told
        by a digest that is near, and where all is back in its band by none."""
        today = sum(self._is_same_day(told_ms, at_ms) for told_ms in thread.reminded_ms)
        most = REMINDERS if thread.news_ms is None or self._is_same_day(thread.news_ms, at_ms) else REMINDERS_LATER
        idle = group.sort == "reminder" and (self._digest_is_near(at_ms) or self.settled.is_settled(group.place, at_ms))
        if (idle or (not row.new and today >= most)) and not self.settled.goes_on(group.place, at_ms):
            return True
        if not self._is_calm(row, group, thread, at_ms):
            return False
        day_ms = at_ms - DAY_MS
        if self._beyond(group.place, thread):
            return thread.told_ms is not None and thread.told_ms > day_ms
        return sum(told_ms > day_ms for told_ms in [*thread.calm_ms, *thread.reminded_ms]) >= CALM_LETTERS

    def _digest_is_near(self, at_ms: int) -> bool:
        return self.ledger.settings.telling.daily_digest and self.ledger.next_digest_ms() - at_ms <= WITH_DIGEST_MS

    def _is_same_day(self, one_ms: int, other_ms: int) -> bool:
        zone = self.ledger.settings.zone
        return local(one_ms, zone).date() == local(other_ms, zone).date()

    def _is_calm(self, row: Row, group: Group, thread: Thread, at_ms: int) -> bool:
        if self._beyond(group.place, thread):
            return not row.beyond and not self._is_other_harm(group)
        urgent = any(owed.priority == "wake" and (owed.sort, group.sort).count("all-clear") != 1 for owed in self._items(group))
        return row.calm and not urgent and not self._is_first_of_its_harm(group, at_ms)

    def _beyond(self, place: str, thread: Thread) -> bool:
        """Whether it was told that what is at hand cannot repair it, and nothing else is advised since."""
        asked = self.state.asked(place)
        return thread.beyond_devices and all(one.beyond_devices and turns_of(one) <= set(thread.turned) for one in asked)

    def _is_first_of_its_harm(self, group: Group, at_ms: int) -> bool:
        """Whether it is of a harm that cannot wait for the morning, of which nothing was told there within the day: the letters
        about a heater that ran away are no reason to be silent about the cold after it."""
        alarms = [event for owed in self._items(group) for event in owed.about if isinstance(event, AlarmEvent)]
        now = {ALARMS[alarm.alarm].harm for alarm in alarms if alarm.open and rank(alarm.priority) >= rank("today")}
        here = [one for one in self.state.heard.values() if one.place == group.place and one.told_ms is not None]
        told = {ALARMS[one.latest.alarm].harm for one in here if at_ms - (one.told_ms or 0) < DAY_MS}
        return not now <= told | {None}

    def _is_other_harm(self, group: Group) -> bool:
        """Whether a harm has begun of which nothing was said to be beyond repair."""
        told = {ALARMS[one.latest.alarm].harm for one in self.state.standing(group.place)}
        alarms = [event for owed in self._items(group) for event in owed.about if isinstance(event, AlarmEvent)]
        return any(alarm.change == "raised" and ALARMS[alarm.alarm].harm not in told for alarm in alarms)

    def _may_at_night(self, row: Row, group: Group, thread: Thread, at_ms: int) -> bool:
        """Whether it may break the quiet hours; what says nothing new only while it goes on, or to call who does not answer."""
        if row.at_night or (not row.new and group.wakes and self.settled.goes_on(group.place, at_ms)):
            return True
        called = thread.news_ms is not None and at_ms - thread.news_ms <= self.ledger.settings.telling.second_after
        return row.news == "reminder" and group.wakes and called
