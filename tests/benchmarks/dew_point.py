"""Speed of the dew point against a bare np.exp + np.log pass and against the general reference libraries.

The limit pass writes in place, over the whole array; all variants are interleaved. What the ratio to the limit is depends
on which loops numpy takes: with AVX-512 its exp and log take 2 ms for 1e6 points together, less than the eight divisions
and square roots alone that a dew point exact to 5e-13 K needs. So the bench runs this file twice: as numpy is, and with its
AVX-512 loops off. Set NPY_DISABLE_CPU_FEATURES to see the second by hand; `dispatched` tells the names. The other ways to a
dew point are timed by `dew_point_ways.py`.

The libraries are asked for fewer points, since they take longer; their worst errors stand in
tests/reference/test_worst_errors.py.
"""

from __future__ import annotations

import os
import sys
import timeit
import warnings
from collections.abc import Callable

import numpy as np
from measure import Row, at_most, beside, main, medians_s

from rules.physics.vapour import dew_point_c, dew_point_c_or_nan

COUNT = 1_000_000
FEW = 2_000
ROUNDS = 15
CALLS = 100_000


def dispatched() -> list[str]:
    """Return the AVX-512 features that numpy uses here beyond its baseline."""
    from numpy._core._multiarray_umath import __cpu_dispatch__, __cpu_features__

    return [name for name in __cpu_dispatch__ if name.startswith(("AVX512", "X86_V4")) and __cpu_features__.get(name)]


def libraries(temperature_c: np.ndarray, humidity_pct: np.ndarray) -> dict[str, tuple[int, Callable[[], object]]]:
    """Return how many points each library is asked for, and how."""
    warnings.simplefilter("ignore")
    import CoolProp.CoolProp as coolprop
    import psychrolib
    from metpy.calc import dewpoint_from_relative_humidity
    from metpy.units import units

    psychrolib.SetUnitSystem(psychrolib.SI)
    share = humidity_pct / 100.0
    warm, moist = temperature_c * units.degC, humidity_pct * units.percent
    few_c, few_share = temperature_c[:FEW], share[:FEW]
    return {
        "metpy": (len(temperature_c), lambda: dewpoint_from_relative_humidity(warm, moist)),
        "psychrolib": (FEW, lambda: [
            psychrolib.GetTDewPointFromRelHum(t, rh) for t, rh in zip(few_c.tolist(), few_share.tolist(), strict=True)
        ]),
        "CoolProp": (FEW, lambda: coolprop.HAPropsSI(
            "D", "T", few_c + 273.15, "R", few_share, "P", np.full(FEW, 101_325.0)
        )),
    }  # fmt: skip


def rows() -> list[Row]:
    """Return the times and ratios."""
    points = np.random.default_rng(1)
    temperature_c = points.uniform(15.0, 35.0, COUNT)
    humidity_pct = points.uniform(40.0, 99.0, COUNT)
    out = np.empty(COUNT)

    def limit() -> None:
        np.log(humidity_pct, out=out)
        np.exp(out, out=out)

    plain = not dispatched()
    part = f"dew point, 1e6 points, numpy {'without' if plain else 'with'} AVX-512"
    ours: dict[str, Callable[[], object]] = {
        "limit": limit,
        "unchecked": lambda: dew_point_c_or_nan(temperature_c, humidity_pct),
        "checked": lambda: dew_point_c(temperature_c, humidity_pct),
    }
    times = medians_s(ours, ROUNDS)
    found = [
        beside(part, "dew point of history (bad values become NaN)", 1e3 * times["unchecked"], "ms", "np.exp + np.log",
               1e3 * times["limit"], most=2.5 if plain else 3.0),
        beside(part, "dew point, checked", 1e3 * times["checked"], "ms", "np.exp + np.log", 1e3 * times["limit"]),
    ]  # fmt: skip
    if "--dispatch-only" in sys.argv:
        return found
    return [*found, *_against_libraries(part, temperature_c, humidity_pct), *_scalar()]


def _against_libraries(part: str, temperature_c: np.ndarray, humidity_pct: np.ndarray) -> list[Row]:
    asked = libraries(temperature_c, humidity_pct)
    variants: dict[str, Callable[[], object]] = {"ours": lambda: dew_point_c(temperature_c, humidity_pct)}
    times = medians_s(variants | {name: call for name, (_, call) in asked.items()}, 5)
    return [
        beside(part, f"dew point, checked, against {name}", 1e3 * times["ours"], "ms", f"{name}, ms per 1e6",
               1e3 * times[name] * COUNT / count, most=1.0)
        for name, (count, _) in asked.items()
    ]  # fmt: skip


def _scalar() -> list[Row]:
    taken_s = min(timeit.repeat(lambda: dew_point_c(26.0, 80.0), number=CALLS, repeat=7)) / CALLS
    return [at_most("dew point, one value", "dew point of one reading", 1e6 * taken_s, "us", 3.0)]


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    main(rows)
