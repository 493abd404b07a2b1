"""What comes in the next hours if nothing is changed and the room stays as it is, with its spread: for those who only look."""

from __future__ import annotations

from rules.advice.balance import present_of
from rules.advice.recalled import model_of
from rules.advice.search import unchanged
from rules.advice.state import AdviceState
from rules.advice.text import prediction
from rules.climate.situation import Situation
from rules.keeper.devices import present_knobs
from rules.settings import Chamber
from rules.terms.advised import Prediction

AHEAD_H = 6.0  # own estimate


def outlook(chamber: Chamber, state: AdviceState, situation: Situation) -> tuple[Prediction, ...]:
    """Return the predictions from now on; none where temperature or humidity is not believed."""
    if situation.temperature_c is None or situation.relative_humidity_pct is None or situation.saturated:
        return ()
    knobs = present_knobs(chamber, situation.changes)
    course = unchanged(present_of(model_of(chamber, state), chamber, situation, knobs))
    return tuple(
        prediction(row, situation, None, lid_known=situation.dew_margin_k is not None)
        for row in course if row.after_h <= AHEAD_H
    )  # fmt: skip
