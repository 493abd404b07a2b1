"""What the keeper's words do to the alarms; every word that concerns them is answered, taken or refused with the reason."""

from __future__ import annotations

from rules.alarms.life import AlarmLife
from rules.alarms.state import AlarmRecord, Away, Until, record_key
from rules.alarms.walk import Cue
from rules.settings import Settings
from rules.terms.events import WordEvent, rfc3339
from rules.terms.words import Acknowledge, GardenSize, OutOfService, Shelve, Unshelve, Visit, Word
from rules.terms.words import Away as AwayWord
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
    elif isinstance(word, OutOfService):
        _out_of_service(life, word)
    elif isinstance(word, Visit):
        _visit(life, word)
    elif isinstance(word, AwayWord):
        _away(life, word)
    elif isinstance(word, GardenSize):
        _garden(life, word)
    life.settle(word.taken_ms)


def _answer(life: AlarmLife, word: Word, accepted: bool, text: str, chamber: str | None = None) -> None:
    life.events.append(
        WordEvent(
            id=f"{life.origin}.word.{word.word_id}", at_ms=word.taken_ms, chamber=chamber, word=word.word, accepted=accepted,
            text=text,
        )
    )


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
    _answer(life, word, True, _taken(record, word, row.change is None), word.chamber)


def _taken(record: AlarmRecord, word: Acknowledge | Shelve | Unshelve, repeated: bool) -> str:
    if isinstance(word, Shelve):
        return f"{record.key} is shelved until {rfc3339(word.taken_ms + word.for_ms)}; a harmful level still comes through"
    if isinstance(word, Unshelve):
        return f"{record.key} is no longer shelved"
    return f"{record.key}, occurrence {record.occurrence}, {'was acknowledged before' if repeated else 'is acknowledged'}"


def _out_of_service(life: AlarmLife, word: OutOfService) -> None:
    probe = life.settings.probes.get(word.probe)
    if probe is None:
        text = f"unknown_probe: {word.probe!r} is not in the config; allowed: {', '.join(life.settings.probes)}"
        _answer(life, word, False, text)
        return
    if word.for_ms == 0:
        life.state.out_of_service.pop(word.probe, None)
        _answer(life, word, True, f"probe {word.probe} is in service", probe.place)
        return
    until_ms = word.taken_ms + word.for_ms
    life.state.out_of_service[word.probe] = Until(until_ms, word.reason)
    _answer(life, word, True, f"probe {word.probe} is out of service until {rfc3339(until_ms)}", probe.place)


def _visit(life: AlarmLife, word: Visit) -> None:
    if word.chamber not in life.settings.chambers:
        text = f"unknown_chamber: {word.chamber!r} is not in the config; allowed: {', '.join(life.settings.chambers)}"
        _answer(life, word, False, text)
        return
    if word.for_ms == 0:
        life.state.visits.pop(word.chamber, None)
        _answer(life, word, True, "the visit is over", word.chamber)
        return
    until_ms = word.taken_ms + word.for_ms
    life.state.visits[word.chamber] = Until(until_ms)
    text = f"lid and humidity are quiet until {rfc3339(until_ms)}; heat is not"
    _answer(life, word, True, text, word.chamber)


def _away(life: AlarmLife, word: AwayWord) -> None:
    old = life.state.away
    begun = old is not None and old.begun
    if word.to_ms <= word.from_ms:
        _answer(life, word, False, "away_backwards: the end must lie after the beginning")
        return
    if word.to_ms <= word.taken_ms and not begun:
        _answer(life, word, False, "away_is_over: the end lies in the past")
        return
    _answer(life, word, True, f"away from {rfc3339(word.from_ms)} to {rfc3339(word.to_ms)}")
    still = word.from_ms <= word.taken_ms < word.to_ms
    if begun and not still:
        life.say_absence(word.taken_ms, "away-ended")
    begins, ends = max(word.from_ms, word.taken_ms), word.to_ms
    life.state.away = Away(begins, ends, begun and still) if ends > word.taken_ms else None


def _garden(life: AlarmLife, word: GardenSize) -> None:
    chamber = life.settings.chambers.get(word.chamber)
    if chamber is None:
        return
    volume_ml = word.garden_ml
    if volume_ml is None and word.fill is not None and chamber.garden.basin_ml is not None:
        volume_ml = word.fill * chamber.garden.basin_ml
    if volume_ml is not None:
        life.state.gardens_ml[word.chamber] = volume_ml
