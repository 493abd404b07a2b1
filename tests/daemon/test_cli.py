"""The command line answers on stdout, complains on stderr, ends with a status that scripts know, and starts quickly."""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from daemon import cli
from daemon.commands import COMMANDS
from daemon.config.file import ConfigurationError
from daemon.desk import options
from daemon.exit_status import ExitStatus
from daemon.store.errors import HistoryError
from daemon.store.spool import SpoolError, WordError
from daemon.trouble import status_of

SAMPLE = Path(__file__).parents[2] / "sample_config" / "one-chamber.toml"


def dewlid(*arguments: str, **more: Any) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "daemon.cli", *arguments], capture_output=True, text=True, timeout=60, **more
    )


def test_help_lists_every_command_with_a_line_about_it(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(["--help"])
    assert ended.value.code == 0
    told = capsys.readouterr().out
    for action in cli.parser()._actions:
        if isinstance(action, argparse._SubParsersAction):
            listed = {choice.dest: choice.help for choice in action._choices_actions}
    assert all(listed.values())
    assert all(name in told for name in listed)


def test_every_command_has_a_file_and_every_file_is_a_command() -> None:
    folder = Path(cli.__file__).parent / "commands"
    with_command = {path.stem for path in folder.glob("*.py") if "\ndef add(" in path.read_text()}
    assert {name.replace("-", "_") for name in COMMANDS} == with_command
    assert len(set(COMMANDS)) == len(COMMANDS)


@pytest.mark.parametrize("arguments", [["--help"], ["--version"]])
def test_help_and_version_need_none_of_the_libraries(arguments: list[str]) -> None:
    heavy = "{'numpy', 'pydantic', 'structlog', 'apscheduler', 'paho', 'serial', 'sqlite3', 'resvg_py'}"
    code = (
        "import sys\nfrom daemon import cli\n"
        f"try: cli.main({arguments!r})\nexcept SystemExit: pass\n"
        f"print(sorted({heavy} & set(sys.modules)), file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr.strip() == "[]"


def test_a_misspelt_command_names_the_right_one_and_ends_with_64() -> None:
    done = dewlid("chekc", "x.toml")
    assert done.returncode == 64
    assert done.stdout == ""
    assert "did you mean check?" in done.stderr


def test_no_command_ends_with_64() -> None:
    assert dewlid().returncode == 64


def test_a_missing_config_is_told_without_a_traceback() -> None:
    done = dewlid("check", "/nowhere/dewlid.toml")
    assert done.returncode == 78
    assert done.stdout == ""
    assert done.stderr.startswith("dewlid: /nowhere/dewlid.toml: cannot be read: No such file or directory")
    assert "Traceback" not in done.stderr


def test_all_faults_of_a_config_come_on_stderr_one_per_line(tmp_path: Path) -> None:
    (tmp_path / "c.toml").write_text("[site]\na = 1\nb = 2\n")
    done = dewlid("check", "--offline", str(tmp_path / "c.toml"))
    assert done.returncode == 78
    assert [line.split(": ")[1] for line in done.stderr.splitlines()] == ["chamber", "probe", "site.a", "site.b"]


def test_a_good_config_offline_is_well_only_with_its_secret_and_touches_nothing(tmp_path: Path) -> None:
    secret, config, home = tmp_path / "mail-password", tmp_path / "c.toml", tmp_path / "home"
    home.mkdir()
    config.write_text(SAMPLE.read_text().replace("/etc/dewlid/secrets/mail-password", str(secret)))
    done = dewlid("check", "--offline", str(config), env={"HOME": str(home)})
    assert (done.returncode, done.stdout.splitlines()[-1]) == (69, f"{config}: 1 fault, no warning")
    assert done.stdout.startswith(f"fault    outlet mail, password_file: secret file {secret}: No such")
    secret.write_text("hidden\n")
    secret.chmod(0o644)
    assert dewlid("check", "--offline", str(config), env={"HOME": str(home)}).returncode == 69  # all may read it
    secret.chmod(0o600)
    done = dewlid("check", "--offline", str(config), env={"HOME": str(home)})
    assert (done.returncode, done.stdout.splitlines()[-1]) == (0, f"{config}: all is well")
    assert "ok       config: 1 chamber, 1 room, 2 probes" in done.stdout
    assert list(home.iterdir()) == []


def test_the_schema_is_printed_alone() -> None:
    done = dewlid("check", "--schema")
    assert done.returncode == 0
    assert json.loads(done.stdout)["title"] == "Config of dewlid"


@pytest.mark.parametrize(("error", "status"), [
    (ConfigurationError("f", []), ExitStatus.CONFIGURATION),
    (HistoryError("broken"), ExitStatus.INPUT_OUTPUT),
    (HistoryError("full", passing=True), ExitStatus.TRY_AGAIN),
    (SpoolError("no folder"), ExitStatus.CANNOT_CREATE),
    (WordError("no"), ExitStatus.DATA),
    (KeyError("a bug"), ExitStatus.INTERNAL),
])
def test_each_kind_of_trouble_has_its_status(error: Exception, status: ExitStatus) -> None:
    assert status_of(error) is status


def test_a_bug_ends_with_70_and_a_traceback_without_variables(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(args: argparse.Namespace) -> int:
        password = "canary-" + "secret"
        raise KeyError(len(password))

    parser = cli.Parser()
    parser.set_defaults(run=broken)
    monkeypatch.setattr(cli, "parser", lambda word: parser)
    assert cli.main([]) == 70
    told = capsys.readouterr().err
    assert "KeyError" in told
    assert "canary-secret" not in told


def test_a_reader_that_goes_away_is_no_trouble() -> None:
    code = f"{sys.executable} -m daemon.cli check --schema | head -1"
    done = subprocess.run(["bash", "-o", "pipefail", "-c", code], capture_output=True, text=True)
    assert done.stderr == ""


# ---------------------------------------------------------------- what commands share


@pytest.mark.parametrize(("given", "environment", "expected"), [
    ("mine.toml", {"DEWLID_CONFIG": "other.toml"}, "mine.toml"),
    (None, {"DEWLID_CONFIG": "other.toml"}, "other.toml"),
    (None, {}, "/etc/dewlid/dewlid.toml"),
])
def test_the_config_is_the_one_given_else_the_environments_else_the_systems(
    given: str | None, environment: dict[str, str], expected: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("DEWLID_CONFIG", raising=False)
    for name, value in environment.items():
        monkeypatch.setenv(name, value)
    assert str(options.config_path(argparse.Namespace(config=given))) == expected


def test_a_users_own_config_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("DEWLID_CONFIG", raising=False)
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    (tmp_path / "dewlid").mkdir()
    (tmp_path / "dewlid" / "dewlid.toml").touch()
    assert options.config_path(argparse.Namespace(config=None)) == tmp_path / "dewlid" / "dewlid.toml"


@pytest.mark.parametrize(("text", "expected"), [
    ("90s", 90_000), ("20min", 1_200_000), ("1.5h", 5_400_000), ("2 d", 172_800_000),
])
def test_durations_are_read(text: str, expected: int) -> None:
    assert options.duration_ms(text) == expected


@pytest.mark.parametrize("text", ["20", "-5min", "1w", "", "1e3s"])
def test_what_is_no_duration_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(argparse.ArgumentTypeError, match="20min"):
        options.duration_ms(text)


def test_moments_are_local_unless_they_say_otherwise() -> None:
    lisbon = ZoneInfo("Europe/Lisbon")
    assert options.moment_ms("2026-07-01T12:00", lisbon) == options.moment_ms("2026-07-01T11:00Z", UTC)
    assert options.moment_ms("2026-01-01T12:00", lisbon) == options.moment_ms("2026-01-01T12:00+00:00", lisbon)
    with pytest.raises(ValueError, match="write it like"):
        options.moment_ms("yesterday", lisbon)


# ---------------------------------------------------------------- check, on real parts

CONFIG = """
[site]
state_folder = "{folder}/state"
[chamber.tank-1]
[probe.line]
kind = "serial-text"
place = "tank-1"
port = "{port}"
columns = {{ air_temperature = 1, relative_humidity = 2 }}
interval = "2s"
[probe.topic]
kind = "mqtt-topic"
place = "tank-1"
broker = "home"
topics = {{ air_temperature = "tank-1/t" }}
interval = "2s"
[broker.home]
host = "127.0.0.1"
port = {broker}
[outlet.topics]
kind = "mqtt"
broker = "home"
[outlet.terminal]
kind = "console"
tell = ["system"]
"""


def test_check_reads_every_probe_and_sends_by_every_outlet(
    broker: Callable[..., Any], serial_pair: Callable[[], Any], tmp_path: Path
) -> None:
    server, line = broker(), serial_pair()
    (tmp_path / "c.toml").write_text(CONFIG.format(folder=tmp_path, port=line.near, broker=server.port))
    process = subprocess.Popen(
        [sys.executable, "-m", "daemon.cli", "check", "--send", "--wait", "20", str(tmp_path / "c.toml")],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )
    try:
        while process.poll() is None:
            line.say(b"25.31 83.2\n")
            server.say("tank-1/t", "99.5")
    finally:
        process.kill()
    told, complaints = process.communicate()
    assert process.returncode == 0, told + complaints
    assert "ok       probe line: air temperature 25.3 °C, relative humidity 83 %" in told
    assert "warning  probe topic: air temperature 99.5 °C" in told
    assert "a fungus shelf is between 5 and 45 °C" in told
    assert "ok       outlet topics: a test event was published and acknowledged" in told
    assert "test message" in told
    assert "/event/system" in server.log
    assert complaints == ""


@pytest.mark.parametrize(("mode", "secret", "grade", "words"), [
    (0o600, "canary-5ecret\n", "ok", "can be read, and by nobody else"),
    (0o644, "canary-5ecret\n", "fault", "so others on this machine may"),
])
def test_check_looks_at_secret_files_but_never_tells_a_secret(
    mode: int, secret: str, grade: str, words: str, tmp_path: Path, serial_pair: Callable[[], Any]
) -> None:
    (tmp_path / "secret").write_text(secret)
    (tmp_path / "secret").chmod(mode)
    text = CONFIG.format(folder=tmp_path, port=serial_pair().near, broker=1)
    text = text.replace("[outlet.topics]", f'user = "ann"\npassword_file = "{tmp_path}/secret"\n[outlet.topics]')
    (tmp_path / "c.toml").write_text(text)
    done = dewlid("check", "--wait", "1", str(tmp_path / "c.toml"))
    [line] = [line for line in done.stdout.splitlines() if "password_file" in line]
    assert line.startswith(f"{grade:<8} broker home, password_file: ")
    assert words in line
    assert "canary-5ecret" not in done.stdout + done.stderr


def test_check_says_what_does_not_work_what_it_means_and_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "c.toml").write_text(CONFIG.format(folder=tmp_path, port=tmp_path / "gone", broker=1))
    done = dewlid("check", "--send", "--wait", "3", str(tmp_path / "c.toml"))
    assert done.returncode == 69
    lines = done.stdout.splitlines()
    for what in ("probe line", "probe topic", "outlet topics"):
        [index] = [n for n, line in enumerate(lines) if line.startswith(f"fault    {what}: ")]
        assert lines[index + 1].startswith("         means: ")
        assert lines[index + 2].startswith("         do: ")
    assert "nothing listens on 127.0.0.1:1" in done.stdout
    assert "Traceback" not in done.stdout + done.stderr


@pytest.mark.parametrize("words", [("check", "a.toml", "--config", "b.toml"), ("check", "--config", "a.toml", "b.toml"),
                                   ("alarms", "a.toml", "--config", "b.toml")])  # fmt: skip
def test_of_two_configs_none_is_passed_over_silently(words: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        cli.main(words)
    assert ended.value.code == ExitStatus.USAGE
    assert 'two configs are given, "a.toml" and "b.toml"' in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "taken"),
    [
        (("note", "dry", "--lid", "dry", "hello"), {"chamber": "dry", "text": "hello", "lid": ["dry"]}),
        (("note", "--lid", "dry", "dry", "hello", "--lid", "mist"), {"chamber": "dry", "text": "hello"}),
        (("note", "a.toml", "dry", "--lid", "dry", "hello"), {"config": "a.toml", "chamber": "dry", "text": "hello"}),
        (("note", "dry", "--", "--lid"), {"chamber": "dry", "text": "--lid", "lid": []}),
        (("leaves", "fine", "--treated", "rose"), {"chamber": "fine", "plant": "rose", "treated": True}),
        (("lid", "dry", "--config", "a.toml", "seen", "mist"), {"action": "seen", "value": "mist", "config": "a.toml"}),
        (("lid", "dry"), {"action": "show", "value": None, "config": None}),
    ],
)
def test_options_may_stand_between_the_arguments(words: tuple[str, ...], taken: dict[str, object]) -> None:
    assert vars(cli.parser(words[0]).parse_args(words)).items() >= taken.items()
