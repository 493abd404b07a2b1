"""The keeper's last words, each with what it put aside, so that a slip can be taken back.

Every room that keeps something of a word notes the word's id beside it and forgets it by that id when the word is taken back.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from dataclasses import replace

from rules.keeper.refusal import Refused, answer_id
from rules.keeper.state import Absence, KeeperState, Said, Until
from rules.terms.events import Event, WordEvent
from rules.terms.words import Away, ModelFitted, OutOfService, Rehearse, TakeBack, Unshelve, Visit, Word

KEPT_WORDS = 40
"""So many words may be taken back: an evening's work at twenty chambers. Judgement."""
_FOLLOWS = {
    "acknowledge": "If it still stands, reminders come again.",
    "shelve": "If it still stands, it is told again.",
    "advice-done": "What was booked and learned of it is forgotten, and the advice stands again where it is still needed.",
    "calibrated": "From now on the readings are corrected as before it; what was told of them meanwhile stays told.",
    "lid-measured": "The lid is judged as before it; what later looks at this lid taught goes with it.",
    "lid-seen": "The lid is judged as before it; what later looks at this lid taught goes with it.",
    "garden": "The size before it holds again, with its limits and intervals.",
    "care-done": "The task is due as if it had not been logged.",
    "leaves": "Its line is gone from the diary.",
    "away": "What was planned before it holds again, as far as it lies ahead.",
}


def known_ids(state: KeeperState) -> frozenset[str]:
    """Return the ids of the words that may be taken back: of no other need anybody remember what was before."""
    return frozenset(said.word_id for said in state.said)


def held(state: KeeperState, word: Word) -> Until | None:
    """Return what holds now of the chamber or probe that a word is about, if it ends by itself."""
    if isinstance(word, Visit):
        return state.visits.get(word.chamber)
    return state.out_of_service.get(word.probe) if isinstance(word, OutOfService) else None


def written(state: KeeperState, word: Word, until: Until | None, absences: Sequence[Absence]) -> list[Said]:
    """Return the last words with one more that was not refused here; `until`, `absences`: what held before it."""
    if isinstance(word, TakeBack | Unshelve | Rehearse | ModelFitted):
        return state.said
    aside = [one for one in absences if one not in state.absences] if isinstance(word, Away) else []
    subject = word.chamber if isinstance(word, Visit) else word.probe if isinstance(word, OutOfService) else ""
    said = Said(
        word.word_id, word.taken_ms, word.word, word.by, getattr(word, "chamber", None), subject, until=until, absences=aside
    )
    return [*state.said, said][-KEPT_WORDS:]


def found(state: KeeperState, word: TakeBack) -> Said:
    """Return the word that is taken back; Refused: it cannot be."""
    for said in state.said:
        if said.word_id == word.said:
            return said
    raise Refused(
        f"There is no word {word.said!r} to take back: it changed nothing, is taken back already, or is older than your last"
        f" {KEPT_WORDS}. `dewlid undo --list` shows those that can be."
    )


def forgotten(words: Sequence[Said], back: Said) -> list[Said]:
    """Return the words without the one that is taken back; what a later one put aside of it, that one itself had put aside."""
    rest = [one for one in words if one.word_id != back.word_id]
    return [
        replace(
            one, until=back.until if one.until is not None and one.until.word_id == back.word_id else one.until,
            absences=[kept for absence in one.absences for kept in _before(absence, back)],
        )
        for one in rest
    ]  # fmt: skip


def superseded(state: KeeperState, word_id: str) -> KeeperState:
    """Return the state in which a word stands for another one before it, which can be taken back no more."""
    return replace(state, said=[one for one in state.said if one.word_id != word_id])


def _before(absence: Absence, back: Said) -> Iterable[Absence]:
    return back.absences if absence.word_id == back.word_id else (absence,)


def text_of(back: Said) -> str:
    """Return the answer to a word that takes another one back."""
    what = f'"{back.text.rstrip(".")}"' if back.text else f"your word ({back.word})"
    follows = _FOLLOWS.get(back.word, "What held before it holds again, as far as it would hold still.")
    return f"Taken back: {what}. {follows} A letter that was sent because of it stays sent."


def settled(state: KeeperState, events: Iterable[Event], idle: Collection[str], origin: str) -> KeeperState:
    """Return the state after all rooms have answered: of what was refused, or is `idle`, nothing is to be taken back."""
    answers = {event.id: event for event in events if isinstance(event, WordEvent)}
    said = []
    for one in state.said:
        answered = answers.get(answer_id(origin, one.word_id))
        if one.word_id in idle:
            continue
        if answered is None:
            said.append(one)
        elif answered.accepted:
            said.append(replace(one, chamber=answered.chamber, text=answered.text[:600]))
    return replace(state, said=said)
