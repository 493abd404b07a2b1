"""Jobs stand on a fixed grid, never run for a time that is past, run once a date, and never fail unnoticed."""

import threading
from datetime import UTC, datetime, time, timedelta
from itertools import pairwise
from time import monotonic
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.clock import StreamClock, SystemClock
from daemon.watch.inbox import Inbox, ThreadDiedError
from daemon.watch.timetable import Daily, Every, Polling

BERLIN = ZoneInfo("Europe/Berlin")
MOMENTS = st.datetimes(datetime(1970, 1, 2), datetime(2200, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001


@given(MOMENTS, MOMENTS, st.sampled_from([1.0, 10.0, 60.0, 3_600.0]))
def test_the_grid_never_yields_a_past_time_whatever_the_clock_did(before: datetime, now: datetime, period_s: float) -> None:
    due = Every(period_s).get_next_fire_time(before, now)
    assert now < due <= now + timedelta(seconds=period_s)
    assert due.timestamp() % period_s == 0


def firings(trigger: Daily, begin: datetime, days: int) -> list[datetime]:
    found, now = [], begin
    while now < begin + timedelta(days):
        now = trigger.get_next_fire_time(None, now)
        found.append(now)
    return found[:-1]


@pytest.mark.parametrize("at", [time(2, 30), time(8, 0), time(0, 0), time(23, 59)])
@pytest.mark.parametrize("begin", [
    datetime(2026, 3, 27, 12, tzinfo=UTC),  # clocks go forward on 29 March 2026 at 01:00 UTC (EU directive 2000/84/EC)
    datetime(2026, 10, 23, 12, tzinfo=UTC),  # and back on 25 October 2026
    datetime(2028, 2, 27, 12, tzinfo=UTC),  # leap day
])
def test_a_daily_task_runs_exactly_once_on_each_local_date(at: time, begin: datetime) -> None:
    dates = [moment.astimezone(BERLIN).date() for moment in firings(Daily(at, BERLIN), begin, 5)]
    assert len(dates) == 5
    assert [later - earlier for earlier, later in pairwise(dates)] == [timedelta(1)] * 4


def test_a_time_that_the_clocks_skip_runs_right_after_the_gap() -> None:
    due = Daily(time(2, 30), BERLIN).get_next_fire_time(None, datetime(2026, 3, 29, 0, 0, tzinfo=UTC))
    assert due == datetime(2026, 3, 29, 1, 30, tzinfo=UTC)


@pytest.fixture
def inbox() -> Inbox:
    return Inbox(StreamClock(SystemClock()))


def test_a_chore_reaches_the_inbox_on_its_grid(inbox: Inbox) -> None:
    polling = Polling(inbox)
    polling.every(0.2, "beat")
    polling.start()
    try:
        assert polling.alive
        inbox.wait(30)
        assert inbox.take().chores == ["beat"]
        polling.resume()
        inbox.wait(30)
        assert inbox.take().chores == ["beat"]
    finally:
        polling.stop()


@pytest.mark.parametrize("failure", [ValueError("a bug"), SystemExit(3), MemoryError()])
def test_whatever_a_job_raises_reaches_the_engine(inbox: Inbox, failure: BaseException) -> None:
    def act() -> None:
        raise failure

    polling = Polling(inbox)
    polling.every(0.2, "broken", act)
    polling.start()
    try:
        inbox.wait(30)
        with pytest.raises(ThreadDiedError) as caught:
            inbox.take()
        assert caught.value.__cause__ is failure
    finally:
        polling.stop()


def test_a_job_that_hangs_is_not_started_again_and_does_not_hold_up_the_stop(inbox: Inbox) -> None:
    begun, over = threading.Semaphore(0), threading.Event()

    def act() -> None:
        begun.release()
        over.wait(60)

    polling = Polling(inbox)
    polling.every(0.1, "slow", act)
    polling.every(0.1, "beat")
    polling.start()
    assert begun.acquire(timeout=30)
    beats: list[str] = []
    deadline = monotonic() + 30
    while len(beats) < 3 and monotonic() < deadline:
        inbox.wait(1)
        beats += inbox.take().chores
    assert set(beats) == {"beat"}
    assert len(beats) >= 3
    assert not begun.acquire(blocking=False)
    polling.stop()
    over.set()
