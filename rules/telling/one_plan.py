"""What of all advice may stand in one letter: of each chamber the plan that stands now, and nothing that it has replaced."""

from __future__ import annotations

from collections.abc import Sequence

from rules.telling.state import ASKING, TellingState
from rules.terms.events import AdviceEvent, AlarmEvent, News


def of_one_plan(state: TellingState, about: Sequence[News]) -> list[News]:
    """Return what a letter tells, in its order: each chamber's plan once, as it stands and as long as it is not done.

    What was asked for before it is left out, however it came to be owed; so is that a chamber has nothing more to do, or that
    an advice was withdrawn, where something of that chamber is asked for or stands. What came of a step that was done stays.
    """
    plans = {advice.chamber: advice for advice in state.undone()}
    unwell = {event.chamber for event in about if isinstance(event, AlarmEvent) and event.open and event.kind == "alarm"}
    told, out = set[str | None](), list[News]()
    for event in about:
        kept: News | None = event
        if isinstance(event, AdviceEvent) and event.status in ASKING:
            plan = plans.get(event.chamber)
            kept = None if plan is None or event.chamber in told else _as_it_stands(event, plan)
            told.add(event.chamber)
        elif isinstance(event, AdviceEvent) and event.over:
            kept = None if event.chamber in unwell or event.chamber in plans else event
        out += [] if kept is None else [kept]
    return out


def _as_it_stands(event: AdviceEvent, plan: AdviceEvent) -> AdviceEvent:
    """Return the plan, in the event of it that was owed where it is the same revision: a reminder does not say why."""
    same = (event.advisory, event.revision, event.urgency) == (plan.advisory, plan.revision, plan.urgency)
    return event if same else plan
