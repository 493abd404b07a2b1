"""`dewlid check` beside a running daemon and over a record: last reading, noise, pauses, frozen values, clock and service."""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from datetime import UTC
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from adapters.serial_port import LineSettings, SerialPort
from adapters.wording.figures import Style
from daemon.check.finding import Finding, by_urgency, reading_told
from daemon.check.heaters import of_heaters
from daemon.check.inspection import needed_mib, of_machine, of_outlets, of_probes
from daemon.check.machine import of_clock, of_service, of_versions
from daemon.check.record import of_record, read_record
from daemon.config.configuration import Configuration, load
from daemon.config.settings import settings_of
from daemon.store.history import History
from rules.terms.events import HOUR_MS, MINUTE_MS, Batch
from rules.turn.advance import advance, dump_state

NOW_MS = 1_777_888_800_000
CONFIG = """
[site]
time_zone = "{zone}"
state_folder = "{folder}"
[chamber.tank-1]
[probe.air]
kind = "serial-text"
place = "tank-1"
port = "{port}"
delimiter = " "
columns = {{ air_temperature = 1, relative_humidity = 2 }}
interval = "30s"
[outlet.screen]
kind = "console"
tell = ["system"]
"""


@pytest.fixture
def configuration(tmp_path: Path) -> Configuration:
    path = tmp_path / "dewlid.toml"
    path.write_text(CONFIG.format(folder=tmp_path, port="/dev/ttyX0", zone="UTC"))
    return load(path)


def record(
    configuration: Configuration, air: np.ndarray, *, every_ms: int = 30_000, ended_ms: int = 5_000, now_ms: int = NOW_MS
) -> list[Finding]:
    """Put a series of temperatures into a real store and look at it."""
    at_ms = now_ms - ended_ms - every_ms * np.arange(len(air), dtype=np.int64)[::-1]
    batch = Batch((("air", "air_temperature"),), np.zeros(len(air), np.int32), at_ms, at_ms, np.asarray(air, np.float64))
    done = advance(settings_of(configuration), None, batch, int(at_ms[-1]) + 1)
    history = History.open(configuration.store, now_ms=now_ms)
    history.record(batch, done.events, dump_state(done.state), [])
    history.close()
    return of_record(configuration, read_record(configuration, now_ms))


SHELF = """
[room.cellar]
coldest_c = 12
warmest_c = 31
[chamber.bare]
room = "cellar"
[chamber.tip]
room = "cellar"
role = "waste"
[chamber.warm]
room = "cellar"
devices.heater.watts = 3
"""


def test_a_garden_that_its_room_leaves_cold_or_cooks_is_no_garden_of_which_all_is_well(tmp_path: Path) -> None:
    """Before: "all is well" of a tropical garden without heater in a cellar of 12 degC."""
    path = tmp_path / "dewlid.toml"
    path.write_text(CONFIG.format(folder=tmp_path, port="/dev/ttyX0", zone="UTC") + SHELF)
    told = {(one.what, one.found): one for one in of_heaters(load(path)) if one.grade == "warning"}
    assert {("chamber bare, room", "no heater, in a room that gets down to 12 °C"),
        ("chamber bare, room", "its room gets up to 31 °C"), ("chamber warm, room", "its room gets up to 31 °C")} <= set(told)
    assert not any("tip" in subject for subject, _ in told)
    path.write_text(path.read_text().replace("coldest_c = 12", "coldest_c = 21").replace("warmest_c = 31", "warmest_c = 25"))
    assert not any(one.what.endswith("room") for one in of_heaters(load(path)) if one.what.startswith("chamber bare"))


def noisy(count: int, spread: float) -> np.ndarray:
    return np.round(25.0 + spread * np.random.default_rng(3).normal(size=count), 2)


def test_on_a_terminal_what_must_be_mended_comes_first_and_no_line_is_too_wide() -> None:
    findings = [
        Finding("ok", "disk", "4 MiB are free"), Finding("warning", "clock", "it drifts", "late alarms", "set it " * 20),
        Finding("fault", "probe air", "nothing was heard from it " * 5),
    ]  # fmt: skip
    assert [one.grade for one in by_urgency(findings)] == ["fault", "warning", "ok"]
    rows = ["".join(span.text for span in line) for one in by_urgency(findings) for line in one.lines(48)]
    assert max(map(len, rows)) <= 48
    assert rows[0].startswith("fault    probe air: nothing was heard")
    assert [row[:9].strip() for row in rows if row[:9].strip()] == ["fault", "warning", "ok"]
    assert " ".join(" ".join(rows).split()).count("set it") == 20


def test_who_reads_fahrenheit_reads_it_here_too() -> None:
    assert reading_told("air_temperature", 25.0, Style("degF", UTC)) == "air temperature 77.0 °F"
    assert reading_told("relative_humidity", 64.0, Style("degF", UTC)) == "relative humidity 64 %"


