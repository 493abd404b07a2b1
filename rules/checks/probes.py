"""Probes that are silent, not believed, at odds with their twin, or due for their check; and the chamber nobody sees."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np
from numpy.typing import NDArray

from rules.checks.verdict import Facts, Verdict, number
from rules.climate.hysteresis import CLEAR, EDGE, OUTSIDE, Delays
from rules.climate.judging import Heard
from rules.climate.memory import ProbeMemory
from rules.climate.quality import GOOD, NOT_EVALUATED, SUSPECT, TESTS, fresh_for_ms
from rules.climate.twins import DRIFTED, shifts
from rules.climate.view import View, failing_test
from rules.climate.wetness import SATURATED_PCT
from rules.climate.windows import newest_at
from rules.terms.events import HOUR_MS, MINUTE_MS, rfc3339
from rules.terms.quantities import FACTS, QUANTITIES, Quantity
from rules.trade.garden_sizes import size_class

SPATIAL_ALLOWANCE = {"air_temperature": 0.5, "relative_humidity": 4.0}  # between two spots of one box: own estimate

_REPLUG = "switch it off and on"
_WORDS = {  # why it is not believed, and what would make it believed again
    "gross-range": ("says what it cannot measure", "a reading that it can measure"),
    "sentinel": ("says its own error value", "a reading that is none; look at its plug and cable"),
    "flat-line": ("has said exactly the same for hours: frozen", f"any other reading; {_REPLUG}"),
    "saturated": ("leapt to its top and stays: wet or buried", "readings below 97 %RH, or a second probe that says the same"),
    "wetted": ("was soaked and still reads high", "ten minutes below 97 %RH, or a second probe that says the same"),
    "domain": ("says what a fungus shelf hardly is", "an hour of readings that move there, or a second probe that agrees"),
    "begins-extreme": ("began in an extreme", "an hour of readings that move there, or a second probe that agrees"),
    "spike": ("jumps", "two readings in a row that agree"),
    "rate": ("races", "readings that change more slowly"),
    "erratic": ("jumps again and again: a loose contact, or it is dying", "24 readings in which it jumps at most once"),
    "garbled": ("sends what cannot be understood", "one reading that can; look at its cable"),
    "refused": ("refuses to answer", "one answer; look at its address and settings"),
    "implausible": ("sends what is no number", "one number; look at its cable"),
}


MIST_MS = 6 * HOUR_MS
"""So long a lone probe that stands at its top is not believed before it is blamed: the air of a misted box or of a bathroom
stands there as well, 99 of 100 times for less than five hours (foreign simulation). Own estimate."""
_TOP = [TESTS.index(name) for name in ("saturated", "wetted")]
_ALONE = [TESTS.index(name) for name in ("begins-extreme", "rate")]


def check(view: View) -> Iterator[Verdict]:
    """Silent or unbelieved: two alarms per probe, of which at most one is raised."""
    for name, probe in view.settings.probes_by_place.get(view.place, {}).items():
        if name in view.probes:
            yield from _one_probe(view, name, view.probes[name], probe.interval)


def _one_probe(view: View, name: str, memory: ProbeMemory, interval_ms: int) -> Iterator[Verdict]:
    if name in view.keeper.out_of_service:
        yield from _out_of_service(view, name)
        return
    fresh, told = fresh_for_ms(interval_ms), view.faults.get(name, ())
    heard = [item for item in view.heard if item.probe == name]
    good_age, any_age = _ages(view, memory, heard)
    stale = fault = unseen = good_age > fresh
    if unseen.any():
        returning = _returning(view, memory, heard) & (any_age <= fresh)
        speaks = (any_age <= fresh) | (_garble_age(view, memory, told) <= fresh)
        misted = _may_be_misted(view, name, memory, heard) & (good_age <= MIST_MS)
        stale, fault = unseen & ~speaks, unseen & speaks & ~returning & ~misted
    # A fourth reading must be missed before it is told: three in a row are lost now and then on any radio.
    for alarm, bad, wait_ms in (("probe-stale", stale, interval_ms), ("probe-fault", fault, 0)):
        zone = np.where(bad, OUTSIDE, CLEAR).astype(np.int8)
        delays = Delays(wait_ms, interval_ms, wait_ms, interval_ms)
        words = _words(view, name, memory, told, alarm, good_age, bad, heard)
        yield Verdict(alarm, zone, view.passed_ms, delays, words, name)


def _out_of_service(view: View, name: str) -> Iterator[Verdict]:
    """A probe that was taken out of use is neither silent nor wrong."""
    calm = np.full(len(view.at_ms), CLEAR, np.int8)
    facts = Facts(because=f"{name} is out of service")
    for alarm in ("probe-stale", "probe-fault"):
        yield Verdict(alarm, calm, view.credit_ms, Delays(0, 0, 0, 0), lambda _: facts, name)


def _ages(view: View, memory: ProbeMemory, heard: list[Heard]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return how long ago the probe's least fresh quantity was good, and how long ago it said anything, per instant."""
    names = {item.quantity: item for item in heard}
    never = view.at_ms - memory.since_ms
    worst, latest = np.full(len(view.at_ms), -1), never.copy()
    for quantity, after in memory.series.items():
        item = names.get(quantity)  # type: ignore[call-overload]
        before = item.before if item else after
        worst = np.maximum(worst, view.at_ms - _last(view, before.good_ms, memory, item, only_good=True))
        latest = np.minimum(latest, view.at_ms - _last(view, before.last_ms, memory, item, only_good=False))
    return np.where(worst < 0, never, worst), latest


