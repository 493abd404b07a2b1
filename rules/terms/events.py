"""All that may enter the rules (a Batch) and all that may leave them (an Event).

Instants are whole milliseconds since 1970 UTC (`_ms`), so that sums of durations are exact and a stream gives the same
answer however it is cut. Two instants belong to a reading: `at_ms`, when it was measured, and `taken_ms`, when it entered
the stream. Only `taken_ms` orders the stream and drives delays; it never decreases within one batch.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from typing import Annotated, Any, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray
from pydantic import BeforeValidator, ConfigDict, Field, TypeAdapter

from rules.terms.advised import Action, Effect, Prediction, Reach, answer_name
from rules.terms.quantities import Quantity
from rules.terms.words import Word

SECOND_MS = 1_000  # by definition
MINUTE_MS = 60_000  # by definition
HOUR_MS = 3_600_000  # by definition
DAY_MS = 86_400_000  # by definition


def rfc3339(at_ms: int) -> str:
    """Return an instant as RFC 3339 text in UTC with `Z`, whole seconds or milliseconds."""
    moment = datetime.fromtimestamp(at_ms / 1000, UTC)
    spec = "seconds" if at_ms % 1000 == 0 else "milliseconds"
    return moment.isoformat(timespec=spec).replace("+00:00", "Z")


def instant_of(text: str) -> int:
    """Return the milliseconds of an RFC 3339 text."""
    return round(datetime.fromisoformat(text).timestamp() * 1000)


# ---------------------------------------------------------------- what enters


@dataclass(frozen=True, slots=True)
class Reading:
    """One value of one quantity from one probe, in our unit (degC or %RH), not yet judged."""

    taken_ms: int
    probe: str
    quantity: Quantity
    value: float
    at_ms: int


Fault = Literal["unreachable", "garbled", "refused", "implausible"]


@dataclass(frozen=True, slots=True)
class ProbeFault:
    """A probe could not be read: who saw what, in words for the keeper."""

    taken_ms: int
    probe: str
    fault: Fault
    detail: str


@dataclass(frozen=True, slots=True)
class MediumFault:
    """A line or broker that several probes share is down or back; its probes' stale alarms then have one cause."""

    taken_ms: int
    medium: str
    down: bool
    detail: str


@dataclass(frozen=True, slots=True)
class Pause:
    """Nobody watched from `begin_ms` to `taken_ms` (the program was off): silence meanwhile is no probe's fault."""

    taken_ms: int
    begin_ms: int


Item = ProbeFault | MediumFault | Pause | Word


@dataclass(frozen=True, slots=True)
class Batch:
    """A slice of the stream. Readings stand in columns so that a year is one array; the rare rest stands in `items`.

    `clock_step_ms` is how far the wall clock jumped just before this batch (0 nearly always); all remembered instants are
    shifted by it, so durations hold.
    """

    series: tuple[tuple[str, Quantity], ...] = ()
    series_index: NDArray[np.int32] = field(default_factory=lambda: np.empty(0, np.int32))
    taken_ms: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    at_ms: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    value: NDArray[np.float64] = field(default_factory=lambda: np.empty(0, np.float64))
    items: tuple[Item, ...] = ()
    clock_step_ms: int = 0

    @staticmethod
    def of(readings: Iterable[Reading] = (), items: Sequence[Item] = (), clock_step_ms: int = 0) -> Batch:
        """Return the batch of these readings and items, in the order given."""
        rows = list(readings)
        index: dict[tuple[str, Quantity], int] = {}
        codes = [index.setdefault((row.probe, row.quantity), len(index)) for row in rows]
        return Batch(
            series=tuple(index),
            series_index=np.array(codes, np.int32),
            taken_ms=np.array([row.taken_ms for row in rows], np.int64),
            at_ms=np.array([row.at_ms for row in rows], np.int64),
            value=np.array([row.value for row in rows], np.float64),
            items=tuple(items),
            clock_step_ms=clock_step_ms,
        )


# ---------------------------------------------------------------- what leaves


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """What the rules have to say. `id` is stable: the same stream gives the same ids however it is cut."""

    id: str
    at_ms: int
    chamber: str | None
    kind: str

    def as_json(self) -> dict[str, Any]:
        """Return the event as the JSON object that scripts rely on: `id, time, kind, chamber` and the kind's own keys."""
        body = asdict(self)
        instants = {key: body.pop(key) for key in list(body) if key.endswith("_ms")}
        times = {_time_key(key): None if ms is None else rfc3339(ms) for key, ms in instants.items()}
        head = {"id": body.pop("id"), "time": times.pop("time"), "kind": body.pop("kind"), "chamber": body.pop("chamber")}
        return head | body | times


