"""A kill, or an error that nobody expected, at any crash point is a mere cut; restarts and long uptimes leave no trace."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from simulated_world import Killed, World

from daemon.store.errors import HistoryError
from rules.terms.events import DAY_MS, HOUR_MS

DAYS = 0.7
POINTS = 16


class Struck(World):
    """A world without faults but one: at the crash point with this number, `blow` is raised."""

    def __init__(self, folder: Path, strike: int, blow: type[BaseException] = Killed, boot_ms: int | None = None) -> None:
        super().__init__(folder, seed=5, faults=())
        self.strike, self.blow, self.passed = strike, blow, 0
        self.points: list[str] = []
        if boot_ms is not None:
            self.clock.boot = boot_ms
        self.climates["nest-a"].want_k = 7.0  # a hot half day, so that much is told
        self.climates["nest-a"].until_ms = self.clock.boot + 9 * HOUR_MS
        self.events: dict[str, dict[str, Any]] = {}

    def point(self, name: str) -> None:
        self.passed += 1
        self.points.append(name)
        if self.passed == self.strike:
            self.mark("killed", name)
            raise self.blow(name)

    def period(self) -> None:
        try:
            super().period()
        except MemoryError as error:  # ends the process, and systemd starts it anew
            raise Killed(str(error)) from error

    def _down_ms(self) -> int:
        return 2_000

    def recorded(self) -> dict[str, dict[str, Any]]:
        rows = self.history._connection.execute("SELECT id, body FROM event").fetchall()
        return {one: json.loads(body) for one, body in rows}

    def owed(self) -> set[str]:
        return {row[0] for row in self.history._connection.execute("SELECT event_id FROM owed")}


def alarms(events: dict[str, dict[str, Any]]) -> list[tuple[str, str]]:
    """Which climate alarms were raised and how they ended, in order: what no cut may change."""
    told = [event for event in events.values() if event["kind"] == "alarm" and event["alarm"].startswith("temperature-")]
    ordered = sorted(told, key=lambda event: (event["time"], event["id"]))
    return [(event["alarm"], event["change"]) for event in ordered if event["change"] in ("raised", "escalated", "returned")]


@pytest.fixture(scope="module")
def calm(tmp_path_factory: pytest.TempPathFactory) -> tuple[int, list[tuple[str, str]]]:
    """The number of crash points of a run that nothing strikes, and its alarms."""
    world = Struck(tmp_path_factory.mktemp("calm"), strike=0)
    world.run(DAYS)
    found = alarms(world.recorded())
    world.end()
    assert ("temperature-high", "raised") in found
    assert {name.split(" ")[0] for name in world.points} == {"before", "after"}
    assert len(set(world.points)) >= 8
    return world.passed, found


@pytest.mark.parametrize("blow", [Killed, MemoryError])
@pytest.mark.parametrize("share", range(POINTS // 2))
def test_a_blow_at_a_crash_point_loses_and_invents_nothing(
    tmp_path: Path, calm: tuple[int, list[tuple[str, str]]], share: int, blow: type[BaseException]
) -> None:
    count, undisturbed = calm
    number = 1 + (2 * share + (blow is MemoryError)) * int(0.85 * count) // (POINTS - 1)
    world = Struck(tmp_path, number, blow)
    try:
        world.run(DAYS)
        events = world.recorded()
        published = {owed.event_id for _, owed in world.mqtt.taken}
        # An error while a message is worded or sent is that message's alone: it is refused, and the other outlets tell.
        contained = blow is MemoryError and world.points[number - 1].split(" ")[1] in ("topics", "post")
        assert world.kills == (0 if contained else 1)
        assert alarms(events) == undisturbed
        assert published <= set(events)
        assert {one for one in events if not one.startswith("outlet")} <= published | world.owed()
    finally:
        world.end()


def test_two_hundred_restarts_in_a_row_tell_nothing_and_fill_no_table(tmp_path: Path) -> None:
    world = World(tmp_path, seed=3, faults=())
    world.run(0.1)
    counts = (
        "SELECT count(*) FROM event", "SELECT count(*) FROM owed", "SELECT count(*) FROM retained",
        "SELECT sum(readings) FROM batch",
    )  # fmt: skip

    def counted() -> list[int]:
        return [world.history._connection.execute(count).fetchone()[0] for count in counts]

    before, letters = counted(), len(world.post.taken)
    for _ in range(200):
        world.die()
        world.clock.pass_ms(400)
        with world._hand_turned():
            world.start()
            world.turn()
    assert counted() == before
    assert len(world.post.taken) == letters
    world.end()


@pytest.mark.parametrize("up_days", [49.7103, 497.1])
def test_a_machine_that_has_been_up_for_long_counts_on(tmp_path: Path, up_days: float) -> None:
    # Just before 2**32 ms and 2**32 hundredths of a second since boot.
    world = Struck(tmp_path, 0, boot_ms=int(up_days * DAY_MS) - 3 * HOUR_MS)
    world.run(DAYS)
    assert ("temperature-high", "raised") in alarms(world.recorded())
    world.end()


def test_a_store_that_an_outsider_locks_is_waited_for_in_memory(tmp_path: Path) -> None:
    import sqlite3

    world = Struck(tmp_path, 0)
    world.run(0.1)
    world.history._connection.execute("PRAGMA busy_timeout = 20")
    outsider = sqlite3.connect(world.history.path, isolation_level=None)
    outsider.execute("BEGIN IMMEDIATE")
    with world._hand_turned():
        for _ in range(20):
            world.period()
        world.turn()
        assert "holds the file locked" in world.engine.trouble
        outsider.execute("ROLLBACK")
        outsider.close()
        world.turn()
    assert world.engine.trouble == ""
    assert ("temperature-high", "raised") in alarms(world.recorded())
    world.end()


def test_any_other_trouble_of_the_store_ends_the_process(tmp_path: Path) -> None:
    world = Struck(tmp_path, 0)
    world.run(0.05)
    world.history._connection.execute("DROP TABLE event")
    with world._hand_turned(), pytest.raises(HistoryError, match="no such table"):
        for _ in range(40):
            world.period()
    world.end()
