"""What the rules of telling work with, and when something new goes out: at once, after the quiet hours, or with the digest."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from rules.climate.course import Presents
from rules.settings import Settings
from rules.telling.quiet_hours import quiet_ms, quiet_until_ms
from rules.telling.state import TellingState, When
from rules.terms.events import HOUR_MS, MINUTE_MS, AlarmEvent, Priority
from rules.terms.local_time import instant_ms
from rules.trade.alarm_kinds import ALARMS
from rules.trade.bearable import BEARABLE

BEFORE_QUIET_MS = HOUR_MS
"""So long before the quiet hours a keeper can still do something about what does not wait for the morning. Own judgement."""
DIP_FOR_MS = 10 * MINUTE_MS
"""After this, beyond the delay of its alarm, air that a visit has let in is on its way back. Own estimate."""


@dataclass(frozen=True, slots=True)
class Ledger:
    """The state that one call of `tell` works into, with the settings and what is believed of the chambers."""

    settings: Settings
    state: TellingState
    presents: Presents

    def quiet_until_ms(self, at_ms: int) -> int | None:
        """Return when the quiet hours end that an instant lies in; None: it lies in none."""
        return quiet_until_ms(at_ms, self.settings.telling, self.settings.zone)

    def evening_ms(self, at_ms: int) -> int:
        """Return the instant itself, or if it lies in the quiet hours the last hour before them."""
        hours = quiet_ms(at_ms, self.settings.telling, self.settings.zone)
        return at_ms if hours is None else hours[0] - BEFORE_QUIET_MS

    def next_digest_ms(self) -> int:
        """Return the digest hour of the next local date that had none."""
        day = date.fromisoformat(self.state.round_date) + timedelta(days=1)
        return instant_ms(day, self.settings.telling.digest_at, self.settings.zone)

    def when(self, priority: Priority, at_ms: int) -> When:
        """Return when something of this priority goes out that came up at an instant."""
        if priority == "wake":
            return "now"
        if priority != "today":
            return "digest"
        return "now" if self.quiet_until_ms(at_ms) is None else "awake"

    def when_of(self, alarm: AlarmEvent, at_ms: int) -> When:
        """Return when an alarm is told at an instant: at night also what does not last till the morning."""
        until_ms, found = self.quiet_until_ms(at_ms), self.when(alarm.priority, at_ms)
        if found != "awake" or until_ms is None or not ALARMS[alarm.alarm].wakes_at_night:
            return found
        if alarm.level == "harmful" and self._goes_on(alarm, at_ms) and self._thinks_it_is_right(alarm, until_ms):
            return "now"
        return "awake" if self._lasts(self.presents.told(alarm, at_ms), at_ms, until_ms) else "now"

    def _thinks_it_is_right(self, alarm: AlarmEvent, until_ms: int) -> bool:
        """Whether the keeper did in this very night what a letter asked for, or does not know that something else is advised
        since, and it does harm all the same: who thinks that it is right again sleeps on."""
        heard = self.state.of(alarm)
        if heard is not None and heard.told and not all(map(self.state.is_sent, self.state.asked(heard.place))):
            return True
        thread = None if heard is None else self.state.threads.get(f"situation.{heard.place}")
        done_ms = None if thread is None else thread.done_ms
        return done_ms is not None and self.quiet_until_ms(done_ms) == until_ms

    def _lasts(self, alarm: AlarmEvent, at_ms: int, until_ms: int) -> bool:
        """Whether it passes no mark by then, and something is left, or nothing was to lose any more.

        Where all is used up already nothing is lost by the morning; what is lethal wakes by its priority. What lies within a
        probe's own uncertainty lasts, unless it is on its way; so does air that a visit may have let in.
        """
        kind, value, limit = ALARMS[alarm.alarm], alarm.value, alarm.limit
        dip = alarm.since_ms is not None and at_ms - alarm.since_ms < DIP_FOR_MS
        if not dip and self._passes_mark(alarm, at_ms, until_ms):
            return False
        if kind.harm is not None and value is not None and limit is not None and BEARABLE[kind.harm].is_unsure(value, limit):
            return True
        left_ms = 1000.0 * (alarm.seconds_left or 0.0) - (at_ms - (alarm.judged_ms or alarm.at_ms))
        return left_ms <= 0.0 or at_ms + left_ms >= until_ms or (dip and kind.quiet_on_visit)

    def _passes_mark(self, alarm: AlarmEvent, at_ms: int, until_ms: int) -> bool:
        """Whether heat or cold goes on to a mark by then, and is not on its way back."""
        kind, harms = ALARMS[alarm.alarm].harm, self.presents.harms(alarm.chamber or "", at_ms)
        if kind is None or kind not in harms or not self._goes_on(alarm, at_ms):
            return False
        mark_left_s = harms[kind].mark_left_s
        return mark_left_s is not None and harms[kind].at_ms + mark_left_s * 1000 < until_ms

    def _goes_on(self, alarm: AlarmEvent, at_ms: int) -> bool:
        """Whether it is heat or cold that gets worse, by more than noise."""
        kind, figures = ALARMS[alarm.alarm].harm, self.presents.figures(alarm.chamber or "", at_ms)
        slope_k_h = None if figures is None else figures.temperature_slope_k_h
        if kind not in ("heat", "cold") or slope_k_h is None:
            return False
        return BEARABLE[kind].worse * slope_k_h > BEARABLE[kind].noise_h

    def look_again(self, at_ms: int) -> None:
        """Tell now what waits for the morning and does not last till then, itself or in a box that is hidden behind it."""
        waiting = {key: owed.place for key, owed in self.state.owed.items() if owed.when == "awake" and owed.alarm}
        places = set(waiting.values())
        short = {
            (one.place, ALARMS[one.latest.alarm].harm) for one in self.state.heard.values()
            if one.place in places and one.open and not one.told and one.latest.suppression in ("none", "by-design")
            and self.when_of(one.latest, at_ms) == "now"
        }  # fmt: skip
        for key, place in waiting.items():
            owed = self.state.owed[key]
            if (place, ALARMS[self.state.heard[owed.alarm].latest.alarm].harm) in short:
                owed.when = "now"
                self.state.owe_now(at_ms)
