"""The trade's do and do-not as one reviewed table: the 18 cells that order the acts of `rules.trade.acts`, and its limits.

Nothing here computes: `rules.advice.cause` finds the facts, `rules.advice.search` sizes what these tables allow. A row without
a source is common practice, no source. Published sources are named in full at the row that rests on them.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from rules.trade.acts import CP

Band = Literal["low", "ok", "high"]


@dataclass(frozen=True, slots=True)
class Step:
    """A place in a cell's order: the act, the facts that call for it, and the most it may change, in its knob's unit (a heater:
    K)."""

    act: str
    when: tuple[str, ...] = ()
    at_most: float | None = None


@dataclass(frozen=True, slots=True)
class Never:
    """What a letter warns of. `against`: what it forbids (`device:change`); `when`: the facts on which it holds."""

    text: str
    against: frozenset[str] = frozenset()
    when: tuple[str, ...] = ()
    about_order: bool = False
    """It only says what comes first, so it bars nothing and is left unsaid once what it warns of is among the actions."""


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of the decision table: what is going on, what to do in which order, what never."""

    number: int
    temperature: Band
    humidity: Band
    lid_wet: bool
    meaning: str
    order: tuple[Step, ...]
    never: tuple[Never, ...]
    source: str = CP


def steps(*names: str | Step) -> tuple[Step, ...]:
    return tuple(name if isinstance(name, Step) else Step(name) for name in names)


MIST = frozenset({"mister:more", "mister:on"})
"""`mister:on`: it still gives something, if less than before."""
WATER = MIST | {"water:more"}
AIR = frozenset({"fan:more", "vent:open"})
FOAM = frozenset({"lid:insulate"})
HEAT = frozenset({"heater:more"})
_NO_FIRST_HEAT = Never("Do not heat first: warming alone dries the air further.", HEAT, about_order=True)


def _no_air(text: str, *when: str) -> tuple[Never, Never]:
    """Return the warning of more air (`{air}`) for boxes with a fan and for those that have none to be run."""
    with_fan, without = text.format(air="air it or run the fan more"), text.format(air="air it")
    return Never(with_fan, AIR, when=(*when, "fan")), Never(without, AIR, when=(*when, "no-fan"))


