"""Is a reading to be believed? QARTOD-style flags for one series, vectorised, the same however the stream is cut.

Flags (IOOS QARTOD Temperature/Salinity manual v2.0, doi 10.7289/V5V40SD4): 1 good, 2 not evaluated, 3 suspect, 4 fail. A
suspect sample freezes delays, a failed one is not seen at all; neither raises nor clears a climate alarm.

Thresholds: step 3 K and 10 %RH between consecutive minutes after WMO CBS ET-AWS-1 Doc. 9(2) 2002; the others are proposals
of our own, supported by what capacitive probes do in wet air (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from rules.climate.memory import Series
from rules.climate.wetness import rests, wet
from rules.terms.events import HOUR_MS, MINUTE_MS
from rules.terms.quantities import DRIEST_PCT, FACTS, Quantity

Floats = NDArray[np.float64]
Instants = NDArray[np.int64]
Bools = NDArray[np.bool_]
Mark = Callable[[Bools, int, str], None]

GOOD, NOT_EVALUATED, SUSPECT, FAIL = 1, 2, 3, 4
NAMES = {GOOD: "good", NOT_EVALUATED: "suspect", SUSPECT: "suspect", FAIL: "fail"}

TESTS = (
    "",
    "first",
    "gross-range",
    "sentinel",
    "domain",
    "spike",
    "rate",
    "flat-line",
    "saturated",
    "wetted",
    "begins-extreme",
    "erratic",
)
_CODE = {name: code for code, name in enumerate(TESTS)}

# Own estimate.
SPIKE = {"air_temperature": 3.0, "relative_humidity": 10.0, "surface_temperature": 5.0}  # per minute between samples
# Own estimate.
RATE = {"air_temperature": 1.0, "relative_humidity": 10.0, "surface_temperature": 3.0}  # per minute, two steps running
WANDERS_MS = 10 * MINUTE_MS
"""Back and forth air goes by a spike of a minute within so long, and with the root of the time within longer. Own estimate."""
RATE_DOUBTED_MS = 2 * MINUTE_MS
"""What goes on as fast for longer is the air: sun on a small box, steam, a fire. Own estimate."""
SENTINELS = {  # what common digital probes say when they have nothing to say: common practice, from memory
    "air_temperature": (85.0, -127.0, -45.0),
    "relative_humidity": (-6.0, 255.0),
    "surface_temperature": (85.0, -127.0),
}
MOST_STEP = {"air_temperature": 16.0, "relative_humidity": 45.0, "surface_temperature": 20.0}
"""However long the time between two samples, the air of a box moves no further at once; own estimate."""
BEYOND_BELIEVED_MS = HOUR_MS
"""An extreme that a probe jumped to is believed when it has wandered there for so long: a broken one stands. Own estimate."""
BEGINS_MS = 6 * HOUR_MS
"""A probe that begins in an extreme such as a frost, or comes back in one, has so long to wander there before it is blamed:
own estimate."""
COARSE = {"air_temperature": 500, "relative_humidity": 1_000, "surface_temperature": 500}
"""In steps of so many thousandths no air need wander within hours: who began in an extreme so is blamed by its calm, as
everywhere else. Own estimate."""
FLAT_FAIL_AFTER = 3  # own estimate
JUMPS = ("spike", "domain", "sentinel", "gross-range")
"""What a loose contact or a dying probe says between readings that look well; or it goes back and forth as far."""
JUMPS_OF, ERRATIC_JUMPS, CALM_JUMPS = 24, 5, 1
"""A probe that began to jump so often in so many samples is erratic, until it did at most so often. Sound ones of all paces did
three times at most, hourly under a roof (`tests/trials/healthy_air.py`). Own estimate."""
FAR = {"air_temperature": 25.0, "relative_humidity": 60.0, "surface_temperature": 60.0}
FAR_WITHIN_MS = 15 * MINUTE_MS
"""From one reading to the next within this no air and no mat goes so far into an extreme: a probe that is carried from a box
into the frost or the sun passes what lies between. Own estimates."""
AGREE = {"air_temperature": 1.5, "relative_humidity": 6.0, "surface_temperature": 3.0}
"""So near to it a second probe of the place bears an extreme out: the errors of two cheap probes; own estimate."""


@dataclass(frozen=True, slots=True)
class Judged:
    """One series' samples of a stretch: believed values (NaN where failed), flags, and which test decided."""

    at_ms: NDArray[np.int64]
    value: NDArray[np.float64]
    flag: NDArray[np.int8]
    test: NDArray[np.int8]


