"""Takes the keeper's words about care: each is accepted or refused with its reason, and nothing of it is lost."""

from __future__ import annotations

import unicodedata
from dataclasses import replace

from rules.care.growth_text import growth_text
from rules.care.leaf_diary import one_sided, suspicion, written
from rules.care.nest import vent_instead
from rules.care.observations import interpret, unknown_words
from rules.care.schedule import Subject, founds, scheduled
from rules.care.state import Doing, Note, TaskState
from rules.care.turn import Course
from rules.keeper.refusal import KEPT, Refused, known_chamber
from rules.keeper.said import known_ids
from rules.terms.local_time import time_words
from rules.terms.words import Calibrated, CareDone, GardenSize, LeavesGiven, LidSeen, Observation, TakeBack, Word
from rules.trade.plants import POISONOUS, REFUSED, unfit
from rules.trade.routine import TASKS
from rules.trade.symptoms import SYMPTOMS

SHUT_LEAVES = (
    "An Atta queen takes no leaf until her first workers are there: leave her box shut. They are there: enter the garden's size"
    " with `dewlid garden`."
)
_WORDS_HINT = " What it may mean is told for words of the vocabulary: `dewlid note --words`."
_KEPT_NOTES = 60  # bookkeeping
_BIDI = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"


def take(course: Course, word: Word) -> None:
    """Take one word; those that are not about care are passed over."""
    takers = {
        CareDone: _care_done, Observation: _observation, LeavesGiven: _leaves, GardenSize: _garden_size,
        Calibrated: _calibrated, LidSeen: _lid_seen, TakeBack: _take_back,
    }  # fmt: skip
    taker = takers.get(type(word))
    if taker is None:
        return
    try:
        taker(course, word)  # type: ignore[operator]
    except Refused as refusal:
        chamber = getattr(word, "chamber", None)
        known = chamber if chamber in course.settings.chambers else None
        course.word(word, known, False, f"{refusal}{KEPT}")


# ---------------------------------------------------------------- what every word must keep to


def _plain(text: str, what: str, lines: bool = False) -> None:
    """Refuse what could forge lines of a mail or a log: control characters and marks that turn the direction of writing."""
    for place, letter in enumerate(text):
        if lines and letter in "\n\t":
            continue
        if unicodedata.category(letter) in ("Cc", "Cs") or letter in _BIDI:
            allowed = "letters, digits, signs" + (", line breaks and tabs" if lines else "")
            raise Refused(
                f"The {what} holds the control character U+{ord(letter):04X} at place {place + 1}. Allowed: {allowed}."
            )


def _amount(task: str, amount: float | None, unit: str | None) -> str:
    units = TASKS[task].units
    if amount is None:
        return ""
    if not units:
        raise Refused(f"The task {task} takes no amount; log it without one.")
    if unit is not None and unit not in units:
        raise Refused(f"The unit {unit!r} does not belong to {task}. Allowed: {', '.join(units)}.")
    return f", {amount:g} {unit or units[0]}"


# ---------------------------------------------------------------- the words


def _care_done(course: Course, word: CareDone) -> None:
    if word.task not in TASKS:
        raise Refused(f"There is no task {word.task!r}. Tasks: {', '.join(TASKS)}.")
    if word.chamber is not None:
        known_chamber(course.settings, word.chamber)
    told_amount = _amount(word.task, word.amount, word.unit)
    meant = [
        subject
        for subject in course.subjects.values()
        if subject.task == word.task and (word.chamber is None or not subject.members or word.chamber in subject.members)
    ]
    if not meant:
        raise Refused(_nowhere(course, word.task, word.chamber))
    places = ", ".join(course.title(subject.place) for subject in meant)
    course.word(word, word.chamber, True, f"Logged for {places}: {TASKS[word.task].title}{told_amount}.")
    given = (word.amount, word.unit or next(iter(TASKS[word.task].units), None)) if word.amount is not None else None
    for subject in meant:
        _done(course, subject, word, word.at_ms, told_amount, given)


def _take_back(course: Course, word: TakeBack) -> None:
    """Let tasks, diary and sights be as if the word had not been said; the keeper's room answers."""
    state = course.state
    state.leaves = [line for line in state.leaves if line.word_id != word.said]
    state.notes = [note for note in state.notes if note.word_id != word.said]
    for doing in [one for one in state.doings if one.word_id == word.said]:
        place = next(number for number, one in enumerate(state.doings) if one is doing)
        later = next((n for n, one in enumerate(state.doings) if n > place and one.key == doing.key), None)
        if later is not None:  # logged again since: that doing stands, and only what was before it changes
            state.doings[later] = replace(doing, word_id=state.doings[later].word_id)
        elif doing.key in state.tasks:
            task = state.tasks[doing.key]
            state.tasks[doing.key] = replace(
                task, base_ms=doing.base_ms, done_ms=doing.done_ms, amount=doing.amount, unit=doing.unit, missed=doing.missed,
                doings=task.doings - 1,
            )
        del state.doings[place]
    course.replan(word.taken_ms)


def _nowhere(course: Course, task: str, chamber: str | None) -> str:
    having = [subject.place for subject in course.subjects.values() if subject.task == task]
    where = f"Places that have it: {', '.join(having)}." if having else "No place of your config has it."
    return f"The task {task} does not belong to {'any chamber' if chamber is None else f'the chamber {chamber}'}. {where}"


