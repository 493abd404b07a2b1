"""From a letter event to the letter: subject, plain text, simple HTML, and the ids that hold a thread
together.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

from adapters.wording.alarm_sentences import label, title_of
from adapters.wording.answer import answer, answer_subject
from adapters.wording.care_answers import TITLES
from adapters.wording.figures import Style, ascii_only, clean
from adapters.wording.rehearsal import rehearsal
from adapters.wording.round_up import SYSTEM_TITLES, begun, care, digest, summary, system
from adapters.wording.sections import Section, as_html, as_text, points, section, text
from adapters.wording.short_steps import short_of
from adapters.wording.situation import all_clear, of_kind, shown, situation, standing_advice
from rules.settings import Settings
from rules.telling.news import calls
from rules.telling.telling import REHEARSED
from rules.terms.events import AdviceEvent, AlarmEvent, CareEvent, LetterEvent, News, SystemEvent

FIRST_ORDINAL = 1
"""The number of the first letter of a thread."""
THREADED = ("situation", "escalation", "reminder", "all-clear")
"""Letters about one situation stand together; others stand alone, or a digest would hide below an old one."""
LAST_WORDS = "It only advises."
"""With these each letter ends: below them an answer may stand."""
LONGEST_SUBJECT = 60


@dataclass(frozen=True, slots=True)
class Letter:
    """What is mailed. `message` and `thread` are the left sides of Message-IDs; `thread` is None in the
    first of its thread.
    """

    subject: str
    text: str
    html: str
    message: str
    thread: str | None
    at_ms: int


def compose(
    event: LetterEvent, settings: Settings, figures: Sequence[str] = (), picture: str = "", *, answerable: bool = False
) -> Letter:
    """Return the letter of a letter event. The same event always gives the same letter.

    `figures`: the period in sentences, `picture`: the element that shows them; both only add to what the event says.
    `answerable`: answers to it are read.
    """
    style = Style(settings.site.temperature_unit, settings.zone)
    subject = subject_of(event, settings)
    phone = [_ANSWERABLE] if answerable else []
    sections = [*_with_figures(_body(event, settings, style), figures), *phone, _foot(event, settings, style)]
    return Letter(
        subject=subject,
        text=as_text(sections),
        html=as_html(subject, sections, picture),
        message=message_of_letter(event),
        thread=_thread_of(event),
        at_ms=event.at_ms,
    )


def message_of_letter(event: LetterEvent) -> str:
    """Return the left side of a letter's Message-ID."""
    return _root(event) if event.ordinal <= FIRST_ORDINAL and event.sort in THREADED else _digest_of(event.id)


def _thread_of(event: LetterEvent) -> str | None:
    if event.sort == "answer":
        return event.thread.rpartition(".")[2]  # the letter that was answered
    return _root(event) if event.ordinal > FIRST_ORDINAL and event.sort in THREADED else None


def _root(event: LetterEvent) -> str:
    """Return the name of a thread: another store uses the thread's own again, the letter's id but for its number does not."""
    return _digest_of(event.id.removesuffix(f".{event.ordinal}"))


_ANSWERABLE = Section(
    "From your telephone",
    (
        text(
            "Answer this letter with one word in the first line: done (you did it), seen (no more reminders), quiet 4h (not"
            " told for so long; harm still is) or how (how it is now). It counts for all that this letter tells of."
        ),
    ),
)


def _with_figures(sections: list[Section], figures: Sequence[str]) -> list[Section]:
    """Put the figures where they are looked for: before the section that explains the letter itself."""
    told = section("In figures", points([clean(line, 600) for line in figures]))
    return sections if told is None else [*sections[:-1], told, *sections[-1:]]


def _digest_of(name: str) -> str:
    return hashlib.sha256(name.encode()).hexdigest()[:24]


def _body(event: LetterEvent, settings: Settings, style: Style) -> list[Section]:
    sort = event.sort
    if sort == "all-clear":
        return all_clear(event, settings, style)
    if sort == "summary":
        return summary(event, settings, style)
    if sort == "digest":
        return digest(event, settings, style)
    if sort == "care":
        return care(event, settings, style)
    if sort == "answer":
        return answer(event, settings, style)
    if sort == "rehearsal":
        return rehearsal(event)
    if sort == "system" or not of_kind(event.about, AlarmEvent) + of_kind(event.about, AdviceEvent):
        return system(event, settings, style)
    return situation(event, settings, style)


def _foot(event: LetterEvent, settings: Settings, style: Style) -> Section:
    return Section("", (text(f"dewlid at {clean(settings.site.name, 60)}, {style.clock(event.at_ms)}. {LAST_WORDS}"),))


def subject_of(event: LetterEvent, settings: Settings) -> str:
    """Return a short ASCII subject with the most important word first."""
    said = _subject(event, settings)
    if event.urgent and event.sort != "all-clear":
        said = f"URGENT: {said[0].lower()}{said[1:]}"
    said = ascii_only(clean(said, 200), "dewlid")
    return said if len(said) <= LONGEST_SUBJECT else _cut(said)


