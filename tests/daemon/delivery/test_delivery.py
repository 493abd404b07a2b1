"""Delivery: what is owed arrives, in order and under its id, whatever the outlet does meanwhile."""

import json
import signal
import subprocess
import sys
import textwrap
import threading
import time
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from adapters.broker import Broker
from adapters.errors import OutletBarred, OutletRefused, OutletUnreachable
from adapters.mqtt_session import BackOff, MqttSession
from adapters.outlets import MqttOutlet
from adapters.outlets.letter import MailSender
from adapters.outlets.mqtt_topic import TopicPublisher
from adapters.outlets.outlet import Owed
from daemon.delivery.delivery import Delivery
from daemon.delivery.owed import notice_events, owed_by
from daemon.delivery.schedule import Pace
from daemon.store.history import History
from daemon.store.outbox_rows import counts
from daemon.store.reader import HistoryReader
from rules.settings import Chamber, Probe, Settings, Site, Telling
from rules.terms.events import DAY_MS, Batch, LetterEvent, SystemEvent

NOW = 1_764_036_600_000
HURRY = Pace(tell_after_s=0.3, barred_s=0.2, refusal_told_s=0.0, idle_s=0.05, store_s=0.05, jitter=0.0)
WATCH = Settings(
    site=Site(name="site"), zone=ZoneInfo("UTC"), rooms={}, chambers={"nest": Chamber()}, probes={"p": Probe(place="nest")},
    telling=Telling(),
)  # fmt: skip


def message(number, outlet="memory", **more):
    facts = {"kind": "alarm", "payload": json.dumps({"id": f"e{number}"}), "made_ms": NOW, "expendable": False} | more
    return Owed(outlet=outlet, event_id=f"e{number}", **facts)


class MemoryOutlet:
    """An outlet that keeps what it is sent; `fails(owed)` may raise. It stands for any outlet of the family."""

    retry_s = (0.02,)
    session = 0
    refresh_s = None
    longest_s = 30.0
    heartbeat = ""

    def __init__(self, fails=lambda owed: None, in_order=True):
        self.in_order, self._fails = in_order, fails
        self.taken = []
        self.tried = []

    def send(self, owed):
        self.tried.append(owed.event_id or owed.topic)
        self._fails(owed)
        self.taken.append(owed.event_id or owed.topic)

    def close(self):
        pass


@pytest.fixture
def history(tmp_path):
    opened = History.open(tmp_path / "store.sqlite3", now_ms=NOW)
    yield opened
    opened.close()


@pytest.fixture
def deliver(history):
    """A factory of running deliveries."""
    running = []

    def make(outlets, pace=HURRY, wall_ms=lambda: NOW):
        delivery = Delivery(outlets, history.path, wall_ms, pace=pace)
        delivery.start()
        running.append(delivery)
        return delivery

    yield make
    for delivery in running:
        assert delivery.stop()


def settled(history, delivery):
    """Note receipts as the engine does, and return whether nothing waits any more."""
    history.settle(delivery.receipts())
    with HistoryReader(history.path) as reader:
        return not any(waits for waits, _, _ in counts(reader.connection).values())


def test_everything_owed_arrives_once_and_in_order(history, deliver, wait_until):
    outlet = MemoryOutlet()
    history.record(Batch(), owed=[message(n) for n in range(50)])
    delivery = deliver({"memory": outlet})
    history.record(Batch(), owed=[message(n) for n in range(50, 1300)])
    delivery.wake()
    wait_until(lambda: settled(history, delivery))
    assert outlet.taken == [f"e{n}" for n in range(1300)]
    assert delivery.health()["memory"].delivered == 1300


