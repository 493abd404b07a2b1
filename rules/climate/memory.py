"""What is remembered of probes and places between two stretches."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, is_dataclass, replace
from typing import Any

from rules.climate.hysteresis import Walk
from rules.climate.legs import Legs
from rules.climate.situation import Situation
from rules.physics.lid_factor import FactorBelief
from rules.terms.condition_changes import Harm
from rules.trade.bearable import HarmKind


@dataclass
class Series:
    """One quantity of one probe: the last samples that the quality tests need, and the last one to be believed."""

    last_ms: int | None = None
    last_raw: float | None = None
    before_ms: int | None = None
    before_raw: float | None = None
    good_ms: int | None = None
    good: float | None = None
    measured_ms: int | None = None
    same_since_ms: int | None = None
    value_since_ms: int | None = None
    frozen_ms: int | None = None
    channel_frozen_ms: int | None = None
    """When its whole probe had last stood for longer than it may, and when this quantity alone had."""
    calm_for_ms: int = 0
    """The longest that it said exactly the same and then moved again by itself: what is calm for it, a week at most."""
    grain_m: int = 5_000
    """What all its values so far are multiples of, in thousandths: its resolution."""
    least: float | None = None
    most: float | None = None
    moves: int = 0
    """How often it moved, how many minutes it stood before each move in all, and the sum of their squares."""
    stood_min: int = 0
    stood_min2: int = 0
    beside_least: float | None = None
    beside_most: float | None = None
    """Between what and what another probe of the place went while it stood."""
    beyond_since_ms: int | None = None
    """Since when it has said what no fungus shelf is; None: it does not."""
    beyond_raw: float | None = None
    beyond_believed: bool = False
    beyond_unseen: bool = False
    """Whether nobody saw how it came there."""
    beyond_far: bool = False
    """Whether it leapt there further than any air does."""
    slowest_ms: int | None = None
    """Where its dew point was least, were it to rise by so much an hour; and whether the newest one ran ahead of that."""
    slowest_c: float = 0.0
    slowest_air_c: float = 0.0
    leapt: bool = False
    top_since_ms: int | None = None
    top_least_ms: int | None = None
    """The same since it reads its top."""
    top_least_c: float = 0.0
    soaked: bool = False
    """It came to its top, or stays there, as no air does."""
    warmed_ms: int | None = None
    """When it had warmed there by more than wet air does; and whether it is the air that is wet: as much heat as
    vapour came when it came there, or the keeper saw water beside it."""
    steamed: bool = False
    wet_until_ms: int | None = None
    as_one_ms: int | None = None
    """When a second probe last said the same of wet air; and whether it went away slowly since."""
    parted: bool = False
    burst_ms: int | None = None
    bursts: int = 0
    """Since when it reads nearly its top after a leap; and how often it came down from there within hours, as after misting."""
    racing_since_ms: int | None = None
    jumps: int = 0
    """Which of its last 25 samples jumped, a bit each, the newest the lowest; and whether that is too often."""
    erratic: bool = False
    flag: int = 2
    test: str = ""
    told_test: str = ""
    told_ms: int | None = None
    events: int = 0
    samples: int = 0
    not_good: int = 0


@dataclass
class Correction:
    """A probe's calibration: corrected = gain * raw + offset."""

    at_ms: int
    gain: float
    offset: float
    standard_uncertainty: float
    word_id: str = ""
    """The word that told it: a word that is taken back is found by it."""


@dataclass
class ProbeMemory:
    """What is remembered of one probe."""

    since_ms: int
    series: dict[str, Series] = field(default_factory=dict)
    corrections: dict[str, Correction] = field(default_factory=dict)
    former: dict[str, list[Correction]] = field(default_factory=dict)
    """The corrections before the present one, the oldest first, as long as that may be taken back."""
    fault: str = ""
    garbled_ms: int | None = None
    """When it last answered with something that is no reading."""


@dataclass
class Said:
    """The last readings of a figure that is told seldom, in thousandths; None: from then on it was unknown."""

    at_ms: list[int] = field(default_factory=list)
    value_m: list[int | None] = field(default_factory=list)
    step_m: list[int] = field(default_factory=list)


