"""Streams in which everything happens that can: from a seed, one stream; and the two ways through the rules it is held against.

A stream is a few phases, each under its own config and after its own step of the clock. In a phase one episode of weather or
trouble follows another (a room that cools, a lid left open, a twin that drifts, a broker that falls silent), while the keeper
speaks, probes stutter and nobody watches for a while. Intervals, resolutions and delays are drawn from what keepers have, so
that a stretch holds raised, suppressed and unsuppressed alarms beside each other. Nothing of `rules` draws these courses.
"""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import islice
from operator import sub
from pathlib import Path
from random import Random
from statistics import median
from typing import Any
from zoneinfo import ZoneInfo

from rules.settings import Chamber, Probe, Room, Settings, Site, Telling
from rules.terms.events import Batch, Item, MediumFault, Pause, ProbeFault, Reading
from rules.terms.words import WORD
from rules.trade.alarm_kinds import ALARMS
from rules.turn.advance import EngineState, advance, dump_state, load_state

SECOND_MS, MINUTE_MS, HOUR_MS, DAY_MS = 1_000, 60_000, 3_600_000, 86_400_000
START_MS = 1_761_436_800_000  # 2025-10-26T00:00:00Z: the night in which Lisbon's clocks go back
Entry = Reading | Item

INTERVALS_MS = (10 * SECOND_MS, 30 * SECOND_MS, MINUTE_MS, MINUTE_MS, 5 * MINUTE_MS, 10 * MINUTE_MS, 20 * MINUTE_MS, HOUR_MS)
RESOLUTIONS = (0.01, 0.1, 0.1, 0.5, 1.0)
EPISODES = {  # what a chamber is driven to, degC and %RH; None: it stays where it is
    "calm": (25.5, 80.0), "warm": (28.6, None), "hot": (31.5, None), "runaway": (38.0, 60.0), "cool": (23.0, None),
    "cold": (17.0, None), "winter": (2.0, None), "dry": (None, 64.0), "parched": (None, 45.0), "arid": (None, 12.0),
    "damp": (None, 93.0), "wet": (None, 99.6), "open": (None, 40.0),
}  # fmt: skip


class OnBroker(Probe):
    """A probe that hangs on a broker with others."""

    line: str = ""

    @property
    def medium(self) -> str:
        """Name of the broker."""
        return self.line


@dataclass(frozen=True)
class Phase:
    """A piece of stream under one config, after one step of the clock."""

    settings: Settings
    clock_step_ms: int
    entries: list[Entry]
    end_ms: int


# ---------------------------------------------------------------- one stream


def lively_stream(seed: int, small: bool = False) -> list[Phase]:
    """Return the stream of a seed; a small one is one chamber's for an episode or two, and costs a tenth."""
    draw = Random(seed)
    now_ms = START_MS + draw.randrange(11 * HOUR_MS)
    world = _World(draw, small)
    pace_ms = draw.choice(INTERVALS_MS)
    phases: list[Phase] = []
    for _ in range(1 if small else draw.choice((1, 1, 2, 3))):
        step = draw.choice((0, 0, 0, HOUR_MS, -HOUR_MS, 5_000)) if phases else 0
        settings = _shelf(draw, pace_ms, small)
        entries, end_ms = world.lived(settings, now_ms + step)
        phases.append(Phase(settings, step, entries, end_ms))
        now_ms = end_ms
    return phases


def _shelf(draw: Random, pace_ms: int, small: bool) -> Settings:
    """A shelf of two or three chambers in one room, with several probes a place; a small one has one chamber."""
    chambers = {"north": _chamber(draw)} if small else {"north": _chamber(draw), "south": _chamber(draw)}
    if draw.random() < 0.3 and not small:
        chambers["waste"] = Chamber(room="loft", role="waste")
    probes = {
        f"{place}-{name}": _probe(draw, place, "air", pace_ms)
        for place in (*chambers, "loft")
        for name in ("one", "two", "three")[: draw.choice((1, 2, 2, 3))]
    }
    if draw.random() < 0.4:
        probes["north-lid"] = _probe(draw, "north", "lid", pace_ms)
    if draw.random() < 0.3:
        heated = "north" if small else "south"
        probes[f"{heated}-mat"] = _probe(draw, heated, "heater-surface", pace_ms)
    latch = draw.choice(([], ["drip", "harmful", "blind"]))
    return Settings(
        site=Site(name="cut test"), zone=ZoneInfo("Europe/Lisbon"), rooms={"loft": Room()}, chambers=chambers,
        probes=dict(probes), telling=Telling.model_validate({"latch": latch, "wake_remind": ["15min", "1h"]}),
    )  # fmt: skip


