"""What of advice and of the keeper's answers to it is owed, and when: what is asked anew, what came of it, what is done."""

from __future__ import annotations

from rules.telling.ledger import Ledger
from rules.telling.pressing import ANSWERS_FOR_MS
from rules.telling.state import ASKING, Owed, Rehearsal, When, has_step
from rules.telling.table import NEXT_WITHIN_MS
from rules.terms.events import DAY_MS, HOUR_MS, AdviceEvent, WordEvent
from rules.trade.urgency import rank

WAKE_SILENT_MS = 2 * HOUR_MS
"""Longer than this nothing urgent that is not done goes without a letter, though the reminders of its alarms are used up; where
it has been no worse for a day, a letter a day is enough."""
NEXT_STEP_MS = 6 * HOUR_MS
"""Who did one step less than this ago is still at it: the next one does not wait for a digest. Own estimate."""
TRIED_FOR_MS = 12 * HOUR_MS
"""What was done longer ago than this is news when it is advised again. Own estimate."""

_TAKES_BACK = frozenset({("heater", "more"), ("vent", "close")})


def take_advice(ledger: Ledger, event: AdviceEvent) -> None:
    """Work what has become of an advisory into what is known and owed."""
    chamber = event.chamber or "site"
    ledger.state.still_changed.pop(chamber, None)
    ledger.state.still_changed |= {chamber: list(event.still_changed)} if event.still_changed else {}
    if event.status in ASKING:
        ledger.state.advice[chamber] = event
        _advise(ledger, chamber, event)
    elif event.status in ("resolved", "withdrawn"):
        ledger.state.advice.pop(chamber, None)
        _advice_over(ledger, chamber, event)
    else:
        _verified(ledger, chamber, event)


def _verified(ledger: Ledger, chamber: str, event: AdviceEvent) -> None:
    """What was done has been judged: that advisory is over, and the next letter says what came of it."""
    ledger.state.line(event)
    ledger.state.verified[ledger.state.home(chamber)] = event
    ledger.state.advice.pop(chamber, None)
    _tried(ledger, ledger.state.advice_sent.pop(chamber, None), event.at_ms)
    ledger.state.owed.pop(f"advice/{chamber}", None)


def _tried(ledger: Ledger, sent: AdviceEvent | None, at_ms: int) -> None:
    """Keep the steps of advice that was told and done: advised again soon they are no news."""
    state = ledger.state
    state.tried_ms = {step: tried_ms for step, tried_ms in state.tried_ms.items() if at_ms - tried_ms < TRIED_FOR_MS}
    if sent is not None:
        state.tried_ms |= {f"{sent.chamber}/{action.text}": at_ms for action in sent.actions}


def _advise(ledger: Ledger, chamber: str, event: AdviceEvent) -> None:
    key, place = f"advice/{chamber}", ledger.state.home(chamber)
    when = _advice_when(ledger, place, event)
    thread = ledger.state.threads.get(f"situation.{place}")
    owed = ledger.state.owed.get(key)
    if event.status == "reminded" and ledger.state.is_sent(event):
        alone = not ledger.state.standing(place)
        last_ms = None if thread is None else thread.told_ms
        old = thread is not None and thread.news_ms is not None and event.at_ms - thread.news_ms >= DAY_MS
        silent_ms = 0 if last_ms is None else event.at_ms - last_ms
        silent = event.urgency == "wake" and silent_ms >= (DAY_MS if old else WAKE_SILENT_MS)
        if when != "digest" and (alone or silent):
            ledger.state.owe(key, Owed(place, "reminder", event.urgency, when, event.at_ms, [event]))
    elif ledger.state.is_sent(event):
        if owed is not None and owed.sort == "situation":
            del ledger.state.owed[key]  # it is again what the last letter said
    elif owed is not None and owed.sort == "situation" and rank(event.urgency) <= rank(owed.priority):
        owed.about = [event]
    else:
        news = Owed(place, "situation", event.urgency, when, event.at_ms, [event])
        next_ms = ledger.evening_ms(event.at_ms + NEXT_WITHIN_MS)
        if when == "now" and event.at_ms < next_ms and ledger.state.is_repeat(news):
            news.when, news.again_ms = "next", next_ms
        ledger.state.owe(key, news)