def _time_key(name: str) -> str:
    return "time" if name == "at_ms" else name.removesuffix("_ms")


_INSTANTS = {
    "time": "at_ms", "since": "since_ms", "told": "told_ms", "read": "read_ms", "due": "due_ms",
    "judged": "judged_ms", "done": "done_ms",
}  # fmt: skip


def _read(body: object) -> object:
    """Turn the JSON object of an event into its fields; anything else stays as it is."""
    if not isinstance(body, Mapping) or "time" not in body:
        return body
    times = {name: body[key] and instant_of(body[key]) for key, name in _INSTANTS.items() if key in body}
    plain = {key: value for key, value in body.items() if key not in _INSTANTS} | times
    if body.get("revision", 1) > 1:  # JSON holds the name of the wording
        plain["advisory"] = body["advisory"].removesuffix(f".{body['revision']}")
    return plain


_AnyEvent = TypeVar("_AnyEvent")
Stored = Annotated[_AnyEvent, BeforeValidator(_read)]
"""An event in a state: written field by field, read from that or from its JSON object, as older states hold it."""


Condition = Literal["normal", "active", "held", "unknown"]
Level = Literal["outside", "harmful"]
Suppression = Literal["none", "shelved", "by-design", "out-of-service"]
Priority = Literal["wake", "today", "morning", "digest"]


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmEvent(Event):
    """One change of one alarm, with its orthogonal state after it (OPC UA Part 9, IEC 62682)."""

    kind: Literal["alarm", "question"] = "alarm"
    """`question`: one look is asked for; it lives and ends as an alarm does."""
    alarm: str
    change: str
    condition: Condition
    level: Level | None
    acknowledged: bool
    suppression: Suppression
    occurrence: int
    priority: Priority
    value: float | None
    limit: float | None
    unit: str | None
    raised_from: float | None = None
    """The limit as it is written, where warmth raises it; None: nothing does."""
    probe: str | None = None
    medium: str | None = None
    read_ms: int | None = None
    """When the reading of `value` came; None: it is of the event's own instant."""
    since_ms: int | None = None
    seconds_left: float | None = None
    """Time left before harm, one of the priority's inputs; where there is an account of harm, until all is used up."""
    harm_used: float | None = None
    """Share of what such a garden bears that is used up, 1 for all; None: there is no account of it. An own estimate."""
    early_seconds_left: float | None = None
    """The time left where the present trend is as steep as it may be."""
    judged_ms: int | None = None
    """When what is used up and left was judged; None: at the event's own instant."""
    worse: Literal["priority", "time", "mark"] | None = None
    """Of `worsened`: by a graver priority, half of the time left gone, or a mark crossed."""
    mark: float | None = None
    told_value: float | None = None
    told_ms: int | None = None
    """In a letter: what the last letter said of its value, and when that was read; None: it said nothing of it."""
    priority_reason: str = ""
    reason: str = ""

    @property
    def open(self) -> bool:
        """Whether it stands."""
        return self.condition in ("active", "held")


@dataclass(frozen=True, slots=True, kw_only=True)
class AdviceEvent(Event):
    """The one advisory of a chamber: its first action in the stable keys, all of them in order in `actions`."""

    kind: Literal["advice"] = "advice"
    advisory: str
    revision: int = 1
    """Grows with each wording of the advisory that asks for something else, or for another amount."""
    status: Literal["given", "updated", "resolved", "withdrawn", "reminded", "verified"]
    device: str | None
    change: str | None
    amount: float | None
    unit: str | None
    reason: str
    cautions: tuple[str, ...] = ()
    actions: tuple[Action, ...] = ()
    never: tuple[str, ...] = ()
    predictions: tuple[Prediction, ...] = ()
    reaches: tuple[Reach, ...] = ()
    boxes: tuple[str, ...] = ()
    """The chambers that all of it is to be done at; empty: its own alone."""
    case: str | None = None
    urgency: Priority = "today"
    act_within_s: int | None = None
    look_again_s: int | None = None
    lacking: tuple[str, ...] = ()
    headline: str = ""
    beyond_devices: bool = False
    """Whether what is at hand cannot repair it: what is advised limits the harm."""
    effect: Effect | None = None
    """Of one that was carried out and looked at: what came of it."""
    still_changed: tuple[str, ...] = ()  # on advice, and when it is taken back

    @property
    def name(self) -> str:
        """What `done` calls this wording."""
        return answer_name(self.advisory, self.revision)

    def as_json(self) -> dict[str, Any]:
        """Return the advice with its wording's name as `advisory`: whoever answers with what was handed over is booked for what
        it asked."""
        return Event.as_json(self) | {"advisory": self.name}

    @property
    def over(self) -> bool:
        """Whether it no longer asks for anything."""
        return self.status in ("resolved", "withdrawn")


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityEvent(Event):
    """A probe's series changed its standing: which test says what (QARTOD flags, NAMUR NE 107 class)."""

    kind: Literal["quality"] = "quality"
    probe: str
    quantity: str | None
    test: str
    flag: Literal["good", "suspect", "fail", "missing"]
    ne107: Literal["ok", "maintenance", "out-of-specification", "function-check", "failure"]
    value: float | None = None
    detail: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class CareEvent(Event):
    """A task of the routine became due, overdue, harmful if missed, or was done."""

    kind: Literal["care"] = "care"
    task: str
    status: Literal["due", "overdue", "harmful-if-missed", "done", "told"]
    due_ms: int | None
    text: str
    priority: Priority = "digest"


