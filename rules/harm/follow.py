"""What a view tells each account of harm of its chamber, and what the accounts say of it."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from operator import itemgetter
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from rules.checks.bands import dry_limit, limits
from rules.climate.consensus import NEVER_MS
from rules.climate.dryness import dries_like_pct
from rules.climate.judging import Instants
from rules.climate.memory import Account
from rules.climate.swing import lasting
from rules.climate.view import View
from rules.climate.windows import TREND_OVER_MS, Signal, passed_since
from rules.harm.account import EVERY_MS, Garden, Judged, Look, Step, Walker
from rules.harm.course import Floats
from rules.physics.condensate import drip_load_g_m2
from rules.physics.vapour import saturation_vapour_pressure_pa_or_nan, vapour_pressure_pa_or_nan
from rules.settings import Chamber
from rules.settings.bands import Band
from rules.terms.condition_changes import Harm
from rules.trade.bearable import BEARABLE, HarmKind
from rules.trade.garden_sizes import dryness_of, size_class


@dataclass(frozen=True, slots=True)
class Followed:
    """What one account said over a stretch."""

    steps: tuple[Step, ...]
    judged: tuple[Judged, ...]
    before: Harm | None = None

    def at(self, index: int) -> Harm | None:
        """Return how it stands at an instant of the stretch; None: it is inside its band."""
        place = bisect_right(self.judged, index, key=itemgetter(0))
        if not place:
            return self.before
        judged = self.judged[place - 1][1]
        return None if judged is None else judged(index)


NOTHING = Followed((), ())
PIECE = 288
"""So many looks are walked at once: a day, over whose length a lasting trouble is cheapest. Measured."""
_NONE = Account()
Where = NDArray[np.intp]


@dataclass(frozen=True, slots=True)
class _Course:
    """What an account needs to know of every look."""

    value: Floats
    shown: Floats
    edge: Floats
    onward: Callable[[], tuple[Floats, Floats]]
    """Its trend per hour for the worse and where that ends, asked for only where it is beyond its band or was."""
    shift: float = 0.0
    of_humidity: bool = False


def follow(view: View) -> dict[HarmKind, Followed]:
    """Return what the accounts of a chamber say over its view, and carry them on in its memory."""
    before = view.memory.instant_ms
    where = np.flatnonzero(passed_since(view.at_ms // EVERY_MS, -1 if before is None else before // EVERY_MS))
    found = {kind: Followed((), (), account.judged) for kind, account in view.memory.harm.items()}
    if view.chamber is None or not len(where):
        return found
    size = size_class(view.garden_ml) if view.chamber.role == "fungus" else "E"
    at_ms = view.at_ms if len(where) == len(view.at_ms) else view.at_ms[where]  # one array: its means are worked out once
    for kind, course in _courses(view, view.chamber, where, at_ms).items():
        account = view.memory.harm.get(kind, _NONE)
        beyond = np.flatnonzero(BEARABLE[kind].worse * (course.value - course.edge) > 0)
        if not (account.awake or len(beyond)):
            continue
        walker = Walker(Garden(kind, size, course.shift), account)
        seen, unseen_ms = (course.value, course.shown, course.edge), _unseen_ms(view, where, course)
        columns = (at_ms, where, *seen, *course.onward(), unseen_ms)
        for begin, end in _pieces(len(where)):
            if not walker.account.awake:
                first = int(np.searchsorted(beyond, begin))
                begin = int(beyond[first]) if first < len(beyond) else end
            if begin < end:
                walker.walk([*map(Look._make, zip(*(column[begin:end].tolist() for column in columns), strict=True))])
        view.memory.harm[kind] = walker.account
        found[kind] = Followed(tuple(walker.steps), tuple(walker.judged), account.judged)
    accounts = view.memory.harm  # in one order, whichever woke first in this stretch: the same state however it is cut
    view.memory.harm = {kind: accounts[kind] for kind in BEARABLE if kind in accounts}
    return found


def _unseen_ms(view: View, where: Where, course: _Course) -> NDArray[np.int64]:
    """Return how long before each look nothing was seen of what it judges, 0 where nothing ever was."""
    value, seen_ms = view.temperature.value, view.memory.seen_ms
    if course.of_humidity:
        value, seen_ms = view.humidity.value, view.memory.humidity_seen_ms
    before_ms = NEVER_MS if seen_ms is None else seen_ms
    last_ms = np.maximum.accumulate(np.concatenate(([before_ms], np.where(np.isnan(value), before_ms, view.at_ms))))[where]
    return np.where(last_ms == NEVER_MS, 0, view.at_ms[where] - last_ms)


def _pieces(count: int) -> Iterator[tuple[int, int]]:
    """Yield where the pieces of a stretch begin and end: an account that sleeps through one costs nothing there."""
    return ((begin, min(begin + PIECE, count)) for begin in range(0, count, PIECE))


def _courses(view: View, chamber: Chamber, where: Where, at_ms: Instants) -> dict[HarmKind, _Course]:
    """Return the course of every kind of harm that the chamber's bands know; `at_ms`: when its looks are."""
    found: dict[HarmKind, _Course | None] = {
        "heat": _thermal(view, chamber, where, at_ms, "high"), "cold": _thermal(view, chamber, where, at_ms, "low"),
        "dryness": _dryness(view, chamber, where, at_ms), "water": _water(view, chamber, where),
    }
    return {kind: course for kind, course in found.items() if course is not None}


