"""Whether a letter cannot wait: what is worse than the last one said, what is one more sign of it, and what is back in band."""

from __future__ import annotations

from dataclasses import dataclass

from rules.settings import Chamber
from rules.telling.ledger import Ledger
from rules.telling.news import has_gone_on, is_as_bad
from rules.telling.state import Owed, Sort, Thread
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, AlarmEvent
from rules.trade.alarm_kinds import ALARMS
from rules.trade.bearable import BEARABLE, HarmKind
from rules.trade.urgency import rank

ANEW_AFTER_MS = 2 * HOUR_MS
"""What fails suddenly and was told longer ago than this is news when it fails again; judgement."""
NEXT_WITHIN_MS = HOUR_MS
"""One more sign of what was told less than this ago, with the same thing to do, goes with the next letter; judgement."""
SAME_WITHIN_MS = 30 * MINUTE_MS
"""The same harm to the same chamber told less than this ago, no graver since and no mark crossed, does so too; judgement."""
CALM_LETTERS = 4
"""So many letters about one place that are no worse than the last go out within a day; what is left stands in the next one
or in the digest. Where the devices at hand cannot repair it, and that was told, one. Judgement of our own."""
AGAIN_FOR_MS = 6 * HOUR_MS
"""A situation that comes back within this goes on in the same thread. Own estimate."""
LEAVES_WITHIN_H, PLAINLY_K_H = 1.0, 2.0
"""No all-clear is written of a box that leaves its band so soon, at a pace that no noise of a slope makes. Own estimates."""

SIDES: dict[str, HarmKind] = {
    "temperature-high": "heat", "heater-runaway": "heat", "temperature-low": "cold", "heater-failed": "cold",
    "humidity-low": "dryness",
}  # fmt: skip
"""The alarms that may wake whose value has a band, and which way it leaves it."""
SORTS: tuple[Sort, ...] = ("escalation", "situation", "reminder", "all-clear", "care", "system")


@dataclass(frozen=True, slots=True)
class Group:
    """What goes into one letter."""

    place: str
    sort: Sort
    keys: tuple[str, ...]
    wakes: bool


