"""Cuts N streams of `lively_streams` and tells which differ, and which rows of the alarm table and lines they reached.

    make streams N=2000 SEED=7

    make streams N=10000 SMALL=1

New streams each run; SEED repeats; small ones are one chamber's and cost a tenth. Lines are watched on the first hundred only,
because that makes them slow.
"""

from __future__ import annotations

import argparse
import dis
import inspect
import json
import sys
import time
from collections import Counter
from collections.abc import Callable
from types import CodeType, FrameType, ModuleType
from typing import Any

from lively_streams import cuts_of, difference, lively_stream, told

from rules.alarms import alarms, answers, life, load, suppression, walk
from rules.alarms.state import AlarmRecord
from rules.alarms.table import TRANSITIONS, Transition
from rules.telling import policy
from rules.turn import advising
from rules.turn.advance import dump_state

WATCHED = (advising, alarms, answers, life, load, suppression, walk, policy)
"""What reads a standing set: here a cut can make a difference."""


def main() -> int:
    """Run the streams and return 1 where a cut made a difference."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--streams", type=int, default=500)
    parser.add_argument("--seed", type=int, default=time.time_ns() % 1_000_000_000)
    parser.add_argument("--small", action="store_true", help="streams of one chamber, a tenth of the cost")
    args = parser.parse_args()
    print(f"{args.streams} streams from seed {args.seed}", flush=True)
    walked, seen, failed = Counter[Transition](), set[tuple[str, int]](), 0
    _count_rows(walked)
    for number, seed in enumerate(range(args.seed, args.seed + args.streams)):
        with_lines = number < 100
        sys.settrace(_tracer(seen) if with_lines else None)
        found = trouble(seed, args.small)
        sys.settrace(None)
        if found:
            failed += 1
            print(f"seed {seed}: {found}", flush=True)
    print(f"{failed} of {args.streams} differ")
    missed = [f"{row.condition} on {row.trigger} if {row.guard}" for row in TRANSITIONS if not walked[row]]
    print(
        f"alarm table: {len(TRANSITIONS) - len(missed)} of {len(TRANSITIONS)} rows walked; not: {'; '.join(missed) or 'none'}"
    )
    for module in WATCHED:
        lines = _lines_of(module)
        left = sorted(line for line in lines if (module.__file__ or "", line) not in seen)
        print(f"{module.__name__}: {len(lines) - len(left)} of {len(lines)} lines; not: {left or 'none'}")
    return 1 if failed else 0


def trouble(seed: int, small: bool = False) -> str:
    """Return what a cut changed in a stream, empty where nothing."""
    phases = lively_stream(seed, small)
    whole, state = told(phases, None)
    pieces, cut_state = told(phases, cuts_of(seed, phases))
    events = difference(json.loads(json.dumps(pieces)), json.loads(json.dumps(whole)), "events")
    return events or difference(json.loads(dump_state(cut_state)), json.loads(dump_state(state)), "state")


def _count_rows(walked: Counter[Transition]) -> None:
    step = walk.step

    def counted(record: AlarmRecord, cue: walk.Cue) -> Transition | None:
        row = step(record, cue)
        if row is not None:
            walked[row] += 1
        return row

    life.step = counted  # type: ignore[attr-defined]


def _tracer(seen: set[tuple[str, int]]) -> Callable[[FrameType, str, Any], Any]:
    files = {module.__file__ for module in WATCHED}

    def line(frame: FrameType, event: str, _: Any) -> Any:
        seen.add((frame.f_code.co_filename, frame.f_lineno))
        return line

    return lambda frame, event, arg: line if frame.f_code.co_filename in files else None


def _lines_of(module: ModuleType) -> set[int]:
    """Return the lines inside functions: what runs at import says nothing."""
    found: set[int] = set()
    waiting: list[CodeType] = [compile(inspect.getsource(module), "", "exec")]
    while waiting:
        code = waiting.pop()
        inner = [const for const in code.co_consts if isinstance(const, CodeType)]
        waiting += inner
        if code.co_flags & inspect.CO_NEWLOCALS and code.co_name != "<module>" and code.co_flags & inspect.CO_OPTIMIZED:
            found |= {line for _, line in dis.findlinestarts(code) if line and line != code.co_firstlineno}
    return found


if __name__ == "__main__":
    sys.exit(main())
