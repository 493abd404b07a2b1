"""The guided start: asks, looks, proposes; and writes the config, with a backup of an older one."""

from __future__ import annotations

import contextlib
import getpass
import os
import shutil
import sys
import zoneinfo
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from adapters.broker import Broker
from adapters.line_survey import ports
from adapters.topic_survey import BrokerUnheard
from adapters.wording.mat import mat_found, mat_remedy
from daemon.clock import local_zone
from daemon.config.configuration import load_text
from daemon.setup import search
from daemon.setup.colony import stage_of
from daemon.setup.draft import DEGREES, ChamberDraft, Draft, FoundProbe, config_text, ends_of, slug
from daemon.store.spool import WordError
from rules.trade.profiles import Genus, SpeciesGroup, groups_of


@dataclass(slots=True)
class Answers:
    """What was given on the command line; what is None is asked, or takes its default with `ask_nothing`."""

    site: str | None = None
    time_zone: str | None = None
    altitude_m: float | None = None
    genus: Genus | None = None
    group: SpeciesGroup | None = None
    months: int | None = None
    lid: str | None = None
    room_span: str | None = None
    heater_w: float | None = None
    places: list[str] = field(default_factory=list)
    ports: list[str] | None = None
    addresses: Sequence[int] = range(1, 17)
    listen_s: float = 12.0
    broker: dict[str, Any] | None = None
    publish: bool | None = None
    mail_to: str | None = None
    mail_host: str | None = None
    mail_user: str | None = None
    mail_password_file: str | None = None
    mail_more: dict[str, Any] = field(default_factory=dict)
    state_folder: str | None = None
    ask_nothing: bool = False


_SECURITY = {465: "tls", 587: "starttls", 25: "starttls"}


