"""What is told at once, what goes with the next letter, and how often a day: one row for each kind of news, the gravest first.

A letter is judged by the gravest news in it. All of it is judgement of our own: a keeper who gets a letter for each sign reads
none of them, one who is told late loses a garden.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from rules.terms.events import HOUR_MS, MINUTE_MS

NewsKind = Literal[
    "mark", "new-harm", "graver", "other", "worse", "step", "same", "sign", "box", "repeat", "all-clear", "reminder",
]
FURTHER_MS = 90 * MINUTE_MS
"""So long after a letter that said what to do what is only further away waits for the next, or half of the time that is left
where that is less, at least as long as what was done needs to be judged; own judgement."""
JUDGED_MS = 30 * MINUTE_MS
"""What is done in an emergency is looked at again after this; own judgement."""
LOOKED_WITHIN_MS = 15 * MINUTE_MS
"""The adviser looks each ten minutes: so long after its time at the latest it says what came of what was done. Own estimate."""
AGAIN_MS = 4 * HOUR_MS
"""So long after a letter that asked for it the same is asked for again, as after the last reminder, or after half of that while
the figure goes on; own judgement."""
NEXT_WITHIN_MS = HOUR_MS
"""So long after a letter of its place news waits for the next one, and again what was held back."""
MARK_WITHIN_MS = 30 * MINUTE_MS
"""What comes up while a lethal mark will be passed within this goes with the letter about the mark; own judgement."""
CALLS_FOR_MARK_MS = 40 * MINUTE_MS
"""So long what is graver waits for that letter: a course is not known to the minute; own judgement. What newly does harm, as a
heater that runs away, waits for none."""
CALM_LETTERS = 4
"""So many letters about one place that are no worse than the last go out within a day; what is left stands in the next one
or in the digest. Where the devices at hand cannot repair it, and that was told, one; own judgement."""
RESTS_MS = (0, 0, 2 * HOUR_MS, 4 * HOUR_MS, 8 * HOUR_MS)
"""So long after the last letter of its place such a one waits, by how many letters a day brought; a step no longer than one
that is asked for again; own judgement."""
REMINDERS, REMINDERS_LATER = 3, 1
"""So many letters about one place that say nothing new go out on the date of its last news, and on one after it, when each
digest is urgent over it; own judgement."""
WITH_DIGEST_MS = 2 * HOUR_MS
"""What says nothing new goes with a digest that is as near as this; own judgement."""


@dataclass(frozen=True, slots=True)
class Row:
    """One kind of news of a place that was told of before."""

    news: NewsKind
    waits_ms: int = 0
    """So long after the last letter, or the keeper's answer to it, it waits for the next one."""
    asked: bool = False
    """Whether it waits only where the last letter said what to do."""
    calm: bool = True
    """Whether it is no worse than the last letter: such letters have a number for the day, save where they may wake."""
    beyond: bool = False
    """Whether it is told where the devices at hand cannot repair it, and that was told; the rest then is one letter a day."""
    at_night: bool = True
    """Whether it may break the quiet hours where it wakes, or does not last till the morning."""
    for_mark_ms: int = 100 * MINUTE_MS
    """So long after it came up it still waits for the letter about a mark that is near."""
    new: bool = True
    """Whether it says something new; what does not has its own number for the day, also where it may wake, unless the figure
    goes on."""


ROWS: tuple[Row, ...] = (
    Row("mark", calm=False, beyond=True),  # a lethal mark is passed
    # a figure does harm of which no letter told, or what fails suddenly fails anew
    Row("new-harm", calm=False, beyond=True, for_mark_ms=0),
    Row("graver", calm=False, beyond=True, for_mark_ms=CALLS_FOR_MARK_MS),  # more urgent than all that was told
    Row("other", for_mark_ms=CALLS_FOR_MARK_MS),  # what else is advised; what cannot be seen any more
    Row("worse", FURTHER_MS, asked=True, calm=False, beyond=True),  # further away than the last letter said
    # something else is advised, which is not urgent, or for which the look asked for comes first
    Row("step", NEXT_WITHIN_MS, at_night=False),
    Row("same", AGAIN_MS, calm=False, at_night=False),  # less time is left, or it is graver, where the last letter said
    Row("sign", NEXT_WITHIN_MS, asked=True),  # one more figure is outside, with the same to do
    Row("box", NEXT_WITHIN_MS),  # one more box of a room, of the same cause
    Row("repeat", AGAIN_MS, at_night=False, new=False),  # the next try of a step that was done before
    Row("all-clear"),
    Row("reminder", at_night=False, for_mark_ms=15 * MINUTE_MS, new=False),
)
"""The gravest first: a letter goes by the first row that holds of what is in it. Own judgement."""
