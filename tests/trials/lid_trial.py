"""Open lids told in time, shut ones never: `make lid-trial CHAMBERS=12 SEED=7`, minutes for hundreds.

Nobody acts here, and nothing is searched: boxes of all worlds live a week by themselves, one in three under a lid that is left
ajar or slowly opens, the others calm; what their probes read goes through the program half a day at a time. How an open lid is
told in the closed loop is in the table of `yard_trial`.
"""

from __future__ import annotations

import argparse
import secrets
import sys
from collections.abc import Sequence
from multiprocessing import Pool

import numpy as np
from yard_chambers import MINUTES, WORLDS, config_text, drawn
from yard_probes import probes_of
from yard_running import Week, run
from yard_told import AJAR_MIN, OPEN_ALARMS
from yard_trial import BEGINS, BY_NAME, WATCHES_FROM
from yard_troubles import CALM, LID_KINDS, Trouble

from daemon.config.configuration import load_text
from daemon.config.settings import settings_of
from rules.settings import Settings
from rules.terms.events import MINUTE_MS, AlarmEvent, Batch, Reading
from rules.turn.advance import advance

SLICE_MIN = 12 * 60
Row = tuple[str, str, int]


def raised(row: Row) -> tuple[Row, list[float], int, int]:
    """Return at which minutes an open lid was told of one box, and when its trouble begins and its lid is half open."""
    world, name, seed = row
    kept = drawn(world, seed)
    trouble = Trouble(BY_NAME[name], kept, seed)
    rng = np.random.default_rng([seed, WORLDS.index(world), 5])
    begin_ms = round(BEGINS[kept.season].timestamp() * 1000)
    readings: list[Reading] = []

    def reads(week: Week) -> None:
        if week.minute < WATCHES_FROM or week.minute % kept.interval_min:
            return
        at_ms = begin_ms + week.minute * MINUTE_MS - 1
        for probe in week.probes.values():
            readings.extend(Reading(at_ms, probe.name, q, v, at_ms) for q, v in probe.reads(rng, week.minute / 1440.0).items())

    run(Week(kept, trouble, kept.controls, 1, probes_of(rng, kept.room_probe, kept.lid_probe)), reads)
    settings = settings_of(load_text(config_text(kept, kept.controls)))
    told = [(at_ms - begin_ms) / MINUTE_MS for at_ms in _told_ms(settings, readings)]
    opened = next((m for m in range(trouble.onset, MINUTES) if trouble.gap_m2(m) >= 0.5 * trouble.gap_m2(MINUTES)), MINUTES)
    return row, told, trouble.onset, opened


def _told_ms(settings: Settings, readings: Sequence[Reading]) -> list[int]:
    state, told = None, []
    first_ms = readings[0].taken_ms
    for begin_ms in range(first_ms, readings[-1].taken_ms + 1, SLICE_MIN * MINUTE_MS):
        end_ms = begin_ms + SLICE_MIN * MINUTE_MS
        done = advance(settings, state, Batch.of([r for r in readings if begin_ms <= r.taken_ms < end_ms]), end_ms)
        state = done.state
        told += [
            event.at_ms for event in done.events
            if isinstance(event, AlarmEvent) and event.alarm in OPEN_ALARMS and event.change == "raised"
        ]  # fmt: skip
    return told


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the boxes and print how their lids were told."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--chambers", type=int, default=12, help="of each kind: ajar, slowly opening; twice as many calm ones")
    parser.add_argument("--seed", type=int, default=None)
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args(arguments)
    seed = secrets.randbelow(10**6) if args.seed is None else args.seed
    rng = np.random.default_rng(seed)
    kinds = [*LID_KINDS, CALM.name, CALM.name] * args.chambers
    rows = [(WORLDS[i // 4 % len(WORLDS)], kind, int(rng.integers(1, 2**31))) for i, kind in enumerate(kinds)]
    in_time = dict.fromkeys(LID_KINDS, 0)
    false = 0
    with Pool(args.jobs) as pool:
        for row, told, onset, opened in pool.imap_unordered(raised, rows):
            early = [minute for minute in told if row[1] == CALM.name or minute < onset]
            false += len(early)
            if row[1] != CALM.name:
                found = any(onset <= minute <= opened + AJAR_MIN for minute in told)
                in_time[row[1]] += found
                print(f"{':'.join(map(str, row)):44} {'in time' if found else 'not in time'}")
            for minute in early:
                print(f"{':'.join(map(str, row)):44} FALSE after {minute / 60:.1f} h")
    days = 2 * args.chambers * (MINUTES - WATCHES_FROM) / 1440.0
    for kind, count in in_time.items():
        print(f"{kind}: told within {AJAR_MIN // 60} h in {count} of {args.chambers}")
    print(f"told falsely: {false} times in {days:.0f} calm chamber-days and before the lids were opened; seed {seed}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
