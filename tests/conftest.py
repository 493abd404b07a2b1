"""Real parts for all tests: a broker that can be killed, a serial line that can be cut, an intake that remembers."""

from __future__ import annotations

import asyncio
import errno
import logging
import os
import signal
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
import structlog
import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult
from hypothesis import settings as hypothesis_settings
from imap_server import ImapServer

# Properties are judged by what they find, never by how long a busy machine takes; failures can be repeated.
hypothesis_settings.register_profile("dewlid", deadline=None, print_blob=True)
hypothesis_settings.load_profile("dewlid")

WAIT_S = 20.0


def wait_until(true: Callable[[], Any], what: str = "it", timeout_s: float = WAIT_S) -> Any:
    """Wait for a condition and return its value; the long time-out only bounds a failing test."""
    deadline_s = time.monotonic() + timeout_s
    while time.monotonic() < deadline_s:
        value = true()
        if value:
            return value
        time.sleep(0.01)
    raise AssertionError(f"{what} did not happen within {timeout_s:g} s")


@pytest.fixture(name="wait_until")
def _wait_until() -> Callable[..., Any]:
    return wait_until


# ---------------------------------------------------------------- broker


class RunningBroker:
    """A real mosquitto on a random loopback port. `users`: name to password; `acl`: text of an ACL file;
    `tls`: True, or "client" to demand a client certificate; `expired`: with a certificate that has run out; `names`: to which
    its certificate was issued."""

    def __init__(
        self, folder: Path, *, users: dict[str, str] | None = None, acl: str | None = None,
        tls: bool | str = False, expired: bool = False, names: tuple[str, ...] = ("127.0.0.1", "localhost"),
        extra: tuple[str, ...] = (),
    ) -> None:
        self.folder, self.host, self.tls = folder, "127.0.0.1", tls
        self.users = users or {}
        self.ca_file = self.client_certificate_file = self.client_key_file = None
        self._process: subprocess.Popen[bytes] | None = None
        self._lines = ["log_type all", "connection_messages true", "set_tcp_nodelay true", *extra]
        if os.geteuid() == 0:
            self._lines.append("user root")  # or mosquitto changes to a user that cannot read our folder
        self._secure(acl)
        if tls:
            self._certify(expired, names)
        self.port = 0

    def _secure(self, acl: str | None) -> None:
        self._lines.append(f"allow_anonymous {'false' if self.users else 'true'}")
        if self.users:
            self.password_file = self.folder / "passwords"
            self.password_file.touch(mode=0o600)
            for user, password in self.users.items():
                self.set_password(user, password)
            self._lines.append(f"password_file {self.password_file}")
        if acl:
            path = self.folder / "acl"
            path.write_text(acl)
            path.chmod(0o600)
            self._lines.append(f"acl_file {path}")

    def _certify(self, expired: bool, names: tuple[str, ...]) -> None:
        authority = trustme.CA()
        until = datetime(2020, 1, 1, tzinfo=UTC) if expired else None
        ours = authority.issue_cert(*names, not_after=until)
        theirs = authority.issue_cert("client@example.org")
        paths = {name: self.folder / f"{name}.pem" for name in ("ca", "server", "server_key", "client", "client_key")}
        authority.cert_pem.write_to_path(paths["ca"])
        ours.cert_chain_pems[0].write_to_path(paths["server"])
        ours.private_key_pem.write_to_path(paths["server_key"])
        theirs.cert_chain_pems[0].write_to_path(paths["client"])
        theirs.private_key_pem.write_to_path(paths["client_key"])
        paths["client_key"].chmod(0o600)
        self.ca_file = str(paths["ca"])
        self.client_certificate_file, self.client_key_file = str(paths["client"]), str(paths["client_key"])
        self._lines += [f"certfile {paths['server']}", f"keyfile {paths['server_key']}"]
        if self.tls == "client":
            self._lines += [f"cafile {paths['ca']}", "require_certificate true"]

    def set_password(self, user: str, password: str) -> None:
        """Set a password in the broker's file; takes effect at `restart`."""
        subprocess.run(
            ["mosquitto_passwd", "-b", str(self.password_file), user, password], check=True, capture_output=True
        )

    def start(self) -> RunningBroker:
        """Start, on the same port as before if there was one."""
        for _ in range(20):
            if self._try_start(self.port or _free_port()):
                return self
        raise RuntimeError((self.folder / "log").read_text())

    def _try_start(self, port: int) -> bool:
        config = self.folder / "mosquitto.conf"
        config.write_text("\n".join([f"listener {port} {self.host}", *self._lines]) + "\n")
        with (self.folder / "log").open("ab") as log:
            process = subprocess.Popen(["mosquitto", "-c", str(config)], stdout=log, stderr=subprocess.STDOUT)
        for _ in range(500):
            if process.poll() is not None:
                return False
            try:
                socket.create_connection((self.host, port), 0.2).close()
            except OSError:
                time.sleep(0.01)
            else:
                self._process, self.port = process, port
                return True
        process.kill()
        return False

    def kill(self) -> None:
        """End it as a power cut would."""
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None

    def restart(self) -> None:
        """Kill it and start it on the same port."""
        self.kill()
        self.start()

    def freeze(self) -> None:
        """Stop it answering without closing a connection."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Undo `freeze`."""
        assert self._process is not None
        self._process.send_signal(signal.SIGCONT)

    def say(
        self, topic: str, payload: str | bytes, *, retain: bool = False, qos: int = 1, user: str | None = None,
        each_line: bool = False,
    ) -> None:
        """Publish with mosquitto_pub, the payload as one message or each of its lines as one."""
        data = payload if isinstance(payload, bytes) else payload.encode()
        command = ["mosquitto_pub", "-h", self.host, "-p", str(self.port), "-t", topic, "-q", str(qos)]
        command.append("-l" if each_line else "-s")
        if user is not None:
            command += ["-u", user, "-P", self.users[user]]
        if self.tls:
            command += ["--cafile", str(self.ca_file)]
        if self.tls == "client":
            command += ["--cert", str(self.client_certificate_file), "--key", str(self.client_key_file)]
        subprocess.run([*command, "-r"] if retain else command, input=data, check=True, timeout=20)

    @property
    def log(self) -> str:
        """What the broker itself wrote."""
        return (self.folder / "log").read_text()


