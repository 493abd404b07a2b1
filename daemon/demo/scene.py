"""What happens on the demo's shelf, and the config that watches it. All of it is invented."""

from __future__ import annotations

from dataclasses import dataclass

from adapters.simulated_shelf import BIG, ROOM, SMALL, Incident

SCRIPT: tuple[Incident, ...] = (
    Incident("mist", BIG, 18.5, 18.54),
    Incident("open window", ROOM, 45.0, 54.5),
    Incident("heater fails", BIG, 46.5, 72.0),
    Incident("sun", ROOM, 57.5, 65.0),
    Incident("thermostat sticks", SMALL, 57.8, 72.0),
    Incident("probe freezes", "small-air", 74.0, 96.0),
)
"""What goes wrong, in hours since the first midnight; most of it lasts until the keeper repairs it."""

OUT_H: tuple[tuple[float, float], ...] = ((56.5, 60.0),)
"""When the keeper is out of the house and hears nothing."""


@dataclass(frozen=True, slots=True)
class Trouble:
    """One thing that goes wrong: where, when, how a neighbour would tell it, and by which alarms it must be found."""

    chamber: str
    begin_h: float
    end_h: float
    told: str
    alarms: tuple[str, ...]


TROUBLES = (
    Trouble(BIG, 18.5, 34.0, "somebody mists the big nest far too much", ("lid-dew", "humidity-high")),
    Trouble(BIG, 46.5, 57.0, "the big nest's heat mat fails while the window stands open on a cold night",
            ("heater-failed", "temperature-low")),
    Trouble(SMALL, 57.8, 73.0, "the small nest's thermostat sticks on a sunny day: hot, and so it dries",
            ("heater-runaway", "temperature-high", "humidity-low")),
    Trouble(SMALL, 74.0, 97.0, "the small nest's probe freezes at one value, as if all were well", ("probe-fault", "blind")),
)  # fmt: skip

CONFIG = """\
# The config of the demo: a simulated shelf with two fungus chambers. `dewlid run {file}` lets it go on.
# `dewlid keys` explains every key; a config for real probes is sample_config/one-chamber.toml.

[site]
name = "demo shelf"
time_zone = "UTC"
state_folder = "{state}"

[room.study]

[chamber.big-nest]
title = "Big nest"
room = "study"
air_ml = 8000
lid = {{ material = "acrylic", thickness_mm = 3, build = "insulated", insulation_mm = 10, vent_share = 0.02 }}
garden = {{ volume_ml = 1500, basin_ml = 3000 }}
devices.heater = {{ watts = 9, mount = "side", thermostat = true, setpoint_c = 25.6 }}
devices.mister = {{ ml_per_press = 1 }}
devices.vents = {{ count = 2 }}

[chamber.small-nest]
title = "Small nest"
room = "study"
air_ml = 2500
lid = {{ material = "acrylic", thickness_mm = 3, build = "insulated", insulation_mm = 10, vent_share = 0.02 }}
garden = {{ volume_ml = 120, basin_ml = 500 }}
devices.heater = {{ watts = 3.3, mount = "side", thermostat = true, setpoint_c = 25.3 }}
devices.mister = {{ ml_per_press = 1 }}
devices.vents = {{ count = 2 }}

[probe.big-air]
kind = "simulated-chamber"
measures = "big-air"
place = "big-nest"
interval = "2min"

[probe.big-lid]
kind = "simulated-chamber"
measures = "big-lid"
place = "big-nest"
role = "lid"
interval = "2min"

[probe.small-air]
kind = "simulated-chamber"
measures = "small-air"
place = "small-nest"
interval = "2min"

[probe.room-air]
kind = "simulated-chamber"
measures = "room-air"
place = "study"
interval = "2min"

[outlet.screen]
kind = "console"
tell = ["alarm", "advice", "letter", "word"]
"""

BROKER = """
[broker.demo]
host = "127.0.0.1"
port = {port}

[outlet.topics]
kind = "mqtt"
broker = "demo"
"""