def _advice_when(ledger: Ledger, place: str, event: AdviceEvent) -> When:
    """Return when advice is told: the first to an alarm of the place as soon as that alarm would be, another one later, and
    the next step while the keeper is at it."""
    if event.at_ms - ledger.state.looked_ms.get(event.chamber or "", -ANSWERS_FOR_MS) < ANSWERS_FOR_MS:
        return "now"
    thread = ledger.state.threads.get(f"situation.{place}")
    done_ms = None if thread is None or not thread.open else thread.done_ms
    if done_ms is not None and event.at_ms - done_ms < NEXT_STEP_MS and has_step(event):
        return ledger.when("wake" if event.urgency == "wake" else "today", event.at_ms)
    first = (event.chamber or "site") not in ledger.state.advice_sent or thread is None or not thread.open
    pressing = [
        one.latest for one in ledger.state.heard.values()
        if one.place == place and one.shown and one.open and one.latest.priority == "today"
    ]
    if event.urgency == "today" and first and any(ledger.when_of(alarm, event.at_ms) == "now" for alarm in pressing):
        return "now"
    return ledger.when(event.urgency, event.at_ms)


def _advice_over(ledger: Ledger, chamber: str, event: AdviceEvent) -> None:
    unsent, place = ledger.state.owed.pop(f"advice/{chamber}", None), ledger.state.home(chamber)
    sent = ledger.state.advice_sent.pop(chamber, None)
    if event.status == "withdrawn" and ledger.state.said_done.get(chamber) == event.advisory:
        _tried(ledger, sent, event.at_ms)  # another look was asked for before it could be judged
    if sent is None:
        if unsent is not None:
            ledger.state.line(event)
        return
    thread = ledger.state.threads.get(f"situation.{place}")
    alone = thread is not None and thread.open and not ledger.state.standing(place)
    when = ledger.when("today", event.at_ms) if alone else "digest"
    ledger.state.owe(f"advice/{chamber}", Owed(place, "all-clear", "today", when, event.at_ms, [event]))


def take_word(ledger: Ledger, event: WordEvent) -> None:
    """What was advised is done: that is an answer, though the alarm stands until its figure is right."""
    if event.word == "lid-seen" and event.accepted and event.chamber is not None:
        ledger.state.looked_ms[event.chamber] = event.at_ms
    place, chamber = ledger.state.home(event.chamber), event.chamber or "site"
    thread = ledger.state.threads.get(f"situation.{place}")
    if event.word == "rehearse" and event.accepted:
        ledger.state.rehearsal = Rehearsal(event.at_ms)
    if event.word == "advice-done" and event.accepted and not event.asks_still:
        stands = ledger.state.advice.get(chamber)
        if stands is not None and _TAKES_BACK.intersection((one.device, one.change) for one in stands.actions):
            ledger.state.still_changed.pop(chamber, None)  # what is so yet is said once it is judged
        if stands is None or ledger.state.said_done.get(chamber) != stands.advisory:
            ledger.state.said_done[chamber] = event.advisory  # an older one that is said afterwards takes nothing back
        ledger.state.drop_done(chamber, event.advisory)
        if ledger.state.asked(place):
            return  # of another box, or newer than what was done: that is still to be answered
        ledger.state.owed.pop(f"remind/{place}", None)
        if thread is not None:
            thread.answered_ms = thread.done_ms = event.at_ms
            thread.called_ms = None
    elif event.takes_back == "advice-done" and event.accepted:
        ledger.state.said_done.pop(chamber, None)
        if thread is not None:
            thread.answered_ms = thread.done_ms = None
