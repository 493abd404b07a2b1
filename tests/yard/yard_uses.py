"""What a drawn chamber is used for: a garden, leaves, waste, a queen that founds, or a garden without any heater."""

from __future__ import annotations

from dataclasses import replace

from yard_box import Parts
from yard_chambers import Kept

USES = ("fungus", "food", "waste", "founding", "heaterless")
FOUNDING_ML = 4.0
GROUND_SHARE = 1.0
"""Water in the ground where no garden stands, of what is in balance with half-saturated air. Own estimate."""


def used_as(kept: Kept, use: str) -> Kept:
    """Return the same box for another use; only boxes of many nodes can be rebuilt so."""
    if use == "fungus":
        return kept
    assert use in USES and isinstance(kept.parts, Parts), (use, kept.world)
    if use == "founding":
        return replace(kept, use=use, garden_ml=FOUNDING_ML, parts=replace(kept.parts, garden_ml=FOUNDING_ML))
    cold = replace(kept, use=use, watts=0.0, parts=replace(kept.parts, heating=replace(kept.parts.heating, watts=0.0)))
    if use == "heaterless":
        return cold
    assert isinstance(cold.parts, Parts)
    bare = replace(cold.parts, garden_ml=1.0, granules_g=0.0, ground_g_m2=GROUND_SHARE * cold.parts.ground_half_g_m2)
    return replace(cold, has_mister=False, room_probe=True, parts=bare, garden_ml=1.0)
