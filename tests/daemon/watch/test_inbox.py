"""What enters the stream is stamped, bounded and in order, from any number of threads, and never blocks its giver."""

import threading
import time
from collections.abc import Callable

import pytest
from hand_clock import HandClock

from daemon.clock import StreamClock, SystemClock
from daemon.watch.inbox import FLOOD, FUTURE_MS, OLDEST_MS, Inbox, ThreadDiedError
from rules.terms.events import MediumFault, ProbeFault

START_MS = 1_750_000_000_000


def test_readings_keep_their_order_and_are_stamped_with_the_stream() -> None:
    clock = HandClock(START_MS)
    inbox = Inbox(StreamClock(clock))
    inbox.reading("a", "air_temperature", 25.0, None)
    clock.pass_ms(7)
    inbox.reading("b", "relative_humidity", 80.0, START_MS)
    inbox.reading("a", "air_temperature", 25.1, None)
    taken = inbox.take()
    assert [(row.probe, row.value, row.taken_ms, row.at_ms) for row in taken.readings] == [
        ("a", 25.0, START_MS, START_MS), ("b", 80.0, START_MS + 7, START_MS), ("a", 25.1, START_MS + 7, START_MS + 7),
    ]
    assert taken.now_ms == START_MS + 7
    assert inbox.take().readings == []


@pytest.mark.parametrize(("ahead_ms", "words"), [
    (FUTURE_MS + 1, "in the future"), (-OLDEST_MS - 1, "back"), (86_400_000_000, "in the future"),
])
def test_a_time_that_cannot_be_is_a_fault_of_the_probe_and_no_reading(ahead_ms: int, words: str) -> None:
    inbox = Inbox(StreamClock(HandClock(START_MS)))
    inbox.reading("a", "air_temperature", 25.0, START_MS + ahead_ms)
    taken = inbox.take()
    assert taken.readings == []
    assert [(item.probe, item.fault) for item in taken.items if isinstance(item, ProbeFault)] == [("a", "implausible")]
    assert words in taken.items[0].detail


@pytest.mark.parametrize(("ahead_ms", "at_ms"), [(FUTURE_MS, START_MS), (-OLDEST_MS, START_MS - OLDEST_MS)])
def test_a_time_at_the_limit_is_a_reading_but_never_later_than_its_arrival(ahead_ms: int, at_ms: int) -> None:
    inbox = Inbox(StreamClock(HandClock(START_MS)))
    inbox.reading("a", "air_temperature", 25.0, START_MS + ahead_ms)
    assert [row.at_ms for row in inbox.take().readings] == [at_ms]


class Hot:
    """Presses for what is above 30."""

    def presses(self, probe: str, quantity: str, value: float) -> bool:
        return value > 30.0


def crowded(clock: HandClock) -> Inbox:
    """Five probes with two readings each, one ms apart, the newest of which presses."""
    inbox = Inbox(StreamClock(clock))
    inbox.press_by(Hot())  # type: ignore[arg-type]
    for value, probe in enumerate("abcdeabcd"):
        inbox.reading(probe, "air_temperature", float(value), None)
        clock.pass_ms(1)
    inbox.reading("e", "air_temperature", 33.5, None)
    return inbox


def test_who_presses_goes_first_and_what_is_left_enters_the_stream_later() -> None:
    clock = HandClock(START_MS)
    inbox = crowded(clock)
    first = inbox.take(2)
    assert [(row.probe, row.value) for row in first.readings] == [("a", 0.0), ("e", 4.0), ("a", 5.0), ("e", 33.5)]
    clock.pass_ms(50)
    inbox.reading("a", "air_temperature", 9.0, None)
    second, third = inbox.take(2), inbox.take(2)
    assert [row.probe for row in second.readings] == ["b", "c", "b", "c"]
    assert {row.taken_ms for row in second.readings} == {first.now_ms}
    assert [row.at_ms for row in second.readings] == [START_MS + n for n in (1, 2, 6, 7)]  # when they were measured
    assert [(row.probe, row.taken_ms) for row in third.readings] == [
        ("d", second.now_ms), ("d", second.now_ms), ("a", second.now_ms),
    ]
    assert inbox.take(2).readings == []


@pytest.mark.parametrize("news", ["fault", "clock"])
def test_beside_news_and_when_the_clock_was_set_nothing_is_left(news: str) -> None:
    clock = HandClock(START_MS)
    inbox = crowded(clock)
    if news == "fault":
        inbox.fault("a", "unreachable", "no answer")
    else:
        clock.wall += 3_600_000
    assert len(inbox.take(1).readings) == 10


def test_in_a_flood_all_is_taken_at_one_go() -> None:
    inbox = Inbox(StreamClock(HandClock(START_MS)))
    for n in range(FLOOD):
        inbox.reading(f"p{n % 100}", "air_temperature", 25.0, None)
    assert len(inbox.take(1).readings) == FLOOD


def test_a_measurement_time_is_moved_with_a_step_that_is_not_adopted_yet() -> None:
    clock = HandClock(START_MS)
    inbox = Inbox(StreamClock(clock))
    clock.wall += 3_600_000
    inbox.reading("a", "air_temperature", 25.0, clock.wall - 2_000)
    [row] = inbox.take().readings
    assert (row.taken_ms, row.at_ms) == (START_MS, START_MS - 2_000)


