"""Keepers: they read letters, act on the world as they are, and tell what they did, or not."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

import numpy as np
from yard_box import Box
from yard_running import Week

WAKES_MIN, SLEEPS_MIN = 7 * 60, 22 * 60 + 30
AIRED_FOR_MIN = 6 * 60
"""Who was told to air opens for at most so long."""
MOST_SHIFT_K = 5.0
CLEARED_SHARE = 0.9
"""What goes with the waste, or with wet leaf, of the water there."""
SEEN_FROM_G_M2, DROPS_FROM_G_M2 = 5.0, 60.0
"""Films that the eye takes for mist, and for drops; own estimate."""
_SET_TO = re.compile(r"thermostat set to (\d+(?:\.\d+)?) °C")
_THEN_OPEN = re.compile(r"\((\d+) of \d+ then open\)")
_WITH_WATTS = re.compile(r"with (\d+(?:\.\d+)?) W instead")
_SET_LOWER = re.compile(r"thermostat set by (\d+(?:\.\d+)?) K lower")


@dataclass(frozen=True)
class Manner:
    """How a keeper is."""

    name: str
    wakes_for_urgent: bool = True
    does: float = 1.0
    """How likely an action is done at all."""
    amount: tuple[float, float] = (0.9, 1.1)
    says_done: bool = True
    contrary: bool = False
    garden_factor: float = 1.0


MANNERS = (
    Manner("obedient"), Manner("obedient"), Manner("obedient"), Manner("sound sleeper", wakes_for_urgent=False),
    Manner("half-hearted", does=0.6, amount=(0.4, 0.8)), Manner("says nothing", says_done=False),
    Manner("does the opposite once", contrary=True), Manner("tells a garden too small", garden_factor=0.2),
    Manner("tells a garden too large", garden_factor=5.0),
)  # fmt: skip


@dataclass
class _Due:
    at: int
    event: dict[str, Any]


class Keeper:
    """The keeper of the first column's box."""

    def __init__(self, manner: Manner, rng: np.random.Generator) -> None:
        self.manner, self.rng = manner, rng
        self.due: list[_Due] = []
        self.read: set[str] = set()
        self.acted: list[tuple[int, str]] = []
        """When what was done: minute and advisory's event id."""
        self.looks: list[int] = []
        """When the lid will be looked at, because a letter asks for it."""
        self._aired_at: int | None = None
        self._fan_before: float | None = None
        self._opposite_left = manner.contrary

    def awake(self, minute: int) -> bool:
        """Return whether the keeper is up."""
        return WAKES_MIN <= minute % 1440 < SLEEPS_MIN

    def hears(self, events: list[dict[str, Any]], minute: int) -> None:
        """Take in the letters that came now; what is not mailed is not known."""
        for letter in events:
            if letter["kind"] != "letter" or letter["to"] != "keeper":
                continue
            wakes = letter["urgent"] and self.manner.wakes_for_urgent
            at = minute + int(self.rng.integers(5, 40)) if self.awake(minute) or wakes else self._morning(minute)
            for event in letter["about"]:
                if event.get("alarm") == "lid-unsure" and event["condition"] == "active" and not self.looks:
                    self.looks = [at]
                if event.get("kind") == "advice" and event["status"] in ("given", "updated", "reminded"):
                    self.due = [] if event["id"] in self.read else [_Due(at, event)]  # the newest letter counts

    def _morning(self, minute: int) -> int:
        day = minute // 1440 + (1 if minute % 1440 >= SLEEPS_MIN else 0)
        return day * 1440 + WAKES_MIN + int(self.rng.integers(0, 45))

    def acts(self, week: Week) -> list[dict[str, Any]]:
        """Do what is due now and return the words to say."""
        words = self._looked_at_lid(week)
        self._stops_airing(week)
        for row in [row for row in self.due if row.at <= week.minute]:
            self.due.remove(row)
            self.read.add(row.event["id"])
            did = False
            for action in row.event["actions"]:
                if self.rng.random() < self.manner.does:
                    words += self._looks_inside(week) if "inside of the lid" in action["text"] else []
                    self._does(week, action)
                    did = True
            if did:
                self.acted.append((week.minute, row.event["id"]))
                if self.manner.says_done:
                    words.append({"word": "advice-done", "advisory": row.event["advisory"]})
        return words

    def _looked_at_lid(self, week: Week) -> list[dict[str, Any]]:
        if not self.looks or self.looks[0] > week.minute:
            return []
        self.looks = []
        return self._seen(week)

    def _seen(self, week: Week) -> list[dict[str, Any]]:
        film = float(week.box.film_g_m2[0])
        seen = "dry" if film < SEEN_FROM_G_M2 else "mist" if film < DROPS_FROM_G_M2 else "droplets"
        return [{"word": "lid-seen", "chamber": "box", "seen": seen}] if self.manner.says_done else []

    def _looks_inside(self, week: Week) -> list[dict[str, Any]]:
        """Look at the lid as a letter asks, wipe it if it is wet, and tell what was seen."""
        words = self._seen(week)
        week.box.wipe(0)
        return words

    def _stops_airing(self, week: Week) -> None:
        if self._aired_at is None:
            return
        if week.minute - self._aired_at >= AIRED_FOR_MIN or float(week.box.air_c[0]) < 27.0:
            week.aired_m2[0], self._aired_at = 0.0, None
            if self._fan_before is not None:
                week.k.fan_min_h[0], self._fan_before = self._fan_before, None

    def _does(self, week: Week, action: dict[str, Any]) -> None:
        """Change the world as one action says."""
        k, device, change = week.k, action["device"], action["change"]
        amount = None if action["amount"] is None else float(action["amount"]) * float(self.rng.uniform(*self.manner.amount))
        sign = {"more": 1.0, "open": 1.0, "less": -1.0, "close": -1.0, "insulate": 1.0}.get(change, 0.0)
        if self._opposite_left and amount is not None and device in ("heater", "fan", "vent"):
            sign, self._opposite_left = -sign, False
        week.done(f"{device}:{change}", 0)
        if device == "heater":
            self._heater(week, action, amount, sign)
        elif device == "vent" and amount is None and change == "open":
            week.aired_m2[0], self._aired_at = 0.01 * week.kept.lid_area_m2**0.5, week.minute
        elif device == "vent" and amount is None:
            week.aired_m2[0], self._aired_at = 0.0, None
        elif device == "vent":
            least = float(found[1]) if sign < 0.0 and (found := _THEN_OPEN.search(action["text"])) else 0.0
            least = min(least, float(k.vents[0]))  # what is shut already stays so
            k.vents[0] = np.clip(round(k.vents[0] + sign * max(1.0, round(amount))), least, week.kept.vents)
        elif device == "fan" and amount is None:
            self._fan_before, self._aired_at, k.fan_min_h[0] = float(k.fan_min_h[0]), week.minute, 60.0
        elif device == "fan":
            k.fan_min_h[0] = np.clip(k.fan_min_h[0] + sign * (amount or 0.0), 0.0, 60.0)
        elif device == "mister":
            k.mist_ml_d[0] = 0.0 if change == "stop" else max(0.0, k.mist_ml_d[0] + sign * (amount or 0.0))
        elif device == "lid" and change == "insulate":
            k.foam_mm[0] = np.clip(k.foam_mm[0] + sign * (amount or 0.0), 0.0, 60.0)
        elif device == "lid" and change == "wipe":
            week.box.wipe(0)
        elif device == "water" and amount is not None:
            week.box.add_water(amount, 0) if action["unit"] == "ml" else week.box.take_water(amount / 100.0, 0)
        elif device == "garden":
            k.covered[0] = 1.0
        elif device in ("waste", "leaves") and isinstance(week.box, Box):
            week.box.clear(CLEARED_SHARE, 0)
        elif device == "room":
            self._room(week, action)

    def _heater(self, week: Week, action: dict[str, Any], amount: float | None, sign: float) -> None:
        k, change, unit, text = week.k, action["change"], action["unit"], action["text"]
        if change == "stop":
            k.plugged[0] = 0.0
        elif change == "more" and amount is None:
            k.plugged[0] = 1.0
            if found := _SET_TO.search(text):
                k.setpoint_c[0] = float(found[1])
            elif found := _WITH_WATTS.search(text):
                k.power[0] = np.clip(float(found[1]) / week.kept.watts, 0.0, 1.0)
            elif found := _SET_LOWER.search(text):
                k.setpoint_c[0] -= float(found[1])
        elif amount is not None and unit == "W":
            k.power[0] = np.clip(k.power[0] + sign * amount / week.kept.watts, 0.0, 1.0)
        elif amount is not None:
            k.setpoint_c[0] += sign * amount

    def _room(self, week: Week, action: dict[str, Any]) -> None:
        k, text = week.k, action["text"].lower()
        if action["change"] == "move":
            k.room_shift_k[0] = max(-MOST_SHIFT_K, k.room_shift_k[0] - 3.0)
        elif "moisten" in text:
            k.room_shift_g_m3[0] = 2.0
        elif "dry the room" in text:
            k.room_shift_g_m3[0] = -2.0
        elif "if the room was" in text:  # who did neither has nothing to take back
            back = min if action["change"] == "less" else max
            k.room_shift_k[0] = back(k.room_shift_k[0], 0.0)
        elif action["change"] == "more":
            k.room_shift_k[0] = min(MOST_SHIFT_K, k.room_shift_k[0] + 2.5)
        else:
            k.room_shift_k[0] = max(-MOST_SHIFT_K, k.room_shift_k[0] - 2.5)


