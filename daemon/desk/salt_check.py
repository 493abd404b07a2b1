"""Calibrating a probe from the readings in the store: periods over salts, or beside a trusted probe."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from daemon.desk.keeper_desk import KeeperDesk
from daemon.store.reader import HistoryReader
from daemon.store.spool import WordError
from rules.physics.salt_points import (
    SALTS,
    CheckPoint,
    Correction,
    Equilibrium,
    Point,
    SaltName,
    Sample,
    by_comparison,
    check_point,
    equilibrium,
    one_point,
    paired,
    salt_point,
    two_point,
)
from rules.physics.saturation import OutOfRange
from rules.physics.uncertainty import standard_uncertainty_from_limits
from rules.terms.events import DAY_MS, MINUTE_MS
from rules.terms.quantities import Quantity

WORKING_PCT = 80.0
"""Where in the range the correction's uncertainty is told: a fungus chamber's humidity."""
LONGEST_SOAK_MS = 4 * DAY_MS
TEMPERATURE_NEAR_MS = 10 * MINUTE_MS


@dataclass(frozen=True, slots=True)
class Soak:
    """One stay of a probe over a salt."""

    salt: SaltName
    from_ms: int
    to_ms: int


@dataclass(frozen=True, slots=True)
class Soaked:
    """What came of it: the state of equilibrium and, once it is reached, the comparison."""

    soak: Soak
    rest: Equilibrium
    point: Point | None


def soak_of(desk: KeeperDesk, text: str) -> Soak:
    """Return the stay that the keeper wrote as SALT@FROM or SALT@FROM/TO; raises WordError."""
    match = re.fullmatch(r"([a-z-]+)(?:@([^/]+)(?:/(.+))?)?", text)
    if match is None or match[1] not in SALTS:
        raise WordError(f"--salt: found {text!r}; write SALT@FROM or SALT@FROM/TO with one of {', '.join(SALTS)}")
    if match[2] is None:
        raise WordError(f"--salt: since when does the probe lie in it? Write {match[1]}@20:30 or {match[1]}@2027-05-01T20:30")
    from_ms, to_ms = past_moment(desk, match[2]), past_moment(desk, match[3])
    if not from_ms < to_ms <= from_ms + LONGEST_SOAK_MS:
        raise WordError(f"--salt {text}: the end must lie after the beginning, and at most four days after it")
    return Soak(match[1], from_ms, to_ms)


def past_moment(desk: KeeperDesk, text: str | None) -> int:
    """Return an instant as the keeper writes it; a time of day that is still to come was yesterday's."""
    at_ms = desk.moment(text)
    return at_ms - DAY_MS if text and at_ms > desk.now_ms and re.fullmatch(r"\d{1,2}:\d{2}", text) else at_ms


def samples(desk: KeeperDesk, probe: str, soak: Soak, temperature_c: float | None) -> list[Sample]:
    """Return the probe's raw humidity with the temperature beside it, as the rules want them."""
    with HistoryReader(desk.configuration.store) as reader:
        at_ms, humidity = series(reader, probe, "relative_humidity", soak.from_ms, soak.to_ms)
        if temperature_c is not None:
            warm = np.full(len(at_ms), temperature_c)
        else:
            warm = _beside(at_ms, *series(reader, probe, "air_temperature", soak.from_ms, soak.to_ms))
            known = desk.state.probes[probe].corrections.get("air_temperature")
            warm = warm if known is None else known.gain * warm + known.offset
    return list(zip(at_ms.tolist(), humidity.tolist(), warm.tolist(), strict=True))


