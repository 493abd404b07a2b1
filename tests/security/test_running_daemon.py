"""A daemon with every feature on, attacked from every side: no port is open, and no secret is seen anywhere."""

from __future__ import annotations

import base64
import contextlib
import json
import os
import re
import signal
import socket
import sqlite3
import subprocess
import sys
import time
import zlib
from collections.abc import Callable, Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from adapters.keeper_words import signed

BROKER_PASSWORD = "canary-broker-48151"
WRONG_PASSWORD = "canary-wrong-62342"
KEY = "canary-key-31415926535897932384626433"
MAIL_CANARY = "only-the-keeper-knows-7341"
TOPIC = "shelf/say"

HOSTILE = [
    b"[" * 3000, b'{"t":' * 500, b'{"t": NaN}', b'{"t": 1e999}', b'{"t": 1, "t": 2}', b'{"t": ' + b"9" * 3000 + b"}",
    b"\xff\xfe\x00", b"\x1b[2J\x1b]0;evil\x07", '\n{"level":"forged","event":"forged"}\u202e\u2028'.encode(), b"x" * 100_000,
    b"'; DROP TABLE reading; --",
    b'{"said": "{}", "hmac": "00"}',
]  # fmt: skip
"""Payloads that break a careless reader, log or terminal."""

CONFIG = """
[site]
state_folder = "{folder}/state"
name = "Attacked shelf"
log_level = "debug"
log_form = "json"
[page]
folder = "{folder}/page"
[chamber.nest]
title = "<script>alert(1)</script>&\\" zap=y"
room = "loft"
temperature.on_delay = "1s"
[room.loft]
[probe.topic]
kind = "mqtt-topic"
place = "nest"
broker = "home"
topics = {{ air_temperature = "nest/t", relative_humidity = "nest/h" }}
interval = "1s"
[probe.json]
kind = "mqtt-topic"
place = "nest"
broker = "home"
topic = "nest/json"
json_pointers = {{ air_temperature = "/t" }}
interval = "1s"
[probe.line]
kind = "serial-text"
place = "nest"
port = "{near}"
columns = {{ air_temperature = 1, relative_humidity = 2 }}
interval = "1s"
[probe.file]
kind = "recorded-file"
place = "loft"
path = "{folder}/recorded.csv"
quantities = ["air_temperature"]
interval = "1s"
[probe.simulated]
kind = "simulated-chamber"
measures = "room-air"
place = "loft"
interval = "1s"
[broker.home]
host = "127.0.0.1"
port = {port}
tls = true
ca_file = "{ca}"
user = "ant"
password_file = "{folder}/broker-password"
[commands]
broker = "home"
topic = "shelf/say"
key_file = "{folder}/key"
[outlet.topics]
kind = "mqtt"
broker = "home"
[outlet.terminal]
kind = "console"
[outlet.mail]
{mail}
[outlet.barred]
{barred}
"""


class Attacked:
    """The daemon's process, and everything that it said to anyone."""

    def __init__(self, folder: Path, server: Any, near: str, mail: Any) -> None:
        self.folder, self.server = folder, server
        for name, secret in (("broker-password", BROKER_PASSWORD), ("wrong", WRONG_PASSWORD), ("key", KEY)):
            (folder / name).write_text(f"{secret}\n")
            (folder / name).chmod(0o600)
        (folder / "page").mkdir()
        (folder / "recorded.csv").write_text("time,probe,quantity,value,unit\n")
        settings = mail.model_dump(mode="json", exclude_none=True, exclude_defaults=True) | {"kind": "mail"}
        barred = settings | {"password_file": str(folder / "wrong")}
        written = ["".join(f"{key} = {json.dumps(value)}\n" for key, value in facts.items()) for facts in (settings, barred)]
        self.config = folder / "dewlid.toml"
        self.config.write_text(CONFIG.format(
            folder=folder, near=near, port=server.port, ca=server.ca_file, mail=written[0], barred=written[1]
        ))  # fmt: skip
        self._out, self._log = (folder / "out").open("wb"), (folder / "log").open("wb")
        self.process = subprocess.Popen(
            [sys.executable, "-m", "daemon.cli", "run", str(self.config)], stdout=self._out, stderr=self._log,
            env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
        )  # fmt: skip
        self._heard = (folder / "heard").open("wb")
        self._ear = subprocess.Popen(
            ["mosquitto_sub", "-h", "localhost", "-p", str(server.port), "--cafile", server.ca_file, "-u", "ear", "-P", "ear",
             "-t", "#", "-v"],
            stdout=self._heard,
        )  # fmt: skip

    def say(self, topic: str, payload: str | bytes) -> None:
        self.server.say(topic, payload, user="ear")

    @property
    def log(self) -> str:
        return (self.folder / "log").read_text(errors="replace")

    @property
    def heard(self) -> str:
        return (self.folder / "heard").read_text(errors="replace")

    def end(self) -> None:
        for process in (self.process, self._ear):
            process.terminate()
            process.wait(20)
        for stream in (self._out, self._log, self._heard):
            stream.close()


