"""The advice on trial in worlds that it was never made for: `python tests/yard/yard_trial.py [--chambers 24] [--seed N]`.

Every chamber of every world suffers one kind of trouble (or a calm week). Four keepers live it side by side: one who follows
the program's letters through its own door, one with a rule for each symptom, one who does nothing, and the best that a search
finds over the same devices in that very world. New seeds each run; `--only WORLD:TROUBLE:SEED` repeats one and prints its
letters.
"""

from __future__ import annotations

import argparse
import secrets
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import partial
from multiprocessing import Pool
from pathlib import Path
from typing import Any

import numpy as np
from yard_chambers import MINUTES, WORLDS, Kept, config_text, drawn
from yard_devices import Controls
from yard_door import Door
from yard_keepers import MANNERS, Keeper, Manner, Naive
from yard_probes import UNITS, probes_of
from yard_running import Week, run
from yard_scores import Truth
from yard_search import search, tuned
from yard_table import table
from yard_told import Told, told_of
from yard_troubles import CALM, KINDS, Kind, Trouble
from yard_uses import USES, used_as

NOW_MIN = 10
"""The program is asked for its word so often."""
WATCHES_FROM = 12 * 60
"""The program comes to a box that has run for half a day."""
BEGINS = {
    "winter": datetime(2026, 1, 12, tzinfo=UTC), "mild": datetime(2026, 4, 13, tzinfo=UTC),
    "summer": datetime(2026, 7, 13, tzinfo=UTC),
}  # fmt: skip
BY_NAME = {kind.name: kind for kind in (CALM, *KINDS)}


@dataclass
class Outcome:
    """How one chamber fared: shares of the judged time, keeper by keeper."""

    world: str
    trouble: str
    seed: int
    manner: str
    in_band: dict[str, float]
    climate: dict[str, float]
    harmful: dict[str, float]
    avoidable_harm: float
    told: Told
    room_probe: bool
    told_lid_right: bool
    events: list[dict[str, Any]] = field(default_factory=list)


class Advised:
    """The closed loop of the first column: probes to the program, its letters to the keeper, the keeper's hands to the box."""

    def __init__(self, kept: Kept, door: Door, keeper: Keeper, seed: int, watches_from: int = WATCHES_FROM) -> None:
        self.kept, self.door, self.keeper, self.watches_from = kept, door, keeper, watches_from
        self.rng = np.random.default_rng([seed, 4])
        self.naive = Naive(1)
        self.course: list[dict[str, Any]] = []

    def __call__(self, week: Week) -> None:
        """Live one minute."""
        minute = week.minute
        if minute % 180 == 0:
            self.course.append({"kind": "truth", "time": self.door.time(minute), "text": _truth(week)})
        if minute >= self.watches_from:
            self._watched(week, minute)
        if minute % 120 == 0 and 7 * 60 <= minute % 1440 < 23 * 60:
            self.naive.acts(week, float(week.box.air_c[1]), float(week.box.humidity_pct[1]))

    def _watched(self, week: Week, minute: int) -> None:
        if minute % self.kept.interval_min == 0:
            self._reads(week)
        for word in self.keeper.acts(week):
            self.door.says(minute + 0.5, word | ({"at_ms": self.door.ms(minute)} if word["word"] == "lid-seen" else {}))
        if minute % NOW_MIN == 0:
            self.keeper.hears(self.door.now(minute), minute)

    def _reads(self, week: Week) -> None:
        for probe in week.probes.values():
            for quantity, value in probe.reads(self.rng, week.minute / 1440.0).items():
                self.door.reads(week.minute - 0.1, probe.name, quantity, value, UNITS[quantity])


def lived(
    world: str, trouble_name: str, seed: int, *, until: int = MINUTES, searched: bool = True, use: str = "fungus"
) -> Outcome:
    """Return how the chamber of this seed fares in this trouble; without a search, nothing done stands in for the best."""
    kept, kind = used_as(drawn(world, seed), use), BY_NAME[trouble_name]
    if kind.name == "probes-swapped":
        kept = replace(kept, room_probe=True)
    trouble = Trouble(kind, kept, seed)
    rng = np.random.default_rng([seed, WORLDS.index(world), 5])
    start = tuned(kept, seed) if kind is CALM or rng.random() < 0.5 else kept.controls
    manner = MANNERS[rng.integers(len(MANNERS))] if kind is not CALM else MANNERS[0]
    judged_from = trouble.onset if kind is not CALM else 24 * 60
    week, events = advised(kept, trouble, start, manner, seed, rng, until)
    if searched:
        best, _ = search(kept, trouble, seed, judged_from)
    else:
        best = Truth.of(week, judged_from).column(2)
    return _outcome(week, best, events, kept, kind, seed, manner, judged_from)


