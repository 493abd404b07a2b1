"""Hears the keeper's words about presence once, keeps what they tell once and answers once; says when an absence turns.

Whatever ends or begins by itself does so at the beginning of a stretch of the stream (`borders`), so within a stretch nothing
of it changes and every other room may simply read.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from rules.keeper import said
from rules.keeper.refusal import AHEAD_MS, KEPT, Refused, answer, known_chamber, refuse_impossible
from rules.keeper.state import Absence, GardenEntry, KeeperState, Said, Until, garden_ml
from rules.settings import Settings
from rules.terms.events import DAY_MS, Item, SystemEvent, WordEvent, rfc3339
from rules.terms.local_time import time_words
from rules.terms.words import Away, GardenSize, OutOfService, Rehearse, TakeBack, Visit, Word
from rules.trade.garden_sizes import size_class, volume_words

_KEPT_ENTRIES, _KEPT_AWAY = 110, 8  # bookkeeping
_LONGEST_AWAY_MS = 120 * DAY_MS  # own estimate
_LARGEST_ML = 200_000  # own estimate

Turn = tuple[Literal["prepared", "begun", "ended"], Absence]


@dataclass
class Heard:
    """What became of the words at one instant: the facts, what is said of it, which words were not refused here."""

    state: KeeperState
    events: list[WordEvent | SystemEvent] = field(default_factory=list)
    words: list[Word] = field(default_factory=list)
    turns: list[Turn] = field(default_factory=list)
    """Absences whose checklist goes out, that begin or are over now."""
    turned: bool = False
    """Whether something is quiet that was not before, or no longer."""


def borders(state: KeeperState, items: Iterable[Item]) -> Iterator[int]:
    """Yield the instants at which something that was told, or is told by these words, begins or ends by itself."""
    ending = (*state.visits.values(), *state.out_of_service.values(), *(one.until for one in state.said))
    yield from (entry.until_ms for entry in ending if entry is not None)
    aside = [absence for one in state.said for absence in one.absences]  # holds again where its word is taken back
    for absence in (*state.absences, *aside):
        yield from (absence.checklist, absence.begins, absence.ends)
        yield from (absence.own[0] - DAY_MS, *absence.own)  # it alone holds where those joined with it are taken back
    for item in items:
        if isinstance(item, OutOfService | Visit):
            yield item.taken_ms + item.for_ms
        elif isinstance(item, Away):
            yield from (item.from_ms - DAY_MS, item.from_ms, item.to_ms)


def follow(settings: Settings, state: KeeperState, words: Sequence[Word], at_ms: int, origin: str) -> Heard:
    """Return what holds from this instant on, after its words and after what begins or ends by itself up to it."""
    heard = Heard(
        replace(
            state, visits=dict(state.visits), out_of_service=dict(state.out_of_service), absences=list(state.absences),
            gardens=dict(state.gardens), said=list(state.said),
        )
    )  # fmt: skip
    for word in words:
        taker = _TAKERS.get(type(word))
        try:
            refuse_impossible(settings, word)
            before, facts = (said.held(heard.state, word), heard.state.absences), _facts(heard.state)
            if isinstance(word, TakeBack):
                back = _take_back(heard, word)
                heard.events.append(answer(origin, word, True, said.text_of(back), back.chamber, takes_back=back.word))
            elif taker is not None:
                chamber, text = taker(settings, heard, word)
                heard.events.append(answer(origin, word, True, text, chamber))
            if taker is None or _facts(heard.state) != facts:  # a visit that was over is not ended: nothing to take back
                heard.state.said = said.written(heard.state, word, *before)
            heard.words.append(word)
        except Refused as refusal:
            known = getattr(word, "chamber", None)
            chamber = known if known in settings.chambers else None
            heard.events.append(answer(origin, word, False, f"{refusal}{KEPT}", chamber))
    for entries in (heard.state.visits, heard.state.out_of_service):
        for key in [key for key, entry in entries.items() if entry.until_ms <= at_ms]:
            del entries[key]
    quiet = (heard.state.visits.keys(), heard.state.out_of_service.keys())
    heard.turned = quiet != (state.visits.keys(), state.out_of_service.keys())
    _turn(heard, state.away, at_ms, origin)
    return heard


def _facts(state: KeeperState) -> tuple[object, ...]:
    return dict(state.visits), dict(state.out_of_service), list(state.absences), dict(state.gardens)


def _turn(heard: Heard, was_away: bool, at_ms: int, origin: str) -> None:
    """Let absences go on by the calendar; the keeper who is away the whole time is told of neither end nor beginning."""
    state, going = heard.state, []
    for absence in state.absences:
        if absence.stage == "planned" and absence.checklist <= at_ms < absence.ends:
            absence = replace(absence, stage="prepared")
            heard.turns.append(("prepared", absence))
        if absence.stage == "prepared" and absence.begins <= at_ms < absence.ends:
            absence = replace(absence, stage="begun")
            heard.turns.append(("begun", absence))
        if absence.ends > at_ms:
            going.append(absence)
        elif absence.stage == "begun":
            heard.turns.append(("ended", absence))
    state.absences = going
    if state.away == was_away:
        heard.turns = [turn for turn in heard.turns if turn[0] == "prepared"]
        return
    state.turns += 1
    what, whom = ("away-begun", "go to the stand-in") if state.away else ("away-ended", "come to the keeper again")
    heard.events.append(
        SystemEvent(
            id=f"{origin}.away.{state.turns}", at_ms=at_ms, chamber=None, what=what, text=f"Alarms {whom} from now on."
        )
    )  # fmt: skip


# ---------------------------------------------------------------- the words


def _out_of_service(settings: Settings, heard: Heard, word: OutOfService) -> tuple[str, str]:
    probe = settings.probes.get(word.probe)
    if probe is None:
        raise Refused(f"unknown_probe: {word.probe!r} is not in the config; allowed: {', '.join(settings.probes)}.")
    if word.for_ms == 0:
        heard.state.out_of_service.pop(word.probe, None)
        return probe.place, f"probe {word.probe} is in service"
    until_ms = word.taken_ms + word.for_ms
    heard.state.out_of_service[word.probe] = Until(until_ms, word.reason, word.word_id)
    return probe.place, f"probe {word.probe} is out of service until {rfc3339(until_ms)}"


def _visit(settings: Settings, heard: Heard, word: Visit) -> tuple[str, str]:
    if word.chamber not in settings.chambers:
        raise Refused(f"unknown_chamber: {word.chamber!r} is not in the config; allowed: {', '.join(settings.chambers)}.")
    if word.for_ms == 0:
        heard.state.visits.pop(word.chamber, None)
        return word.chamber, "the visit is over"
    until_ms = word.taken_ms + word.for_ms
    heard.state.visits[word.chamber] = Until(until_ms, word_id=word.word_id)
    return word.chamber, f"lid and humidity are quiet until {rfc3339(until_ms)}; heat is not"


def _garden_size(settings: Settings, heard: Heard, word: GardenSize) -> tuple[str, str]:
    known_chamber(settings, word.chamber)
    place, state = settings.chambers[word.chamber], heard.state
    if place.role != "fungus":
        raise Refused(f"The chamber {word.chamber} is a {place.role} chamber; a garden stands in a fungus chamber.")
    now_ml = size_ml(word, place.garden.basin_ml)
    before = size_class(garden_ml(state, word.chamber, place))
    entry = GardenEntry(word.at_ms, now_ml, word.word_id)
    entries = sorted([*state.gardens.get(word.chamber, []), entry], key=lambda one: one.at_ms)
    state.gardens[word.chamber] = entries[-_KEPT_ENTRIES:]
    now = size_class(garden_ml(state, word.chamber, place))
    title, newest = place.title or word.chamber, entries[-1]
    if newest.at_ms > word.at_ms:
        then, since = (time_words(instant, settings.zone) for instant in (word.at_ms, newest.at_ms))
        noted = f"Noted for its growth: the garden of {title} held {volume_words(now_ml)} at {then}."
        return word.chamber, f"{noted} What holds now is the newer entry of {since}: {volume_words(newest.garden_ml)}."
    changed = "" if now == before else f" Size class {before} becomes {now}: other limits and intervals."
    return word.chamber, f"The garden of {title} holds {volume_words(now_ml)}.{changed}"


def size_ml(word: GardenSize, basin_ml: float | None) -> float:
    """Return the size that a word tells, ml; Refused for one that cannot be."""
    if word.garden_ml is not None and word.fill is not None:
        raise Refused("The size was given twice, in millilitres and as a share of the basin. Say one of them.")
    if word.garden_ml is not None:
        if not 0 < word.garden_ml <= _LARGEST_ML:
            raise Refused(f"A garden of {word.garden_ml:.12g} ml cannot be. Allowed: above 0 up to {_LARGEST_ML} ml.")
        return word.garden_ml
    if word.fill is None:
        raise Refused("The size is missing. Say millilitres, or the share of the basin from 0 to 1.")
    if not 0 < word.fill <= 1:
        raise Refused(f"A fill of {word.fill:g} cannot be: it is the share of the basin. Allowed: above 0 to 1, such as 0.25.")
    if basin_ml is None:
        raise Refused(
            f"The basin of {word.chamber} is not known, so a share of it says nothing. Say millilitres, or write"
            " basin_ml into its garden in the config."
        )
    return word.fill * basin_ml


def _away(settings: Settings, heard: Heard, word: Away) -> tuple[None, str]:
    if word.to_ms == word.from_ms <= word.taken_ms + AHEAD_MS:
        _call_off(heard, heard.state.absences)
        return None, "You are back: alarms and routine come to you again, and no absence is planned."
    _refuse_days(settings, word)
    met = [one for one in heard.state.absences if one.begins < word.to_ms and word.from_ms < one.ends]
    absence = _together(met, word.word_id, word.from_ms, word.to_ms, word.taken_ms)
    if absence.ends - absence.begins > _LONGEST_AWAY_MS:
        raise Refused(f"Joined with the absence {_spans(settings, met)} it lasts more than 120 days: hand the shelf over.")
    if len(heard.state.absences) - len(met) >= _KEPT_AWAY:
        raise Refused(f"{_KEPT_AWAY} absences are planned already. Allowed: {_KEPT_AWAY} at once.")
    _call_off(heard, met)
    heard.state.absences = sorted([*heard.state.absences, absence], key=lambda one: one.begins)
    sent = f"The stand-in's checklist goes out {time_words(absence.checklist, settings.zone)}"
    joined = _joined(settings, met, absence)
    return None, f"Away {_spans(settings, [absence])}. {sent}; alarms go to the stand-in meanwhile.{joined}"


def _refuse_days(settings: Settings, word: Away) -> None:
    begins, ends = (time_words(instant, settings.zone) for instant in (word.from_ms, word.to_ms))
    if word.to_ms < word.from_ms:
        raise Refused(f"The absence ends ({ends}) before it begins ({begins}).")
    if word.to_ms == word.from_ms:
        raise Refused(f"The absence ends when it begins ({ends}). Allowed: an end behind it; or, if you are back, both now.")
    if word.to_ms - word.from_ms > _LONGEST_AWAY_MS:
        raise Refused("An absence of more than 120 days is no holiday: hand the shelf over in the config instead.")
    if word.to_ms <= word.taken_ms:
        raise Refused(f"The absence ended at {ends}, in the past. Allowed: an end to come.")


def _together(met: Sequence[Absence], word_id: str, from_ms: int, to_ms: int, taken_ms: int) -> Absence:
    """Return the absence that a word makes of those that it meets: one that lies within another is its correction, others are
    joined; and nobody comes back for a day between an absence that has begun and the one that is told."""
    corrects = any(one.begins <= from_ms and to_ms <= one.ends for one in met)
    begins = min([from_ms, *(one.begins for one in met if one.stage == "begun" or not corrects)])
    ends = to_ms if corrects else max([to_ms, *(one.ends for one in met)])
    return Absence(
        begins, ends, max(taken_ms, begins - DAY_MS), word_id=word_id, own_begins=from_ms if from_ms != begins else None,
        own_ends=to_ms if to_ms != ends else None,
    )  # fmt: skip


def _joined(settings: Settings, met: Sequence[Absence], absence: Absence) -> str:
    """Return what became of the absences that a new one met; empty where nothing is another than was known."""
    others = [one for one in met if (one.begins, one.ends) != (absence.begins, absence.ends)]
    if not others:
        return ""
    lost = any(one.begins < absence.begins or absence.ends < one.ends for one in others)
    what = "This replaces" if lost else "In it is"
    return f" {what} the absence {_spans(settings, others)}. If you meant other days: `dewlid undo`, then say them."


def _spans(settings: Settings, absences: Sequence[Absence]) -> str:
    zone = settings.zone
    return " and that ".join(f"from {time_words(one.begins, zone)} to {time_words(one.ends, zone)}" for one in absences)


def _call_off(heard: Heard, dropped: Sequence[Absence]) -> None:
    heard.turns += [("ended", one) for one in dropped if one.stage == "begun"]
    heard.state.absences = [one for one in heard.state.absences if one not in dropped]


def _take_back(heard: Heard, word: TakeBack) -> Said:
    """Let what a word put aside hold again, as far as it would hold still; what others keep of the word they forget."""
    state, back = heard.state, said.found(heard.state, word)
    state.gardens = {
        name: kept for name, entries in state.gardens.items() if (kept := [one for one in entries if one.word_id != word.said])
    }
    for entries in (state.visits, state.out_of_service):
        for key in [key for key, entry in entries.items() if entry.word_id == word.said]:
            del entries[key]
    if back.until is not None and back.until.until_ms > word.taken_ms:
        entries = state.visits if back.word == "visit" else state.out_of_service
        entries.setdefault(back.subject, back.until)
    _call_off(heard, [one for one in state.absences if one.word_id == word.said])
    aside = [*back.absences, *_part(heard, back, word.taken_ms)]
    again = {one.word_id for one in back.absences}
    going = [one for one in state.absences if one.word_id not in again]
    for one in aside:
        if one.ends > word.taken_ms and all(other.ends <= one.begins or other.begins >= one.ends for other in going):
            going.append(one)
    state.absences = sorted(going, key=lambda one: one.begins)
    state.said = said.forgotten(state.said, back)
    return back


def _part(heard: Heard, back: Said, taken_ms: int) -> list[Absence]:
    """Let absences that were joined with one that is taken back be as if that one had never been told; return those that then
    meet no other."""
    state, alone = heard.state, list[Absence]()
    told = {one.word_id: one for one in (*(one for entry in state.said for one in entry.absences), *state.absences)}
    without: dict[str, Absence] = {}
    for number, entry in enumerate(state.said):
        mine = told.get(entry.word_id)
        joined = {one.word_id for one in entry.absences} & {back.word_id, *without}
        if mine is None or not joined:
            continue
        begins, ends = mine.own
        aside = [without.get(one.word_id, one) for one in entry.absences]
        state.said[number] = replace(entry, absences=aside)
        met = [one for each in aside for one in (back.absences if each.word_id == back.word_id else [each])]
        touching = [one for one in met if one.begins < ends and begins < one.ends]
        alone += [one for one in met if one not in touching]
        without[entry.word_id] = _together(touching, entry.word_id, begins, ends, taken_ms)
    for number, one in enumerate(state.absences):
        now = without.get(one.word_id, one)
        if (now.begins, now.ends) == (one.begins, one.ends):
            continue
        runs = now.begins <= taken_ms < now.ends
        heard.turns += [("ended", one)] if one.stage == "begun" and not runs else []
        state.absences[number] = replace(now, stage=one.stage if runs else "planned")
    state.absences = [one for one in state.absences if one.ends > taken_ms]
    return alone


def _rehearse(settings: Settings, heard: Heard, word: Rehearse) -> tuple[None, str]:
    return None, "A rehearsal begins: letters to you, once more to you, to the second address, to the stand-in, a minute apart."


_TAKERS: dict[type, Callable[..., tuple[str | None, str]]] = {
    OutOfService: _out_of_service, Visit: _visit, GardenSize: _garden_size, Away: _away,
    Rehearse: _rehearse,
}  # fmt: skip