def _free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port: int = one.getsockname()[1]
        return port


@pytest.fixture
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[..., RunningBroker]]:
    """A factory of running brokers: `broker(users={"ant": "secret"}, tls=True, acl="...")`; killed at the end."""
    started: list[RunningBroker] = []

    def make(**options: Any) -> RunningBroker:
        one = RunningBroker(tmp_path_factory.mktemp("broker"), **options)
        started.append(one)
        return one.start()

    yield make
    for one in started:
        one.kill()


# ---------------------------------------------------------------- serial line


class SerialPair:
    """Two ends of a serial line, as links to ptys: `near` is ours, `far` is the probe's. It can be cut and mended."""

    def __init__(self, folder: Path) -> None:
        self.near, self.far = str(folder / "near"), str(folder / "far")
        self._socat: subprocess.Popen[bytes] | None = None

    def mend(self) -> SerialPair:
        """Plug it in; the links lead to other devices than before, as after replugging."""
        ends = [f"pty,raw,echo=0,link={self.near}", f"pty,raw,echo=0,link={self.far}"]
        self._socat = subprocess.Popen(["socat", *ends])
        wait_until(lambda: Path(self.near).exists() and Path(self.far).exists(), "the line")
        return self

    def cut(self) -> None:
        """Unplug it: both ends hang up and the names are gone."""
        if self._socat is not None:
            self._socat.kill()  # asked to end, it was once seen to stay for ever
            self._socat.wait()
            Path(self.near).unlink(missing_ok=True)
            Path(self.far).unlink(missing_ok=True)
            self._socat = None

    def say(self, data: bytes) -> None:
        """Write at the probe's end."""
        descriptor = os.open(self.far, os.O_WRONLY | os.O_NOCTTY)
        try:
            while data:
                data = data[os.write(descriptor, data):]
        finally:
            os.close(descriptor)


@pytest.fixture
def serial_pair(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Callable[[], SerialPair]]:
    """A factory of serial lines."""
    made: list[SerialPair] = []

    def make() -> SerialPair:
        one = SerialPair(tmp_path_factory.mktemp("line"))
        made.append(one)
        return one.mend()

    yield make
    for one in made:
        one.cut()


# ---------------------------------------------------------------- intake