_NO_AIR_COLD = _no_air("Do not {air} to fix this: it cools.", "airing-cools")
_NO_SPRAY = Never("Never spray the garden.")
_NO_SETPOINT = Never("Do not turn the heat up to dry the lid: in a wet box it makes the lid wetter.", HEAT)
NO_MIST_HOT = Never("Do not mist: the humidity rises by itself as the air cools.", MIST)
NO_COVER_HOT = Never("Do not put foam on the box while it is too warm.", FOAM)
_DOUBT_DRY = Step("check-probe", when=("dry-doubted",))
"""Water on a lid that these figures keep dry: told wet by its build, or more likely its humidity reads low."""
_CHECK_LID = (
    _DOUBT_DRY, Step("check-lid", when=("vapour-lost",)), Step("check-lid", when=("lid-doubted",)),
    Step("check-probe", when=("water-useless",)), Step("check-lid", when=("water-useless",)),
    Step("compare-dry", when=("water-fades",)),
)
"""What was watered twice in vain, or is dry again each time, loses its water somewhere, or its probe says so."""
_NO_WATER_DAMP = Never("No water: nothing evaporates into this air.", WATER)
LOOK_FIRST = Never("Do not mist or wet anything before you have looked.", WATER, when=("vapour-lost",))
_CHECK_FOAM = Step("check-foam", when=("foam-doubted",))
_BEFORE_HEAT = (Step("check-heater", when=("heater-suspect",)), Step("compare-heat", when=("dial-again",)))
_SOAK_UP = Step("soak-up", when=("water-rose",))
_FEEL_MAT = Step("feel-mat", when=("heater-doubt",))
FEEL_HOT = Step("feel-mat", when=("very-hot",))
"""Whatever else is done in such heat: it costs nothing, and a warm room hides a heater that does not switch off."""
_FIND_SOURCE = (Step("find-source", when=("heats-itself",)), Step("find-source", when=("rises-alone",)))
_WARM_ROOM = (Step("shut-aired"), Step("cool-room", when=("room-warm",)), Step("cool-room", when=("room-unknown", "warms-on")))
_COOL_ROOM = (*_WARM_ROOM, *_FIND_SOURCE)
_TOO_WEAK = (
    Step("wrap-box", when=("heater-weak",)), Step("stronger-mat", when=("watts-untold",)),
    Step("warm-room", when=("heater-weak",)),
)
CELLS: tuple[Cell, ...] = (
    Cell(
        1, "low", "low", False, "a draught, an open lid, or no heat in a dry room",
        steps(Step("find-leak", when=("mist-useless",)), *_CHECK_LID, "close-vents",
               "fan-less", Step("check-heater", when=("heater-suspect",)),
               "water", Step("cover-garden"), "insulate-lid", Step("heat-up", when=("all-shut", "watered"), at_most=0.5),
               Step("mist-more", when=("all-shut", "watered"))),
        (_NO_FIRST_HEAT, *_NO_AIR_COLD, _NO_SPRAY, LOOK_FIRST),
    ),
    Cell(
        2, "low", "low", True, "cold, dry and wet at once hardly happens: old droplets, or a humidity probe that reads low",
        steps(_CHECK_FOAM, "check-probe", Step("warm-room", when=("room-cold",)), "insulate-lid", "close-vents", "fan-less",
            Step("heat-up", at_most=0.5)),
        (*_NO_AIR_COLD, _NO_SPRAY),
    ),
    Cell(
        3, "low", "ok", False, "plainly too cool",
        steps(*_BEFORE_HEAT, "insulate-lid", Step("heat-up", at_most=1.0), "water",
            "close-vents", "fan-less",
               *_TOO_WEAK),
        _NO_AIR_COLD,
    ),
    Cell(
        4, "low", "ok", True, "too cool, and the lid is its coldest place",
        steps(*_BEFORE_HEAT, _CHECK_FOAM, "insulate-lid", Step("heat-up", at_most=1.0),
            "wipe-lid", "close-vents",
               "mist-less", *_TOO_WEAK),
        (*_NO_AIR_COLD, Never("Do not turn the heat up and leave it at that: heat alone puts more water on the lid.", HEAT,
            about_order=True)),
    ),
    Cell(
        5, "low", "high", False, "damp only because it is cool",
        steps(*_BEFORE_HEAT, Step("heat-up", at_most=1.0), "mist-less", "insulate-lid",
               *_TOO_WEAK),
        (Never("Do not dry it by venting: that cools it further.", AIR, when=("airing-cools",)),),
    ),
    Cell(
        6, "low", "high", True, "a wet box that has got cold, as in a cold night",
        steps(*_BEFORE_HEAT, _CHECK_FOAM, "insulate-lid", Step("heat-up", at_most=1.0),
            "wipe-lid", "mist-less",
               "wet-less", *_TOO_WEAK),
        _NO_AIR_COLD,
    ),
    Cell(
        7, "ok", "low", False, "it loses water faster than it gets any: vents, fan, dry room air, or the water has run out",
        steps(Step("find-leak", when=("mist-useless",)), *_CHECK_LID, "water", "close-vents",
            "fan-less", Step("cover-garden"), Step("heat-down", when=("warm-side",), at_most=1.0),
               Step("humidify-room", when=("dry-air",)), Step("mist-more", when=("all-shut", "watered")), "insulate-lid"),
        (_NO_SPRAY, LOOK_FIRST, *_no_air("Do not {air}: the room's air is drier than the chamber needs.", "dry-air")),
    ),
    Cell(
        8, "ok", "low", True, "the cold lid takes the water, or the humidity probe reads low",
        steps(_DOUBT_DRY, _CHECK_FOAM, Step("check-probe", when=("lid-wet-odd",)), "insulate-lid", "close-vents",
            "fan-less", "water", "move-mat", "wipe-lid"),
        (_NO_SPRAY, Never("Do not add water first: it only ends on the lid.", WATER, about_order=True)),
    ),
    Cell(9, "ok", "ok", False, "all is well", (), ()),
    Cell(
        10, "ok", "ok", True, "a film on the lid, the coldest place of the box",
        steps(_CHECK_FOAM, "insulate-lid", Step("look-lid", when=("lid-by-estimate",)), "wipe-lid",
            Step("open-vents", when=("floor-dries", "humid-side", "lid-proven"), at_most=1),
            Step("mist-less", when=("lid-proven",)), Step("fan-more", when=("floor-dries", "humid-side", "lid-proven")),
            Step("heat-down", when=("warm-side",), at_most=1.0), Step("wet-less", when=("lid-proven",)), "fan-less"),
        (_NO_SETPOINT,),
    ),
    # Other than the table, which stops after one vent step: where the keeper's own band says otherwise and the room's air can
    # dry, small fan steps come last, so that the band that the alarm is about can be reached. It is never urgent.
    Cell(
        11, "ok", "high", False, "humid air and a dry lid: the garden likes it",
        steps(_SOAK_UP, Step("look-lid", when=("lid-unknown",)), Step("check-probe", when=("saturated",)), "mist-less",
            Step("open-vents", when=("floor-dries",), at_most=1), "wet-less",
            Step("fan-more", when=("floor-dries",), at_most=2.0)),
        (Never("Do not chase it down to 80 %: ants put their garden where it is most humid."),),
        "Roces & Kleineidam 2000, Insectes Sociaux 47:348-350: gardens are moved to 98 %RH when it is offered",
    ),
    Cell(
        12, "ok", "high", True, "more wet surface than this lid can bear",
        steps(_SOAK_UP, _CHECK_FOAM, "mist-less", "wipe-lid", "insulate-lid",
            Step("open-vents", when=("floor-dries",), at_most=1), Step("fan-more", when=("floor-dries",)),
               "wet-less", Step("heat-down", when=("warm-side",), at_most=1.0), Step("fan-less", when=("floor-wets",)),
               Step("dehumidify-room", when=("floor-wets",))),
        (_NO_SETPOINT,),
    ),
    Cell(
        13, "high", "low", False, "dry because it is too warm: heater too strong, a lamp, or the sun",
        steps(_FEEL_MAT, *_COOL_ROOM, "heat-down", "water", "close-vents", "fan-less"),
        (NO_MIST_HOT, NO_COVER_HOT,
            Never("Do not close vents while it is above 30 °C.", frozenset({"vent:close"}), when=("very-hot", "airs"))),
    ),
    Cell(
        14, "high", "low", True, "a probe beside the mat (hot, reads dry), or a strong heater under a cold lid",
        steps(_FEEL_MAT, "move-probe", "heat-down", *_COOL_ROOM, "close-vents", "wipe-lid"),
        (NO_COVER_HOT, NO_MIST_HOT),
    ),
    Cell(
        15, "high", "ok", False, "too warm; cooling will raise the humidity figure by itself",
        steps(_FEEL_MAT, "heat-down", Step("open-vents", when=("room-cooler", "floor-dries")),
            Step("fan-more", when=("room-cooler", "floor-dries")), *_COOL_ROOM, Step("mist-less", when=("humid-side",)),
            "close-vents", "fan-less"),
        (NO_MIST_HOT, NO_COVER_HOT),
    ),
    Cell(
        16, "high", "ok", True, "hot and wet, and the lid is its coldest place",
        steps(_FEEL_MAT, "heat-down", Step("open-vents", when=("room-cooler", "floor-dries")),
            Step("fan-more", when=("room-cooler", "floor-dries")), *_COOL_ROOM, "wipe-lid", "mist-less"),
        (NO_COVER_HOT, Never("Do not mist; the lid stays wet until the water has left.", MIST)),
    ),
    Cell(
        17, "high", "high", False, "hot and humid: a heatwave, or a heater that runs away",
        steps(_SOAK_UP, _FEEL_MAT, "heat-down", Step("fan-more", when=("room-cooler",)),
            Step("open-vents", when=("room-cooler",)), "mist-less", *_FIND_SOURCE, *_WARM_ROOM),
        (
            Never("Do not run the fan if the room is warmer than the chamber: it heats.", AIR, when=("fan",),
                about_order=True),
            NO_COVER_HOT, _NO_WATER_DAMP,
        ),
    ),
    Cell(
        18, "high", "high", True, "hot over wet ground: a heatwave, or a heater that runs away",
        steps(_SOAK_UP, _FEEL_MAT, "heat-down", Step("open-vents", when=("room-cooler",)),
            Step("fan-more", when=("room-cooler",)), *_FIND_SOURCE, *_WARM_ROOM, "wipe-lid", "mist-less",
            Step("feel-mat", when=("heater-idle",))),
        (Never("Never put foam on it now.", FOAM), _NO_WATER_DAMP),
    ),
)

