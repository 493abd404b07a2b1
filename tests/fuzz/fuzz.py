"""Coverage-guided fuzzing of every parser: `make fuzz MINUTES=...`.

Each target gets the same share of the time in a process of its own. New inputs that reach new code are merged into the kept
corpus; an input that breaks a promise is left in `.fuzz/findings/`, told, and makes the run fail.
"""

from __future__ import annotations

import argparse
import os
import re
import shlex
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
WORK = ROOT / ".fuzz"
sys.path[:0] = [str(ROOT), str(Path(__file__).parent)]

import corpus_file  # noqa: E402

MOST_KEPT = 100
_LONGEST_INPUT = {"config": 3_000, "state": 6_000, "toml": 600, "pattern": 150, "topic": 210}


def inside(name: str, arguments: list[str]) -> None:
    """Be the fuzzing process of one target."""
    import atheris

    with atheris.instrument_imports(include=["adapters", "rules", "daemon", "tomllib", "json", "csv"]):
        import targets

    # To merge, the fuzzer starts itself again through a shell by its first argument.
    atheris.Setup([shlex.join(command(name)), *arguments], targets.TARGETS[name])
    atheris.Fuzz()


def command(name: str, *arguments: str) -> list[str]:
    """Return how the process of one target is started."""
    return [sys.executable, __file__, "--inside", name, *arguments]


def fuzz(name: str, seconds: float, seed: int) -> tuple[int, int, list[Path]]:
    """Fuzz one target; returns executions, the size of the grown corpus, and what was found."""
    grown, findings = WORK / "grown" / name, WORK / "findings" / name
    findings.mkdir(parents=True, exist_ok=True)
    before = set(findings.iterdir())
    corpus_file.unpack(corpus_file.read(name), grown)
    executions = 0
    until_s = time.monotonic() + seconds
    while (left_s := until_s - time.monotonic()) > 0.5 and len(set(findings.iterdir()) - before) < 10:
        done = subprocess.run(
            command(
                name, str(grown), f"-max_total_time={max(1, round(left_s))}", f"-seed={seed}", "-timeout=25",
                "-report_slow_units=25", "-rss_limit_mb=1500", f"-max_len={_LONGEST_INPUT.get(name, 500)}",
                f"-artifact_prefix={findings}/", "-print_final_stats=1",
            ),
            capture_output=True, text=True, errors="replace", env=os.environ | {"OPENBLAS_NUM_THREADS": "1"},
        )  # fmt: skip
        counted = [int(number) for number in re.findall(r"stat::number_of_executed_units:\s*(\d+)", done.stderr)]
        counted = counted or [int(number) for number in re.findall(r"^#(\d+)", done.stderr, re.MULTILINE)[-1:]]
        executions += sum(counted)
        if done.returncode == 0:
            break
        (findings / f"{len(before)}-{seed}.log").write_text(done.stdout[-10_000:] + done.stderr[-10_000:])
        seed += 1
    return executions, len(list(grown.iterdir())), sorted(set(findings.iterdir()) - before)


def keep(name: str) -> int:
    """Merge what was grown into the kept corpus: a small set of inputs that reaches the same code."""
    merged = WORK / "merged" / name
    merged.mkdir(parents=True, exist_ok=True)
    for old in merged.iterdir():
        old.unlink()
    subprocess.run(
        command(name, "-merge=1", "-timeout=25", str(merged), str(WORK / "grown" / name)), capture_output=True, check=False
    )
    known = corpus_file.read(name)
    fresh = sorted((file.read_bytes() for file in merged.iterdir()), key=len)
    return corpus_file.write(name, [*known, *fresh[: max(0, MOST_KEPT - len(known))]])


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0, help="in total, over all targets")
    parser.add_argument("--target", action="append", help="only this one; may be given again")
    parser.add_argument("--seed", type=int, default=int(time.time()) % 2**31)
    parser.add_argument("--keep", action="store_true", help="merge what was grown into the kept corpus")
    if sys.argv[1:2] == ["--inside"]:
        inside(sys.argv[2], sys.argv[3:])
    options = parser.parse_args()
    import targets

    names = options.target or list(targets.TARGETS)
    total, found = 0, []
    for name in names:
        executions, size, findings = fuzz(name, 60 * options.minutes / len(names), options.seed)
        total, found = total + executions, found + findings
        kept = f", {keep(name)} kept" if options.keep else ""
        print(f"{name:15} {executions:>12,} executions, corpus {size}{kept}, findings {len(findings)}", flush=True)
    print(f"{'all':15} {total:>12,} executions with seed {options.seed}, findings {len(found)}")
    for path in found:
        print(f"  {path.relative_to(ROOT)}")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
