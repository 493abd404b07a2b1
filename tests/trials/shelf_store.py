"""A store with content: the simulated shelf, judged by the real rules and recorded by the real history."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from adapters.simulated_shelf import PROBES, simulate
from daemon.config.configuration import load
from daemon.config.settings import settings_of
from daemon.store.history import History
from rules.terms.events import HOUR_MS, Batch, Item
from rules.turn.advance import EngineState, advance, dump_state

CONFIG = """
[site]
name = "North shelf"
time_zone = "Europe/Berlin"
state_folder = "{folder}"

[room.study]

[chamber.big-nest]
title = "Big nest"
room = "study"
air_ml = 8000
lid = {{ build = "insulated", insulation_mm = 10 }}
garden = {{ volume_ml = 1500, basin_ml = 3000 }}
devices.can_insulate_lid = true
devices.wet_granules = true
devices.heater = {{ watts = 9, setpoint_c = 25.6 }}
devices.mister = {{ ml_per_press = 1 }}

[chamber.small-nest]
title = "Small nest"
room = "study"
air_ml = 2500
lid = {{ build = "insulated", insulation_mm = 10 }}
garden = {{ volume_ml = 120, basin_ml = 500 }}
devices.can_insulate_lid = true
devices.wet_granules = true
devices.heater = {{ watts = 3.3, setpoint_c = 25.3 }}
devices.mister = {{ ml_per_press = 1 }}
"""
PROBE = """
[probe.{name}]
kind = "simulated-chamber"
measures = "{name}"
place = "{place}"
role = "{role}"
interval = "1min"
"""


def write_config(folder: Path, more: str = "") -> Path:
    """Write the config of the simulated shelf, its store beside it."""
    roles = {name: "lid" if name.endswith("lid") else "air" for name in PROBES}
    probes = "".join(PROBE.format(name=name, place=place, role=roles[name]) for name, (place, _) in PROBES.items())
    path = folder / "dewlid.toml"
    path.write_text(CONFIG.format(folder=folder) + probes + more)
    return path


def fill(
    config: Path, start_ms: int, days: float, *, items: Sequence[Item] = (), seed: int = 1, slice_ms: int = 6 * HOUR_MS
) -> None:
    """Run so many days of the shelf through the rules into the store."""
    configuration = load(config)
    settings = settings_of(configuration)
    history = History.open(configuration.store, now_ms=start_ms)
    state: EngineState | None = None
    year = simulate(start_ms, days, seed)
    end_ms = start_ms + int(days * 24 * HOUR_MS)
    for begin_ms in range(start_ms, end_ms, slice_ms):
        until_ms = min(begin_ms + slice_ms, end_ms)
        low, high = np.searchsorted(year.taken_ms, (begin_ms, until_ms))
        mine = tuple(item for item in items if begin_ms <= item.taken_ms < until_ms)
        columns = (year.series_index[low:high], year.taken_ms[low:high], year.at_ms[low:high], year.value[low:high])
        batch = Batch(year.series, *columns, mine)
        advanced = advance(settings, state, batch, until_ms)
        state = advanced.state
        history.record(batch, advanced.events, dump_state(state), [])
    history.close()