AIDS: dict[str, tuple[Step, ...]] = {
    "temperature-high": steps(
        "shut-aired", _FEEL_MAT, "cool-room", *_FIND_SOURCE,
        Step("cool-pack", when=("very-hot",)), Step("cool-pack", when=("tried",)),
        *(Step("move-box", when=("very-hot", "tried", room)) for room in ("room-warm", "room-unknown")),
    ),
    "temperature-low": steps(Step("check-heater", when=("heater-suspect",)), "warm-room"),
    "humidity-low": steps(Step("find-leak", when=("mist-useless",)), "humidify-room"),
    "humidity-high": (), "damp": (), "lid-dew": (),
}
"""What moves each miss where no device at hand does, by how much cannot be said."""

HEAT_FIRST_C = 32.0
"""Heat comes first at and above this; harm within about an hour. Judgement: at 30 degC growth is
clearly reduced, at 37 degC there is none."""
VERY_HOT_C = 30.0
DEADLY_HEAT_C = 35.0
"""Near the 37 degC at which the fungus no longer grows (Cazin, Wiemer & Howard 1989); judgement."""
COLD_FIRST_C = 18.0
"""Below this the cold is answered before anything else: growth has stopped below 20 degC (Mueller et al. 2011); judgement."""
UNSEEN_GOES_ON = "Nothing is seen of it now, and nothing says that what was told last has ended: take it as going on."
LETHAL_COLD_C = 15.0
"""At and below this a step of the set point or foam is no answer; below 10 degC it kills (Mueller et al. 2011); judgement."""
RUNAWAY_SLOPE_K_H = 5.0
"""Rise above the upper edge that no room or sun makes; common practice, no source."""
HEAT_STEP_UP_K = 1.0
"""The largest step up per message; common practice, no source."""
HEAT_STEP_SEEN_K = 2.0
"""The largest where the keeper has looked at the heater and it stays below its dial all the same; judgement."""
HEAT_STEP_DOWN_K = 4.0
DRY_LID_MARGIN_K = 1.0
"""Above this margin the lid is surely dry for advice: an estimated margin is good to about 0.9 K (95 %)."""
ROOM_BELOW_HEATED_K, ROOM_BELOW_K = 4.0, 0.5
"""How far a room that nobody measures lies under its box, with a heater at work and without; own estimate."""
ROOM_C = 21.0
"""A room where people live; common practice, no source."""
VENT_AUTHORITY_PCT = 10.0
"""Venting is advised for drying only if the room's air would leave this many points less; common practice, no source."""

