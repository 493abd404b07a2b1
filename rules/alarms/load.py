"""How good the alarms are: load, floods, chattering, stale ones and the worst offenders, each beside its target.

Measures after EEMUA 191 and ISA-18.2 / IEC 62682 (from memory, at second hand). Their targets are for a person whose job is
watching (about 144 alarms a day); a keeper gives about a hundredth of a day, so the targets here are about a hundredth:
common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

from rules.alarms.state import CHATTER_FOR_MS, STALE_FOR_MS, record_key
from rules.settings import Chamber, Settings
from rules.terms.events import DAY_MS, MINUTE_MS, AlarmEvent, Priority
from rules.trade.alarm_kinds import QUESTIONS
from rules.trade.urgency import PRIORITIES

WINDOW_MS = 10 * MINUTE_MS
FLOOD_BEGINS = 3
FLOOD_ENDS = 2
"""More than three in ten minutes begin a flood; it ends with fewer than two (ISA: 10 and 5 for an operator, from memory)."""
RUNS_FOR_INDEX = 5
"""So many run lengths make a chatter index. Own estimate."""

Delays = Callable[[str, str], tuple[int, int] | None]
"""Chamber (or `site`) and alarm in, on-delay and off-delay in ms out; None: not known."""


@dataclass
class Occurrence:
    """One alarm from its raise to its end; `shown_ms` None: it was hidden all the time."""

    key: str
    chamber: str | None
    alarm: str
    raised_ms: int
    priority: Priority
    shown_ms: int | None = None
    ended_ms: int | None = None
    acknowledged_ms: int | None = None
    touched: bool = False
    """The keeper acknowledged or shelved it."""


@dataclass(frozen=True)
class Offender:
    """One alarm and its part of the load."""

    key: str
    raises: int
    share: float
    chatter_index: float | None
    """Mean of (on-delay + off-delay) / time between raises, 0 to 1; None: too few raises or delays not known."""
    chattering: bool


@dataclass(frozen=True)
class Figure:
    """One figure beside its target."""

    name: str
    value: float
    target: str
    met: bool


@dataclass(frozen=True)
class AlarmFigures:
    """All figures of a period."""

    days: float
    raises: int
    offenders: tuple[Offender, ...]
    split: dict[str, float]
    """Share of each priority among the annunciated raises."""
    fleeting: tuple[str, ...]
    stale: tuple[str, ...]
    standing: tuple[str, ...]
    median_to_acknowledge_s: float | None
    figures: tuple[Figure, ...] = field(default_factory=tuple)


def occurrences(events: Iterable[AlarmEvent]) -> list[Occurrence]:
    """Return the occurrences of alarms that these events tell of, in order of their raise; a question is no alarm."""
    found: dict[tuple[str, int], Occurrence] = {}
    for event in events:
        if event.alarm in QUESTIONS:
            continue
        key = record_key(event.chamber, event.alarm, event.probe, event.medium)
        if event.change == "raised":
            found[key, event.occurrence] = Occurrence(key, event.chamber, event.alarm, event.at_ms, event.priority)
        one = found.get((key, event.occurrence))
        if one is not None and one.ended_ms is None:
            _follow(one, event)
    return list(found.values())


def _follow(one: Occurrence, event: AlarmEvent) -> None:
    if one.shown_ms is None and event.condition in ("active", "held") and event.suppression == "none":
        one.shown_ms, one.priority = event.at_ms, event.priority
    if event.change == "acknowledged" and one.acknowledged_ms is None:
        one.acknowledged_ms = event.at_ms
    one.touched |= event.change in ("acknowledged", "shelved")
    if event.condition not in ("active", "held"):
        one.ended_ms = event.at_ms


def delays_of(settings: Settings) -> Delays:
    """Return what looks up the delays of a chamber's band alarms in the config."""

    def look_up(chamber: str, alarm: str) -> tuple[int, int] | None:
        return _band_delays(settings.chambers.get(chamber), alarm)

    return look_up


def _band_delays(chamber: Chamber | None, alarm: str) -> tuple[int, int] | None:
    if chamber is None:
        return None
    for prefix, band in (
        ("temperature-", chamber.temperature), ("humidity-", chamber.humidity), ("lid-dew", chamber.lid_dew),
    ):
        if alarm.startswith(prefix):
            return band.on_delay, band.off_delay
    return None


def alarm_figures(events: Iterable[AlarmEvent], from_ms: int, until_ms: int, delays: Delays) -> AlarmFigures:
    """Return the figures of the period [from_ms, until_ms) over all alarm events known of it, in order of time."""
    known = [one for one in occurrences(events) if one.raised_ms < until_ms and (one.ended_ms or until_ms) >= from_ms]
    shown = [one for one in known if one.shown_ms is not None and from_ms <= one.shown_ms < until_ms]
    offenders = _offenders(shown, delays)
    told = [one for one in known if one.shown_ms is not None]
    standing = tuple(one.key for one in told if one.ended_ms is None or one.ended_ms >= until_ms)
    stale = tuple(one.key for one in told if (one.ended_ms or until_ms) - one.raised_ms > STALE_FOR_MS)
    fleeting = tuple(one.key for one in shown if _is_fleeting(one, delays))
    answers = [one.acknowledged_ms - (one.shown_ms or 0) for one in shown if one.acknowledged_ms is not None]
    split = {str(name): sum(one.priority == name for one in shown) / max(len(shown), 1) for name in PRIORITIES}
    return AlarmFigures(
        days=_days(from_ms, until_ms), raises=len(shown),
        offenders=offenders, split=split, fleeting=fleeting, stale=stale, standing=standing,
        median_to_acknowledge_s=median(answers) / 1000 if answers else None,
        figures=_against_targets(shown, offenders, fleeting, stale, standing, from_ms, until_ms),
    )


