"""All sites at a glance: three daemons as processes on one real broker, one of them killed."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from adapters.subscriptions import Message
from daemon.desk.overview import as_text, sites

ROOT = Path(__file__).parents[2]
CONFIG = """
[site]
name = "{name}"
state_folder = "{folder}"
[room.study]
[chamber.tank-1]
room = "study"
{bands}
[chamber.tank-2]
room = "study"
[probe.one]
kind = "simulated-chamber"
measures = "big-air"
place = "tank-1"
interval = "1s"
[probe.two]
kind = "simulated-chamber"
measures = "small-air"
place = "tank-2"
interval = "1s"
[broker.home]
host = "127.0.0.1"
port = {port}
client_id = "{slug}"
[outlet.topics]
kind = "mqtt"
broker = "home"
"""
TOO_LOW = """temperature = { low = 20, high = 23, harmful_low = 15, harmful_high = 24.5, target = 22, on_delay = "1s" }"""


def overview(*options: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "daemon.cli", "overview", *options]
    return subprocess.run(command, capture_output=True, text=True, cwd=ROOT, timeout=60)


@pytest.fixture
def three(broker: Any, tmp_path: Path) -> Iterator[tuple[Any, dict[str, subprocess.Popen[bytes]]]]:
    """A broker and three daemons with a store each; the one in the cellar has a band that the shelf cannot meet."""
    server = broker()
    running: dict[str, subprocess.Popen[bytes]] = {}
    for name, bands in (("North room", ""), ("Cellar", TOO_LOW), ("Attic", "")):
        folder = tmp_path / name.split()[0].lower()
        folder.mkdir()
        config = folder / "dewlid.toml"
        text = CONFIG.format(name=name, folder=folder / "state", port=server.port, slug=folder.name, bands=bands)
        config.write_text(text)
        with (folder / "log").open("wb") as log:
            running[name] = subprocess.Popen([sys.executable, "-m", "daemon.cli", "run", str(config)], cwd=ROOT, stderr=log)
    yield server, running
    for process in running.values():
        process.kill()
        process.wait()


def test_three_daemons_on_one_broker_are_seen_at_a_glance(three: Any, wait_until: Any) -> None:
    server, running = three
    address = f"127.0.0.1:{server.port}"

    def seen() -> dict[str, Any]:
        found = json.loads(overview("--broker", address, "--listen", "0.7", "--json").stdout)["sites"]
        return {site["site"]: site for site in found}

    def all_there() -> bool:
        found = seen()
        chambers = [one for site in found.values() for one in site["chambers"]]
        return len(chambers) == 6 and bool(found["cellar"]["alarms"])

    wait_until(all_there, "six chambers and the alarm in the cellar", 60.0)
    running["Attic"].send_signal(signal.SIGKILL)
    wait_until(lambda: seen()["attic"]["watching"] is False, "the last will of the attic")
    running["North room"].send_signal(signal.SIGTERM)
    assert running["North room"].wait(10) == 0
    wait_until(lambda: seen()["north-room"]["watching"] is False, "the goodbye of the north room")
    text = overview("--broker", address, "--listen", "0.7").stdout
    assert text.startswith("3 sites, 6 chambers, ")
    assert re.search(r"^Attic +NOT WATCHING +2 chambers", text, re.MULTILINE)
    assert re.search(r"^Cellar +watching +2 chambers +last seen ", text, re.MULTILINE)
    assert re.search(r"Cellar / tank-1: too warm, \d\d\.\d °C", text)
    assert "\nNobody watches Attic and North room: go and look at the chambers, then at the server.\n" in text


def test_a_broker_that_is_not_there_is_told_in_words() -> None:
    done = overview("--broker", "127.0.0.1:1")
    assert done.returncode == 69
    assert "nothing listens on 127.0.0.1:1; is the broker running?" in done.stderr


def test_a_broker_without_sites_says_what_each_site_needs(broker: Any) -> None:
    server = broker()
    done = overview("--broker", f"127.0.0.1:{server.port}", "--listen", "0.5")
    assert (done.returncode, "Each needs an outlet of kind mqtt" in done.stdout) == (0, True)


def test_foreign_and_hostile_payloads_are_no_danger() -> None:
    told = {
        "dewlid/a/watching": b"yes", "dewlid/a/chamber/x/state": b"\xff\xfe", "dewlid/b/chamber/x/state": b"[" * 5000,
        "dewlid/c/chamber/y/state": b'{"advisory_only":true,"time":"yesterday","temperature_c":"hot","site":"\\u001b[31mC"}',
        "dewlid/c/chamber/y/alarm/lid-dew": b'{"advisory_only":true,"condition":"active","alarm":7,"since":5}',
        "dewlid/d": b"x", "other/e/watching": b"yes",
    }  # fmt: skip
    found = sites({topic: Message(topic, payload, True) for topic, payload in told.items()}, "dewlid")
    assert {site.site for site in found} == {"a", "b", "c"}
    text = as_text(found, datetime.now(UTC))
    assert "\x1b" not in text
    assert [one.time for site in found for one in site.chambers.values()] == [None]


def test_the_most_troubled_site_comes_first_and_an_old_state_is_called_old() -> None:
    about = b'"alarm":"temperature-high","condition":"active","priority":"wake","value":31.2,"unit":"degC"'
    alarm = b'{"advisory_only":true,' + about + b"}"
    state = b'{"advisory_only":true,"time":"2026-05-01T10:00:00Z","temperature_c":25.0}'
    told = {
        "dewlid/a/watching": b"yes", "dewlid/a/chamber/x/state": state,
        "dewlid/b/watching": b"yes", "dewlid/b/chamber/x/alarm/temperature-high": alarm,
        "dewlid/c/watching": b"no",
    }  # fmt: skip
    found = sites({topic: Message(topic, payload, True) for topic, payload in told.items()}, "dewlid")
    assert [site.site for site in found] == ["c", "b", "a"]
    text = as_text(found, datetime(2026, 5, 1, 12, 0, tzinfo=UTC))
    assert "last seen 2 hours ago (that is old)" in text
    assert "b / x: too warm, 31.2 °C" in text


