"""Every alarm there is, one row each: all that is fixed for it by its kind, in one reviewed table.

A row has no field that may be left out. Its check is paired with it in `rules/checks/__init__.py`; neither can be forgotten.
Times that a garden bears and what is lost then are the trade's, by size class (`rules.trade.garden_sizes`): common practice,
no source, save where a row names one. So are the first steps and what an alarm forbids: only what would do harm, or the
opposite of what the alarm calls for. That heat and foam go together on a wet lid, or that a dry and too warm chamber is cooled
first, is for the decision table.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from rules.terms.events import Level
from rules.trade.bearable import Consequence, HarmKind, Hours

Subject = Literal["climate", "lid", "probe", "medium"]
Latch = Literal["harmful", "drip", "blind"]
Edge = tuple[Literal["temperature", "humidity"], Literal["low", "high"]]
Figure = Literal["temperature_c", "relative_humidity_pct", "dew_margin_k"]


@dataclass(frozen=True, slots=True)
class Bears:
    """How long a garden bears one level of an alarm, by size class A to E, and what is lost then."""

    level: Level
    consequence: Consequence
    hours: Hours


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmKind:
    """One alarm: what it is called and said to be, how bad it is, what explains it, and what must not be done meanwhile."""

    label: str
    """Two to six words that can follow `is`, or stand alone."""
    sentence: str
    """What is seen, without figures and full stop: `{place}`, `{probe}` and `{medium}` are filled in."""
    first_step: str
    """What to do first where no advice came with it, or before one could be worked out; `{chamber}` is filled in."""
    subject: Subject
    consequence: Consequence
    """What is lost if it is ignored, where no row of `bears` says so. Order: lethal heat > drying > drip > cool > damp."""
    bears: tuple[Bears, ...]
    """How long a garden bears it where there is no account of harm behind it, or whatever that says."""
    harm: HarmKind | None
    """The account of harm by which it is judged."""
    figure: Figure | None
    """What of the present it is about."""
    edge: Edge | None
    """The edge of the keeper's band that it watches."""
    continuous: bool
    """Judged by every reading: while it cannot be seen it is unknown, and before its delay is over it is worth a look."""
    answered: Literal["climate", "probe", "not"]
    """Which part of the advice answers it; a forecast is told, not acted on."""
    wakes_at_night: bool
    """Whether it may wake the keeper though only `today`: when less time is left than the night has."""
    quiet_on_visit: bool
    explained_by: tuple[str, ...]
    """Alarms of the same chamber beside which it says nothing new."""
    room_moves: bool
    """Whether the room's weather or a power cut gives it to all chambers at once; a lid or a runaway heater is one's own."""
    blinds: bool
    """Whether the climate cannot be seen while it stands."""
    forbids: frozenset[str]
    """Changes (`device:change`) that must not be advised while it stands."""
    sudden: bool
    """Whether it overturns a change that is at work and that it forbids."""
    latch: Latch
    """The keeper's setting, beside `harmful`, that keeps it told after its return."""

    def said(self, place: str, probe: str = "", medium: str = "") -> str:
        """Return the sentence about this place."""
        return self.sentence.format(place=place, probe=probe, medium=medium)

    def speaks_against(self, asked: Iterable[str]) -> bool:
        """Return whether one of these changes (`device:change`) is what this alarm forbids."""
        return not self.forbids.isdisjoint(asked)

    def is_inside(self, value: float | None, limit: float | None) -> bool:
        """Return whether a value that is known lies within the limit of the band whose edge this watches."""
        if self.edge is None or value is None or limit is None:
            return False
        return value > limit if self.edge[1] == "low" else value < limit

    @property
    def clause(self) -> str:
        """Return what follows `whether` where the place was named before: `it is too warm`, `its lid is wet`."""
        return self.sentence.removeprefix("{place}: ").replace("{place}", "it")

    @property
    def tells_of_a_part(self) -> bool:
        """Return whether the sentence is about something of the place, not about the place itself."""
        return self.sentence.startswith("{place}: ")


