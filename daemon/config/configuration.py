"""The one config file as a whole: every table of the rules and of the connections, validated together."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError

from adapters.answers.mailbox import Mailbox
from adapters.broker import Broker
from adapters.keeper_words import Commands
from adapters.outlets import AnyOutlet
from adapters.probes import AnyProbe
from daemon.config.checks import faults_between, faults_within
from daemon.config.faults import faults_of
from daemon.config.file import ConfigText, ConfigurationError, parse_config, read_config
from daemon.config.gone import without_gone
from daemon.config.key_lines import SchemaWithLines
from rules.settings import Chamber, Room, Site, Telling
from rules.terms.events import DAY_MS, HOUR_MS, MINUTE_MS
from rules.terms.setting_forms import DurationMs, Section
from rules.terms.words import Name
from rules.trade.routine import CarePlan

STORE_NAME = "dewlid.sqlite3"
SYSTEM_STATE = Path("/var/lib/dewlid")


class SiteTable(Site):
    """The place, its clock and its air pressure, and where the daemon keeps and says things."""

    state_folder: Annotated[str, Field(pattern=r"^/[^\x00]*$", max_length=1024)] | None = None
    """Folder of the store, as an absolute path; absent: the service's /var/lib/dewlid, else ~/.local/state/dewlid."""
    log_form: Literal["auto", "journal", "console", "json"] = "auto"
    """Form of the log on stderr. "auto": for the journal, for a terminal, or JSON, whichever it is connected to."""
    log_level: Literal["debug", "info", "warning", "error"] = "info"
    """Least level that is logged."""
    keep_readings: DurationMs = Field(default=90 * DAY_MS, ge=2 * DAY_MS)
    """How long every single reading is kept; older ones become minimum, mean and maximum of a quarter of an hour."""
    record_gb: Annotated[float, Field(ge=0.001, le=100_000)] | None = None
    """How large the record itself may become, GB, its backups not counted; absent: a seventh of what the disk has room for with
    a tenth of it left free. Beyond that, single readings become quarters of an hour earlier than `keep_readings` says, the
    oldest first; those of the last two days stay."""
    calendar_file: Annotated[str, Field(pattern=r"^/[^\x00]*\.ics$", max_length=1024)] | None = None
    """File that the care plan is written to every hour, as an iCalendar file (RFC 5545), in a folder that dewlid may write;
    absent: none."""


class PageTable(Section):
    """A small page of the present that renews itself, for a web server of yours. Off unless `folder` is set."""

    folder: Annotated[str, Field(pattern=r"^/[^\x00]*$", max_length=1024)] | None = None
    """Folder that the page is written to every minute, as an absolute path that dewlid may write (a systemd service also needs
    it under ReadWritePaths); absent: no page."""
    file: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*\.html$", max_length=80)] = "index.html"
    """Name of the page; sites that share a folder need different ones."""


class Configuration(Section):
    """The config file. Tables are named `[table.ID]`; an id is a short name of your own, such as `tank-1`."""

    site: SiteTable = SiteTable()
    """The place where all this stands."""
    telling: Telling = Telling()
    """When you are told, reminded and left alone."""
    page: PageTable = PageTable()
    """The status page, if you want one."""
    broker: dict[Name, Broker] = Field(default_factory=dict, max_length=20)
    """MQTT brokers, each used by any number of probes and outlets."""
    room: dict[Name, Room] = Field(default_factory=dict, max_length=1000)
    """Rooms that chambers stand in. A probe in the room lets advice know what venting would do."""
    chamber: dict[Name, Chamber] = Field(min_length=1, max_length=1000)
    """Chambers of the nests: their bands, lids, devices and gardens."""
    probe: dict[Name, AnyProbe] = Field(min_length=1, max_length=5000)
    """Probes: where each one is and how it is read."""
    outlet: dict[Name, AnyOutlet] = Field(default_factory=dict, max_length=50)
    """Ways by which advice reaches you."""
    care: CarePlan = Field(default_factory=dict)
    """What you change about tasks of the care routine, such as `[care.leaves]`; absent tasks keep their defaults."""

    commands: Commands | None = None
    """Your words by MQTT, such as an acknowledgement from a button; absent: none are taken."""
    mailbox: Mailbox | None = None
    """Your answers to letters, from your telephone; absent: none are read."""

    @property
    def state_folder(self) -> Path:
        """The folder of the store and of the spool."""
        return Path(self.site.state_folder) if self.site.state_folder else default_state_folder(os.environ)

    @property
    def store(self) -> Path:
        """The file of the store."""
        return self.state_folder / STORE_NAME

    @property
    def spool_folder(self) -> Path:
        """The folder in which the keeper's words wait for the daemon."""
        return self.state_folder / "spool"


def default_state_folder(environment: Mapping[str, str], system: Path = SYSTEM_STATE) -> Path:
    """Return the state folder that systemd gave, else the installed service's where we may look into it, else the user's.

    So a command such as `dewlid ack` finds the service's store without being told where it is.
    """
    if given := environment.get("STATE_DIRECTORY", "").split(":")[0]:
        return Path(given)
    if os.access(system, os.R_OK | os.X_OK):
        return system
    home = environment.get("XDG_STATE_HOME", "")
    return (Path(home) if home.startswith("/") else Path.home() / ".local" / "state") / "dewlid"


def load(path: str | os.PathLike[str]) -> Configuration:
    """Return the validated config of a file; raises ConfigurationError with every fault that can be told in one run."""
    return read_and_validate(path)[0]


def read_and_validate(path: str | os.PathLike[str]) -> tuple[Configuration, ConfigText]:
    """Return the validated config and where its keys stand, for those who also tell warnings."""
    text = read_config(path)
    return validated(text), text


def load_text(text: str, file: str = "config") -> Configuration:
    """Return the validated config of a text, as `load` does for a file."""
    return validated(parse_config(text.encode(), file))


def validated(config: ConfigText) -> Configuration:
    """Return the config if it holds together; what one table says of another is checked even if some other key fails."""
    between = faults_between(config)
    try:
        result = Configuration.model_validate(without_gone(config), context={"written": True})
    except ValidationError as error:
        faults = faults_of(Configuration, error.errors(include_url=False), config)
        raise ConfigurationError(config.file, [*faults, *between]) from None
    if faults := [*between, *faults_within(result.model_dump(mode="json"), config)]:
        raise ConfigurationError(config.file, faults)
    return result


def json_schema() -> dict[str, Any]:
    """Return the JSON Schema (2020-12) of the config, for editors. Durations stand in it as they are written."""
    schema = _as_written(Configuration.model_json_schema(schema_generator=SchemaWithLines))
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema, "title": "Config of dewlid"}


def _as_written(node: Any) -> Any:
    if isinstance(node, list):
        return [_as_written(member) for member in node]
    if not isinstance(node, dict):
        return node
    result = {key: _as_written(value) for key, value in node.items()}
    if result.get("unit") == "duration":
        result.pop("ge", None)
        result |= {"pattern": r"^\d{1,6}(\.\d{1,3})? ?(s|min|h|d)$"}
        if isinstance(result.get("default"), int):
            result["default"] = duration_text(result["default"])
    return result


def duration_text(duration_ms: int) -> str:
    """Return a duration as it is written in the config, in the largest unit that fits."""
    for unit, unit_ms in (("d", DAY_MS), ("h", HOUR_MS), ("min", MINUTE_MS)):
        if duration_ms and duration_ms % unit_ms == 0:
            return f"{duration_ms // unit_ms}{unit}"
    return f"{duration_ms / 1000:.3f}".rstrip("0").rstrip(".") + "s"
