"""The present reasoning about one chamber, laid open: readings, derived figures, the model, what was searched, who won."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from math import sqrt
from typing import Any

from rules.advice.cause import Cause
from rules.advice.model import LIFT, NAMES, ChamberModel
from rules.advice.plan import plan
from rules.advice.planned import Plan
from rules.advice.recalled import cause_of, model_of
from rules.advice.search import Candidate
from rules.advice.standing import Standing, climate_stands
from rules.advice.state import AdviceState
from rules.advice.steady import steadied
from rules.advice.text import lacking_of, reason_of_plan
from rules.climate.situation import MatDay, Situation
from rules.keeper.devices import present_knobs
from rules.physics.mat_ends import MatEnds, mat_ends
from rules.settings import Chamber, Room, Settings
from rules.terms.condition_changes import Harm
from rules.trade.acts import ACTS
from rules.trade.coupled_cases import CASES

_UNITS = {
    "exchange": "1/h over k", "vent": "1/h over k, each", "fan": "1/h over k, running", "evaporation": "1/h over k",
    "lid": "1/h over k", "cooling": "1/h", "lift": "K", "buffer": "",
}


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure with its unit and standard uncertainty, as far as known; `note`: what it means."""

    name: str
    value: float | None
    unit: str
    uncertainty: float | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Weighed:
    """One candidate: what would be changed, how sure it is to do, where it ends, and what it costs the keeper."""

    changes: tuple[str, ...]
    in_band_share: float
    violation: float
    effort: float
    temperature_c: float
    humidity_pct: float
    margin_k: float


@dataclass(frozen=True, slots=True)
class ModelFigure:
    """A parameter of the chamber's model: median, 95 % interval, and whether the data or only the geometry tell it."""

    name: str
    value: float
    low: float
    high: float
    unit: str
    from_data: bool


@dataclass(frozen=True, slots=True)
class Reasoning:
    """All that `dewlid why` prints; the wording of it is the adapters' matter."""

    chamber: str
    at_ms: int
    readings: tuple[Figure, ...]
    derived: tuple[Figure, ...]
    standing: tuple[str, ...]
    harm: tuple[Harm, ...]
    lacking: tuple[str, ...]
    cell: int | None
    meaning: str
    case: str | None
    facts: tuple[str, ...]
    settings: dict[str, float]
    gains: dict[str, float]
    model_source: str
    model: tuple[ModelFigure, ...]
    model_notes: tuple[str, ...]
    searched: int
    refused: int
    feasible: bool | None
    unmet: tuple[str, ...]
    winner: Weighed | None
    runner_up: Weighed | None
    nothing_done: Weighed | None
    mat: MatEnds | None
    mat_day: MatDay | None
    advice: tuple[str, ...]
    never: tuple[str, ...]
    reason: str
    sources: tuple[str, ...] = field(default=())

    asked: bool = True
    """Whether the advice is asked of the keeper, or only would be, if what has begun lasts."""

    def as_json(self) -> dict[str, Any]:
        """Return the reasoning as a JSON object."""
        return asdict(self)


def explain(
    settings: Settings, chamber_id: str, state: AdviceState, situation: Situation, standing: Mapping[str, Standing]
) -> Reasoning:
    """Return why the advice of this instant is what it is; nothing is remembered or told by asking."""
    chamber = settings.chambers[chamber_id]
    fresh = AdviceState(
        gains=state.gains, model=state.model, mist_failures=state.mist_failures, stopped_c=state.stopped_c,
    )  # without the waits of what was done: what would be advised if all might be changed now
    steady = steadied(chamber, situation, standing)
    wanted = plan(chamber, fresh, steady, standing)
    cause = cause_of(chamber, state, steady, standing) if situation.temperature_c is not None else None
    model = model_of(chamber, state)
    solution = wanted.solution if wanted is not None else None
    return Reasoning(
        chamber=chamber_id, at_ms=situation.at_ms, readings=_readings(situation), derived=_derived(situation, cause),
        standing=tuple(f"{row.alarm}: {row.condition}, {row.priority}" for row in standing.values()),
        harm=situation.harm, lacking=_lacking(wanted, situation), cell=None if cause is None else cause.cell.number,
        meaning="" if cause is None else cause.cell.meaning, case=_case(cause),
        facts=() if cause is None else tuple(sorted(cause.facts)), settings=present_knobs(chamber, situation.changes),
        gains={name: round(gain.mean, 2) for name, gain in state.gains.items()}, model_source=model.source,
        model=tuple(
            ModelFigure(name, model.value(i), *model.interval(i), _UNITS[name], model.identified.get(name, False))
            for i, name in enumerate(NAMES)
        ),
        model_notes=tuple(model.notes), searched=0 if solution is None else solution.searched,
        refused=0 if solution is None else solution.refused, feasible=None if solution is None else solution.feasible,
        unmet=() if solution is None else solution.unmet, winner=None if solution is None else _weighed(solution.winner),
        runner_up=None if solution is None or solution.runner_up is None else _weighed(solution.runner_up),
        nothing_done=None if solution is None else _weighed(solution.idle),
        mat=_mat(settings, chamber, model), mat_day=situation.mat_day,
        advice=() if wanted is None else tuple(action.text for action in wanted.actions),
        never=() if wanted is None else tuple(row.text for row in wanted.never),
        reason=_reason(wanted, situation, steady, standing, state), sources=_sources(wanted, cause),
    )