def of_disk(folder: Path, site: str, interval: str = "30s") -> tuple[Configuration, Finding]:
    path = folder / "dewlid.toml"
    text = CONFIG.format(folder=folder, port="/dev/ttyX0", zone="UTC").replace('interval = "30s"', f'interval = "{interval}"')
    path.write_text(text.replace("[site]", f"[site]\n{site}"))
    configuration = load(path)
    [disk] = [finding for finding in of_machine(configuration) if finding.what == "disk"]
    return configuration, disk


def test_the_disk_must_hold_what_the_probes_will_fill(tmp_path: Path) -> None:
    """Two quantities every 30 s are 518 400 readings of 5 bytes in 129 600 minutes of 80 in 90 days: 12 MiB; the store, five
    backups, and one in the making.
    """
    configuration, disk = of_disk(tmp_path, 'keep_readings = "90d"')
    assert needed_mib(configuration) == pytest.approx(15 + 12, abs=1)
    assert disk.grade == "ok"
    assert f"about {needed_mib(configuration)} MiB, with its backups {7 * needed_mib(configuration)} MiB" in disk.found


@pytest.mark.parametrize("site", ['keep_readings = "365000d"', 'keep_readings = "300d"\nrecord_gb = 0.03'])
def test_what_does_not_fit_is_told_with_what_is_dropped_first(tmp_path: Path, site: str) -> None:
    _, disk = of_disk(tmp_path, site, "1s" if "365000d" in site else "30s")
    assert disk.grade == "warning"
    assert "the oldest single readings are dropped first" in disk.means
    assert "record_gb" in disk.remedy


def test_how_many_days_fit_is_told(tmp_path: Path) -> None:
    """5760 readings of 5 bytes in 1440 minutes of 80 a day are 0.137 MiB; of 28 MiB (0.03 GB), less 15 MiB for all else, 95
    days of them fit."""
    _, disk = of_disk(tmp_path, 'keep_readings = "300d"\nrecord_gb = 0.03')
    assert "about 95 days of them stay instead of 300" in disk.means


