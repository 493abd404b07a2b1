"""Speed of the dew point against a bare np.exp + np.log pass; run it by hand: `python tests/benchmarks/dew_point.py`.

The rounds of all variants are interleaved, so that a machine that changes its speed changes all of them alike; the
ratio is of the medians. The limit pass writes in place, over the whole array.

Measured (two cores of a server, numpy 2.4.6): 14 ms per 1e6 dew points, 0.6 us for one. With numpy's AVX2 loops that
is 1.8 times the limit (7.8 ms). With its AVX-512 loops exp and log take 2 ms together and the ratio is 6 to 8: eight
divisions and square roots per dew point, exact to 5e-13 K, alone take longer. To see the first, set
NPY_DISABLE_CPU_FEATURES="AVX512F AVX512CD AVX512_SKX AVX512_CLX AVX512_CNL AVX512_ICL AVX512_SPR X86_V4".
"""

from __future__ import annotations

import statistics
import timeit
from collections.abc import Callable
from time import perf_counter

import numpy as np

from rules.psychrometrics import dew_point_c, dew_point_c_or_nan

COUNT = 1_000_000
ROUNDS = 25


def median_ms(variants: dict[str, Callable[[], object]]) -> dict[str, float]:
    """Return the median time of each variant, ms, over interleaved rounds."""
    taken: dict[str, list[float]] = {name: [] for name in variants}
    for _ in range(ROUNDS):
        for name, variant in variants.items():
            begin = perf_counter()
            variant()
            taken[name].append(1e3 * (perf_counter() - begin))
    return {name: statistics.median(values) for name, values in taken.items()}


def main() -> None:
    """Print the times and ratios."""
    points = np.random.default_rng(1)
    temperature_c = points.uniform(15.0, 35.0, COUNT)
    humidity_pct = points.uniform(40.0, 99.0, COUNT)
    out = np.empty(COUNT)

    def limit() -> None:
        np.log(humidity_pct, out=out)
        np.exp(out, out=out)

    times = median_ms(
        {
            "limit: np.exp + np.log in place": limit,
            "dew_point_c_or_nan": lambda: dew_point_c_or_nan(temperature_c, humidity_pct),
            "dew_point_c (checked)": lambda: dew_point_c(temperature_c, humidity_pct),
        }
    )
    base = times["limit: np.exp + np.log in place"]
    for name, value in times.items():
        print(f"{name:34s} {value:8.2f} ms per 1e6   {value / base:5.2f} x limit")
    calls = 200_000
    one = min(timeit.repeat(lambda: dew_point_c(26.0, 80.0), number=calls, repeat=7)) / calls
    print(f"{'dew_point_c, one value':34s} {1e6 * one:8.2f} us per call")


if __name__ == "__main__":
    main()
