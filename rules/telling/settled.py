"""What is back in its band, what is on its way out of it, and what has gone further since the last letter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rules.settings.bands import Band
from rules.telling.ledger import Ledger
from rules.telling.state import Heard
from rules.telling.table import JUDGED_MS, MARK_WITHIN_MS
from rules.terms.events import HOUR_MS, AlarmEvent, News
from rules.trade.alarm_kinds import ALARMS
from rules.trade.bearable import BEARABLE, MOST_USED, HarmKind

PLAINLY_K_H, PLAINLY_PCT_H = 2.0, 10.0
"""Pace of a figure that no noise of a slope and no cycle of a thermostat makes. Own estimates."""
FURTHER = 2.0
"""So many times what noise makes of a slope in an hour a figure must have gone to be further away than it was. Own estimate."""
EASED_FOR_MS = 2 * HOUR_MS
"""What does harm again sooner than this swings about its level, and has been told as harmful. Own estimate."""
SIDES: dict[str, HarmKind] = {
    "temperature-high": "heat", "heater-runaway": "heat", "temperature-low": "cold", "heater-failed": "cold",
    "humidity-low": "dryness",
}  # fmt: skip
"""The alarms that may wake whose value has a band, and which way it leaves it."""


@dataclass(frozen=True, slots=True)
class Settled:
    """Asks the figures of an instant."""

    ledger: Ledger

    def is_settled(self, place: str, at_ms: int) -> bool:
        """Whether all heat, cold and dryness that stands there is back in its band, as far as a probe can tell, and not on its
        way out: it wakes nobody."""
        here = [one.latest for one in self.ledger.state.heard.values() if one.place == place and one.shown]
        told = [alarm for alarm in here if alarm.alarm in SIDES or alarm.priority == "wake"]
        return bool(told) and all(self._is_inside(alarm, at_ms) for alarm in told)

    def _is_inside(self, alarm: AlarmEvent, at_ms: int) -> bool:
        kind, chamber = SIDES.get(alarm.alarm), self.ledger.settings.chambers.get(alarm.chamber or "")
        figures = None if chamber is None else self.ledger.presents.figures(alarm.chamber or "", at_ms)
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
        return row.is_unsure(value, limit) and row.worse * (slope or 0.0) <= row.noise_h

    def is_leaving(self, told: Sequence[News], at_ms: int) -> bool:
        """Whether a box of which this is told plainly leaves its band within an hour by a figure that this is not about."""
        return any(self._leaves(event, at_ms) for event in told)

    def _leaves(self, event: News, at_ms: int) -> bool:
        chamber = self.ledger.settings.chambers.get(event.chamber or "")
        now = None if chamber is None else self.ledger.presents.figures(event.chamber or "", at_ms)
        if chamber is None or now is None:
            return False
        own = ALARMS[event.alarm].figure if isinstance(event, AlarmEvent) else None
        # What a lid or humid air does while it cools is no news beside it.
        damp = chamber.humidity_for(chamber.garden.volume_ml) if own is None or own == "temperature_c" else None
        return (own != "temperature_c" and _is_out_in_an_hour(
            now.temperature_c, now.temperature_slope_k_h, PLAINLY_K_H, chamber.temperature
        )) or (damp is not None and _is_out_in_an_hour(
            now.relative_humidity_pct, now.humidity_slope_pct_h, PLAINLY_PCT_H, damp
        ))  # fmt: skip

    def has_gone_on(self, alarm: AlarmEvent) -> bool:
        """Whether the figure of an alarm is further away than the last letter said of its chamber, or does harm again hours
        after it had eased: there is more to limit."""
        heard = self.ledger.state.of(alarm)
        eased_ms = None if heard is None or alarm.level != "harmful" else heard.eased_ms
        return (eased_ms is not None and alarm.at_ms - eased_ms >= EASED_FOR_MS) or self._further(alarm) > FURTHER

    def comes_back(self, alarm: AlarmEvent, at_ms: int) -> bool:
        """Whether its figure is on its way back, and nearer than the last letter said: that is no call."""
        kind, now = ALARMS[alarm.alarm].harm, self.ledger.presents.figures(alarm.chamber or "", at_ms)
        if kind not in ("heat", "cold", "dryness") or now is None:
            return False
        slope_h = now.humidity_slope_pct_h if kind == "dryness" else now.temperature_slope_k_h
        row, further = BEARABLE[kind], self._further(self.ledger.presents.told(alarm, at_ms))
        return further < -FURTHER and row.worse * (slope_h or 0.0) < -row.noise_h

    def all_come_back(self, place: str, at_ms: int) -> bool:
        """Whether all that was told of a place as what wakes comes back."""
        told = [one.latest for one in self.ledger.state.standing(place) if one.shown and one.latest.priority == "wake"]
        return bool(told) and all(self.comes_back(alarm, at_ms) for alarm in told)

    def _further(self, alarm: AlarmEvent) -> float:
        """Return how far a figure is away beyond what the last letter said of its chamber, in noise of an hour's slope."""
        kind, figure = ALARMS[alarm.alarm].harm, ALARMS[alarm.alarm].figure
        here = [one for one in self.ledger.state.heard.values() if one.latest.chamber == alarm.chamber]
        told = [
            (one.letter_value_ms or 0, one.letter_value) for one in here
            if ALARMS[one.latest.alarm].figure == figure and one.letter_value is not None
        ]
        if kind is None or kind == "water" or alarm.value is None or not told:  # whose alarm tells a margin, not a load
            return 0.0
        return BEARABLE[kind].worse * (alarm.value - max(told)[1]) / BEARABLE[kind].noise_h

    def goes_on(self, place: str, at_ms: int) -> bool:
        """Whether the figure of an alarm that was told of a place is further away now than the last letter said."""
        return any(self.has_gone_on(alarm) for alarm in self._now(place, at_ms))

    def is_nearer(self, place: str, at_ms: int) -> bool:
        """Whether all heat, cold and dryness that was told of a place is nearer to its band now than the last letter said."""
        here = [alarm for alarm in self._now(place, at_ms) if alarm.alarm in SIDES]
        return bool(here) and all(self._further(alarm) < -FURTHER for alarm in here)

    def is_late(self, place: str, at_ms: int) -> bool:
        """Whether all that a garden bears was used up there long before: the next mark is told even then."""
        used = [alarm.harm_used for alarm in self._now(place, at_ms) if alarm.harm_used is not None]
        return max(used, default=0.0) >= MOST_USED

    def is_near_mark(self, place: str, at_ms: int) -> bool:
        """Whether what was told there passes its next mark so soon that the letter about that can say all of it; in heat none
        waits for it: who slept through the first call gets the next one in time."""
        here = self.ledger.state.standing(place)
        return not self._is_hot(place) and any(self._nears_mark(heard, at_ms) for heard in here)

    def _is_hot(self, place: str) -> bool:
        told = (heard.latest for heard in self.ledger.state.standing(place))
        return any(SIDES.get(alarm.alarm) == "heat" and alarm.condition == "active" for alarm in told)

    def was_hot_just_now(self, place: str, at_ms: int) -> bool:
        """Whether a letter has told of heat there so lately that one more figure of it is no call of its own."""
        thread = self.ledger.state.threads.get(f"situation.{place}")
        told_ms = None if thread is None else thread.told_ms
        return told_ms is not None and at_ms - told_ms < JUDGED_MS and self._is_hot(place)

    def _nears_mark(self, heard: Heard, at_ms: int) -> bool:
        kind, presents = ALARMS[heard.latest.alarm].harm, self.ledger.presents
        harm = None if kind is None else presents.harms(heard.latest.chamber or "", at_ms).get(kind)
        if kind is None or harm is None or not harm.going_away or not BEARABLE[kind].wakes:
            return False
        row, told, value = BEARABLE[kind], heard.letter_value, presents.told(heard.latest, at_ms).value
        passed = [row.worse * one for one in (told, value) if one is not None]
        if len(passed) == 2 and any(passed[0] < row.worse * mark <= passed[1] for mark, _ in row.marks):
            return True  # it has just passed it: the account is looked at every few minutes
        return harm.mark_left_s is not None and harm.at_ms + harm.mark_left_s * 1000 - at_ms < MARK_WITHIN_MS

    def _now(self, place: str, at_ms: int) -> list[AlarmEvent]:
        return [self.ledger.presents.told(one.latest, at_ms) for one in self.ledger.state.standing(place)]


def _is_out_in_an_hour(value: float | None, slope_h: float | None, plainly_h: float, band: Band) -> bool:
    if value is None or slope_h is None or abs(slope_h) <= plainly_h:
        return False
    edge, outward = (band.low, -1.0) if slope_h < 0 else (band.high, 1.0)
    return edge is not None and outward * (value + slope_h - edge) > 0