@dataclass
class Tail:
    """The last 40 minutes of a place in steps of ten seconds or more, for slopes and steps. Values in thousandths."""

    at_ms: list[int] = field(default_factory=list)
    temperature_mk: list[int | None] = field(default_factory=list)
    humidity_m: list[int | None] = field(default_factory=list)
    dew_point_mk: list[int | None] = field(default_factory=list)
    said: dict[str, Said] = field(default_factory=dict)
    """What is told more seldom than slopes are asked for, by figure."""


@dataclass(slots=True)
class Hour:
    """One hour of one figure: how many instants, their sum, least and greatest, in thousandths."""

    count: int
    total: int
    least: int
    greatest: int


@dataclass
class Night:
    """How far a room fell in one night, from its value at nightfall."""

    number: int
    dusk_mk: int
    least_mk: int


@dataclass
class Evening:
    """What was predicted at one nightfall."""

    night: int
    drips: bool
    fall_mk: int
    margin_mk: int
    load_g_m2: float


@dataclass
class Loss:
    """A loss of moisture that goes on, and what was usual before it: a leak must not become what is usual."""

    since_ms: int
    usual: list[float] = field(default_factory=list)
    """What was usual before it, as `rules.checks.moisture_lost` has it; empty in a state of an earlier version."""
    back_ms: int | None = None
    """Since when the dew point has been where it usually is."""


@dataclass(frozen=True, slots=True)
class Leap:
    """A lone temperature probe's leap that nothing in its box explains: from where, by how much, and its last word."""

    at_ms: int
    from_c: float
    by_k: float
    last_c: float
    top_c: float | None = None
    """How far it rose while a slow probe still follows; None: not kept yet."""


@dataclass
class LidLesson:
    """What was believed of a lid before a word of the keeper taught it."""

    word_id: str
    belief: FactorBelief | None
    seen: str
    seen_ms: int | None
    condensate_g_m2: float
    dry_looks: int = 0
    dry_against: int = 0
    dried_ms: int | None = None
    wiped_ms: int | None = None
    """When it was wiped dry by that word; None: that is not what it told."""
    seen_pct: float | None = None


@dataclass
class PlaceMemory:
    """What is remembered of a chamber or a room."""

    since_ms: int
    instant_ms: int | None = None
    heard_ms: int | None = None
    temperature_c: float | None = None
    relative_humidity_pct: float | None = None
    seen_ms: int | None = None
    humidity_seen_ms: int | None = None
    lid_c: float | None = None
    lid_ms: int | None = None
    condensate_g_m2: float = 0.0
    lid_seen: str = ""
    """What the keeper last saw on the lid: dry, mist or droplets."""
    lid_seen_ms: int | None = None
    lid_seen_pct: float | None = None
    """The humidity of the air then, %RH."""
    dry_looks: int = 0
    """How often in a row it was seen dry, and how many of these looks were taken while its alarm said that it is wet."""
    dry_against: int = 0
    lid_dried_ms: int | None = None
    """When the water that was seen on it had dried."""
    lid_unsure_hours: list[int] = field(default_factory=list)
    """Numbers of the last whole hours after which nobody could say whether the lid was wet."""
    wet_since_ms: dict[str, int] = field(default_factory=dict)
    """By probe, since when its humidity has read nothing but wet air."""
    dry_since_ms: dict[str, int] = field(default_factory=dict)
    """By probe, since when it has stood at the bottom of its scale."""
    tail: Tail = field(default_factory=Tail)
    walks: dict[str, Walk] = field(default_factory=dict)
    belief: FactorBelief | None = None
    lessons: list[LidLesson] = field(default_factory=list)
    """Of the last words about this lid that can be taken back, the oldest first."""
    visited_ms: int | None = None
    """When the chamber was last looked at while work in the tank went on."""
    loss: Loss | None = None
    read_ms: int | None = None
    """When its temperature was last read."""
    leap: Leap | None = None
    """On which its temperature may stand still."""
    legs: Legs | None = None
    fell_from_m: int | None = None
    fell_last_m: int | None = None
    fell_ms: int | None = None
    """From which humidity, and when, it fell as under an open lid; None: it is back."""
    hours: dict[str, dict[str, Hour]] = field(default_factory=dict)
    nights: list[Night] = field(default_factory=list)
    evening: Evening | None = None
    guesses: dict[str, Guesses] = field(default_factory=dict)
    twins: dict[str, Twin] = field(default_factory=dict)
    """By quantity and probe, where several hang in one place."""
    harm: dict[HarmKind, Account] = field(default_factory=dict)
    """How much of what its garden bears is used up, by kind of harm; absent: nothing."""
    lid_print: str = ""
    limits: dict[str, str] = field(default_factory=dict)
    """Digests of its alarms' limits when the config was last looked at, by alarm."""
    present: Situation | None = None
    """A chamber as it was believed to be at its newest instant; None for a room, and before the first one."""


