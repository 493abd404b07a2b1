"""The power fails at any system call, and the disk keeps of what was not synced what it likes: some states of thousands."""

from __future__ import annotations

import random
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from crash_states import MEMORY, STYLES, Story, tried
from disk_calls import Disk

STATES = 50


@pytest.fixture(scope="module")
def place() -> Iterator[Path]:
    """A folder in memory, where this machine has one."""
    with tempfile.TemporaryDirectory(dir=MEMORY) as name:
        yield Path(name)


@pytest.fixture(scope="module")
def story(place: Path) -> Story:
    return Story.live(place)


def test_after_a_power_cut_nothing_told_is_unknown_nothing_owed_is_lost_and_lost_memory_is_told(
    story: Story, place: Path
) -> None:
    opened, broken = tried(story, place, STATES, seed=18)
    assert broken == {}
    assert set(opened) == set(STYLES)
    assert opened.total() == STATES


def test_the_calls_that_were_recorded_make_up_the_disk_to_the_byte(story: Story, tmp_path: Path) -> None:
    disk = Disk()
    for op in story.ops:
        disk.do(op)
    disk.cut(random.Random(0), "all").lay(story.folder, tmp_path)
    files = sorted(path.relative_to(story.folder) for path in story.folder.rglob("*") if path.is_file())
    assert sorted(path.relative_to(tmp_path) for path in tmp_path.rglob("*") if path.is_file()) == files
    assert len(files) >= 6
    assert all((story.folder / file).read_bytes() == (tmp_path / file).read_bytes() for file in files)


def test_a_store_that_does_not_wait_for_the_disk_is_found_out(place: Path) -> None:
    (careless := place / "careless").mkdir()
    _, broken = tried(Story.live(careless, "synchronous = OFF"), careless, 12, seed=18)
    assert any("told and unknown" in line for found in broken.values() for line in found)
