"""What the tables of a config say of each other: places, rooms and brokers that must exist, and what must be there once.

Faults stop the daemon. Warnings are only told by `dewlid check`: the config works, but not as the keeper may expect.
"""

from __future__ import annotations

import zoneinfo
from collections.abc import Iterator, Mapping
from datetime import tzinfo
from typing import Any

from daemon.config import gone
from daemon.config.file import ConfigFault, ConfigText, did_you_mean, shown
from daemon.config.toml_lines import KeyPath
from rules.settings import Probe
from rules.terms.events import MINUTE_MS

_REFERENCES = (
    ("probe", "place", ("chamber", "room"), "a chamber or room"),
    ("chamber", "room", ("room",), "a room"),
    ("probe", "broker", ("broker",), "a broker"),
    ("outlet", "broker", ("broker",), "a broker"),
)
_ABOUT_THE_PLACE = frozenset(Probe.model_fields)


def faults_between(config: ConfigText) -> list[ConfigFault]:
    """Return what does not fit between tables. Works on the raw tables, so that it also runs beside other faults."""
    return [*_dangling(config), *_commands(config), *_mailbox(config), *_names(config), *_time_zone(config)]


def faults_within(tables: Mapping[str, Any], config: ConfigText) -> list[ConfigFault]:
    """Return what stands twice in a config whose every key is valid (`tables` with all defaults filled in)."""
    return [*_read_twice(tables["probe"], config), *_quarrels(tables["probe"], config)]


def warnings(tables: Mapping[str, Any], config: ConfigText) -> list[ConfigFault]:
    """Return what works but is probably not meant."""
    doubtful = (
        *_hasty_bands(tables, config), *_blind_places(tables, config), *_doubtful_devices(tables, config), *_unsaid(config),
    )  # fmt: skip
    return [*gone.told(config), *doubtful]


def zone_of(name: str) -> tzinfo:
    """Return the time zone of this IANA name; raises ValueError that says what to write instead."""
    try:
        return zoneinfo.ZoneInfo(name)
    except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError) as error:
        known = sorted(zoneinfo.available_timezones())
        if not known:
            raise ValueError("this machine knows no time zones: install the package tzdata") from error
        raise ValueError(
            f'found "{shown(name)}"; allowed is an IANA name such as "Europe/Lisbon"{did_you_mean(name, known)}'
        ) from error


# ---------------------------------------------------------------- faults


def _table(config: ConfigText, name: str) -> Mapping[str, Any]:
    found = config.tables.get(name)
    return found if isinstance(found, Mapping) else {}


def _dangling(config: ConfigText) -> Iterator[ConfigFault]:
    for table, key, targets, meaning in _REFERENCES:
        known = [name for target in targets for name in _table(config, target)]
        for name, row in _table(config, table).items():
            value = row.get(key) if isinstance(row, Mapping) else None
            if not isinstance(value, str) or value in known:
                continue
            path: KeyPath = (table, name, key)
            there = ", ".join(known[:12]) or f"none yet; add a table [{targets[0]}.{shown(value, 30)}]"
            hint = did_you_mean(value, known)
            text = f'found "{shown(value)}", which is not {meaning} of this config; there is: {there}{hint}'
            yield ConfigFault(config.line(path), path, text)


def _commands(config: ConfigText) -> Iterator[ConfigFault]:
    """The broker of [commands] must exist, and its topic must not be one that is read or answered on."""
    commands, known = _table(config, "commands"), list(_table(config, "broker"))
    broker, topic = commands.get("broker"), commands.get("topic")
    if isinstance(broker, str) and broker not in known:
        path: KeyPath = ("commands", "broker")
        there = ", ".join(known[:12]) or f"none yet; add a table [broker.{shown(broker, 30)}]"
        text = f'found "{shown(broker)}", which is not a broker of this config; there is: {there}{did_you_mean(broker, known)}'
        yield ConfigFault(config.line(path), path, text)
    if topic is not None and topic == commands.get("answer_topic"):
        path = ("commands", "answer_topic")
        yield ConfigFault(config.line(path), path, "is the topic of the words itself; every answer would be heard as a word")


def _mailbox(config: ConfigText) -> Iterator[ConfigFault]:
    """The outlet of [mailbox] must be one that mails: its letters are answered."""
    outlets = _table(config, "outlet")
    known = [name for name, row in outlets.items() if isinstance(row, Mapping) and row.get("kind") == "mail"]
    name = _table(config, "mailbox").get("outlet")
    if isinstance(name, str) and name not in known:
        path: KeyPath = ("mailbox", "outlet")
        there = ", ".join(known[:12]) or "none yet"
        text = f'found "{shown(name)}", which is not a mail outlet of this config; there is: {there}{did_you_mean(name, known)}'
        yield ConfigFault(config.line(path), path, text)


def _names(config: ConfigText) -> Iterator[ConfigFault]:
    for name in _table(config, "chamber"):
        path: KeyPath = ("chamber", name)
        if name in _table(config, "room"):
            there = config.line(("room", name))
            text = f"a room on line {there} has the same id; give one of them another, so that a probe's place is clear"
            yield ConfigFault(config.line(path), path, text)
        if name == "site":
            text = 'the id "site" stands for the whole installation; choose another, such as tank-1'
            yield ConfigFault(config.line(path), path, text)


