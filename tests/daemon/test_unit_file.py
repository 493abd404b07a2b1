"""The unit keeps the daemon shut in and alive, as far as can be shown without a booted systemd."""

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

from daemon.exit_status import ExitStatus

SYSTEMD = Path(__file__).parents[2] / "systemd"
UNIT = SYSTEMD / "dewlid.service"

needs_systemd = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="this machine has no systemd tools")


def settings() -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for key, value in re.findall(r"^(\w+)=(.*)$", UNIT.read_text(), re.MULTILINE):
        found.setdefault(key, []).append(value)
    return found


@needs_systemd
def test_the_exposure_is_at_most_1_3() -> None:
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=13", str(UNIT)], capture_output=True, text=True,
    )
    assert done.returncode == 0, done.stdout[-400:]
    assert re.search(r"Overall exposure level for dewlid.service: (0\.\d|1\.[0-3]) OK", done.stdout)


@needs_systemd
def test_a_weakened_unit_would_not_pass(tmp_path: Path) -> None:
    weak = tmp_path / "dewlid.service"
    weak.write_text(UNIT.read_text().replace("ProtectSystem=strict\n", "").replace("NoNewPrivileges=yes\n", ""))
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--threshold=13", str(weak)], capture_output=True, text=True,
    )
    assert done.returncode != 0


@needs_systemd
def test_systemd_understands_every_line(tmp_path: Path) -> None:
    program = tmp_path / "dewlid"
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    unit = tmp_path / "dewlid.service"
    unit.write_text(UNIT.read_text().replace("/opt/dewlid/.venv/bin/dewlid", str(program)))
    done = subprocess.run(["systemd-analyze", "verify", str(unit)], capture_output=True, text=True)
    assert [line for line in done.stderr.splitlines() if "dewlid.service" in line] == []


def test_it_is_restarted_for_ever_except_after_a_wrong_config_or_command_line() -> None:
    found = settings()
    assert found["Restart"] == ["always"]
    assert found["StartLimitIntervalSec"] == ["0"]
    assert set(found["RestartPreventExitStatus"][0].split()) == {str(int(ExitStatus.USAGE)), str(int(ExitStatus.CONFIGURATION))}


def test_a_stuck_daemon_is_ended_within_thirty_seconds() -> None:
    found = settings()
    assert found["Type"] == ["notify"]
    assert found["WatchdogSec"] == ["30s"]


def test_no_memory_dump_with_passwords_is_ever_written() -> None:
    assert settings()["LimitCORE"] == ["0"]


def test_it_starts_the_command_that_exists() -> None:
    from daemon.cli import parser

    [start] = settings()["ExecStart"]
    program, *arguments = start.split()
    assert program.endswith("/dewlid")
    assert parser().parse_args(arguments).config == "/etc/dewlid/dewlid.toml"


def test_every_serial_device_class_loads_its_driver_first() -> None:
    found = settings()
    assert {value.split()[0] for value in found["DeviceAllow"]} == {"char-ttyUSB", "char-ttyACM", "char-ttyS", "char-ttyAMA"}
    assert all("modprobe@usbserial.service" in value for value in (*found["Wants"], *found["After"]))


@pytest.mark.skipif(shutil.which("systemd-sysusers") is None, reason="this machine has no systemd tools")
def test_the_user_is_made_from_the_file(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc" / "group").write_text("dialout:x:20:\n")
    done = subprocess.run(
        ["systemd-sysusers", f"--root={tmp_path}", str(SYSTEMD / "dewlid.sysusers")], capture_output=True, text=True,
    )
    assert done.returncode == 0, done.stderr
    assert re.search(r"^dewlid:.*:/var/lib/dewlid:", (tmp_path / "etc" / "passwd").read_text(), re.MULTILINE)
    assert re.search(r"^dialout:.*dewlid", (tmp_path / "etc" / "group").read_text(), re.MULTILINE)


@pytest.mark.skipif(shutil.which("systemd-tmpfiles") is None, reason="this machine has no systemd tools")
def test_the_folders_are_made_from_the_file(tmp_path: Path) -> None:
    (tmp_path / "etc").mkdir()
    me, mine = os.getuid(), os.getgid()  # so that it also works for a tester who may not give files away
    (tmp_path / "etc" / "passwd").write_text(f"root:x:{me}:{mine}::/:/bin/sh\ndewlid:x:{me}:{mine}::/:/bin/false\n")
    (tmp_path / "etc" / "group").write_text(f"root:x:{mine}:\ndewlid:x:{mine}:\n")
    done = subprocess.run(
        ["systemd-tmpfiles", "--create", f"--root={tmp_path}", str(SYSTEMD / "dewlid.tmpfiles")],
        capture_output=True, text=True,
    )
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "var/lib/dewlid/spool").stat().st_mode & 0o7777 == 0o2770
    assert (tmp_path / "etc/dewlid/secrets").stat().st_mode & 0o777 == 0o700
