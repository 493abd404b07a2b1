"""When what is tried again: a letter that may wake somebody each minute, everything else by the table of its outlet."""

from __future__ import annotations

import json
from collections.abc import Callable

import pytest

from adapters.outlets.letter import MailSender
from adapters.outlets.outlet import Owed
from daemon.delivery.schedule import Failure, Pace, Schedule
from daemon.store.outbox_rows import Waiting

PACE = Pace(jitter=0.0)
HOUR_S = 3600.0


def letter(row: int, *, urgent: bool, to: str = "keeper@example.org") -> Waiting:
    payload = json.dumps({"kind": "letter", "urgent": urgent})
    return Waiting(row, Owed(outlet="mail", event_id=f"e{row}", kind="letter", payload=payload, made_ms=0, recipient=to))


class World:
    """A mail server by its answers, and the schedule turned as the outlet's thread turns it, on a clock of its own."""

    def __init__(self, fails: Callable[[Waiting, float], Failure | None], made: dict[float, Waiting], until_s: float) -> None:
        schedule = Schedule(MailSender.retry_s, PACE)
        self.tried: list[tuple[float, int]] = []
        self.taken: dict[int, float] = {}
        now_s = 0.0
        while now_s < until_s:
            rows = [row for made_s, row in made.items() if made_s <= now_s and row.row not in self.taken]
            pause_s = min(PACE.idle_s, schedule.next_s(rows, now_s) - now_s)
            for row in schedule.due(rows, now_s):
                self.tried.append((now_s, row.row))
                if verdict := fails(row, now_s):
                    schedule.failed([row], now_s, verdict)
                    if verdict != "deferred":
                        break
                    continue
                schedule.worked([row])
                self.taken[row.row] = now_s
            now_s += max(pause_s, 1.0)


def down_until(up_s: float, verdict: Failure = "down") -> Callable[[Waiting, float], Failure | None]:
    return lambda _, now_s: verdict if now_s < up_s else None


# RFC 5321 section 4.5.4.1 wants 30 minutes between tries as a rule; what may cost a colony is tried each minute instead.
@pytest.mark.parametrize("verdict", ["down", "barred"])
@pytest.mark.parametrize("up_s", [90.0, HOUR_S, 30 * HOUR_S])
def test_a_letter_that_may_wake_arrives_within_a_minute_of_the_server_s_return(verdict: Failure, up_s: float) -> None:
    world = World(down_until(up_s, verdict), {0.0: letter(1, urgent=True)}, up_s + HOUR_S)
    assert up_s <= world.taken[1] <= up_s + PACE.wake_s
    assert [now_s for now_s, _ in world.tried[:3]] == [0.0, 60.0, 120.0]


@pytest.mark.parametrize("verdict", ["down", "barred"])
def test_one_that_is_made_while_the_outlet_rests_is_tried_at_once(verdict: Failure) -> None:
    made = {0.0: letter(1, urgent=False), 2000.0: letter(2, urgent=True)}
    world = World(down_until(2100.0, verdict), made, 3 * HOUR_S)
    assert min(now_s for now_s, row in world.tried if row == 2) < 2000.0 + PACE.idle_s
    assert world.taken[2] <= 2100.0 + PACE.wake_s + PACE.idle_s
    assert world.taken[1] >= world.taken[2]


def test_a_letter_that_can_wait_is_tried_by_the_table() -> None:
    world = World(down_until(10 * HOUR_S), {0.0: letter(1, urgent=False)}, 5000.0)
    assert [now_s for now_s, _ in world.tried] == [0.0, 60.0, 360.0, 1260.0, 3060.0]  # 1, 5, 15 and 30 minutes between


def test_a_log_in_that_is_refused_is_tried_once_an_hour_for_what_can_wait() -> None:
    world = World(down_until(1e9, "barred"), {0.0: letter(1, urgent=False)}, 3 * HOUR_S)
    assert [now_s for now_s, _ in world.tried] == [0.0, HOUR_S, 2 * HOUR_S]


def test_an_address_that_fails_for_ever_neither_holds_back_the_others_nor_lengthens_their_waits() -> None:
    made = {0.0: letter(1, urgent=True, to="gone@example.org")}
    made |= {600.0 * n: letter(1 + n, urgent=n % 2 == 0) for n in range(1, 11)}
    world = World(lambda row, _: "deferred" if row.owed.recipient == "gone@example.org" else None, made, 12 * HOUR_S)
    assert set(world.taken) == set(range(2, 12))
    assert all(world.taken[1 + n] <= 600.0 * n + PACE.idle_s for n in range(1, 11))


def test_trying_in_spite_of_the_rest_does_not_starve_what_rests() -> None:
    made = {0.0: letter(1, urgent=False), 1.0: letter(2, urgent=True)}
    world = World(lambda _, now_s: "down" if now_s < 500.0 else None, made, 4 * HOUR_S)
    assert world.taken[2] <= 500.0 + PACE.wake_s + PACE.idle_s
    assert world.taken[1] < HOUR_S
