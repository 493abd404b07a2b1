"""Ways round a protection that must not exist."""

from __future__ import annotations

import re
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from pydantic import TypeAdapter, ValidationError

from adapters.errors import SecretUnreadable
from adapters.secrets_file import SecretFile, read_secret
from daemon.config.configuration import json_schema
from daemon.store.history import History
from daemon.store.reader import HistoryReader
from rules.terms.events import Batch, Reading, SystemEvent

NOW_MS = 1_772_000_000_000
SQL_NAMES = [
    "x'); DROP TABLE reading; --", 'x"; DELETE FROM event; --', "x' OR '1'='1", "x\\'; PRAGMA user_version = 9; --",
    "%", "_", "NULL",
]  # fmt: skip
WEAK = re.compile(
    "insecure|verify|no_check|skip|trust_all|allow_self|ignore|unsafe|ciphers|exec|command_line|shell|script|plugin|module"
)


def keys(node: Any) -> set[str]:
    """Return every key that a config may have, by its schema."""
    if isinstance(node, list):
        return set().union(*map(keys, node))
    if not isinstance(node, dict):
        return set()
    return set(node.get("properties", {})).union(*(keys(inner) for inner in node.values()))


def test_no_setting_of_any_table_weakens_the_check_of_certificates() -> None:
    every = keys(json_schema())
    assert {"tls", "ca_file", "security", "password_file"} <= every
    assert [key for key in sorted(every) if WEAK.search(key)] == []


def test_mail_has_no_unencrypted_way() -> None:
    found = [
        node["enum"] for node in walk(json_schema())
        if isinstance(node, dict) and "starttls" in node.get("enum", ())
    ]  # fmt: skip
    assert found
    assert all(set(choices) == {"tls", "starttls"} for choices in found)


def walk(node: Any) -> list[Any]:
    members = node.values() if isinstance(node, dict) else node if isinstance(node, list) else ()
    return [node, *(inner for member in members for inner in walk(member))]


@pytest.mark.parametrize(
    "source", ["credential:../key", "credential:a/b", "credential:", "credential:a\0b", "relative/key", "~/key", "/a\0b"]
)
def test_a_credential_cannot_name_a_path(source: str) -> None:
    with pytest.raises(ValidationError):
        TypeAdapter(SecretFile).validate_python(source)


@pytest.mark.parametrize("name", ["..", "."])
def test_a_credential_that_is_a_folder_is_refused(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path))
    with pytest.raises(SecretUnreadable, match="not a path"):
        read_secret(f"credential:{name}")


def test_names_made_of_sql_are_stored_and_found_as_names(tmp_path: Path) -> None:
    path = tmp_path / "dewlid.sqlite3"
    readings = [
        Reading(taken_ms=NOW_MS, at_ms=NOW_MS, probe=name, quantity="air_temperature", value=25.0) for name in SQL_NAMES
    ]
    events = [SystemEvent(id=name, at_ms=NOW_MS, chamber=name, what=name, text=name) for name in SQL_NAMES]
    history = History.open(path, now_ms=NOW_MS)
    history.record(Batch.of(readings), events, b"{}")
    history.keep_outlets(SQL_NAMES)
    history.close()
    with HistoryReader(path) as reader:
        assert {name for name, _ in reader.series()} == set(SQL_NAMES)
        for name in SQL_NAMES:
            assert reader.readings(series=[(name, "air_temperature")]).value.tolist() == [25.0]
            assert [event["what"] for event in reader.events(chamber=name)] == [name]
        assert len(list(reader.events(kinds=["system"]))) == len(SQL_NAMES)
    with sqlite3.connect(path) as store:
        tables = {row[0] for row in store.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    assert {"reading", "event", "batch", "series", "owed", "state"} <= tables