def _returning(view: View, memory: ProbeMemory, heard: list[Heard]) -> NDArray[np.bool_]:
    """Return where the newest sample is the first after a gap, an extreme in which the probe began or came back, or one of a
    fast course, as of a probe that is carried to another room, which is believed within minutes: nothing is wrong with it, it
    only stands alone yet."""
    alone, doubted = np.zeros(len(view.at_ms), bool), np.zeros(len(view.at_ms), bool)
    for quantity in memory.series:
        flag, test = _newest(view, quantity, memory, heard)
        flag = np.where(np.isin(test, _ALONE), NOT_EVALUATED, flag)
        alone |= flag == NOT_EVALUATED
        doubted |= flag >= SUSPECT
    return alone & ~doubted


def _may_be_misted(view: View, name: str, memory: ProbeMemory, heard: list[Heard]) -> NDArray[np.bool_]:
    """Return where nothing speaks against a lone probe but that its humidity leapt to its top and stands there."""
    beside = [view.probes[other] for other in view.settings.probes_at(view.place) if other != name and other in view.probes]
    if "relative_humidity" not in memory.series or any("relative_humidity" in one.series for one in beside):
        return np.zeros(len(view.at_ms), bool)
    top = np.isin(_newest(view, "relative_humidity", memory, heard)[1], _TOP)
    for quantity in memory.series.keys() - {"relative_humidity"}:
        top &= _newest(view, quantity, memory, heard)[0] < SUSPECT
    return top