def _days(from_ms: int, until_ms: int) -> float:
    return max(until_ms - from_ms, 1) / DAY_MS


def _is_fleeting(one: Occurrence, delays: Delays) -> bool:
    """Whether it came and went at once: active for less than twice its off-delay without the keeper doing anything."""
    known = delays(one.chamber or "site", one.alarm)
    if known is None or one.ended_ms is None or one.touched:
        return False
    return one.ended_ms - one.raised_ms < 2 * known[1]


def _offenders(shown: Sequence[Occurrence], delays: Delays) -> tuple[Offender, ...]:
    by_key: dict[str, list[Occurrence]] = {}
    for one in shown:
        by_key.setdefault(one.key, []).append(one)
    return tuple(
        Offender(key, len(some), len(some) / len(shown), chatter_index(some, delays), _chatters(some))
        for key, some in sorted(by_key.items(), key=lambda pair: (-len(pair[1]), pair[0]))
    )


def chatter_index(some: Sequence[Occurrence], delays: Delays) -> float | None:
    """Return the relative chatter index of one alarm's occurrences, 0 to 1.

    The published index, sum P(r)/r over run lengths r with its cut-off of 0.05 per second, is for alarms that may repeat every
    second; with delays of minutes it can never fire. Weighing the run lengths by the shortest possible one (on-delay +
    off-delay) keeps its meaning. Run lengths: Kondaveeti et al. 2013, Chem. Eng. Res. Des. 91, 2550 (from memory); the
    relative form: common practice, no source.
    """
    known = delays(some[0].chamber or "site", some[0].alarm)
    runs = [after.raised_ms - before.raised_ms for before, after in pairwise(some)]
    if known is None or len(runs) < RUNS_FOR_INDEX:
        return None
    return sum(min(1.0, sum(known) / max(run, 1)) for run in runs) / len(runs)


def _chatters(some: Sequence[Occurrence]) -> bool:
    return any(third.raised_ms - first.raised_ms <= CHATTER_FOR_MS for first, third in zip(some, some[2:], strict=False))


def _against_targets(
    shown: Sequence[Occurrence], offenders: Sequence[Offender], fleeting: Sequence[str], stale: Sequence[str],
    standing: Sequence[str], from_ms: int, until_ms: int,
) -> tuple[Figure, ...]:
    at_ms = [one.shown_ms for one in shown if one.shown_ms is not None]
    per_window = Counter((at - from_ms) // WINDOW_MS for at in at_ms)
    per_day = Counter((at - from_ms) // DAY_MS for at in at_ms)
    windows = max(1, -(-(until_ms - from_ms) // WINDOW_MS))
    busy = sum(count > 2 for count in per_window.values()) / windows
    top = offenders[0].share if len(shown) >= RUNS_FOR_INDEX else 0.0
    chattering = sum(one.chattering for one in offenders)
    values: list[tuple[str, float, float, str]] = [
        ("alarms per day", len(shown) / _days(from_ms, until_ms), 1.0, "at most 1"),
        ("most alarms in one day", _most(per_day), 6.0, "at most 6"),
        ("most alarms in ten minutes", _most(per_window), 2.0, "at most 2"),
        ("share of ten-minute periods with more than 2", busy, 0.01, "less than 1 %"),
        ("share of time in flood", flood_share(at_ms, from_ms, until_ms), 0.005, "less than 0.5 %"),
        ("share of the most frequent alarm", top, 0.4, "less than 40 %"),
        ("chattering or fleeting alarms", float(chattering + len(set(fleeting))), 0.0, "none"),
        ("alarms that stood for more than a day", float(len(set(stale))), 1.0, "at most 1"),
        ("alarms standing now", float(len(standing)), 2.0, "at most 2"),
    ]
    return tuple(Figure(name, value, target, value <= bound) for name, value, bound, target in values)


def _most(counts: Counter[int]) -> float:
    return float(max(counts.values(), default=0))


def flood_share(at_ms: Sequence[int], from_ms: int, until_ms: int) -> float:
    """Return the share of the period in which alarms came as a flood: begun by more than 3 in ten minutes, over below 2."""
    counts = Counter((at - from_ms) // WINDOW_MS for at in at_ms)
    flooded: set[int] = set()
    for window in sorted(counts):
        if counts[window] > FLOOD_BEGINS or (counts[window] >= FLOOD_ENDS and window - 1 in flooded):
            flooded.add(window)
    return min(1.0, len(flooded) * WINDOW_MS / max(until_ms - from_ms, 1))