def series(
    reader: HistoryReader, probe: str, quantity: Quantity, from_ms: int, to_ms: int
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return one series' instants and raw values within [from, to), in order of measurement."""
    found = reader.readings(from_ms, to_ms, [(probe, quantity)])
    order = np.argsort(found.at_ms, kind="stable")
    return found.at_ms[order], found.value[order]


def _beside(
    at_ms: NDArray[np.int64], warm_ms: NDArray[np.int64], warm: NDArray[np.float64]
) -> NDArray[np.float64]:
    if not len(warm_ms):
        return np.full(len(at_ms), np.nan)
    index = np.clip(np.searchsorted(warm_ms, at_ms), 1, max(len(warm_ms) - 1, 1))
    left, right = np.minimum(index - 1, len(warm_ms) - 1), np.minimum(index, len(warm_ms) - 1)
    near = np.where(np.abs(warm_ms[left] - at_ms) <= np.abs(warm_ms[right] - at_ms), left, right)
    return np.where(np.abs(warm_ms[near] - at_ms) <= TEMPERATURE_NEAR_MS, warm[near], np.nan)


def soaked(desk: KeeperDesk, probe: str, soak: Soak, temperature_c: float | None) -> Soaked:
    """Return how a stay ended; raises WordError for a temperature at which the salt's humidity is not known."""
    rest = equilibrium(samples(desk, probe, soak, temperature_c), SALTS[soak.salt].soak_for_ms)
    if not rest.settled or rest.relative_humidity_pct is None or rest.temperature_c is None:
        return Soaked(soak, rest, None)
    try:
        true = salt_point(soak.salt, rest.temperature_c)
    except OutOfRange as error:
        text = f"{soak.salt} at {rest.temperature_c:.1f} degC: {error.allowed} is allowed; let it soak there"
        raise WordError(text) from error
    raw_u = rest.u_relative_humidity_pct or 0.0
    return Soaked(soak, rest, Point(rest.relative_humidity_pct, raw_u, true.relative_humidity_pct, true.u_pct))


def correction_of(points: list[Point]) -> tuple[Correction, CheckPoint | None]:
    """Return the correction from one or two points, and what it leaves at a third; raises WordError."""
    if len(points) > 3:
        raise WordError("--salt: at most three: two make the correction, the third checks it")
    try:
        made = one_point(points[0]) if len(points) == 1 else two_point(*sorted(points[:2], key=lambda point: point.raw))
    except ValueError as error:
        raise WordError(str(error)) from error
    return made, check_point(made, points[2]) if len(points) == 3 else None


def compared(
    desk: KeeperDesk, probe: str, reference: str, quantity: Quantity, from_ms: int, to_ms: int
) -> tuple[Correction, int]:
    """Return the correction from lying beside a trusted probe, and the number of pairs; raises WordError."""
    facts = desk.settings.probes[reference]
    limits = facts.accuracy_humidity_pct if quantity == "relative_humidity" else facts.accuracy_temperature_k
    trusted = desk.state.probes[reference].corrections.get(quantity)
    with HistoryReader(desk.configuration.store) as reader:
        mine = series(reader, probe, quantity, from_ms, to_ms)
        at_ms, other = series(reader, reference, quantity, from_ms, to_ms)
    u_reference = standard_uncertainty_from_limits(limits)
    if trusted is not None:
        other, u_reference = trusted.gain * other + trusted.offset, trusted.standard_uncertainty
    within_ms = max(MINUTE_MS, desk.settings.probes[probe].interval, facts.interval)
    pairs = paired(_rows(*mine), _rows(at_ms, other), within_ms)
    try:
        return by_comparison(pairs, u_reference), len(pairs)
    except ValueError as error:
        raise WordError(f"{probe} against {reference}: {error}") from error


def _rows(at_ms: NDArray[np.int64], value: NDArray[np.float64]) -> list[tuple[int, float]]:
    return list(zip(at_ms.tolist(), value.tolist(), strict=True))


def word_of(probe: str, quantity: Quantity, made: Correction, method: str) -> dict[str, Any]:
    """Return the keeper's word that makes a correction hold."""
    at = WORKING_PCT if quantity == "relative_humidity" else 25.0
    return {
        "word": "calibrated", "probe": probe, "quantity": quantity,
        "offset": round(made.offset, 4), "gain": round(made.gain, 5),
        "standard_uncertainty": round(made.standard_uncertainty_at((at - made.offset) / made.gain), 4), "method": method,
    }  # fmt: skip