def test_nothing_is_sent_twice_while_the_engine_is_busy(history, deliver, wait_until):
    outlet = MemoryOutlet()
    history.record(Batch(), owed=[message(n) for n in range(20)])
    delivery = deliver({"memory": outlet})
    wait_until(lambda: len(outlet.taken) == 20)
    for _ in range(20):
        delivery.wake()
        time.sleep(0.005)
    history.record(Batch(), owed=[message(20)])
    delivery.wake()
    wait_until(lambda: "e20" in outlet.taken)
    assert outlet.taken == [f"e{n}" for n in range(21)]
    assert settled(history, delivery)


def test_an_outlet_that_hangs_holds_up_nobody_else(history, deliver, wait_until):
    released = threading.Event()
    hanging, other = MemoryOutlet(lambda owed: released.wait(20)), MemoryOutlet()
    history.record(Batch(), owed=[message(1, "hanging"), message(2, "other")])
    delivery = deliver({"hanging": hanging, "other": other})
    wait_until(lambda: other.taken == ["e2"])
    wait_until(lambda: delivery._workers["hanging"].busy_s > 0)
    assert hanging.taken == []
    released.set()
    wait_until(lambda: settled(history, delivery))


def test_in_order_a_message_that_fails_holds_back_those_after_it(history, deliver, wait_until):
    down = [True]

    def fails(owed):
        if down[0] and owed.event_id == "e1":
            raise OutletUnreachable("no route")

    outlet = MemoryOutlet(fails)
    history.record(Batch(), owed=[message(n) for n in range(3)])
    delivery = deliver({"memory": outlet})
    wait_until(lambda: outlet.tried.count("e1") > 3)
    assert outlet.taken == ["e0"]
    assert delivery.health()["memory"].state == "down"
    assert delivery.health()["memory"].waiting >= 2
    down[0] = False
    wait_until(lambda: settled(history, delivery))
    assert outlet.taken == ["e0", "e1", "e2"]


def test_out_of_order_one_bad_message_does_not_keep_the_others(history, deliver, wait_until):
    def fails(owed):
        if owed.event_id == "e0":
            raise OutletUnreachable("greylisted")

    outlet = MemoryOutlet(fails, in_order=False)
    history.record(Batch(), owed=[message(n) for n in range(4)])
    deliver({"memory": outlet})
    wait_until(lambda: outlet.taken == ["e1", "e2", "e3"])
    wait_until(lambda: outlet.tried.count("e0") >= 3)


def test_a_refused_message_is_marked_told_and_not_tried_again(history, deliver, wait_until):
    def fails(owed):
        if owed.event_id == "e1":
            raise OutletRefused("550 no such mailbox")

    outlet = MemoryOutlet(fails)
    history.record(Batch(), owed=[message(n) for n in range(3)])
    delivery = deliver({"memory": outlet})
    wait_until(lambda: settled(history, delivery))
    (notice,) = delivery.notices()
    assert (notice.what, notice.detail) == ("outlet-refused", "550 no such mailbox")
    assert outlet.taken == ["e0", "e2"]
    assert outlet.tried.count("e1") == 1
    with HistoryReader(history.path) as reader:
        assert counts(reader.connection)["memory"][:2] == (0, 1)


def test_a_barred_outlet_is_told_at_once_its_messages_wait_and_its_return_is_told(history, deliver, wait_until):
    barred = [True]

    def fails(owed):
        if barred[0]:
            raise OutletBarred("535 wrong password")

    outlet = MemoryOutlet(fails)
    history.record(Batch(), owed=[message(1)])
    delivery = deliver({"memory": outlet})
    wait_until(lambda: delivery.health()["memory"].state == "barred")
    (notice,) = wait_until(delivery.notices)
    assert (notice.what, notice.detail) == ("outlet-down", "535 wrong password")
    barred[0] = False
    wait_until(lambda: settled(history, delivery))
    assert [each.what for each in delivery.notices()] == ["outlet-back"]


