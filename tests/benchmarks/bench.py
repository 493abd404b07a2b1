"""Runs every benchmark in one go, prints one table and writes it as JSON: `make bench`.

Each part runs in a process of its own, one after the other, so that none warms or fattens another. A part that fails is
named and the rest goes on; figures that miss what is wanted are told and change nothing else: this is no test.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
from dew_point import dispatched
from measure import ROOT, Row, table

PARTS: dict[str, list[str]] = {
    "dew-point": ["dew_point.py"],
    "dew-point-without-avx512": ["dew_point.py", "--dispatch-only"],
    "dew-point-ways": ["dew_point_ways.py"],
    "live": ["live_way.py"],
    "replay": ["replaying.py"],
    "start": ["starting.py"],
    "start-sizes": ["record_sizes.py"],
    "advice": ["advising.py"],
    "report": ["reporting.py"],
    "recovery": ["recovering.py"],
    "whole-cycles": ["whole_cycles.py"],
    "hundred": ["hundred.py"],
    "idle": ["idle_cost.py"],
}


def main() -> None:
    """Run the parts that were asked for."""
    parser = argparse.ArgumentParser()
    parser.add_argument("parts", nargs="*", default=list(PARTS), help=f"of: {', '.join(PARTS)}")
    parser.add_argument("--idle-s", type=float, default=120.0, help="how long the idle part measures, s")
    parser.add_argument("--json", type=Path, default=ROOT / "build" / "benchmarks.json")
    args = parser.parse_args()
    if unknown := set(args.parts) - set(PARTS):
        parser.error(f"no part {', '.join(sorted(unknown))}; there are: {', '.join(PARTS)}")
    rows: list[Row] = []
    failed: dict[str, str] = {}
    begun_s = time.monotonic()
    for name in args.parts:
        print(f"{time.monotonic() - begun_s:4.0f} s  {name}", file=sys.stderr)
        found, trouble = run(name, args.idle_s)
        rows += found
        if trouble:
            failed[name] = trouble
    print(table(rows))
    for name, trouble in failed.items():
        print(f"\n{name}: FAILED\n{trouble}")
    args.json.parent.mkdir(parents=True, exist_ok=True)
    args.json.write_text(json.dumps(document(rows, failed, time.monotonic() - begun_s), indent=1) + "\n")
    print(f"\n{len(rows)} figures in {time.monotonic() - begun_s:.0f} s; as JSON in {args.json}")


def run(name: str, idle_s: float) -> tuple[list[Row], str]:
    """Return the rows of a part, and why it failed."""
    script, *options = PARTS[name]
    environment = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    environment["OPENBLAS_NUM_THREADS"] = "1"
    if name == "idle":
        options += ["--seconds", str(idle_s)]
    if name == "dew-point-without-avx512":
        if not dispatched():
            return [], ""
        environment["NPY_DISABLE_CPU_FEATURES"] = " ".join(dispatched())
    command = [sys.executable, str(Path(__file__).with_name(script)), "--json", *options]
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=900 + idle_s)
    if done.returncode != 0:
        return [], done.stderr[-3000:]
    return [Row(**row) for row in json.loads(done.stdout)], ""


def document(rows: list[Row], failed: dict[str, str], taken_s: float) -> dict[str, Any]:
    """Return what the JSON file holds."""
    return {
        "machine": {
            "cpus": os.cpu_count(), "load_before_and_after": os.getloadavg(), "system": platform.platform(),
            "python": platform.python_version(), "numpy": np.__version__, "numpy_avx512": dispatched(),
        },
        "taken_s": round(taken_s, 1),
        "rows": [{slot: getattr(row, slot) for slot in Row.__slots__} for row in rows],
        "failed": failed,
    }  # fmt: skip


if __name__ == "__main__":
    main()
