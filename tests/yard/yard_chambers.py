"""Chambers drawn at random over what keepers own, and what their keepers wrote into the config, rightly or wrongly.

Spans without a source are own estimates of what stands on keepers' shelves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from yard_box import Box, Parts
from yard_devices import Controls, Heating, Openings
from yard_recorded_box import RecordedBox, RecordedParts
from yard_rooms import SEASONS, Cabinet, Course, course, lively

WORLDS = ("nodes", "recorded", "lively")
DAYS = 7
MINUTES = DAYS * 1440
# conductivity W/(m K), J/(m3 K): Holman, Heat Transfer, tables A-2 and A-3, and makers' data sheets (from memory)
PANES = {"acrylic": (0.19, 1.73e6), "polycarbonate": (0.21, 1.44e6), "glass": (0.78, 2.1e6), "pet": (0.24, 1.5e6)}


@dataclass(frozen=True)
class ToldLid:
    """The lid as the keeper wrote it down."""

    material: str
    thickness_mm: float
    build: str
    foam_mm: float | None
    walls: str
    right: bool

    def text(self, foam_mm: float) -> str:
        """Return its table in the config; who tells rightly tells the foam that lies there now."""
        foam, build = (foam_mm if self.right else self.foam_mm), self.build
        if self.right and foam and build == "single":
            build = "insulated"
        thick = f", insulation_mm = {foam:g}" if foam else ""
        return (
            f'{{ material = "{self.material}", thickness_mm = {self.thickness_mm:g}, build = "{build}"{thick},'
            f' walls = "{self.walls}" }}'
        )


@dataclass(frozen=True)
class Kept:
    """One chamber: how it is built, run and told, and what surrounds it."""

    world: str
    seed: int
    season: str
    parts: Parts | RecordedParts
    controls: Controls
    course: Course
    cabinet: tuple[float, float, float] | None
    litres: float
    lid_area_m2: float
    watts: float
    thermostat: bool
    vents: int
    has_fan: bool
    has_mister: bool
    press_ml: float
    told: ToldLid
    tells_setpoint: bool
    garden_ml: float
    room_probe: bool
    lid_probe: bool
    interval_min: int
    use: str = "fungus"
    """What it is for, or how it is heated: see `yard_uses`."""

    def box(self, columns: int) -> Box | RecordedBox:
        """Return the box at its start, for so many keepers."""
        made = Box if isinstance(self.parts, Parts) else RecordedBox
        return made(self.parts, columns, 24.5, 76.0)  # type: ignore[arg-type]

    def surround(self, columns: int) -> Cabinet | None:
        """Return the cabinet that it stands in, if any."""
        if self.cabinet is None:
            return None
        return Cabinet(columns, *self.cabinet, float(self.course.room_c[0]), float(self.course.room_g_m3[0]))


def drawn(world: str, seed: int) -> Kept:
    """Return the chamber of this seed."""
    rng = np.random.default_rng([seed, WORLDS.index(world), 1])
    season = SEASONS[rng.choice(3, p=(0.5, 0.25, 0.25))]
    litres = float(np.exp(rng.uniform(np.log(1.0), np.log(60.0))))
    height = (litres / 1000.0) ** (1 / 3) * rng.uniform(0.65, 1.15)
    area = litres / 1000.0 / height
    wall_m2 = 4.0 * area**0.5 * height
    lid = _lid(rng)
    warm_walls = bool(rng.random() < 0.25)
    loss_w_k = 5.0 * area + (1.4 if warm_walls else 6.0) * wall_m2
    heating = _heating(rng, loss_w_k)
    openings = Openings(
        litres / 1000.0 * float(np.exp(rng.uniform(np.log(0.1), np.log(1.0)))),
        litres / 1000.0 * float(np.exp(rng.uniform(np.log(0.3), np.log(1.5)))), litres / 1000.0 * rng.uniform(8.0, 40.0),
    )  # fmt: skip
    vents = int(rng.integers(1, 5))
    garden_ml = litres * 1000.0 * float(np.exp(rng.uniform(np.log(0.02), np.log(0.25))))
    parts = _parts(rng, world, litres, height, lid, warm_walls, heating, openings, garden_ml, loss_w_k)
    mister = bool(rng.random() < 0.6)
    controls = _controls(rng, litres, lid.foam_mm, heating, mister)
    around = course(rng, season, MINUTES)
    cabinet = None
    if world == "lively":
        around = lively(around, rng)
        if rng.random() < 0.4:
            cabinet = (loss_w_k * rng.uniform(2.0, 6.0), rng.uniform(8e3, 4e4), rng.uniform(0.3, 3.0))
    return Kept(
        world, seed, season, parts, controls, around, cabinet, litres, area, heating.watts, heating.thermostat, vents,
        bool(rng.random() < 0.4), mister, round(float(np.clip(0.1 * litres, 0.3, 1.2)), 1),
        _told_lid(rng, lid, warm_walls), bool(rng.random() < 0.75), garden_ml, bool(rng.random() < 0.75),
        bool(rng.random() < 0.15), int(rng.choice([1, 2, 5])),
    )  # fmt: skip


@dataclass(frozen=True)
class _Lid:
    material: str
    thickness_mm: float
    double: bool
    foam_mm: float

    @property
    def resistance(self) -> float:
        pane = self.thickness_mm / 1000.0 / PANES[self.material][0]
        return 2 * pane + 0.15 if self.double else pane  # still air of 1 to 2 cm between two panes (from memory)

    @property
    def heat_j_m2k(self) -> float:
        return self.thickness_mm / 1000.0 * PANES[self.material][1] * (1.5 if self.double else 1.0)


def _lid(rng: np.random.Generator) -> _Lid:
    material = str(rng.choice(list(PANES), p=(0.5, 0.2, 0.2, 0.1)))
    thickness = float(rng.choice([2.0, 3.0, 4.0, 5.0, 6.0]))
    build = rng.choice(["single", "double", "foam"], p=(0.6, 0.15, 0.25))
    return _Lid(material, thickness, build == "double", float(rng.choice([5.0, 10.0, 20.0])) if build == "foam" else 0.0)


def _told_lid(rng: np.random.Generator, lid: _Lid, warm_walls: bool) -> ToldLid:
    """Return what the keeper wrote of the lid; three of ten write something else than it is."""
    build = "double" if lid.double else "single"
    walls = "warm" if warm_walls else "cold"
    if rng.random() < 0.7:
        return ToldLid(lid.material, lid.thickness_mm, build, None, walls, True)
    truth = "insulated" if lid.foam_mm else build
    choices = [row for row in (("single", None), ("double", None), ("insulated", None), ("insulated", 20.0)) if row[0] != truth]
    build, foam = choices[rng.integers(len(choices))]
    return ToldLid(lid.material, lid.thickness_mm, build, foam, walls, False)


def _heating(rng: np.random.Generator, loss_w_k: float) -> Heating:
    watts = round(float(loss_w_k * rng.uniform(8.0, 18.0)), 1)
    mount = str(rng.choice(["side", "back", "below"], p=(0.6, 0.3, 0.1)))
    return Heating(
        watts=watts, mount=mount, thermostat=bool(rng.random() < 0.88),
        hysteresis_k=float(rng.uniform(0.1, 0.8)), sensor_lag_s=float(rng.uniform(90, 700)),
        sees_air=float(rng.uniform(0.55, 1.0)), bias_k=float(rng.normal(0.0, 0.6)), drift_k_d=float(rng.normal(0.0, 0.04)),
        mat_lag_s=float(rng.uniform(200, 900)), near_air=float(rng.uniform(0.05, 0.4)),
    )  # fmt: skip


def _controls(rng: np.random.Generator, litres: float, foam_mm: float, heating: Heating, mister: bool) -> Controls:
    one = lambda value: np.array([float(value)])  # noqa: E731
    mist = round(litres**0.67 * rng.uniform(0.1, 0.8), 1) if mister and rng.random() < 0.5 else 0.0
    return Controls(
        setpoint_c=one(round(25.5 + rng.normal(0.0, 0.7), 1)), power=one(1.0 if heating.thermostat else rng.uniform(0.3, 0.7)),
        plugged=one(1), vents=one(rng.integers(0, 2)), fan_min_h=one(0), mist_ml_d=one(mist), foam_mm=one(foam_mm),
    )  # fmt: skip


def _parts(
    rng: np.random.Generator, world: str, litres: float, height: float, lid: _Lid, warm_walls: bool, heating: Heating,
    openings: Openings, garden_ml: float, loss_w_k: float,
) -> Parts | RecordedParts:  # fmt: skip
    area = litres / 1000.0 / height
    granules = float(litres**0.67 * rng.uniform(1.0, 6.0))
    drip = float(rng.uniform(220.0, 550.0)) if rng.random() < 0.75 else float(rng.uniform(50.0, 100.0))
    if world == "recorded":
        bare = rng.uniform(0.34, 0.55)
        factor = 1.0 - (1.0 - bare) * (0.72 if lid.double else 1.0)
        return RecordedParts(
            litres, area, heating, openings, loss_w_k * 0.8, float(rng.uniform(0.7, 2.5)), factor, float(rng.uniform(15, 40)),
            area * rng.uniform(1.0, 3.0), float(rng.uniform(75, 96)), float(np.exp(rng.uniform(np.log(5), np.log(60)))),
            area * rng.uniform(4.0, 9.0), drip, granules,
        )  # fmt: skip
    half = float(rng.uniform(100.0, 400.0))
    return Parts(
        litres=litres, height_m=height, lid_r=lid.resistance, lid_j_m2k=lid.heat_j_m2k,
        wall_r=0.55 if warm_walls else 0.018, wall_j_m2k=float(rng.uniform(4e3, 9e3)), floor_w_m2k=float(rng.uniform(0.6, 2.0)),
        ground_j_m2k=float(rng.uniform(0.8e4, 3e4)), deep_j_m2k=float(rng.uniform(2e4, 1.2e5)),
        ground_deep_w_m2k=float(rng.uniform(5.0, 15.0)), emissivity=float(rng.uniform(0.85, 0.93)), heating=heating,
        openings=openings, drip_g_m2=drip, ground_g_m2=half * float(rng.uniform(1.2, 3.0)), ground_half_g_m2=half,
        oswin=float(rng.uniform(0.3, 0.6)), deep_hours=float(rng.uniform(5.0, 40.0)), garden_ml=garden_ml,
        garden_s_m=float(rng.uniform(400.0, 1500.0)), granules_g=granules, sun_share=float(rng.uniform(0.3, 0.8)),
    )  # fmt: skip


# ---------------------------------------------------------------- the config as its keeper wrote it


def config_text(kept: Kept, controls: Controls, garden_factor: float = 1.0) -> str:
    """Return the TOML config of one chamber in its room; the settings told are those at the start."""
    role = kept.use if kept.use in ("food", "waste") else "fungus"
    founding = ", founding = true" if kept.use == "founding" else ""
    return "\n".join([
        '[site]\nname = "yard"\ntime_zone = "UTC"', "[room.study]", f'[chamber.box]\nroom = "study"\nrole = "{role}"',
        f"air_ml = {kept.litres * 1000.0:.0f}", f"lid = {kept.told.text(float(controls.foam_mm[0]))}",
        f"garden = {{ volume_ml = {max(1.0, kept.garden_ml * garden_factor):.0f}{founding} }}",
        f"devices.vents = {{ count = {kept.vents}, open = {int(controls.vents[0])} }}", *_device_lines(kept, controls),
        '[broker.b]\nhost = "localhost"', *_probe_lines(kept),
    ]) + "\n"  # fmt: skip


def _device_lines(kept: Kept, controls: Controls) -> list[str]:
    knows = f", setpoint_c = {float(controls.setpoint_c[0]):.1f}" if kept.tells_setpoint and kept.thermostat else ""
    watts = kept.watts if kept.thermostat else kept.watts * float(controls.power[0])
    mount = kept.parts.heating.mount
    lines = [
        f'devices.heater = {{ watts = {watts:.1f}, mount = "{mount}", thermostat = {str(kept.thermostat).lower()}{knows} }}'
    ] if watts > 0.0 else []  # fmt: skip
    lines.append("devices.can_insulate_lid = true\ndevices.wet_granules = true")
    if kept.has_fan:
        lines.append(f"devices.fan = {{ minutes_per_hour = {float(controls.fan_min_h[0]):g} }}")
    if kept.has_mister:
        mist = float(controls.mist_ml_d[0])
        lines.append(f"devices.mister = {{ ml_per_day = {mist:.2f}, ml_per_press = {kept.press_ml:g} }}")
    return lines


def _probe_lines(kept: Kept) -> list[str]:
    rows = [("air", "box", "air", True)]
    rows += [("room-air", "study", "air", True)] if kept.room_probe else []
    rows += [("lid", "box", "lid", False)] if kept.lid_probe else []
    return [
        f'[probe.{name}]\nkind = "mqtt-topic"\nbroker = "b"\nplace = "{place}"\nrole = "{role}"\n'
        f'interval = "{kept.interval_min}min"\n' + (
            f'topics = {{ air_temperature = "{name}/t", relative_humidity = "{name}/h" }}' if both
            else f'topics = {{ surface_temperature = "{name}/t" }}'
        )
        for name, place, role, both in rows
    ]  # fmt: skip
