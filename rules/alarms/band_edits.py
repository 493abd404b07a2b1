"""Which alarms' limits an edit of the config moved: only those are looked at anew at once, all others go on undisturbed."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from hashlib import blake2b

from rules.climate.hysteresis import Walk
from rules.settings import Settings
from rules.settings.bands import Band
from rules.trade.alarm_kinds import ALARMS

OTHERS = "*"


def limits_of(settings: Settings, name: str) -> dict[str, str]:
    """Return a digest of what decides where a chamber's alarms begin, by alarm; under `*` that of all alarms not named."""
    chamber = settings.chambers[name]
    shared = [chamber.role, chamber.two_probes]
    edges = {alarm: kind.edge for alarm, kind in ALARMS.items() if kind.edge is not None}
    found = {alarm: [*shared, *_edge(getattr(chamber, band), side)] for alarm, (band, side) in edges.items()}
    found["humidity-high"].append(chamber.lid_dew.model_dump(mode="json"))
    probes = [probe.model_dump(mode="json") for probe in settings.probes.values() if probe.place == name]
    found[OTHERS] = [chamber.model_dump(mode="json", exclude={"title"}), probes]
    return {alarm: blake2b(json.dumps(value).encode(), digest_size=8).hexdigest() for alarm, value in found.items()}


def _edge(band: Band, side: str) -> list[object]:
    by_time = [part.model_dump(mode="json", include={"begin", "end", "ramp", side}) for part in band.by_time]
    return [getattr(band, side), getattr(band, f"harmful_{side}"), band.deadband, by_time]


def edited(walks: Mapping[str, Walk], before: Mapping[str, str], now: Mapping[str, str]) -> dict[str, Walk]:
    """Return the walks, those whose limits moved marked as edited. Nothing known of `before`: all of them."""
    return {key: replace(walk, edited=walk.edited or _of(key, before) != _of(key, now)) for key, walk in walks.items()}


def _of(key: str, limits: Mapping[str, str]) -> str:
    return limits.get(key, limits.get(OTHERS, ""))
