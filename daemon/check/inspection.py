"""Looks at a set-up like a good mechanic: every probe, every outlet, the machine; each finding with its meaning and remedy."""

from __future__ import annotations

import os
import shutil
import sqlite3
import time
from collections.abc import Iterable, Mapping
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC
from pathlib import Path

from adapters.answers.mailbox_reader import knock
from adapters.errors import AdapterError, OutletRefused, OutletUnreachable
from adapters.mqtt_session import MqttSession
from adapters.outlets import ConsoleOutlet, MailOutlet, MqttOutlet
from adapters.outlets.letter import MailSender
from adapters.outlets.outlet import Outlet, Owed
from adapters.probes.source import Failure, Sample, Source
from adapters.secrets_file import readable_path
from adapters.wording.counting import counted
from adapters.wording.figures import Style
from daemon.check.finding import Finding, reading_told
from daemon.check.machine import of_clock, of_service, of_versions
from daemon.check.record import Record
from daemon.config.checks import warnings
from daemon.config.configuration import Configuration
from daemon.config.file import ConfigText
from daemon.config.settings import settings_of
from daemon.delivery.owed import owed_by, told_events
from daemon.store.backup import fault_of
from daemon.store.errors import HistoryError
from daemon.store.reader import is_there
from daemon.store.retention import COPIES, SHORTEST_MS, most_bytes
from daemon.watch.assembly import Line, feeds_of, lines_of, outlets_of
from rules.terms.events import DAY_MS, MINUTE_MS
from rules.terms.quantities import FACTS

_MOST_WAIT_S = 120.0
_MINUTE_BYTES, _READING_BYTES = 80, 5
"""What a slice of the stream, at most one a minute in quiet times, and each reading in it take; measured over 40 000 readings
with the noise of real ones: 120 bytes for a minute of one chamber every 10 s, 450 for ten, 4 150 for a hundred."""
_BESIDES_MIB = 15
"""What events, words and quarters of an hour take in the store."""
_CONNECT_S = 10.0

_MEANS = {
    "unreachable": ("nothing was heard from it", "check its cable, its power, and that no other program uses the same port"),
    "garbled": ("something arrives, but not in the agreed form", "compare what it sends with the settings of this probe"),
    "refused": ("the device answers, but refuses the question", "check unit, register and function against its manual"),
    "implausible": ("a value arrives that cannot be", "check unit, scale and the clock of the probe"),
}
_REMEDY_BY_BROKER = "see that the broker runs and the probe sends, and compare host, port and topics with the config"


def of_config(configuration: Configuration, text: ConfigText) -> list[Finding]:
    """Return what the config alone tells."""
    counts = {
        "chamber": len(configuration.chamber), "room": len(configuration.room),
        "probe": len(configuration.probe), "outlet": len(configuration.outlet),
    }  # fmt: skip
    found = ", ".join(counted(number, thing) for thing, number in counts.items())
    doubts = [
        Finding("warning", f"config line {fault.line}" if fault.line else "config", fault.told(text.file).partition(": ")[2])
        for fault in warnings(configuration.model_dump(), text)
    ]
    return [Finding("ok", "config", found), *doubts]


# ---------------------------------------------------------------- the machine


def of_machine(configuration: Configuration) -> list[Finding]:
    """Return how the secret files, the store's folder, the disk and the clock are."""
    folder = configuration.state_folder
    found = [*of_secrets(configuration), _folder(folder), _space(configuration), _store(configuration.store)]
    found += [*of_clock(configuration), *of_service(), of_versions()]
    return found if configuration.page.folder is None else [*found, _page(Path(configuration.page.folder))]


def of_secrets(configuration: Configuration) -> list[Finding]:
    """Return whether each secret file can be read, and by nobody else. The secrets themselves are never told."""
    rows: list[tuple[str, object]] = [(f"broker {name}", broker) for name, broker in configuration.broker.items()]
    rows += [(f"outlet {name}", outlet) for name, outlet in configuration.outlet.items()]
    single = {"commands": configuration.commands, "mailbox": configuration.mailbox}
    rows += [(what, settings) for what, settings in single.items() if settings is not None]
    named = [
        (what, key, getattr(settings, key)) for what, settings in rows
        for key in ("password_file", "client_key_file", "key_file") if getattr(settings, key, None)
    ]  # fmt: skip
    return [_secret(f"{what}, {key}", source) for what, key, source in named]


def _secret(what: str, source: str) -> Finding:
    try:
        if source.startswith("credential:") and "CREDENTIALS_DIRECTORY" not in os.environ:
            return Finding("ok", what, f"{source} is handed over by systemd; it cannot be looked at from here")
        readable_path(source)
    except AdapterError as error:
        return Finding("fault", what, str(error), "without it dewlid cannot log in")
    return Finding("ok", what, "can be read, and by nobody else")


