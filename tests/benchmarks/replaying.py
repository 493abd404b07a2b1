"""Replay: a chamber-year of two one-minute probes against merely parsing its file, and cost against length and chambers.

The year is 2.1 million readings in 128 MB of CSV: a chamber at 25.5 degC whose thermostat swings, in a room with its day and
its year, and every ten days an incident of some hours (too cold, too warm, too dry). The peer is `numpy.loadtxt` on the same
file, which gives arrays of text and numbers and judges nothing. Whether cost grows in a straight line is told as cost per
reading against that of the smallest. Bad weather stands beside fair: 60 days in which it is too dry all the time and nobody
answers, and the same two by probes that are read once an hour.
"""

from __future__ import annotations

import statistics
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from measure import Row, at_most, beside, main
from numpy.typing import NDArray

from daemon.config.configuration import load_text
from daemon.config.settings import settings_of
from daemon.desk.replay import Stream, from_files, replayed, slices
from rules.settings import Settings
from rules.terms.events import MINUTE_MS, Batch

START_MS = 1_767_225_600_000
MONTH = 30 * 1440
YEAR = 365 * 1440
_PLACE = """
[chamber.c{n}]
room = "study{room}"
garden = {{ volume_ml = 400 }}
lid = {{ build = "insulated", insulation_mm = 10 }}
devices.heater = {{ watts = 15 }}
devices.mister = {{ ml_per_press = 1 }}
[probe.p{n}]
kind = "mqtt-topic"
place = "c{n}"
broker = "home"
topics = {{ air_temperature = "c{n}/t", relative_humidity = "c{n}/h" }}
interval = "{interval}"
"""
_BROKER = """
[broker.home]
host = "localhost"
"""
_ROOM = """
[room.study{room}]
[probe.room{room}]
kind = "mqtt-topic"
place = "study{room}"
broker = "home"
topics = {{ air_temperature = "study{room}/t", relative_humidity = "study{room}/h" }}
interval = "{interval}"
"""
_LINE = np.dtype([("time", "U20"), ("probe", "U8"), ("quantity", "U17"), ("value", "f8"), ("unit", "U4")])


def watch(chambers: int, interval: str = "1min", rooms: int = 1) -> Settings:
    """Return a watch over so many chambers in so many rooms, all with probes."""
    around = "".join(_ROOM.format(room=room, interval=interval) for room in range(rooms))
    places = "".join(_PLACE.format(n=n, room=n % rooms, interval=interval) for n in range(chambers))
    return settings_of(load_text(_BROKER + around + places))


def climate(minutes: int, seed: int) -> tuple[NDArray[Any], ...]:
    """Return chamber temperature and humidity, room temperature and humidity, at every minute."""
    noise = np.random.default_rng(seed)
    hours = np.arange(minutes) / 60
    day = np.sin((hours - 9) / 24 * 2 * np.pi)
    swing = np.sin(hours * 2 * np.pi / 0.6)
    room_c = 20.5 + 1.5 * day + 3 * np.sin(hours / 8760 * 2 * np.pi) + noise.normal(0, 0.04, minutes)
    room_pct = 48 - 4 * day + noise.normal(0, 0.3, minutes)
    warm_c = 25.5 + 0.25 * swing + 0.15 * (room_c - 20.5) + noise.normal(0, 0.03, minutes)
    humid_pct = 82 - 1.2 * swing + noise.normal(0, 0.3, minutes)
    for number, begin in enumerate(range(4752, minutes - 400, 14_400)):
        course = np.minimum(np.arange(400) / 20, 5) * np.minimum(1, np.arange(400, 0, -1) / 60)
        incident = slice(begin, begin + 400)
        if number % 3 == 2:
            humid_pct[incident] -= 4 * course
        else:
            warm_c[incident] += course if number % 3 else -course
    return warm_c, humid_pct, room_c, room_pct


def stream(chambers: int, minutes: int, every: int = 1, drier_pct: float = 0.0, rooms: int = 1) -> Batch:
    """Return the readings of so many chambers and rooms, one in `every` minutes; the chambers drier by so many points."""
    columns: list[NDArray[Any]] = []
    names: list[tuple[str, Any]] = []
    for room in range(rooms):
        columns += climate(minutes, room)[2:]
        names += [(f"room{room}", "air_temperature"), (f"room{room}", "relative_humidity")]
    for n in range(chambers):
        warm_c, humid_pct = climate(minutes, n)[:2]
        columns += [warm_c, humid_pct - drier_pct]
        names += [(f"p{n}", "air_temperature"), (f"p{n}", "relative_humidity")]
    read = np.arange(0, minutes, every)
    taken_ms = np.repeat(START_MS + MINUTE_MS * read, len(names))
    series = np.tile(np.arange(len(names), dtype=np.int32), len(read))
    return Batch(tuple(names), series, taken_ms, taken_ms, np.stack(columns, axis=1)[read].ravel())


