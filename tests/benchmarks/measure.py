"""What every benchmark shares: a row of the table, rounds that are interleaved, and what the kernel counts of a process."""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
_TICK_S = 1.0 / os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table. `met` is None where nothing is demanded and the figure only stands beside its peer."""

    part: str
    what: str
    ours: float
    unit: str
    peer: str
    peers: float | None
    ratio: float | None
    wanted: str
    met: bool | None


def beside(
    part: str, what: str, ours: float, unit: str, peer: str, peers: float, *, most: float | None = None,
    least: float | None = None,
) -> Row:  # fmt: skip
    """Return our figure against a peer's, with the most or the least that the ratio may be."""
    ratio = ours / peers
    if most is not None:
        return Row(part, what, ours, unit, peer, peers, ratio, f"<= {most:g} x", ratio <= most)
    if least is not None:
        return Row(part, what, ours, unit, peer, peers, ratio, f">= {least:g} x", ratio >= least)
    return Row(part, what, ours, unit, peer, peers, ratio, "", None)


def at_most(part: str, what: str, ours: float, unit: str, limit: float) -> Row:
    """Return our figure against the most that it may be."""
    return Row(part, what, ours, unit, "limit", limit, ours / limit, f"<= {limit:g} {unit}", ours <= limit)


def stated(part: str, what: str, ours: float, unit: str) -> Row:
    """Return a figure that is only told."""
    return Row(part, what, ours, unit, "", None, None, "", None)


def medians_s(variants: dict[str, Callable[[], object]], rounds: int) -> dict[str, float]:
    """Return the median processor time of each variant, s, over interleaved rounds: a slow machine slows all of them."""
    taken: dict[str, list[float]] = {name: [] for name in variants}
    for _ in range(rounds):
        for name, variant in variants.items():
            begin_s = time.process_time()
            variant()
            taken[name].append(time.process_time() - begin_s)
    return {name: statistics.median(values) for name, values in taken.items()}


def quantile(values: Sequence[float], share: float) -> float:
    """Return the value that this share of the values does not exceed (nearest rank)."""
    ordered = sorted(values)
    return ordered[min(len(ordered) - 1, max(0, -(-int(share * 1000) * len(ordered) // 1000) - 1))]


# ---------------------------------------------------------------- processes


@dataclass(frozen=True, slots=True)
class Usage:
    """What a process has used since its start: CPU, s; wake-ups of all its threads; bytes given to the disk; resident MiB."""

    cpu_s: float
    wakes: dict[str, int]
    written_bytes: int
    resident_mib: float


def usage(pid: int) -> Usage:
    """Return the kernel's counts; CPU is summed over threads from schedstat (ns), where the kernel keeps it."""
    folder = Path(f"/proc/{pid}")
    cpu_s, wakes = 0.0, {}
    for task in (folder / "task").iterdir():
        try:
            cpu_s += int((task / "schedstat").read_text().split()[0]) / 1e9
            status = dict(line.split(":\t", 1) for line in (task / "status").read_text().splitlines() if ":\t" in line)
        except FileNotFoundError:
            continue  # the thread has ended meanwhile
        wakes[task.name] = int(status["voluntary_ctxt_switches"])
    status = dict(line.split(":\t", 1) for line in (folder / "status").read_text().splitlines() if ":\t" in line)
    inout = dict(line.split(": ") for line in (folder / "io").read_text().splitlines())
    return Usage(cpu_s, wakes, int(inout["write_bytes"]), int(status["VmRSS"].split()[0]) / 1024)


def process_cpu_s(pid: int) -> float:
    """Return the CPU time of a process, threads that have ended included, in ticks of the kernel (10 ms)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) * _TICK_S


def wait_until(condition: Callable[[], object], what: str, within_s: float = 30.0, every_s: float = 0.002) -> None:
    """Wait for a condition; raises TimeoutError."""
    end_s = time.monotonic() + within_s
    while not condition():
        if time.monotonic() > end_s:
            raise TimeoutError(f"{what} did not happen within {within_s:g} s")
        time.sleep(every_s)


def python(*arguments: str, **options: object) -> subprocess.Popen[str]:
    """Start this interpreter from the root of the project, with byte code kept and one BLAS thread, as the service has it."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    environment["OPENBLAS_NUM_THREADS"] = "1"
    return subprocess.Popen([sys.executable, *arguments], cwd=ROOT, env=environment, text=True, **options)  # type: ignore[call-overload, no-any-return]


# ---------------------------------------------------------------- the table


def table(rows: Sequence[Row]) -> str:
    """Return the rows as text: ours, the peer or limit, the ratio, what was wanted and whether it is so."""
    lines = [f"{'':58s} {'ours':>12s}  {'peer or limit':>34s} {'ratio':>8s}  wanted"]
    part = ""
    for row in rows:
        if row.part != part:
            part = row.part
            lines.append(f"\n{part}")
        peer = "" if row.peers is None else f"{row.peer} {_short(row.peers)}"
        ratio = "" if row.ratio is None else f"{_short(row.ratio)}"
        verdict = {True: "met", False: "NOT MET", None: ""}[row.met]
        ours = f"{_short(row.ours)} {row.unit}"
        lines.append(f"  {row.what:56s} {ours:>12s}  {peer:>34s} {ratio:>8s}  {row.wanted:14s} {verdict}".rstrip())
    return "\n".join(lines)


def _short(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 100 else f"{value:.3g}"


def main(rows: Callable[[], list[Row]]) -> None:
    """Run one part by itself: a table, or with --json what `bench.py` reads."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--json", action="store_true")
    found = rows() if (args := parser.parse_known_args()[0]) else []
    print(json.dumps([asdict(row) for row in found]) if args.json else table(found))
