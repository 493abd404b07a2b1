"""The status page: kept by a real daemon, whole at every instant, honest when the daemon ends, and looked at by a browser."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from browser import Browser
from shelf_store import fill, write_config

from daemon.check.inspection import of_machine
from daemon.config.configuration import load
from daemon.config.file import ConfigurationError
from daemon.config.settings import settings_of
from daemon.report.record import read_record
from daemon.report.writing import NotWritten, write_whole
from daemon.watch.status_page import Present, StatusPage, present_of, status_page
from rules.terms.events import DAY_MS, HOUR_MS

START_MS = round(datetime(2026, 5, 4, tzinfo=UTC).timestamp() * 1000)
Wait = Callable[..., Any]


@pytest.fixture(name="now", scope="module")
def _now(tmp_path_factory: pytest.TempPathFactory) -> Present:
    """The shelf on its third night: the heater of the big nest has failed."""
    config = write_config(tmp_path_factory.mktemp("shelf"))
    fill(config, START_MS, 2 + 1 / 24)
    configuration = load(config)
    settings, now_ms = settings_of(configuration), START_MS + 2 * DAY_MS + HOUR_MS
    return present_of(settings, read_record(configuration.store, settings, now_ms, DAY_MS, pictures=False).state, now_ms)


def words(text: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text.split("</style>")[1]))


def listening(pid: int) -> set[str]:
    """Return the listening TCP sockets of a process, by inode."""
    tables = [Path(f"/proc/{pid}/net/{name}") for name in ("tcp", "tcp6")]
    rows = [line.split() for table in tables if table.exists() for line in table.read_text().splitlines()[1:]]
    own = {str(entry.readlink()) for entry in Path(f"/proc/{pid}/fd").iterdir()}
    return {row[9] for row in rows if row[3] == "0A" and f"socket:[{row[9]}]" in own}  # 0A: TCP_LISTEN


def test_it_says_who_needs_what_and_shows_two_days(now: Present) -> None:
    text = status_page(now)
    told = words(text)
    assert "Act now Big nest needs you now" in told
    assert "Check the heat" in told
    assert "Small nest is well." in told
    assert "As of Wed 6 May 2026 03:00 (CEST)." in told
    assert "in the last two days." in told
    assert "if nothing changes." in told
    assert '<meta http-equiv="refresh" content="60">' in text
    assert "<script" not in text
    for drawn in ("area temperature", "area humidity", "area temperature ahead", "area humidity ahead"):
        assert text.count(f'<path class="{drawn}"') == 2
    assert text.count('class="harm"') >= 4
    assert text.count('<path class="band"') == 4


def test_a_browser_finds_no_fault_and_nothing_sticks_out(now: Present, tmp_path: Path) -> None:
    file = tmp_path / "index.html"
    file.write_text(status_page(now).replace('<meta http-equiv="refresh" content="60">', ""))
    browser = Browser(tmp_path)
    for width in (360, 1280):
        found = browser.measured(file, width)
        assert (found["out"], found["over"], found["scroll"]) == ([], [], width)


def test_a_reader_never_sees_half_a_page(now: Present, tmp_path: Path) -> None:
    file, text = tmp_path / "index.html", status_page(now)
    write_whole(file, text)
    done = threading.Event()

    def write() -> None:
        for _ in range(200):
            write_whole(file, text)
        done.set()

    threading.Thread(target=write).start()
    seen = set()
    while not done.is_set():
        seen.add(file.read_text())
    assert seen == {text}
    assert [path.name for path in tmp_path.iterdir()] == ["index.html"]


def test_a_folder_that_cannot_be_written_stops_nothing_and_is_told(now: Present, tmp_path: Path, wait_until: Wait) -> None:
    folder = tmp_path / "later"
    page = StatusPage(folder / "index.html")
    page.show(now)
    with pytest.raises(NotWritten, match="the folder must exist"):
        write_whole(folder / "index.html", "")
    folder.mkdir()

    def shown() -> bool:
        page.show(now)
        time.sleep(0.05)
        return (folder / "index.html").exists()

    wait_until(shown, "the page")
    page.withdraw()
    assert list(folder.iterdir()) == []


def test_the_daemon_keeps_the_page_and_leaves_the_truth_when_it_ends(tmp_path: Path, wait_until: Wait) -> None:
    folder = tmp_path / "web"
    folder.mkdir()
    config = write_config(tmp_path, f'\n[page]\nfolder = "{folder}"\nfile = "shelf.html"\n')
    file = folder / "shelf.html"
    daemon = subprocess.Popen(
        [sys.executable, "-m", "daemon.cli", "run", str(config)], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
    )
    try:
        wait_until(file.exists, "the page")
        first = words(file.read_text())
        assert "North shelf" in first
        assert "nobody is watching: go and look" in first
        assert file.stat().st_mode & 0o777 == 0o644
        assert listening(daemon.pid) == set()
        os.kill(daemon.pid, signal.SIGTERM)
        _, errors = daemon.communicate(timeout=20)
        assert daemon.returncode == 0, errors
    finally:
        daemon.kill()
    assert re.search(r"Not seen dewlid was ended at \w{3} \d+ \w{3}, \d\d:\d\d: nobody is watching\.", words(file.read_text()))
    assert [path.name for path in folder.iterdir()] == ["shelf.html"]


def test_check_says_whether_the_folder_can_be_written(tmp_path: Path) -> None:
    folder = tmp_path / "web"
    configuration = load(write_config(tmp_path, f'\n[page]\nfolder = "{folder}"\n'))
    missing = next(one for one in of_machine(configuration) if one.what == "status page")
    assert (missing.grade, missing.found.split(" for ")[0]) == ("fault", f"{folder} is not there")
    assert f"install -d -o dewlid {folder}" in missing.remedy
    folder.mkdir()
    assert next(one for one in of_machine(configuration) if one.what == "status page").grade == "ok"


@pytest.mark.parametrize("lines", ['folder = "web"', 'folder = "/web"\nfile = "../x.html"', 'folder = "/web"\nfile = "page"'])
def test_a_place_that_cannot_be_is_refused_in_the_config(tmp_path: Path, lines: str) -> None:
    config = write_config(tmp_path, f"\n[page]\n{lines}\n")
    with pytest.raises(ConfigurationError, match=r"page\.(folder|file)"):
        load(config)