class Guide:
    """Holds the dialogue. `say` prints, `ask` reads one line."""

    def __init__(self, answers: Answers, folder: Path, say: Callable[[str], None], ask: Callable[[str], str]) -> None:
        self._given, self._folder, self._say, self._ask_line = answers, folder, say, ask

    # ------------------------------------------------------------ questions

    def ask(self, question: str, default: str, accept: Callable[[str], Any] = str, given: Any = None) -> Any:
        """Return an answer that is accepted; Enter takes the default. `accept` raises ValueError that says what is allowed."""
        if given is not None:
            return accept(str(given))
        while not self._given.ask_nothing:
            try:
                said = self._ask_line(f"{question} [{default}]: " if default else f"{question}: ").strip() or default
            except EOFError:
                self._given.ask_nothing = True
                break
            try:
                return accept(said)
            except ValueError as error:
                self._say(f"  {error}")
        return accept(default)

    def draft(self) -> Draft:
        """Ask and look until the draft is complete; raises WordError when there is nothing to watch."""
        given = self._given
        self._say("A few questions; Enter takes what stands in brackets. Nothing is written before you saw the readings.\n")
        draft = Draft(state_folder=given.state_folder)
        draft.site = self.ask("How shall letters call this place", "fungus shelf", _short, given.site)
        draft.time_zone = self._time_zone()
        draft.altitude_m = _number(-400, 5000)(str(given.altitude_m or 0))
        places = ports() if given.ports is None else given.ports
        found = search.on_ports(places, given.listen_s, given.addresses, self._say)
        found += self._on_broker(draft)
        self._assign(draft, found)
        self._describe(draft)
        self._mail(draft)
        return draft

    def _time_zone(self) -> str:
        """Return this machine's zone without asking, unless that is UTC: few keepers live there, many servers do."""
        zone = local_zone()
        if self._given.time_zone is None and zone not in ("UTC", "Etc/UTC"):
            self._say(f"Time zone: {zone}, as on this machine")
            return zone
        return str(self.ask("Your time zone, for quiet hours and the daily letter", zone, _zone, self._given.time_zone))

    def _on_broker(self, draft: Draft) -> list[FoundProbe]:
        asked = {} if self._given.broker is None else self._given.broker
        question = "Wireless probes that send to an MQTT broker: its name or address (- for none)"
        host, port = self.ask(question, "-", host_and_port, asked.get("host"))
        if host in ("-", ""):
            return []
        user = self.ask("User at the broker (- for none)", "-", str, asked.get("user", "-" if asked else None))
        rest = {key: value for key, value in asked.items() if key not in ("host", "user")}
        settings = {"host": host, **({"port": port} if port else {}), **rest} | ({} if user == "-" else {"user": user})
        if user != "-" and "password_file" not in settings:
            settings["password_file"] = self._secret("broker-password", f"Password of {user} at the broker")
        draft.broker, draft.publish = settings, True if self._given.publish is None else self._given.publish
        try:
            return search.on_broker(Broker.model_validate(settings), self._given.listen_s, self._say)
        except BrokerUnheard as error:
            self._say(f"  {error}")
            return []

    # ------------------------------------------------------------ where the probes are

    def _assign(self, draft: Draft, found: list[FoundProbe]) -> None:
        if not found:
            raise WordError(
                "No probe was found, so there is nothing to watch yet. Plug one in, give its port with --port, or the broker"
                " with --broker; or begin from a file in sample_config/. To see dewlid without a probe: dewlid demo."
            )
        self._say("\nThese look like probes:")
        for number, one in enumerate(found, 1):
            self._say(f"  {number}. {one.label}: {one.shown}")
        self._say('Where is each? The name of a chamber such as "tank-1", "room" for the room around it, "-" to leave it out.')
        warmest = max(range(len(found)), key=lambda index: found[index].values.get("relative_humidity", 0.0))
        for number, one in enumerate(found):
            given = self._given.places[number] if number < len(self._given.places) else None
            default = "tank-1" if len(found) == 1 or number == warmest or one.surface else "room" if len(found) == 2 else "-"
            one.place = self.ask(f"  probe {number + 1} is in", default, _place, given)
        draft.probes = [one for one in found if one.place != "-"]
        if all(one.place == draft.room for one in draft.probes):
            raise WordError("No probe is in a chamber, so there is nothing to watch: say where the probes are.")

    def _describe(self, draft: Draft) -> None:
        given = self._given
        span = f"{draft.coldest_c:g} to {draft.warmest_c:g}"
        draft.coldest_c, draft.warmest_c = self.ask(
            "\nHow cold and how warm the room gets in a year, °C", span, _span, given.room_span
        )
        for name in dict.fromkeys(one.place for one in draft.probes if one.place != draft.room):
            self._say(f"\nAbout the chamber {name}:")
            genus = self.ask("  genus: Atta or Acromyrmex", "Atta", _one_of("Atta", "Acromyrmex"), given.genus)
            homes = groups_of(genus)
            group = self.ask(f"  its species is {', '.join(homes[:-1])} or {homes[-1]}", homes[0], _one_of(*homes), given.group)
            months = self.ask("  age of the colony in months, roughly", "12", _whole(0, 600), given.months)
            stage = stage_of(genus, months)
            lid = self.ask("  its lid is of acrylic, polycarbonate, glass or pet", "acrylic",
                           _one_of("acrylic", "polycarbonate", "glass", "pet"), given.lid)  # fmt: skip
            one = ChamberDraft(name, genus, group, stage, months, lid, 0.0)
            draft.chambers.append(replace(one, heater_w=self._heater(draft, one)))

    def _heater(self, draft: Draft, one: ChamberDraft) -> float:
        """Ask for the mat that is there, proposing the one that fits the box and its room; tell what it does if it sticks."""
        fits = ends_of(draft, one, 1.0)
        proposed = f"{fits.proposed_w:g}"
        question = f"  its heat mat or heater, W as printed on it (0: none; {proposed} W would hold {fits.hold_c:g} °C)"
        watts: float = self.ask(question, proposed, _number(0, 500), self._given.heater_w)
        if watts > 0.0 and (remedy := mat_remedy(ends := ends_of(draft, one, watts), DEGREES)):
            self._say(f"  Take care: {mat_found(ends, DEGREES)}.\n  So {remedy}.")
        return watts

    # ------------------------------------------------------------ how the keeper is told

    def _mail(self, draft: Draft) -> None:
        given = self._given
        to = self.ask("\nYour mail address for the letters (- for none)", "-", _address, given.mail_to)
        if to == "-":
            return
        domain = to.rpartition("@")[2]
        question = "Server for outgoing mail, as your mail program has it (host or host:port)"
        host, port = self.ask(question, f"smtp.{domain}", host_and_port, given.mail_host)
        user = self.ask("Your user name there (- for none)", to, str, given.mail_user)
        mail: dict[str, Any] = {"host": host, "port": port, "security": _SECURITY.get(port), "sender": to, "to": [to]}
        mail |= {key: value for key, value in given.mail_more.items() if value is not None}
        if user != "-":
            mail["user"] = user
            question = f"Password of {user} there (some providers want one that is for programs alone)"
            mail["password_file"] = given.mail_password_file or self._secret("mail-password", question)
        draft.mail = mail

    def _secret(self, name: str, question: str) -> str:
        """Keep a password in a file of its own and return how the config names it."""
        secret = "" if self._given.ask_nothing or not sys.stdin.isatty() else getpass.getpass(f"{question}; it is not shown: ")
        path = self._folder / "secrets" / name
        if secret:
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            path.unlink(missing_ok=True)
            descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(descriptor, "w", encoding="utf-8") as stream:
                stream.write(secret + "\n")
        else:
            self._say(f"  Write the password alone into {path} (chmod 600) before you start.")
        return f"credential:{name}" if self._folder == Path("/etc/dewlid") else str(path)


