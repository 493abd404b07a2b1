"""What is believed of every chamber now, read from the state alone: the one place where the present is asked for."""

from __future__ import annotations

from dataclasses import replace

from rules.advice.outlook import outlook
from rules.advice.state import AdviceState
from rules.alarms import alarms
from rules.climate.course import Presents
from rules.climate.hours import Climate, Hourly, mat_day
from rules.climate.situation import Situation
from rules.keeper.state import sized
from rules.settings import Settings
from rules.terms.advised import Prediction
from rules.terms.events import DAY_MS
from rules.turn.advising import for_adviser
from rules.turn.state import EngineState
from rules.turn.together import Together

_DAY_OF_A_MAT: tuple[Hourly, Hourly] = ("mat_c", "temperature_c")


def present(settings: Settings, state: EngineState) -> dict[str, Situation]:
    """Return the situation of each chamber at its newest instant, as `advance` handed it out; none of one never looked at."""
    known = {name: state.places[name].present for name in settings.chambers if name in state.places}
    return {name: situation for name, situation in known.items() if situation is not None}


def advised_on(settings: Settings, state: EngineState, chamber: str) -> Situation | None:
    """Return a chamber's present as its adviser would look at it: with the swings of the last hours and the settings told."""
    situation = present(settings, state).get(chamber)
    adviser = state.advice.get(chamber, AdviceState())
    together = Together(settings, state, Presents(state.places), alarms.all_standing(state.alarms))
    if situation is None:
        return None
    climate = Climate(state.places)
    mat, air = (climate.hours(chamber, name, DAY_MS, situation.at_ms) for name in _DAY_OF_A_MAT)
    advised = for_adviser(settings, state, situation, adviser, together, climate)
    return replace(advised, mat_day=mat_day(mat, air), moves=climate.moves(chamber, situation.at_ms))


def ahead(settings: Settings, state: EngineState, chamber: str) -> tuple[Prediction, ...]:
    """Return what comes in a chamber's next hours if nothing is changed; nothing where it is not seen."""
    situation = advised_on(settings, state, chamber)
    if situation is None:
        return ()
    return outlook(sized(settings, state.keeper).chambers[chamber], state.advice.get(chamber, AdviceState()), situation)
