"""What is believed of every chamber now, read from the state alone: the one place where the present is asked for."""

from __future__ import annotations

from rules.advice.state import AdviceState
from rules.alarms import alarms
from rules.climate.course import Presents
from rules.climate.hours import Climate
from rules.climate.situation import Situation
from rules.settings import Settings
from rules.turn.advising import for_adviser
from rules.turn.state import EngineState
from rules.turn.together import Together


def present(settings: Settings, state: EngineState) -> dict[str, Situation]:
    """Return the situation of each chamber at its newest instant, as `advance` handed it out; none of one never looked at."""
    known = {name: state.places[name].present for name in settings.chambers if name in state.places}
    return {name: situation for name, situation in known.items() if situation is not None}


def advised_on(settings: Settings, state: EngineState, chamber: str) -> Situation | None:
    """Return a chamber's present as its adviser would look at it: with the swings of the last hours and the settings told."""
    situation = present(settings, state).get(chamber)
    adviser = state.advice.get(chamber, AdviceState())
    standing = {name: alarms.standing(state.alarms, name) for name in settings.chambers}
    together = Together(settings, state, Presents(state.places), standing)
    return None if situation is None else for_adviser(state, situation, adviser, together, Climate(state.places))
