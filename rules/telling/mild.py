"""What is mild and only digests tell of: in the evening what does not last through the night, or can be ended before it, and by
day what has lasted for hours while something can be done about it that no letter has said."""

from __future__ import annotations

from collections import defaultdict
from datetime import timedelta

from rules.telling.ledger import BEFORE_QUIET_MS, Ledger
from rules.telling.quiet_hours import local, quiet_until_ms
from rules.telling.state import Heard, Owed
from rules.terms.events import HOUR_MS, MINUTE_MS, AdviceEvent
from rules.terms.local_time import instant_ms
from rules.trade.alarm_kinds import ALARMS
from rules.trade.bearable import BEARABLE
from rules.trade.urgency import rank

LASTS_MS = 3 * HOUR_MS
"""What is mild for so long does not go by itself; with a digest nearer than this it goes with that. Own judgement."""
NEXT_AFTER_MS = 6 * HOUR_MS
"""So long after a letter of its place it is worth another one, not for each change of the advice. Own judgement."""
EACH_MS = 30 * MINUTE_MS
"""So often it is looked at. Bookkeeping."""


def next_evening_ms(ledger: Ledger, after_ms: int) -> int | None:
    """Return the next evening at which something must be looked at that only digests have told of; None: there is none."""
    telling, zone = ledger.settings.telling, ledger.settings.zone
    if telling.quiet_begin == telling.quiet_end or not (any(map(_is_untold, ledger.state.heard.values())) or _advised(ledger)):
        return None
    day = local(after_ms, zone).date()
    evenings = (instant_ms(day + timedelta(days=ahead), telling.quiet_begin, zone) - BEFORE_QUIET_MS for ahead in (0, 1, 2))
    return next(evening_ms for evening_ms in evenings if evening_ms > after_ms)


def look_ahead(ledger: Ledger, at_ms: int) -> None:
    """Owe at once what digests alone have told of and what does not last till the morning, and what is advised about the rest:
    till the next digest it would be out of its band for a night."""
    until_ms = quiet_until_ms(at_ms + BEFORE_QUIET_MS, ledger.settings.telling, ledger.settings.zone) or at_ms
    for key, heard in ledger.state.heard.items():
        left_s = ledger.presents.told(heard.latest, at_ms).seconds_left if _is_untold(heard) else None
        if left_s is not None and at_ms + 1000.0 * left_s < until_ms:
            ledger.state.owe(key, Owed(heard.place, "situation", "today", "now", at_ms, [heard.latest], key))
    for owed, mild in _advised(ledger):
        if any(_stays_out(ledger, heard, at_ms, EACH_MS, wipes=_wipes(owed)) for heard in mild):
            _hasten(ledger, owed, at_ms)


def next_look_ms(ledger: Ledger, after_ms: int) -> int | None:
    """Return when what is mild is looked at again; None: nothing is advised about any of it that waits for the digest."""
    lasts_ms = [(one.latest.since_ms or after_ms) + LASTS_MS for _, mild in _advised(ledger) for one in mild]
    return None if not lasts_ms else -(-max(after_ms + 1, min(lasts_ms)) // EACH_MS) * EACH_MS


def look(ledger: Ledger, at_ms: int) -> None:
    """Owe at once, by day, what is advised about something mild that has lasted and does not come back."""
    if ledger.quiet_until_ms(at_ms) is not None or ledger.next_digest_ms() - at_ms < LASTS_MS:
        return
    for owed, mild in _advised(ledger):
        thread = ledger.state.threads.get(f"situation.{owed.place}")
        told_ms = None if thread is None else thread.told_ms
        if told_ms is not None and at_ms - told_ms < NEXT_AFTER_MS:
            continue
        if any(_stays_out(ledger, heard, at_ms, LASTS_MS, wipes=_wipes(owed)) for heard in mild):
            _hasten(ledger, owed, at_ms)


def _hasten(ledger: Ledger, owed: Owed, at_ms: int) -> None:
    owed.when, owed.priority = "now", "today"
    ledger.state.owe_now(at_ms)


def _advised(ledger: Ledger) -> list[tuple[Owed, list[Heard]]]:
    """Return each advice that waits for the digest, and what is mild in its chamber."""
    waiting = {key: owed for key, owed in ledger.state.owed.items() if owed.when == "digest" and key.startswith("advice/")}
    mild: dict[str, list[Heard]] = defaultdict(list)
    for heard in ledger.state.heard.values() if waiting else ():
        if _is_mild(heard):
            mild[f"advice/{heard.latest.chamber}"].append(heard)
    return [(owed, mild[key]) for key, owed in waiting.items() if key in mild]


def _wipes(owed: Owed) -> bool:
    """Whether what is owed asks to wipe the lid."""
    actions = [action for event in owed.about if isinstance(event, AdviceEvent) for action in event.actions]
    return any((action.device, action.change) == ("lid", "wipe") for action in actions)


def _stays_out(ledger: Ledger, heard: Heard, at_ms: int, lasts_ms: int, *, wipes: bool) -> bool:
    """Whether it has lasted for so long, its figure is further out than a probe may be wrong, and not on its way back. Of a wet
    lid, and of air so humid that its lid is to be wiped, it is enough that it lasts: the film only grows."""
    alarm, kind = ledger.presents.told(heard.latest, at_ms), ALARMS[heard.latest.alarm].harm
    now = ledger.presents.figures(alarm.chamber or "", at_ms)
    if now is None or alarm.since_ms is None or at_ms - alarm.since_ms < lasts_ms:
        return False
    if kind is None or kind == "water":
        return kind is not None or wipes
    if alarm.value is None or alarm.limit is None:
        return False
    slope_h = now.humidity_slope_pct_h if kind == "dryness" else now.temperature_slope_k_h
    back = BEARABLE[kind].worse * (slope_h or 0.0) < -BEARABLE[kind].noise_h
    return not back and not BEARABLE[kind].is_unsure(alarm.value, alarm.limit)


def _is_mild(heard: Heard) -> bool:
    alarm = heard.latest
    stands = heard.shown and alarm.condition == "active" and not alarm.acknowledged
    return stands and ALARMS[alarm.alarm].answered == "climate" and rank(alarm.priority) < rank("today")


def _is_untold(heard: Heard) -> bool:
    harms = ALARMS[heard.latest.alarm].harm is not None
    return harms and _is_mild(heard) and not (heard.told and rank(heard.told_priority) >= rank("today"))