def _newest(
    view: View, quantity: str, memory: ProbeMemory, heard: list[Heard]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return flag and test of the newest sample of a quantity, per instant."""
    item = next((one for one in heard if one.quantity == quantity), None)
    before = item.before if item else memory.series[quantity]
    flag, test = np.full(len(view.at_ms), before.flag), np.full(len(view.at_ms), TESTS.index(before.test))
    if item is not None:
        where = newest_at(item.judged.at_ms, view.at_ms)
        flag = np.where(where >= 0, item.judged.flag[np.maximum(where, 0)], flag)
        test = np.where(where >= 0, item.judged.test[np.maximum(where, 0)], test)
    return flag, test


def _last(view: View, before_ms: int | None, memory: ProbeMemory, item: Heard | None, only_good: bool) -> NDArray[np.int64]:
    base = np.full(len(view.at_ms), max(memory.since_ms, before_ms or 0))
    if item is None:
        return base
    times = item.judged.at_ms[item.judged.flag == GOOD] if only_good else item.judged.at_ms
    where = newest_at(times, view.at_ms)
    return np.where(where >= 0, times[np.maximum(where, 0)], base) if len(times) else base


def _garble_age(view: View, memory: ProbeMemory, told: tuple[tuple[int, str], ...]) -> NDArray[np.int64]:
    """Return how long ago the probe last answered with something that is no reading (silence does not count)."""
    earlier = [] if memory.garbled_ms is None else [memory.garbled_ms]
    spoken = np.array([*earlier, *(at for at, fault in told if fault != "unreachable")], np.int64)
    where = np.searchsorted(spoken, view.at_ms, "right") - 1
    never = np.full(len(view.at_ms), 10**15)
    return np.where(where >= 0, view.at_ms - spoken[np.maximum(where, 0)], never) if len(spoken) else never


def _words(  # type: ignore[no-untyped-def]
    view: View,
    name: str,
    memory: ProbeMemory,
    told: tuple[tuple[int, str], ...],
    alarm: str,
    good_age: NDArray[np.int64],
    bad: NDArray[np.bool_],
    heard: list[Heard],
):
    def facts(index: int) -> Facts:
        age_s = float(good_age[index]) / 1000.0
        last_ms = int(view.at_ms[index] - good_age[index])
        last = rfc3339(last_ms)
        if not bad[index]:
            return Facts(round(age_s), None, "s", None, f"{name} is heard and believed again")
        fault = next((fault for at, fault in reversed(told) if at <= view.at_ms[index]), memory.fault)
        if alarm == "probe-stale":
            return Facts(round(age_s), None, "s", None, f"nothing from {name} since {last}" + (f" ({fault})" if fault else ""))
        if mute := _mute(view, name, memory, heard, index):
            return Facts(round(age_s), None, "s", None, f"{name} {mute}")
        test = failing_test(view, name, index) or fault
        why, cure = _WORDS.get(test, ("is not believed", "two readings in a row that agree"))
        frozen = [one for one in memory.series if failing_test(view, name, index, one) == "flat-line"]  # type: ignore[arg-type]
        if test == "flat-line" and len(frozen) < len(memory.series):
            what = FACTS[frozen[0]].label  # type: ignore[index]
            why, cure = f"has said exactly the same {what} for hours, while the air moves", f"any other {what}; {_REPLUG}"
        seen = f"last believed {last}" if last_ms > memory.since_ms else f"not believed once since {last}"
        return Facts(round(age_s), None, "s", None, f"{name} {why}; {seen}; it is believed again after {cure}")

    return facts


def _mute(view: View, name: str, memory: ProbeMemory, heard: list[Heard], index: int) -> str:
    """Say which quantity a probe that speaks does not tell any more, since when, and what would make it believed again; empty:
    it tells all that it ever told, or nothing."""
    items: dict[str, Heard] = {item.quantity: item for item in heard}
    now_ms, newest_ms = int(view.at_ms[index]), dict[Quantity, int]()
    for quantity in QUANTITIES:
        item, after = items.get(quantity), memory.series.get(quantity)
        if after is not None:
            before_ms = (item.before if item else after).last_ms
            newest_ms[quantity] = int(_last(view, before_ms, memory, item, only_good=False)[index])
    silent = [one for one in newest_ms if now_ms - newest_ms[one] > fresh_for_ms(view.settings.probes[name].interval)]
    if not silent or len(silent) == len(newest_ms):
        return ""
    since = rfc3339(min(newest_ms[one] for one in silent))
    what, rest = (" and ".join(FACTS[one].label for one in newest_ms if (one in silent) == mute) for mute in (True, False))
    cure = f"it is believed again after two readings of its {what} in a row; look at its plug, or switch it off and on"
    return f"tells no {what} since {since}, though it goes on telling its {rest}; {cure}"


def disagreement(view: View) -> Iterator[Verdict]:
    """Two probes in one place that differ by more than both may err, for half an hour and three samples, or one that has
    drifted away from the others."""
    names = view.settings.probes_at(view.place)
    if len(names) < 2:
        return
    probes = [view.settings.probes[name] for name in names]
    limit_t = _both_err(view, [p.accuracy_temperature_k for p in probes], "air_temperature")
    limit_h = _both_err(view, [p.accuracy_humidity_pct for p in probes], "relative_humidity")
    apart_t = view.temperature.most - view.temperature.least
    apart_h = view.humidity.most - view.humidity.least
    moved = {quantity: shifts(view, quantity) for quantity in DRIFTED}
    drift = np.fmax.reduce([np.abs(one) / DRIFTED[quantity] for quantity, by in moved.items() for one in by.values()])
    bad = (apart_t > limit_t) | (apart_h > limit_h) | (drift > 1.0)
    calm = ~((apart_t > 0.8 * limit_t) | (apart_h > 0.8 * limit_h) | (drift > 0.8))
    zone = np.where(bad, OUTSIDE, np.where(calm, CLEAR, 1)).astype(np.int8)

    def facts(index: int) -> Facts:
        because = (
            f"they differ by {apart_t[index]:.1f} K and {apart_h[index]:.0f} %RH;"
            f" {limit_t[index]:.1f} K and {limit_h[index]:.0f} %RH would be within their errors"
        )
        if apart_h[index] > limit_h[index] and view.humidity.most[index] >= SATURATED_PCT:
            because += "; one stands at its top: it is wet, or the other has drifted; check both over wet salt (75 %RH)"
        if drift[index] > 1.0:
            because = _drifted(view, moved, index)
        if not apart_h[index] > limit_h[index]:  # by temperature: said in words, since a figure in K is told as a lid's margin
            return Facts(because=because)
        return Facts(number(float(apart_h[index])), round(float(limit_h[index]), 1), "%RH", None, because)

    wait = max(30 * MINUTE_MS, 3 * max(probe.interval for probe in probes))
    delays = Delays(wait, wait, wait, wait)
    yield Verdict("probes-disagree", zone, view.credit_ms, delays, facts)


def _drifted(view: View, moved: Mapping[Quantity, Mapping[str, NDArray[np.float64]]], index: int) -> str:
    """Say which probe has drifted, as far as a third one or a salt check tells."""
    quantity = max(moved, key=lambda one: max(np.abs(np.nan_to_num(by[index])) / DRIFTED[one] for by in moved[one].values()))
    by = {name: float(np.nan_to_num(shift[index])) for name, shift in moved[quantity].items()}
    checked = {name: view.probes[name].corrections.get(quantity) for name in by}
    unit = "K" if quantity == "air_temperature" else "%RH"
    name = max(by, key=lambda one: abs(by[one]))
    if len(by) > 2:
        return f"{name} has drifted by {by[name]:+.1f} {unit} away from the others since its first two weeks"
    one, other = sorted(by, key=lambda one: made.at_ms if (made := checked[one]) else -1)
    if checked[other] is not None:
        why = f"{other} was checked later, so look at {one} first"
    else:
        why = "one of them is wrong: check both over wet salt (75 %RH)"
    return f"{one} has drifted by {by[one]:+.1f} {unit} from {other} since their first two weeks; {why}"


def _both_err(view: View, accuracies: list[float], quantity: Quantity) -> NDArray[np.float64]:
    """Return how far the two poorest may be apart, per instant: twice their joint standard uncertainty (limits are rectangular,
    JCGM 100, 4.3.7), half a step of each, and what two spots of one box differ by."""
    steps = np.sort([view.step(name, quantity) for name in view.settings.probes_at(view.place)], axis=0)[-2:]
    poorest: NDArray[np.float64] = 2.0 * math.hypot(*sorted(accuracies)[-2:]) / math.sqrt(3.0) + steps.sum(axis=0) / 2.0
    return poorest + SPATIAL_ALLOWANCE[quantity]


def calibration(view: View) -> Iterator[Verdict]:
    """The salt check of a humidity probe has grown too old. Only for probes that were ever checked."""
    for name, probe in view.settings.probes_by_place.get(view.place, {}).items():
        memory = view.probes.get(name)
        if memory is None or "relative_humidity" not in memory.corrections:
            continue
        age = view.at_ms - memory.corrections["relative_humidity"].at_ms
        zone = np.where(age > probe.calibration_due, OUTSIDE, CLEAR).astype(np.int8)
        days = probe.calibration_due / 86_400_000
        facts = Facts(None, days, "d", None, f"the last salt check of {name} is more than {days:.0f} days old")
        yield Verdict("probe-calibration", zone, view.credit_ms, Delays(0, 0, 0, 0), lambda _index, facts=facts: facts, name)  # type: ignore[misc]


def blind(view: View) -> Iterator[Verdict]:
    """No believed temperature of this chamber for a quarter of an hour (small garden) or half an hour."""
    if view.chamber is None:
        return
    value = view.temperature.value
    first = min((view.settings.probes[name].interval for name in view.settings.probes_at(view.place)), default=0)
    awaited = view.at_ms <= view.memory.since_ms + 2 * first  # two readings that agree are believed: not before
    zone = np.where(np.isnan(value), np.where(awaited, EDGE, OUTSIDE), CLEAR).astype(np.int8)
    credit = view.passed_ms
    wait = (15 if size_class(view.garden_ml) in "AB" else 30) * MINUTE_MS

    def facts(index: int) -> Facts:
        seen = np.flatnonzero(~np.isnan(value[: index + 1]))
        last = float(value[seen[-1]]) if len(seen) else view.memory.temperature_c
        if zone[index] == CLEAR:
            because = f"its temperature is believed again: {value[index]:.1f} degC"
            return Facts(number(float(value[index])), None, "degC", None, because)
        told = "" if last is None else f"; last believed {last:.1f} degC"
        out = f"; out of service: {', '.join(view.taken_out)}" if view.taken_out else ""
        return Facts(None, None, None, None, f"no believed temperature from this chamber{told}{out}")

    yield Verdict("blind", zone, credit, Delays(wait, 2 * MINUTE_MS, 2 * 60 * MINUTE_MS, 2 * MINUTE_MS), facts)
