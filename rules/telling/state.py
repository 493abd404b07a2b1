"""What is remembered of what the keeper was told: each alarm as last told, letters that are owed, threads, the last digest.

Dates of digests are local dates in text, so that neither a step nor a change of the clock sends one twice.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

from rules.alarms.state import record_key
from rules.terms.events import AdviceEvent, AlarmEvent, News, Priority, QualityEvent, Stored
from rules.trade.urgency import rank

ASKING = ("given", "updated", "reminded")
"""What an advisory says as long as it stands and is not done."""
LINES_KEPT = 200  # bookkeeping
Sort = Literal["situation", "escalation", "reminder", "all-clear", "summary", "digest", "care", "system"]
When = Literal["now", "next", "flood", "awake", "digest"]
"""When something owed goes out: at once, with the place's next letter, after a flood or the quiet hours, with the digest."""


@dataclass
class Heard:
    """One alarm as the events tell of it, and what of it was passed on."""

    latest: Stored[AlarmEvent]
    stale: bool = False
    recovering: bool = False
    """It stands, but its value is back within the limit: nobody is reminded of that."""
    latched: Stored[AlarmEvent] | None = None
    """The event that latched it; None: it is not latched."""
    chattering: bool = False
    eased_ms: int | None = None
    """When it had done harm and eased, as long as no letter has said since that it does harm."""
    told: bool = False
    """Its raise was told and its end not yet."""
    told_priority: Priority = "digest"
    told_ms: int | None = None
    """When it was last told as news."""
    raised_ms: int | None = None
    letter_value: float | None = None
    """Its value in the last letter of this occurrence, and when that was read."""
    letter_value_ms: int | None = None
    room: str = ""
    """The room whose air or power moves it along with other chambers: all of them are told as one; empty: it stands alone."""

    @property
    def place(self) -> str:
        """Where it is told of."""
        return self.room or self.latest.chamber or "site"

    @property
    def open(self) -> bool:
        """Whether it stands."""
        return self.latest.open

    @property
    def shown(self) -> bool:
        """Whether it stands and nothing hides it."""
        return self.open and self.latest.suppression == "none"


@dataclass
class Owed:
    """Something to be told and not told yet."""

    place: str
    sort: Sort
    priority: Priority
    when: When
    at_ms: int
    about: list[Stored[News]]
    alarm: str = ""
    """Identity of the alarm whose raise this is; empty: of none."""
    again_ms: int | None = None
    """When it is looked at again if it waits for the next letter; None: an hour after it came up."""
    flooded: bool = False
    """It has waited for a flood to end and goes out in its summary."""


@dataclass
class Thread:
    """A row of letters that belong together: all about one situation of one place."""

    number: int = 0
    ordinal: int = 0
    """Number of its last letter; the first one is 1."""
    open: bool = False
    closed_ms: int | None = None
    news_ms: int | None = None
    reminders: int = 0
    rank: int = 0
    """Gravity of the news that started the reminders."""
    second: bool = False
    """Whether the second address was told, since a letter that wakes began to wait for an answer."""
    second_ms: int | None = None
    """When it was told last."""
    told_ms: int | None = None
    """When its last letter to the keeper was written."""
    asked_ms: int | None = None
    """When the last of these was written that said what to do."""
    calm_ms: list[int] = field(default_factory=list)
    """When its last letters were written that were no worse than the one before."""
    letters_ms: list[int] = field(default_factory=list)
    """When its last letters to the keeper were written, across its situations."""
    reminded_ms: list[int] = field(default_factory=list)
    """When its last reminders were written."""
    beyond_devices: bool = False
    """Whether the last advice in it said that what is at hand cannot repair it."""
    turned: list[str] = field(default_factory=list)
    """What its letters asked for since then: the devices, with their change, to be turned by a stated amount, and the words of
    what else."""
    answered_ms: int | None = None
    """When the keeper last said to have done what was advised; graver news ask for an answer of their own."""
    done_ms: int | None = None
    """The same, whatever came after it."""
    called_ms: int | None = None
    """Since when a letter that wakes waits for an answer."""


