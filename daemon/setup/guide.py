"""The guided start: asks, looks, proposes; and writes the config, with a backup of an older one."""

from __future__ import annotations

import contextlib
import getpass
import os
import shutil
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from adapters.broker import Broker
from adapters.line_survey import ports
from adapters.topic_survey import BrokerUnheard
from adapters.wording.mat import mat_found, mat_remedy
from daemon.clock import local_zone
from daemon.config.configuration import load_text
from daemon.setup import accepted, search
from daemon.setup.colony import PATH_FOR_A_QUEEN, queen_alone, stage_of
from daemon.setup.draft import DEGREES, ChamberDraft, Draft, FoundProbe, config_text, ends_of, fitting
from daemon.setup.secrets import Secrets
from daemon.store import word_faults
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
    air: str | None = None
    vents: str | None = None
    mist: str | None = None
    foam: str | None = None
    granules: str | None = None
    second: str | None = None
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
        self._given, self._say, self._ask_line = answers, say, ask
        self.secrets = Secrets(folder)

    # ------------------------------------------------------------ questions

    def ask(self, question: str, default: str, accept: Callable[[str], Any] = str, given: Any = None) -> Any:
        """Return an answer that is accepted; Enter takes the default. `accept` raises ValueError that says what is allowed."""
        if given is not None:
            try:
                return accept(str(given))
            except ValueError as error:
                if self._given.ask_nothing:
                    raise WordError(f"{question.strip()}: {error}") from error
                self._say(f"  {error}")
        while not self._given.ask_nothing:
            with _unanswered(question):
                said = self._ask_line(f"{question} [{default}]: " if default else f"{question}: ").strip() or default
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
        draft.site = self.ask("How shall letters call this place", "fungus shelf", accepted.short, given.site)
        draft.time_zone = self._time_zone()
        question = "Height above the sea, m (0 if you do not know)"
        draft.altitude_m = self.ask(question, "0", accepted.number(-400, 5000), given.altitude_m)
        if given.months is not None and queen_alone(given.months):
            self._path_for_a_queen(given.genus or "Atta")
        self._assign(draft, self._look(draft))
        self._describe(draft)
        self._mail(draft)
        return draft

    def _time_zone(self) -> str:
        """Return this machine's zone without asking, unless that is UTC: few keepers live there, many servers do."""
        zone = local_zone()
        if self._given.time_zone is None and zone not in ("UTC", "Etc/UTC"):
            self._say(f"Time zone: {zone}, as on this machine")
            return zone
        return str(self.ask("Your time zone, for quiet hours and the daily letter", zone, accepted.zone, self._given.time_zone))

    def _look(self, draft: Draft) -> list[FoundProbe]:
        """Look for probes, again and again while there is none and somebody answers."""
        given = self._given
        while True:
            places = ports() if given.ports is None else given.ports
            found = search.on_ports(places, given.listen_s, given.addresses, self._say)
            found += self._on_broker(draft)
            if found or given.ask_nothing:
                return found
            question = "\nNo probe was found. Plug one in or name its broker. Look again (yes, no)"
            if not self.ask(question, "yes", accepted.yes_or_no):
                return []

    def _on_broker(self, draft: Draft) -> list[FoundProbe]:
        """Listen on a broker; one that cannot be heard is asked for again."""
        asked = {} if self._given.broker is None else self._given.broker
        while True:
            settings = self._broker_settings(asked)
            if settings is None:
                draft.broker, draft.publish = None, False
                return []
            draft.broker, draft.publish = settings, True if self._given.publish is None else self._given.publish
            try:
                with self.secrets.on_trial() as tried:
                    secret = {key: tried(value) for key, value in settings.items() if key == "password_file"}
                    return search.on_broker(Broker.model_validate(settings | secret), self._given.listen_s, self._say)
            except (BrokerUnheard, ValidationError) as error:
                self._say(f"  {error if isinstance(error, BrokerUnheard) else word_faults.told(error, by_key=True)}")
                if self._given.ask_nothing:
                    return []
                self._say("  Correct it, or say - to go on without a broker.")
                asked = {}

    def _broker_settings(self, asked: dict[str, Any]) -> dict[str, Any] | None:
        question = "Wireless probes that send to an MQTT broker: its name or address (- for none)"
        host, port = self.ask(question, "-", accepted.host_and_port, asked.get("host"))
        if host in ("-", ""):
            return None
        user = self.ask("User at the broker (- for none)", "-", str, asked.get("user", "-" if asked else None))
        rest = {key: value for key, value in asked.items() if key not in ("host", "user")}
        settings = {"host": host, **({"port": port} if port else {}), **rest} | ({} if user == "-" else {"user": user})
        if user != "-" and "password_file" not in settings:
            settings["password_file"] = self._secret("broker-password", f"Password of {user} at the broker")
        return settings

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
            one.place = self.ask(f"  probe {number + 1} is in", default, accepted.place, given)
        draft.probes = [one for one in found if one.place != "-"]
        if all(one.place == draft.room for one in draft.probes):
            raise WordError("No probe is in a chamber, so there is nothing to watch: say where the probes are.")

    def _describe(self, draft: Draft) -> None:
        given = self._given
        span = f"{draft.coldest_c:g} to {draft.warmest_c:g}"
        draft.coldest_c, draft.warmest_c = self.ask(
            "\nHow cold and how warm the room gets in a year, °C", span, accepted.span, given.room_span
        )
        for name in dict.fromkeys(one.place for one in draft.probes if one.place != draft.room):
            self._say(f"\nAbout the chamber {name}:")
            genus = self.ask("  genus: Atta or Acromyrmex", "Atta", accepted.one_of("Atta", "Acromyrmex"), given.genus)
            homes = groups_of(genus)
            question = f"  its species is {', '.join(homes[:-1])} or {homes[-1]}"
            group = self.ask(question, homes[0], accepted.one_of(*homes), given.group)
            months = self.ask("  age of the colony in months, roughly", "12", accepted.whole(0, 600), given.months)
            stage = stage_of(genus, months)
            if given.months is None and queen_alone(months):
                self._path_for_a_queen(genus)
            question = "  its air, ml, or its inner size in cm such as 30x20x15"
            air_ml = self.ask(question, f"{stage.air_ml:g}", accepted.air_ml, given.air)
            lid = self.ask("  its lid is of acrylic, polycarbonate, glass or pet", "acrylic",
                           accepted.one_of("acrylic", "polycarbonate", "glass", "pet"), given.lid)  # fmt: skip
            vents = self.ask("  vents that you can open and close (- if you do not know)", "-", accepted.vents, given.vents)
            mist = self.ask("  do you spray or mist it (yes, no)", "no", accepted.yes_or_no, given.mist)
            question = "  have you foam or a second pane to put on its lid (yes, no)"
            foam = self.ask(question, "no", accepted.yes_or_no, given.foam)
            question = "  are damp clay granules or a damp edge of substrate in it (yes, no)"
            granules = self.ask(question, "no", accepted.yes_or_no, given.granules)
            one = ChamberDraft(name, genus, group, stage, months, lid, None, air_ml, vents, mist, foam, granules)
            draft.chambers.append(replace(one, heater_w=self._heater(draft, one)))

    def _path_for_a_queen(self, genus: Genus) -> None:
        self._say("\nA queen alone, or with her first workers:")
        for number, line in enumerate(PATH_FOR_A_QUEEN[genus], 1):
            self._say(f"  {number}. {line}")

    def _heater(self, draft: Draft, one: ChamberDraft) -> float | None:
        """Ask for the mat that is there, saying which one would fit the box and its room; tell what it does if it sticks."""
        question = f"  its heat mat or heater, W as printed on it (0: none; - if you do not know; {fitting(draft, one)})"
        watts: float | None = self.ask(question, "-", accepted.watts, self._given.heater_w)
        if watts and (remedy := mat_remedy(ends := ends_of(draft, one, watts), DEGREES)):
            self._say(f"  Take care: {mat_found(ends, DEGREES)}.\n  So {remedy}.")
        return watts

    # ------------------------------------------------------------ how the keeper is told

    def _mail(self, draft: Draft) -> None:
        given = self._given
        to = self.ask("\nYour mail address for the letters (- for none)", "-", accepted.address, given.mail_to)
        if to == "-":
            return
        domain = to.rpartition("@")[2]
        question = "Server for outgoing mail, as your mail program has it (host or host:port)"
        host, port = self.ask(question, f"smtp.{domain}", accepted.host_and_port, given.mail_host)
        user = self.ask("Your user name there (- for none)", to, str, given.mail_user)
        question = "Somebody nearby who is told when you do not answer (a mail address; - for none)"
        second = self.ask(question, "-", accepted.address, given.second)
        mail: dict[str, Any] = {"host": host, "port": port, "security": _SECURITY.get(port), "sender": to, "to": [to]}
        mail |= {} if second == "-" else {"second": [second]}
        mail |= {key: value for key, value in given.mail_more.items() if value is not None}
        if user != "-":
            mail["user"] = user
            question = f"Password of {user} there (some providers want one that is for programs alone)"
            mail["password_file"] = given.mail_password_file or self._secret("mail-password", question)
        draft.mail = mail

    def _secret(self, name: str, question: str) -> str:
        """Ask for a password, and return how the config names it."""
        secret = ""
        if not self._given.ask_nothing and sys.stdin.isatty():
            with _unanswered(question):
                secret = getpass.getpass(f"{question}; it is not shown: ")
        if secret:
            self.secrets.keep(name, secret)
        else:
            self._say(f"  Write the password alone into {self.secrets.path(name)} (chmod 600) before you start.")
        return self.secrets.named(name)


@contextlib.contextmanager
def _unanswered(question: str) -> Iterator[None]:
    """Stop where the answers end early: what nobody answered is not taken as answered by its default."""
    try:
        yield
    except EOFError as error:
        raise WordError(
            f'The answers ended at "{question.strip()}". Nothing was written: no config, no password. Begin again and answer'
            " each question (Enter takes what stands in brackets), or give the answers as options with --yes."
        ) from error


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