@dataclass(frozen=True, slots=True, kw_only=True)
class WordEvent(Event):
    """What became of a keeper's word: taken, or refused and why."""

    kind: Literal["word"] = "word"
    word: str
    accepted: bool
    text: str
    takes_back: str = ""
    """Of a word that takes another one back: what kind that one is."""
    advisory: str = ""
    """Of `done`: the advisory that it was said of, in whatever wording."""
    asks_still: bool = False
    """Of `done`: whether that advisory asks for something else since, in a wording that is not done."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SystemEvent(Event):
    """Something about the watching itself: a clock step, a gap, a changed configuration."""

    kind: Literal["system"] = "system"
    what: str
    text: str


News = Annotated[
    AlarmEvent | AdviceEvent | QualityEvent | CareEvent | WordEvent | SystemEvent, Field(discriminator="kind")
]
"""What a letter can tell of."""


@dataclass(frozen=True, slots=True)
class Figures:
    """What a letter believes of a chamber, when its temperature (else the newest) was read, and its humidity (None: too)."""

    chamber: str
    at_ms: int
    temperature_c: float | None
    relative_humidity_pct: float | None
    dew_margin_k: float | None
    temperature_slope_k_h: float | None = None
    """Over the last 15 minutes; None: not enough good readings."""
    humidity_slope_pct_h: float | None = None
    outside: tuple[str, ...] = ()
    """Alarms whose limit these figures are beyond, whether they stand already or their on-delay still runs."""
    humidity_at_ms: int | None = None


def _read_figures(body: object) -> object:
    if not isinstance(body, Mapping) or "at" not in body:
        return body
    times = {f"{key}_ms": instant_of(body[key]) for key in ("at", "humidity_at") if key in body}
    return {key: value for key, value in body.items() if f"{key}_ms" not in times} | times


def _figures_json(figures: Figures) -> dict[str, Any]:
    body = asdict(figures)
    times = {key: rfc3339(ms) for key in ("at", "humidity_at") if (ms := body.pop(f"{key}_ms")) is not None}
    return {"chamber": body.pop("chamber")} | times | body


LetterSort = Literal[
    "situation", "escalation", "reminder", "all-clear", "summary", "digest", "care", "system", "answer", "rehearsal",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class LetterEvent(Event):
    """A mail that is owed now. `about`: its events, the most important first, alarms with their figures of now; `present`: what
    else is believed now of its chambers; `still_changed`: of an all-clear, what is to be taken back."""

    kind: Literal["letter"] = "letter"
    sort: LetterSort
    thread: str
    ordinal: int
    to: Literal["keeper", "second", "stand-in"]
    urgent: bool
    about: tuple[Stored[News], ...]
    present: tuple[Annotated[Figures, BeforeValidator(_read_figures)], ...] = ()
    still_changed: tuple[str, ...] = ()
    done_ms: int | None = None
    """To the second address, or where it is urgent and all that is advised is done: when that was last said; None: never."""

    def as_json(self) -> dict[str, Any]:
        """Return the letter with what it tells of as JSON objects."""
        told = {"about": [event.as_json() for event in self.about], "present": [_figures_json(one) for one in self.present]}
        return Event.as_json(self) | told


AnyEvent = Annotated[News | LetterEvent, Field(discriminator="kind")]
_EVENT: TypeAdapter[AnyEvent] = TypeAdapter(Stored[AnyEvent], config=ConfigDict(defer_build=True))


def event_of(body: Mapping[str, Any]) -> AnyEvent:
    """Return the event of a JSON object that `as_json` made; raises pydantic.ValidationError if it is none."""
    return _EVENT.validate_python(body)


def letter_of(body: Mapping[str, Any]) -> LetterEvent:
    """Return the letter of such a JSON object; raises ValueError if it is another event."""
    event = event_of(body)
    if not isinstance(event, LetterEvent):
        raise ValueError(f"{event.id} is no letter but an event of kind {event.kind}")
    return event