def _readings(s: Situation) -> tuple[Figure, ...]:
    return (
        Figure("air temperature", s.temperature_c, "°C", s.u_temperature_k),
        Figure("relative humidity", s.relative_humidity_pct, "%RH", s.u_relative_humidity_pct),
        Figure("lid temperature", s.lid_temperature_c, "°C", None, s.lid_source or "not known"),
        Figure("room temperature", s.room_temperature_c, "°C"),
        Figure("room humidity", s.room_relative_humidity_pct, "%RH"),
        *([] if s.mat_temperature_c is None else [Figure("heat mat", s.mat_temperature_c, "°C")]),
        Figure("temperature slope", s.temperature_slope_k_h, "K/h"),
        Figure("humidity slope", s.humidity_slope_pct_h, "points/h"),
    )


def _derived(s: Situation, cause: Cause | None) -> tuple[Figure, ...]:
    star = None if cause is None else cause.humidity_at_target_pct
    floor = None if cause is None else cause.humidity_floor_pct
    target = "" if cause is None else f"the same vapour at {cause.goal.temperature_c:g} °C"
    return (
        Figure("dew point", s.dew_point_c, "°C", s.u_dew_point_k),
        Figure("dew margin of the lid", s.dew_margin_k, "K", s.u_dew_margin_k, "lid minus dew point; below 0 it gets wet"),
        Figure("water on the lid", s.condensate_g_m2, "g/m2"),
        Figure("vapour pressure deficit", s.vapour_pressure_deficit_pa, "Pa"),
        Figure("humidity at target temperature", star, "%RH", None, target),
        *([] if cause is None or cause.thermostat is None else [
            Figure("thermostat's set point", cause.setpoint_c, "°C", None, f"it is {cause.thermostat.replace('-', ' ')}")
        ]),
        Figure("humidity floor by venting", floor, "%RH", None, "what the room's air would give in the chamber"),
    )


def _mat(settings: Settings, chamber: Chamber, model: ChamberModel) -> MatEnds | None:
    """Return where the heat mat ends: by its own course where the fit has found how far it lifts, else by the box's build."""
    room = settings.rooms[chamber.room] if chamber.room is not None else Room()
    known = model.source == "fitted" and model.identified.get("lift", False)
    spread = sqrt(max(model.covariance[LIFT][LIFT], 0.0))
    return mat_ends(chamber, room, lift_k=model.value(LIFT), spread=spread) if known else mat_ends(chamber, room)


def _lacking(wanted: Plan | None, situation: Situation) -> tuple[str, ...]:
    return tuple(situation.lacking) if wanted is None else lacking_of(wanted, situation)


def _case(cause: Cause | None) -> str | None:
    return None if cause is None or cause.case is None else f"{cause.case}: {CASES[cause.case].diagnosis}"


def _weighed(candidate: Candidate) -> Weighed:
    rest = candidate.rest
    return Weighed(
        tuple(move.text for move in candidate.moves), round(candidate.in_band, 3), round(candidate.violation, 3),
        round(candidate.effort, 2), round(rest.temperature_c, 2), round(rest.humidity_pct, 1), round(rest.margin_k, 2),
    )


def _reason(
    wanted: Plan | None, moment: Situation, steady: Situation, standing: Mapping[str, Standing], state: AdviceState
) -> str:
    if wanted is not None:
        return reason_of_plan(wanted, moment, steady, state.worth)
    if climate_stands(standing):
        return "Something stands, but nothing that may be changed now would repair it."
    return "Nothing stands: nothing to do."


def _sources(wanted: Plan | None, cause: Cause | None) -> tuple[str, ...]:
    out = [] if cause is None else [cause.cell.source]
    out += [] if wanted is None else [ACTS[act].source for act in wanted.acts]
    return tuple(dict.fromkeys(out))