@pytest.fixture
def attacked(
    broker: Callable[..., Any], serial_pair: Callable[..., Any], mail_server: Any, tmp_path: Path,
    wait_until: Callable[..., Any],
) -> Iterator[tuple[Attacked, Any, Any]]:
    server = broker(users={"ant": BROKER_PASSWORD, "ear": "ear"}, tls=True)
    line = serial_pair()
    mail, box = mail_server()
    one = Attacked(tmp_path, server, line.near, mail)
    try:
        wait_until(lambda: "/watching yes" in one.heard or one.process.poll() is not None, "watching", 30)
        assert one.process.poll() is None, one.log
        yield one, line, box
    finally:
        one.end()


def sockets_of(pid: int) -> list[tuple[str, str, str]]:
    """Return protocol, local address and state of each network socket that a process and its children hold."""
    pids = [pid, *(int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split())]
    inodes = set()
    for one in pids:
        for link in Path(f"/proc/{one}/fd").iterdir():
            with contextlib.suppress(FileNotFoundError):  # closed meanwhile
                found = re.fullmatch(r"socket:\[(\d+)\]", str(link.readlink()))
                inodes |= {found[1]} if found else set()
    held = []
    for protocol in ("tcp", "tcp6", "udp", "udp6", "raw", "raw6"):
        for row in Path(f"/proc/net/{protocol}").read_text().splitlines()[1:]:
            cells = row.split()
            if cells[9] in inodes:
                held.append((protocol, cells[1], cells[3]))
    return held + [("unix", cells[-1], "0A") for cells in listening_unix() if cells[6] in inodes]


def listening_unix() -> list[list[str]]:
    rows = [row.split() for row in Path("/proc/net/unix").read_text().splitlines()[1:]]
    return [cells for cells in rows if int(cells[3], 16) & 0x10000]


def waiting_for_anyone(held: list[tuple[str, str, str]]) -> list[tuple[str, str, str]]:
    """Return the sockets to which a stranger could speak: listening ones, and any bound without a connection."""
    return [one for one in held if one[2] == "0A" or not one[0].startswith("tcp")]


def test_the_search_finds_an_open_port() -> None:
    with socket.create_server(("127.0.0.1", 0)), socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
        other.bind(("127.0.0.1", 0))
        found = {one[0] for one in waiting_for_anyone(sockets_of(os.getpid()))}
    assert {"tcp", "udp"} <= found


def attack(one: Attacked, line: Any) -> None:
    """Say hostile things on every way in."""
    for payload in HOSTILE:
        for topic in ("nest/t", "nest/json", TOPIC):
            one.say(topic, payload)
    line.say(b"\xff\x00\x1b[2J garbage\r\n" + b"x" * 10_000 + b"\r\n26.1 81\r\n")
    with (one.folder / "recorded.csv").open("ab") as stream:
        stream.write(b'\x1b[2J,"\n2026-01-01T00:00:00Z,file,air_temperature,1e999,degC\n')
    spool = one.folder / "state" / "spool"
    (spool / "0.word.json").write_text('{"word": "visit", "chamber": "\\u001b[2J", "word_id": "x"}')
    (spool / "1.word.json").symlink_to("/etc/hostname")
    now_ms = time.time_ns() // 1_000_000
    evil = "\x1b[2J\u202eevil\n<script>say()</script>"
    word = {"word": "observation", "chamber": "nest", "at_ms": now_ms - 1000, "text": evil}
    one.say(TOPIC, signed(KEY.encode(), TOPIC, word, "a" * 20, now_ms))
    one.say(TOPIC, signed(b"k" * 40, TOPIC, word, "b" * 20, now_ms))
    said = [
        {"word": "leaves", "chamber": "nest", "at_ms": now_ms - 1000, "plant": "rose<script>", "place": "<img src=x>"},
        {"word": "leaves", "chamber": "nest", "at_ms": now_ms - 1000, "plant": "\x1b[2J", "place": "\x9b31m"},
        {"word": "out-of-service", "probe": "file", "for_ms": 60_000, "reason": evil},
    ]
    for number, each in enumerate(said):
        one.say(TOPIC, signed(KEY.encode(), TOPIC, each, f"{number:020}", now_ms))