def replay_s(chambers: int, minutes: int, every: int = 1, drier_pct: float = 0.0, rooms: int = 1) -> float:
    """Return how long the engine takes for it, s: processor time of this process."""
    batch, settings = stream(chambers, minutes, every, drier_pct, rooms), watch(chambers, f"{every}min", rooms)
    count = len(batch.value)
    parts = list(slices(batch))
    begun_s = time.process_time()
    for _ in replayed(settings, Stream(parts, int(batch.taken_ms[0]), int(batch.taken_ms[-1]) + 1, count)):
        pass
    return time.process_time() - begun_s


def write_year(path: Path) -> None:
    """Write the year's file."""
    batch = stream(1, YEAR)
    units = {"air_temperature": "degC", "relative_humidity": "%RH"}
    heads = [f",{probe},{quantity}," for probe, quantity in batch.series]
    tails = [f",{units[quantity]}\n" for _, quantity in batch.series]
    times = np.datetime_as_string(batch.taken_ms.astype("datetime64[ms]"), unit="s").tolist()

    def lines() -> Iterator[str]:
        for at, code, value in zip(times, batch.series_index.tolist(), batch.value.tolist(), strict=True):
            yield f"{at}Z{heads[code]}{value:.2f}{tails[code]}"

    with path.open("w") as file:
        file.write("time,probe,quantity,value,unit\n")
        file.writelines(lines())


def rows() -> list[Row]:
    """Return the year against its limits, and the two lines."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "year.csv"
        write_year(path)
        settings = watch(1)
        taken: dict[str, list[float]] = {"ours": [], "read": [], "numpy": []}
        for _ in range(3):
            begun_s = time.process_time()
            recorded = from_files([path], settings)
            taken["read"].append(time.process_time() - begun_s)
            for _ in replayed(settings, recorded):
                pass
            taken["ours"].append(time.process_time() - begun_s)
            begun_s = time.process_time()
            np.loadtxt(path, _LINE, delimiter=",", skiprows=1)
            taken["numpy"].append(time.process_time() - begun_s)
    median = {name: sorted(values)[1] for name, values in taken.items()}
    part = "replay, a chamber-year of two one-minute probes (processor time)"
    found = [
        at_most(part, "read, judge and word the year", median["ours"], "s", 3.0),
        beside(part, "the same against parsing its file", median["ours"], "s", "np.loadtxt", median["numpy"], most=4.0),
        beside(part, "reading the file alone", median["read"], "s", "np.loadtxt", median["numpy"]),
    ]
    months = [(count, 1, 1, count * MONTH) for count in (1, 3, 12, 60)]
    in_many = [(count, count, count, 1440) for count in (1, 10, 100, 1000)]
    return [
        *found, *_line("months of one chamber", months, 1.3), *_of_one_room(),
        *_line("chambers over a day, each in a room of its own", in_many, 1.15), *_bad_weather(),
    ]


def _bad_weather() -> list[Row]:
    part, calm_s = "replay, 60 days of one chamber (processor time)", replay_s(1, 60 * 1440)
    return [
        beside(part, "too dry all the time", replay_s(1, 60 * 1440, drier_pct=22.0), "s", "calm", calm_s, most=3.0),
        beside(part, "calm, read once an hour", replay_s(1, 60 * 1440, 60), "s", "calm", calm_s, most=0.17),
        beside(part, "too dry, read once an hour", replay_s(1, 60 * 1440, 60, 22.0), "s", "calm", calm_s, most=0.5),
    ]


def _line(what: str, cases: list[tuple[int, int, int, int]], most: float) -> list[Row]:
    """Return the cost of a reading for each count of so many chambers, rooms and minutes."""
    found: list[Row] = []
    smallest_us = 0.0
    for shown, chambers, rooms, minutes in cases:
        cost_us = 1e6 * _typical_s(chambers, minutes, rooms) / (2 * (chambers + rooms) * minutes)
        smallest_us = smallest_us or cost_us
        part = f"replay, cost of a reading against {what}"
        found.append(beside(part, f"{shown:,} {what}", cost_us, "us", "the smallest", smallest_us, most=most))
    return found


def _of_one_room() -> list[Row]:
    """Return what so many chambers of one room cost against the room once and a chamber so many times.

    Not by reading: beside a single chamber half of the readings are the room's, which are cheaper, and beside a thousand hardly
    any. So a reading costs more there however straight the line is: the last row says by how much, of a line that is straight.
    """
    one_s, with_room_s = _typical_s(1, 1440, 1), _typical_s(1, 1440, 2)
    room_s = with_room_s - one_s
    chamber_s = one_s - room_s
    part = "replay, cost of a day of many chambers of one room"
    found = [
        beside(
            part, f"{count:,} chambers", _typical_s(count, 1440, 1), "s", "the room, and a chamber so many times",
            room_s + count * chamber_s, most=1.15,
        ) for count in (10, 100, 1000)
    ]  # fmt: skip
    half = 1e6 / (2 * 1440)
    return [*found, beside(part, "a chamber's reading", half * chamber_s, "us", "one of both", half * one_s / 2.0)]


def _typical_s(chambers: int, minutes: int, rooms: int) -> float:
    """Return what a replay mostly takes, s: a short one is repeated, since a moment of the machine counts in it."""
    runs = 9 if chambers * minutes <= 14_400 else 1
    return statistics.median(replay_s(chambers, minutes, rooms=rooms) for _ in range(runs))


if __name__ == "__main__":
    main(rows)
