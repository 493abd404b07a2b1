"""Where a heat mat ends that stays on, where one that is dead, and which size of mat can do no harm by itself.

A box loses heat in proportion to its lead over the room, so at rest it stands above the room by mat power over loss.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil, exp, floor

from rules.physics.lid_heat import FILM_M2K_W, FOAM_W_MK, pane_resistance_m2k_w
from rules.settings import Chamber, Lid, Room

LOSS_SPREAD = 0.25
"""Standard deviation of the logarithm of a loss that only size and build tell: a factor of 1.3. Own estimate."""
WALL_FOAM_M = 0.010
"""Foam that walls told as `warm` count with. Own estimate: it saves two fifths of the power; 30 to 60 % is common practice."""
STILL_HELD_C, STILL_BORNE_C = 24.0, 30.0
"""Where the keeper's band has no edge: low edge and harmful edge of tropical gardens (`rules.trade.profiles`).
Common practice; Cazin 1989."""


_BARE_M2K_W = 2.0 * FILM_M2K_W + pane_resistance_m2k_w(Lid())  # by definition: of one bare pane with its films


def loss_w_k(air_ml: float, lid: Lid) -> float:
    """Heat that a closed box loses to its room for each kelvin of its lead.

    Parameters
    ----------
    air_ml : volume of the chamber's air, ml; 50 to 2 000 000
    lid : its build decides a fifth of the loss, `walls` the rest

    Returns
    -------
    loss, W/K

    Raises
    ------
    nothing: the settings are bounded

    Notes
    -----
    Bare plastic: 0.75 W/K at 8 l, in proportion to the surface: five faces of a cube at 3 W/m2K and a little through the
    floor. Own estimate, good to a factor of 1.3 (`LOSS_SPREAD`); ventilation of one air change an hour adds a hundredth.
    Foam counts by series resistance with still air on both sides, ISO 6946:2017 clause 6.7.1.

    Examples
    --------
    >>> round(loss_w_k(8000.0, Lid()), 2), round(loss_w_k(8000.0, Lid(insulation_mm=20.0, walls="warm")), 2)
    (0.75, 0.3)
    """
    through_lid = _BARE_M2K_W / (2.0 * FILM_M2K_W + pane_resistance_m2k_w(lid))
    through_walls = _BARE_M2K_W / (_BARE_M2K_W + WALL_FOAM_M / FOAM_W_MK) if lid.walls == "warm" else 1.0
    whole = 0.75 * (air_ml / 8000.0) ** (2.0 / 3.0)
    return float(whole * (0.2 * through_lid + 0.8 * through_walls))


@dataclass(frozen=True, slots=True)
class MatEnds:
    """What a mat of `watts` does to a box that loses `loss_w_k`, in a room from `coldest_c` to `warmest_c`."""

    watts: float
    loss_w_k: float
    spread: float
    """Standard deviation of the logarithm of the loss."""
    coldest_c: float
    warmest_c: float
    hold_c: float
    """What it must reach in the coldest room: the band's low edge."""
    bear_c: float
    """What it must not pass: from here on heat does harm."""
    cut_out_c: float | None = None
    still_c: float | None = None
    """Below this the garden stands still; None: nothing is told of cold."""

    @property
    def stuck_c(self) -> float:
        """Return where the box ends with the mat on all the time and the room at its warmest."""
        return self.warmest_c + self.watts / self.loss_w_k

    @property
    def stuck_span_c(self) -> tuple[float, float]:
        """Return the same with the loss one standard deviation greater and smaller."""
        lift = self.watts / self.loss_w_k
        return self.warmest_c + lift * exp(-self.spread), self.warmest_c + lift * exp(self.spread)

    @property
    def held_c(self) -> float:
        """Return what it holds in the coldest room."""
        return self.coldest_c + self.watts / self.loss_w_k

    @property
    def needed_w(self) -> float:
        """Return the power that holds the band's low edge in the coldest room."""
        return max(self.loss_w_k * (self.hold_c - self.coldest_c), 0.0)

    @property
    def safe_w(self) -> float:
        """Return the most power that can stay on in the warmest room without harm, on the careful side of the estimate."""
        return max(self.loss_w_k * exp(-self.spread) * (self.bear_c - self.warmest_c), 0.0)

    @property
    def safe_by_itself(self) -> bool:
        """Return whether this mat may stay on without harm."""
        return self.watts <= self.safe_w

    @property
    def cooks(self) -> bool:
        """Return whether it can do harm and nothing ends it."""
        return not self.safe_by_itself and not self.guarded

    @property
    def too_weak(self) -> bool:
        """Return whether the garden stands still in the coldest room, with the mat on all the time."""
        return self.still_c is not None and self.held_c < self.still_c

    @property
    def one_size_does_both(self) -> bool:
        """Return whether any mat is safe by itself and still holds the low edge: the room must not vary too far."""
        return self.needed_w <= self.safe_w

    @property
    def proposed_w(self) -> float:
        """Return the mat to buy: the least half watt that holds the low edge, or less where only that is safe by itself."""
        least = ceil(2.0 * self.needed_w) / 2.0
        return floor(10.0 * self.safe_w) / 10.0 if self.one_size_does_both and least > self.safe_w else least

    @property
    def guarded(self) -> bool:
        """Return whether an independent cut-out ends it before harm."""
        return self.cut_out_c is not None and self.cut_out_c <= self.bear_c


def mat_ends(
    chamber: Chamber, room: Room, watts: float | None = None, *, lift_k: float | None = None, spread: float = LOSS_SPREAD
) -> MatEnds | None:
    """Return where this chamber's mat ends; None without one.

    `lift_k`: by how much the configured mat lifts the box, where its own course has told it; else size and build decide.
    """
    heater, band = chamber.devices.heater, chamber.temperature
    if heater is None:
        return None
    loss = loss_w_k(chamber.air_ml, chamber.lid) if lift_k is None else heater.watts / lift_k
    return MatEnds(
        heater.watts if watts is None else watts, loss, spread, room.coldest_c, room.warmest_c,
        STILL_HELD_C if band.low is None else band.low, STILL_BORNE_C if band.harmful_high is None else band.harmful_high,
        heater.cut_out_c, band.harmful_low,
    )
