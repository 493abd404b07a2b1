"""Months in seconds: whatever befalls probes, network, disk, clock and process, nothing is lost, invented or contradicted.

`SOAK_SEED` and `SOAK_DAYS` in the environment choose another run (`make soak SEED=7 DAYS=3650`); a failing seed is printed.
"""

from __future__ import annotations

import gc
import json
import math
import os
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from alarm_oracle import Limits, Series, Standing, life_faults, state_faults, turn_faults
from simulated_world import PLACES, World

from daemon.store.batch_rows import batches
from daemon.store.outbox_rows import LIMIT
from rules.terms.events import MINUTE_MS
from rules.turn.advance import dump_state, load_state

SEED = os.environ.get("SOAK_SEED")
DAYS = float(os.environ.get("SOAK_DAYS", "20"))
SEEDS = [int(SEED)] if SEED else [1, 2]

NEST_A = (20, 30, 20)
NEST_B = (10, 15, 2)
EXPECTED_FIRST = ("raised", "escalated", "resumed")


@dataclass
class Judge:
    """Looks at the world after every turn and every day."""

    world: World
    faults: list[str] = field(default_factory=list)
    standing: dict[str, Standing] = field(default_factory=dict)
    series: dict[tuple[str, str], Series] = field(default_factory=dict)
    changes: dict[tuple[str, str], list[tuple[int, str, str | None]]] = field(default_factory=dict)
    events: dict[str, dict[str, Any]] = field(default_factory=dict)
    state_bytes: list[int] = field(default_factory=list)
    resident_kb: list[int] = field(default_factory=list)
    _event_row: int = 0
    _batch: int = 0
    _clean: dict[tuple[str, str, int], bool] = field(default_factory=dict)

    def after_turn(self, base_ms: int) -> None:
        """Take in what was recorded; `base_ms` is stream time less time since boot in the turn that was."""
        connection = self.world.history._connection
        self._take_readings(connection, base_ms)
        rows = connection.execute(
            "SELECT seq, at_ms, body FROM event WHERE seq > ? ORDER BY seq", (self._event_row,)
        ).fetchall()
        bodies = [(int(at_ms) - base_ms, json.loads(body)) for _, at_ms, body in rows]
        if rows:
            self._event_row = rows[-1][0]
        self.events |= {body["id"]: body for _, body in bodies}
        alarms = [(at, body) for at, body in bodies if body["kind"] == "alarm"]
        self.faults += life_faults([body for _, body in alarms], self.standing)
        for at_ms, body in alarms:
            self._judge_turn(at_ms, body)
        for at_ms, body in bodies:
            if body["kind"] == "advice":
                self.faults += self._advice_faults(at_ms, body)

    def _take_readings(self, connection: Any, base_ms: int) -> None:
        for sample in self.world.samples:
            self._clean[sample.probe, sample.quantity, sample.boot_ms] = sample.clean
        self.world.samples.clear()
        for number, batch in batches(connection, self._batch):
            self._batch = number
            names = [batch.series[code] for code in batch.series_index]
            for (probe, quantity), taken_ms, value in zip(names, batch.taken_ms.tolist(), batch.value.tolist(), strict=True):
                at_ms = taken_ms - base_ms
                clean = self._clean.pop((probe, quantity, at_ms), False) and not math.isnan(value)
                series = self.series.setdefault((probe, quantity), Series())
                if not series.at_ms or at_ms >= series.at_ms[-1]:
                    series.add(at_ms, value, clean)

    def limits(self, chamber: str, alarm: str, at_ms: int) -> Limits:
        on, off, harm = NEST_A if chamber == "nest-a" else NEST_B
        delays = on * MINUTE_MS, off * MINUTE_MS, harm * MINUTE_MS
        if alarm == "temperature-low":
            return Limits(False, 24.0, 20.0, 0.5, *delays)
        edits = [float(mark.about) for mark in self.world.marks if mark.what == "edited" and mark.boot_ms <= at_ms]
        high = (edits[-1] if edits else 28.0) if chamber == "nest-a" else 28.0
        return Limits(True, high, 30.0, 0.5, *delays)

    def _judge_turn(self, at_ms: int, body: dict[str, Any]) -> None:
        if body["alarm"] not in ("temperature-high", "temperature-low"):
            return
        self.changes.setdefault((body["chamber"], body["alarm"]), []).append((at_ms, body["condition"], body["level"]))
        probe = next(name for name, place in PLACES.items() if place == body["chamber"])
        edited = any(mark.what == "edited" and 0 <= at_ms - mark.boot_ms < 3 * 3_600_000 for mark in self.world.marks[-50:])
        spoken = [mark for mark in self.world.marks if mark.what == "out-of-service" and mark.boot_ms <= at_ms]
        serviced = probe == "air-b" and any(at_ms <= int(mark.about) for mark in spoken)
        series = self.series.get((probe, "air_temperature"), Series())
        if body["reason"] != "config edited" and not edited and not (serviced and body["change"] in ("held", "returned")):
            found = turn_faults(body, at_ms, series, self.limits(body["chamber"], body["alarm"], at_ms))
            self.faults += [f"{body['id']} at {body['time']} ({at_ms}): {text}" for text in found]

    def _advice_faults(self, at_ms: int, body: dict[str, Any]) -> list[str]:
        actions = [(action["device"], action["change"]) for action in body["actions"]]
        devices = [device for device, _ in actions]
        found = []
        if len(set(devices) - {"probe"}) < len([device for device in devices if device != "probe"]):
            found.append(f"{body['id']}: one device twice: {actions}")
        probe = next((name for name, place in PLACES.items() if place == body["chamber"]), "")
        recent = list(self.series.get((probe, "air_temperature"), Series()).between(at_ms - 40 * MINUTE_MS, at_ms))
        if recent and all(sure for _, _, sure in recent) and body["status"] in ("given", "updated"):
            coldest, hottest = min(value for value, *_ in recent), max(value for value, *_ in recent)
            if ("heater", "more") in actions and coldest > 28.6:
                found.append(f"{body['id']}: more heat at {coldest} degC")
            if ("heater", "less") in actions and hottest < 23.5:
                found.append(f"{body['id']}: less heat at {hottest} degC")
        return found

    # ------------------------------------------------------------ once a day, and at the end

    def after_day(self, world: World, day: int) -> None:
        connection = world.history._connection
        if world.engine._state is not None:
            body = dump_state(world.engine._state)
            self.state_bytes.append(len(body))
            if dump_state(load_state(body)) != body:
                self.faults.append(f"the state of day {day} is another one once it was read back")
        waiting = connection.execute("SELECT count(*) FROM owed").fetchone()[0]
        if waiting > LIMIT:
            self.faults.append(f"{waiting} messages wait")
        if day % 10 == 0:
            gc.collect()
            self.resident_kb.append(int(Path("/proc/self/statm").read_text().split()[1]) * 4)
            if connection.execute("PRAGMA quick_check(1)").fetchone() != ("ok",):
                self.faults.append(f"the store is not whole on day {day}")

    def at_end(self) -> None:
        for (chamber, alarm), changes in self.changes.items():
            probe = next(name for name, place in PLACES.items() if place == chamber)
            series = self.series[probe, "air_temperature"]
            quiet = ("started", "suspended", "edited", "stepped", "out-of-service")
            breaks = sorted(mark.boot_ms for mark in self.world.marks if mark.what in quiet)
            if chamber == "nest-b" or "edit" not in self.world.faults or alarm == "temperature-low":
                limits = self.limits(chamber, alarm, 0)
                self.faults += state_faults(changes, series, limits, breaks, f"{chamber} {alarm}")[:5]
        self._told()

    def _told(self) -> None:
        connection = self.world.history._connection
        waiting = {(row[0], row[1]) for row in connection.execute("SELECT event_id, recipient FROM owed")}
        published = {owed.event_id for _, owed in self.world.mqtt.taken}
        mailed = {(owed.event_id, owed.recipient) for _, owed in self.world.post.taken}
        folded = {owed.recipient for _, owed in self.world.post.taken if owed.event_id.endswith(".folded")}
        for one, body in self.events.items():
            if body["kind"] == "letter":
                if one.startswith("outlet.post."):
                    continue  # what is wrong with an outlet is told by the others
                for address in {"second": ["second@example.org"]}.get(body["to"], ["keeper@example.org"]):
                    if (one, address) not in mailed | waiting and address not in folded:
                        self.faults.append(f"the letter {one} was neither mailed to {address} nor is it owed")
            elif one not in published and (one, "") not in waiting and not _expendable(body):
                self.faults.append(f"{one} was neither published nor is it owed")
        loose = {mark.boot_ms for mark in self.world.marks if mark.what == "disk-full"}
        invented = published - self.events.keys()
        if invented and not loose:
            self.faults.append(f"published but never recorded: {sorted(invented)[:5]}")
        words = sum(body["kind"] == "word" for body in self.events.values())
        left = self.world.words_left - len(list(self.world.spool.folder.glob("*.word.json")))
        if words != left:
            self.faults.append(f"{left} words were left, {words} were answered")