def _probe(draw: Random, place: str, role: str, pace_ms: int) -> OnBroker:
    interval_ms = min(pace_ms * draw.choice((1, 1, 1, 2, 5)), HOUR_MS)
    return OnBroker.model_validate(
        {
            "place": place, "role": role, "interval": f"{interval_ms // 1000}s", "line": draw.choice(("", "broker")),
            "accuracy_humidity_pct": draw.choice((2.0, 3.0)), "calibration_due": draw.choice(("1h", "90d")),
        }
    )  # fmt: skip


def _chamber(draw: Random) -> Chamber:
    on, off = draw.choice((("1min", "1min"), ("3min", "5min"), ("10min", "15min")))
    delays = {"on_delay": on, "off_delay": off}
    return Chamber.model_validate(
        {
            "room": draw.choice(("loft", "loft", "loft", None)),
            "devices": {"heater": {"watts": 8.0}, "mister": {}, "fan": {}} if draw.random() < 0.7 else {},
            "garden": {"volume_ml": draw.choice((15.0, 150.0, 3000.0))},
            "temperature": {"high": draw.choice((28.0, 28.0, 26.0)), "harmful_on_delay": "1min", **delays},
            "humidity": {"harmful_high": draw.choice((None, 97.0)), **delays},
            "two_probes": draw.choice(("median", "worse")),
        }
    )