_LESS_HEAT = frozenset({"heater:less", "heater:stop"})
_MORE_AIR = frozenset({"fan:more", "vent:open"})
_MORE_WATER = frozenset({"mister:more", "water:more"})
_LESS_WATER = frozenset({"mister:less", "mister:stop", "water:less"})
_WARMS_LID_AND_AIR = frozenset({"heater:more", "lid:insulate"})
_NOTHING: frozenset[str] = frozenset()
LOOK_LATER = "Nothing yet. Look again within the hour."

# In the order in which a letter tells them where they are equally urgent.
ALARMS: dict[str, AlarmKind] = {
    "temperature-high": AlarmKind(
        label="too warm", sentence="{place} is too warm",
        first_step="Go and look. If the heater is warm, unplug it at the wall. Shade the box; air it if the room is cooler.",
        subject="climate", consequence="severe", figure="temperature_c", edge=("temperature", "high"), continuous=True,
        harm="heat", bears=(),
        answered="climate", wakes_at_night=True, quiet_on_visit=False, explained_by=("heater-runaway",), room_moves=True,
        blinds=False, forbids=_WARMS_LID_AND_AIR, sudden=False, latch="harmful",
    ),
    "temperature-low": AlarmKind(
        label="too cool", sentence="{place} is too cool",
        first_step="Go and look: is it heated as it should be? If no heat comes, carry the box to the warmest room.",
        subject="climate", consequence="serious", figure="temperature_c", edge=("temperature", "low"), continuous=True,
        harm="cold", bears=(),
        answered="climate", wakes_at_night=True, quiet_on_visit=False, explained_by=("heater-failed",), room_moves=True,
        blinds=False, forbids=_LESS_HEAT | _MORE_AIR, sudden=False, latch="harmful",
    ),
    "humidity-low": AlarmKind(
        label="too dry", sentence="{place} is too dry",
        first_step="Check that the lid is shut and every tube and plug is in place.",
        subject="climate", consequence="serious", figure="relative_humidity_pct", edge=("humidity", "low"), continuous=True,
        harm="dryness", bears=(),
        answered="climate", wakes_at_night=True, quiet_on_visit=True, explained_by=("lid-open",), room_moves=True,
        blinds=False, forbids=_LESS_WATER | _MORE_AIR, sudden=False, latch="harmful",
    ),
    "humidity-high": AlarmKind(
        label="too humid", sentence="{place} is too humid",
        first_step="Look at the lid. If it is dry, there is nothing to do now.",
        subject="climate", consequence="minor", figure="relative_humidity_pct", edge=("humidity", "high"), continuous=True,
        harm=None, bears=(Bears("harmful", "minor", (12, 12, 12, 12, 12)), Bears("outside", "minor", (12, 12, 12, 12, 12))),
        answered="climate", wakes_at_night=False, quiet_on_visit=True, explained_by=("mister-stuck", "lid-dew"),
        room_moves=True, blinds=False, forbids=_MORE_WATER, sudden=False, latch="harmful",
    ),
    "damp": AlarmKind(  # food and waste chambers
        label="damp", sentence="{place} is damp",
        first_step="Clear out what is wet: waste, old leaf. Then let more air into this chamber, not into the fungus chamber.",
        subject="climate", consequence="minor", figure="relative_humidity_pct", edge=("humidity", "high"), continuous=True,
        harm=None, bears=(Bears("harmful", "minor", (24, 24, 24, 24, 24)), Bears("outside", "minor", (24, 24, 24, 24, 24))),
        answered="climate", wakes_at_night=False, quiet_on_visit=True, explained_by=("mister-stuck",),
        room_moves=True, blinds=False, forbids=_MORE_WATER, sudden=False, latch="harmful",
    ),
    "lid-dew": AlarmKind(
        label="lid is wet", sentence="{place}: its lid is wet",
        first_step="Look at the lid. If drops hang over the garden, wipe it dry.",
        subject="lid", consequence="serious", figure="dew_margin_k", edge=None, continuous=True,
        harm="water", bears=(),
        answered="climate", wakes_at_night=False, quiet_on_visit=True, explained_by=(), room_moves=True,
        blinds=False, forbids=_NOTHING, sudden=False, latch="drip",
    ),
    "lid-unsure": AlarmKind(
        label="lid is not known", sentence="{place}: whether its lid is wet cannot be told from here",
        first_step="Look at the lid once and tell what you see: `dewlid lid {chamber} seen dry`, or `mist`, or `droplets`.",
        subject="lid", consequence="minor", figure="dew_margin_k", edge=None, continuous=False, bears=(), harm=None,
        answered="not", wakes_at_night=False, quiet_on_visit=True, explained_by=("lid-dew", "lid-open", "blind"),
        room_moves=False, blinds=False, forbids=_NOTHING, sudden=False, latch="harmful",
    ),
    "heater-runaway": AlarmKind(
        label="heater is running away", sentence="{place}: its heater does not stop heating",
        first_step="Unplug the heater now, at the wall.",
        subject="climate", consequence="severe", figure="temperature_c", edge=None, continuous=False,
        harm=None, bears=(Bears("outside", "severe", (0.25, 0.5, 1, 1, 1)),),  # too warm keeps its account
        answered="climate", wakes_at_night=True, quiet_on_visit=False, explained_by=(), room_moves=False,
        blinds=False, forbids=_WARMS_LID_AND_AIR, sudden=True, latch="harmful",
    ),
    "heater-failed": AlarmKind(
        label="heat is failing", sentence="{place}: its heat is failing",
        first_step="Check the heat: is it plugged in and warm to the hand? If not, carry the box to the warmest room.",
        subject="climate", consequence="serious", figure="temperature_c", edge=None, continuous=False,
        harm="cold", bears=(Bears("harmful", "severe", (6, 6, 12, 12, 12)), Bears("outside", "serious", (12, 12, 24, 24, 24))),
        answered="climate", wakes_at_night=True, quiet_on_visit=False, explained_by=(), room_moves=True,
        blinds=False, forbids=_LESS_HEAT | _MORE_AIR, sudden=True, latch="harmful",
    ),
    "lid-open": AlarmKind(
        label="lid is open or ajar", sentence="{place}: its lid seems to be open or ajar",
        first_step="Shut the lid, and check every tube and plug.",
        subject="lid", consequence="severe", figure="relative_humidity_pct", edge=None, continuous=False,
        harm=None, bears=(Bears("outside", "severe", (0.5, 1, 2, 3, 3)),),
        answered="climate", wakes_at_night=True, quiet_on_visit=True, explained_by=(), room_moves=False,
        blinds=False, forbids=frozenset({"mister:more", "heater:more"}), sudden=True, latch="harmful",
    ),
    "moisture-lost": AlarmKind(
        label="losing moisture", sentence="{place} loses more moisture than it used to",
        first_step="Look at the lid, the vents and every tube: is all shut that you want shut? Then look at the water.",
        subject="lid", consequence="serious", figure="relative_humidity_pct", edge=None, continuous=False, harm=None,
        bears=(Bears("outside", "serious", (1, 3, 8, 12, 12)),),
        answered="climate", wakes_at_night=True, quiet_on_visit=True,
        explained_by=("lid-open", "blind"), room_moves=True, blinds=False, forbids=_MORE_AIR, sudden=False,
        latch="harmful",
    ),
    "lid-drip-tonight": AlarmKind(
        label="lid will drip tonight", sentence="{place}: its lid will drip before dawn if nothing is done",
        first_step="Keep the room a little warmer tonight, and look at the lid before you go to bed.",
        subject="lid", consequence="serious", figure=None, edge=None, continuous=False,
        harm=None, bears=(Bears("outside", "serious", (8, 8, 8, 8, 8)),),
        answered="climate", wakes_at_night=False, quiet_on_visit=False, explained_by=("lid-dew",), room_moves=True,
        blinds=False, forbids=_NOTHING, sudden=False, latch="harmful",
    ),
    "temperature-leaving": AlarmKind(
        label="temperature will leave its band", sentence="{place}: its temperature is about to leave its band",
        first_step=LOOK_LATER,
        subject="climate", consequence="minor", figure="temperature_c", edge=None, continuous=False,
        harm=None, bears=(),
        answered="not", wakes_at_night=False, quiet_on_visit=False,
        explained_by=("temperature-high", "temperature-low", "heater-runaway", "heater-failed"), room_moves=True,
        blinds=False, forbids=_NOTHING, sudden=False, latch="harmful",
    ),
    "temperature-swings": AlarmKind(
        label="swings too widely", sentence="{place}: its thermostat lets the temperature swing out of its band and back",
        first_step="Put the thermostat's probe into the air at the garden's height, away from the mat, and set how far it"
        " swings (hysteresis) to 0.5 or 1 °C. If it swings on, take a weaker mat, or put the mat further from the probe.",
        subject="climate", consequence="minor", figure=None, edge=None, continuous=False,
        harm=None, bears=(),
        answered="not", wakes_at_night=False, quiet_on_visit=False,
        explained_by=("heater-runaway", "heater-failed", "probes-swapped", "blind"),
        room_moves=False, blinds=False, forbids=_NOTHING, sudden=False, latch="harmful",
    ),
    "humidity-leaving": AlarmKind(
        label="humidity will leave its band", sentence="{place}: its humidity is about to leave its band",
        first_step=LOOK_LATER,
        subject="climate", consequence="minor", figure="relative_humidity_pct", edge=None, continuous=False,
        harm=None, bears=(),
        answered="not", wakes_at_night=False, quiet_on_visit=True,
        explained_by=("humidity-low", "humidity-high", "lid-open", "mister-stuck"), room_moves=True,
        blinds=False, forbids=_NOTHING, sudden=False, latch="harmful",
    ),
    "mister-stuck": AlarmKind(
        label="water keeps coming", sentence="{place}: water keeps coming",
        first_step="Unplug the mister and look for the leak.",
        subject="climate", consequence="serious", figure="relative_humidity_pct", edge=None, continuous=False,
        harm=None, bears=(Bears("outside", "serious", (1.5, 1.5, 2, 2, 2)),),
        answered="climate", wakes_at_night=False, quiet_on_visit=False, explained_by=(), room_moves=False,
        blinds=False, forbids=_MORE_WATER, sudden=True, latch="harmful",
    ),
    "probe-stale": AlarmKind(
        label="probe is silent", sentence="The probe {probe} in {place} is silent",
        first_step="Look at the probe: is it plugged in, has it power, is the cable whole?",
        subject="probe", consequence="minor", figure=None, edge=None, continuous=False,
        harm=None, bears=(Bears("outside", "minor", (24, 24, 24, 24, 24)),),
        answered="probe", wakes_at_night=False, quiet_on_visit=False, explained_by=("blind",), room_moves=False,
        blinds=True, forbids=_NOTHING, sudden=False, latch="harmful",
    ),
    "probe-fault": AlarmKind(
        label="probe is not believed", sentence="The probe {probe} in {place} is not believed",
        first_step="Look at the probe: dry it, look for garden or water on it, compare it with another one.",
        subject="probe", consequence="minor", figure=None, edge=None, continuous=False,
        harm=None, bears=(Bears("outside", "minor", (24, 24, 24, 24, 24)),),
        answered="probe", wakes_at_night=False, quiet_on_visit=False, explained_by=("blind",), room_moves=False,
        blinds=True, forbids=_NOTHING, sudden=False, latch="harmful",
    ),
    "probe-unproven": AlarmKind(
        label="probe is at the end of its scale",
        sentence="The probe {probe} in {place} stands at the end of its scale: whether it still works cannot be told from here",
        first_step="Take it out and leave it in the room's air: within an hour or two it must read about what the room has. Or"
        " shut it into a bag beside a spoon of wet table salt: by the next day it must read about 75 %.",
        subject="probe", consequence="minor", figure=None, edge=None, continuous=False, bears=(), harm=None,
        answered="not", wakes_at_night=False, quiet_on_visit=True, explained_by=("probe-fault", "probe-stale", "blind"),
        room_moves=False, blinds=False, forbids=_NOTHING, sudden=False, latch="harmful",
    ),
    "probes-disagree": AlarmKind(
        label="two probes disagree", sentence="{place}: its two probes do not agree",
        first_step="Put both probes side by side for an hour and see which one is wrong.",
        subject="probe", consequence="minor", figure=None, edge=None, continuous=False,
        harm=None, bears=(Bears("harmful", "serious", (2, 2, 4, 4, 4)), Bears("outside", "minor", (24, 24, 24, 24, 24))),
        answered="probe", wakes_at_night=False, quiet_on_visit=False, explained_by=(), room_moves=False,
        blinds=False, forbids=_NOTHING, sudden=False, latch="harmful",
    ),
    "probes-swapped": AlarmKind(
        label="probes look swapped", sentence="{place}: its probe and the room's look swapped, it reads drier than its room",
        first_step="Look which probe hangs where, before you heat or water anything.",
        subject="probe", consequence="serious", figure=None, edge=None, continuous=False,
        harm=None, bears=(Bears("outside", "serious", (12, 12, 24, 24, 24)),),
        answered="climate", wakes_at_night=False, quiet_on_visit=False, explained_by=("blind",), room_moves=False,
        blinds=False, forbids=_MORE_WATER | frozenset({"heater:more"}), sudden=True, latch="harmful",
    ),
    "probe-calibration": AlarmKind(
        label="humidity check is due", sentence="The humidity check of the probe {probe} in {place} is due",
        first_step="Check the humidity probe over wet salt (75 %) when you have a quiet evening.",
        subject="probe", consequence="minor", figure=None, edge=None, continuous=False,
        harm=None, bears=(Bears("outside", "minor", (240, 240, 240, 240, 240)),),
        answered="not", wakes_at_night=False, quiet_on_visit=False, explained_by=(), room_moves=False,
        blinds=False, forbids=_NOTHING, sudden=False, latch="harmful",
    ),
    "blind": AlarmKind(
        label="nothing can be seen",
        sentence="{place}: nothing can be seen of it: no probe there is heard or believed",
        first_step="Go and look at the chamber yourself: nothing can be seen of it from here.",
        subject="climate", consequence="serious", figure=None, edge=None, continuous=False,
        harm=None, bears=(Bears("outside", "serious", (2, 2, 4, 4, 4)),),
        answered="probe", wakes_at_night=True, quiet_on_visit=False, explained_by=(), room_moves=False,
        blinds=True, forbids=_LESS_HEAT | _MORE_AIR | _MORE_WATER | _LESS_WATER | {"heater:more"}, sudden=False,
        latch="blind",
    ),
    "medium-down": AlarmKind(
        label="a line or broker is down", sentence="The {medium} is down",
        first_step="Check the cable or the broker that these probes share.",
        subject="medium", consequence="minor", figure=None, edge=None, continuous=False,
        harm=None, bears=(Bears("outside", "serious", (4, 4, 4, 4, 4)),),
        answered="probe", wakes_at_night=False, quiet_on_visit=False, explained_by=(), room_moves=False,
        blinds=False, forbids=_NOTHING, sudden=False, latch="harmful",
    ),
}  # fmt: skip


QUESTIONS = frozenset({"lid-unsure", "probe-unproven"})
"""What asks for one look instead of calling: told in the digest alone, and counted as no alarm."""
WET_LID = frozenset({"lid-dew", "lid-drip-tonight"})
"""What takes a lid to be wet, now or before dawn."""


def identity(chamber: str | None, alarm: str, probe: str | None = None) -> str:
    """Return the one name of an alarm: chamber (or `site`), alarm and, for probe alarms, the probe; never its limits."""
    return f"{chamber or 'site'}/{alarm}/{probe}" if probe else f"{chamber or 'site'}/{alarm}"