class Pressing:
    """What may wait of the letters of one call of `tell`."""

    def __init__(self, ledger: Ledger) -> None:
        self.ledger, self.settings, self.state, self.presents = ledger, ledger.settings, ledger.state, ledger.presents

    def is_settled(self, place: str, at_ms: int) -> bool:
        """Whether all heat, cold and dryness that stands there is back in its band and not on its way out: it wakes nobody."""
        here = [one.latest for one in self.state.heard.values() if one.place == place and one.shown]
        told = [alarm for alarm in here if alarm.alarm in SIDES or alarm.priority == "wake"]
        return bool(told) and all(self._is_inside(alarm, at_ms) for alarm in told)

    def _is_inside(self, alarm: AlarmEvent, at_ms: int) -> bool:
        kind, chamber = SIDES.get(alarm.alarm), self.settings.chambers.get(alarm.chamber or "")
        figures = None if chamber is None else self.presents.figures(alarm.chamber or "", at_ms)
        if kind is None or chamber is None or figures is None:
            return False
        row, limit = BEARABLE[kind], alarm.limit
        value, slope = figures.temperature_c, figures.temperature_slope_k_h
        if kind == "dryness":
            value, slope = figures.relative_humidity_pct, figures.humidity_slope_pct_h
        elif ALARMS[alarm.alarm].edge is None:
            limit = chamber.temperature.high if kind == "heat" else chamber.temperature.low
        if value is None or limit is None:
            return False
        return row.worse * (value - limit) <= 0 and row.worse * (slope or 0.0) <= row.noise_h

    def is_leaving(self, group: Group, at_ms: int) -> bool:
        """Whether a box whose air or lid is told to be well again plainly leaves the band of its temperature within an hour."""
        over = [event for key in group.keys for event in self.state.owed[key].about if isinstance(event, AlarmEvent)]
        boxes = {alarm.chamber for alarm in over if ALARMS[alarm.alarm].harm not in ("heat", "cold")}
        return any(self._leaves(self.settings.chambers[box], box, at_ms) for box in boxes if box in self.settings.chambers)

    def _leaves(self, chamber: Chamber, box: str, at_ms: int) -> bool:
        figures = self.presents.figures(box, at_ms)
        if figures is None or figures.temperature_c is None or figures.temperature_slope_k_h is None:
            return False
        slope, band = figures.temperature_slope_k_h, chamber.temperature
        ahead_c = figures.temperature_c + slope * LEAVES_WITHIN_H
        edge, outward = (band.low, -1.0) if slope < 0 else (band.high, 1.0)
        return edge is not None and abs(slope) > PLAINLY_K_H and outward * (ahead_c - edge) > 0

    def is_enough(self, group: Group, at_ms: int) -> bool:
        """Whether the place has had its letters of the day, and this one is no worse than the last."""
        thread = self.state.threads.get(f"situation.{group.place}")
        if thread is None or group.sort not in SORTS[:4] or self.is_worse(group, thread, at_ms):
            return False
        if self._beyond(group.place, thread):
            return thread.told_ms is not None and thread.told_ms > at_ms - DAY_MS
        return sum(told_ms > at_ms - DAY_MS for told_ms in thread.calm_ms) >= CALM_LETTERS

    def _beyond(self, place: str, thread: Thread) -> bool:
        """Whether it was told that what is at hand cannot repair it, and nothing else is advised since."""
        return thread.beyond_devices and all(advice.beyond_devices for advice in self.state.asked(place))

    def is_worse(self, group: Group, thread: Thread, at_ms: int) -> bool:
        """Whether something began, got worse, or may wake, as the last letters of its place did not say."""
        if thread.closed_ms is not None and at_ms - thread.closed_ms > AGAIN_FOR_MS:
            return True
        owed_here = [self.state.owed[key] for key in group.keys]
        items = [owed for owed in owed_here if not self._is_one_more_box(owed) and not self.state.is_repeat(owed)]
        alarms = [event for owed in items for event in owed.about if isinstance(event, AlarmEvent)]
        most = max((rank(owed.priority) for owed in items), default=0)
        if most > thread.rank or any(alarm.worse == "mark" for alarm in alarms):
            return True
        if self._beyond(group.place, thread):
            told = {ALARMS[one.latest.alarm].harm for one in self.state.heard.values() if one.place == group.place and one.told}
            if any(alarm.change == "raised" and ALARMS[alarm.alarm].harm not in told for alarm in alarms):
                return True  # of another harm nothing was said to be beyond repair
            by_day = self.ledger.quiet_until_ms(at_ms) is None
            return (by_day or most == rank("wake")) and any(has_gone_on(alarm, self.state.of(alarm)) for alarm in alarms)
        return most == rank("wake") or any(
            alarm.change in ("worsened", "escalated") or alarm.level == "harmful" or self._began_anew(alarm) for alarm in alarms
        )

    def _began_anew(self, alarm: AlarmEvent) -> bool:
        """Whether heat, lid or water fail once more, not just after a letter has told of it."""
        heard = self.state.of(alarm)
        told_ms = None if heard is None else heard.told_ms
        sudden = alarm.change == "raised" and ALARMS[alarm.alarm].sudden
        return sudden and (told_ms is None or alarm.at_ms - told_ms >= ANEW_AFTER_MS)

    def can_wait(self, group: Group, at_ms: int) -> bool:
        """Whether it is one more sign of what the last letter told: no worse, no harm, and the same advice stands."""
        state, items = self.state, [self.state.owed[key] for key in group.keys]
        thread, advice = state.threads.get(f"situation.{group.place}"), state.asked(group.place)
        if group.sort not in ("situation", "escalation") or thread is None or not thread.open or thread.told_ms is None:
            return False
        if all(self._is_one_more_box(owed) for owed in items):
            return all(at_ms - owed.at_ms < NEXT_WITHIN_MS for owed in items)
        graver = max(rank(owed.priority) for owed in items) > thread.rank
        if graver or any(at_ms - owed.at_ms >= NEXT_WITHIN_MS for owed in items):
            return False
        alarms = [event for owed in items for event in owed.about if isinstance(event, AlarmEvent)]
        if len(alarms) < sum(len(owed.about) for owed in items):
            return False
        asked = bool(advice) and all(state.is_sent(one) for one in advice)
        known_ms = max(thread.told_ms if asked else 0, thread.answered_ms or 0)  # what was done needs its time
        if at_ms - known_ms < SAME_WITHIN_MS and all(self._was_told(event, group.place) for event in alarms):
            return True
        if not asked or at_ms - thread.told_ms >= NEXT_WITHIN_MS:
            return False
        return group.sort == "situation" and all(event.level == "outside" or event.change == "returned" for event in alarms)

    def _is_one_more_box(self, owed: Owed) -> bool:
        """Whether it only says of one more box of a room what was told of another one: one cause is told once, not by box.

        That a box has crossed a mark is told of each one.
        """
        alarms = [event for event in owed.about if isinstance(event, AlarmEvent) and event.open]
        in_room = owed.place in self.settings.rooms and len(alarms) == len(owed.about)
        return in_room and all(self._was_told_of_another(alarm, owed.place) for alarm in alarms)

    def _was_told_of_another(self, alarm: AlarmEvent, place: str) -> bool:
        """Whether another box of the room, or another alarm of this one, was told to be as bad, with no more time left."""
        mine = (alarm.chamber, alarm.alarm)
        return any(
            heard.place == place and heard.told and heard.open and (heard.latest.chamber, heard.latest.alarm) != mine
            and rank(heard.told_priority) >= rank(alarm.priority) and is_as_bad(heard.latest, alarm)
            for heard in self.state.heard.values()
        )

    def _was_told(self, alarm: AlarmEvent, place: str) -> bool:
        """Whether a letter of the place has told of the same figure of the same chamber, and no mark is crossed since; what is
        mild is no more than that."""
        figure = ALARMS[alarm.alarm].figure
        told = any(
            one.place == place and one.told and one.open and one.latest.chamber == alarm.chamber
            and ALARMS[one.latest.alarm].figure == figure for one in self.state.heard.values()
        )  # fmt: skip
        mild = alarm.level != "harmful" and rank(alarm.priority) <= rank("today")
        return mild or (alarm.worse != "mark" and figure is not None and told)