@dataclass(frozen=True, slots=True)
class Flat:
    """A probe or one quantity of it per sample: since when it has said the same, and how long it may."""

    since_ms: Instants
    may_for_ms: Instants


@dataclass(frozen=True, slots=True)
class Beside:
    """What another probe of the place may mean where this one is, per sample (NaN: nothing fresh), since when it has said so,
    and how far two sound ones may be apart."""

    value: Floats
    since_ms: Instants
    near: Floats


def fresh_for_ms(interval_ms: int) -> int:
    """Return how long a reading stands for the present: three intervals, at least two minutes."""
    return max(3 * interval_ms, 2 * MINUTE_MS)


def asks_second(memory: Series, quantity: Quantity, raw: Floats) -> bool:
    """Return whether what another probe says bears on these samples: they are extreme or near their top, or were so lately."""
    facts = FACTS[quantity]
    if memory.beyond_since_ms is not None or (raw < facts.domain_low).any() or (raw > facts.domain_high).any():
        return True
    return quantity == "relative_humidity" and not rests(memory, raw)


def judge(
    memory: Series,
    quantity: Quantity,
    at_ms: NDArray[np.int64],
    raw: NDArray[np.float64],
    interval_ms: int,
    flat: Flat | None,
    second: Beside | None = None,
    air_c: Floats | None = None,
    grain_m: Instants | None = None,
    nonsense: Bools | None = None,
) -> tuple[Series, Judged]:
    """Return the series' memory after these samples and their flags.

    `flat`: how long the probe has said exactly the same, and how long it may; None: no such test. `second`: what another probe
    of the place said last, where that is asked (`asks_second`); it bears out what is extreme. `air_c`: the temperature that a
    humidity probe itself said last, per sample; None: it has none. `grain_m`: its resolution so far, per sample, in
    thousandths; None: a fine one. `nonsense`: where the temperature of its probe looks like a humidity.
    """
    count = len(raw)
    flag = np.full(count, GOOD, np.int8)
    test = np.zeros(count, np.int8)

    def mark(where: Bools, grade: int, name: str) -> None:
        if not where.any():
            return
        where = where & (flag < grade) if grade != NOT_EVALUATED else where & (flag == GOOD)
        flag[where] = grade
        test[where] = _CODE[name]

    memory = copy(memory)
    facts = FACTS[quantity]
    if not np.isfinite(raw).all():
        raw = np.where(np.isfinite(raw), raw, np.nan)
    if second is None:
        second = Beside(np.full(count, np.nan), at_ms, np.full(count, AGREE[quantity]))
    apart = np.abs(raw - second.value)
    borne_out = apart <= second.near
    beyond = (raw < facts.domain_low) | (raw > facts.domain_high)
    if beyond.any() or memory.beyond_since_ms is not None:
        bottom = raw < (DRIEST_PCT if quantity == "relative_humidity" else -np.inf)
        may_stand = bottom if grain_m is None else bottom | (grain_m >= COARSE[quantity])
        proves_nothing = bottom | ~(borne_out | np.isnan(apart))
        unled, alone = _unled(memory, quantity, at_ms, raw, beyond, proves_nothing, may_stand, interval_ms)
        mark(unled & ~alone & ~borne_out, SUSPECT, "domain")
        mark(alone & ~borne_out, SUSPECT, "begins-extreme")
    if nonsense is not None:
        mark(nonsense, SUSPECT, "domain")
    reversing = _neighbours(memory, quantity, at_ms, raw, interval_ms, mark)
    if quantity == "relative_humidity":
        saturated, wetted = wet(memory, at_ms, raw, apart, second.near, second.since_ms, air_c)
        mark(wetted, SUSPECT, "wetted")
        mark(saturated, FAIL, "saturated")
    if flat is not None:
        age = at_ms - flat.since_ms
        mark(age >= flat.may_for_ms, SUSPECT, "flat-line")
        mark(age >= FLAT_FAIL_AFTER * flat.may_for_ms, FAIL, "flat-line")
    first, *others = SENTINELS[quantity]
    sentinel = raw == first
    for said in others:
        sentinel |= raw == said
    mark(sentinel, FAIL, "sentinel")
    mark((raw < facts.gross_low) | (raw > facts.gross_high) | np.isnan(raw), FAIL, "gross-range")
    doubted = flag >= SUSPECT
    jumping = doubted & np.isin(test, [_CODE[name] for name in JUMPS]) | reversing if doubted.any() else reversing
    if memory.jumps or jumping.any():
        erratic = _erratic(memory, jumping)
        flag[erratic], test[erratic] = np.maximum(flag[erratic], SUSPECT), _CODE["erratic"]
    value = np.where(flag == FAIL, np.nan, raw)
    _remember(memory, at_ms, raw, flag, test)
    return memory, Judged(at_ms, value, flag, test)


