"""What is known of every chamber now, from the state alone: for the status that is published, the page and `dewlid why`."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from rules.advice.state import AdviceState
from rules.climate.hours import Climate
from rules.climate.situate import situation_at
from rules.climate.situation import Situation
from rules.climate.stream import Rows, Stretch
from rules.settings import Settings
from rules.turn.advising import with_swings
from rules.turn.perceive import perceive
from rules.turn.state import EngineState

_NOTHING = Rows((), np.empty(0, np.int32), np.empty(0, np.int64), np.empty(0, np.int64), np.empty(0, np.float64))


def present(settings: Settings, state: EngineState) -> dict[str, Situation]:
    """Return the situation of each chamber that has a probe, at the last closed instant; the state is not changed.

    `watch` must be the one that the state was last advanced with.
    """
    at_ms = state.closed_ms - 1
    scratch = replace(state, probes=dict(state.probes), places=dict(state.places))
    views, _, _ = perceive(settings, scratch, Stretch(at_ms, at_ms + 1, (), _NOTHING, ()), (at_ms,))
    climate, nothing = Climate(state.places), AdviceState()
    return {
        name: with_swings(
            climate, situation_at(view, len(view.at_ms) - 1, settings.pressure_pa), state.advice.get(name, nothing)
        )
        for name, view in views.items()
    }
