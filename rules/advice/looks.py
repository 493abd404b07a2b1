"""When an adviser looks by itself: on a grid of the clock, the seldomer the longer its advice waits for the keeper.

Where it gets graver, or better, an alarm turns, and the adviser looks at once whatever the grid says.
"""

from __future__ import annotations

from collections.abc import Mapping

from rules.advice.standing import Standing, climate_stands
from rules.advice.state import AdviceState, OpenAdvice
from rules.settings import Telling
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS

LOOK_MS, REST_MS, SELDOM_MS = 10 * MINUTE_MS, 30 * MINUTE_MS, 6 * HOUR_MS
"""How often an adviser looks; how often once its advice is told and waits for the keeper, or where nothing is seen; and how
often after a day without an answer, when what it would tell anew is another amount of the same. Own judgement: no more often
than a changed plan may be told."""
UPDATE_NOT_BEFORE_MS = 30 * MINUTE_MS
"""A changed plan is told at the earliest so long after the last one, unless it became more urgent. Own estimate."""


def looks_at(telling: Telling, state: AdviceState, standing: Mapping[str, Standing], at_ms: int, *, blind: bool) -> bool:
    """Return whether the adviser looks at an instant: less often an hour, six hours and a day after its advice was told, where
    that waits for the keeper and is no emergency that still runs; then also at the hour at which a reminder is due."""
    now = state.open
    waited_ms = 0 if now is None or now.done_ms is not None else at_ms - now.told_ms
    every_ms = REST_MS if blind else LOOK_MS
    if now is None or waited_ms < HOUR_MS or (now.branch != "cell" and now.urgency == "wake"):
        return at_ms % every_ms == 0
    if waited_ms < 6 * HOUR_MS:
        return at_ms % REST_MS == 0
    if at_ms % HOUR_MS:  # so is none of every six hours
        return False
    return waited_ms < DAY_MS or at_ms % SELDOM_MS == 0 or is_reminder_due(telling, now, standing, at_ms)


def news_since_ms(telling: Telling, state: AdviceState, standing: Mapping[str, Standing], at_ms: int) -> int | None:
    """Return since when something must have been heard for a look to be worth its cost: since the one before, where advice
    waits for the keeper; None: it looks all the same.

    So it does at whole hours, for what moves by age alone (how harm adds up, how a room goes on), and where since then the time
    has come at which a changed plan may be told, or a reminder.
    """
    now, before_ms = state.open, at_ms - (LOOK_MS if at_ms % REST_MS else REST_MS)
    if now is None or now.done_ms is not None or at_ms % HOUR_MS == 0:
        return None
    may_change = before_ms < now.told_ms + UPDATE_NOT_BEFORE_MS <= at_ms
    return None if may_change or is_reminder_due(telling, now, standing, at_ms) else before_ms


def is_reminder_due(telling: Telling, now: OpenAdvice, standing: Mapping[str, Standing], at_ms: int) -> bool:
    """Return whether advice that waits must be told once more: it is not done, not acknowledged, and its time has come."""
    rows = climate_stands(standing)
    if now.done_ms is not None or (rows and all(row.acknowledged for row in rows)):
        return False
    steps = {"wake": telling.wake_remind, "today": telling.today_remind}.get(now.urgency, [])
    over = now.reminders - len(steps)  # what stays undone is said to the end: daily in the digest, what wakes as lastly
    again_ms = steps[-1] if steps and now.urgency == "wake" else DAY_MS
    wait_ms = steps[now.reminders] if over < 0 else (steps[-1] if steps else 0) + (over + 1) * again_ms
    return at_ms - now.told_ms >= wait_ms and (over < 1 or now.urgency in ("wake", "today"))
