"""One cause of several boxes in a room is told once, not by box."""

from __future__ import annotations

from rules.telling.ledger import Ledger
from rules.telling.news import is_as_bad
from rules.telling.state import Owed
from rules.terms.events import AlarmEvent
from rules.trade.urgency import rank


def is_one_more_box(ledger: Ledger, owed: Owed) -> bool:
    """Return whether it only says of one more box of a room what was told of another one.

    That a box has crossed a mark is told of each one.
    """
    alarms = [event for event in owed.about if isinstance(event, AlarmEvent) and event.open]
    in_room = owed.place in ledger.settings.rooms and len(alarms) == len(owed.about)
    return in_room and all(_was_told_of_another(ledger, alarm, owed.place) for alarm in alarms)


def _was_told_of_another(ledger: Ledger, alarm: AlarmEvent, place: str) -> bool:
    """Whether another box of the room, or another alarm of this one, was told to be as bad, with no more time left."""
    mine = (alarm.chamber, alarm.alarm)
    return any(
        heard.place == place and heard.told and heard.open and (heard.latest.chamber, heard.latest.alarm) != mine
        and rank(heard.told_priority) >= rank(alarm.priority) and is_as_bad(heard.latest, alarm)
        for heard in ledger.state.heard.values()
    )
