"""What a plan of care needs to know of the boxes: how warm each is, and when it is cold or hot there, by its own model."""

from __future__ import annotations

from math import exp

from daemon.desk.keeper_desk import KeeperDesk
from rules.advice.boxes import MARKS_C, marks_ahead
from rules.advice.model import COOLING
from rules.advice.recalled import model_of
from rules.advice.state import AdviceState
from rules.care.plans import HOT_C, Box, Mark
from rules.care.schedule import founds
from rules.keeper.state import garden_ml
from rules.settings import Chamber, Room
from rules.turn.present import present


def coldest_room_c(desk: KeeperDesk) -> float:
    """Return how cold the coldest room with a fungus chamber gets in a year, by the config."""
    rooms = [one.room for one in desk.settings.chambers.values() if one.role == "fungus"]
    return min((desk.settings.rooms[name] if name is not None else Room()).coldest_c for name in rooms or [None])


def boxes(desk: KeeperDesk, room_c: float) -> list[Box]:
    """Return every fungus chamber with the times at which it is at the marks in a room of this temperature."""
    return [_box(desk, name, one, room_c) for name, one in desk.settings.chambers.items() if one.role == "fungus"]


def _box(desk: KeeperDesk, name: str, chamber: Chamber, room_c: float) -> Box:
    seen = present(desk.settings, desk.state).get(name)
    aim_c = chamber.temperature.target or 0.5 * ((chamber.temperature.low or 24.0) + (chamber.temperature.high or 28.0))
    now_c = aim_c if seen is None or seen.temperature_c is None else seen.temperature_c
    model = model_of(chamber, desk.state.advice.get(name, AdviceState()))
    tau_h, spread = 1.0 / model.value(COOLING), exp(model.covariance[COOLING][COOLING] ** 0.5)
    still_c = [] if chamber.temperature.harmful_low is None else [chamber.temperature.harmful_low]
    cold, hot = [mark for mark in MARKS_C if now_c <= mark], [mark for mark in HOT_C if now_c >= mark]
    past = [Mark(mark, 0.0, 0.0, 0.0) for mark in cold + hot]
    ahead = [
        Mark(mark, tau_h * share, tau_h * share / spread, tau_h * share * spread)
        for mark, share in marks_ahead(now_c, room_c, (*still_c, *MARKS_C) if room_c < now_c else HOT_C)
    ]
    shut = founds(desk.settings, desk.state.keeper, name)
    return Box(chamber.title or name, garden_ml(desk.state.keeper, name, chamber), now_c, (*past, *ahead), shut)
