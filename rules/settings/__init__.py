"""What the keeper tunes: chambers, lids, devices, probes' places and the policy of telling. Pure data, no I/O.

The one config file is these models plus the connections that `adapters` add. Every key has its unit, range and reason in its
docstring line; the documentation of the keys is generated from here.
"""

from __future__ import annotations

from datetime import time, tzinfo
from functools import cached_property
from hashlib import blake2b
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, model_validator

from rules.settings.bands import Band, HumidityBand, LidDewBand, TemperatureBand
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS, SECOND_MS
from rules.terms.local_time import Hemisphere
from rules.terms.quantities import Quantity
from rules.terms.setting_forms import ClockTime, DurationMs, Section
from rules.terms.words import Name
from rules.trade.garden_sizes import DRYNESS, Dryness, dryness_of
from rules.trade.profiles import Genus, Role, SpeciesGroup, profile_of
from rules.trade.routine import CarePlan

# ---------------------------------------------------------------- the chamber


class Lid(Section):
    """The lid and the walls: they decide at which humidity the chamber rains."""

    material: Literal["acrylic", "polycarbonate", "glass", "pet"] = "acrylic"
    """What the lid is made of."""
    thickness_mm: float = Field(default=3.0, ge=0.2, le=30, json_schema_extra={"unit": "mm"})
    """How thick one pane is."""
    build: Literal["single", "double", "insulated"] = "single"
    """One pane, two panes with an air gap, or a pane with foam on it."""
    insulation_mm: float = Field(default=0.0, ge=0, le=100, json_schema_extra={"unit": "mm"})
    """Thickness of foam on the lid (0.035 W/mK)."""
    walls: Literal["cold", "warm"] = "cold"
    """Bare plastic side walls (cold) or insulated or heated ones (warm): the lid sees them."""
    tilt_deg: float = Field(default=0.0, ge=0, le=60, json_schema_extra={"unit": "deg"})
    """Tilt of the lid: a tilted lid runs off to the side."""
    vent_share: float = Field(default=0.02, ge=0, le=0.9)
    """Share of the lid's area that is vent or mesh."""
    temperature_factor: float | None = Field(default=None, ge=0, le=1)
    """Known temperature factor (ISO 13788) between room (0) and chamber (1); absent: estimated from the build."""


class Heater(Section):
    """A heat mat, cable or lamp at the side. It is never driven by dewlid."""

    watts: float = Field(default=15.0, gt=0, le=500, json_schema_extra={"unit": "W"})
    """Rated power."""
    mount: Literal["side", "back", "below", "above", "room"] = "side"
    """Where it is. `below` is told against: it drives water out of the garden."""
    thermostat: bool = True
    """Whether a thermostat of its own switches it."""
    setpoint_c: float | None = Field(default=None, ge=10, le=40, json_schema_extra={"unit": "degC"})
    """The thermostat's present set point, if known."""
    cut_out_c: float | None = Field(default=None, ge=20, le=60, json_schema_extra={"unit": "degC"})
    """At which temperature of the air an independent cut-out takes its power away; absent: there is none. A thermostat is
    none: a cut-out has a probe and a contact of its own, and is wired by licensed practice."""


class Fan(Section):
    """A fan that exchanges air with the room."""

    flow_m3_h: float | None = Field(default=None, gt=0, le=1000, json_schema_extra={"unit": "m3/h"})
    """Air flow, if known."""
    minutes_per_hour: float = Field(default=0.0, ge=0, le=60, json_schema_extra={"unit": "min/h"})
    """How long it runs per hour now."""


class Mister(Section):
    """A spray or fogger for walls and substrate, never for the fungus."""

    ml_per_day: float = Field(default=0.0, ge=0, le=5000, json_schema_extra={"unit": "ml/d"})
    """How much it gives per day now."""
    ml_per_press: float | None = Field(default=None, gt=0, le=1000, json_schema_extra={"unit": "ml"})
    """One press of a hand sprayer, so that advice can speak in presses."""
    max_ml_per_day: float = Field(default=50.0, ge=0, le=5000, json_schema_extra={"unit": "ml/d"})
    """The most that may be advised."""


