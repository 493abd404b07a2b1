"""From the word of an answer by mail to the keeper's words, and from what the rules say to them to the letter that confirms."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from adapters.answers.reading import Said
from adapters.wording.letter import message_of_letter
from rules.advice.done import wordings
from rules.alarms.state import record_key
from rules.alarms.walk import as_event
from rules.climate.course import Presents
from rules.settings import Settings
from rules.telling.state import ASKING
from rules.terms.events import AdviceEvent, AlarmEvent, CareEvent, LetterEvent, News, SystemEvent, WordEvent
from rules.turn.state import EngineState

_ROUND_UPS = ("digest", "system")
"""Letters that ask for nothing by themselves: of them only what stands is seen or quiet."""


def words_of(word: Said, letter: LetterEvent, now_ms: int) -> list[dict[str, Any]]:
    """Return what an answer to a letter says to the rules, about all that the letter tells of."""
    alarms = [event for event in letter.about if isinstance(event, AlarmEvent) and event.open]
    about = [{"chamber": one.chamber, "alarm": one.alarm, "probe": one.probe or one.medium} for one in alarms]
    if word.verb == "seen":
        pairs = zip(about, alarms, strict=True)
        return [{"word": "acknowledge", **each, "occurrence": alarm.occurrence} for each, alarm in pairs]
    if word.verb == "quiet":
        return [{"word": "shelve", **each, "for_ms": word.for_ms} for each in about]
    if word.verb == "how" or letter.sort in _ROUND_UPS:
        return []
    return [said for event in letter.about if (said := _done(event, now_ms)) is not None]


def _done(event: News, now_ms: int) -> dict[str, Any] | None:
    if isinstance(event, AdviceEvent) and event.status in ASKING:
        return {"word": "advice-done", "advisory": event.name}
    if isinstance(event, CareEvent) and event.status not in ("done", "told"):
        return {"word": "care-done", "chamber": event.chamber, "task": event.task, "at_ms": now_ms}
    return None


def answer_letter(
    settings: Settings, state: EngineState, now_ms: int, *, name: str, asked: LetterEvent, told: Sequence[WordEvent],
    text: str, how: bool,
) -> LetterEvent:
    """Return the letter to whoever answered: what was taken, how it is now, and what of that letter still stands.

    It may be answered again, about the same: its `about` holds that.
    """
    ident = f"{state.origin}.answer.{name}.{now_ms}"
    note = SystemEvent(id=f"{ident}.note", at_ms=now_ms, chamber=None, what="answered", text=text)
    about: list[News] = [*([note] if text else []), *told, *_standing(state, asked, now_ms)]
    chambers = {event.chamber for event in about if event.chamber} | {figures.chamber for figures in asked.present}
    presents = Presents(state.places)
    wanted = [chamber for chamber in settings.chambers if not chambers or chamber in chambers]
    present = (presents.figures(chamber, now_ms) for chamber in wanted)
    return LetterEvent(
        id=ident, at_ms=now_ms, chamber=asked.chamber, sort="answer", ordinal=1, to=asked.to, urgent=False, about=tuple(about),
        thread=f"{'how' if how else 'answer'}.{message_of_letter(asked)}",
        present=tuple(one for one in present if one is not None),
    )  # fmt: skip


def _standing(state: EngineState, asked: LetterEvent, now_ms: int) -> Iterator[News]:
    """Yield what the letter told of and what of it is so still, as it is now."""
    presents = Presents(state.places)
    for event in asked.about:
        if isinstance(event, AlarmEvent):
            record = state.alarms.records.get(record_key(event.chamber, event.alarm, event.probe, event.medium))
            if record is not None and record.open and record.occurrence == event.occurrence:
                yield presents.told(as_event(record, "standing", record.since_ms or now_ms, state.origin), now_ms)
        elif isinstance(event, AdviceEvent) and event.chamber in state.advice:
            told = {one.name for item, one in wordings(state.advice[event.chamber]) if item.done_ms is None}
            if event.name in told:
                yield event