def test_an_outlet_that_is_down_for_long_is_told_once(history, deliver, wait_until):
    def fails(owed):
        raise OutletUnreachable("nothing listens")

    history.record(Batch(), owed=[message(1)])
    delivery = deliver({"memory": MemoryOutlet(fails)})
    (notice,) = wait_until(delivery.notices)
    assert (notice.what, notice.detail, notice.waiting) == ("outlet-down", "nothing listens", 1)
    assert notice.for_s >= 0.3
    time.sleep(0.2)
    assert delivery.notices() == []


def test_a_message_that_cannot_be_worded_does_not_stop_the_others(history, deliver, wait_until):
    def fails(owed):
        if owed.event_id == "e0":
            raise KeyError("sort")

    outlet = MemoryOutlet(fails)
    history.record(Batch(), owed=[message(0), message(1)])
    delivery = deliver({"memory": outlet})
    wait_until(lambda: settled(history, delivery))
    assert outlet.taken == ["e1"]
    assert "please report it" in delivery.notices()[0].detail


def test_a_message_waits_for_its_time(history, deliver, wait_until):
    now = [NOW]
    outlet = MemoryOutlet()
    history.record(Batch(), owed=[message(1, not_before_ms=NOW + 1000), message(2)])
    deliver({"memory": outlet}, wall_ms=lambda: now[0])
    wait_until(lambda: outlet.taken == ["e2"])
    now[0] += 1000
    wait_until(lambda: outlet.taken == ["e2", "e1"])


def test_messages_are_delivered_past_a_store_that_cannot_be_written(history, deliver, wait_until):
    outlet = MemoryOutlet()
    delivery = deliver({"memory": outlet})
    delivery.offer([message(7), message(8), message(9, "unknown")])
    wait_until(lambda: outlet.taken == ["e7", "e8"])
    assert delivery.receipts() == []


def test_what_was_delivered_past_the_store_is_not_told_again_when_it_is_recorded(history, deliver, wait_until):
    outlet = MemoryOutlet()
    delivery = deliver({"memory": outlet})
    delivery.offer([message(7), message(8)])
    wait_until(lambda: outlet.taken == ["e7", "e8"])
    history.record(Batch(), owed=[message(7), message(8), message(9)])
    delivery.wake()
    wait_until(lambda: settled(history, delivery))
    assert outlet.taken == ["e7", "e8", "e9"]


def test_messages_are_delivered_past_a_store_that_cannot_even_be_read(tmp_path, wait_until):
    outlet = MemoryOutlet()
    delivery = Delivery({"memory": outlet}, tmp_path / "missing.sqlite3", lambda: NOW, pace=HURRY)
    delivery.start()
    delivery.offer([message(7)])
    wait_until(lambda: outlet.taken == ["e7"])
    assert delivery.stop()


def test_old_letters_of_a_long_outage_are_folded_into_one_and_new_ones_are_not(history, deliver, wait_until):
    def letter(number, made_ms):
        event = LetterEvent(
            id=f"o.letter.x.{number}", at_ms=made_ms, chamber="nest", sort="care", thread="x", ordinal=number, to="keeper",
            urgent=False, about=(),
        )  # fmt: skip
        payload = json.dumps(event.as_json())
        return message(number, kind="letter", payload=payload, made_ms=made_ms, recipient="k@example.org")

    outlet = MemoryOutlet(in_order=False)
    history.record(Batch(), owed=[*(letter(n, NOW - 3 * DAY_MS + n) for n in range(30)), letter(30, NOW - 1000)])
    delivery = deliver({"memory": outlet})
    wait_until(lambda: settled(history, delivery))
    assert outlet.taken == ["o.letter.x.29.folded", "e30"]


def letter(number, *, urgent):
    event = LetterEvent(
        id=f"o.letter.x.{number}", at_ms=NOW, chamber=None, sort="system", thread=f"x{number}", ordinal=1, to="keeper",
        urgent=urgent, about=(SystemEvent(id="s", at_ms=NOW, chamber=None, what="started", text=f"Word number {number}."),),
    )  # fmt: skip
    payload = json.dumps(event.as_json())
    return message(number, "mail", kind="letter", payload=payload, recipient="keeper@example.org")


