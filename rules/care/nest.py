"""Which chambers belong together: a colony's chambers in the order food, fungus, waste."""

from __future__ import annotations

from collections.abc import Mapping

from rules.settings import Chamber

ORDER = ("food", "fungus", "waste")
"""Food and waste chambers are ventilated and drier on purpose; the fungus chamber's vents are closed by default, but for what
leaks. Common practice, no source; workers choose the driest place for waste (Ribeiro & Navas 2007, J. Insect Behav. 20:19)."""


def colony_of(chambers: Mapping[str, Chamber], chamber: str) -> str:
    """Return the colony of a chamber: as configured, else the chamber's own id."""
    return chambers[chamber].colony or chamber


def colonies(chambers: Mapping[str, Chamber]) -> dict[str, tuple[str, ...]]:
    """Return each colony's chambers in the order food, fungus, waste; equals in config order."""
    members: dict[str, list[str]] = {}
    for name in chambers:
        members.setdefault(colony_of(chambers, name), []).append(name)
    return {
        colony: tuple(sorted(names, key=lambda name: ORDER.index(chambers[name].role)))
        for colony, names in members.items()
    }


def main_chamber(chambers: Mapping[str, Chamber], members: tuple[str, ...]) -> str:
    """Return the chamber that stands for its colony: the first fungus chamber, else the first one."""
    return next((name for name in members if chambers[name].role == "fungus"), members[0])


def vent_instead(chambers: Mapping[str, Chamber], chamber: str) -> str | None:
    """Return the chamber of the same colony to vent rather than a fungus chamber: waste before food, None: there is none.

    Fresh air that enters at the waste or food end reaches the fungus through the tubes, mixed and slowed.
    """
    members = colonies(chambers)[colony_of(chambers, chamber)]
    for role in ("waste", "food"):
        for name in members:
            if chambers[name].role == role and name != chamber:
                return name
    return None