def _time_zone(config: ConfigText) -> Iterator[ConfigFault]:
    name = _table(config, "site").get("time_zone")
    if isinstance(name, str):
        try:
            zone_of(name)
        except ValueError as error:
            path: KeyPath = ("site", "time_zone")
            yield ConfigFault(config.line(path), path, str(error))


def _read_twice(probes: Mapping[str, Any], config: ConfigText) -> Iterator[ConfigFault]:
    seen: dict[str, str] = {}
    for name, row in probes.items():
        if "name_in_file" in row:  # in a file of several probes each reads the rows of its own name
            row = {**row, "name_in_file": row["name_in_file"] or name}
        connection = repr(sorted((key, value) for key, value in row.items() if key not in _ABOUT_THE_PLACE))
        if connection in seen:
            path: KeyPath = ("probe", name)
            first = seen[connection]
            text = (
                f"reads the very same as probe {first} on line {config.line(('probe', first))};"
                " change what it reads, or remove one of the two"
            )
            yield ConfigFault(config.line(path), path, text)
        seen.setdefault(connection, name)


_LINE_SETTINGS = ("baud_rate", "framing")


def _quarrels(probes: Mapping[str, Any], config: ConfigText) -> Iterator[ConfigFault]:
    """Probes of one serial line must speak at one speed, and be of one kind."""
    first_on: dict[str, str] = {}
    for name, row in probes.items():
        if not isinstance(port := row.get("port"), str):
            continue
        first = first_on.setdefault(port, name)
        for key in ("kind", *_LINE_SETTINGS):
            here, there = row.get(key), probes[first].get(key)
            if here != there:
                path: KeyPath = ("probe", name, key)
                text = f"found {here}, but probe {first} reads the same line {port} with {there}; they must agree"
                yield ConfigFault(config.line(path), path, text)


# ---------------------------------------------------------------- warnings


def _hasty_bands(tables: Mapping[str, Any], config: ConfigText) -> Iterator[ConfigFault]:
    for chamber, settings in tables["chamber"].items():
        probes = [row for row in tables["probe"].values() if row["place"] == chamber and row["role"] == "air"]
        slowest = max((row["interval"] for row in probes), default=0)
        for band in ("temperature", "humidity"):
            delay = settings[band]["on_delay"]
            if probes and delay < 2 * slowest:
                path: KeyPath = ("chamber", chamber, band, "on_delay")
                text = (
                    f"is {_duration(delay)}, but the probe is read only every {_duration(slowest)}: a single odd reading"
                    f" could raise an alarm; write at least {_duration(2 * slowest)}"
                )
                yield ConfigFault(config.line(path), path, text)


def _blind_places(tables: Mapping[str, Any], config: ConfigText) -> Iterator[ConfigFault]:
    seen = {row["place"] for row in tables["probe"].values()}
    for chamber, settings in tables["chamber"].items():
        path: KeyPath = ("chamber", chamber)
        if chamber not in seen:
            yield ConfigFault(config.line(path), path, f'no probe is here: add one with place = "{chamber}"')
        elif settings["room"] is None or settings["room"] not in seen:
            text = "no probe is in its room, so advice on venting and on the lid at night is limited: add a room probe"
            yield ConfigFault(config.line(path), path, text)
    if not tables["outlet"]:
        yield ConfigFault(None, ("outlet",), "there is no outlet, so nobody is told: add at least one [outlet.ID]")


def _doubtful_devices(tables: Mapping[str, Any], config: ConfigText) -> Iterator[ConfigFault]:
    for chamber, settings in tables["chamber"].items():
        heater = settings["devices"]["heater"] or {}
        path: KeyPath = ("chamber", chamber, "devices", "heater", "mount")
        if heater.get("mount") == "below":
            text = "a heater below the chamber drives water out of the garden and onto the lid: mount it at the side"
            yield ConfigFault(config.line(path), path, text)
        sealed = settings["devices"]["vents"]["count"] == 0 and settings["lid"]["vent_share"] == 0.0
        if sealed and settings["role"] == "fungus":
            text = (
                "no vent and a lid without any opening: a garden breathes, and closed founding boxes reached 15 to 21 % CO2"
                " (Camargo, Sociobiology); make a pinhole and write vent_share = 0.001"
            )
            yield ConfigFault(config.line(("chamber", chamber)), ("chamber", chamber), text)


def _unsaid(config: ConfigText) -> Iterator[ConfigFault]:
    """One line for all gardens of which it is not said whether foam and granules are there: both were once taken to be."""
    gardens = {name: row for name, row in _table(config, "chamber").items() if row.get("role", "fungus") == "fungus"}
    keys = ("can_insulate_lid", "wet_granules")
    unsaid = [name for name, row in gardens.items() if not set(keys) <= set(row.get("devices", ()))]
    if unsaid:
        named = ", ".join(unsaid[:3]) + (f" and {len(unsaid) - 3} more" if len(unsaid) > 3 else "")
        text = (
            f"foam on the lid and wet granules are advised only where they are written: add devices.{keys[0]} = true and"
            f" devices.{keys[1]} = true to {named} (false where there are none)"
        )
        yield ConfigFault(config.line(("chamber", unsaid[0])), ("chamber",), text)


def _duration(duration_ms: int) -> str:
    if duration_ms % MINUTE_MS == 0:
        return f"{duration_ms // MINUTE_MS}min"
    return f"{duration_ms / 1000:g}s"
