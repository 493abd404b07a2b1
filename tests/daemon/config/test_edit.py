"""Single values of the config's text change; comments and everything else stay, or the edit is refused."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.config.edit import EditRefused, edited, read_value, write_with_backup

TEXT = """\
# mine
[site]
name = "shelf"   # a name

[chamber.one]
humidity.low = 70.0  # dotted
lid = { thickness_mm = 3, build = "single" } # inline
garden = {}

[chamber.one.temperature]      # degC
high = 28.0   # edge
on_delay = "10min"

[chamber.two]
air_ml = 8000"""

PATHS = [
    (("site", "name"), "other"),
    (("site", "altitude_m"), 90),
    (("chamber", "one", "humidity", "low"), 72.5),
    (("chamber", "one", "humidity", "high"), 92),
    (("chamber", "one", "lid", "thickness_mm"), 4),
    (("chamber", "one", "lid", "tilt_deg"), 5.0),
    (("chamber", "one", "garden", "volume_ml"), 400),
    (("chamber", "one", "temperature", "high"), 27),
    (("chamber", "one", "temperature", "on_delay"), "15min"),
    (("chamber", "one", "temperature", "deadband"), 0.4),
    (("chamber", "two", "air_ml"), 9000),
    (("chamber", "two", "humidity", "high"), 93.0),
]


def at(tables: dict[str, Any], path: tuple[str, ...]) -> Any:
    for part in path:
        tables = tables[part]
    return tables


@pytest.mark.parametrize(("path", "value"), PATHS)
def test_one_value_changes_and_every_comment_stays(path: tuple[str, ...], value: Any) -> None:
    found = edited(TEXT, {path: value})
    assert at(tomllib.loads(found), path) == value
    comments = ["# mine", "# a name", "# dotted", "# inline", "# degC", "# edge"]
    assert [comment for comment in comments if comment not in found] == []
    assert len(found.splitlines()) - len(TEXT.splitlines()) <= 3


@given(st.lists(st.sampled_from(PATHS), unique_by=lambda pair: pair[0]))
def test_any_set_of_values_changes_nothing_else(pairs: list[tuple[tuple[str, ...], Any]]) -> None:
    found = tomllib.loads(edited(TEXT, dict(pairs)))
    assert [path for path, value in pairs if at(found, path) != value] == []
    kept = tomllib.loads(TEXT)
    assert set(found) == set(kept)
    assert found["chamber"]["one"]["lid"]["build"] == "single"


def test_a_key_below_a_value_is_refused() -> None:
    with pytest.raises(EditRefused, match="name is no table"):
        edited(TEXT, {("site", "name", "first"): 1})


def test_a_line_break_of_windows_stays() -> None:
    text = TEXT.replace("\n", "\r\n")
    found = edited(text, {("chamber", "one", "temperature", "high"): 27})
    assert "high = 27   # edge\r\n" in found


@pytest.mark.parametrize(("text", "value"), [("92", 92), ("0.5", 0.5), ('"10min"', "10min"), ("10min", "10min")])
def test_a_value_may_be_typed_without_quotation_marks(text: str, value: Any) -> None:
    assert read_value(text) == value


def test_the_former_file_is_kept_with_its_rights(tmp_path: Path) -> None:
    path = tmp_path / "dewlid.toml"
    path.write_text(TEXT)
    path.chmod(0o640)
    kept = write_with_backup(path, "[site]\n", 1_774_656_000_000)
    assert (kept.name, kept.read_text()) == ("dewlid.toml.20260328T000000Z", TEXT)
    assert path.read_text() == "[site]\n"
    assert {path.stat().st_mode & 0o777, kept.stat().st_mode & 0o777} == {0o640}