def _done(
    course: Course, subject: Subject, word: Word, at_ms: int, told: str = "", given: tuple[float, str | None] | None = None
) -> None:
    """Log a doing; one that is older than the last one changes nothing but the count."""
    task = course.state.tasks.get(subject.key, TaskState(word.taken_ms))
    task = replace(task, doings=task.doings + 1)
    if task.done_ms is None or at_ms >= task.done_ms:
        before = Doing(word.word_id, subject.key, task.base_ms, task.done_ms, task.amount, task.unit, task.missed)
        known = known_ids(course.keeper)
        course.state.doings = [*(one for one in course.state.doings if one.word_id in known), before]
        amount, unit = given or (None, None)
        ran_out = task.stage == 3 and task.done_ms is not None
        missed = task.missed + 1 if ran_out else 0 if task.stage < 2 else task.missed
        task = replace(task, base_ms=at_ms, done_ms=at_ms, stage=0, amount=amount, unit=unit, missed=missed)
        task = scheduled(course.settings, course.keeper, subject, task, word.taken_ms)
    course.state.tasks[subject.key] = task
    after = f" Next: {time_words(task.due_ms, course.settings.zone)}." if task.due_ms is not None else ""
    done = time_words(at_ms, course.settings.zone)
    course.done(subject, word.taken_ms, f"{course.title(subject.place)}: {subject.facts.title}, done {done}{told}.{after}")


def _calibrated(course: Course, word: Calibrated) -> None:
    """A calibration that was not refused is the doing of the probe's check."""
    task = "humidity-check" if word.quantity == "relative_humidity" else "temperature-check"
    probe = course.settings.probes.get(word.probe)
    for subject in course.subjects.values():
        if probe is not None and subject.task == task and probe.place in subject.members:
            _done(course, subject, word, word.taken_ms)


def _lid_seen(course: Course, word: LidSeen) -> None:
    """Who tells how the lid looks has looked at it; the climate answers."""
    for subject in course.subjects.values():
        if subject.task == "lid" and word.chamber in subject.members:
            _done(course, subject, word, word.at_ms)


def _observation(course: Course, word: Observation) -> None:
    known_chamber(course.settings, word.chamber)
    _plain(word.text, "note", lines=True)
    if strange := unknown_words(word.seen):
        raise Refused(f"{strange[0]!r} is no word of the vocabulary. Allowed: {', '.join(SYMPTOMS)}.")
    if not word.seen and not word.text.strip():
        raise Refused(f"The note is empty. Say what you saw: text, or one of {', '.join(SYMPTOMS)}.")
    course.word(word, word.chamber, True, f"Noted for {course.title(word.chamber)}: {_noted(word)}")
    if not word.seen:
        return
    notes = [*course.state.notes, Note(word.chamber, word.at_ms, word.seen, word.word_id)]
    course.state.notes = sorted(notes, key=lambda note: note.at_ms)[-_KEPT_NOTES:]
    elsewhere = vent_instead(course.settings.chambers, word.chamber)
    questions = course.questions_of(word)
    answer = interpret(word.seen, questions, course.title(elsewhere) if elsewhere else None)
    if answer is not None:
        blame = suspicion(course.state.leaves, course.members(word.chamber), word.at_ms) if answer.suffers else ""
        text = f"{course.title(word.chamber)}: {answer.text} {blame}".strip()
        course.tell(word.taken_ms, word.chamber, "observation", text, answer.priority)


def _noted(word: Observation) -> str:
    seen = ", ".join(SYMPTOMS[name].label for name in word.seen)
    if not (text := word.text.strip()[:300]):
        return f"{seen}."
    return f"{seen}: {text}" if seen else f"{text}{'' if text.endswith(('.', '!', '?')) else '.'}{_WORDS_HINT}"


def _leaves(course: Course, word: LeavesGiven) -> None:
    known_chamber(course.settings, word.chamber)
    _plain(word.plant, "plant")
    _plain(word.place, "place")
    course.state.leaves = written(course.state.leaves, word)
    members = course.members(word.chamber)
    only = one_sided(course.state.leaves, members, word.at_ms)
    hint = f" {only} is the only plant of the last week: offer two or three at once." if only else ""
    harms, refused = unfit(word.plant, POISONOUS), unfit(word.plant, REFUSED)
    if any(founds(course.settings, course.keeper, name) for name in members):
        hint = f" {SHUT_LEAVES}"
    elif refused and not harms:
        hint = f" It is refused as a rule: {refused.why} [{refused.source}]."
    course.word(word, word.chamber, True, f"{word.plant} stands in the leaf diary of {course.title(word.chamber)}.{hint}")
    for subject in course.subjects.values():
        if subject.task == "leaves" and word.chamber in subject.members:
            _done(course, subject, word, word.at_ms, f", {word.plant}")
    if harms:
        text = f"{course.title(word.chamber)}: take {word.plant} out now, all of it: {harms.why} [{harms.source}]."
        course.tell(word.taken_ms, word.chamber, "leaves", text, "today")
    if word.treated:
        text = f"{course.title(word.chamber)}: {word.plant} was treated. Take it out: ants accept what they cannot taste."
        course.tell(word.taken_ms, word.chamber, "leaves", text, "today")


def _garden_size(course: Course, word: GardenSize) -> None:
    """The keeper's room has taken the size: the garden was looked at, intervals change, and how it grows is told."""
    for subject in course.subjects.values():
        if subject.task == "garden-look" and word.chamber in subject.members:
            _done(course, subject, word, word.at_ms)
    course.replan(word.taken_ms)
    text = growth_text(course.settings, course.keeper, word.chamber, word.taken_ms, word.taken_ms)
    course.tell(word.taken_ms, word.chamber, "garden", f"{course.title(word.chamber)}: {text}", "digest")