class _World:
    """The places' air, how each probe errs, and what the keeper says; it goes on from phase to phase."""

    def __init__(self, draw: Random, small: bool) -> None:
        self._draw, self._small = draw, small
        self._air = {"north": [25.5, 80.0], "south": [25.0, 76.0], "waste": [25.0, 40.0], "loft": [20.0, 50.0]}
        self._aim = {place: [*air] for place, air in self._air.items()}
        self._error: dict[str, list[float]] = {}
        self._frozen: dict[str, list[float]] = {}
        self._silent_until_ms: dict[str, int] = {}
        self._words = 0
        self._named: dict[str, Any] | None = None
        self._broker_down = False
        self._pace_h = 0.5
        self._calm = draw.random() < 0.5

    def lived(self, settings: Settings, from_ms: int) -> tuple[list[Entry], int]:
        """Return what enters the stream under one config, and when it ends."""
        draw, now_ms = self._draw, from_ms
        entries: list[Entry] = []
        due = {name: now_ms + draw.randrange(probe.interval) for name, probe in settings.probes.items()}
        step_ms = min(probe.interval for probe in settings.probes.values())
        resolution = {name: draw.choice(RESOLUTIONS) for name in settings.probes}
        for _ in range(draw.randint(1, 2 if self._small else 5)):
            self._begin_episode(settings, now_ms, step_ms)
            for _ in range(draw.randint(5, 12 if self._small else 40)):
                if draw.random() < 0.15:
                    entries += self._something(settings, now_ms)
                for name in [name for name, at_ms in due.items() if at_ms <= now_ms]:
                    entries += self._reading(settings, name, resolution[name], now_ms)
                    due[name] = now_ms + settings.probes[name].interval
                step = draw.choice((step_ms, step_ms, step_ms, MINUTE_MS, 0, 1))
                self._drift(step)
                now_ms += step
            now_ms = self._gap(entries, now_ms)
        ends = (1, 1, 3 * MINUTE_MS, 3 * MINUTE_MS, HOUR_MS, 9 * HOUR_MS)
        return entries, now_ms + draw.choice(ends[:4] if self._small else ends)

    def _begin_episode(self, settings: Settings, now_ms: int, step_ms: int) -> None:
        draw = self._draw
        self._pace_h = draw.choice((1.0, 4.0, 12.0, 40.0)) * step_ms / HOUR_MS
        for place in draw.sample(sorted(settings.chambers), draw.randint(1, len(settings.chambers))):
            aim = EPISODES[draw.choice(sorted(EPISODES))]
            self._aim[place] = [old if new is None else new for old, new in zip(self._aim[place], aim, strict=True)]
        if draw.random() < 0.3:
            self._aim["loft"] = [draw.choice((8.0, 15.0, 20.0, 29.0)), draw.choice((12.0, 35.0, 50.0, 85.0))]
        for name in settings.probes:
            if draw.random() < 0.1:
                self._error[name] = [draw.choice((0.0, 0.0, 2.5, -4.0)), draw.choice((0.0, 0.0, 9.0, -12.0))]
            self._frozen.pop(name, None)
            if draw.random() < 0.08:
                self._frozen[name] = [*self._air[settings.probes[name].place]]
            if draw.random() < (0.02 if self._calm else 0.12):
                self._silent_until_ms[name] = now_ms + draw.choice((3 * step_ms, 10 * step_ms, HOUR_MS, 30 * HOUR_MS))

    def _drift(self, step_ms: int) -> None:
        share = min(1.0, step_ms / (self._pace_h * HOUR_MS))
        for place, air in self._air.items():
            for number in range(2):
                air[number] += share * (self._aim[place][number] - air[number])

    def _reading(self, settings: Settings, name: str, resolution: float, now_ms: int) -> list[Entry]:
        draw, probe = self._draw, settings.probes[name]
        if now_ms < self._silent_until_ms.get(name, 0) or (self._broker_down and probe.medium):
            return [ProbeFault(now_ms, name, "unreachable", "test")] if draw.random() < 0.2 else []
        if draw.random() < 0.02:
            return [ProbeFault(now_ms, name, draw.choice(("garbled", "refused", "implausible")), "test")]
        air_c, air_pct = self._frozen.get(name, self._air[probe.place])
        noise = 0.0 if name in self._frozen else draw.gauss(0.0, 1.0)
        off_c, off_pct = self._error.get(name, (0.0, 0.0))
        late_ms = draw.choice((0, 0, 0, 0, 30_000, 1))
        if probe.role != "air":
            value = air_c + (-4.0 if probe.role == "lid" else 20.0) + 0.1 * noise
            return [Reading(now_ms, name, "surface_temperature", _rounded(value, resolution), now_ms - late_ms)]
        spike = draw.choice((6.0, -20.0)) if draw.random() < 0.01 else 0.0
        temperature = _rounded(
            draw.choice((85.0, 1e9)) if draw.random() < 0.003 else air_c + off_c + 0.05 * noise + spike, resolution
        )
        humidity = _rounded(min(100.0, max(0.0, air_pct + off_pct + 0.3 * noise + 2 * spike)), resolution)
        rows: list[Entry] = [Reading(now_ms, name, "air_temperature", temperature, now_ms - late_ms)]
        if draw.random() < 0.97:
            rows.append(Reading(now_ms, name, "relative_humidity", humidity, now_ms - late_ms))
        return rows + rows[-1:] if draw.random() < 0.03 else rows

    def _gap(self, entries: list[Entry], now_ms: int) -> int:
        """Nobody speaks for a while, or nobody watched."""
        draw = self._draw
        if self._calm and draw.random() < 0.8:
            return now_ms
        # Seldom a long one: each of its silent minutes is looked at, and costs.
        long_ms = draw.choice((8 * HOUR_MS, 30 * HOUR_MS)) if draw.random() < 0.15 else HOUR_MS
        gap_ms = draw.choice((0, 0, 0, 5 * MINUTE_MS, long_ms))
        if gap_ms and draw.random() < 0.4:
            entries.append(Pause(now_ms + gap_ms, now_ms))
        return now_ms + gap_ms

    def _something(self, settings: Settings, now_ms: int) -> list[Entry]:
        draw = self._draw
        if draw.random() < 0.15:
            self._broker_down = not self._broker_down
            return [MediumFault(now_ms, "broker", self._broker_down, "test")]
        self._words += 1
        chamber, probe = draw.choice(sorted(settings.chambers)), draw.choice(sorted(settings.probes))
        alarm = self._suspected(chamber) if draw.random() < 0.7 else draw.choice(sorted(ALARMS))
        of_probe = ALARMS[alarm].subject == "probe" and alarm != "probes-disagree"
        named = {
            "alarm": alarm,
            "chamber": settings.probes[probe].place if of_probe else chamber,
            "probe": probe if of_probe else None,
        }
        if self._named is not None and draw.random() < 0.4:
            named = self._named  # a keeper comes back to what was spoken of before
        self._named = named
        words: Sequence[dict[str, Any]] = (
            {"word": "acknowledge", **named},
            {"word": "acknowledge", **named, "occurrence": draw.choice((1, 2))},
            {"word": "shelve", **named, "for_ms": draw.choice((2 * MINUTE_MS, 20 * MINUTE_MS, DAY_MS))},
            {"word": "unshelve", **named},
            {"word": "out-of-service", "probe": probe, "for_ms": draw.choice((0, 0, 5 * MINUTE_MS, HOUR_MS))},
            {"word": "visit", "chamber": chamber, "for_ms": draw.choice((0, 5 * MINUTE_MS, HOUR_MS))},
            {"word": "visit", "chamber": chamber},
            {"word": "lid-measured", "chamber": chamber, "at_ms": now_ms, "lid_temperature_c": draw.choice((15.0, 22.0, 26.0))},
            {"word": "lid-seen", "chamber": chamber, "at_ms": now_ms - draw.choice((0, 2)) * HOUR_MS,
             "seen": draw.choice(("dry", "droplets"))},
            {"word": "calibrated", "probe": probe, "quantity": draw.choice(("relative_humidity", "air_temperature")),
             "offset": -1.0, "gain": 1.01, "standard_uncertainty": 0.6},
            {"word": "garden", "chamber": chamber, "at_ms": now_ms, "garden_ml": draw.choice((10.0, 400.0))},
            {"word": "care-done", "chamber": chamber, "task": "water", "at_ms": now_ms},
            {"word": "observation", "chamber": chamber, "at_ms": now_ms, "seen": ["dry-edge"]},
            {"word": "advice-done", "advisory": "unknown.advice.1"},
            {"word": "away", "from_ms": now_ms + draw.choice((0, HOUR_MS)), "to_ms": now_ms + 5 * HOUR_MS},
        )  # fmt: skip
        body = draw.choice(words[:5] if draw.random() < 0.6 else words)
        return [WORD.validate_python({**body, "taken_ms": now_ms, "word_id": f"w{self._words}"})]

    def _suspected(self, chamber: str) -> str:
        """What a keeper who looks into the chamber would name."""
        temperature, humidity = self._air[chamber]
        guesses = ["probe-stale", "probe-fault", "blind", "probes-disagree", "lid-open", "lid-dew"]
        guesses += ["temperature-high", "heater-runaway"] * 3 if temperature > 27.9 else []
        guesses += ["temperature-low", "heater-failed"] * 3 if temperature < 24.1 else []
        guesses += ["humidity-low"] * 6 if humidity < 70.5 else []
        guesses += ["humidity-high"] * 6 if humidity > 89.5 else []
        return self._draw.choice(guesses)


