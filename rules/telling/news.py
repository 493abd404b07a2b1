"""What news is for a letter: which letter it belongs into, what comes before what, and what is over."""

from __future__ import annotations

from rules.telling.state import Owed
from rules.terms.events import AdviceEvent, AlarmEvent, CareEvent, News
from rules.trade.alarm_kinds import ALARMS
from rules.trade.urgency import PRIORITIES

_ALARM_ORDER = {alarm: place for place, alarm in enumerate(ALARMS)}
_OVER = ("returned", "closed", "unknown", "latched")


def is_as_bad(told: AlarmEvent, alarm: AlarmEvent) -> bool:
    """Whether an alarm that was told says as much as another one of the same harm."""
    harm = ALARMS[alarm.alarm].harm
    if ALARMS[told.alarm].harm != harm or (alarm.level == "harmful" and told.level != "harmful"):
        return False
    if alarm.worse == "time":
        return (told.seconds_left or 0.0) <= (alarm.seconds_left or 0.0)
    return alarm.worse != "mark"


def class_of(owed: Owed) -> str:
    """Return which letter news belongs into: the stand-in's, the routine's, the one about the watching, or the situation's."""
    if is_handed_over(owed):
        return "stand-in"
    if owed.about and all(isinstance(event, AlarmEvent) and event.kind == "question" for event in owed.about):
        return "question"  # what only a look can tell is asked by the digest, and stands in no letter of what is wrong
    return owed.sort if owed.sort in ("care", "system") else "situation"


def is_handed_over(owed: Owed) -> bool:
    """Whether this is the checklist, which goes to the stand-in before the keeper has left."""
    return any(isinstance(event, CareEvent) and event.task == "away" for event in owed.about)


def importance(event: News) -> tuple[int, int, int, int, str]:
    """Alarms that stand first, the most urgent of them at the head, then the advice, then what is over."""
    over = is_over(event)
    if isinstance(event, AlarmEvent):
        place = _ALARM_ORDER.get(event.alarm, 99)
        return (1 if over else 0, -PRIORITIES.index(event.priority), -(event.level == "harmful"), place, event.id)
    urgency = event.urgency if isinstance(event, AdviceEvent) else event.priority if isinstance(event, CareEvent) else "digest"
    return (3 if over else 2, -PRIORITIES.index(urgency), 0, 99, event.id)


def leads(event: News, news: News) -> bool:
    """Return whether this does harm now, and is no less urgent than the first of the news: then it stands before that."""
    return _harms(event) and importance(event)[:3] <= importance(news)[:3]


def kills(event: News) -> bool:
    """Return whether this is heat or cold that kills now: it leads each letter, and none about it can wait."""
    return isinstance(event, AlarmEvent) and calls(event) and ALARMS[event.alarm].harm in ("heat", "cold")


def calls(event: News) -> bool:
    """Return whether this does harm now that cannot wait: a digest over it is urgent."""
    return isinstance(event, AlarmEvent) and _harms(event) and event.priority == "wake"


def _harms(event: News) -> bool:
    return isinstance(event, AlarmEvent) and (event.condition, event.level) == ("active", "harmful")


def is_over(event: News) -> bool:
    """Return whether an alarm or an advisory has ended with this."""
    return (isinstance(event, AlarmEvent) and event.change in _OVER) or (isinstance(event, AdviceEvent) and event.over)
