"""What runs out in the coming night is told in the evening before: a course that has long been flat is no news at midnight."""

from __future__ import annotations

from datetime import timedelta

from rules.telling.ledger import Ledger
from rules.telling.quiet_hours import instant_ms, local, quiet_until_ms
from rules.telling.state import Heard, Owed
from rules.terms.events import HOUR_MS
from rules.trade.alarm_kinds import ALARMS
from rules.trade.urgency import rank

BEFORE_QUIET_MS = HOUR_MS
"""So long before the quiet hours a keeper can still do something about it. Own judgement."""


def next_evening_ms(ledger: Ledger, after_ms: int) -> int | None:
    """Return the next evening at which something must be looked at that only digests have told of; None: there is none."""
    telling, zone = ledger.settings.telling, ledger.settings.zone
    if telling.quiet_begin == telling.quiet_end or not any(map(_is_mild, ledger.state.heard.values())):
        return None
    day = local(after_ms, zone).date()
    evenings = (instant_ms(day + timedelta(days=ahead), telling.quiet_begin, zone) - BEFORE_QUIET_MS for ahead in (0, 1, 2))
    return next(evening_ms for evening_ms in evenings if evening_ms > after_ms)


def look_ahead(ledger: Ledger, at_ms: int) -> None:
    """Owe at once what digests alone have told of and what does not last till the morning."""
    until_ms = quiet_until_ms(at_ms + BEFORE_QUIET_MS, ledger.settings.telling, ledger.settings.zone) or at_ms
    for key, heard in ledger.state.heard.items():
        left_s = ledger.presents.told(heard.latest, at_ms).seconds_left if _is_mild(heard) else None
        if left_s is not None and at_ms + 1000.0 * left_s < until_ms:
            ledger.state.owe(key, Owed(heard.place, "situation", "today", "now", at_ms, [heard.latest], key))


def _is_mild(heard: Heard) -> bool:
    alarm = heard.latest
    told = heard.told and rank(heard.told_priority) >= rank("today")
    stands = heard.shown and alarm.condition == "active" and not (alarm.acknowledged or told)
    return stands and ALARMS[alarm.alarm].harm in ("heat", "cold", "dryness") and rank(alarm.priority) < rank("today")