def _rounded(value: float, resolution: float) -> float:
    return round(round(value / resolution) * resolution, 2)


def recorded(path: Path, rows: int | None = None) -> Phase:
    """Return the first rows of a real series (tests/data) as a phase, with all its probes in one chamber."""
    entries: list[Entry] = []
    with path.open(encoding="utf-8") as file:
        for row in islice(csv.DictReader(file), rows):
            at_ms = round(datetime.fromisoformat(row["time"]).timestamp() * 1000)
            if "probe" in row:
                said = {(row["probe"], row["quantity"]): row["value"]}
            else:
                said = {
                    (name.rpartition("_")[0], _WIDE[name.rpartition("_")[2]]): value
                    for name, value in row.items()
                    if name != "time"
                }
            entries += [Reading(at_ms, probe, quantity, float(value), at_ms) for (probe, quantity), value in said.items()]  # type: ignore[arg-type]
    heard_ms = sorted({entry.taken_ms for entry in entries})
    interval_ms = min(max(round(median(map(sub, heard_ms[1:], heard_ms))), SECOND_MS), HOUR_MS)
    probes = {entry.probe: Probe(place="north", interval=interval_ms) for entry in entries if isinstance(entry, Reading)}
    settings = Settings(
        site=Site(), zone=ZoneInfo("UTC"), rooms={}, chambers={"north": Chamber()}, probes=dict(probes), telling=Telling()
    )
    return Phase(settings, 0, entries, entries[-1].taken_ms + HOUR_MS)