def test_no_port_is_open_and_no_secret_is_told(attacked: tuple[Attacked, Any, Any], wait_until: Callable[..., Any]) -> None:
    one, line, box = attacked
    pid = one.process.pid
    attack(one, line)
    for value in ("31.0", "31.1", "31.2"):
        one.say("nest/t", value)
        one.say("nest/h", "70")
        line.say(f"{value} 70\r\n".encode())
        time.sleep(0.4)
    wait_until(lambda: one.heard.count('"accepted": true') >= 4, "the signed words")
    wait_until(lambda: "barred" in one.log and "535" in one.log, "the refused log-in")
    held = sockets_of(pid)
    assert ("tcp", "01") in {(protocol, state) for protocol, _, state in held}
    assert waiting_for_anyone(held) == []
    arguments, environment = (Path(f"/proc/{pid}/{name}").read_bytes() for name in ("cmdline", "environ"))
    good = one.config.read_text()
    one.config.write_text(good.replace('kind = "console"', f'kind = "console"\npassword = "{WRONG_PASSWORD}"'))
    one.process.send_signal(signal.SIGHUP)
    wait_until(lambda: "password" in one.log, "the refused reload")
    one.config.write_text(good)
    checked = asked(one, "check", str(one.config))
    wait_until(lambda: b"rose" in asked(one, "leaves", "nest", "--config", str(one.config)), "the diary")
    told = b"".join(asked(one, *words, "--config", str(one.config)) for words in COMMANDS)
    told += asked(one, "watch", "--once", str(one.config))
    told += asked(one, "report", str(one.config), "--out", str(one.folder / "page" / "report.html"))
    told += asked(one, "replay", "--store", str(one.config)) + asked(one, "replay", "--store", "--json", str(one.config))
    one.process.send_signal(signal.SIGTERM)
    assert one.process.wait(20) == 0, one.log[-2000:]
    seen = {
        "argv": arguments, "environment": environment, "log": one.log.encode(), "check": checked, "commands": told,
        "console": (one.folder / "out").read_bytes(), "MQTT": one.heard.encode(),
        "mail": b"".join(content for _, content in box.letters), "state": stored(one.folder / "state"),
        "pages": b"".join(path.read_bytes() for path in (one.folder / "page").iterdir()),
    }  # fmt: skip
    assert len(seen["log"]) > 1000 and len(seen["MQTT"]) > 1000 and len(seen["state"]) > 10_000
    assert [(where, secret) for where, text in seen.items() for secret in forms_of_secrets() if secret in text] == []
    assert b"rose" in told
    assert_harmless(seen)
    tags = Tags()
    tags.feed(seen["pages"].decode())
    assert b"&lt;script&gt;" in seen["pages"]
    assert not tags.names & {"script", "img", "iframe", "object", "embed", "form", "base"}
    assert {value for value in tags.addresses if not value.startswith("#")} <= {"data:,"}
    assert [key for key in tags.keys if key.startswith("on") or key == "zap"] == []


class Tags(HTMLParser):
    """Every tag and every attribute of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.names: set[str] = set()
        self.keys: set[str] = set()
        self.addresses: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.names.add(tag)
        self.keys |= {key for key, _ in attrs}
        self.addresses |= {value or "" for key, value in attrs if key in ("href", "src", "action", "data", "xlink:href")}


COMMANDS = (
    ("alarms", "--all"), ("alarms", "--json"), ("why", "nest"), ("why", "nest", "--json"), ("leaves", "nest"), ("care",),
    ("garden", "nest"), ("lid", "nest"),
)  # fmt: skip


def asked(one: Attacked, *words: str) -> bytes:
    """Return all that a command says."""
    done = subprocess.run([sys.executable, "-m", "daemon.cli", *words], capture_output=True, timeout=60)
    return done.stdout + done.stderr


def forms_of_secrets() -> list[bytes]:
    plain = [secret.encode() for secret in (BROKER_PASSWORD, WRONG_PASSWORD, KEY, MAIL_CANARY)]
    logins = [b"\0ant\0" + secret for secret in plain]
    return [*plain, *(base64.b64encode(one).rstrip(b"=") for one in (*plain, *logins))]


def stored(folder: Path) -> bytes:
    """Return all bytes below the state folder, and what is packed in them."""
    files = [path.read_bytes() for path in folder.rglob("*") if path.is_file() and not path.is_symlink()]
    with sqlite3.connect(f"file:{folder / 'dewlid.sqlite3'}?mode=ro", uri=True) as store:
        packed = [zlib.decompress(row[0]) for row in store.execute("SELECT body FROM state")]
    return b"".join([*files, *packed])


def assert_harmless(seen: dict[str, bytes]) -> None:
    """Nothing that steers a terminal, and one object on each line of the log."""
    for where in ("log", "check", "commands", "console"):
        text = seen[where].decode()
        assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2028\u2029]", text), where
    records = [json.loads(line) for line in seen["log"].decode().splitlines()]
    assert all(set(record) >= {"event", "level"} for record in records)
    assert [record for record in records if record["level"] == "forged" or record["event"] == "forged"] == []
    assert b"Traceback" not in seen["check"] + seen["commands"]
