"""The whole decision matrix as letters, and what a keeper would call a contradiction in one.

18 cells, 3 rooms, 4 sizes of box, 4 gardens, 128 sets of devices: 110,592 letters. `make matrix`
composes all of them and prints what contradicts itself; the test composes every so-manieth.
"""

from __future__ import annotations

import argparse
import re
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import islice, product
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "trials"))
from advice_scenes import alarms, settings_of, situation

from adapters.wording.letter import compose
from rules.advice.advisory import AdviceState, consider
from rules.climate.situation import Situation
from rules.physics.vapour import dew_point_c
from rules.settings import Chamber, Devices, Fan, Garden, Heater, Mister, Vents
from rules.terms.events import AdviceEvent, AlarmEvent, LetterEvent

WARMTH_C = {"low": 22.3, "ok": 25.9, "high": 29.3}
DAMP_PCT = {"low": 62.0, "ok": 80.0, "high": 94.0}
MARGIN_K = {True: -0.8, False: 1.6}
ROOMS: tuple[tuple[float | None, float | None], ...] = ((16.0, 40.0), (27.0, 70.0), (None, None))
AIR_ML = (1_000.0, 4_000.0, 15_000.0, 60_000.0)
GARDENS_ML = (8.0, 120.0, 500.0, 5_000.0)
HEATERS = ("none", "thermostat", "no dial", "dimmer")
PRESS_ML = 0.8


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry of the matrix: a chamber with its devices, and what is seen of it."""

    chamber: Chamber
    now: Situation
    lid_wet: bool
    standing: dict[str, AlarmEvent]


def heater_of(kind: str, temperature_c: float) -> Heater | None:
    """Return the heater as the keeper would write it down; a dial stands where the chamber is."""
    if kind == "none":
        return None
    if kind == "dimmer":
        return Heater(thermostat=False, watts=20.0)
    return Heater(setpoint_c=round(temperature_c * 2) / 2 if kind == "thermostat" else None)


def seen(t: float, rh: float, wet: bool, room: tuple[float | None, float | None], garden_ml: float) -> Situation:
    """Return the situation with its lid put where it is wet or dry; without a room probe it is not known."""
    if room[0] is None:
        lacking = ("no room temperature: how warm the lid is, is not known",)
        return situation(t, rh, None, None, garden_ml=garden_ml, lacking=lacking)
    lid_c = dew_point_c(t, rh) + MARGIN_K[wet]
    return situation(t, rh, *room, garden_ml=garden_ml, lid_temperature_c=lid_c, dew_margin_k=MARGIN_K[wet],
        probability_wet=float(wet))


def entry(
    t: float, rh: float, wet: bool, room: tuple[float | None, float | None], air_ml: float, garden_ml: float, heater: str,
    vents: bool, fan: bool, mister: bool, foam: bool, granules: bool,
) -> Entry:
    """Return one entry; the alarms are those of its figures, and where no lid is known, what the keeper saw of it."""
    chamber = Chamber(
        room="study", air_ml=air_ml, garden=Garden(volume_ml=garden_ml),
        devices=Devices(
            heater=heater_of(heater, t), vents=Vents(count=3, open=1) if vents else Vents(count=0),
            fan=Fan(minutes_per_hour=2.0) if fan else None,
            mister=Mister(ml_per_day=1.6, ml_per_press=PRESS_ML) if mister else None, can_insulate_lid=foam,
            wet_granules=granules,
        ),
    )  # fmt: skip
    now = seen(t, rh, wet, room, garden_ml)
    return Entry(chamber, now, wet, alarms(now, chamber, *(["lid-dew"] if wet else [])))


def entries(every: int = 1, first: int = 0) -> Iterator[Entry]:
    """Return the matrix, or every so-manieth entry of it."""
    yes = (True, False)
    climates = product(WARMTH_C.values(), DAMP_PCT.values(), yes)
    for climate, *rest in islice(product(climates, ROOMS, AIR_ML, GARDENS_ML, HEATERS, *[yes] * 5), first, None, every):
        yield entry(*climate, *rest)


def advised(case: Entry) -> AdviceEvent | None:
    """Return what the adviser says of this entry; None: nothing."""
    _, events = consider(settings_of(case.chamber), "north", AdviceState(), case.now, case.standing, "matrix")
    return events[0] if events else None


def letter_of(case: Entry, advice: AdviceEvent) -> str:
    """Return the text of the letter that carries this advice and its alarms."""
    event = LetterEvent(
        id="matrix/letter/1", at_ms=case.now.at_ms, chamber="north", sort="situation", about=(*case.standing.values(), advice),
        urgent=False, ordinal=1, thread="matrix", to="keeper",
    )
    return " ".join(compose(event, settings_of(case.chamber)).text.split())


AGAINST: tuple[tuple[str, str], ...] = (
    (r"Mist the walls", r"(Do not mist|No water|Do not add water)"),
    (r"wet the clay granules", r"(Do not add water|No water|Do not mist or wet)"),
    (r"\d\. (Run the fan|Let room air in)", r"Do not (air (it|the box)|run the fan|dry it by venting|open windows)"),
    (r"Run the fan [\d.]+ min per hour instead of [\d.]+", r"venting cannot dry it"),
    (r"Open \d vent", r"(Do not (air (it|the box)|run the fan or air|dry it by venting)|venting cannot dry)"),
    (r"Close \d vent", r"Do not close vents"),
    (r"thermostat up|Heater: turn it up", r"Do not (heat first|turn the heat up)"),
    (r"foam on the lid", r"(Do not|Never) put foam"),
    (r"(lid is wet is not known|lid is unknown)", r"(dry lid|wet lid|cold lid|lid is wet \(|lid: wet|lid [\d.]+ K|\d\. Wipe)"),
    (r"the garden likes", r"(Take out|Stop misting|Open \d|cannot repair|not known)"),
    (r"Leave it as it is", r"\d\. (?!Leave)"),
    (r"too humid", r"humidity comes back"),
    (r"is too warm", r"it stays too cool"),
    (r"is too cool", r"it stays too warm"),
    (r"is too humid", r"it stays too dry"),
    (r"is too dry", r"it stays very humid"),
)
"""Two things that no letter says together: the patterns of a reader, not of the program."""
FAN_UP = re.compile(r"Run the fan ([\d.]+) min per hour instead of ([\d.]+)")


def contradictions(case: Entry, text: str) -> list[str]:
    """Return what a keeper would call a contradiction in this letter."""
    todo = text.split("DO THIS FIRST", 1)[-1]
    found = [f"{a} / {b}" for a, b in AGAINST if _said(a, todo) and re.search(b, todo)]
    room_c = case.now.room_temperature_c
    if room_c is None and re.search(r"room's air (is|alone)|in a (cool|cold) room|A (cool|cold) room", todo):
        found.append("speaks of the room, which nobody measures")
    if room_c is not None and room_c > WARMTH_C["ok"] and re.search(r"Warm the room|warmest room|blankets", todo):
        found.append("warms a box by a room that is as warm as it should be")
    return found + doses(text)


def _said(pattern: str, text: str) -> bool:
    """Return whether it is said; of the fan's two ways, only more of it is running it."""
    if "Run the fan" not in pattern:
        return re.search(pattern, text) is not None
    return any(float(more) > float(now) for more, now in FAN_UP.findall(text)) or "Run the fan all" in text