def _cut(said: str) -> str:
    """Return as many whole words as a subject holds; a word that would take half of it away is cut itself."""
    words = said[: LONGEST_SUBJECT - 2].rpartition(" ")[0].rstrip(" ,:")
    return f"{words if 2 * len(words) > LONGEST_SUBJECT else said[: LONGEST_SUBJECT - 3].rstrip()}..."


def _subject(event: LetterEvent, settings: Settings) -> str:
    sort, about = event.sort, event.about
    place = ascii_only(title_of(settings, event.chamber), event.chamber or "site")
    what = _what(about)
    if sort == "digest":
        return _digest_subject(event, settings)
    if sort == "summary":
        return f"Several at once ({len(about)}): {place}"
    if sort == "rehearsal":
        return f"Rehearsal {event.ordinal % len(REHEARSED) or len(REHEARSED)} of {len(REHEARSED)}, nothing is wrong"
    if sort == "answer":
        return f"{answer_subject(event)}: {place}"
    if sort == "care":
        return f"{_care_subject(of_kind(about, CareEvent))}: {place}"
    if sort == "system":
        first = next((SYSTEM_TITLES.get(one.what) for one in of_kind(about, SystemEvent)), None)
        return f"{first or 'About the settings'}: {ascii_only(clean(settings.site.name, 60), 'dewlid')}"
    if sort == "all-clear":
        return _all_clear_subject(about, place)
    head = next(iter(of_kind(about, AlarmEvent)), None)
    if head is not None and head.condition in ("held", "unknown"):
        return f"Not seen any more: {place} ({label(head.alarm)}?)"
    advice = standing_advice(about)
    do = None if advice is None or not event.urgent else short_of(advice.device, advice.change, advice.amount)
    opening = {"escalation": "Worse, ", "reminder": "Still "}.get(sort, "")
    if do is not None:
        what = what.partition(" and ")[0]
        if opening and len(f"URGENT: {do}: {place}, {opening}{what}") > LONGEST_SUBJECT:
            opening, what = opening.rstrip(" ,"), ""  # that it still stands says more than half a word of what
        return f"{do}: {place}, {opening.lower()}{what}"  # what a narrow screen cuts off comes last
    return f"{opening}{what}: {place}" if opening else f"{what[0].upper()}{what[1:]}: {place}"


def _care_subject(care: Sequence[CareEvent]) -> str:
    if care and all(item.status == "told" for item in care):
        return TITLES.get(care[0].task, "About care")
    return "Care is late" if any(item.status != "due" for item in care) else "Care is due"


def _all_clear_subject(about: Sequence[News], place: str) -> str:
    alarms = of_kind(about, AlarmEvent)
    ended = [alarm for alarm in alarms if not alarm.open]
    what = _what(ended or alarms)
    if any(alarm.change in ("closed", "unknown") for alarm in ended):
        return f"No longer followed: {place} ({what})"
    return f"OK again: {place} ({what})" if len(ended) == len(alarms) else f"Over: {what}, {place}"


def _what(about: Sequence[News]) -> str:
    alarms = shown(of_kind(about, AlarmEvent))
    standing = [alarm for alarm in alarms if alarm.condition != "normal"]
    over = not standing and not any(isinstance(event, AdviceEvent) for event in about)
    named = [alarm for alarm in standing if alarm.priority != "digest"] or standing
    names = list(dict.fromkeys(label(alarm.alarm) for alarm in (alarms if over else named)))
    if not names:
        return "to be done"
    return names[0] if len(names) == 1 else f"{names[0]} and {names[1]}" + (" ..." if len(names) > 2 else "")


def _digest_subject(event: LetterEvent, settings: Settings) -> str:
    site = ascii_only(clean(settings.site.name, 60), "dewlid")
    alarms = of_kind(event.about, AlarmEvent)
    standing = [alarm for alarm in alarms if alarm.kind == "alarm" and alarm.open]
    due = [item for item in of_kind(event.about, CareEvent) if item.status in ("due", "overdue", "harmful-if-missed")]
    if worst := next(filter(calls, standing), None):
        place = ascii_only(title_of(settings, worst.chamber), worst.chamber or "site")
        return f"Still {label(worst.alarm)}: {place}" + (f", {len(standing) - 1} more" if len(standing) > 1 else "")
    if standing:
        return f"{len(standing)} still {'stands' if len(standing) == 1 else 'stand'}: {site}"
    if watched := len(begun(event)):
        return f"{watched} to watch, nothing stands: {site}"
    if any(alarm.open for alarm in alarms):
        return f"One look is asked for: {site}"
    if due:
        return f"{len(due)} due, climate well: {site}"
    return f"All is well: {site}"
