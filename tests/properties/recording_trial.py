"""Cuts whole recordings into batches of 1, 7 and 97 readings and tells which say something else than the recording in one.

    make recordings
    make recordings FOLDER=/where/more/are

Of each file of `tests/data`, or of a folder of recordings (CSV time,probe,quantity,value,unit), with all its probes in one
chamber; the state is written down and read again at each cut.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path

from lively_streams import difference, recorded, told

from rules.turn.advance import dump_state

DATA = Path(__file__).parents[1] / "data"
SIZES = (97, 7, 1)


def main() -> int:
    """Cut them all and return 1 where a cut made a difference."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--folder", type=Path, default=DATA)
    parser.add_argument("--sizes", type=int, nargs="+", default=SIZES)
    args = parser.parse_args()
    files = sorted(args.folder.glob("*.csv"))
    if not files:
        parser.error(f"{args.folder} has no file that ends with .csv")
    found = [each for path in files for each in differing(path, args.sizes)]
    print(f"{len(found)} of {len(files) * len(args.sizes)} differ")
    return 1 if found else 0


def differing(path: Path, sizes: list[int]) -> list[str]:
    """Return what the batches of each size changed of one recording, and print it."""
    phase, found = recorded(path), []
    whole, state = told([phase], None)
    print(f"{path.name}: {len(phase.entries)} readings, {len(whole)} events", flush=True)
    for size in sizes:
        begun_s = time.monotonic()
        pieces, cut_state = told([phase], [list(range(0, len(phase.entries), size))])
        changed = difference(json.loads(json.dumps(pieces)), json.loads(json.dumps(whole)), "events") or difference(
            json.loads(dump_state(cut_state)), json.loads(dump_state(state)), "state"
        )
        print(f"  in batches of {size}: {changed or 'the same'} ({time.monotonic() - begun_s:.0f} s)", flush=True)
        found += [changed] if changed else []
    return found


if __name__ == "__main__":
    sys.exit(main())
