"""What the rules of telling work with, and when something new goes out: at once, after the quiet hours, or with the digest."""

from __future__ import annotations

from dataclasses import dataclass

from rules.climate.course import Presents
from rules.settings import Settings
from rules.telling.quiet_hours import quiet_until_ms
from rules.telling.state import TellingState, When
from rules.terms.events import AlarmEvent, Priority
from rules.trade.alarm_kinds import ALARMS


@dataclass(frozen=True, slots=True)
class Ledger:
    """The state that one call of `tell` works into, with the settings and what is believed of the chambers."""

    settings: Settings
    state: TellingState
    presents: Presents

    def quiet_until_ms(self, at_ms: int) -> int | None:
        """Return when the quiet hours end that an instant lies in; None: it lies in none."""
        return quiet_until_ms(at_ms, self.settings.telling, self.settings.zone)

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
        left_s = (alarm.seconds_left or 0.0) - (at_ms - alarm.at_ms) / 1000
        # Where all is used up already nothing is lost by the morning; what is lethal wakes by its priority.
        return "now" if left_s > 0.0 and at_ms + left_s * 1000 < until_ms else "awake"