# ---------------------------------------------------------------- what is accepted


def host_and_port(text: str) -> tuple[str, int | None]:
    """Return host and port of `host`, `host:port` or an IPv6 address."""
    host, colon, port = text.rpartition(":")
    if not colon or ":" in host:
        return text, None
    if not host or not port.isdecimal() or not 1 <= int(port) <= 65_535:
        raise ValueError(f'"{text}" is no host with a port; write it like mail.example.org:587')
    return host, int(port)


def _short(text: str) -> str:
    if not 1 <= len(text) <= 60:
        raise ValueError("a name has 1 to 60 characters")
    return text


def _zone(text: str) -> str:
    if text not in zoneinfo.available_timezones():
        raise ValueError(f'"{text}" is no time zone; write an IANA name such as Europe/Lisbon')
    return text


def _number(low: float, high: float) -> Callable[[str], float]:
    def accept(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = float("nan")
        if not low <= value <= high:
            raise ValueError(f'"{text}" is not a number from {low:g} to {high:g}')
        return value

    return accept


def _whole(low: int, high: int) -> Callable[[str], int]:
    return lambda text: int(_number(low, high)(text))


def _span(text: str) -> tuple[float, float]:
    low, _, high = text.partition(" to ")
    accept = _number(-20, 45)
    coldest, warmest = accept(low.strip()), accept(high.strip())
    if coldest > min(warmest, 40.0):
        raise ValueError('write the coldest first, such as "18 to 26"; the coldest is 40 at most')
    return coldest, warmest


def _one_of(*allowed: str) -> Callable[[str], Any]:
    def accept(text: str) -> str:
        near = [one for one in allowed if one.lower() == text.lower() or (text and one.lower().startswith(text.lower()))]
        if len(near) != 1:
            raise ValueError(f'"{text}" is none of {", ".join(allowed)}')
        return near[0]

    return accept


def _place(text: str) -> str:
    if text == "-" or slug(text, "") == text:
        return text
    raise ValueError(f'a name has small letters, digits and hyphens; perhaps "{slug(text, "tank-1")}"')


def _address(text: str) -> str:
    if text == "-" or ("@" in text and " " not in text):
        return text
    raise ValueError(f'"{text}" is no mail address')


# ---------------------------------------------------------------- writing


def backup_of(path: Path) -> Path | None:
    """Copy an older config aside under a name of its own, never over another; None: there is none."""
    if not path.exists():
        return None
    stem = f"{path.name}.{datetime.now(UTC):%Y%m%dT%H%M%SZ}"
    names = (stem, *(f"{stem}.{number}" for number in range(1, 1000)))
    target = next(path.with_name(name) for name in names if not path.with_name(name).exists())
    shutil.copy2(path, target)
    return target


def write(draft: Draft, path: Path) -> Path | None:
    """Write the config whole or not at all, readable by its group alone; returns the backup of the older one."""
    text = config_text(draft)
    load_text(text, str(path))
    path.parent.mkdir(mode=0o750, parents=True, exist_ok=True)
    backup = backup_of(path)
    fresh = path.with_name(f".{path.name}.new")
    fresh.unlink(missing_ok=True)
    with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o640), "w", encoding="utf-8") as stream:
        stream.write(text)
        stream.flush()
        os.fsync(stream.fileno())
    if os.geteuid() == 0 and path.parent == Path("/etc/dewlid"):
        with contextlib.suppress(LookupError):  # not installed as a service: there is no such group
            shutil.chown(fresh, "root", "dewlid")
    fresh.replace(path)
    return backup
