"""A pipe, a device, a folder or nothing in the place of a configured file: told at once, never waited for."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from adapters.broker import Broker, SessionRejected, reason_of, tls_context
from adapters.errors import OutletBarred, SecretUnreadable
from adapters.outlets.letter import MailOutlet, MailSender
from adapters.probes.recorded import RecordedFile, RecordedFileSource
from rules.settings import Settings, Site, Telling

PLACES = {
    "pipe": "it is a pipe or a device", "device": "it is a pipe or a device", "folder": "directory", "nothing": "No such file",
}  # fmt: skip


@pytest.fixture(params=PLACES)
def wrong(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[str, str]:
    """A path where a file should be, and what is said of it."""
    path = tmp_path / "wrong"
    if request.param == "pipe":
        os.mkfifo(path)
    elif request.param == "device":
        path = Path("/dev/zero")
    elif request.param == "folder":
        path.mkdir()
    return str(path), PLACES[request.param]


@pytest.mark.parametrize("key", ["ca_file", "client_certificate_file"])
def test_certificates_of_a_broker(wrong: tuple[str, str], key: str, secret_file) -> None:  # type: ignore[no-untyped-def]
    path, said = wrong
    keys = {key: path} | ({"client_key_file": secret_file("key")} if key != "ca_file" else {})
    broker = Broker(host="localhost", tls=True, **keys)
    with pytest.raises((OSError, SessionRejected, SecretUnreadable)) as caught:
        tls_context(broker)
    state, reason = reason_of(caught.value, broker)
    assert (state, said in reason, "ca_file or client_certificate_file" in reason) == ("rejected", True, True)


def test_the_certificate_of_a_mail_server(wrong: tuple[str, str]) -> None:
    path, said = wrong
    outlet = MailOutlet(kind="mail", host="localhost", ca_file=path, sender="a@example.org", to=["b@example.org"])
    settings = Settings(site=Site(), zone=ZoneInfo("UTC"), rooms={}, chambers={}, probes={}, telling=Telling())
    with pytest.raises(OutletBarred, match=f"ca_file cannot be read .*{said}"):
        MailSender(outlet, settings).knock()


def test_a_recorded_file(wrong: tuple[str, str]) -> None:
    path, said = wrong
    probe = RecordedFile(kind="recorded-file", place="nest", path=path, quantities=["air_temperature"])
    [failure] = RecordedFileSource({"air": probe}).try_once(1.0)
    assert said in failure.detail  # type: ignore[union-attr]


def test_check_ends_whatever_stands_where_files_should(tmp_path: Path) -> None:
    names = ("ca", "certificate", "key", "password", "mail-ca", "mail-password", "recorded", "say-key")
    for name in names:
        os.mkfifo(tmp_path / name)
    config = tmp_path / "dewlid.toml"
    config.write_text(f"""
[chamber.nest]
[probe.file]
kind = "recorded-file"
place = "nest"
path = "{tmp_path}/recorded"
quantities = ["air_temperature"]
[broker.home]
host = "localhost"
tls = true
ca_file = "{tmp_path}/ca"
client_certificate_file = "{tmp_path}/certificate"
client_key_file = "{tmp_path}/key"
user = "ant"
password_file = "{tmp_path}/password"
[commands]
broker = "home"
topic = "shelf/say"
key_file = "{tmp_path}/say-key"
[outlet.mail]
kind = "mail"
host = "localhost"
ca_file = "{tmp_path}/mail-ca"
user = "ant"
password_file = "{tmp_path}/mail-password"
sender = "a@example.org"
to = ["b@example.org"]
[outlet.topics]
kind = "mqtt"
broker = "home"
""")
    command = [sys.executable, "-m", "daemon.cli", "check", "--send", str(config)]
    done = subprocess.run(command, cwd=Path(__file__).parents[2], capture_output=True, text=True, timeout=60)
    assert done.returncode != 0
    assert "Traceback" not in done.stdout + done.stderr
    assert (done.stdout + done.stderr).count("pipe or a device") + (done.stdout + done.stderr).count("not a regular file") >= 5
