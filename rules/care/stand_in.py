"""What the one who stands in must know, on one page and in plain words; and what the keeper does before leaving."""

from __future__ import annotations

from collections.abc import Sequence

from rules.care.occurrences import Occurrence
from rules.keeper.state import Absence
from rules.settings import Settings
from rules.terms.events import DAY_MS
from rules.terms.local_time import day_words, time_words

# What a stand-in must never do; common practice, no source.
NEVER = (
    "Do not open the fungus chamber to look: a look through the lid is enough.",
    "Never spray, touch or move the fungus (the grey-white sponge). Water goes {water}.",
    "Do not change thermostat, fan or vents unless a mail from this shelf says so, and then only by the amount it says.",
    "No insect spray, scented candle, glue or fresh paint in the room.",
    "No bought flowers and no leaves from elsewhere: they are presumed sprayed.",
)
ALWAYS = (
    "Unplug the heater before your hands go in. Close every lid and check the barrier when you leave.",
    "Gloves when you clear waste: it carries mould. Wash your hands afterwards.",
)
LOOK = (
    "Every time: is the lid closed, is no ant outside, does the fungus look as it did, is there water.",
    "Brown at the bottom of the fungus and drops that run down the side of the lid are normal.",
)


def _span(settings: Settings, absence: Absence) -> str:
    return f"{time_words(absence.begins, settings.zone)} to {time_words(absence.ends, settings.zone)}"


def _inside(occurrences: Sequence[Occurrence], absence: Absence) -> list[Occurrence]:
    return [one for one in occurrences if one.due_ms < absence.ends and (one.repeats_ms or one.due_ms >= absence.begins)]


def checklist(settings: Settings, occurrences: Sequence[Occurrence], absence: Absence) -> str:
    """Return the stand-in's checklist for an absence, from what is planned up to its end."""
    mine = [one for one in _inside(occurrences, absence) if one.stand_in]
    daily = [f"- {one.where}: {one.title}. {one.how[0].upper()}{one.how[1:]}." for one in mine if one.repeats_ms]
    days = [f"- {day_words(one.due_ms, settings.zone)}: {one.where}: {one.title}." for one in mine if not one.repeats_ms]
    granules = any(chamber.devices.wet_granules for chamber in settings.chambers.values())
    water = "on the granules along the wall" if granules else "into the drinker"
    parts = [
        f"You look after {settings.site.name} from {_span(settings, absence)}. Thank you. This is all that is needed:",
        "\n".join(["Every day:", *daily]) if daily else "",
        "\n".join(["On these days (a day sooner or later does no harm):", *days]) if days else "",
        "\n".join(["Look:", *(f"- {line}" for line in LOOK)]),
        "\n".join(["Please always:", *(f"- {line}" for line in ALWAYS)]),
        "\n".join(["Please do not:", *(f"- {line.format(water=water)}" for line in NEVER)]),
        "Meanwhile the alarms of this shelf come to you. Each mail says what to change, by how much and how soon. If it is"
        " marked urgent and you cannot go, ring the keeper. No mail means that all is well: the keeper sees every day"
        " whether the watching goes on.",
    ]
    return "\n\n".join(part for part in parts if part)


def before_leaving(settings: Settings, occurrences: Sequence[Occurrence], absence: Absence) -> str:
    """Return what the keeper had better do before an absence: what falls due in it and is nothing for a stand-in."""
    kept = [one for one in occurrences if not one.repeats_ms and not one.stand_in and one.due_ms < absence.ends]
    first = {(one.where, one.title): one for one in reversed(kept)}.values()
    lines = [f"- {one.where}: {one.title} (due {day_words(one.due_ms, settings.zone)})." for one in reversed(list(first))]
    parts = [
        f"You are away from {_span(settings, absence)}. Your stand-in has the checklist and gets the alarms meanwhile,"
        " where an outlet has a stand_in address.",
        "\n".join(["To do before you go:", *lines]) if lines else "Nothing that only you can do falls due before you are back.",
        "Show the stand-in the leaves, the plug of the heater and where water goes. Leave a telephone number. Change no"
        " device on the last day: what goes wrong shows after hours.",
    ]
    if absence.ends - absence.begins > 3 * DAY_MS:
        parts.append("Put leaves for the first days into water in the fridge, washed.")
    return "\n\n".join(parts)

