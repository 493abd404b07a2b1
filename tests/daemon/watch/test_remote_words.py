"""The keeper's words over a real broker: from a signed message to the engine's answer, and what is refused on the way."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from adapters.broker import Broker
from adapters.errors import SecretUnreadable
from adapters.keeper_words import Commands, signed
from adapters.mqtt_session import MqttSession
from adapters.subscriptions import Message
from daemon.cli import main
from daemon.config.configuration import load_text
from daemon.config.file import ConfigurationError
from daemon.store.spool import Spool
from daemon.watch.remote_words import RemoteWords

KEY = "0123456789abcdef0123456789abcdef"
TOPIC = "dewlid/shelf/say"
VISIT = {"word": "visit", "chamber": "nest"}
ACL = f"""
user keeper
topic write {TOPIC}
topic read {TOPIC}/answer
user dewlid
topic read {TOPIC}
topic write {TOPIC}/answer
user guest
topic read #
"""
USERS = {"keeper": "k-pass", "dewlid": "d-pass", "guest": "g-pass"}


def now_ms() -> int:
    return round(time.time() * 1000)


class Desk:
    """Words by a real broker into a real spool, and a keeper who reads the answers."""

    def __init__(self, server: Any, folder: Path, secret_file: Callable[[str], str]) -> None:
        self.server, self.folder = server, folder
        self.spool = Spool(folder / "spool")
        self.spool.prepare()
        self.settings = Commands(broker="home", topic=TOPIC, key_file=secret_file(KEY))
        self._ours, self._theirs = secret_file(USERS["dewlid"]), secret_file(USERS["keeper"])
        self.answers: list[dict[str, Any]] = []
        self.reader = self.session("keeper", self._theirs)
        self.reader.subscribe(f"{TOPIC}/answer", self._read)
        self.reader.start()
        self.words = self.listen()

    def session(self, user: str, password_file: str) -> MqttSession:
        broker = Broker(host="127.0.0.1", port=self.server.port, user=user, password_file=password_file)
        return MqttSession("home", broker, purpose=f"test-{user}")

    def listen(self) -> RemoteWords:
        session = self.session("dewlid", self._ours)
        words = RemoteWords(self.settings, session, self.spool, self.folder / "command-ids.json", now_ms)
        words.start()
        return words

    def _read(self, message: Message) -> None:
        self.answers.append(json.loads(message.payload))

    def say(self, message: str, user: str = "keeper", **options: Any) -> None:
        self.server.say(TOPIC, message, user=user, **options)


@pytest.fixture
def desk(
    broker: Callable[..., Any], tmp_path: Path, secret_file: Callable[[str], str], wait_until: Callable[..., Any]
) -> Iterator[Desk]:
    one = Desk(broker(users=USERS, acl=ACL), tmp_path, secret_file)
    wait_until(lambda: one.words.session.state[0] == "up" and one.reader.state[0] == "up", "both connections")
    wait_until(lambda: one.server.log.count("Sending SUBACK") >= 2, "both subscriptions")
    yield one
    one.words.stop()
    one.reader.stop()


def test_a_signed_word_reaches_the_spool_and_is_answered(desk: Desk, wait_until: Callable[..., Any]) -> None:
    desk.say(signed(KEY.encode(), TOPIC, VISIT, "button-0000000000001", now_ms()))
    wait_until(lambda: desk.answers, "the answer")
    answer = desk.answers[0]
    assert (answer["accepted"], answer["code"], answer["id"]) == (True, "taken", "button-0000000000001")
    [spoken], refused = desk.spool.waiting(7)
    assert refused == []
    assert (spoken.word.word, spoken.word.by, spoken.word.word_id) == ("visit", "mqtt", answer["word_id"])


def test_forged_replayed_malformed_and_kept_words_are_refused_and_answered(
    desk: Desk, wait_until: Callable[..., Any]
) -> None:
    good = signed(KEY.encode(), TOPIC, VISIT, "button-0000000000002", now_ms())
    for number, message in enumerate((
        good, good, "ack all", signed(b"x" * 32, TOPIC, VISIT, "button-0000000000003", now_ms()),
        signed(KEY.encode(), TOPIC, VISIT, "button-0000000000004", now_ms() - 130_000),
        signed(KEY.encode(), TOPIC, {"word": "visit", "chamber": "Nest!"}, "button-0000000000005", now_ms()),
        signed(KEY.encode(), TOPIC, VISIT | {"by": "somebody"}, "button-0000000000006", now_ms()),
    ), 1):  # fmt: skip
        desk.say(message)
        wait_until(lambda number=number: len(desk.answers) == number, f"answer {number}")
    assert [answer["code"] for answer in desk.answers] == [
        "taken", "replayed", "malformed", "forged", "stale", "refused", "refused",
    ]  # fmt: skip
    assert "chamber" in desk.answers[5]["text"]
    assert len(desk.spool.waiting(7)[0]) == 1


def test_a_restart_forgets_no_id(desk: Desk, wait_until: Callable[..., Any]) -> None:
    message = signed(KEY.encode(), TOPIC, VISIT, "button-0000000000007", now_ms())
    desk.say(message)
    wait_until(lambda: len(desk.answers) == 1, "the first answer")
    desk.words.stop()
    desk.words = desk.listen()
    wait_until(lambda: desk.server.log.count("Sending SUBACK") >= 3, "the new subscription")
    desk.say(message)
    wait_until(lambda: len(desk.answers) == 2, "the second answer")
    assert desk.answers[1]["code"] == "replayed"
    assert (desk.folder / "command-ids.json").stat().st_mode & 0o077 == 0


def test_who_may_publish_is_the_brokers_acl(desk: Desk, wait_until: Callable[..., Any]) -> None:
    desk.say(signed(KEY.encode(), TOPIC, VISIT, "button-0000000000008", now_ms()), user="guest")
    desk.say(signed(KEY.encode(), TOPIC, VISIT, "button-0000000000009", now_ms()))
    wait_until(lambda: desk.answers, "the answer")
    assert [answer["id"] for answer in desk.answers] == ["button-0000000000009"]


def test_a_storm_of_forged_words_is_counted_and_neither_fills_the_log_nor_drowns_a_good_one(
    desk: Desk, wait_until: Callable[..., Any], capsys: pytest.CaptureFixture[str]
) -> None:
    forged = signed(b"x" * 32, TOPIC, VISIT, "button-0000000000010", now_ms())
    desk.say("\n".join([forged] * 400), each_line=True)
    wait_until(lambda: sum(desk.words.counts.values()) >= 400, "all of them")
    desk.say(signed(KEY.encode(), TOPIC, VISIT, "button-0000000000011", now_ms()))
    wait_until(lambda: desk.words.counts.get("taken"), "the good one")
    wait_until(lambda: any(answer["accepted"] for answer in desk.answers), "its answer")
    assert len(desk.answers) <= 2 * 30 + 1  # a minute may end meanwhile


CONFIG = """
[site]
state_folder = "{folder}/state"
[chamber.nest]
[probe.air]
kind = "mqtt-topic"
place = "nest"
broker = "home"
topics = {{ air_temperature = "nest/t", relative_humidity = "nest/h" }}
[broker.home]
host = "127.0.0.1"
port = {port}
[commands]
broker = "home"
topic = "dewlid/shelf/say"
key_file = "{key}"
"""


def test_a_button_announces_a_visit_to_a_running_daemon(
    broker: Callable[..., Any], tmp_path: Path, secret_file: Callable[[str], str], wait_until: Callable[..., Any],
    capsys: pytest.CaptureFixture[str],
) -> None:
    server, config = broker(), tmp_path / "dewlid.toml"
    config.write_text(CONFIG.format(folder=tmp_path, port=server.port, key=secret_file(KEY)))
    with (tmp_path / "log").open("wb") as log:
        process = subprocess.Popen([sys.executable, "-m", "daemon.cli", "run", str(config)], stderr=log, env=dict(os.environ))
    try:
        wait_until(lambda: f"{TOPIC} (QoS 1)" in server.log, "the subscription")
        assert main(["sign", "--config", str(config), json.dumps(VISIT)]) == 0
        server.say(TOPIC, capsys.readouterr().out.strip())
        wait_until(lambda: _visits(config, capsys), "the visit")
    finally:
        process.terminate()
        assert process.wait(20) == 0
    assert "a word came by MQTT" in (tmp_path / "log").read_text()


def _visits(config: Path, capsys: pytest.CaptureFixture[str]) -> bool:
    main(["alarms", "--json", "--config", str(config)])
    out = capsys.readouterr().out
    return bool(out) and "nest" in json.loads(out)["visits"]


def test_without_the_table_nothing_is_subscribed() -> None:
    off = CONFIG.format(folder="/tmp", port=1883, key="/k").split("[commands]")[0]
    assert load_text(off).commands is None


def test_an_unknown_broker_is_named_with_line_and_what_there_is() -> None:
    head, tail = CONFIG.format(folder="/tmp", port=1883, key="/k").split("[commands]")
    wrong = head + "[commands]" + tail.replace('broker = "home"', 'broker = "hom"')
    with pytest.raises(ConfigurationError, match='"hom", which is not a broker of this config; there is: home'):
        load_text(wrong)


def test_answers_never_go_where_words_are_heard() -> None:
    wrong = CONFIG.format(folder="/tmp", port=1883, key="/k") + f'answer_topic = "{TOPIC}"\n'
    with pytest.raises(ConfigurationError, match="every answer would be heard as a word"):
        load_text(wrong)


def test_a_key_that_others_may_read_is_refused(tmp_path: Path) -> None:
    key = tmp_path / "key"
    key.write_text(KEY)
    key.chmod(0o644)
    settings = Commands(broker="home", topic=TOPIC, key_file=str(key))
    session = MqttSession("home", Broker(host="127.0.0.1"))
    with pytest.raises(SecretUnreadable, match="0644"):
        RemoteWords(settings, session, Spool(tmp_path / "spool"), tmp_path / "ids", now_ms)


def test_a_new_key_is_long_and_never_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    keys = {main(["sign", "--new-key"]) or capsys.readouterr().out for _ in range(5)}
    assert len(keys) == 5
    assert min(map(len, keys)) >= 64


@pytest.mark.parametrize("held", ['{"a": Infinity}', '{"a": null}', "[" * 100_000, "[1]"])
def test_a_file_of_ids_that_makes_no_sense_does_not_end_the_start(tmp_path: Path, held: str) -> None:
    key, ids = tmp_path / "key", tmp_path / "ids"
    key.write_text(KEY)
    key.chmod(0o600)
    ids.write_text(held)
    settings = Commands(broker="home", topic=TOPIC, key_file=str(key))
    RemoteWords(settings, MqttSession("home", Broker(host="127.0.0.1")), Spool(tmp_path / "spool"), ids, now_ms)