@dataclass
class Sent:
    """One letter that counts towards a flood."""

    at_ms: int


@dataclass
class Rehearsal:
    """A rehearsal that goes on: `told` of its letters are written."""

    begun_ms: int
    told: int = 0


@dataclass
class TellingState:
    """All that telling hands to its next call."""

    introduced: bool = False
    heard: dict[str, Heard] = field(default_factory=dict)
    owed: dict[str, Owed] = field(default_factory=dict)
    advice: dict[str, Stored[AdviceEvent]] = field(default_factory=dict)
    """The standing advice of each chamber."""
    advice_told: dict[str, str] = field(default_factory=dict)
    """What version 0.1.0 kept in the place of `advice_sent`; read once."""
    advice_sent: dict[str, Stored[AdviceEvent]] = field(default_factory=dict)
    """The advice in the last letter of each chamber, until it is verified, resolved or withdrawn."""
    still_changed: dict[str, list[str]] = field(default_factory=dict)
    """What stands otherwise than before on advice, of each chamber, as its adviser last said."""
    said_done: dict[str, str] = field(default_factory=dict)
    """The advisory of each chamber that the keeper last said to have done."""
    tried_ms: dict[str, int] = field(default_factory=dict)
    """Each step (`CHAMBER/text`) that was told and done, and when it was judged."""
    verified: dict[str, Stored[AdviceEvent]] = field(default_factory=dict)
    """What came of the last advice that was done in each chamber, until a letter tells it."""
    threads: dict[str, Thread] = field(default_factory=dict)
    looked_ms: dict[str, int] = field(default_factory=dict)
    """When the keeper last said what is on a chamber's lid."""
    sent: list[Sent] = field(default_factory=list)
    rehearsal: Rehearsal | None = None
    summary_ms: int | None = None
    summaries: int = 0
    lines: list[Stored[News]] = field(default_factory=list)
    """For the daily digest: what came and went, and what is worth a line only."""
    week_lines: list[Stored[News]] = field(default_factory=list)
    raises: dict[str, int] = field(default_factory=dict)
    """Raises of each alarm since the last weekly digest."""
    quality: dict[str, Stored[QualityEvent]] = field(default_factory=dict)
    round_date: str = ""
    """Local date of the last digest hour that has passed."""
    seen_ms: int = 0
    """The last instant at which something happened; nothing is told before it."""
    flush_ms: int | None = None
    """Instant at which something became due to be told at once; it goes out when the instant is over."""
    due_ms: int | None = None
    calendar_due: int | None = None
    """The earliest local time that matters, as an instant that a clock step does not move."""

    def __post_init__(self) -> None:
        for place, asked in self.advice_told.items():
            advice = self.advice.get(place)
            if advice is not None and f"{advice.device}:{advice.change}" == asked:
                self.advice_sent[place] = advice
        self.advice_told = {}

    def copied(self) -> TellingState:
        """Return a state that can be changed without changing this one; events in it are shared and never changed."""
        return replace(
            self,
            heard={key: replace(entry) for key, entry in self.heard.items()},
            owed={key: replace(entry, about=list(entry.about)) for key, entry in self.owed.items()},
            advice=dict(self.advice),
            advice_sent=dict(self.advice_sent),
            verified=dict(self.verified),
            still_changed=dict(self.still_changed),
            said_done=dict(self.said_done),
            tried_ms=dict(self.tried_ms),
            looked_ms=dict(self.looked_ms),
            threads={key: replace(entry) for key, entry in self.threads.items()},
            sent=[replace(entry) for entry in self.sent],
            rehearsal=None if self.rehearsal is None else replace(self.rehearsal),
            lines=list(self.lines),
            week_lines=list(self.week_lines),
            raises=dict(self.raises),
            quality=dict(self.quality),
        )

    def of(self, alarm: AlarmEvent) -> Heard | None:
        """Return what is known of an alarm."""
        return self.heard.get(record_key(alarm.chamber, alarm.alarm, alarm.probe, alarm.medium))

    def standing(self, place: str) -> list[Heard]:
        """Return the alarms that are told under a place, and whose end is not told yet."""
        return [one for one in self.heard.values() if one.place == place and one.told and one.open]

    def home(self, chamber: str | None) -> str:
        """Return the place under which news of a chamber are told now: its room's while nothing of its own is graver."""
        return _leading(chamber, [one for one in self.heard.values() if one.open and one.latest.chamber == chamber])

    def is_sent(self, advice: AdviceEvent) -> bool:
        """Whether a letter has told of this advice: the same advisory, asking for the same first, no less urgent.

        Another amount is not another advice; the same first step in a later advisory is, and what there is to do behind a look.
        """
        sent = self.advice_sent.get(advice.chamber or "site")
        return sent is not None and rank(sent.urgency) >= rank(advice.urgency) and (
            (sent.advisory, sent.device, sent.change) == (advice.advisory, advice.device, advice.change)
            and (has_step(sent) or not has_step(advice))
        )

    def is_repeat(self, owed: Owed) -> bool:
        """Whether this asks only for steps that were told, done and judged already: the next try, and no news."""
        return bool(owed.about) and all(
            isinstance(event, AdviceEvent) and event.status in ASKING and event.actions
            and all(f"{event.chamber}/{action.text}" in self.tried_ms for action in event.actions)
            for event in owed.about
        )  # fmt: skip

    def asked(self, place: str) -> list[AdviceEvent]:
        """Return the standing advice of a place that is not done yet, the most urgent first."""
        undone = self.undone()
        stands: dict[str | None, list[Heard]] = {one.chamber: [] for one in undone}
        for heard in self.heard.values() if undone else ():
            if heard.open and heard.latest.chamber in stands:
                stands[heard.latest.chamber].append(heard)
        found = [one for one in undone if _leading(one.chamber, stands[one.chamber]) == place]
        return sorted(found, key=lambda advice: (-rank(advice.urgency), advice.chamber or ""))

    def drop_done(self, chamber: str, advisory: str | None) -> None:
        """Owe no letter any more that asks for what is done."""
        owed = self.owed.get(f"advice/{chamber}")
        if owed is not None and any(isinstance(one, AdviceEvent) and one.advisory == advisory for one in owed.about):
            del self.owed[f"advice/{chamber}"]

    def undone(self) -> list[AdviceEvent]:
        """Return the standing advice that nobody has said to have done."""
        return [advice for chamber, advice in sorted(self.advice.items()) if self.said_done.get(chamber) != advice.advisory]

    def line(self, *events: News) -> None:
        """Keep events for the next digests, the latest ones when there are too many."""
        self.lines = [*self.lines, *events][-LINES_KEPT:]
        self.week_lines = [*self.week_lines, *events][-LINES_KEPT:]

    def owe(self, key: str, owed: Owed) -> None:
        """Note something to be told, in the place of what was owed under the same key: what waited does not wait anew."""
        before, news_ms = self.owed.get(key), owed.at_ms
        if before is not None and before.when == "next":
            owed.at_ms = before.at_ms
        self.owed[key] = owed
        if owed.when == "now":
            self.owe_now(news_ms)

    def owe_now(self, at_ms: int) -> None:
        """Note that something is to be told when this instant is over."""
        self.flush_ms = at_ms if self.flush_ms is None else min(self.flush_ms, at_ms)


def _leading(chamber: str | None, stands: list[Heard]) -> str:
    """Return the place of what leads of all that stands of a chamber."""
    leads = max(stands, key=lambda one: (rank(one.latest.priority) if one.shown else -1, bool(one.room)), default=None)
    return (chamber or "site") if leads is None else leads.place


def has_step(advice: AdviceEvent) -> bool:
    """Return whether it asks for more than to look or to leave it be."""
    return any(action.change not in ("check", "hold") for action in advice.actions)