def _neighbours(memory: Series, quantity: Quantity, at_ms: Instants, raw: Floats, interval_ms: int, mark: Mark) -> Bools:
    """Spike and rate: a sample far from both of the two before it is a spike until the next one agrees with it, and one that
    goes on fast is doubted at first. Returns where it went back and forth further than air wanders."""
    one_ms, one = _shifted(at_ms, raw, memory.last_ms, memory.last_raw)
    two_ms, two = _shifted(one_ms, one, memory.before_ms, memory.before_raw)
    fresh = fresh_for_ms(interval_ms)
    gap_one, gap_two = at_ms - one_ms, at_ms - two_ms
    mark((one_ms < 0) | (gap_one > fresh), NOT_EVALUATED, "first")
    moved = np.abs(raw - one)
    if not (moved > min(SPIKE[quantity], RATE[quantity] / 2.0)).any():  # nothing of what follows is so slow
        memory.racing_since_ms = None
        return np.zeros(len(raw), bool)
    limit = _step_limit(quantity, gap_one)
    far_one = moved > limit
    far_two = (np.abs(raw - two) > limit) | (two_ms < 0)
    mark(far_one & far_two & (one_ms >= 0) & (gap_one <= fresh), SUSPECT, "spike")
    rate_one = (raw - one) / np.maximum(gap_one / MINUTE_MS, 0.5)
    rate_before = (one - two) / np.maximum((one_ms - two_ms) / MINUTE_MS, 0.5)
    back = rate_one * rate_before < 0
    near = (two_ms >= 0) & (gap_two <= 2 * fresh)
    racing = near & ~back & (np.abs(rate_one) > RATE[quantity]) & (np.abs(rate_before) > RATE[quantity])
    mark(racing & (at_ms - _racing_since(memory, at_ms, racing) < RATE_DOUBTED_MS), SUSPECT, "rate")
    wandered = SPIKE[quantity] * np.sqrt(np.maximum(gap_two / WANDERS_MS, 1.0))
    reversing: Bools = near & back & (np.minimum(moved, np.abs(one - two)) > wandered)
    return reversing


def _racing_since(memory: Series, at_ms: Instants, racing: Bools) -> Instants:
    """Return since when each sample that races has raced."""
    last_calm = np.maximum.accumulate(np.where(racing, -1, np.arange(len(racing))))
    since: Instants = at_ms[np.minimum(last_calm + 1, len(racing) - 1)]
    if memory.racing_since_ms is not None:
        since = np.where(last_calm < 0, memory.racing_since_ms, since)
    memory.racing_since_ms = int(since[-1]) if racing[-1] else None
    return since


def _step_limit(quantity: Quantity, gap_ms: Instants) -> Floats:
    """Return how far two samples may be apart: by the minute at first, but no further than air moves at once."""
    return np.minimum(SPIKE[quantity] * np.maximum(gap_ms / MINUTE_MS, 1.0), MOST_STEP[quantity])


