"""What a keeper can do: each act with its words, what it needs and what bars it.

A row without a source is common practice, no source. `rules.trade.practice` says which act is called for when.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Knob = Literal["heater", "vents", "fan", "mister", "foam", "water", "none"]
Device = Literal["heater", "fan", "mister", "vent", "lid", "room", "probe", "water", "garden", "waste", "leaves"]
Change = Literal["more", "less", "hold", "open", "close", "stop", "insulate", "wipe", "move", "check"]
CP = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Act:
    """One thing a keeper can do. `needs`: facts that must all hold; `bars`: facts that forbid it. Knob none: not sized."""

    device: Device
    change: Change
    text: str
    knob: Knob = "none"
    direction: int = 0
    needs: tuple[str, ...] = ()
    bars: tuple[str, ...] = ()
    effort: float = 1.0
    source: str = CP


# `effort` orders means that would do the same: water and openings before devices, a touch before a rebuild.
FAILED_PART = (
    "If it never switches on, turn it back and find the part that has failed: plug the mat alone, without its thermostat, into "
    "a socket that surely works, and stay beside it; if it is not warm to the hand after ten minutes the mat is broken, else "
    "the thermostat; put a sound one in its place before you leave"
)
"""How it is told whether mat or thermostat gives no heat. Common practice, no source."""

TRY_MAT = ". Turn that up for a quarter of an hour, feel whether it gets warm, and turn it back"
ACTS: dict[str, Act] = {
    "check-lid": Act("lid", "check", "Check that the lid is shut and every tube and plug is in place", bars=("visiting",)),
    "check-foam": Act("lid", "check",
        "Look whether the foam or second pane that the lid is said to have is really on it, whole and without gaps; if it is "
        "not, lay it on, vents left free", bars=("foam-looked",)),
    "look-lid": Act("lid", "check",
        "Look whether there is water on the inside of the lid, and tell what you see; if there is, wipe it dry",
        bars=("shut-in",)),  # a queen who founds is not opened, here and below
    "check-heater": Act(
        "heater", "check",
        "Check the heat: plug, breaker or residual-current device, thermostat or dimmer set as you think, a thermostat's "
        "probe in its place, mat warm to the hand",
        needs=("heater",),
    ),
    "plug-back": Act("heater", "more", "If you pulled the heater's plug when it was hot, plug it in again", needs=("heater",)),
    "plug-again": Act("heater", "more", "If you pulled the heater's plug when it was hot, plug it in again", needs=("heater",)),
    "feel-mat": Act(
        "heater", "check",
        "Feel the mat: if it is hot although it is warm enough, unplug it and look at the thermostat; if it is cold, the room "
        "or the sun is the cause: shade the box", needs=("heater",),
    ),
    "check-probe": Act("probe", "check", "Check the humidity probe: dry it, look for garden or water on it, compare it",
        bars=("probe-looked",)),
    "replace-probe": Act("probe", "check",
        "Hang another probe in its place, or a second one beside it; try the old one on another cable, port or battery"),
    "look-first": Act("lid", "check",
        "Look at the inside of the lid before you dry anything: you have seen it dry each time, and by its humidity probe it "
        "is wet", bars=("visiting",)),
    "compare-humidity": Act("probe", "check",
        "Compare the humidity probe before you dry anything: hang a second one beside it for an hour, or test it over salt "
        "(`dewlid calibrate`)"),
    "compare-dry": Act("probe", "check",
        "Look inside before you give more water, and hang a second humidity probe beside the first for an hour: twice it was "
        "right after water and dry again within the day, and a probe that creeps downwards reads so. If the ground is moist "
        "and the second reads higher, the first is to be corrected (`dewlid calibrate`)", bars=("probe-compared",)),
    "compare-heat": Act("probe", "check",
        "Hang a second thermometer beside the probe for an hour before you turn the heat up once more: the box reads colder "
        "than its dial again, and a probe that drifts reads so too"),
    "compare-leap": Act("probe", "check",
        "Put a second thermometer beside the probe before you touch anything else, at the garden's height, for a quarter of an "
        "hour. If it reads lower, the probe lies: hang it back a hand's breadth from the mat, put another one in its place or "
        "take it out of use (`dewlid out-of-service`), and leave the heater as it is. Only if both agree unplug the heater at "
        "the wall. Then say that it is done"),
    "check-swap": Act("probe", "check", "Look which probe hangs where: those of the chamber and of the room look swapped"),
    "prove-swap": Act("probe", "check",
        "Prove which probe is which: hold the one in the chamber in your hand for five minutes and see in `dewlid watch` whose "
        "figures rise; if they are the room's, hang the two the other way round"),
    "move-probe": Act("probe", "move",
        "Look where the probe sits: move it to garden height, a hand's breadth from any heater"),
    "close-vents": Act("vent", "close", "Close", "vents", -1, needs=("vents-open",), bars=("very-hot", "rises-hot"), effort=0.6,
        source="the last one never without a pinhole: closed founding boxes of Atta sexdens reached 15 to 21 % CO2 (Camargo,"
        " Sociobiology, abstract seen); gardens are put where it is 1 to 3 % (Roemer et al. 2017, PLoS ONE 12:e0174597)"),
    "shut-again": Act("vent", "close", "If you opened vents or the lid on advice, shut them again", "vents", -1),
    "open-vents": Act("vent", "open", "Open", "vents", 1, needs=("vents-shut",), effort=0.7),
    "fan-less": Act("fan", "less", "Run the fan less", "fan", -1, needs=("fan-on",), bars=("rises-hot",), effort=0.6),
    "fan-more": Act("fan", "more", "Run the fan more", "fan", 1, needs=("fan",), bars=("dry-air",),
        effort=1.0),
    "water": Act("water", "more", "Wet the clay granules along the wall", "water", 1, needs=("granules",),
        bars=("lid-seen", "dry-doubted"), effort=0.8),
    "soak-up": Act("water", "check",
        "Look whether water stands on the ground: soak it up, and see where it comes from, drinker, wet clay or a spill",
        bars=("visiting", "shut-in")),
    "wet-less": Act("water", "less", "Take out wet granules or let them dry", "water", -1, needs=("granules",),
        bars=("shut-in", "gets-colder"), effort=1.2),
    "mist-less": Act("mister", "less", "Mist less", "mister", -1, needs=("mist-on",), effort=0.5),
    "mist-more": Act(
        "mister", "more", "Mist the walls, never the garden", "mister", 1, needs=("mister",),
        bars=("founding", "lid-wet", "hot", "mist-useless", "dry-doubted"), effort=1.6,
    ),
    "heat-up": Act(
        "heater", "more", "Turn the heat up", "heater", 1, needs=("heater",),
        bars=("heater-at-limit", "heater-fault", "heater-suspect", "falls-freely", "heater-warming", "hot"), effort=1.2,
        source="steps of 0.5 to 1 K: common practice, no source",
    ),
    "heat-down": Act("heater", "less", "Turn the heat down", "heater", -1, needs=("heater",),
        bars=("heater-idle", "heater-fault", "heater-warming", "heater-doubt"), effort=1.0),
    "insulate-lid": Act(
        "lid", "insulate", "Lay foam on the lid", "foam", 1, needs=("can-insulate",), bars=("hot", "rises-out"), effort=1.4,
        source="warmer inner surface: ISO 6946 and ISO 13788 temperature factor",
    ),
    "wipe-lid": Act("lid", "wipe", "Wipe the lid dry and tilt it towards a wall without garden", needs=("lid-wet",),
        bars=("founding",)),  # a founding box stays shut
    "cover-garden": Act("garden", "close", "Cover the small garden with a small upturned tub, a gap left for the ants",
        needs=("founding", "bare"), bars=("shut-in",)),
    "stop-heater": Act(
        "heater", "stop", "Unplug the heater now, at the wall", needs=("heater",),
        source="no growth at 37 degC: Cazin, Wiemer & Howard 1989, Appl. Environ. Microbiol. 55",
    ),
    "stop-unsure": Act("heater", "stop", "Unplug the heater now, at the wall", needs=("heater",)),  # it may be the room
    "leave-out": Act(
        "heater", "check",
        "Leave the heater out until it has another thermostat, or until there is a mat with a cut-out of its own: its "
        "thermostat does not hold",
    ),
    "plug-in": Act("heater", "more", "Plug the heater in again", needs=("unplugged",), bars=("hot",)),
    "air-now": Act(
        "vent", "open", "Let room air in: lid ajar a finger's width, or all vents open; keep the escape barrier in sight",
        needs=("room-cooler", "very-hot"), bars=("air-dry",),
    ),
    "fan-now": Act("fan", "more",
        "Run the fan all the time until it is below 30 °C", needs=("fan", "room-cooler", "very-hot"), bars=("air-dry",)),
    "air-if-cooler": Act(
        "vent", "open",
        "If the room feels cooler than the box, let its air in: lid ajar a finger's width, or all vents open, the escape "
        "barrier in sight; if not, keep the sun and every lamp off the box",
        needs=("very-hot", "room-unknown"), bars=("air-dry", "aired-in-vain"),
    ),
    "shut-aired": Act(
        "vent", "close",
        "Shut lid and vents again, a pinhole left: the room's air has not cooled the box, so the room is no cooler",
        needs=("stands-aired",),
    ),
    "move-box": Act("room", "move", "Carry the box to the coolest room you have, level and slowly, out of the sun"),
    "shade-box": Act(
        "room", "less",
        "Keep the sun and every lamp off the box; lay a wet cloth on the outside of one side wall, away from the garden and "
        "never on the lid, and let a fan blow on it from outside",
    ),
    "check-unplugged": Act(
        "heater", "check", "Look whether the right plug is out: it still gets warmer; pull every plug at the box",
        bars=("heater-looked",),
    ),
    "find-source": Act(
        "room", "less",
        "Find what heats the box itself, for its room is cooler: take sun, lamps and warm devices away from it, and pull the "
        "plug of every mat at it that is warm to the hand, whatever socket it is on",
        bars=("heater-regulates",),  # what warms it is known
    ),
    "compare-probe": Act(
        "probe", "check",
        "Put a second thermometer beside the probe, at the garden's height, and feel the mat: if the garden's air is "
        "cooler than the probe says, the probe sits too near the mat; move it a hand's breadth away",
    ),
    "cool-room": Act("room", "less",
        "Cool or shade the room: blinds, night air, no sun or lamp on the box; lay a wet cloth on the outside of one side "
        "wall, away from the garden and never on the lid, and let a fan blow on it from outside",
        bars=("heats-itself", "rises-alone", "room-below")),  # a room colder than the band is not what heats
    "cool-pack": Act("room", "less",
        "Stand a cool pack or a bottle of cold water, wrapped in a cloth, against the outside of one side wall, away from the "
        "garden, never inside and never on the lid; change it every hour"),
    "room-back": Act("room", "more",
        "If the room was cooled or the box carried against the heat, let it be as warm as before; keep sun and lamps off it"),
    "place-back": Act("room", "less",
        "If the room was warmed or the box carried against the cold, let the room be as cool as before, or put the box back "
        "where it stood"),
    "place-cooler": Act("room", "less",
        "Let the room be about {:g} K cooler, and no more: it was warmed, or the box carried, against the cold, and beside so "
        "warm a room no heat of the mat is seen"),
    "no-sun": Act("room", "less", "See that neither sun nor a lamp shines on the box"),
    "warm-room": Act("room", "more", "Warm the room, or move the box away from the window and the draught",
        bars=("room-warms",)),
    "warm-place": Act(
        "room", "more",
        "Warm the room, or carry the box, level and slowly, to the warmest room you have, off the floor",
        bars=("room-warms",),
    ),
    "let-warm": Act("heater", "hold", "It gets warmer again: leave the box as it is and look again in an hour"),
    "swap-heater": Act(
        "heater", "more",
        "Turn the thermostat's dial up until it switches on and the mat gets warm, then down again to what is wanted by the "
        f"thermometer in the box. {FAILED_PART}",
        needs=("heater",), bars=("heater-swapped",),
    ),
    "check-power": Act(
        "room", "check",
        "See whether the power is out: the lights, a breaker or residual-current device that has tripped, the strip or timer "
        "that the heaters share",
        needs=("heater",),
    ),
    "warm-now": Act(
        "room", "more",
        "Carry the box, level and slowly, to the warmest room: off the floor, blankets round the sides, a gap left for air; "
        "beside it, not under it and not touching it, a closed bottle of water at 40 °C wrapped in a towel",
    ),
    "stronger-mat": Act("heater", "hold", "Leave the heater on: it gives all it has, and that is too little here",
        needs=("thermostat",)),
    "wrap-box": Act(
        "garden", "insulate", "Wrap blankets round the sides of the box; leave vents, mat and a gap for air free",
        bars=("wrapped", "room-warms"),
        source="saves 30 to 60 % of the heat: common practice, no source",
    ),
    "wrap-bottle": Act(
        "garden", "insulate",
        "Wrap blankets round the sides, a gap left for air, and stand a closed bottle of water at 40 °C, wrapped in a "
        "towel, beside the box: never under it, not touching it",
    ),
    "humidify-room": Act("room", "more", "Moisten the room's air: damp towels beside the box, not on it; fill the drinker",
        bars=("shut-in", "lid-wet")),
    "dehumidify-room": Act("room", "less",
        "Dry the room's air (or wait for a drier day): venting cannot dry the chamber now"),
    "move-mat": Act(
        "heater", "move", "Move the mat from below to the upper half of a side or back wall", needs=("mat-below",),
    ),
    "find-leak": Act("lid", "check", "Look for the leak: a gap, a tube end, an open plug where dry air gets in"),
    "stop-water": Act("mister", "stop", "Stop all misting", needs=("mister",)),
    "clear-waste": Act("waste", "move", "Clear the waste, gloves and mask on, and wipe its chamber dry"),
    "clear-leaves": Act("leaves", "move", "Take out old and wet leaf, and wipe the food chamber dry"),
}
WIPES = frozenset({"wipe-lid", "look-lid"})
"""After these no water hangs on the lid: it was wiped, or there was none."""