def test_a_broker_that_is_away_is_no_matter_of_cables(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as one:
        port = one.getsockname()[1]
    path = tmp_path / "dewlid.toml"
    path.write_text(f"""
[chamber.tank-1]
[broker.home]
host = "127.0.0.1"
port = {port}
[probe.air]
kind = "mqtt-topic"
place = "tank-1"
broker = "home"
topics = {{ air_temperature = "shelf/t" }}
[outlet.screen]
kind = "console"
""")
    [finding] = of_probes(load(path), 1.0)
    assert finding.grade == "fault"
    assert f"nothing listens on 127.0.0.1:{port}" in finding.found
    assert "cable" not in finding.remedy
    assert "see that the broker runs" in finding.remedy


def test_a_good_probe_is_told_with_age_and_noise(configuration: Configuration) -> None:
    [finding] = record(configuration, noisy(200, 0.04))
    assert finding.grade == "ok"
    assert finding.found.startswith("last heard a moment ago: air temperature 2")
    assert "(noise 0.0" in finding.found
    assert finding.found.endswith("200 readings in three hours")


def test_noise_does_not_count_a_step(configuration: Configuration) -> None:
    air = noisy(200, 0.04)
    air[100:] += 6.0
    assert [one for one in record(configuration, air) if "scatters" in one.found] == []


def test_a_noisy_probe_is_told_what_to_look_for(configuration: Configuration) -> None:
    scattering = next(one for one in record(configuration, noisy(200, 0.8)) if "scatters" in one.found)
    assert scattering.grade == "warning"
    assert "loose plug" in scattering.means
    assert "accuracy_temperature_k" in scattering.remedy


def test_a_value_that_never_moves_is_called_frozen(configuration: Configuration) -> None:
    frozen = next(one for one in record(configuration, np.full(200, 25.31)) if "exactly" in one.found)
    assert "exactly 25.31 for more than an hour" in frozen.found
    assert "breathe on it" in frozen.remedy


def test_a_probe_that_sends_more_rarely_than_told_gets_the_line_to_write(configuration: Configuration) -> None:
    slow = next(one for one in record(configuration, noisy(40, 0.04), every_ms=115_000) if "paused" in one.found)
    assert slow.remedy == 'write interval = "2min" in [probe.air]'


def test_a_probe_that_fell_silent_is_told_with_its_age(configuration: Configuration) -> None:
    silent = record(configuration, noisy(100, 0.04), ended_ms=40 * MINUTE_MS)[0]
    assert silent.grade == "warning"
    assert silent.found.startswith("last heard 40 minutes ago")


def test_an_hourly_probe_that_was_heard_within_three_hours_is_heard(configuration: Configuration, tmp_path: Path) -> None:
    """Its last word holds for three intervals, here as in the rules."""
    path = tmp_path / "dewlid.toml"
    path.write_text(path.read_text().replace('"30s"', '"1h"'))
    [finding] = record(load(path), noisy(48, 0.1), every_ms=HOUR_MS, ended_ms=HOUR_MS * 5 // 2)
    assert (finding.grade, finding.found.split(":")[0]) == ("ok", "last heard 2 hours 30 minutes ago")


def test_a_judgement_of_the_rules_is_repeated(configuration: Configuration) -> None:
    air = noisy(200, 0.04)
    air[-5:] = 85.0
    judged = [one for one in record(configuration, air) if "was last judged" in one.found]
    assert [one.grade for one in judged] == ["warning"]
    assert "fail" in judged[0].found


def test_without_a_store_there_is_no_record_and_no_trouble(configuration: Configuration) -> None:
    assert of_record(configuration, read_record(configuration, NOW_MS)) == []


def test_a_line_that_the_daemon_reads_is_left_to_it(serial_pair: Callable[[], Any], tmp_path: Path) -> None:
    line, path = serial_pair(), tmp_path / "dewlid.toml"
    path.write_text(CONFIG.format(folder=tmp_path / "state", port=line.near, zone="UTC"))
    record(load(path), noisy(200, 0.04), now_ms=time.time_ns() // 1_000_000)
    held = SerialPort(LineSettings(line.near))  # as a running daemon holds it
    held.open()
    command = [sys.executable, "-m", "daemon.cli", "check", str(path)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stdout
    assert "ok       record of air: last heard a moment ago: air temperature 2" in done.stdout
    (tmp_path / "state" / "dewlid.sqlite3").unlink()
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    held.close()
    assert done.returncode == 69
    assert "in use by another program" in done.stdout


def test_the_time_zone_of_the_config_is_held_against_the_machines(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "dewlid.toml"
    path.write_text(CONFIG.format(folder=tmp_path, port="/dev/ttyX0", zone="UTC"))
    monkeypatch.setenv("TZ", "Europe/Lisbon")
    doubt = next(one for one in of_clock(load(path)) if one.what == "time zone")
    assert doubt.remedy == 'write time_zone = "Europe/Lisbon" in [site]'
    path.write_text(CONFIG.format(folder=tmp_path, port="/dev/ttyX0", zone="Europe/Lisbon"))
    assert [one.what for one in of_clock(load(path)) if one.what == "time zone"] == []


def test_the_service_that_is_not_installed_is_said_how_to_install(tmp_path: Path) -> None:
    [finding] = of_service(tmp_path / "none")
    assert (finding.grade, "sudo make install" in finding.found) == ("ok", True)
    (tmp_path / "dewlid.service").touch()
    [finding] = of_service(tmp_path / "dewlid.service")  # no systemd answers for it here
    assert finding.grade in ("warning", "fault")
    assert "systemctl" in finding.remedy


def with_mail(tmp_path: Path, outlet: Any, **more: Any) -> str:
    given = outlet.model_dump(exclude_none=True, exclude={"second", "stand_in"}) | more
    rows = [f"{key} = {json.dumps(value)}" for key, value in given.items() if value not in (None, {})]
    path = tmp_path / "dewlid.toml"
    path.write_text(CONFIG.format(folder=tmp_path, port="/dev/ttyX0", zone="UTC") + "[outlet.mail]\n" + "\n".join(rows) + "\n")
    return str(path)


def test_a_mail_server_is_met_without_a_letter_and_a_wrong_password_is_told(mail_server: Any, tmp_path: Path) -> None:
    outlet, box = mail_server()
    good = of_outlets(load(with_mail(tmp_path, outlet)), send=False)
    assert [one.found for one in good if one.what == "outlet mail"] == [
        "it lets us in; `dewlid check --send` sends a real test message by it"
    ]
    Path(outlet.password_file).write_text("wrong\n")
    bad = next(one for one in of_outlets(load(with_mail(tmp_path, outlet)), send=False) if one.what == "outlet mail")
    assert (bad.grade, bad.means) == ("fault", "it answers and refuses")
    assert "refuses user or password" in bad.found
    assert box.letters == []


def test_a_broker_that_is_down_is_told_without_sending(tmp_path: Path) -> None:
    path = tmp_path / "dewlid.toml"
    text = CONFIG.format(folder=tmp_path, port="/dev/ttyX0", zone="UTC")
    path.write_text(f'{text}[broker.home]\nhost = "127.0.0.1"\nport = 1\n[outlet.topics]\nkind = "mqtt"\nbroker = "home"\n')
    [finding] = [one for one in of_outlets(load(path), send=False) if one.what == "outlet topics"]
    assert finding.grade == "fault"
    assert "nothing listens on 127.0.0.1:1" in finding.found


def test_versions_are_told_for_questions() -> None:
    assert "Python 3." in of_versions().found
