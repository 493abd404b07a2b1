"""The life cycle of one alarm as a table: the code walks it and the test draws every transition from it.

A row reads: in this condition, on this trigger, if this guard holds, the condition becomes that, this change is told and these
effects happen. Within one condition and trigger the first row whose guard holds is taken; the last one always holds.
Delays and deadbands lie before the table (a change arrives only when they are met). Standard terms of ISA-18.2 / IEC 62682.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from rules.terms.condition_changes import To
from rules.terms.events import Condition

Trigger = Literal[
    "active", "harmful", "eased", "recovering", "relapsed", "normal", "held", "resumed", "unknown", "seen", "worse", "judged",
    "acknowledge", "unacknowledge", "shelve", "unshelve", "shelf-over", "held-too-long", "stands-too-long", "removed",
]
Guard = Literal[
    "always", "higher", "lower", "edited", "latching", "unacknowledged", "latched", "harmful-now", "shelved", "known", "graver",
]
Effect = Literal[
    "open", "level", "drop-acknowledge", "unshelve", "restart-stale", "hold", "see", "end", "latch", "acknowledge", "unlatch",
    "shelve", "stale", "close",
]
Change = Literal[
    "raised", "escalated", "eased", "recovering", "relapsed", "returned", "held", "resumed", "unknown", "acknowledged",
    "shelved", "unshelved", "suppressed", "unsuppressed", "stale", "chattering", "latched", "reset", "closed", "updated",
    "worsened", "unacknowledged",
]

CONDITIONS: tuple[Condition, ...] = get_args(Condition)
TRIGGERS: tuple[Trigger, ...] = get_args(Trigger)


@dataclass(frozen=True, slots=True)
class Transition:
    """One row; `change` None: nothing is told. `refusal`: the keeper's word is refused with this reason."""

    condition: Condition
    trigger: Trigger
    guard: Guard
    becomes: Condition
    change: Change | None
    effects: tuple[Effect, ...] = ()
    refusal: str = ""


_BAD: tuple[To, ...] = ("active", "harmful", "eased", "resumed")
_RISE: tuple[Effect, ...] = ("level", "see", "drop-acknowledge", "unshelve", "restart-stale")


def _not_standing() -> list[Transition]:
    rows: list[Transition] = []
    for condition in ("normal", "unknown"):
        rows += [Transition(condition, trigger, "always", "active", "raised", ("open",)) for trigger in _BAD]
    rows += [
        Transition("normal", "held", "always", "unknown", "unknown"),
        Transition("normal", "unknown", "always", "unknown", "unknown"),
        Transition("normal", "normal", "always", "normal", None),
        Transition("normal", "seen", "always", "normal", None),
        Transition("unknown", "held", "always", "unknown", None),
        Transition("unknown", "unknown", "always", "unknown", None),
        Transition("unknown", "normal", "always", "normal", "resumed"),
        Transition("unknown", "seen", "always", "normal", "resumed"),
    ]
    return rows


def _standing() -> list[Transition]:
    rows: list[Transition] = []
    for trigger in _BAD:
        rows += [
            Transition("active", trigger, "higher", "active", "escalated", _RISE),
            Transition("active", trigger, "lower", "active", "eased", ("level",)),
            Transition("active", trigger, "edited", "active", "updated"),
            Transition("active", trigger, "always", "active", None),
            Transition("held", trigger, "higher", "active", "escalated", _RISE),
            Transition("held", trigger, "always", "active", "resumed", ("level", "see")),
        ]
    rows += [
        Transition("active", "recovering", "always", "active", "recovering"),
        Transition("active", "relapsed", "always", "active", "relapsed"),
        Transition("active", "held", "always", "held", "held", ("hold",)),
        Transition("active", "seen", "always", "active", None),
        Transition("held", "held", "always", "held", None),
        Transition("held", "seen", "always", "held", None),
        Transition("held", "held-too-long", "always", "unknown", "unknown", ("end",)),
    ]
    for condition in ("active", "held"):
        rows += [
            Transition(condition, "worse", "graver", condition, "worsened", ("drop-acknowledge", "unshelve", "restart-stale")),
            Transition(condition, "worse", "always", condition, "updated"),
            Transition(condition, "judged", "always", condition, "updated"),
            Transition(condition, "normal", "latching", "normal", "returned", ("end", "latch")),
            Transition(condition, "normal", "always", "normal", "returned", ("end",)),
            Transition(condition, "unknown", "always", "unknown", "unknown", ("end",)),
            Transition(condition, "stands-too-long", "always", condition, "stale", ("stale",)),
        ]
    return rows


def _words(condition: Condition) -> list[Transition]:
    return [
        Transition(condition, "acknowledge", "latched", condition, "reset", ("unlatch",)),
        Transition(condition, "acknowledge", "always", condition, None, refusal="nothing_to_acknowledge"),
        Transition(condition, "unacknowledge", "always", condition, None),
        Transition(condition, "shelve", "always", condition, "shelved", ("shelve",)),
        Transition(condition, "shelf-over", "always", condition, "unshelved", ("unshelve",)),
        Transition(condition, "removed", "known", "normal", "closed", ("unlatch", "unshelve", "close")),
        Transition(condition, "removed", "always", "normal", None, ("unlatch", "unshelve", "close")),
    ]


def _words_while_it_stands(condition: Condition) -> list[Transition]:
    return [
        Transition(condition, "acknowledge", "unacknowledged", condition, "acknowledged", ("acknowledge", "unlatch")),
        Transition(condition, "acknowledge", "latched", condition, "reset", ("unlatch",)),
        Transition(condition, "acknowledge", "always", condition, None),
        Transition(condition, "unacknowledge", "always", condition, "unacknowledged", ("drop-acknowledge",)),
        Transition(condition, "shelve", "harmful-now", condition, None, refusal="harmful_is_not_shelved"),
        Transition(condition, "shelve", "always", condition, "shelved", ("shelve",)),
        Transition(condition, "shelf-over", "always", condition, "unshelved", ("unshelve", "drop-acknowledge")),
        Transition(condition, "removed", "always", "normal", "closed", ("end", "unlatch", "unshelve", "close")),
    ]


def _unshelve(condition: Condition) -> list[Transition]:
    return [
        Transition(condition, "unshelve", "shelved", condition, "unshelved", ("unshelve",)),
        Transition(condition, "unshelve", "always", condition, None, refusal="not_shelved"),
    ]


TRANSITIONS: tuple[Transition, ...] = (
    *_not_standing(),
    *_standing(),
    *_words("normal"),
    *_words("unknown"),
    *_words_while_it_stands("active"),
    *_words_while_it_stands("held"),
    *(row for condition in CONDITIONS for row in _unshelve(condition)),
)
"""Every transition there is. What is absent cannot happen: `held-too-long` and `stands-too-long` need an alarm that
stands, `recovering` and `relapsed` one that is seen, and what the account of harm says is for an alarm that stands."""

ROWS: dict[tuple[Condition, Trigger], tuple[Transition, ...]] = {
    (condition, trigger): rows
    for condition in CONDITIONS
    for trigger in TRIGGERS
    if (rows := tuple(row for row in TRANSITIONS if (row.condition, row.trigger) == (condition, trigger)))
}
