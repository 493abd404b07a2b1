"""What the keeper said of the shelf, each fact once: every other room reads it here and keeps no copy."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from rules.settings import Chamber, Settings


@dataclass
class Until:
    """Something that ends by itself."""

    until_ms: int
    reason: str = ""
    word_id: str = ""
    """The word that told it, here and below: a word that is taken back is found by it."""


@dataclass
class Absence:
    """When the stand-in looks after the shelf: days that the keeper named by the calendar, which no step of the clock moves."""

    begins: int
    ends: int
    checklist: int
    """When the stand-in's checklist goes out."""
    stage: Literal["planned", "prepared", "begun"] = "planned"
    word_id: str = ""
    own_begins: int | None = None
    own_ends: int | None = None
    """What its own word named, where joining it with others has moved that end; None: it has not."""

    @property
    def own(self) -> tuple[int, int]:
        """The days that its own word named."""
        return (
            self.begins if self.own_begins is None else self.own_begins, self.ends if self.own_ends is None else self.own_ends
        )  # fmt: skip


@dataclass
class GardenEntry:
    """One entry of a garden's size."""

    at_ms: int
    garden_ml: float
    word_id: str = ""


@dataclass
class DeviceChange:
    """A change of a device's setting that the keeper told; None: since then it is as the config says."""

    at_ms: int
    knob: str
    value: float | None
    word_id: str = ""


@dataclass
class Said:
    """A word that was taken and may be taken back, with what it put aside in this room."""

    word_id: str
    taken_ms: int
    word: str
    by: str
    chamber: str | None = None
    subject: str = ""
    """The chamber or probe that was visited or out of service."""
    text: str = ""
    """How it was answered; empty until its instant is over."""
    until: Until | None = None
    absences: list[Absence] = field(default_factory=list)


@dataclass
class KeeperState:
    """Visits by chamber, probes out of service, absences in order of time, garden sizes and device settings by chamber."""

    visits: dict[str, Until] = field(default_factory=dict)
    out_of_service: dict[str, Until] = field(default_factory=dict)
    absences: list[Absence] = field(default_factory=list)
    gardens: dict[str, list[GardenEntry]] = field(default_factory=dict)
    devices: dict[str, list[DeviceChange]] = field(default_factory=dict)
    configured: dict[str, dict[str, float]] = field(default_factory=dict)
    """The device settings of the config when it was last looked at: what is edited there overrides what was told before."""
    said: list[Said] = field(default_factory=list)
    """The last words that changed something, in order: these may be taken back."""
    turns: int = 0
    """How often an absence has begun or ended: numbers those events."""

    @property
    def away(self) -> bool:
        """Whether the stand-in is to be told rather than the keeper."""
        return any(absence.stage == "begun" for absence in self.absences)


def garden_ml(state: KeeperState, name: str, chamber: Chamber) -> float | None:
    """Return the size of a chamber's garden, ml: the latest entry, else the config's; None: not known."""
    entries = state.gardens.get(name)
    return entries[-1].garden_ml if entries else chamber.garden.volume_ml


def garden_entries(state: KeeperState, name: str, chamber: Chamber, since_ms: int) -> list[GardenEntry]:
    """Return the sizes of a chamber's garden; without an entry the config's, as if it had been entered at `since_ms`."""
    told_ml = chamber.garden.volume_ml
    return state.gardens.get(name) or ([] if told_ml is None else [GardenEntry(since_ms, told_ml)])


def colony_ml(state: KeeperState, chambers: Mapping[str, Chamber], members: Iterable[str]) -> float | None:
    """Return the size of a colony's gardens together, ml; None: none of them is known."""
    sizes = [garden_ml(state, name, chambers[name]) for name in members if chambers[name].role == "fungus"]
    known = [size for size in sizes if size is not None]
    return sum(known) if known else None


def sized(settings: Settings, state: KeeperState) -> Settings:
    """Return the settings with each humidity band as the size of its garden has it now."""
    chambers = {
        name: chamber.model_copy(update={"humidity": chamber.humidity_for(garden_ml(state, name, chamber))})
        for name, chamber in settings.chambers.items()
    }
    return settings.model_copy(update={"chambers": chambers})