class RememberingIntake:
    """Keeps all that sources hand over."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.readings: list[tuple[str, str, float, int | None]] = []
        self.faults: list[tuple[str, str, str]] = []
        self.media: list[tuple[str, bool, str]] = []

    def reading(self, probe: str, quantity: str, value: float, at_ms: int | None) -> None:
        with self._lock:
            self.readings.append((probe, quantity, value, at_ms))

    def fault(self, probe: str, kind: str, detail: str) -> None:
        with self._lock:
            self.faults.append((probe, kind, detail))

    def medium(self, name: str, down: bool, detail: str) -> None:
        with self._lock:
            self.media.append((name, down, detail))

    def values(self, probe: str, quantity: str) -> list[float]:
        """Return the values of one series so far."""
        with self._lock:
            return [value for name, what, value, _ in self.readings if (name, what) == (probe, quantity)]


@pytest.fixture
def intake() -> RememberingIntake:
    return RememberingIntake()


@pytest.fixture
def secret_file(tmp_path: Path) -> Callable[[str], str]:
    """A factory of secret files with mode 0600; returns the path."""

    def make(secret: str) -> str:
        path = tmp_path / f"secret-{len(list(tmp_path.iterdir()))}"
        path.write_text(secret + "\n")
        path.chmod(0o600)
        return str(path)

    return make


# ---------------------------------------------------------------- mail

MAIL_PASSWORD = "only-the-keeper-knows-7341"


class Mailbox:
    """What arrived, and what the server answers at each stage. A `lost` answer never reaches the client."""

    def __init__(self) -> None:
        self.letters: list[tuple[str, bytes]] = []
        self.answers: dict[str, Any] = {}
        self.password = MAIL_PASSWORD

    def authenticated(self, server: Any, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
        known = data.login == b"ant" and data.password == self.password.encode()
        return AuthResult(success=known, handled=False)

    async def handle_MAIL(
        self, server: Any, session: Any, envelope: Any, address: str, options: Any
    ) -> str:
        envelope.mail_from = address
        return str(self.answers.get("mail", "250 OK"))

    async def handle_RCPT(
        self, server: Any, session: Any, envelope: Any, address: str, options: Any
    ) -> str:
        answer: str = self.answers.get("rcpt", {}).get(address, "250 OK")
        if answer.startswith("250"):
            envelope.rcpt_tos.append(address)
        return answer

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        answer: str = self.answers.get("dot", "250 taken")
        if answer.startswith("250"):
            self.letters.append((envelope.rcpt_tos[0], envelope.original_content))
        if "lost" in answer:
            server.transport.close()
        return answer


class MailServer(Controller):
    """The library leaves a connection open whose client was killed, is slow or was let in a moment ago; this one closes all
    when it stops."""

    def __init__(self, box: Mailbox, **options: Any) -> None:
        super().__init__(box, **options)
        self._sessions: list[SMTP] = []

    def factory(self) -> SMTP:
        session: SMTP = super().factory()
        self._sessions.append(session)
        return session

    async def _close_all(self) -> None:
        await asyncio.sleep(0.01)  # closed between letting in and connecting, the library leaves that connection open
        while others := asyncio.all_tasks() - {asyncio.current_task()}:
            for session in self._sessions:
                if session.transport is not None:
                    session.transport.abort()
            for task in others:
                task.cancel()
            await asyncio.wait(others, timeout=0.05)
        await asyncio.sleep(0.01)  # an aborted connection is closed a turn later

    def stop(self, no_assert: bool = False) -> None:
        asyncio.run_coroutine_threadsafe(self._close_all(), self.loop).result(20)
        super().stop(no_assert)


def started(box: Mailbox, options: dict[str, Any]) -> MailServer:
    """The library cannot be given port 0, so a free one is looked for; somebody else may be faster."""
    while True:
        with socket.create_server(("127.0.0.1", 0)) as one:
            port = one.getsockname()[1]
        controller = MailServer(box, hostname="127.0.0.1", port=port, **options)
        try:
            controller.start()
        except OSError as error:
            if error.errno != errno.EADDRINUSE:
                raise
        else:
            return controller


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


@pytest.fixture(scope="module")
def imap_server(authority: trustme.CA) -> Iterator[ImapServer]:
    """Return a real IMAP server for the tests of one file; each user that logs in has a mailbox of his own."""
    running = ImapServer(authority)
    running.start()
    yield running
    running.end()


@pytest.fixture
def mail_server(authority: trustme.CA, tmp_path: Path) -> Iterator[Any]:
    """A factory of SMTP servers that want encryption and a log-in; returns settings for one and its mailbox."""
    from adapters.outlets import MailOutlet

    running: list[MailServer] = []

    def make(security: str = "starttls", name: str = "localhost", **settings: Any) -> tuple[Any, Mailbox]:
        box = Mailbox()
        context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
        authority.issue_cert(name).configure_cert(context)
        options: dict[str, Any] = {"authenticator": box.authenticated, "auth_required": True}
        if security == "starttls":
            options |= {"tls_context": context, "require_starttls": True}
        else:
            options |= {"ssl_context": context, "auth_require_tls": False}
        controller = started(box, options)
        running.append(controller)
        return mail(security, controller.port, **settings), box

    def mail(security: str, port: int, **settings: Any) -> Any:
        ca, secret = tmp_path / "ca.pem", tmp_path / "password"
        authority.cert_pem.write_to_path(ca)
        secret.write_text(f"{settings.pop('password', MAIL_PASSWORD)}\n")
        secret.chmod(0o600)
        facts = {
            "kind": "mail", "host": "localhost", "port": port, "security": security, "ca_file": str(ca), "user": "ant",
            "password_file": str(secret), "sender": "dewlid@example.org", "to": ["keeper@example.org"], "timeout_s": 5.0,
        } | settings  # fmt: skip
        return MailOutlet(**facts)

    make.settings = mail  # type: ignore[attr-defined]
    yield make
    for controller in running:
        controller.stop(no_assert=True)


@pytest.fixture(autouse=True)
def _logs_as_they_were() -> Iterator[None]:
    """A command that a test runs in this process sets up the log: what it set ends with the test."""
    root = logging.getLogger()
    handlers, level = list(root.handlers), root.level
    yield
    structlog.reset_defaults()
    structlog.contextvars.clear_contextvars()
    root.handlers[:] = [handler for handler in root.handlers if handler in handlers]
    root.setLevel(level)