def _unled(
    memory: Series,
    quantity: Quantity,
    at_ms: Instants,
    raw: Floats,
    beyond: Bools,
    proves_nothing: Bools,
    may_stand: Bools,
    interval_ms: int,
) -> tuple[Bools, Bools]:
    """Return where an extreme is not believed: it was jumped to, and it has not wandered there for an hour yet; and where it
    is not blamed either, since nobody saw how it came there: at the beginning, and after a gap.

    At the bottom of its scale a humidity that wanders proves nothing, a dead input hums there; nor does one that stands, a
    sound probe reads 0 in a box over silica gel for months. It is asked for a proof (`probe-unproven`). Nor does what wanders
    beside another probe that says otherwise, or has leapt further than any air does: two swapped channels, a broken wire.
    """
    doubted, alone = np.zeros(len(raw), bool), np.zeros(len(raw), bool)
    before_ms, before = memory.last_ms, memory.last_raw
    for index in range(len(raw)):
        instant, value = int(at_ms[index]), float(raw[index])
        if not beyond[index]:
            memory.beyond_since_ms = None
        else:
            if memory.beyond_since_ms is None:
                memory.beyond_since_ms, memory.beyond_raw = instant, value
                near = before_ms is not None and instant - before_ms <= fresh_for_ms(interval_ms) and before is not None
                limit = _step_limit(quantity, np.array([instant - (before_ms or 0)]))[0]
                memory.beyond_believed = bool(near and abs(value - (before or 0.0)) <= limit)
                memory.beyond_unseen = not near
                soon = near and instant - (before_ms or 0) <= FAR_WITHIN_MS
                memory.beyond_far = bool(soon and abs(value - (before or 0.0)) > FAR[quantity])
            stays_ms = instant - memory.beyond_since_ms
            moved = value != memory.beyond_raw and stays_ms >= BEYOND_BELIEVED_MS
            moved = moved and not proves_nothing[index] and not memory.beyond_far
            memory.beyond_believed = memory.beyond_believed or moved
            doubted[index] = not memory.beyond_believed
            alone[index] = doubted[index] and memory.beyond_unseen and (stays_ms < BEGINS_MS or bool(may_stand[index]))
        before_ms, before = instant, _finite(value)
    return doubted, alone


def _shifted(at_ms: Instants, value: Floats, before_ms: int | None, before: float | None) -> tuple[Instants, Floats]:
    """Return the series moved by one sample, with the remembered sample in front (-1 and NaN where there is none)."""
    first_ms = -1 if before_ms is None else before_ms
    first = np.nan if before is None else before
    return np.concatenate(([first_ms], at_ms[:-1])), np.concatenate(([first], value[:-1]))


def _erratic(memory: Series, jumping: Bools) -> Bools:
    """Return where a probe has jumped so often lately that nothing it says is believed, until it has been quiet for as long."""
    earlier = np.array([bool(memory.jumps >> place & 1) for place in range(JUMPS_OF, -1, -1)])
    jumped = np.concatenate((earlier, jumping))
    begun = np.cumsum(np.concatenate(([False], jumped[1:] & ~jumped[:-1])))
    lately = begun[JUMPS_OF + 1 :] - begun[1:-JUMPS_OF]
    turned = np.where(lately >= ERRATIC_JUMPS, 1, np.where(lately <= CALM_JUMPS, 0, -1))
    newest = np.maximum.accumulate(np.where(turned >= 0, np.arange(len(turned)), -1))
    erratic: Bools = np.where(newest >= 0, turned[np.maximum(newest, 0)] == 1, memory.erratic)
    memory.jumps = sum(int(one) << place for place, one in enumerate(jumped[: -JUMPS_OF - 2 : -1].tolist()))
    memory.erratic = bool(erratic[-1])
    return erratic


def _remember(
    memory: Series, at_ms: NDArray[np.int64], raw: NDArray[np.float64], flag: NDArray[np.int8], test: NDArray[np.int8]
) -> None:
    if len(raw) > 1:
        memory.before_ms, memory.before_raw = int(at_ms[-2]), _finite(raw[-2])
    else:
        memory.before_ms, memory.before_raw = memory.last_ms, memory.last_raw
    memory.last_ms, memory.last_raw = int(at_ms[-1]), _finite(raw[-1])
    memory.samples += len(raw)
    memory.not_good += int(np.count_nonzero(flag >= SUSPECT))
    memory.flag, memory.test = int(flag[-1]), TESTS[int(test[-1])]


def _finite(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
