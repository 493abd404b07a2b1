"""What the keeper saw, read against what the climate was: one plain answer with its numbers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TypeGuard

from rules.climate.dryness import dry_deficit_pa
from rules.climate.hours import ClimateMemory, Hours
from rules.settings import Chamber
from rules.terms.events import HOUR_MS, Figures, Priority
from rules.trade.garden_sizes import size_class
from rules.trade.symptoms import SYMPTOMS, Proof, Symptom, founding

DRY_HOURS = {"A": 3, "B": 6, "C": 8, "D": 8, "E": 8}
"""So long a garden of that size must have been too dry before that explains what is seen; common practice, no source."""
HOT_H, WARM_H, COLD_H, WET_LID_H, HUMID_H = 1, 2, 6, 4, 24
"""The same for heat above the harmful edge, warmth above the band, cold, a lid below the dew point and humid air; judgement."""
_RANK: tuple[Priority, ...] = ("wake", "today", "morning", "digest")


@dataclass(frozen=True, slots=True)
class Proven:
    """What the climate history says to one question: does it hold (None: not known), and the line of numbers.

    `over`: it held, but the last two hours were right again, within the band. `begun`: it is so now, but not for long enough
    to explain it.
    """

    holds: bool | None
    line: str
    over: bool = False
    begun: bool = False


@dataclass(frozen=True, slots=True)
class Answer:
    """What the keeper is told about a sight; `suffers`: the garden is in trouble."""

    text: str
    priority: Priority
    calm: bool
    suffers: bool


def unknown_words(seen: Sequence[str]) -> list[str]:
    """Return the words that are not in the vocabulary."""
    return [word for word in seen if word not in SYMPTOMS]


@dataclass(frozen=True, slots=True)
class Questions:
    """The questions that may be asked about one chamber at one instant."""

    memory: ClimateMemory
    name: str
    chamber: Chamber
    garden_ml: float | None
    at_ms: int
    now: Figures | None = None
    """What was last read; None: it is not known, or the sight is older."""
    vents: bool = True
    """Whether there are vents that can be opened."""
    shut: bool = False
    """Whether an Atta queen founds there, whose box stays shut."""
    standing: tuple[str, ...] = ()
    """What stands there as an alarm, in words, the worst first."""

    @property
    def amiss(self) -> str:
        """Return what is wrong there now, by what stands and by what was last read; empty: nothing is known to be."""
        if self.standing:
            return " and ".join(self.standing[:2])
        now, air, humidity = self.now, self.chamber.temperature, self.chamber.humidity_for(self.garden_ml)
        if now is None:
            return ""
        seen = (
            (now.temperature_c, air.low, air.high, "too cool", "too warm", "{:.1f} degC"),
            (now.relative_humidity_pct, humidity.low, humidity.high, "too dry", "too humid", "{:.0f} %"),
        )  # fmt: skip
        for value, low, high, under, over, shown in seen:
            side = under if value is not None and low is not None and value < low else ""
            side = over if value is not None and high is not None and value > high else side
            if side:
                return f"{side}, {shown.format(value)} now"
        return ""

    @property
    def may_air(self) -> bool:
        """Whether more air may be advised: not where nobody told of vents, nor into cold or dry air."""
        worse = (self._beyond(proof) for proof in ("cold", "dry"))
        return self.vents and not any(beyond for _, beyond in worse)

    def ask(self, proof: Proof) -> Proven:
        """Return what the history says to this question."""
        asked: dict[Proof, Callable[[], Proven]] = {
            "dry": self._dry,
            "hot": lambda: self._above(self.chamber.temperature.harmful_high, 72, HOT_H),
            "warm": lambda: self._above(self.chamber.temperature.high, 24, WARM_H),
            "cold": self._cold,
            "wet-lid": self._wet_lid,
            "humid": self._humid,
        }
        found, (said, beyond) = asked[proof](), self._beyond(proof)
        if not said:
            return found
        holds = True if beyond and proof == "hot" else found.holds  # above that, minutes matter
        return replace(
            found, line=f"{found.line}; now {said}", holds=holds, over=found.over and not beyond, begun=beyond and not holds
        )

    def _beyond(self, proof: Proof) -> tuple[str, bool]:
        """Return what was last read of this, in words, and whether it is beyond the limit now."""
        now, chamber = self.now, self.chamber
        if now is None:
            return "", False
        value, limit, sign, unit = {
            "hot": (now.temperature_c, chamber.temperature.harmful_high, 1, "degC"),
            "warm": (now.temperature_c, chamber.temperature.high, 1, "degC"),
            "cold": (now.temperature_c, chamber.temperature.harmful_low, -1, "degC"),
            "dry": (now.relative_humidity_pct, chamber.humidity_for(self.garden_ml).low, -1, "%"),
            "humid": (now.relative_humidity_pct, chamber.humidity.high, 1, "%"),
            "wet-lid": (now.dew_margin_k, 0.0, -1, "K from the dew point"),
        }[proof]
        if value is None or limit is None:
            return "", False
        shown = f"{value:.0f} {unit}" if unit == "%" else f"{value:.1f} {unit}"
        return shown, sign * (value - limit) > 0.0

    def _dry(self) -> Proven:
        edge_pct, needed_h = self.chamber.humidity_for(self.garden_ml).low, DRY_HOURS[size_class(self.garden_ml)]
        if edge_pct is None:
            return Proven(False, "no dryness is told of this chamber")
        hours = self.memory.hours(self.name, "relative_humidity_pct", 48 * HOUR_MS, self.at_ms)
        if not _seen(hours):
            return Proven(None, "the humidity of the last 48 h is not known")
        below = hours.hours_below(edge_pct)
        line = f"RH was below {edge_pct:g} % for {below} h of the last {_span(hours, 48)} (lowest {hours.least():.0f} %)"
        if below >= needed_h:
            return Proven(True, line, over=bool((hours.mean[-2:] >= edge_pct + 2.0).all()))
        return self._dry_by_deficit(dry_deficit_pa(edge_pct, self.chamber.temperature), needed_h) or Proven(False, line)

    def _dry_by_deficit(self, limit_pa: float, needed_h: int) -> Proven | None:
        """Warm air dries at a humidity that looks right: the deficit shows it."""
        hours = self.memory.hours(self.name, "vapour_pressure_deficit_pa", 48 * HOUR_MS, self.at_ms)
        if not _seen(hours) or (above := hours.hours_above(limit_pa)) < needed_h:
            return None
        limit_kpa = limit_pa / 1000
        return Proven(
            True,
            f"RH looks right, but the air was warm: its vapour pressure deficit was above {limit_kpa:.2f} kPa for"
            f" {above} h of the last {_span(hours, 48)}",
            over=bool((hours.mean[-2:] <= limit_pa).all()),
        )

    def _above(self, limit_c: float | None, last_h: int, at_least_h: int) -> Proven:
        edge_c = self.chamber.temperature.high
        if limit_c is None:
            return Proven(False, "no warmth is told of this chamber")
        hours = self.memory.hours(self.name, "temperature_c", last_h * HOUR_MS, self.at_ms)
        if not _seen(hours):
            return Proven(None, f"the temperature of the last {last_h} h is not known")
        above = hours.hours_above(limit_c)
        line = f"the air was above {limit_c:g} degC for {above} h of the last {_span(hours, last_h)}"
        over = bool((hours.mean[-2:] <= (limit_c - 0.5 if edge_c is None else min(limit_c - 0.5, edge_c))).all())
        return Proven(above >= at_least_h, f"{line} (highest {hours.most():.1f} degC)", over)

    def _cold(self) -> Proven:
        limit_c, edge_c = self.chamber.temperature.harmful_low, self.chamber.temperature.low
        if limit_c is None:
            return Proven(False, "no cold is told of this chamber")
        hours = self.memory.hours(self.name, "temperature_c", 48 * HOUR_MS, self.at_ms)
        if not _seen(hours):
            return Proven(None, "the temperature of the last 48 h is not known")
        below = hours.hours_below(limit_c)
        line = f"the air was below {limit_c:g} degC for {below} h of the last {_span(hours, 48)}"
        over = bool((hours.mean[-2:] >= (limit_c + 0.5 if edge_c is None else max(limit_c + 0.5, edge_c))).all())
        return Proven(below >= COLD_H, f"{line} (lowest {hours.least():.1f} degC)", over)

    def _wet_lid(self) -> Proven:
        hours = self.memory.hours(self.name, "dew_margin_k", 24 * HOUR_MS, self.at_ms)
        if not _seen(hours):
            return Proven(None, "whether the lid was wet is not known (no lid or room probe)")
        below = hours.hours_below(0.0)
        line = f"the lid was below the dew point for {below} h of the last {_span(hours, 24)}"
        return Proven(below >= WET_LID_H, f"{line} (margin down to {hours.least():.1f} K)")

    def _humid(self) -> Proven:
        limit_pct = self.chamber.humidity.high
        if limit_pct is None:
            return Proven(False, "no dampness is told of this chamber")
        hours = self.memory.hours(self.name, "relative_humidity_pct", 48 * HOUR_MS, self.at_ms)
        if not _seen(hours):
            return Proven(None, "the humidity of the last 48 h is not known")
        above = hours.hours_above(limit_pct)
        line = f"RH was above {limit_pct:g} % for {above} h of the last {_span(hours, 48)}"
        return Proven(above >= HUMID_H, f"{line} (highest {hours.most():.0f} %)")


def _span(hours: Hours, last_h: int) -> str:
    return f"{last_h} h" if hours.known >= last_h - 1 else f"{last_h} h, of which {hours.known} h are known"


def _seen(hours: Hours | None) -> TypeGuard[Hours]:
    return hours is not None and hours.known > 0


# ---------------------------------------------------------------- the answer

_WET_LID = {"mist", "droplets", "dripping"}
_DRYING = {"dry-edge", "shrinking", "leaves-on-garden"}
_DISTILS = "water distils from the garden to the cold lid: a garden can dry under a wet lid"
_OVER = (
    "leave the climate as it is, it has been right again for two hours; offer water and fresh leaves, and look again"
    " in two days"
)
_INSULATE = "{insulate}close {openings}, but for a pinhole, since the box must breathe"
_NOT_AIRED = "clear its vents and lid holes of what blocks them, see that a pinhole is free, and look again in an hour"
_SHUT_OVER = "leave it as it is, it has been right again for two hours"
_AMISS = "see to what is wrong here now ({amiss}); `dewlid why {name}` shows what to do"


def fitted(first: str, questions: Questions, where: str) -> str:
    """Return a first step with only what the config says is there."""
    devices, harm_c = questions.chamber.devices, questions.chamber.temperature.harmful_high
    if "{elsewhere}" in first and not questions.may_air:
        return _NOT_AIRED
    heated = devices.heater is not None
    return first.format(
        elsewhere=where,
        cool=f"lower the thermostat by 1 K, and unplug the heater if the air is above {harm_c or 30.0:g} degC" if heated
        else "shade the box, and cool the room: blinds by day, night air",
        heat="look whether heater and thermostat work" if heated else "warm the room, or carry the box to a warmer one",
        openings="gaps and all vents" if devices.vents.count else "gaps",
        granules="re-wet the clay granules along the wall" if devices.wet_granules else "fill the drinking water",
        also_granules=" and re-wet the clay granules" if devices.wet_granules else "",
        also_insulate=", and insulate the lid if it is wet" if devices.can_insulate_lid else "",
        then_insulate=", then insulate it from outside (never over a heater)" if devices.can_insulate_lid else "",
        or_insulate=" or insulate" if devices.can_insulate_lid else "",
        insulate="insulate the lid from outside (never over a heater), then " if devices.can_insulate_lid else "",
    )


def interpret(seen: Sequence[str], questions: Questions, vent_elsewhere: str | None) -> Answer | None:
    """Return the answer to what was seen, None where no word of the vocabulary was given.

    One thing to change first: that of the most urgent sight, so that two sights never give contrary advice.
    """
    words = [word for word in SYMPTOMS if word in seen]
    if not words:
        return None
    words.sort(key=lambda word: (SYMPTOMS[word].calm, _RANK.index(_priority(SYMPTOMS[word], questions))))
    lead = SYMPTOMS[words[0]]
    if questions.shut:
        lead = founding(words[0])
    distils = words[0] in _DRYING and not _WET_LID.isdisjoint(words) and not questions.shut
    parts = [_led(lead, questions, vent_elsewhere, distils)]
    parts += [f"Also {SYMPTOMS[word].label}: {SYMPTOMS[word].because}." for word in words[1:]]
    suffers = any(SYMPTOMS[word].suffers for word in words)
    return Answer(" ".join(parts), _priority(lead, questions), lead.calm and not questions.amiss, suffers)


def _priority(symptom: Symptom, questions: Questions) -> Priority:
    return symptom.young if size_class(questions.garden_ml) in "AB" else symptom.grown


def _led(symptom: Symptom, questions: Questions, vent_elsewhere: str | None, distils: bool) -> str:
    """Return the leading sight, what to do and what not, then why: the numbers that prove or clear the climate."""
    asked = [(cause, questions.ask(cause.proof)) for cause in symptom.causes]
    proven = [(cause, proof) for cause, proof in asked if proof.holds]
    lines = [proof.line for _, proof in (proven or asked[:1])]
    because, first = (proven[0][0].because, proven[0][0].first) if proven else (symptom.because, symptom.first)
    over, amiss = bool(proven) and proven[0][1].over, questions.amiss
    calm, never = symptom.calm and not amiss, symptom.never
    if distils:
        because, first = _DISTILS, _INSULATE
    elif amiss and (symptom.calm or over):  # nothing is comforted, nor left as it is, while something is wrong
        first, never = _AMISS.format(amiss=amiss, name=questions.name), ""
    elif over:
        first = _SHUT_OVER if questions.shut else _OVER
    where = f"of {vent_elsewhere}, not of the fungus chamber," if vent_elsewhere else "of this chamber"
    head = symptom.label[0].upper() + symptom.label[1:]
    parts = [f"{head}."]
    parts.append(f"This is no cause for worry: {because}." if calm else "")
    parts.append(f"First: {fitted(first, questions, where)}.")
    parts.append(f"{never[0].upper()}{never[1:]}." if never else "")
    parts.append(f"{symptom.ask}." if symptom.ask else "")
    parts.append("" if calm else f"The sight itself: {because}." if symptom.calm else f"Why: most likely {because}.")
    parts.append(f"{'; '.join(lines)[:1].upper()}{'; '.join(lines)[1:]}." if lines else "")
    parts.append(_cleared([proof for _, proof in asked]))
    return " ".join(part for part in parts if part)


def _cleared(proofs: Sequence[Proven]) -> str:
    if not proofs or any(proof.holds for proof in proofs):
        return ""
    if any(proof.begun for proof in proofs):
        return "That has not lasted long enough to explain it, but repair it first."
    if any(proof.holds is None for proof in proofs):
        return "The climate of that time is not fully known, so it can be neither blamed nor cleared."
    return "The climate does not explain it."
