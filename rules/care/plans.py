"""Plans to print for the day on which things go wrong or are about to: power cut, moving house, quarantine, holiday.

Each is a checklist with boxes to tick. What is not sourced in its line is common practice, no source. How fast the boxes get
cold is handed in: this room knows nothing of heat.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import Literal

from rules.trade.acts import ACTS
from rules.trade.emergencies import COLD_NEVER, COLD_ORDER, WARM_BACK
from rules.trade.garden_sizes import CLASSES, size_class, volume_words
from rules.trade.plants import leaf_words
from rules.trade.practice import LETHAL_COLD_C
from rules.trade.routine import TASKS

SHUT_NEEDS = "the queen founds shut in and takes no leaf: who comes looks from outside, and opens nothing"
Plan = Literal["power-cut", "moving", "quarantine", "holiday"]
HOT_C = (30.0, 32.0)
"""Marks of heat: growth is clearly reduced (Cazin, Wiemer & Howard 1989); harm within an hour or two, own estimate."""
HOLIDAY_STOCK_DAYS = 7.0
"""So long leaves keep in the fridge, washed; 1 to 2 weeks are common practice, no source."""


@dataclass(frozen=True, slots=True)
class Mark:
    """When a box without heat is at a temperature: likely, at the earliest and at the latest, hours from now; 0: it is past."""

    temperature_c: float
    likely_h: float
    early_h: float
    late_h: float


@dataclass(frozen=True, slots=True)
class Box:
    """One box as a plan needs it; no marks: it gets neither cold nor hot in this room; `shut`: an Atta queen founds there."""

    title: str
    garden_ml: float | None
    now_c: float
    marks: tuple[Mark, ...]
    shut: bool = False

    def hours_to(self, marks_c: Collection[float]) -> float:
        """Return the hours until the first of these marks; it is past: 0, never: infinite."""
        return min((mark.likely_h for mark in self.marks if mark.temperature_c in marks_c), default=float("inf"))


def in_order(boxes: Sequence[Box], room_c: float) -> list[Box]:
    """Return the boxes in the order in which they need a hand in such a room: who suffers first, who dies first, the smallest
    garden. What a cold room cools down by itself has time, and what a hot one warms up."""
    hot = room_c > HOT_C[0]
    grave_c = (HOT_C[-1],) if hot else (LETHAL_COLD_C, 10.0)

    def needs(box: Box) -> tuple[float, ...]:
        ahead_c = [mark.temperature_c for mark in box.marks if (mark.temperature_c >= HOT_C[0]) == hot]
        return (*(box.hours_to([mark]) for mark in grave_c), box.hours_to(ahead_c), box.garden_ml or 0.0)

    return sorted(boxes, key=needs)


def plan_told(which: Plan, boxes: Sequence[Box], room_c: float, days: float) -> str:
    """Return a plan as text, ready to print; `room_c`: the room, or the car; `days`: how long the keeper is away."""
    write = {"power-cut": _power_cut, "moving": _moving, "quarantine": _quarantine, "holiday": _holiday}[which]
    return "\n".join(write(in_order(boxes, room_c), room_c, days))


def _ticks(*lines: str) -> list[str]:
    return [f"[ ] {line}" for line in lines]


def _hours(hours: float) -> str:
    return f"{60.0 * hours:.0f} min" if hours < 1.0 else f"{hours:.1f} h" if hours < 10.0 else f"{hours:.0f} h"


def _cold(boxes: Sequence[Box], room_c: float) -> list[str]:
    """Return the times to each mark, box by box; they are those of a closed box that nobody wraps."""
    return [f"{place}. {box.title}: {_marks(box, room_c)}" for place, box in enumerate(boxes, 1)]


def _marks(box: Box, room_c: float) -> str:
    end = f"ends near {room_c:g} °C"
    times = [
        f"{mark.temperature_c:g} °C after {_hours(mark.likely_h)} ({_hours(mark.early_h)} to {_hours(mark.late_h)})"
        for mark in box.marks if mark.likely_h > 0.0
    ]  # fmt: skip
    past = [mark.temperature_c for mark in box.marks if mark.likely_h == 0.0]
    now = f"{_beyond(past)} already, at {box.now_c:.1f} °C;" if past else f"from {box.now_c:.1f} °C"
    return f"{now} it is at {', at '.join(times)}, and {end}" if times else f"{now} it {end}"


def _beyond(past_c: Sequence[float]) -> str:
    return f"above {max(past_c):g} °C" if min(past_c) >= HOT_C[0] else f"below {min(past_c):g} °C"


def _power_cut(boxes: Sequence[Box], room_c: float, days: float) -> list[str]:
    acts = [ACTS[act].text for act in ("check-power", "warm-now")]
    colder = " The house gets colder too: print this once more with the room at 8 °C, by --room 8." if room_c > 8.0 else ""
    return [
        f"POWER CUT: without heat, in a room that is at {room_c:g} °C. Take the boxes in this order:", *_cold(boxes, room_c),
        "Below 20 °C a tropical garden stands still, below 15 °C it suffers within half a day, near 10 °C it dies (Mueller et"
        " al. 2011; 15 °C own estimate). Wrapped boxes take about half as long again (own estimate)."
        + colder, "",
        "Keep ready, together:",
        *_ticks("blankets and a bottle for each box, a torch, a thermometer with a battery",
                "a power bank or small UPS for server, router and probes: without them nobody is told",
                "the numbers of a warm house and of whoever can carry boxes"),
        "", "When it happens:", *_ticks(*acts, "write down the time, and the temperature of each box once an hour",
                "leave lids shut; wrap sides and lid, a gap and a pinhole left free: the box must breathe"),
        "", "When it is back:",
        *_ticks("see each mat switch off once before you leave it: a relay can stick", WARM_BACK,
                "send a test letter: dewlid check --send"),
        "", *([COLD_ORDER] if len(boxes) > 1 else []), *(never.text for never in COLD_NEVER),
    ]  # fmt: skip


def _moving(boxes: Sequence[Box], room_c: float, days: float) -> list[str]:
    bottle = "a closed bottle of water from the fridge, wrapped in a towel," if room_c > 28.0 else "a bottle of water at 28 °C"
    return [
        f"MOVING HOUSE: the boxes on the way at {room_c:g} °C, unheated and not wrapped:", *_cold(boxes, room_c),
        f"That is the time for loading and driving; a cool box with {bottle} about doubles it (own estimate)."
        " A parked car in the sun is about 18 °C warmer than the air outside after half an hour (McLaren et al. 2005,"
        " Pediatrics 116:e109, from memory): heat kills sooner than cold.", "",
        "Weeks before:",
        *_ticks("ask the authority of the new place: permits may end at a border of state or country",
                "heater, thermostat and cut-out at the new place run for two days, empty, with their probe watched"),
        "The day before:",
        *_ticks("few leaves, waste cleared, food and waste chambers off; tubes closed with mesh",
                "take out drinkers and all loose water; damp ground stays",
                "support a garden that stands free with crumpled damp paper, so that it cannot tumble"),
        "On the way:",
        *_ticks("each box level in a second, closed box, labelled, vents left at a pinhole, never in the boot in summer",
                "the car at 20 to 25 °C before the boxes go in; no stop in the sun",
                "the smallest garden last in, first out", "say it to dewlid, box by box: `dewlid visit`, its name, `--for 4h`"),
        "There:",
        *_ticks("heat first, then the box; the lid will be wet for some hours: leave it shut",
                "a day without a look inside, leaves offered at the entrance, barrier and lids checked twice",
                "give the new room's span (coldest_c, warmest_c) and run dewlid check: the mat may not suit it",
                "for a week expect forecasts to be wrong: the box is learnt anew"),
    ]  # fmt: skip


def _quarantine(boxes: Sequence[Box], room_c: float, days: float) -> list[str]:
    old = ", ".join(box.title for box in boxes)
    return [
        "QUARANTINE: a new colony, or one that is ill, apart from the others for six weeks.",
        f"Already here: {old}.", "",
        "Set up:",
        *_ticks("another room, or at least another shelf and tray with a barrier of its own",
                "its own tweezers, sprayer, gloves and towel, marked", "its own chamber in the config, so that it has a record",
                "write down where it is from, when, and its permit"),
        "Every day, the old ones first and the new one last:",
        *_ticks("look through the lid: mites, springtails, small flies that hover over workers, dead or trembling workers,"
                " grey, powdery or white tufts on the garden; tell it with `dewlid note` and the box's name"
                " (`dewlid note --words` lists the signs)",
                "wash hands and tools after it; no leaf, water or waste from it to another",
                "freeze its waste for three days: Escovopsis was in all of 111 samples of garden waste (R. Soc. Open Sci. 2017,"
                " PMC5451793)"),
        "It is over when:",
        *_ticks("six weeks without a new sign, the garden grows (dewlid garden), workers carry leaf and clear waste",
                "with one sign left: begin anew, and ask somebody who has seen it under a lens"),
        "Never:",
        "- no spray, powder or smoke against mites or flies: it kills the ants first",
        "- no cleaning of the garden with tweezers: ants and new growth do that, or nobody can",
    ]  # fmt: skip


def _holiday(boxes: Sequence[Box], room_c: float, days: float) -> list[str]:
    gardens = [(box, size_class(box.garden_ml)) for box in boxes]
    stock = [
        f"{box.title}, garden of {volume_words(box.garden_ml)}: {leaf_words(box.garden_ml, min(days, HOLIDAY_STOCK_DAYS))}"
        for box, _ in gardens if box.garden_ml is not None and not box.shut
    ]  # fmt: skip
    return [
        f"HOLIDAY of {days:g} days.", "",
        "Without anybody:", *[f"- {box.title}: {SHUT_NEEDS if box.shut else _alone(size, days)}" for box, size in gardens],
        "",
        "Two weeks before:",
        *_ticks("somebody who comes, with a key, and comes once while you are there",
                "dewlid away FROM TO hands them the letters and writes their checklist, box by box"),
        "Two days before:",
        *_ticks("waste cleared, barrier renewed, water full, the ground as damp as always",
                "no change of set point, vents or fan from now on",
                *(f"leaves in the fridge for {min(days, HOLIDAY_STOCK_DAYS):g} days, washed: {line}" for line in stock)),
        "On the last day:",
        *_ticks("dewlid check --send: their test letter arrives", "each mat's cut-out and the residual-current device tried",
                "your number and this page by the boxes"),
        "If nobody comes, the heat fails and the room is at its coldest:", *_cold(boxes, room_c),
    ]  # fmt: skip


def _alone(size: str, days: float) -> str:
    """Return how long a garden does without leaves: from when the routine calls it late, and when harmful."""
    leaves, every_d = TASKS["leaves"], TASKS["leaves"].every_d[CLASSES.index(size)]
    if every_d is None or leaves.harmful is None:
        return "needs no leaves"
    late_h, harm_h = 24.0 * every_d + leaves.overdue.after_h, 24.0 * every_d + leaves.harmful.after_h
    end = "somebody must come" if 24.0 * days > late_h else "that is within what it does without"
    return f"without leaves it is late after {late_h:.0f} h and shrinks after {harm_h:.0f} h: {end}"