class Vents(Section):
    """Openings to the room that can be opened and closed."""

    count: int = Field(default=2, ge=0, le=50)
    """How many there are. Where nothing at all is written of vents, none is ever advised."""
    open: int = Field(default=0, ge=0, le=50)
    """How many are open now. The fungus chamber's are closed by default; a pinhole always stays, for the
    garden breathes."""


class Devices(Section):
    """What the keeper can change. Absent: there is none, and it is never advised."""

    heater: Heater | None = None
    fan: Fan | None = None
    mister: Mister | None = None
    vents: Vents = Vents(count=0)
    can_insulate_lid: bool = False
    """Whether you have foam or a second pane that may be put on the lid."""
    wet_granules: bool = False
    """Whether damp clay granules or a wet substrate edge are there as a water buffer."""


class Garden(Section):
    """The fungus garden's size, which scales urgency and dryness limits; later entries by `dewlid garden` win."""

    volume_ml: float | None = Field(default=None, gt=0, le=200_000, json_schema_extra={"unit": "ml"})
    """Estimated volume of the fungus garden."""
    basin_ml: float | None = Field(default=None, gt=0, le=500_000, json_schema_extra={"unit": "ml"})
    """Volume of the basin that the garden stands in; lets `--fill` be a share."""
    covered: bool = False
    """Whether a small cover stands over a small garden."""
    founding: bool = False
    """A queen without workers. Atta is fed nothing until they are there (about nine weeks), so no food, waste or weekly look is
    asked for; Acromyrmex takes a few small pieces of leaf. Ends by itself at 20 ml of garden."""


class Chamber(Section):
    """One chamber of a nest."""

    title: Annotated[str, Field(min_length=1, max_length=60)] | None = None
    """How mails call it; absent: its id."""
    room: Name | None = None
    """The room that it stands in, whose probes tell what venting would do."""
    role: Role = "fungus"
    """What it is for. `food`: 16 to 32 degC, at most 85 %RH. `waste`: 10 to 32 degC, at most 70 %RH, told when it stays damp
    for half a day. Neither is ever told to be too dry."""
    colony: Name | None = None
    """The colony that it belongs to, for the care plan; absent: its own id."""
    genus: Genus = "Atta"
    """Genus of the colony: founding, growth and space plan differ."""
    species_group: SpeciesGroup = "tropical"
    """Where its species is at home, for the temperature that its garden wants: `tropical` 24 to 28 degC; `northern` (Atta
    texana) 22 to 28; `southern` (Acromyrmex heyeri, lundii, ambiguus) 21 to 27; `highland` (Acromyrmex) 20 to 26."""
    air_ml: float = Field(default=8000.0, gt=50, le=2_000_000, json_schema_extra={"unit": "ml"})
    """Volume of the chamber's air."""
    temperature: TemperatureBand = TemperatureBand()
    humidity: HumidityBand = HumidityBand()
    lid_dew: LidDewBand = LidDewBand()
    lid: Lid = Lid()
    devices: Devices = Devices()
    garden: Garden = Garden()
    two_probes: Literal["median", "worse"] = "median"
    """With several believed probes: judge their median, or the one that is worse."""

    @model_validator(mode="before")
    @classmethod
    def _by_profile(cls, written: Any) -> Any:
        """Fill in what its role and species group want, key by key, where the keeper wrote nothing."""
        if not isinstance(written, dict):
            return written
        profile = profile_of(*(written.get(key, cls.model_fields[key].default) for key in ("role", "genus", "species_group")))
        filled = {}
        for key, wanted in (("temperature", profile.temperature), ("humidity", profile.humidity)):
            own = written.get(key, {})
            own = own.model_dump(include=own.model_fields_set) if isinstance(own, Band) else own
            if wanted and isinstance(own, dict):
                filled[key] = wanted | own
        return written | filled

    def humidity_for(self, garden_ml: float | None) -> HumidityBand:
        """Return the humidity band for a garden of this size: an edge that the keeper did not write follows the size."""
        return self.humidity_by_size[dryness_of(garden_ml)] if self.role == "fungus" else self.humidity

    @cached_property
    def humidity_by_size(self) -> dict[Dryness, HumidityBand]:
        """The humidity band for every row of the table of dryness."""
        return {dryness: self.humidity.sized(dryness) for dryness in DRYNESS.values()}


