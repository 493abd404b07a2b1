"""A heated box of three heat stores (mat, air, contents) under an on/off thermostat, for tests of what is said of heaters.

Not the balance that the program uses: the mat stores heat, the thermostat has its own sensor with lag and a width, and the
probe can sit near the mat. Steps of ten seconds; figures are those of ordinary small boxes, own estimates.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import UTC
from math import sin

from advice_scenes import devices

from rules.settings import Chamber, Garden, Probe, Room, Settings, Site, Telling
from rules.terms.events import MINUTE_MS, Batch, Event, Reading
from rules.terms.words import Word
from rules.turn.advance import Advanced, EngineState, advance

NOON_MS = 1_770_033_600_000
STEP_S = 10.0
Hourly = Callable[[float], float]


def always(value: float) -> Hourly:
    return lambda hour: value


@dataclass
class HeatedBox:
    """One box; `room_c`, `setpoint_c`, `works` (1: sound, 0: dead or unplugged) and `stuck` by hours since noon."""

    room_c: Hourly = field(default_factory=lambda: always(20.0))
    setpoint_c: Hourly = field(default_factory=lambda: always(25.5))
    works: Hourly = field(default_factory=lambda: always(1.0))
    stuck: Hourly = field(default_factory=lambda: always(0.0))
    sun_w: Hourly = field(default_factory=lambda: always(0.0))
    watts: float = 14.0
    width_k: float = 0.8
    sensor_lag_s: float = 400.0
    mat_j_k: float = 900.0
    air_j_k: float = 600.0
    inside_j_k: float = 5000.0
    mat_w_k: float = 0.8
    inside_w_k: float = 2.5
    loss_w_k: float = 0.95
    near_mat: float = 0.0
    start_c: float | None = None

    def minutes(self, hours: float) -> Iterator[tuple[float, float, float]]:
        """Yield what the air's probe, the mat's probe and the room's probe read at each full minute."""
        air = inside = mat = sensor = self.start_c if self.start_c is not None else self.setpoint_c(0.0)
        on = False
        for step in range(round(hours * 3600.0 / STEP_S)):
            hour = step * STEP_S / 3600.0
            room = self.room_c(hour)
            if step % round(60.0 / STEP_S) == 0:
                yield air + self.near_mat * (mat - air), mat, room
            on = sensor < self.setpoint_c(hour) + (0.5 if on else -0.5) * self.width_k
            power = self.watts * self.works(hour) * (1.0 if on or self.stuck(hour) else 0.0)
            to_air, to_inside = self.mat_w_k * (mat - air), self.inside_w_k * (air - inside)
            mat += (power - to_air) * STEP_S / self.mat_j_k
            gain = to_air - to_inside - self.loss_w_k * (air - room) + self.sun_w(hour)
            air += gain * STEP_S / self.air_j_k
            inside += to_inside * STEP_S / self.inside_j_k
            sensor += (air - sensor) * STEP_S / self.sensor_lag_s


def settings_of(chamber: Chamber, *, mat_probe: bool = False, room_probe: bool = True) -> Settings:
    probes = {"inside": Probe(place="north", interval=MINUTE_MS)}
    probes |= {"mat": Probe(place="north", role="heater-surface", interval=MINUTE_MS)} if mat_probe else {}
    probes |= {"outside": Probe(place="study", interval=MINUTE_MS)} if room_probe else {}
    return Settings(
        site=Site(), zone=UTC, rooms={"study": Room()}, chambers={"north": chamber.model_copy(update={"room": "study"})},
        probes=probes, telling=Telling(),
    )


def chamber(setpoint_c: float | None = 25.5, **changed: object) -> Chamber:
    return Chamber(devices=devices(setpoint_c=setpoint_c, **changed), garden=Garden(volume_ml=500.0))


def readings(settings: Settings, course: Iterable[tuple[float, float, float]]) -> list[Reading]:
    """Return the readings of a course, with a little noise of the probes."""
    out = []
    for minute, (air, mat, room) in enumerate(course):
        at_ms, noise = NOON_MS + minute * MINUTE_MS, 0.03 * sin(minute * 2.4)
        figures = {"inside": air, "outside": room}
        for probe in figures.keys() & settings.probes.keys():
            out.append(Reading(at_ms, probe, "air_temperature", round(figures[probe] + noise, 2), at_ms))
            humidity = 45.0 if probe == "outside" else 79.0
            out.append(Reading(at_ms, probe, "relative_humidity", round(humidity + 4.0 * noise, 1), at_ms))
        if "mat" in settings.probes:
            out.append(Reading(at_ms, "mat", "surface_temperature", round(mat + noise, 2), at_ms))
    return out


def played(
    settings: Settings, course: Iterable[tuple[float, float, float]], hours: float, words: Iterable[Word] = (),
    state: EngineState | None = None,
) -> list[Event]:
    return advanced(settings, course, hours, words, state).events


def advanced(
    settings: Settings, course: Iterable[tuple[float, float, float]], hours: float, words: Iterable[Word] = (),
    state: EngineState | None = None,
) -> Advanced:
    batch = Batch.of(readings(settings, course), words)
    return advance(settings, state, batch, NOON_MS + round(hours * 60) * MINUTE_MS)