def _expendable(body: dict[str, Any]) -> bool:
    return body["kind"] != "alarm" or body["change"] not in (*EXPECTED_FIRST, "returned", "closed", "unknown")


def simulated(folder: Path, seed: int, days: float, faults: tuple[str, ...] | None = None) -> tuple[World, Judge]:
    world = World(folder, seed, faults)
    judge = Judge(world)
    world.judge = judge.after_turn
    try:
        world.run(days, judge.after_day)
        judge.at_end()
    finally:
        world.end()
    return world, judge


def report(world: World, judge: Judge, spent_s: float, days: float) -> str:
    kinds: dict[str, int] = {}
    for body in judge.events.values():
        kinds[body["kind"]] = kinds.get(body["kind"], 0) + 1
    return (
        f"\nseed {world.seed}: {days:g} days in {spent_s:.0f} s; faults: {', '.join(world.faults)}; {world.kills} kills,"
        f" {world.turns} turns; {sum(len(one.at_ms) for one in judge.series.values())} readings; {kinds};"
        f" state {judge.state_bytes[:1]}..{judge.state_bytes[-1:]} bytes, most {max(judge.state_bytes, default=0)};"
        f" resident {judge.resident_kb[:1]}..{judge.resident_kb[-1:]} kB"
    )


@pytest.mark.parametrize("seed", SEEDS)
def test_months_of_faults_lose_invent_and_contradict_nothing(
    seed: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    begun_s = time.monotonic()
    world, judge = simulated(tmp_path, seed, DAYS)
    with capsys.disabled():
        print(report(world, judge, time.monotonic() - begun_s, DAYS))
    assert not judge.faults, "\n".join([f"make soak SEED={seed} DAYS={DAYS:g}", *first(judge.faults)])
    assert sum(body["kind"] == "alarm" for body in judge.events.values()) > DAYS / 2, "too little happened"


def test_memory_stays_flat_over_a_month(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    world = World(tmp_path, 4, ("probe", "medium", "mqtt", "mail", "keeper", "edit"))
    resident_kb: list[int] = []
    state_bytes: list[int] = []

    def each_day(world: World, day: int) -> None:
        state_bytes.append(len(dump_state(world.engine._state)))
        for transport in (world.mqtt, world.post):
            transport.taken.clear()
        world.samples.clear()
        gc.collect()
        resident_kb.append(int(Path("/proc/self/statm").read_text().split()[1]) * 4)

    try:
        world.run(30.5, each_day)
    finally:
        world.end()
    settled_kb = max(resident_kb[5:15])
    with capsys.disabled():
        print(f"\nresident after 1, 10, 20, 30 days: {[resident_kb[day - 1] for day in (1, 10, 20, 30)]} kB")
        print(f"state after 1, 10, 20, 30 days: {[state_bytes[day - 1] for day in (1, 10, 20, 30)]} bytes")
    assert max(resident_kb[15:]) <= 1.05 * settled_kb
    assert max(state_bytes[20:]) <= 1.25 * max(state_bytes[5:15])


def first(faults: Sequence[str]) -> list[str]:
    return [*faults[:10], *([f"... and {len(faults) - 10} more"] if len(faults) > 10 else [])]
