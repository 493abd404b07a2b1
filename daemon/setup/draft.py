"""From what the guided start has learnt to the text of a commented config."""

from __future__ import annotations

import json
import re
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC
from typing import Any

from adapters.wording.figures import Style
from adapters.wording.mat import mat_doubt, mat_found, mat_means, mat_remedy
from daemon.setup.colony import Stage, queen_alone
from rules.physics.mat_ends import MatEnds, mat_ends
from rules.settings import Chamber, Devices, Heater, Lid, Room
from rules.terms.quantities import FACTS, Quantity
from rules.trade.profiles import Genus, SpeciesGroup

DEGREES = Style("degC", UTC)
_BARE = re.compile(r"[A-Za-z0-9_-]+")


@dataclass(slots=True)
class FoundProbe:
    """A probe that was found: how it is read and what it said; `place` is filled in by the keeper."""

    label: str
    keys: dict[str, Any]
    values: dict[Quantity, float]
    told: bool = True
    surface: bool = False
    place: str = ""
    interval: str = "2min"

    @property
    def shown(self) -> str:
        """What it reads, in words."""
        parts = [DEGREES.quantity(value, FACTS[quantity].unit) for quantity, value in self.values.items()]
        return ", ".join(parts) or "nothing that looks like a climate"


@dataclass(frozen=True, slots=True)
class ChamberDraft:
    """One chamber of the draft."""

    name: str
    genus: Genus
    group: SpeciesGroup
    stage: Stage
    months: int
    lid: str
    heater_w: float | None
    """None: not known; 0: there is none."""
    air_ml: float
    vents: int | None
    """How many can be opened and closed; None: not known."""
    mist: bool
    foam: bool
    granules: bool

    def settings(self, heater_w: float) -> Chamber:
        """Return the chamber with a heater of so many watts, as far as its config is known."""
        return Chamber(
            genus=self.genus, species_group=self.group, air_ml=self.air_ml,
            lid=Lid.model_validate({"material": self.lid}), devices=Devices(heater=Heater(watts=heater_w)),
        )


@dataclass(slots=True)
class Draft:
    """All that the config will say."""

    site: str = "fungus shelf"
    time_zone: str = "UTC"
    altitude_m: float = 0.0
    temperature_unit: str = "degC"
    state_folder: str | None = None
    room: str = "room"
    coldest_c: float = Room().coldest_c
    warmest_c: float = Room().warmest_c
    chambers: list[ChamberDraft] = field(default_factory=list)
    probes: list[FoundProbe] = field(default_factory=list)
    broker: dict[str, Any] | None = None
    publish: bool = False
    mail: dict[str, Any] | None = None


def ends_of(draft: Draft, one: ChamberDraft, heater_w: float) -> MatEnds:
    """Return where this chamber would end with a heater of so many watts that stays on."""
    room = Room(coldest_c=draft.coldest_c, warmest_c=draft.warmest_c)
    ends = mat_ends(one.settings(heater_w), room)
    assert ends is not None
    return ends


def fitting(draft: Draft, one: ChamberDraft) -> str:
    """Say which mat would fit this box and its room."""
    ends = ends_of(draft, one, 1.0)
    return f"{ends.proposed_w:g} W would hold {ends.hold_c:g} °C"


def slug(text: str, otherwise: str) -> str:
    """Return an id for a name: small letters, digits and hyphens."""
    made = re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:40].strip("-")
    return made or otherwise


def config_text(draft: Draft) -> str:
    """Return the config as it is written, with comments."""
    parts = [_top(draft), _broker(draft), _room(draft), *(_chamber(draft, one) for one in draft.chambers)]
    names: set[str] = set()
    parts += [_probe(one, names) for one in draft.probes]
    parts += [_mail(draft), _topics(draft), _console(draft)]
    return "\n".join(part for part in parts if part)


def _value(value: Any) -> str:
    if isinstance(value, Mapping):
        keys = [str(key) if _BARE.fullmatch(str(key)) else json.dumps(key) for key in value]
        return f"{{ {', '.join(f'{key} = {_value(one)}' for key, one in zip(keys, value.values(), strict=True))} }}"
    if isinstance(value, str) and "\\" in value and "'" not in value:
        return f"'{value}'"
    if isinstance(value, list):
        return f"[{', '.join(_value(one) for one in value)}]"
    return json.dumps(value, ensure_ascii=False)


def _lines(table: str, pairs: Mapping[str, Any], notes: Mapping[str, str] | None = None) -> str:
    rows = [f"[{table}]"]
    for key, value in pairs.items():
        if value is not None:
            row = f"{key} = {_value(value)}"
            note = (notes or {}).get(key)
            rows.append(f"{row:<33} # {note}" if note else row)
    return "\n".join(rows) + "\n"


def _top(draft: Draft) -> str:
    head = """\
# Config of dewlid, begun by `dewlid init`. What is not written here has a default that suits tropical Atta and Acromyrmex.
# `dewlid keys` explains every key. After a change: `dewlid check`, then restart or reload the daemon.
"""
    pairs = {
        "name": draft.site, "time_zone": draft.time_zone, "altitude_m": draft.altitude_m,
        "temperature_unit": draft.temperature_unit, "state_folder": draft.state_folder,
    }  # fmt: skip
    notes = {
        "time_zone": "quiet hours and digests follow this clock", "altitude_m": "m above the sea, for the air pressure",
        "temperature_unit": 'in letters; "degF" if you like; this file stays in degC',
        "state_folder": "where the record is kept",
    }  # fmt: skip
    return f"{head}\n{_lines('site', pairs, notes)}"


def _broker(draft: Draft) -> str:
    return _lines("broker.home", draft.broker) if draft.broker else ""


