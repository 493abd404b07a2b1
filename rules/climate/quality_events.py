"""What is told of a series' quality: each kind of trouble once when it begins, at most hourly, and its end."""

from __future__ import annotations

from copy import copy

import numpy as np

from rules.climate.judging import Heard
from rules.climate.memory import Series
from rules.climate.quality import FAIL, NAMES, SUSPECT, TESTS
from rules.settings import Settings
from rules.terms.events import HOUR_MS, QualityEvent

_PASSING = {"spike"}  # over by the next sample: their end is no news
_FAILURE = {"gross-range", "sentinel", "flat-line"}


def quality_events(settings: Settings, heard: Heard, origin: str) -> tuple[Series, list[QualityEvent]]:
    """Return the series' memory and the events of this stretch. NE 107: failed values are failure, doubtful ones out of
    specification (NAMUR NE 107, class names)."""
    judged, memory = heard.judged, copy(heard.after)
    memory.told_test, memory.told_ms, memory.events = heard.before.told_test, heard.before.told_ms, heard.before.events
    code = np.where(judged.flag >= SUSPECT, judged.test, 0)
    if not memory.told_test and not code.any():
        return memory, []
    events: list[QualityEvent] = []
    before = TESTS.index(heard.before.test) if heard.before.flag >= SUSPECT else 0
    starts = np.flatnonzero(np.diff(code, prepend=before))
    place = settings.probes[heard.probe].place
    for index in starts.tolist():
        test, at_ms = TESTS[int(code[index])], int(judged.at_ms[index])
        if test == memory.told_test:
            continue
        if test in _PASSING and memory.told_test not in ("", *_PASSING):
            continue  # the first good reading after bad ones leaps back: what was told is not over by that, nor anything new
        told_before, memory.told_test = memory.told_test, test
        if test and memory.told_ms is not None and test in _PASSING and at_ms - memory.told_ms < HOUR_MS:
            continue
        if not test and told_before in _PASSING:
            continue
        memory.told_ms, memory.events = at_ms, memory.events + 1
        flag = int(judged.flag[index])
        value = float(judged.value[index])
        events.append(
            QualityEvent(
                id=f"{origin}.{heard.probe}.{heard.quantity}.quality.{at_ms}.{memory.events}",
                at_ms=at_ms,
                chamber=place if place in settings.chambers else None,
                probe=heard.probe,
                quantity=heard.quantity,
                test=test or told_before,
                flag=NAMES[flag] if test else "good",  # type: ignore[arg-type]
                ne107=_class(test, flag),
                value=None if np.isnan(value) else round(value, 3),
                detail=f"{heard.probe} {heard.quantity}: "
                + (f"{test} test not passed" if test else f"good again after {told_before}"),
            )
        )
    return memory, events


def _class(test: str, flag: int):  # type: ignore[no-untyped-def]
    if not test:
        return "ok"
    return "failure" if test in _FAILURE and flag == FAIL else "out-of-specification"
