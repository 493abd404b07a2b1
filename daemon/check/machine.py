"""The machine that dewlid runs on: clock, time zone, service, versions. Each finding with what it means and the remedy."""

from __future__ import annotations

import importlib.metadata
import platform
import shutil
import sqlite3
import subprocess
import time
from datetime import UTC, datetime
from pathlib import Path

from daemon.check.finding import Finding
from daemon.clock import local_zone
from daemon.config.checks import zone_of
from daemon.config.configuration import Configuration

UNIT = Path("/usr/lib/systemd/system/dewlid.service")
_LIBRARIES = ("paho-mqtt", "pyserial", "pydantic", "numpy", "apscheduler")


def of_clock(configuration: Configuration) -> list[Finding]:
    """Return how clock and time zone are."""
    year = time.gmtime().tm_year
    if year < 2025:
        return [Finding(
            "fault", "clock", f"this machine believes it is {year}", "certificates are refused and labels are wrong",
            "set the clock: timedatectl set-ntp true",
        )]  # fmt: skip
    zone = configuration.site.time_zone
    local = datetime.now(UTC).astimezone(zone_of(zone))
    findings = [Finding("ok", "clock", f"{local:%Y-%m-%d %H:%M:%S} in {zone} ({time.strftime('%H:%M:%S', time.gmtime())} UTC)")]
    if zone == "UTC" and local_zone() not in ("UTC", "Etc/UTC"):
        findings.append(Finding(
            "warning", "time zone", f"the config says UTC, this machine is in {local_zone()}",
            "quiet hours and the daily digest follow UTC, not your day", f'write time_zone = "{local_zone()}" in [site]',
        ))  # fmt: skip
    if _answer("timedatectl", "show", "--property=NTPSynchronized", "--value") == "no":
        findings.append(Finding(
            "warning", "clock", "it is not set by the network", "it drifts by minutes in a month, and delays of alarms with it",
            "timedatectl set-ntp true",
        ))  # fmt: skip
    return findings


def of_service(unit: Path = UNIT) -> list[Finding]:
    """Return how the service is, where it is installed."""
    if not unit.exists():
        return [Finding("ok", "service", "not installed; `sudo make install` does it, so that it starts with the machine")]
    enabled = _answer("systemctl", "is-enabled", "dewlid.service")
    active = _answer("systemctl", "is-active", "dewlid.service")
    if active == "failed":
        return [Finding(
            "fault", "service", "systemd has given up on it", "nobody watches the chambers",
            "journalctl -u dewlid -e tells why; then: sudo systemctl restart dewlid",
        )]  # fmt: skip
    if active != "active":
        return [Finding("warning", "service", f"it is {active or 'not running'}", "nobody watches the chambers now",
                        "sudo systemctl enable --now dewlid")]  # fmt: skip
    if enabled != "enabled":
        return [Finding("warning", "service", "it runs, but does not start with the machine",
                        "after a power cut nobody watches", "sudo systemctl enable dewlid")]  # fmt: skip
    return [Finding("ok", "service", "it runs, and starts with the machine")]


def of_versions() -> Finding:
    """Return what runs here, for questions to others."""
    libraries = ", ".join(f"{name} {importlib.metadata.version(name)}" for name in _LIBRARIES)
    own = f"dewlid {importlib.metadata.version('dewlid')}, Python {platform.python_version()}"
    return Finding("ok", "versions", f"{own}, SQLite {sqlite3.sqlite_version}, {libraries}")


def _answer(program: str, *arguments: str) -> str:
    """Return what a tool of systemd says; empty where there is none, or it does not answer."""
    path = shutil.which(program)
    if path is None:
        return ""
    try:
        done = subprocess.run([path, *arguments], capture_output=True, text=True, timeout=5)  # noqa: S603  # a fixed command
    except (OSError, subprocess.TimeoutExpired):
        return ""
    return done.stdout.strip()
