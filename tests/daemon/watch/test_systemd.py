"""The service manager hears, over a real datagram socket, what it must know, and its absence stops
nothing."""

import os
import secrets
import socket
from pathlib import Path

import pytest

from daemon.watch.systemd import Notifier


def listening(name: str) -> socket.socket:
    line = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    line.settimeout(5)
    line.bind(name)
    return line


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path):  # type: ignore[no-untyped-def]
    name = str(tmp_path / "notify") if request.param == "path" else "\0dewlid-test-" + secrets.token_hex(8)
    with listening(name) as line:
        yield line, name.replace("\0", "@")


def test_ready_carries_one_line_of_status(manager) -> None:  # type: ignore[no-untyped-def]
    line, address = manager
    Notifier({"NOTIFY_SOCKET": address}).ready("2 chambers\nREADY=0")
    assert line.recv(500) == b"READY=1\nSTATUS=2 chambers READY=0"


def test_reload_watchdog_status_and_stop_are_told(manager) -> None:  # type: ignore[no-untyped-def]
    line, address = manager
    notifier = Notifier({"NOTIFY_SOCKET": address})
    notifier.reloading()
    notifier.alive()
    notifier.status("all is well")
    notifier.stopping()
    assert line.recv(500).startswith(b"RELOADING=1\nMONOTONIC_USEC=")
    assert [line.recv(500) for _ in range(3)] == [
        b"WATCHDOG=1", b"STATUS=all is well", b"STOPPING=1\nSTATUS=stopping",
    ]


def test_without_a_manager_or_with_a_dead_one_nothing_happens(tmp_path: Path) -> None:
    Notifier({}).ready("fine")
    Notifier({"NOTIFY_SOCKET": str(tmp_path / "nobody")}).alive()


def test_a_manager_that_does_not_read_never_blocks_the_daemon(tmp_path: Path) -> None:
    with listening(str(tmp_path / "full")):
        notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "full")})
        for _ in range(5_000):
            notifier.alive()


@pytest.mark.parametrize(("environment", "seconds"), [
    ({}, None),
    ({"WATCHDOG_USEC": "30000000"}, 30.0),
    ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": str(os.getpid())}, 30.0),
    ({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}, None),
    ({"WATCHDOG_USEC": "0"}, None),
    ({"WATCHDOG_USEC": "often"}, None),
])
def test_the_watchdog_is_ours_only_if_it_names_us(environment: dict[str, str], seconds: float | None) -> None:
    assert Notifier(environment).watchdog_s == seconds