class Room(Section):
    """A room that chambers stand in."""

    title: Annotated[str, Field(min_length=1, max_length=60)] | None = None
    """How mails call it; absent: its id."""
    coldest_c: float = Field(default=18.0, ge=-20, le=40, json_schema_extra={"unit": "degC"})
    """How cold it gets in a year; absent: 18 degC, the least of a heated home (WHO Housing and health guidelines 2018)."""
    warmest_c: float = Field(default=26.0, ge=-20, le=45, json_schema_extra={"unit": "degC"})
    """How warm it gets in a year; absent: 26 degC, which a cooled building keeps (EN 16798-1 category II, from memory). Both
    tell whether a heat mat that sticks would cook the garden."""

    @model_validator(mode="after")
    def _colder_first(self) -> Room:
        if self.coldest_c > self.warmest_c:
            raise ValueError(f"coldest_c = {self.coldest_c:g} is above warmest_c = {self.warmest_c:g}: exchange them")
        return self


# ---------------------------------------------------------------- probes, as far as the rules care


class Probe(Section):
    """Where a probe is, what it is for, how good it is. Its connection is added by `adapters.probes`."""

    place: Name
    """Id of the chamber or room that it measures."""
    role: Literal["air", "lid", "heater-surface"] = "air"
    """What it measures there: the air, the lid's inner side, or the heat mat: whether it heats, is dead or burns."""
    interval: DurationMs = Field(default=30 * SECOND_MS, ge=SECOND_MS, le=HOUR_MS)
    """How often it is read, or sends. A good reading holds for three intervals; when a fourth is missed, it is silent."""
    accuracy_temperature_k: float = Field(default=0.3, gt=0, le=10, json_schema_extra={"unit": "K"})
    """Stated limits of error of its temperature (taken as rectangular, JCGM 100)."""
    accuracy_humidity_pct: float = Field(default=2.0, gt=0, le=30, json_schema_extra={"unit": "%RH"})
    """Stated limits of error of its humidity."""
    calibration_due: DurationMs = 90 * DAY_MS
    """How long a salt check of its humidity holds."""

    @property
    def measured(self) -> frozenset[Quantity]:
        """What it measures: each kind says it; here all that its role may."""
        air: tuple[Quantity, ...] = ("air_temperature", "relative_humidity")
        return frozenset(air if self.role == "air" else ("surface_temperature",))

    @property
    def medium(self) -> str:
        """Name of the line or broker that it hangs on with others; empty: on none."""
        return ""


# ---------------------------------------------------------------- the site and what is told


class Site(Section):
    """The place, its clock and its air pressure."""

    name: Annotated[str, Field(min_length=1, max_length=60)] = "fungus shelf"
    """How mails and topics call this installation."""
    time_zone: str = "UTC"
    """IANA name of the local time zone, such as "Europe/Lisbon"."""
    altitude_m: float = Field(default=0.0, ge=-400, le=5000, json_schema_extra={"unit": "m"})
    """Height above the sea, for the air pressure."""
    hemisphere: Hemisphere = "north"
    """Which half of the earth it is on: the care routine and the plants of a month follow its seasons."""
    temperature_unit: Literal["degC", "degF"] = "degC"
    """Unit in which temperatures are told; the config and the record stay in degC."""