def _thermal(
    view: View, chamber: Chamber, where: Where, at_ms: Instants, side: Literal["low", "high"]
) -> _Course | None:
    kind: HarmKind = "heat" if side == "high" else "cold"
    edge = limits(view, chamber.temperature, side)
    if edge is None:
        return None
    seen = view.temperature
    value = seen.value if chamber.two_probes != "worse" else seen.most if side == "high" else seen.least

    def onward() -> tuple[Floats, Floats]:
        trend, end = _trend(at_ms, view.recent.temperature, kind), np.full(len(where), np.nan)
        if kind == "cold" and view.room_recent is not None:  # it cools towards its room, which may cool itself
            fall = np.maximum(_trend(at_ms, view.room_recent, kind), 0.0)
            end = view.room_temperature[where] - fall * BEARABLE[kind].damping_h
        return trend, end

    return _Course(value[where], value[where], _of(edge, where), onward, _shift(kind, chamber.temperature, side))


def _dryness(view: View, chamber: Chamber, where: Where, at_ms: Instants) -> _Course | None:
    lasts = lasting(view)
    edge = dry_limit(view, lasts.temperature_c[where], where)
    if edge is None:
        return None
    least = view.humidity.least - view.humidity.value if chamber.two_probes == "worse" else 0.0
    shown = (lasts.humidity_pct + least)[where]
    full = saturation_vapour_pressure_pa_or_nan(lasts.temperature_c[where])
    value, edge_now = (dries_like_pct(full * (1.0 - figure / 100.0)) for figure in (shown, edge))

    def onward() -> tuple[Floats, Floats]:
        room = vapour_pressure_pa_or_nan(view.room_temperature[where], view.room_humidity[where])
        trend = _trend(at_ms, view.recent.humidity, "dryness")
        trend[~np.isnan(lasts.swing_pct[where])] = 0.0  # a pulse is no trend
        return trend, np.where(np.isnan(room), 0.0, np.clip(dries_like_pct(full - room), 0.0, 100.0))

    return _Course(value, shown, edge_now, onward, _shift_of_dryness(view), of_humidity=True)


def _water(view: View, chamber: Chamber, where: Where) -> _Course | None:
    if chamber.role != "fungus":
        return None
    band, margin = chamber.lid_dew, view.margin[where]
    share = view.condensate[where] / drip_load_g_m2(chamber.lid.tilt_deg)
    share = np.where(np.isnan(margin), np.nan, np.rint(share * 1e6) / 1e6)
    dry, nothing = margin >= band.caution_margin_k, np.zeros(len(where))
    edge = np.where(dry, 1e6, BEARABLE["water"].hours[0][0])
    return _Course(share, share, edge, lambda: (nothing, nothing + np.nan))


def _trend(at_ms: Instants, signal: Signal, kind: HarmKind) -> Floats:
    """Return the change per hour for the worse beyond what is noise, less than 0 for the better, 0 where there is none."""
    slope = BEARABLE[kind].worse * signal.slope_k_h(at_ms, TREND_OVER_MS)
    beyond = np.sign(slope) * np.maximum(np.abs(slope) - BEARABLE[kind].noise_h, 0.0)
    return np.where(np.isnan(slope), 0.0, beyond)


def _of(edge: Floats | float, where: Where) -> Floats:
    return edge[where] if isinstance(edge, np.ndarray) else np.full(len(where), edge)


def _shift_of_dryness(view: View) -> float:
    """Return how far the keeper's own harmful edge lies below that of this size of garden."""
    own = view.humidity_band.harmful_low
    return 0.0 if own is None else dryness_of(view.garden_ml).harmful_pct - own


def _shift(kind: HarmKind, band: Band, side: Literal["low", "high"]) -> float:
    harmful = getattr(band, f"harmful_{side}")
    return 0.0 if harmful is None else BEARABLE[kind].anchor - float(harmful)
