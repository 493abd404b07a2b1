"""Healthy probes in air that no fungus ever had are hardly blamed (`strange_air`)."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from healthy_air import LOGGERS, Logger, blames, days_of, raised, told, with_gaps
from strange_air import STRANGE, settled, silica_box

COARSE = (Logger(10, 0.1, 1.0), Logger(60, 1.0, 5.0), Logger(900, 0.1, 5.0), Logger(3600, 1.0, 5.0))
A_MONTH = 0.2
"""What the project promises at most."""


@pytest.mark.parametrize("name", STRANGE)
def test_a_lone_healthy_probe_is_blamed_less_than_once_in_five_months(name: str) -> None:
    blamed, months = {}, 0.0
    for logger, seed in product((*LOGGERS, *COARSE), (1, 2)):
        draw, every_s = np.random.default_rng([seed, logger.interval_s]), min(logger.interval_s, 300)
        days = min(days_of(logger), 20.0)
        course = settled(STRANGE[name](draw, days, every_s), 60.0, draw.uniform(-0.3, 0.3), draw.uniform(-1.5, 1.5), every_s)
        blamed[(logger, seed)] = blames(logger, with_gaps(logger.hear(course), draw))
        months += days / 30
    assert sum(blamed.values()) < A_MONTH * months, {key: count for key, count in blamed.items() if count}


def test_the_alarm_itself_is_silent_over_silica_gel() -> None:
    """To the engine: a probe in steps of 5 %RH that reads 0, 5 and, when its box is opened, 30; it was 44 alarms in 20 days."""
    logger, box = Logger(900, 0.1, 5.0), settled(silica_box(np.random.default_rng(9), 20.0, 300), 60.0, 0.0, -0.5, 300)
    assert not raised(told({"one": (logger, logger.hear(box))}), "probe-fault")
