"""How long is left: what a garden bears that is used up, and when the next marks of heat or cold are passed."""

from __future__ import annotations

from collections.abc import Sequence

from adapters.wording.alarm_sentences import account_of, account_then, title_of
from adapters.wording.figures import Style, span
from adapters.wording.together import reached
from rules.settings import Settings
from rules.terms.events import AdviceEvent, AlarmEvent, LetterEvent
from rules.trade.alarm_kinds import ALARMS
from rules.trade.bearable import BEARABLE


def left(alarms: Sequence[AlarmEvent], settings: Settings, style: Style, now_ms: int) -> list[str]:
    """Say once for each kind of harm how much of what a garden bears is used up: as last judged, of several boxes the worst."""
    several = len({alarm.chamber for alarm in alarms}) > 1
    judged = sorted((alarm for alarm in alarms if alarm.harm_used and alarm.alarm in ALARMS), key=lambda alarm: alarm.at_ms)
    newest = {(alarm.chamber, ALARMS[alarm.alarm].harm): alarm for alarm in judged}
    found: dict[str | None, tuple[float, str]] = {}
    for (_, kind), alarm in newest.items():
        place = settings.chambers.get(alarm.chamber or "")
        bearer = "garden" if place is None or place.role == "fungus" else "chamber"
        told = account_of(alarm, now_ms, bearer) or account_then(alarm, style, now_ms, bearer)
        ends_ms = (alarm.judged_ms or alarm.at_ms) + 1000 * (alarm.seconds_left or 0.0)
        if told and (kind not in found or ends_ms < found[kind][0]):
            found[kind] = (ends_ms, f"{title_of(settings, alarm.chamber)}: {told[0].lower()}{told[1:]}" if several else told)
    return [told for _, told in found.values()]


def rests_s(alarms: Sequence[AlarmEvent], now_ms: int) -> list[float]:
    """Return how long what a garden bears lasts at the earliest, by each account that a letter tells of."""
    ends = [
        (alarm.judged_ms or alarm.at_ms, alarm.seconds_left if alarm.early_seconds_left is None else alarm.early_seconds_left)
        for alarm in alarms if alarm.open and alarm.harm_used is not None
    ]
    return [left_s - (now_ms - judged_ms) / 1000 for judged_ms, left_s in ends if left_s is not None]


_FORESEEN_H = 12.0
"""A mark that is farther away is not told: no pace of a quarter of an hour lasts so long."""


def next_marks(letter: LetterEvent, advice: AdviceEvent | None, settings: Settings, style: Style) -> list[str]:
    """Return when each chamber that an alarm of heat or cold is about passes its next mark, by its newest value and
    pace; `advice`: what has just been found, which knows it better where there is no heat."""
    told = [] if advice is None else _reaches(advice, settings, style, letter.at_ms)
    foreseen = {reach.chamber for reach in advice.reaches} if advice is not None and told else set()
    ahead_of = [
        (hours, style.quantity(mark_c, "degC"), title_of(settings, chamber))
        for hours, mark_c, chamber in marks_by_pace(letter) if chamber not in foreseen
    ]  # fmt: skip
    rows = [(mark, place, f"in about {span(hours * 3600)}") for hours, mark, place in ahead_of]
    together = reached([row for _, row in sorted(zip(ahead_of, rows, strict=True))])
    told += [f"At the pace of now {mark} is reached by {boxes}." for mark, boxes in together.items()]
    return told + [f"At the pace of now {place} reaches {mark} {when}." for mark, place, when in rows if mark not in together]


def marks_by_pace(letter: LetterEvent) -> list[tuple[float, float, str]]:
    """Return in how many hours which mark of heat or cold is passed by which chamber, at the pace of its newest values."""
    found: list[tuple[float, float, str]] = []
    for figures in letter.present:
        kinds = {
            kind for one in letter.about
            if isinstance(one, AlarmEvent) and one.open and one.chamber == figures.chamber
            and (kind := ALARMS[one.alarm].harm) in ("heat", "cold")
        }
        value, slope = figures.temperature_c, figures.temperature_slope_k_h
        for kind in sorted(kinds):
            row = BEARABLE[kind]
            ahead = [mark for mark, _ in row.marks if value is not None and row.worse * (mark - value) > 0]
            if value is None or slope is None or not ahead or row.worse * slope <= row.noise_h:
                continue
            hours = (ahead[0] - value) / slope
            if hours <= _FORESEEN_H:
                found.append((hours, ahead[0], figures.chamber))
    return found


def _reaches(advice: AdviceEvent, settings: Settings, style: Style, now_ms: int) -> list[str]:
    """Return when each chamber passes its marks if no heat comes, the first chamber at the head."""
    lines: dict[str, list[str]] = {}
    likely = [(one.mark_c, one.chamber, style.clock(advice.at_ms + one.after_ms, now_ms)) for one in advice.reaches]
    together = reached([(style.quantity(mark_c, "degC"), title_of(settings, place), at) for mark_c, place, at in likely])
    if together:
        return [f"Without heat {mark} is reached at about these times: {boxes}." for mark, boxes in together.items()]
    for reach in advice.reaches:
        at, early, late = (style.clock(advice.at_ms + ms, now_ms) for ms in (reach.after_ms, reach.early_ms, reach.late_ms))
        said = f"{style.quantity(reach.mark_c, 'degC')} at about {at} (between {early} and {late})"
        lines.setdefault(title_of(settings, reach.chamber), []).append(said)
    return [f"Without heat {place} is at {' and at '.join(said)}." for place, said in lines.items()]