@pytest.mark.parametrize("trouble", ["451 4.3.0 later", "550 5.7.1 not you"])
def test_an_urgent_letter_does_not_wait_for_the_table_of_a_real_server(history, deliver, mail_server, wait_until, trouble):
    settings, box = mail_server("tls")
    box.answers = {"mail": trouble}
    history.record(Batch(), owed=[letter(1, urgent=False)])
    delivery = deliver({"mail": MailSender(settings, WATCH)}, replace(HURRY, barred_s=3600.0))
    wait_until(lambda: delivery.health()["mail"].state in ("down", "barred"))
    box.answers = {}
    history.record(Batch(), owed=[letter(2, urgent=True)])
    delivery.wake()
    wait_until(lambda: box.letters)
    assert b"Word number 2." in box.letters[0][1]


def test_what_came_past_the_store_is_not_lost_behind_one_that_fails(history, deliver, wait_until):
    down = [True]

    def fails(owed):
        if down[0]:
            raise OutletUnreachable("no route")

    outlet = MemoryOutlet(fails, in_order=False)
    delivery = deliver({"memory": outlet})
    delivery.offer([message(7), message(8), message(9)])
    wait_until(lambda: len(outlet.tried) > 3)
    down[0] = False
    wait_until(lambda: sorted(outlet.taken) == ["e7", "e8", "e9"])


def test_a_notice_of_a_refused_letter_names_its_address(history, deliver, mail_server, wait_until):
    settings, box = mail_server("tls")
    box.answers = {"rcpt": {"gone@example.org": "550 5.1.1 no such mailbox"}}
    history.record(Batch(), owed=[replace(letter(1, urgent=True), recipient="gone@example.org"), letter(2, urgent=False)])
    delivery = deliver({"mail": MailSender(settings, WATCH)})
    (notice,) = wait_until(delivery.notices)
    assert (notice.what, notice.refused) == ("outlet-refused", "gone@example.org")
    wait_until(lambda: len(box.letters) == 1)


def test_one_address_that_is_put_off_holds_back_no_other_letter(history, deliver, mail_server, wait_until):
    settings, box = mail_server("tls")
    box.answers = {"rcpt": {"second@example.org": "450 4.2.1 greylisted"}}
    first = replace(letter(1, urgent=True), recipient="second@example.org")
    history.record(Batch(), owed=[first, letter(2, urgent=True), letter(3, urgent=False)])
    deliver({"mail": MailSender(settings, WATCH)}, replace(HURRY, wake_s=3600.0))
    wait_until(lambda: len(box.letters) == 2)


def test_stopping_leaves_what_was_not_acknowledged_in_the_outbox(history, wait_until):
    started, closed = threading.Event(), threading.Event()

    def fails(owed):
        started.set()
        closed.wait(20)
        raise OutletUnreachable("broken off")

    outlet = MemoryOutlet(fails)
    outlet.close = closed.set
    history.record(Batch(), owed=[message(1)])
    delivery = Delivery({"memory": outlet}, history.path, lambda: NOW, pace=HURRY)
    delivery.start()
    started.wait(20)
    assert delivery.stop()
    assert not settled(history, delivery)


# ---------------------------------------------------------------- a real broker


@pytest.fixture
def publisher():
    made = []

    def make(running):
        session = MqttSession("home", Broker(host="127.0.0.1", port=running.port), back_off=BackOff(0.05, 0.2, 0.2))
        made.append(TopicPublisher(MqttOutlet(kind="mqtt", broker="home"), WATCH, session))
        return made[-1]

    return make