_WIDE = {"c": "air_temperature", "pct": "relative_humidity"}


# ---------------------------------------------------------------- two ways through the rules


def told(phases: list[Phase], cuts: list[list[int]] | None) -> tuple[list[dict[str, Any]], EngineState]:
    """Advance through the phases; with cuts, hand the entries over in pieces and write the state down between them."""
    state, events = None, []
    for number, phase in enumerate(phases):
        places = sorted({0, *(cut % (len(phase.entries) + 1) for cut in cuts[number])}) if cuts else [0]
        closed_ms = state.closed_ms + phase.clock_step_ms if state else 0
        for begin, end in zip(places, [*places[1:], len(phase.entries)], strict=True):
            piece = phase.entries[begin:end]
            whole = end == len(phase.entries)
            # A cut between two entries of one instant must not close that instant, and nobody was there to close a pause.
            if whole:
                closed_ms = phase.end_ms
            elif piece:
                closed_ms = max(closed_ms, piece[-1].begin_ms if isinstance(piece[-1], Pause) else piece[-1].taken_ms)
            done = advance(phase.settings, state, as_batch(piece, phase.clock_step_ms if begin == 0 else 0), closed_ms)
            state = load_state(dump_state(done.state)) if cuts else done.state
            events += [event.as_json() for event in done.events]
    assert state is not None
    return events, state


def cuts_of(seed: int, phases: list[Phase]) -> list[list[int]]:
    """Return where the phases are cut: now and then at every entry, else at some, and around one spot at each."""
    draw = Random(f"cuts of {seed}")
    every = draw.random() < 0.1
    cuts = []
    for phase in phases:
        count = len(phase.entries)
        spot = draw.randrange(count + 1)
        some = [draw.randrange(count + 1) for _ in range(draw.randint(1, 10))]
        cuts.append([*range(count)] if every else [*some, *range(spot, min(spot + 12, count))])
    return cuts


def as_batch(entries: Sequence[Entry], clock_step_ms: int = 0) -> Batch:
    """Return entries as one batch."""
    readings = [entry for entry in entries if isinstance(entry, Reading)]
    return Batch.of(readings, [entry for entry in entries if not isinstance(entry, Reading)], clock_step_ms)


def difference(one: Any, other: Any, path: str = "") -> str:
    """Return where two JSON values first differ, for a message that can be read."""
    if isinstance(one, dict) and isinstance(other, dict):
        for key in {**one, **other}:
            if one.get(key) != other.get(key):
                return difference(one.get(key), other.get(key), f"{path}/{key}")
    if isinstance(one, list) and isinstance(other, list):
        for number, (a, b) in enumerate(zip(one, other, strict=False)):
            if a != b:
                return difference(a, b, f"{path}/{number}")
        if len(one) != len(other):
            longer = max(one, other, key=len)
            return f"{path}: {len(one)} against {len(other)} entries; next: {str(longer[min(len(one), len(other))])[:300]}"
    return f"{path}: {str(one)[:300]} != {str(other)[:300]}" if one != other else ""