def test_a_step_of_the_clock_falls_between_two_takings() -> None:
    clock = HandClock(START_MS)
    inbox = Inbox(StreamClock(clock))
    inbox.reading("a", "air_temperature", 25.0, None)
    clock.pass_ms(1_000)
    clock.wall -= 3_600_000
    inbox.reading("a", "air_temperature", 25.1, None)
    taken = inbox.take()
    assert [row.taken_ms for row in taken.readings] == [START_MS, START_MS + 1_000]
    assert (taken.now_ms, taken.step_ms) == (START_MS + 1_000, -3_600_000)
    inbox.reading("a", "air_temperature", 25.2, None)
    taken = inbox.take()
    assert [row.taken_ms for row in taken.readings] == [clock.wall]
    assert (taken.now_ms, taken.step_ms) == (clock.wall, 0)


def test_a_flood_of_one_probe_costs_its_own_oldest_readings_only() -> None:
    inbox = Inbox(StreamClock(HandClock(START_MS)), capacity=100)
    for n in range(10):
        inbox.reading("calm", "air_temperature", float(n), None)
    for n in range(1_000):
        inbox.reading("flood", "air_temperature", float(n), None)
    inbox.reading("calm", "air_temperature", 10.0, None)
    taken = inbox.take()
    assert len(taken.readings) == 100
    assert [row.value for row in taken.readings if row.probe == "flood"] == [float(n) for n in range(910, 1_000)]
    assert [row.value for row in taken.readings if row.probe == "calm"] == [float(n) for n in range(1, 11)]
    assert inbox.lost == {"flood": 910, "calm": 1}


def test_a_new_probe_finds_room_in_a_full_inbox() -> None:
    inbox = Inbox(StreamClock(HandClock(START_MS)), capacity=10)
    for n in range(10):
        inbox.reading("flood", "air_temperature", float(n), None)
    inbox.reading("new", "air_temperature", 1.0, None)
    assert [row.probe for row in inbox.take().readings] == ["flood"] * 9 + ["new"]


def test_news_is_bounded_too() -> None:
    inbox = Inbox(StreamClock(HandClock(START_MS)), capacity=10)
    for n in range(100):
        inbox.medium("line", bool(n % 2), f"news {n}")
    items = inbox.take().items
    assert len(items) == 10
    assert isinstance(items[-1], MediumFault)
    assert items[-1].detail == "news 99"


def test_a_rest_ends_when_a_quarter_of_the_room_is_taken_and_when_somebody_rings() -> None:
    inbox = Inbox(StreamClock(HandClock(START_MS)), capacity=40)

    def rested(act: Callable[[], object], within_s: float = 10.0) -> bool:
        resting = threading.Thread(target=inbox.rest, args=(60.0,), daemon=True)
        resting.start()
        act()
        resting.join(within_s)
        return not resting.is_alive()

    assert not rested(lambda: [inbox.reading("calm", "air_temperature", 25.0, None) for _ in range(9)], within_s=0.1)
    assert rested(lambda: inbox.reading("calm", "air_temperature", 25.0, None))
    assert len(inbox.take().readings) == 10
    assert not rested(lambda: inbox.chore("backup"), within_s=0.1)
    assert rested(inbox.ring)


def test_an_arrival_wakes_the_engine_at_once() -> None:
    inbox = Inbox(StreamClock(SystemClock()))
    woken = threading.Event()

    def engine() -> None:
        inbox.wait(60)
        woken.set()

    threading.Thread(target=engine, daemon=True).start()
    time.sleep(0.05)
    inbox.fault("a", "unreachable", "no answer")
    assert woken.wait(5)


def test_a_ring_a_chore_and_a_failure_wake_it_too_and_a_chore_is_asked_once() -> None:
    inbox = Inbox(StreamClock(SystemClock()))
    inbox.ring()
    inbox.wait(60)
    inbox.take()
    inbox.chore("backup")
    inbox.chore("backup")
    inbox.wait(60)
    assert inbox.take().chores == ["backup"]
    inbox.fail(MemoryError("no more"))
    inbox.wait(60)
    with pytest.raises(ThreadDiedError, match=r"MemoryError.*no more"):
        inbox.take()


def test_many_givers_lose_nothing_and_their_stamps_never_run_back() -> None:
    inbox = Inbox(StreamClock(SystemClock()))

    def give(probe: str) -> None:
        for n in range(500):
            inbox.reading(probe, "air_temperature", float(n), None)

    givers = [threading.Thread(target=give, args=(f"probe-{n}",)) for n in range(4)]
    rows = []
    for giver in givers:
        giver.start()
    while any(giver.is_alive() for giver in givers):
        inbox.wait(0.01)
        rows += inbox.take().readings
    rows += inbox.take().readings
    assert len(rows) == 2_000
    assert [row.taken_ms for row in rows] == sorted(row.taken_ms for row in rows)
    for n in range(4):
        assert [row.value for row in rows if row.probe == f"probe-{n}"] == [float(k) for k in range(500)]