class Telling(Section):
    """When the keeper is told, reminded and left alone."""

    quiet_begin: ClockTime = time(22, 30)
    """From this local time only the priority `wake` is mailed."""
    quiet_end: ClockTime = time(6, 30)
    """Until this local time; then what waited and still stands is mailed at once."""
    digest_at: ClockTime = time(8, 0)
    """Local time of the daily digest. Not between 00:00 and 04:00, where a change of clocks could double or lose it."""
    daily_digest: bool = True
    """Whether a digest is mailed every day. Its absence is how you notice a dead server."""
    weekly_digest: Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"] | None = "sunday"
    """Day of the longer digest; absent: none."""
    wake_remind: list[DurationMs] = Field(default=[15 * MINUTE_MS, HOUR_MS, 4 * HOUR_MS], max_length=8)
    """When an unacknowledged `wake` alarm is told again."""
    today_remind: list[DurationMs] = Field(default=[6 * HOUR_MS, 24 * HOUR_MS], max_length=8)
    """When an unacknowledged `today` alarm is told again."""
    second_after: DurationMs = 2 * HOUR_MS
    """When an unacknowledged `wake` alarm also goes to the second address; sooner where a lethal mark is passed meanwhile."""
    latch: list[Literal["drip", "harmful", "blind"]] = Field(default=[], max_length=3)
    """Alarms that stay told after they are over until acknowledged."""

    @model_validator(mode="after")
    def _digest_hour(self) -> Telling:
        if self.digest_at.hour < 4:
            raise ValueError(
                'digest_at lies between 00:00 and 04:00, where a change of clocks could double it: use "04:00" or later'
            )
        return self


class Settings(Section):
    """All that the rules know of the world outside the readings: what `advance` is given."""

    model_config = ConfigDict(arbitrary_types_allowed=True)
    site: Site
    zone: tzinfo
    rooms: dict[str, Room]
    chambers: dict[str, Chamber]
    probes: dict[str, Probe]
    telling: Telling
    care: CarePlan = Field(default_factory=dict)

    @property
    def pressure_pa(self) -> float:
        """Air pressure at the site's altitude, Pa: standard atmosphere, ASHRAE Fundamentals 2017 chapter 1 equation 3."""
        return float(101_325.0 * (1.0 - 2.25577e-5 * self.site.altitude_m) ** 5.2559)

    @cached_property
    def fingerprint(self) -> str:
        """Digest of every setting: another one means that the config was edited."""
        return blake2b(self.model_dump_json(exclude={"zone"}).encode(), digest_size=8).hexdigest()

    @cached_property
    def order_of(self) -> dict[str, int]:
        """Where each place stands among rooms and chambers, the rooms first: the order in which they are looked at."""
        return {place: number for number, place in enumerate((*self.rooms, *self.chambers))}

    @cached_property
    def probes_by_place(self) -> dict[str, dict[str, Probe]]:
        """The probes of each chamber and room that has any, in config order: a large shelf asks for them all the time."""
        found: dict[str, dict[str, Probe]] = {}
        for name, probe in self.probes.items():
            found.setdefault(probe.place, {})[name] = probe
        return found

    @cached_property
    def fastest_ms(self) -> dict[str, int]:
        """How often the fastest probe of each chamber and room that has any speaks."""
        return {place: min(probe.interval for probe in probes.values()) for place, probes in self.probes_by_place.items()}

    @cached_property
    def told_every_ms(self) -> dict[tuple[str, Quantity], int]:
        """How often the fastest air probe of each chamber and room tells what it measures."""
        found: dict[tuple[str, Quantity], int] = {}
        for (place, role), names in self._probes_by_role.items():
            for probe in (self.probes[name] for name in names if role == "air"):
                for quantity in probe.measured:
                    found[place, quantity] = min(probe.interval, found.get((place, quantity), probe.interval))
        return found

    @cached_property
    def _probes_by_role(self) -> dict[tuple[str, str], tuple[str, ...]]:
        found: dict[tuple[str, str], tuple[str, ...]] = {}
        for name, probe in self.probes.items():
            found[probe.place, probe.role] = (*found.get((probe.place, probe.role), ()), name)
        return found

    def probes_at(self, place: str, role: str = "air") -> tuple[str, ...]:
        """Return the ids of the probes of this role at a chamber or room, in config order."""
        return self._probes_by_role.get((place, role), ())
