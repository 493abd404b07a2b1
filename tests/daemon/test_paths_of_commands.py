"""Whatever path a command is given: a sentence that names it, one exit status for each kind of trouble, and no traceback."""

from __future__ import annotations

import os
import re
import time
from pathlib import Path

import pytest

from daemon.cli import main
from daemon.store.history import History

BAD = ("missing/x", "folder", "file/x", "fifo", "/proc/1/mem", "nul\0", "long/" + "x" * 300)
WRITES = {
    "report": ("report", "--config", "CONFIG", "--out", "PATH"),
    "export": ("export", "--config", "CONFIG", "--out", "PATH"),
    "calendar": ("calendar", "--config", "CONFIG", "PATH"),
    "backup": ("backup", "--config", "CONFIG", "--to", "PATH"),
    "demo": ("demo", "--days", "1", "--out", "PATH"),
}
READS = {
    "replay": (("replay", "--config", "CONFIG", "PATH"), (65, 66)),
    "tune": (("tune", "--config", "CONFIG", "PATH", "--set", "telling.daily_digest=false"), (65, 66)),
    "verify": (("backup", "--verify", "PATH"), (66, 74)),
    "restore": (("restore", "--config", "CONFIG", "PATH"), (65, 66, 74)),
    "run": (("run", "--config", "PATH"), (78,)),
    "check": (("check", "PATH"), (78,)),
    "watch": (("watch", "--once", "--config", "PATH"), (78,)),
    "why": (("why", "--config", "PATH", "nest"), (78,)),
    "alarms": (("alarms", "--config", "PATH"), (78,)),
    "ack": (("ack", "--config", "PATH", "all"), (78,)),
}


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "dewlid.toml"
    path.write_text(
        f'[site]\nstate_folder = "{tmp_path}/state"\n[chamber.nest]\n'
        '[probe.air]\nkind = "serial-text"\nplace = "nest"\nport = "/dev/ttyUSB9"\ncolumns = { air_temperature = 1 }\n'
    )
    (tmp_path / "state").mkdir()
    History.open(tmp_path / "state" / "dewlid.sqlite3", now_ms=round(time.time() * 1000)).close()
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder" / "in-it").touch()
    (tmp_path / "file").write_text("x")
    os.mkfifo(tmp_path / "fifo")
    return path


def told(line: tuple[str, ...], config: Path, bad: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, str]:
    path = bad if bad.startswith("/") else f"{config.parent}/{bad}"
    status = main([path if word == "PATH" else str(config) if word == "CONFIG" else word for word in line])
    err = capsys.readouterr().err
    assert "Traceback" not in err
    assert not re.search(r"Error\b|errno", err), err
    return status, err


@pytest.mark.parametrize("bad", BAD)
@pytest.mark.parametrize("command", READS)
def test_what_cannot_be_read_is_told(command: str, bad: str, config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line, expected = READS[command]
    status, err = told(line, config, bad, capsys)
    assert status in expected, err
    assert bad.split("\0")[0].split("/")[-1][:20] in err


@pytest.mark.parametrize("bad", ("file/x", "/proc/x/y", "fifo"))
@pytest.mark.parametrize("command", WRITES)
def test_what_cannot_be_written_is_told(command: str, bad: str, config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, err = told(WRITES[command], config, bad, capsys)
    assert status == 73, err
    assert bad.split("\0")[0].split("/")[-1] in err