def _existing(folder: Path) -> Path:
    return next(place for place in (folder, *folder.parents) if os.access(place, os.F_OK))


def _folder(folder: Path) -> Finding:
    place = _existing(folder)
    if os.access(place, os.W_OK | os.X_OK):
        return Finding("ok", "state folder", f"{folder} can be written")
    return Finding(
        "fault", "state folder", f"{place} cannot be written by user {os.geteuid()}", "nothing could be recorded",
        f"run this as the user of dewlid (sudo -u dewlid dewlid check ...), or give it the folder: chown dewlid {folder}",
    )


def _page(folder: Path) -> Finding:
    if folder.is_dir() and os.access(folder, os.W_OK | os.X_OK):
        return Finding("ok", "status page", f"{folder} can be written")
    why = "cannot be written" if folder.is_dir() else "is not there"
    return Finding(
        "fault", "status page", f"{folder} {why} for user {os.geteuid()}", "there would be no status page, or an old one",
        f"make it and give it to the user of dewlid: install -d -o dewlid {folder};"
        f" a systemd service also needs ReadWritePaths={folder}",
    )


def _a_day_mib(configuration: Configuration) -> float:
    """Return what a day's single readings take in the store."""
    readings = sum(len(probe.measured) * DAY_MS / probe.interval for probe in configuration.probe.values())
    return (_MINUTE_BYTES * min(readings, DAY_MS / MINUTE_MS) + _READING_BYTES * readings) / 2**20


def needed_mib(configuration: Configuration) -> int:
    """Return how much the store will take once single readings are as old as they are kept."""
    return _BESIDES_MIB + round(_a_day_mib(configuration) * configuration.site.keep_readings / DAY_MS)


def _space(configuration: Configuration) -> Finding:
    needed, store, site = needed_mib(configuration), configuration.store, configuration.site
    most = most_bytes(store, site.record_gb) // 2**20
    free = shutil.disk_usage(_existing(configuration.state_folder)).free // 2**20
    in_all = f"the record will take about {needed} MiB, with its backups {COPIES * needed} MiB"
    if needed <= most:
        return Finding("ok", "disk", f"{free} MiB are free; {in_all} in all, and may take {most} MiB by itself")
    days = max(SHORTEST_MS / DAY_MS, (most - _BESIDES_MIB) / _a_day_mib(configuration))
    return Finding(
        "warning", "disk", f"{free} MiB are free, and the record may take {most} MiB; {in_all}",
        f"the oldest single readings are dropped first: about {days:.0f} days of them stay instead of"
        f" {site.keep_readings / DAY_MS:.0f}, and what is older is kept as minimum, mean and maximum of a quarter of an hour",
        "free some space, allow more (record_gb in [site]), read the probes less often (interval),"
        " or set keep_readings in [site] to what fits",
    )


def _store(path: Path) -> Finding:
    try:
        if not is_there(path):
            return Finding("ok", "store", f"{path} will be made at the first start")
    except HistoryError as error:
        return Finding("fault", "store", str(error), "its record cannot be looked at")
    if (fault := fault_of(path)) is None:
        return Finding("ok", "store", f"{path} is whole (SQLite {sqlite3.sqlite_version})")
    return Finding(
        "fault", "store", fault, "the record may be damaged",
        "start dewlid: it sets a damaged store aside and goes on from the newest good backup",
    )


# ---------------------------------------------------------------- probes


