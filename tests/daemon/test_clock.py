"""The stream's time follows the wall clock, never runs back, and a step is handed over once."""

import threading
import time

from hand_clock import HandClock
from hypothesis import given
from hypothesis import strategies as st

from daemon.clock import STEP_MS, StreamClock, SystemClock

START_MS = 1_750_000_000_000


def test_the_system_clock_tells_milliseconds_since_1970_and_since_boot() -> None:
    clock = SystemClock()
    assert abs(clock.wall_ms() - time.time() * 1000) < 5_000
    assert abs(clock.boot_ms() - time.clock_gettime(time.CLOCK_BOOTTIME) * 1000) < 5_000


def test_the_stream_follows_a_slewed_clock() -> None:
    clock = HandClock(START_MS, 5_000_000)
    stream = StreamClock(clock)
    for _ in range(10):
        clock.pass_ms(60_000)
        clock.wall += 900  # slewed, 9 s in all, but never more than the step limit between two looks
        assert stream.now_ms() == clock.wall
    assert stream.adopt() == 0


def test_a_step_back_is_bridged_until_it_is_adopted() -> None:
    clock = HandClock(START_MS, 5_000_000)
    stream = StreamClock(clock)
    clock.pass_ms(1_000)
    clock.wall -= 3_600_000
    assert stream.now_ms() == START_MS + 1_000
    assert stream.step_ms() == -3_600_000
    clock.pass_ms(500)
    assert stream.now_ms() == START_MS + 1_500
    assert stream.in_stream_ms(clock.wall - 200) == START_MS + 1_300
    assert stream.adopt() == -3_600_000
    assert stream.now_ms() == clock.wall
    assert stream.adopt() == 0


def test_a_step_of_a_year_forward_gives_no_present_in_between() -> None:
    clock = HandClock(START_MS, 5_000_000)
    stream = StreamClock(clock)
    clock.wall += 365 * 86_400_000
    assert stream.now_ms() == START_MS
    assert stream.adopt() == 365 * 86_400_000
    assert stream.now_ms() == clock.wall


def test_sleep_of_the_machine_is_time_that_passed_and_no_step() -> None:
    clock = HandClock(START_MS, 5_000_000)
    stream = StreamClock(clock)
    clock.pass_ms(8 * 3_600_000)
    assert stream.step_ms() == 0
    assert stream.now_ms() == START_MS + 8 * 3_600_000


def test_a_start_before_the_newest_record_goes_on_from_the_record_and_owes_the_step() -> None:
    clock = HandClock(1_000, 5_000_000)  # 1970: no battery and no network time yet
    stream = StreamClock(clock, not_before_ms=START_MS)
    assert stream.now_ms() == START_MS
    assert stream.adopt() == 1_000 - START_MS
    assert stream.now_ms() == 1_000


def test_a_start_a_moment_before_the_newest_record_waits_for_it() -> None:
    clock = HandClock(START_MS, 5_000_000)
    stream = StreamClock(clock, not_before_ms=START_MS + 700)
    assert stream.now_ms() == START_MS + 700
    clock.pass_ms(100)
    assert stream.now_ms() == START_MS + 700
    clock.pass_ms(900)
    assert stream.now_ms() == START_MS + 1_000
    assert stream.adopt() == 0


@given(st.lists(st.tuples(
    st.integers(0, 100_000), st.integers(-10**9, 10**9) | st.integers(-STEP_MS, STEP_MS), st.booleans(),
), max_size=30))
def test_the_stream_less_its_adopted_steps_never_runs_back(moves: list[tuple[int, int, bool]]) -> None:
    clock = HandClock(START_MS, 5_000_000)
    stream = StreamClock(clock)
    adopted, before = 0, stream.now_ms()
    for passed, step, adopt in moves:
        clock.pass_ms(passed)
        clock.wall += step
        if adopt:
            adopted += stream.adopt()
        now = stream.now_ms() - adopted
        assert now >= before
        before = now


def test_a_process_stopped_between_two_looks_at_the_clocks_sees_no_step() -> None:
    class Stopped(HandClock):
        stop_ms = 0

        def wall_ms(self) -> int:
            wall, stop, self.stop_ms = self.wall, self.stop_ms, 0
            self.pass_ms(stop)  # stopped just after the wall clock was read
            return wall

    clock = Stopped(START_MS, 5_000_000)
    stream = StreamClock(clock)
    clock.stop_ms = 600_000
    assert stream.adopt() == 0
    assert stream.now_ms() == START_MS + 600_000


def test_many_threads_see_a_time_that_never_runs_back() -> None:
    stream = StreamClock(SystemClock())
    backwards = []

    def look() -> None:
        last = 0
        for _ in range(2_000):
            now = stream.now_ms()
            if now < last:
                backwards.append((last, now))
            last = now

    threads = [threading.Thread(target=look) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert backwards == []
