"""That a band will be left is told where such forecasts come true, and not where they do not."""

from __future__ import annotations

import numpy as np
from healthy_air import HOUR_MS, START_MS, Air, Logger, raised, told

FINE = Logger(300, 0.05, 0.1)


def swings(top_c: np.ndarray) -> tuple[Air, list[int]]:
    """A chamber that warms by day and cools by night, to these tops and down to 25 degC (its band: 24 to 28), and when it
    passes 28 degC."""
    hour = np.arange(len(top_c) * 288) / 12.0
    turn = np.minimum(hour % 24.0, 24.0 - hour % 24.0) / 12.0
    temperature = 25.0 + turn * np.repeat(top_c - 25.0, 288)
    at_ms = START_MS + np.arange(len(hour), dtype=np.int64) * 300_000
    noise = np.random.default_rng(2).normal(0.0, 0.02, len(hour))
    passed = np.flatnonzero((temperature[1:] > 28.0) & (temperature[:-1] <= 28.0))
    return Air(at_ms, temperature + noise, 80.0 + 20 * noise), at_ms[passed].tolist()


def warned(air: Air) -> list[int]:
    return [at_ms for at_ms, _ in raised(told({"nest-air": (FINE, FINE.hear(air))}), "temperature-leaving")]


def test_a_chamber_that_leaves_its_band_again_and_again_is_warned_of_within_two_hours_before() -> None:
    air, passed = swings(np.full(8, 31.0))
    said = warned(air)
    assert len(said) >= 3
    for at_ms in said:
        assert any(0 < moment - at_ms <= 2 * HOUR_MS for moment in passed)


def test_a_chamber_that_turns_back_before_its_edge_is_hardly_ever_warned_of() -> None:
    """Nor is it after it has left its band three times: three in five is too few."""
    air, _ = swings(np.array([27.8] * 8))
    assert not warned(air)
    air, passed = swings(np.array([31.0, 27.8, 31.0, 27.8, 31.0, 27.8, 27.8, 27.8, 31.0, 27.8]))
    assert len([at_ms for at_ms in warned(air) if not any(0 < m - at_ms <= 2 * HOUR_MS for m in passed)]) <= 1
