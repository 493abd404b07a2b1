"""A real IMAP server with TLS and a log-in, in a folder of its own, as whoever runs the tests."""

from __future__ import annotations

import contextlib
import getpass
import grp
import imaplib
import os
import pwd
import shutil
import socket
import ssl
import subprocess
import tempfile
import time
from pathlib import Path

import trustme

PASSWORD = "only-the-box-knows-8812"
_CONFIG = """
base_dir = {home}/run
log_path = {home}/dovecot.log
protocols = imap
listen = 127.0.0.1
ssl = required
ssl_cert = <{home}/server.pem
ssl_key = <{home}/server.pem
mail_location = maildir:{home}/mail/%u
default_internal_user = {user}
default_internal_group = {group}
default_login_user = {user}
first_valid_uid = 1
passdb {{
  driver = static
  args = password={password}
}}
userdb {{
  driver = static
  args = uid={uid} gid={gid} home={home}/mail/%u
}}
service imap-login {{
  chroot =
  inet_listener imap {{
    port = 0
  }}
  inet_listener imaps {{
    port = {port}
    ssl = yes
  }}
}}
auth_failure_delay = 0
service anvil {{
  chroot =
  unix_listener anvil-auth-penalty {{
    mode = 0
  }}
}}
service stats {{
  unix_listener stats-writer {{
    mode = 0666
  }}
}}
"""


class ImapServer:
    """Dovecot on a free port of this machine. Any user may log in with the one password and has a mailbox of his own."""

    def __init__(self, authority: trustme.CA, name: str = "localhost") -> None:
        self.home = Path(tempfile.mkdtemp(prefix="imap-"))
        self.home.chmod(0o755)
        self.ca_file = self.home / "ca.pem"
        authority.cert_pem.write_to_path(self.ca_file)
        authority.issue_cert(name).private_key_and_cert_chain_pem.write_to_path(self.home / "server.pem")
        with socket.create_server(("127.0.0.1", 0)) as one:
            self.port: int = one.getsockname()[1]
        self._process: subprocess.Popen[bytes] | None = None
        owner = pwd.getpwnam("nobody") if os.geteuid() == 0 else pwd.getpwuid(os.getuid())
        (self.home / "mail").mkdir()
        os.chown(self.home / "mail", owner.pw_uid, owner.pw_gid)
        user = "dovecot" if os.geteuid() == 0 else getpass.getuser()
        self._config = self.home / "dovecot.conf"
        self._config.write_text(_CONFIG.format(
            home=self.home, port=self.port, password=PASSWORD, uid=owner.pw_uid, gid=owner.pw_gid, user=user,
            group=grp.getgrgid(pwd.getpwnam(user).pw_gid).gr_name,
        ))  # fmt: skip

    def start(self) -> None:
        program = shutil.which("dovecot", path=f"{os.environ['PATH']}:/usr/sbin")
        assert program is not None, "the package dovecot-imapd is needed"
        self._process = subprocess.Popen([program, "-F", "-c", str(self._config)], stdin=subprocess.DEVNULL)
        deadline_s = time.monotonic() + 20
        while time.monotonic() < deadline_s:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 1):
                return
            time.sleep(0.02)
        raise AssertionError((self.home / "dovecot.log").read_text())

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)
            self._process = None

    def end(self) -> None:
        self.stop()
        shutil.rmtree(self.home, ignore_errors=True)

    def secret_file(self, folder: Path, password: str = PASSWORD) -> str:
        path = folder / "imap-password"
        path.write_text(f"{password}\n")
        path.chmod(0o600)
        return str(path)

    @contextlib.contextmanager
    def opened(self, user: str = "ant"):  # type: ignore[no-untyped-def]
        """A client of the test's own, as the keeper's mail program would be."""
        client = imaplib.IMAP4_SSL("localhost", self.port, ssl_context=ssl.create_default_context(cafile=str(self.ca_file)))
        client.login(user, PASSWORD)
        client.select("INBOX")
        try:
            yield client
        finally:
            client.logout()

    def deliver(self, message: bytes, user: str = "ant") -> None:
        """Put a message into the mailbox, unread."""
        with self.opened(user) as client:
            assert client.append("INBOX", "", None, message.replace(b"\r\n", b"\n").replace(b"\n", b"\r\n"))[0] == "OK"
