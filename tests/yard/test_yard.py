"""The program in chambers that it was never made for: those that once failed, and that the loop itself can be trusted."""

from __future__ import annotations

import pytest
from yard_kept import KeptChamber, kept_chambers
from yard_trial import lived


@pytest.mark.parametrize("kept", kept_chambers(), ids=lambda kept: f"{kept.world}-{kept.trouble}-{kept.seed}")
def test_a_chamber_that_once_failed_is_kept_well(kept: KeptChamber) -> None:
    outcome = lived(kept.world, kept.trouble, kept.seed, until=kept.days * 1440, searched=False)
    assert outcome.in_band["dewlid"] >= kept.least_in_band, kept.why
    assert outcome.harmful["dewlid"] <= kept.most_harm, kept.why


def test_the_same_seed_gives_the_same_week() -> None:
    """A finding is only worth its seed if the seed brings it back, event by event."""
    first, second = (lived("recorded", "water-out", 6, until=1700, searched=False) for _ in range(2))
    assert first == second
    assert first.events