@dataclass
class Account:
    """One kind of harm: what is used up, how it was last judged, and what of it was handed on as worse."""

    used: float = 0.0
    """Share of what such a garden bears, at `at_ms`; since then it heals, unless `outside`."""
    at_ms: int = 0
    outside: bool = False
    value: float = 0.0
    """The newest believed value, at `seen_ms`, as it is shown, how fast it went the bad way, and where its band ended."""
    trend_per_h: float = 0.0
    edge: float = 0.0
    end: float | None = None
    seen_ms: int = 0
    shown: float = 0.0
    rate_per_h: float = 0.0
    judged: Harm | None = None
    """How it stood at the last look; None: inside."""
    rank: int = -1
    worst: float = 0.0
    """The value that it got worst by, in steps of more than noise, since it was judged so, and when it did."""
    worst_ms: int = 0
    told_rank: int = -1
    """The gravest rank that was handed on as worse and not yet forgotten; with the time that was left then."""
    told_left_s: float = 0.0
    marks: int = 0
    """So many marks were crossed and handed on."""
    worse_before: bool = False
    """It was already worse one look ago: a single value is not believed."""
    lower_since_ms: int | None = None
    lowered_ms: int | None = None
    back_since_ms: int | None = None
    inside_since_ms: int | None = None

    @property
    def awake(self) -> bool:
        """Return whether it must be looked at though the value is inside."""
        return self.outside or self.told_rank >= 0 or self.marks > 0


@dataclass
class Guesses:
    """Forecasts of one figure that wait for their hour, and how good the last ones were (thousandths, squared)."""

    slot: int | None = None
    zone: int = 0
    told: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    due_ms: list[int] = field(default_factory=list)
    guess_m: list[int] = field(default_factory=list)
    was_m: list[int] = field(default_factory=list)
    error2: list[int] = field(default_factory=list)
    stay_error2: list[int] = field(default_factory=list)
    leaves_by_ms: int | None = None
    """By when the band should have been left that was last expected to be, told or not; and whether the last ones came true."""
    came: list[int] = field(default_factory=list)

    def copied(self) -> Guesses:
        """Return a copy whose lists are its own."""
        return Guesses(
            self.slot, self.zone, [*self.told], [*self.due_ms], [*self.guess_m], [*self.was_m], [*self.error2],
            [*self.stay_error2], self.leaves_by_ms, [*self.came],
        )  # fmt: skip


@dataclass
class Twin:
    """How a probe differs from the others of its place: today so far, and the means of its first and of its last days."""

    day: int = -1
    count: int = 0
    total_m: int = 0
    first_m: list[int] = field(default_factory=list)
    lately_m: list[int] = field(default_factory=list)
    corrected_ms: int = 0


@dataclass
class Waiting:
    """Readings of an instant that is not closed yet, as columns; a value that is no number is None."""

    taken_ms: list[int] = field(default_factory=list)
    at_ms: list[int] = field(default_factory=list)
    probe: list[str] = field(default_factory=list)
    quantity: list[str] = field(default_factory=list)
    value: list[float | None] = field(default_factory=list)
    items: list[dict[str, Any]] = field(default_factory=list)


def copied(value: Any) -> Any:
    """Return a structural copy: new dataclasses, dicts and lists, shared scalars."""
    if is_dataclass(value) and not isinstance(value, type):
        return replace(value, **{f.name: copied(getattr(value, f.name)) for f in fields(value) if f.init})
    if isinstance(value, dict):
        return {key: copied(item) for key, item in value.items()}
    return [copied(item) for item in value] if isinstance(value, list) else value
