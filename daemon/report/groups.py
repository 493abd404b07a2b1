"""The chambers as they stand: by room, the worst first, so that twenty are seen at a glance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from adapters.wording.alarm_sentences import title_of
from adapters.wording.counting import counted
from daemon.report.verdict import Verdict, pressing, style_of
from rules.climate.situation import Situation
from rules.settings import Settings

FEW = 4
"""So many chambers are each shown whole, however quiet; of more, a quiet one is a line."""


@dataclass(frozen=True, slots=True)
class Group:
    """The chambers of one room; `title`: the room and how it stands there, empty where that stands above already."""

    title: str
    verdicts: tuple[Verdict, ...]


def worst_first(told: Sequence[Verdict]) -> list[Verdict]:
    """Return verdicts with the most pressing first."""
    return sorted(told, key=pressing)


def grouped(settings: Settings, situations: Mapping[str, Situation], told: Sequence[Verdict]) -> list[Group]:
    """Return the chambers by room, the worst room and in it the worst chamber first."""
    rooms: dict[str | None, list[Verdict]] = {}
    for one in worst_first(told):
        rooms.setdefault(settings.chambers[one.chamber].room, []).append(one)
    titled = len(told) > FEW or len(rooms) > 1
    return [Group(_title(settings, situations, room, mine) if titled else "", tuple(mine)) for room, mine in rooms.items()]


def _title(settings: Settings, situations: Mapping[str, Situation], room: str | None, mine: Sequence[Verdict]) -> str:
    name = title_of(settings, room) if room is not None else "No room named"
    seen = [situations[one.chamber].room_temperature_c for one in mine if one.chamber in situations]
    warm = next((style_of(settings).quantity(value, "degC") for value in seen if value is not None), "")
    bad = sum(one.state != "well" for one in mine)
    count = f"{bad} of {counted(len(mine), 'chamber')} not well" if bad else f"{counted(len(mine), 'chamber')}, all well"
    return f"{name}{f', {warm}' if warm else ''}: {count}"


def alike(told: Sequence[Verdict]) -> list[list[Verdict]]:
    """Return those together that want the same, in order: what one room does to many is told once."""
    found: dict[tuple[str, tuple[str, ...], str], list[Verdict]] = {}
    for one in told:
        found.setdefault((one.state, one.steps, one.within), []).append(one)
    return list(found.values())


def quiet(one: Verdict, among: int) -> bool:
    """Whether a chamber is told in one line, among so many."""
    return one.state == "well" and among > FEW