class Listener:
    """A subscriber that stays: mosquitto_sub, started again when its broker was killed."""

    def __init__(self, running):
        self.lines = []
        command = [
            "mosquitto_sub",
            "-h",
            "127.0.0.1",
            "-p",
            str(running.port),
            "-t",
            "dewlid/site/#",
            "-q",
            "1",
            "-F",
            "%t %r %p",
        ]
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        self._thread = threading.Thread(target=self._read)
        self._thread.start()

    def _read(self):
        self.lines.extend(line.strip() for line in self._process.stdout)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._process.terminate()
        self._process.wait()
        self._thread.join()
        self._process.stdout.close()


def test_a_state_told_past_the_store_stands_however_old_the_stored_one_is(history, deliver, wait_until):
    class Keeps(MemoryOutlet):
        def send(self, owed):
            self.taken.append(owed.payload)

    outlet = Keeps()
    state = Owed(outlet="memory", event_id="", kind="state", topic="nest/state", payload="old", made_ms=NOW, retained=True)
    history.record(Batch(), owed=[state])
    delivery = deliver({"memory": outlet})
    wait_until(lambda: outlet.taken == ["old"])
    delivery.show([replace(state, payload="new")])
    wait_until(lambda: outlet.taken[1:] == ["new"])
    delivery.offer([replace(state, payload="newest"), message(7)])  # the store cannot be written
    wait_until(lambda: outlet.taken[2:] == ['{"id": "e7"}', "newest"])
    history.record(Batch(), owed=[message(8)])
    delivery.wake()
    wait_until(lambda: outlet.taken[4:] == ['{"id": "e8"}'])
    outlet.session = 1  # another connection, whose broker may know nothing
    delivery.wake()
    wait_until(lambda: outlet.taken[5:] == ["newest"])


