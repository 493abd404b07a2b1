"""Passwords that were typed: kept in memory, and written each into a file of its own when the config is, not before."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

_IN_MEMORY = Path("/dev/shm")  # noqa: S108 - a file system that is no disk; the folder in it is ours alone


class Secrets:
    """The passwords of one guided start, whose config will stand in `folder`."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder / "secrets"
        self._typed: dict[str, tuple[Path, str]] = {}

    def path(self, name: str) -> Path:
        """Return where a password will stand."""
        return self._folder / name

    def named(self, name: str) -> str:
        """Return how the config names it: as a credential of the service where the config is the service's."""
        return f"credential:{name}" if self._folder.parent == Path("/etc/dewlid") else str(self.path(name))

    def keep(self, name: str, secret: str) -> None:
        """Remember a password until `write`."""
        self._typed[self.named(name)] = (self.path(name), secret)

    @contextmanager
    def on_trial(self) -> Iterator[Callable[[str], str]]:
        """Let a config be tried before anything is written: what is yielded puts in a text the passwords where they are now."""
        with tempfile.TemporaryDirectory(dir=_IN_MEMORY if os.access(_IN_MEMORY, os.W_OK) else None) as folder:
            places = {}
            for named, (path, secret) in self._typed.items():
                places[named] = Path(folder) / path.name
                _written(places[named], secret)

            def tried(text: str) -> str:
                for named, place in places.items():
                    text = text.replace(named, str(place))
                return text

            yield tried

    def write(self) -> None:
        """Write each into its file, for its owner alone."""
        for path, secret in self._typed.values():
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            path.unlink(missing_ok=True)
            _written(path, secret)


def _written(path: Path, secret: str) -> None:
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as stream:
        stream.write(secret + "\n")
