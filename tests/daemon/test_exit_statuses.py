"""One fault, one exit status, whatever command meets it: each row is a fault with commands that meet it."""

from __future__ import annotations

import contextlib
import io
import time
from pathlib import Path

import pytest

from daemon.cli import main
from daemon.commands import COMMANDS
from daemon.store.history import History

# A line in words: C is the config, F a file of one letter, N a file that is not there, D a folder in which nothing can be made.
FAULTS: dict[tuple[int, str], tuple[str, ...]] = {
    (64, "no such command or option"): ("nope", "care C nope", *(f"{name} --no-such-option" for name in COMMANDS)),
    (64, "something is missing, or too much"): (
        "", "ack C", "shelve C --for 4h", "unshelve C", "done C", "visit C", "garden C", "why C", "lid C",
        "lid C nest measured",
        "lid C nest seen", "calibrate C", "out-of-service C", "note C --fungus", "leaves C nest rose --at", "care C done",
        "calibrate C air --against air", "calibrate C air --against air --salt sodium-chloride@08:00", "away C 2030-01-01",
        "replay C", "replay C F --store", "tune C", "export C --out", "report C", "calendar C", "completion", "watch C x.toml",
    ),
    (65, "no number"): (
        "done C nest-1 --amount 9,5", "lid C nest measured 22,8", "garden C nest --ml 1,5", "garden C nest --fill x",
        "care C done water nest --amount 1,5", "dew --air 26,5 --rh 80", "init --altitude 9,5", "init --heater x",
        "demo --days 1,5", "check C --wait 9,9", "backup C --keep x", "care C plants --month 1.5", "init --age 1,5",
        "calibrate C air --temperature 2,5", "overview --listen 2,5", "lid C nest measured 22 --uncertainty 0,5",
        "replay C F --batch x",
    ),
    (65, "out of its range"): (
        "garden C nest --ml -5", "garden C nest --ml 900000000 --yes", "lid C nest measured 99", "dew --air 260 --rh 80",
        "overview --broker h:99999",
        "demo --days 99", "check C --wait 9999", "backup C --keep 0", "care C plants --month 13", "init --addresses 0-999",
        "report C --since 0d --out N", "visit C nest --for 9d", "shelve C nest/temperature-high --for 30d",
        "out-of-service C air --for 99d",
    ),
    (65, "no duration or time"): (
        "shelve C nest/temperature-high --for 4x", "visit C nest --for 5", "out-of-service C air --for x",
        "rehearse C --wait 5", "report C --since 5 --out N", "export C --since 5 --out N", "replay C --store --since 5x",
        "note C nest x --at 25:99",
        "lid C nest seen dry --at 25:99", "away C 2030-13-01 2030-14-01", "leaves C nest rose --at 25:99",
        "tune C --since x --suggest", "care C done water --at 25:99", "garden C nest --ml 5 --at x",
        "calibrate C air --against air --from 25:99",
    ),
    (65, "no such chamber, probe, alarm, advice, task, word or table"): (
        "ack C nope", "ack C nope/temperature-high", "ack C nest/nope", "shelve C nest/nope --for 4h", "unshelve C nest/nope",
        "visit C nope", "why C nope", "lid C nope", "garden C nope --ml 5", "note C nope --fungus shrinking",
        "leaves C nope rose", "report C --chamber nope --out N", "calibrate C nope", "out-of-service C nope --for 2h",
        "done C nest-9", "undo C nope", "note C nest --fungus nope", "care C done nope", "care C prepare nope", "keys nope",
        "completion nope", "lid C nest seen wet", "calibrate C air --salt nope@08:00", "init --lid nope",
    ),
    (65, "nothing in it"): ("replay C F", "tune C F --set chamber.nest.humidity.high=92", "replay C --store"),
    (66, "not there"): (
        "replay C N", "tune C N --set chamber.nest.humidity.high=92", "restore C N", "backup --verify N",
        "overview --broker 127.0.0.1 --password-file N", "overview --broker 127.0.0.1 --ca N",
    ),
    (69, "another part does not work"): ("overview --broker 127.0.0.1:1", "check C"),
    (73, "cannot be written"): (
        "report C --out D/x", "export C --out D/x", "calendar C D/x", "backup C --to D", "demo --days 1 --out D/x",
        "report C --out F/x", "export C --out F/x", "calendar C F/x", "backup C --to F/x", "demo --days 1 --out F/x",
    ),
    (74, "a record that is none"): ("restore C F", "backup --verify F"),
    (75, "the daemon does not run"): ("rehearse C",),
    (78, "no config, or one that lacks it"): (
        "run --config N", "check --config N", "watch --config N", "alarms --config N", "away --config N", "undo --config N",
        "backup --config N", "rehearse --config N", "overview --config N", "why --config N nest", "lid --config N nest",
        "report --config N --out N", "export --config N --out N",
        "sign --config N", "calendar --config N N", "garden --config N nest", "overview C", "why C larder",
    ),
}
LINES = [(status, line) for (status, _), lines in FAULTS.items() for line in lines]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("statuses")
    (made / "dewlid.toml").write_text(
        f'[site]\nstate_folder = "{made}/state"\n[chamber.nest]\n[chamber.larder]\nrole = "food"\n'
        '[probe.air]\nkind = "serial-text"\nplace = "nest"\nport = "/dev/ttyUSB9"\ncolumns = { air_temperature = 1 }\n'
    )
    (made / "state").mkdir()
    History.open(made / "state" / "dewlid.sqlite3", now_ms=round(time.time() * 1000)).close()
    (made / "letter").write_text("x")
    return made


def ended(line: str, folder: Path) -> tuple[int, str]:
    """Return a command's status, and what it said on standard error."""
    words = [word for part in line.split() for word in (("--config", "C") if part == "C" else (part,))]
    places = {"C": "dewlid.toml", "F": "letter", "N": "not-there"}
    meant = []
    for word in words:
        head, slash, rest = word.partition("/")
        if head == "D":
            meant.append(f"/proc/1/task{slash}{rest}")
        else:
            meant.append(f"{folder}/{places[head]}{slash}{rest}" if head in places else word)
    with contextlib.redirect_stderr(io.StringIO()) as err, contextlib.redirect_stdout(io.StringIO()):
        try:
            status = main(meant)
        except SystemExit as ending:
            status = int(ending.code or 0)
    return status, err.getvalue()


@pytest.mark.parametrize(("status", "line"), LINES, ids=[line or "nothing" for _, line in LINES])
def test_the_same_fault_ends_with_the_same_status(status: int, line: str, folder: Path) -> None:
    found, said = ended(line, folder)
    assert found == status, said
    assert "Traceback" not in said
    assert said or status == 69  # the findings of `check` are its output


def test_no_command_is_left_out() -> None:
    met = {line.split()[0] for _, line in LINES if line and "--no-such-option" not in line}
    assert set(COMMANDS) - met <= {"manual"}