def _room(draft: Draft) -> str:
    seen = any(one.place == draft.room for one in draft.probes)
    note = "" if seen else (
        "# No probe is in the room yet. With one, dewlid knows what airing would do and how cold the lid gets at night.\n"
    )  # fmt: skip
    span = {"coldest_c": draft.coldest_c, "warmest_c": draft.warmest_c}
    return note + _lines(
        f"room.{draft.room}", span,
        {"coldest_c": "in a year; both tell whether a heat mat that", "warmest_c": "stays on would cook the garden"},
    )  # fmt: skip


def _chamber(draft: Draft, one: ChamberDraft) -> str:
    stage, place = one.stage, f"chamber.{one.name}"
    about = f"# {one.genus}, about {one.months} months old, so its garden counts as {stage.name}: {stage.note}.\n"
    head = _lines(
        place, {"room": draft.room, "genus": one.genus, "species_group": one.group, "air_ml": one.air_ml},
        {"species_group": "decides the temperature it wants", "air_ml": "ml of air in the chamber"},
    )  # fmt: skip
    bands = (
        "# The bands follow the species group and the size of the garden; figures of your own win:"
        f"\n# [{place}.humidity]   low = 75.0   (all keys: dewlid keys chamber.humidity)\n"
    )
    lid = _lines(f"{place}.lid", {"material": one.lid, "thickness_mm": 3.0}, {"thickness_mm": "measure it: it decides on dew"})
    garden = _lines(
        f"{place}.garden",
        {
            "volume_ml": float(stage.garden_ml), "covered": stage.covered or None,
            "founding": True if stage.covered and queen_alone(one.months) else None,
        },
        {
            "founding": "no workers yet: remove the line when the first have come",
            "volume_ml": f"a guess by age; later: dewlid garden {one.name} --ml ...",
        },
    )  # fmt: skip
    devices = [_lines(
        f"{place}.devices", {"can_insulate_lid": one.foam, "wet_granules": one.granules},
        {"can_insulate_lid": "foam or a second pane is at hand", "wet_granules": "what is not here is never advised"},
    )]  # fmt: skip
    if one.heater_w is None:
        devices.append(_no_heater_known(draft, one))
    elif one.heater_w:
        devices.append(_heater(draft, one, one.heater_w))
    if one.vents is not None:
        note = {"open": "of them now"}
        devices.append(_lines(f"{place}.devices.vents", {"count": one.vents, "open": 0}, note))
    if one.mist:
        note = {"ml_per_press": "weigh ten presses of your sprayer"}
        devices.append(_lines(f"{place}.devices.mister", {"ml_per_press": 1.0}, note))
    return "\n".join([about + head, bands, lid, garden, *devices])


def _no_heater_known(draft: Draft, one: ChamberDraft) -> str:
    return (
        f"# Is there a heat mat? Nothing is advised of one that is not written here. {fitting(draft, one)}.\n"
        f"# [chamber.{one.name}.devices.heater]\n# watts =         # as printed on it, such as 3.0; then remove the first #\n"
    )


def _heater(draft: Draft, one: ChamberDraft, watts: float) -> str:
    ends, table = ends_of(draft, one, watts), f"chamber.{one.name}.devices.heater"
    remedy = mat_remedy(ends, DEGREES)
    told = [f"{mat_found(ends, DEGREES)}.", f"{mat_means(ends, DEGREES)}."]
    told += [f"{remedy}."] if remedy else []
    told += [mat_doubt(ends)] if ends.cooks else []
    about = [line for text in told for line in _wrapped(text)]
    lines = _lines(table, {"watts": float(watts), "mount": "side"}, {"watts": "advised about, never switched"})
    more = f"# cut_out_c = {ends.bear_c:.1f}        # remove the first # when the cut-out is there\n" if ends.cooks else ""
    return "".join(f"# {line}\n" for line in about) + lines + more


def _wrapped(text: str) -> list[str]:
    """Return the lines of a comment; no figure is parted from its unit."""
    whole = (text[0].upper() + text[1:]).replace(" °C", "\u00a0°C")
    return [line.replace("\u00a0", " ") for line in textwrap.wrap(whole, 118)]


def _probe(one: FoundProbe, names: set[str]) -> str:
    stem = f"{one.place}-{'lid' if one.surface else 'air'}"
    name = next(each for each in (stem, *(f"{stem}-{number}" for number in range(2, 100))) if each not in names)
    names.add(name)
    kind = {"kind": one.keys["kind"], "place": one.place} | ({"role": "lid"} if one.surface else {})
    rest = {key: value for key, value in one.keys.items() if key != "kind"}
    doubt = "" if one.told else "# Only the size of the numbers told which is which: compare with another thermometer.\n"
    seen = f"# When it was found it read {one.shown}.\n"
    timing = {"interval": one.interval}
    note = {"interval": "how often it sends; three times this without a word: silent", "port": "survives replugging"}
    return doubt + seen + _lines(f"probe.{name}", kind | rest | timing, note)


def _mail(draft: Draft) -> str:
    if draft.mail is None:
        return ""
    note = '# Advice by mail. `dewlid check --send` sends a real test letter. More people: second = ["neighbour@example.org"]\n'
    return note + _lines("outlet.mail", {"kind": "mail", **draft.mail})


def _topics(draft: Draft) -> str:
    if not draft.publish:
        return ""
    note = "# States and events for a dashboard. Nothing may be switched by them: dewlid advises only.\n"
    return note + _lines("outlet.topics", {"kind": "mqtt", "broker": "home"})


def _console(draft: Draft) -> str:
    alone = "# Until there is a mail outlet you are told here alone; `dewlid keys outlet` explains how to add one.\n"
    note = "" if draft.mail else alone
    return note + _lines("outlet.screen", {"kind": "console"})