def test_after_a_broker_restart_the_states_come_first_then_what_was_missed_in_order(
    history, deliver, broker, publisher, wait_until
):
    running = broker()
    outlet = publisher(running)
    state = Owed(
        outlet="home", event_id="", kind="alarm", topic="chamber/nest/alarm/x", payload='{"n":1}', made_ms=NOW, retained=True
    )
    history.record(Batch(), owed=[state, message(0, "home", topic="chamber/nest/event/alarm")])
    delivery = deliver({"home": outlet})
    wait_until(lambda: settled(history, delivery))
    running.kill()
    wait_until(lambda: outlet._session.state[0] == "down")
    missed = [message(n, "home", topic="chamber/nest/event/alarm") for n in range(1, 40)]
    history.record(Batch(), owed=[replace(state, payload='{"n":2}'), *missed])
    delivery.wake()
    wait_until(lambda: delivery.health()["home"].state == "down")
    running.start()
    with Listener(running) as listener:
        wait_until(lambda: settled(history, delivery))
        wait_until(lambda: any('"e39"' in line for line in listener.lines))
        retained = [line for line in listener.lines if "alarm/x" in line]
        assert retained
        assert retained[-1].endswith('{"n":2}')
    again = subprocess.run(
        ["mosquitto_sub", "-h", "127.0.0.1", "-p", str(running.port), "-t", "dewlid/site/#", "-W", "1", "-F", "%t %p"],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert again.stdout.splitlines() == ['dewlid/site/chamber/nest/alarm/x {"n":2}'], "events are not retained"


def test_when_mail_does_not_let_us_in_mqtt_says_so_and_the_letters_wait(
    history, deliver, broker, publisher, mail_server, wait_until
):
    settings, box = mail_server(password="mistyped")
    outlets = {"post": settings, "home": MqttOutlet(kind="mqtt", broker="home")}
    running = broker()
    delivery = deliver({"post": MailSender(settings, WATCH), "home": publisher(running)})
    letter = LetterEvent(
        id="o.letter.system.site.1", at_ms=NOW, chamber=None, sort="system", thread="system.site", ordinal=1, to="keeper",
        urgent=False, about=(SystemEvent(id="s", at_ms=NOW, chamber=None, what="test-message", text="Hello."),),
    )  # fmt: skip
    with Listener(running) as listener:
        history.record(Batch(), [letter], owed=owed_by([letter], outlets, WATCH))
        delivery.wake()
        (notice,) = wait_until(delivery.notices)
        events = notice_events(notice, NOW)
        history.record(Batch(), events, owed=owed_by(events, outlets, WATCH, trouble=notice))
        delivery.wake()
        wait_until(lambda: any("refuses user or password: 535" in line for line in listener.lines))
    assert box.letters == []
    Path(settings.password_file).write_text(f"{box.password}\n")
    wait_until(lambda: settled(history, delivery))
    assert [recipient for recipient, _ in box.letters] == ["keeper@example.org"]
    assert "outlet-back" in [each.what for each in delivery.notices()]


KILLED = textwrap.dedent(
    """
    import sys, time
    from pathlib import Path
    from zoneinfo import ZoneInfo
    from adapters.broker import Broker
    from adapters.mqtt_session import BackOff, MqttSession
    from adapters.outlets import MqttOutlet
    from adapters.outlets.mqtt_topic import TopicPublisher
    from adapters.outlets.outlet import Owed
    from daemon.delivery.delivery import Delivery
    from daemon.store.history import History
    from daemon.store.reader import HistoryReader
    from daemon.store.outbox_rows import counts
    from rules.terms.events import Batch, SystemEvent
    from rules.settings import Chamber, Probe, Site, Telling, Settings
    watch = Settings(site=Site(name="site"), zone=ZoneInfo("UTC"), rooms={}, chambers={"nest": Chamber()},
                  probes={"p": Probe(place="nest")}, telling=Telling())
    history = History.open(Path(sys.argv[1]), now_ms=0)
    session = MqttSession("home", Broker(host="127.0.0.1", port=int(sys.argv[2])), back_off=BackOff(0.02, 0.1, 0.1))
    outlet = TopicPublisher(MqttOutlet(kind="mqtt", broker="home"), watch, session)
    delivery = Delivery({"home": outlet}, history.path, lambda: 0)
    delivery.start()
    state = history.last_state()
    number = 0 if state is None else int(state[0])
    until = int(sys.argv[3])
    reader = HistoryReader(history.path)
    while number < until or counts(reader.connection):
        if number < until:
            number += 1
            event = SystemEvent(id=f"e{number}", at_ms=number, chamber=None, what="test", text="")
            owed = Owed(outlet="home", event_id=event.id, kind="system", topic="site/event/system", payload=event.id, made_ms=0,
                        expendable=False)
            history.record(Batch(), [event], b"%d" % number, [owed])
            print(number, flush=True)
        delivery.wake()
        history.settle(delivery.receipts())
        time.sleep(0.002)
    print("done", flush=True)
    """
)


def test_a_daemon_killed_again_and_again_delivers_every_event_at_least_once_under_its_id(tmp_path, broker, wait_until):
    running = broker()
    path = tmp_path / "store.sqlite3"
    with Listener(running) as listener:
        for turn in range(8):
            last = turn == 7
            process = subprocess.Popen(
                [sys.executable, "-c", KILLED, path, str(running.port), "300" if last else "100000"],
                stdout=subprocess.PIPE,
                text=True,
            )
            process.stdout.readline()
            if last:
                assert "done" in process.stdout.read()
            else:
                time.sleep(0.03 * (turn % 4))
                process.send_signal(signal.SIGKILL)
            process.stdout.close()
            process.wait()
        with HistoryReader(path) as reader:
            told = [event["id"] for event in reader.events()]
            assert counts(reader.connection) == {}
        wait_until(lambda: {line.split()[-1] for line in listener.lines} >= set(told))
        heard = [line.split()[-1] for line in listener.lines]
    assert set(heard) == set(told), "no id was invented or changed"
    first_heard = list(dict.fromkeys(heard))
    assert first_heard == told, "in order"
