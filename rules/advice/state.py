"""What is remembered of the advice for one chamber: the open advisory, what was done, what was learned."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from rules.terms.advised import Action, Reach, answer_name
from rules.terms.events import HOUR_MS, Priority


@dataclass
class ToldMove:
    """A sized change as it was advised, so that `done` and the later comparison know what was meant."""

    act: str
    knob: str
    device: str
    delta: float
    amount: float
    unit: str
    value: float | None = None


@dataclass
class ToldForecast:
    """What was predicted for one instant."""

    due_ms: int
    temperature_c: float
    temperature_u_k: float
    humidity_pct: float
    humidity_u_pct: float
    margin_k: float
    margin_u_k: float
    room_c: float | None = None
    """How warm its room was expected to be then; None: not known, or what a state of before does not say."""


@dataclass
class Awaited:
    """One figure that was predicted for an instant, as it was stated; `of`: quantity and hours ahead."""

    due_ms: int
    of: str
    value: float
    u: float


@dataclass
class Worth:
    """How the predictions of one quantity and horizon fared: the logarithm of what they are widened by, and the counts."""

    wider: float = 0.0
    told: int = 0
    held: int = 0
    shift: float = 0.0
    """By how much the next one is shifted, where what it is of is shifted at all."""


@dataclass
class Asked:
    """What the events of an advisory say as long as it is the same."""

    device: str | None = None
    change: str | None = None
    amount: float | None = None
    unit: str | None = None
    reason: str = ""
    cautions: list[str] = field(default_factory=list)
    actions: list[Action] = field(default_factory=list)
    never: list[str] = field(default_factory=list)
    reaches: list[Reach] = field(default_factory=list)
    boxes: list[str] = field(default_factory=list)
    case: str | None = None
    urgency: Priority = "today"
    act_within_s: int | None = None
    look_again_s: int | None = None
    lacking: list[str] = field(default_factory=list)
    headline: str = ""
    beyond_devices: bool = False
    revision: int = 1


@dataclass
class OpenAdvice:
    """The one advisory of a chamber that is open now. `event` is what was last told, as keyword arguments."""

    advisory: str
    branch: str
    cell: int
    case: str | None
    lid_wet: bool
    urgency: Priority
    given_ms: int
    told_ms: int
    look_again_ms: int
    keys: list[str] = field(default_factory=list)
    amounts: list[float] = field(default_factory=list)
    moves: list[ToldMove] = field(default_factory=list)
    forecasts: list[ToldForecast] = field(default_factory=list)
    without: list[ToldForecast] = field(default_factory=list)
    """What would come if it were not done, with how far the chamber moves by itself; empty: it stays as it is."""
    event: Asked = field(default_factory=Asked)
    start_c: float | None = None
    start_pct: float | None = None
    start_margin_k: float | None = None
    start_room_c: float | None = None
    done_ms: int | None = None
    done_c: float | None = None
    """The temperature when it was done."""
    begun_c: float | None = None
    """The mean over the swing when it was done, from which its effect is judged; None: not known, then from the telling on."""
    begun_pct: float | None = None
    begun_margin_k: float | None = None
    done_share: float = 1.0
    reminders: int = 0
    awaited: list[Awaited] = field(default_factory=list)
    """What was predicted, as it was stated."""
    earlier: list[OpenAdvice] = field(default_factory=list)
    """How it was told before, while it was not done: `done` may name what an earlier letter asked for."""
    acts: list[str] = field(default_factory=list)
    """What is asked, by the trade's names; empty in a state of before."""

    @property
    def name(self) -> str:
        """What `done` calls it: the advisory, and from its second wording on the number of that."""
        return answer_name(self.advisory, self.event.revision)


@dataclass
class Gain:
    """How strongly a knob works against what the model said: 1 as modelled, 0 not at all; with standard deviation."""

    mean: float = 1.0
    spread: float = 0.5
    count: int = 0