NIGHT_FALL_K = 3.0
"""How much colder the room is taken to be before dawn when the lid is forecast to drip; common practice, no source."""

WAIT_S: dict[str, int] = {
    "heater": 2 * 3600, "vents": 3600, "fan": 3600, "mister": 6 * 3600, "foam": 12 * 3600, "water": 12 * 3600, "none": 1800,
}
"""How soon after a change its effect may be judged, by knob; common practice, no source."""


def wait_s(knobs: Iterable[str]) -> int:
    """Return how soon what was changed together is looked at: by the slowest, but a turned heater is not kept waiting by foam.

    The others are still judged, and asked for again, each in its own time.
    """
    turned = set(knobs) or {"none"}
    return WAIT_S["heater"] if "heater" in turned else max(WAIT_S[knob] for knob in turned)


ELECTRIC = (
    "Mains and water: unplug before your hands go in, a drip loop in every cable, a residual-current device "
    "in the circuit."
)
HOT_SURFACE = "The mat may be hot: touch its edge with the back of the hand; never cover, fold or bury it."
KEEP_CLEAR = "Keep foam off the heater, the lamp and the vents."
BARRIER = "Ants climb out within seconds: look at the escape barrier before the lid moves."
MOULDS = "Old waste carries mould spores: wash your hands, and freeze it for three days before it is thrown away."
NO_FOG = "No fogger in a small box: one second of it is too much."
LOW_VOLTAGE = "A heater needs its own thermostat and a cut-out; dewlid watches and advises, it is no safety device."

CAUTIONS: dict[str, tuple[str, ...]] = {
    "heater": (HOT_SURFACE, ELECTRIC),
    "mister": (ELECTRIC, NO_FOG),
    "fan": (ELECTRIC,),
    "lid": (BARRIER,),
    "vent": (BARRIER,),
    "water": (),
    "probe": (BARRIER,),
    "garden": (BARRIER,),
    "waste": (BARRIER, MOULDS),
    "leaves": (BARRIER,),
    "room": (),
}
"""What must be said along with an act on a device; general safety, local codes come first."""


def cell_of(temperature: Band, humidity: Band, lid_wet: bool) -> Cell:
    """Return the one cell of the decision table for these three answers."""
    for cell in CELLS:
        if (cell.temperature, cell.humidity, cell.lid_wet) == (temperature, humidity, lid_wet):
            return cell
    raise LookupError(f"the decision table has no cell for temperature {temperature}, humidity {humidity}, lid wet {lid_wet}")