def doses(text: str) -> list[str]:
    """Return the amounts that no keeper can give: parts of a press, drops of water."""
    out = []
    for ml, presses in re.findall(r"with ([\d.]+) ml a day(?: \(about ([\d.]+) presses\))?", text):
        whole = round(float(ml) / PRESS_ML)
        if presses and (whole < 1 or abs(whole * PRESS_ML - float(ml)) > 0.051):
            out.append("a part of a press")
    out += ["less than 1 ml of water" for ml in re.findall(r"granules along the wall with ([\d.]+) ml", text) if float(ml) < 1]
    return out


def judged(every: int, first: int = 0) -> tuple[int, Counter[str], dict[str, str]]:
    """Return how many letters were read, what contradicts itself, and one letter for each."""
    read, found, shown = 0, Counter[str](), dict[str, str]()
    for case in entries(every, first):
        advice = advised(case)
        if advice is None:
            continue
        read += 1
        text = letter_of(case, advice)
        for name in contradictions(case, text):
            found[name] += 1
            shown.setdefault(name, text)
    return read, found, shown


def main(words: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--every", type=int, default=1, help="read one letter of so many")
    args = parser.parse_args(words)
    read, found, shown = judged(args.every)
    for name, count in found.most_common():
        print(f"{count:7} {name}\n        {shown[name]}\n")
    print(f"{read} letters read, {sum(found.values())} contradictions")
    return 1 if found else 0


if __name__ == "__main__":
    raise SystemExit(main())
