"""What the keeper's words do to the alarms; every word that concerns them is answered, taken or refused with the reason."""

from __future__ import annotations

from rules.alarms.life import AlarmLife
from rules.alarms.state import AlarmRecord, record_key
from rules.alarms.walk import Cue
from rules.keeper.refusal import answer
from rules.settings import Settings
from rules.terms.events import rfc3339
from rules.terms.words import Acknowledge, Shelve, TakeBack, Unshelve, Word
from rules.trade.alarm_kinds import ALARMS

_REFUSALS = {
    "nothing_to_acknowledge": "this alarm neither stands nor is latched",
    "harmful_is_not_shelved": "its level is harmful now; acknowledge it to stop the reminders",
    "not_shelved": "this alarm is not shelved",
}


def hear(life: AlarmLife, word: Word) -> None:
    """Carry out one word; words that do not concern alarms are left to others without an answer."""
    if isinstance(word, Acknowledge | Shelve | Unshelve):
        _about_an_alarm(life, word)
        life.settle(word.taken_ms)
    elif isinstance(word, TakeBack):
        _take_back(life, word)
        life.settle(word.taken_ms)


def _take_back(life: AlarmLife, word: TakeBack) -> None:
    """Let an alarm be as unseen or as loud as if the word had not been said; the keeper's room answers."""
    for key in sorted(life.state.records):
        record = life.state.records[key]
        if record.open and record.acknowledged and record.seen_by == word.said:
            life.act(record, Cue(word.taken_ms, "unacknowledge"), f"by {word.by}")
        if record.shelf_until_ms is not None and record.shelved_by == word.said:
            life.act(record, Cue(word.taken_ms, "unshelve"), f"by {word.by}")


def _answer(life: AlarmLife, word: Word, accepted: bool, text: str, chamber: str | None = None) -> None:
    life.events.append(answer(life.origin, word, accepted, text, chamber))


def _unknown(settings: Settings, word: Acknowledge | Shelve | Unshelve) -> str:
    if word.alarm not in ALARMS:
        return f"unknown_alarm: {word.alarm!r} is no alarm; allowed: {', '.join(ALARMS)}"
    if word.chamber is not None and word.chamber not in settings.chambers and word.chamber not in settings.rooms:
        allowed = ", ".join([*settings.chambers, *settings.rooms])
        return f"unknown_chamber: {word.chamber!r} is not in the config; allowed: {allowed}"
    if ALARMS[word.alarm].subject in ("probe", "medium") and word.probe is None:
        return f"which_one: {word.alarm!r} is about one probe or line; name it"
    if ALARMS[word.alarm].subject == "probe" and word.probe not in settings.probes:
        return f"unknown_probe: {word.probe!r} is not in the config; allowed: {', '.join(settings.probes)}"
    return ""


def _never_heard_of(life: AlarmLife, word: Acknowledge | Shelve | Unshelve) -> str:
    if record_key(word.chamber, word.alarm, word.probe) in life.state.records:
        return ""
    if isinstance(word, Shelve) and ALARMS[word.alarm].subject != "medium":
        return ""
    code = {"acknowledge": "nothing_to_acknowledge", "unshelve": "not_shelved"}.get(word.word, "unknown_line")
    return f"{code}: this alarm has never stood"


def _about_an_alarm(life: AlarmLife, word: Acknowledge | Shelve | Unshelve) -> None:
    trouble = _unknown(life.settings, word) or _never_heard_of(life, word)
    if trouble:
        _answer(life, word, False, trouble, word.chamber)
        return
    record = life.record(word.chamber, word.alarm, word.probe)
    if isinstance(word, Acknowledge) and word.occurrence is not None and word.occurrence != record.occurrence:
        text = f"stale_ack: occurrence {word.occurrence} of {record.key} is not the present one ({record.occurrence})"
        _answer(life, word, False, text, word.chamber)
        return
    cue = Cue(word.taken_ms, word.word, shelf_for_ms=word.for_ms if isinstance(word, Shelve) else 0)
    row = life.act(record, cue, f"by {word.by}")
    if row is None or row.refusal:
        code = "" if row is None else row.refusal
        _answer(life, word, False, f"{code}: {_REFUSALS.get(code, 'it cannot be done now')} ({record.key})", word.chamber)
        return
    if "acknowledge" in row.effects:
        record.seen_by = word.word_id
    elif "shelve" in row.effects:
        record.shelved_by = word.word_id
    _answer(life, word, True, _taken(record, word, row.change is None), word.chamber)


def _taken(record: AlarmRecord, word: Acknowledge | Shelve | Unshelve, repeated: bool) -> str:
    if isinstance(word, Shelve):
        return f"{record.key} is shelved until {rfc3339(word.taken_ms + word.for_ms)}; a harmful level still comes through"
    if isinstance(word, Unshelve):
        return f"{record.key} is no longer shelved"
    return f"{record.key}, occurrence {record.occurrence}, {'was acknowledged before' if repeated else 'is acknowledged'}"
