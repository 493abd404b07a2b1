"""How soon it watches again after the worst: killed in mid-life, or its store of a year damaged, with and without a backup."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from measure import Row, at_most, main, python
from reporting import fill_year, write_config

from daemon.config.configuration import load
from daemon.store.backup import back_up
from daemon.store.doubt import doubt

ROUNDS = 3
LIMIT_S = 30.0
"""A stuck daemon must be found and replaced within this; so must one that finds its store damaged."""


def rows() -> list[Row]:
    """Return the slowest of some starts after each harm."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        config = write_config(folder)
        fill_year(config)
        store, whole = load(config).store, folder / "whole"
        back_up(store, folder / "kept", now_ms=time.time_ns() // 1_000_000)
        shutil.copy(store, whole)
        harms: dict[str, tuple[Callable[[Path], None], bool]] = {
            "killed": (lambda path: None, True), "in doubt, found whole after all": (doubt, True),
            "damaged, a backup there": (_garble, True), "damaged, no backup": (_garble, False),
        }  # fmt: skip
        part = f"watching again; a year of two chambers, {whole.stat().st_size / 1e6:.0f} MB; the slowest of {ROUNDS}"
        found = []
        for what, (harm, backed) in harms.items():
            taken = []
            for _ in range(ROUNDS):
                _lay(folder, whole, store, backed=backed)
                harm(store)
                taken.append(until_back_s(folder, config) if harm is _garble else until_ready_s(folder, config))
                if any(folder.glob("*.damaged*")) != (harm is _garble):
                    raise RuntimeError(f"{what}: the store was set aside, or not, against what was wanted")
            found.append(at_most(part, f"start to ready: {what}", max(taken), "s", LIMIT_S))
        return found


def _lay(folder: Path, whole: Path, store: Path, *, backed: bool) -> None:
    """Put the whole store back, without companions, with or without its backup."""
    for path in folder.glob(f"{store.name}*"):
        path.unlink()
    shutil.copy(whole, store)
    shutil.rmtree(folder / "backups", ignore_errors=True)
    if backed:
        shutil.copytree(folder / "kept", folder / "backups")


def _garble(store: Path) -> None:
    """Damage what no start reads, as a power cut may that ended the life before."""
    doubt(store)
    with store.open("r+b") as file:
        for page in range(40, 4000, 400):
            file.seek(page * 4096)
            file.write(os.urandom(4096))


def until_back_s(folder: Path, config: Path) -> float:
    """Return how long it takes from a start until it watches on the backup: it examines the store beside the watching, ends
    where it finds it damaged, and is started again, as a service manager does."""
    begun_s = time.perf_counter()
    with (folder / "log").open("ab") as log:
        python("-m", "daemon.cli", "run", str(config), stdout=log, stderr=log).wait(timeout=120)
    until_ready_s(folder, config)
    return time.perf_counter() - begun_s


def until_ready_s(folder: Path, config: Path, *, clean: bool = False) -> float:
    """Start the daemon and return when it says that it is ready; then kill it, or end it cleanly."""
    manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
    address = folder / "notify"
    address.unlink(missing_ok=True)
    manager.bind(str(address))
    manager.settimeout(120)
    os.environ["NOTIFY_SOCKET"] = str(address)
    begun_s = time.perf_counter()
    with (folder / "log").open("ab") as log:
        daemon = python("-m", "daemon.cli", "run", str(config), stdout=log, stderr=log)
    try:
        while b"READY=1" not in manager.recv(4096):
            continue
        return time.perf_counter() - begun_s
    finally:
        daemon.send_signal(signal.SIGTERM if clean else signal.SIGKILL)
        daemon.wait()
        manager.close()
        os.environ.pop("NOTIFY_SOCKET")


if __name__ == "__main__":
    main(rows)