def _truth(week: Week) -> str:
    k, box = week.k, week.box
    heater = "unplugged" if k.plugged[0] == 0 else f"set to {k.setpoint_c[0]:.1f}, {box.mat.heat_w[0]:.1f} W"
    struck = " <- trouble" if week.trouble.onset <= week.minute < week.trouble.onset + 180 else ""
    return (
        f"{box.air_c[0]:.1f} degC {box.humidity_pct[0]:.0f} % film {box.film_g_m2[0]:.0f} g/m2;"
        f" room {week.course.room_c[week.minute]:.1f}; {heater}, vents {k.vents[0]:.0f}, foam {k.foam_mm[0]:.0f},"
        f" mist {k.mist_ml_d[0]:.1f}, gap {1e4 * k.gap_m2[0]:.0f} cm2{struck}"
    )


@dataclass
class Lived:
    """What the program's part of a week left behind."""

    events: list[dict[str, Any]]
    course: list[dict[str, Any]]
    acted: list[tuple[int, str]]
    begin: datetime


def advised(
    kept: Kept, trouble: Trouble, start: Controls, manner: Manner, seed: int, rng: np.random.Generator, until: int,
    watches_from: int = WATCHES_FROM,
) -> tuple[Week, Lived]:
    """Return the box up to a minute, lived by three keepers side by side, with what the program told of the first one's."""
    with tempfile.TemporaryDirectory() as folder:
        config = Path(folder) / "yard.toml"
        config.write_text(config_text(kept, start, manner.garden_factor), encoding="utf-8")
        door = Door(config, BEGINS[kept.season])
        try:
            week = Week(kept, trouble, start, 3, probes_of(rng, kept.room_probe, kept.lid_probe))
            keeper = Keeper(manner, rng)
            told = Advised(kept, door, keeper, seed, watches_from)
            run(week, told, until)
            door.now(until)
        finally:
            door.close()
    return week, Lived(door.events, told.course, keeper.acted, door.begin)


def _outcome(
    week: Week, best: Truth, lived: Lived, kept: Kept, kind: Kind, seed: int, manner: Manner, judged_from: int
) -> Outcome:
    truth = Truth.of(week, judged_from)
    names = ("dewlid", "naive", "nothing")
    shares = {}
    for what in ("in_band", "climate_in_band", "harmful"):
        means = getattr(truth, what).mean(axis=0)
        shares[what] = {name: float(means[i]) for i, name in enumerate(names)} | {"best": float(getattr(best, what).mean())}
    avoidable = float((truth.harmful[:, 0] & ~best.harmful[:, 0]).mean())
    told = told_of(lived.events, lived.acted, lived.begin, week, kind, judged_from)
    return Outcome(
        kept.world, kind.name, seed, manner.name, shares["in_band"], shares["climate_in_band"], shares["harmful"], avoidable,
        told, kept.room_probe, kept.told.right, sorted([*lived.course, *lived.events], key=lambda row: str(row["time"])),
    )  # fmt: skip


def chosen(chambers: int, seed: int) -> list[tuple[str, str, int]]:
    """Return so many chambers for each world, through all kinds of trouble in turn, a calm one in every seven."""
    rng = np.random.default_rng(seed)
    rows = []
    for world in WORLDS:
        kinds: list[str] = []
        while len(kinds) < chambers:
            turn = [kind.name for kind in KINDS]
            rng.shuffle(turn)
            for i in range(0, len(turn), 6):
                kinds += [*turn[i : i + 6], CALM.name]
        rows += [(world, kind, int(rng.integers(1, 2**31))) for kind in kinds[:chambers]]
    return rows


def trial(rows: Sequence[tuple[str, str, int]], jobs: int, use: str = "fungus") -> list[Outcome]:
    """Return all outcomes; as they come, a dot each on stderr."""
    outcomes = []
    with Pool(jobs) as pool:
        for outcome in pool.imap_unordered(partial(_starred, events=len(rows) == 1, use=use), rows):
            outcomes.append(outcome)
            print(".", end="", file=sys.stderr, flush=True)
    print(file=sys.stderr)
    return outcomes


def _starred(row: tuple[str, str, int], *, events: bool, use: str) -> Outcome:
    outcome = lived(*row, use=use, searched=use == "fungus")  # the search keeps gardens alone
    if not events:
        outcome.events = []
    return outcome


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the trial and print its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--chambers", type=int, default=24, help="in each of the three worlds")
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--only", help="WORLD:TROUBLE:SEED, one chamber with its letters")
    parser.add_argument("--use", choices=USES, default="fungus", help="what the chambers are for; but for gardens: nodes alone")
    args = parser.parse_args(arguments)
    seed = secrets.randbelow(10**6) if args.seed is None else args.seed
    if args.only:
        world, kind, one = args.only.split(":")
        rows = [(world, kind, int(one))]
    else:
        rows = [row for row in chosen(args.chambers, seed) if args.use == "fungus" or row[0] == "nodes"]
    outcomes = trial(rows, args.jobs, args.use)
    if args.only:
        from yard_table import diary

        print(diary(outcomes[0]))
    print(table(outcomes))
    print(f"seed {seed}: make advice-trial SEED={seed} CHAMBERS={args.chambers} repeats it")
    return 0


if __name__ == "__main__":
    sys.exit(main())