def of_probes(configuration: Configuration, wait_s: float | None = None, record: Record | None = None) -> list[Finding]:
    """Try every probe once, the lines and brokers side by side.

    A line that the running daemon reads is left to it, since only one program may read a line: there the record speaks.
    """
    if record is not None:
        configuration = _without_busy_lines(configuration, record)
    lines = lines_of(configuration, {}, purpose="check")
    feeds = feeds_of(configuration, lines, {}, lambda: time.time_ns() // 1_000_000)
    if not feeds:
        return []
    if wait_s is None:
        longest_ms = max(probe.interval for probe in configuration.probe.values())
        wait_s = min(_MOST_WAIT_S, 5 + 1.2 * longest_ms / 1000)
    with ThreadPoolExecutor(max_workers=max(1, len(feeds))) as pool:
        tried = pool.map(lambda feed: _tried(feed.source, wait_s), feeds.values())
        answers = [answer for group in tried for answer in group]
    style = Style(configuration.site.temperature_unit, UTC)
    by_probe: dict[str, list[Sample | Failure]] = {name: [] for name in configuration.probe}
    for answer in answers:
        by_probe[answer.probe].append(answer)
    return [finding for name, given in by_probe.items() for finding in _of_probe(name, given, style)]


def _without_busy_lines(configuration: Configuration, record: Record) -> Configuration:
    busy = {
        probe.medium for name, probe in configuration.probe.items()
        if probe.medium.startswith("line ") and record.fresh(name, probe.interval)
    }  # fmt: skip
    left = {name: probe for name, probe in configuration.probe.items() if probe.medium not in busy}
    return configuration.model_copy(update={"probe": left})


def _tried(source: Source, wait_s: float) -> list[Sample | Failure]:
    return list(source.try_once(wait_s))


def _of_probe(name: str, answers: Iterable[Sample | Failure], style: Style) -> list[Finding]:
    told: list[str] = []
    findings: list[Finding] = []
    for answer in answers:
        if isinstance(answer, Failure):
            means, remedy = _MEANS[answer.fault]
            remedy = _REMEDY_BY_BROKER if answer.fault == "unreachable" and answer.detail.startswith("broker ") else remedy
            findings.append(Finding("fault", f"probe {name}", answer.detail, means, remedy))
            continue
        facts = FACTS[answer.quantity]
        text = reading_told(answer.quantity, answer.value, style)
        if facts.domain_low <= answer.value <= facts.domain_high:
            told.append(text)
        else:
            findings.append(Finding(
                "warning", f"probe {name}", text,
                style.text(f"a fungus shelf is between {facts.domain_low:g} and {facts.domain_high:g} {facts.unit}"),
                "check the probe, and `units` of this probe in the config",
            ))
    return [*([Finding("ok", f"probe {name}", ", ".join(told))] if told else []), *findings]


# ---------------------------------------------------------------- outlets


def of_outlets(configuration: Configuration, *, send: bool) -> list[Finding]:
    """Try every outlet: connect and log in; with `send` a real test message goes out by each."""
    if not configuration.outlet:
        return []
    lines = lines_of(configuration, {}, purpose="check")
    outlets = outlets_of(configuration, lines)
    try:
        with ThreadPoolExecutor(max_workers=len(outlets)) as pool:
            _meet(line.session for line in lines.values())
            if send:
                return list(pool.map(lambda name: _of_outlet(configuration, name, outlets[name]), outlets))
            return list(pool.map(lambda name: _met(configuration, name, outlets[name], lines), outlets))
    finally:
        for outlet in outlets.values():
            outlet.close()


def of_mailbox(configuration: Configuration) -> list[Finding]:
    """Look into the mailbox of your answers, where the config has one."""
    if configuration.mailbox is None:
        return []
    try:
        knock(configuration.mailbox)
    except AdapterError as error:
        means = "your answers by mail are not read; letters go out all the same"
        return [Finding("fault", "mailbox", str(error), means, "repair what it says, then run `dewlid check`")]
    return [Finding("ok", "mailbox", "it lets us in; answers to letters are read there")]


def _meet(sessions: Iterable[MqttSession]) -> None:
    """Give the brokers' sessions the time to connect."""
    deadline_s = time.monotonic() + _CONNECT_S
    for session in sessions:
        while session.state[0] == "connecting" and time.monotonic() < deadline_s:
            time.sleep(0.05)


def _met(configuration: Configuration, name: str, outlet: Outlet, lines: Mapping[str, Line]) -> Finding:
    """Connect and log in, but send nothing."""
    settings = configuration.outlet[name]
    try:
        if isinstance(outlet, MailSender):
            outlet.knock()
        elif isinstance(settings, MqttOutlet) and lines[settings.broker].session.state[0] != "up":
            raise OutletUnreachable(": ".join(lines[settings.broker].session.state))
    except AdapterError as error:
        return _failed(name, error)
    if isinstance(settings, ConsoleOutlet):
        return Finding("ok", f"outlet {name}", f"writes to {settings.stream}")
    return Finding("ok", f"outlet {name}", "it lets us in; `dewlid check --send` sends a real test message by it")


def _failed(name: str, error: AdapterError) -> Finding:
    sure = isinstance(error, OutletRefused)
    means = "it answers and refuses" if sure else "it cannot be reached now; messages would wait and be sent later"
    return Finding("fault", f"outlet {name}", str(error), means, "repair what it says, then run `dewlid check --send`")


def _of_outlet(configuration: Configuration, name: str, outlet: Outlet) -> Finding:
    try:
        for owed in _test_message(configuration, name):
            outlet.send(owed)
    except AdapterError as error:
        return _failed(name, error)
    settings = configuration.outlet[name]
    if isinstance(settings, MailOutlet):
        found = f"a test letter was taken over for {', '.join(settings.to)}: look into the mailbox"
        return Finding("ok", f"outlet {name}", found)
    if isinstance(settings, ConsoleOutlet):
        return Finding("ok", f"outlet {name}", f"a test line was written to {settings.stream}")
    return Finding("ok", f"outlet {name}", "a test event was published and acknowledged")


def _test_message(configuration: Configuration, name: str) -> list[Owed]:
    text = "This is a test message that was asked for with `dewlid check --send`. Nothing is wrong."
    events = told_events("test", "test-message", text, time.time_ns() // 1_000_000)
    return owed_by(events, {name: configuration.outlet[name]}, settings_of(configuration))
