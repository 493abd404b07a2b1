"""Lets systemd hand the passwords of /etc/dewlid/secrets over to the service: a drop-in beside the unit names each of them."""

from __future__ import annotations

import os
from pathlib import Path

from daemon.config.configuration import Configuration

SECRETS = Path("/etc/dewlid/secrets")
DROP_IN = Path("/etc/systemd/system/dewlid.service.d/secrets.conf")
_CREDENTIAL = "credential:"


def credentials_of(configuration: Configuration) -> list[str]:
    """Return the names of the credentials that a config asks for, each once."""
    parts = (*configuration.broker.values(), *configuration.outlet.values())
    sources = [getattr(part, key, None) for part in parts for key in ("password_file", "client_key_file")]
    names = [source.removeprefix(_CREDENTIAL) for source in sources if source and source.startswith(_CREDENTIAL)]
    return list(dict.fromkeys(names))


def drop_in_text(names: list[str]) -> str:
    """Return the drop-in that hands these over."""
    rows = [f"LoadCredential={name}:{SECRETS / name}" for name in names]
    return "\n".join(["# Written by `dewlid init`.", "[Service]", *rows, ""])


def write_drop_in(configuration: Configuration, root: Path = Path("/")) -> Path | None:
    """Write the drop-in if a credential is asked for; `root` is another folder in a dry run."""
    names = credentials_of(configuration)
    if not names:
        return None
    path = root / DROP_IN.relative_to("/")
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(drop_in_text(names), encoding="utf-8")
    return path


def borrow_credentials(secrets: Path = SECRETS) -> None:
    """Let a command of root read the secrets where the service gets them from, so that it can try what the service will do."""
    if "CREDENTIALS_DIRECTORY" not in os.environ and os.access(secrets, os.R_OK | os.X_OK):
        os.environ["CREDENTIALS_DIRECTORY"] = str(secrets)
