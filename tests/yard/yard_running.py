"""One chamber's week as it runs: world, trouble and what each keeper (a column) does, minute by minute."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from yard_air import Array
from yard_box import Box
from yard_chambers import MINUTES, Kept
from yard_devices import Controls
from yard_probes import Probe, room_pct
from yard_troubles import Act, Trouble

SAMPLE_MIN = 5


class Week:
    """The same chamber in the same week for several keepers. `probes` sit in the first column's box."""

    def __init__(self, kept: Kept, trouble: Trouble, controls: Controls, columns: int, probes: dict[str, Probe]) -> None:
        self.kept, self.trouble, self.probes = kept, trouble, probes
        self.columns, self.k, self.box = columns, controls.widened(columns), kept.box(columns)
        self.course, self.cabinet = trouble.course(kept.course), kept.surround(columns)
        self.healed_at = np.full(columns, np.inf)
        self.shut_at = np.full(columns, np.inf)
        self.aired_m2 = np.zeros(columns)
        self.minute = 0
        self.temperature_c: list[Array] = []
        self.humidity_pct: list[Array] = []
        self.film_g_m2: list[Array] = []

    @property
    def healed(self) -> Array:
        """For whom the trouble is cured."""
        return self.healed_at <= self.minute

    def done(self, act: Act, column: int) -> None:
        """Let an act cure what it can."""
        if act in self.trouble.kind.cures and self.minute >= self.trouble.onset:
            if act == "heater:stop" and self.trouble.kind.name == "thermostat-stuck-on" and self.healed_at[column] < np.inf:
                return
            self.healed_at[column] = min(self.healed_at[column], self.minute + self.trouble.kind.cured_after_min)
        if act == "lid:check":
            self.shut_at[column] = min(self.shut_at[column], self.minute)
            if self.trouble.kind.name == "vents-left-open" and self.minute >= self.trouble.onset:
                self.k.vents[column] = min(self.k.vents[column], 0.0)

    def step(self) -> None:
        """Move on by a minute."""
        trouble, k = self.trouble, self.k
        if self.minute == trouble.onset:
            trouble.strike(self.box, k, self.probes)
        healed = self.healed
        if healed[0] and self.healed_at[0] == self.minute:
            trouble.probes_put_right(self.probes)
        k.gap_m2 = np.where(self.healed, 0.0, trouble.gap_m2(self.minute)) + self.aired_m2
        out = self.course.at(self.minute)
        around = out
        if self.cabinet is not None and isinstance(self.box, Box):
            around = self.cabinet.step(out, self.box.loss_w)
        around = type(around)(
            around.room_c + k.room_shift_k, np.maximum(around.room_g_m3 + k.room_shift_g_m3, 0.5), around.sun_w_m2,
            around.draught, around.mains, around.day, around.hour,
        )  # fmt: skip
        self.box.step(k, around, trouble.fault(self.minute, healed))
        self.out = out
        self._feel()
        self.minute += 1
        if self.minute % SAMPLE_MIN == 0:
            self.temperature_c.append(self.box.air_c.copy())
            self.humidity_pct.append(self.box.humidity_pct)
            self.film_g_m2.append(self.box.film_g_m2.copy())

    def _feel(self) -> None:
        if not self.probes:
            return
        box, shift = self.box, float(self.k.room_shift_k[0])
        room_c = float(self.out.room_c) + shift
        there = {
            "air": (float(box.air_c[0]), float(box.humidity_pct[0])),
            "room-air": (room_c, room_pct(room_c, float(self.out.room_g_m3) + float(self.k.room_shift_g_m3[0]))),
            "lid": (float(box.lid_c[0]), 50.0),
        }
        if self.trouble.swapped(self.minute, bool(self.healed[0])) and "room-air" in self.probes:
            there["air"], there["room-air"] = there["room-air"], there["air"]
        for name, probe in self.probes.items():
            probe.feel(*there[name], 60.0)


def run(week: Week, each_minute: Callable[[Week], None] = lambda week: None, until: int = MINUTES) -> Week:
    """Let the week pass, or as much of it."""
    while week.minute < until:
        each_minute(week)
        week.step()
    return week