@dataclass
class Searched:
    """What decided over a search: what was told, the cause, what else holds, and figures with how far each may move."""

    at_ms: int
    told: str
    cause: str
    holds: list[str] = field(default_factory=list)
    figures: list[float | None] = field(default_factory=list)
    moves: list[float] = field(default_factory=list)
    good_for_ms: int = 3 * HOUR_MS
    """So long it answers others."""


@dataclass
class BeforeDone:
    """What held before the keeper said that an advisory was done: it holds again once that is taken back."""

    word_id: str
    advisory: str
    done_ms: int
    look_again_ms: int
    knobs: list[str] = field(default_factory=list)
    gains: dict[str, Gain] = field(default_factory=dict)
    judge_from_ms: dict[str, int] = field(default_factory=dict)
    mist_failures: int = 0
    stopped_c: float | None = None
    heater_seen_ms: int | None = None
    lid_checked_ms: int | None = None
    water_failures: int = 0


@dataclass
class AdviceState:
    """All that `rules.advice.advisory` hands to its next call for one chamber."""

    counter: int = 0
    serial: int = 0
    open: OpenAdvice | None = None
    last: OpenAdvice | None = None
    """The advisory before: `done` may come after it was closed, and its effect must not be advised against at once."""
    gains: dict[str, Gain] = field(default_factory=dict)
    model: dict[str, Any] | None = None
    judge_from_ms: dict[str, int] = field(default_factory=dict)
    """From when on a knob may be advised again, by knob."""
    checked_ms: dict[str, int] = field(default_factory=dict)
    """When a check (of heater, probe, lid) was last asked for."""
    left_ms: dict[str, int] = field(default_factory=dict)
    """When what somebody must put back later was last asked for, and its putting back, whether its letter was read or not."""
    mist_failures: int = 0
    water_failures: int = 0
    """How often in a row it was as dry half a day after water was given, however: since it was last well, or looked into."""
    in_vain_ms: list[int] = field(default_factory=list)
    """When the last steps in a row were done that had no effect."""
    faded_ms: int | None = None
    """Up to when the quiet lasted in which it was last dry again at once: counted once."""
    relapsed_ms: list[int] = field(default_factory=list)
    """When water was given lately after which it was right, and dry again within a day."""
    stopped_c: float | None = None
    """The highest temperature since the heater had to be unplugged: how far too high it heated."""
    stopped_at_ms: list[int] = field(default_factory=list)
    """When it was unplugged on advice: twice within days means that the cause was not found."""
    stuck_ms: int | None = None
    """When the keeper last found that it does not switch off, and left it out."""
    cleared_ms: int | None = None
    """When it was last unplugged and the heat stayed: it was not the heater."""
    by_itself_ms: list[int] = field(default_factory=list)
    """When it was over though nobody said to have unplugged it."""
    heated_ms: int | None = None
    """When the plug was last known to be in: by the keeper's word, or by a box held far above its room hours after that."""
    heater_seen_ms: int | None = None
    """When the keeper last answered a call to look at the heater."""
    lid_checked_ms: int | None = None
    """The same of the lid."""
    aired_in_vain_ms: int | None = None
    """When the room's air was last let in against heat, and the box was no cooler for it in the end."""
    unheated_ms: int | None = None
    """When more heat was last given on advice and none was seen to come, the end of the time that it takes."""
    repeated_ms: dict[str, int] = field(default_factory=dict)
    """When a plan without a sized change was last told, by its acts: not again for half a day."""
    metrology_until_ms: int | None = None
    awaited: list[Awaited] = field(default_factory=list)
    """What was predicted of what was done last, until it can be held against what came."""
    worth: dict[str, Worth] = field(default_factory=dict)
    """How past predictions fared, by quantity and hours ahead."""
    before_done: list[BeforeDone] = field(default_factory=list)
    """Of the last words that can be taken back, the oldest first."""
    searches: list[Searched] = field(default_factory=list)
    """The last searches that told nothing new since something was said, done or learned, the newest last."""
    quiet_until_ms: int | None = None
    """After a withdrawal or a verdict: no new advisory before this, so that nothing flaps. Heat is never held back."""