class Naive:
    """One rule for each symptom, by the same probe, every two hours of the day: too cold, warmer; too dry, mist; and so on."""

    def __init__(self, column: int) -> None:
        self.column = column

    def acts(self, week: Week, reading_c: float, reading_pct: float) -> None:
        """Answer what the probe of a like box says."""
        k, i, kept = week.k, self.column, week.kept
        if reading_c > 28.0:
            k.setpoint_c[i], k.power[i] = k.setpoint_c[i] - 1.0, max(0.0, k.power[i] - 0.1)
        elif reading_c < 24.0:
            k.setpoint_c[i], k.power[i] = k.setpoint_c[i] + 1.0, min(1.0, k.power[i] + 0.1)
        if reading_pct < 70.0:
            k.vents[i] = max(0.0, k.vents[i] - 1.0)
            if kept.has_mister:
                k.mist_ml_d[i] += 0.2 * kept.litres**0.67
            else:
                week.box.add_water(0.5 * kept.litres**0.67, i)
        elif reading_pct > 90.0:
            k.vents[i], k.mist_ml_d[i] = min(kept.vents, k.vents[i] + 1.0), 0.5 * k.mist_ml_d[i]
        if week.minute % 1440 < 9 * 60 and float(week.box.film_g_m2[i]) > 10.0:
            week.box.wipe(i)
