"""What must happen at times of its own: housekeeping on a fixed grid and daily tasks, which only put things into the inbox.

The scheduler runs in UTC on the wall clock, but its trigger never yields a time that is past: after a clock step or a
sleep there is one run, not a list of missed ones. It swallows what a job raises, even SystemExit, so the wrapper hands
that over to the engine, which ends the process.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import UTC, datetime, time, timedelta, tzinfo

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.base import BaseTrigger

from daemon.watch.inbox import Inbox


class Every(BaseTrigger):  # type: ignore[misc]
    """Fires on the grid of whole multiples of a period since 1970 UTC, always in the future."""

    def __init__(self, period_s: float) -> None:
        self._period_s = period_s

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        return datetime.fromtimestamp((math.floor(now.timestamp() / self._period_s) + 1) * self._period_s, UTC)


class Daily(BaseTrigger):  # type: ignore[misc]
    """Fires once on each local date, at a local time; where the clocks skip that time, as soon as it has passed."""

    def __init__(self, at: time, zone: tzinfo) -> None:
        self._at = at
        self._zone = zone

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        today = now.astimezone(self._zone).date()
        for days in range(3):
            moment = datetime.combine(today + timedelta(days), self._at, self._zone).astimezone(UTC)
            if moment > now:
                return moment
        raise AssertionError("no time zone is two days behind")


class Polling:
    """The scheduler. `start` it once; after a clock step, `resume` puts every job back on its grid."""

    def __init__(self, inbox: Inbox) -> None:
        self._inbox = inbox
        self._triggers: dict[str, BaseTrigger] = {}
        self._scheduler = BackgroundScheduler(
            timezone=UTC, job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
        )

    def every(self, period_s: float, name: str, action: Callable[[], None] | None = None) -> None:
        """Do `action` (by default: put the chore `name` into the inbox) every period."""
        self._add(Every(period_s), name, action)

    def daily(self, at: time, zone: tzinfo, name: str, action: Callable[[], None] | None = None) -> None:
        """Do `action` (by default: put the chore `name` into the inbox) once on each local date."""
        self._add(Daily(at, zone), name, action)

    def start(self) -> None:
        """Begin."""
        self._scheduler.start()

    def resume(self) -> None:
        """Put every job back on its grid: after the wall clock was set, the times that were waited for are wrong."""
        for name, trigger in self._triggers.items():
            self._scheduler.reschedule_job(name, trigger=trigger)

    def stop(self) -> None:
        """End without waiting for a job that runs: jobs only put things into the inbox."""
        if self._scheduler.running:
            self._scheduler.shutdown(wait=False)

    @property
    def alive(self) -> bool:
        """Whether the scheduler's thread still runs."""
        thread = getattr(self._scheduler, "_thread", None)
        return thread is not None and thread.is_alive()

    def _add(self, trigger: BaseTrigger, name: str, action: Callable[[], None] | None) -> None:
        self._triggers[name] = trigger
        act = action or (lambda: self._inbox.chore(name))
        self._scheduler.add_job(self._guarded, trigger, args=[act], id=name, replace_existing=True)

    def _guarded(self, act: Callable[[], None]) -> None:
        try:
            act()
        except BaseException as failure:  # the only one in this project: the scheduler would swallow it
            self._inbox.fail(failure)
