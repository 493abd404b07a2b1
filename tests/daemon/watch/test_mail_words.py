"""Answers to letters, the whole way: a letter by a real SMTP server, the reply in a real mailbox, the rules' answer by mail."""

from __future__ import annotations

import email
import email.policy
import json
import time
from collections.abc import Callable, Iterator
from email.message import EmailMessage
from pathlib import Path
from typing import Any

import pytest
from hand_clock import HandClock
from imap_server import ImapServer

from adapters.outlets.letter import MailOutlet
from daemon.check.inspection import of_mailbox
from daemon.clock import StreamClock
from daemon.config.configuration import Configuration, load_text
from daemon.config.file import ConfigurationError
from daemon.config.settings import settings_of
from daemon.delivery.delivery import Delivery
from daemon.store.history import History
from daemon.store.spool import Spool
from daemon.watch.assembly import outlets_of
from daemon.watch.engine import Engine, Setting
from daemon.watch.inbox import Inbox
from daemon.watch.mail_words import MOST_PER_HOUR, MailWords, answers_of
from daemon.watch.resume import resume
from rules.alarms.alarms import standing
from rules.terms.events import DAY_MS, HOUR_MS

START_MS = 1_774_534_800_000  # 2026-03-26T14:20Z
CONFIG = """
[site]
name = "Ant shelf"
time_zone = "Europe/Lisbon"
state_folder = "{folder}"
[chamber.nest]
title = "Big nest"
temperature.on_delay = "1min"
[probe.air]
kind = "mqtt-topic"
place = "nest"
broker = "home"
topics = {{ air_temperature = "t", relative_humidity = "h" }}
interval = "10s"
[broker.home]
host = "localhost"
[outlet.mail]
{mail}
[mailbox]
outlet = "mail"
host = "localhost"
port = {port}
ca_file = "{ca}"
user = "{user}"
password_file = "{secret}"
also_from = ["anna@work.example"]
every = "15s"
"""


class House:
    """Engine, delivery and mailbox of a daemon on a clock of its own; the mailbox is looked into at each `hear`."""

    def __init__(self, folder: Path, server: ImapServer, outlet: MailOutlet, box: Any, user: str) -> None:
        facts = outlet.model_dump(mode="json", exclude_none=True) | {"stand_in": ["carer@example.org"]}
        mail = "\n".join(f"{key} = {json.dumps(value)}" for key, value in facts.items())
        secret = server.secret_file(folder)
        text = CONFIG.format(folder=folder, mail=mail, port=server.port, ca=server.ca_file, secret=secret, user=user)
        self.configuration: Configuration = load_text(text)
        self.folder, self.server, self.box, self.user, self.clock = folder, server, box, user, HandClock(START_MS)
        self.spool = Spool(self.configuration.spool_folder)
        self.spool.prepare()
        self.history = History.open(self.configuration.store, now_ms=START_MS)
        setting = Setting(settings_of(self.configuration), dict(self.configuration.outlet))
        begin = resume(setting.settings, self.history)
        self.inbox = Inbox(StreamClock(self.clock, begin.newest_ms))
        self.engine = Engine(setting, self.history, self.inbox, self.spool, begin)
        outlets = outlets_of(self.configuration, {}, None, answers_of(self.configuration))
        self.delivery = Delivery(outlets, self.configuration.store, self.clock.wall_ms)
        self.engine.delivery = self.delivery
        self.delivery.start()
        self.heard = 0
        (folder / "mail-answers.json").write_text(json.dumps({"validity": 0, "next_uid": 0, "used": {}, "waiting": []}))
        self.words = self.listening()
        self.words.start()
        self.hear()  # the first look takes nothing that lies there already

    def listening(self) -> MailWords:
        settings, outlet = self.configuration.mailbox, self.configuration.outlet["mail"]
        assert settings is not None and isinstance(outlet, MailOutlet)
        return MailWords(
            settings, outlet, answers_of(self.configuration)["mail"].tokens, self.spool, self.configuration.store,
            self.folder / "mail-answers.json", self.engine.reply, self.clock.wall_ms,
        )

    @property
    def ledger(self) -> dict[str, Any]:
        return dict(json.loads((self.folder / "mail-answers.json").read_text()))

    def live(self, minutes: int, celsius: float) -> None:
        for number in range(6 * minutes):
            self.clock.pass_ms(10_000)
            self.inbox.reading("air", "air_temperature", celsius + 0.01 * (number % 4), None)
            self.inbox.reading("air", "relative_humidity", 80.0 + 0.1 * (number % 3), None)
            self.engine.turn()

    def letters(self, to: str = "keeper@example.org") -> list[EmailMessage]:
        mine = [octets for whom, octets in self.box.letters if whom == to]
        parsed = [email.message_from_bytes(octets, policy=email.policy.default) for octets in mine]
        return [message for message in parsed if isinstance(message, EmailMessage)]

    def until(self, came: Callable[[], Any]) -> None:
        deadline_s = time.monotonic() + 20
        while not came():
            assert time.monotonic() < deadline_s
            self.clock.pass_ms(10)
            self.inbox.ring()  # as the bell of the spool does
            self.engine.turn()
            time.sleep(0.02)

    def hear(self) -> None:
        """Restart the part that looks into the mailbox, and let it look once."""
        self.words.stop()
        following = self._following()
        self.words = self.listening()
        self.words.start()
        self.until(lambda: self.ledger["validity"] and self.ledger["next_uid"] >= following)

    def _following(self) -> int:
        with self.server.opened(self.user) as client:
            said = client.status("INBOX", "(UIDNEXT)")[1][0]
        return int(said.partition(b"UIDNEXT ")[2].rstrip(b")"))

    def answer(self, letter: EmailMessage, text: str, *more: str, sender: str = "keeper@example.org") -> None:
        quoted = "".join(f"> {line}\n" for line in str(letter.get_body(("plain",)).get_content()).splitlines())
        head = [f"From: Anna <{sender}>", "Message-ID: <1@phone>", f"In-Reply-To: {letter['Message-ID']}", *more]
        body = f"{text}\n\nOn Thu, 26 Mar 2026, dewlid wrote:\n{quoted}"
        self.server.deliver("\n".join([*head, "Content-Type: text/plain; charset=utf-8", "", body]).encode(), self.user)
        self.hear()

    def last(self, count: int) -> EmailMessage:
        """Return the newest letter, once so many have come."""
        self.until(lambda: len(self.letters()) >= count)
        assert len(self.letters()) == count
        return self.letters()[-1]

    def end(self) -> None:
        self.words.stop()
        self.delivery.stop(2.0)
        self.history.close()


def text_of(letter: EmailMessage) -> str:
    return " ".join(letter.get_body(("plain",)).get_content().split())


@pytest.fixture
def house(tmp_path: Path, imap_server: ImapServer, mail_server: Any, request: pytest.FixtureRequest) -> Iterator[House]:
    outlet, box = mail_server("tls")
    made = House(tmp_path, imap_server, outlet, box, request.node.name)
    made.live(8, 33.0)
    made.until(lambda: len(made.letters()) >= 2)
    yield made
    made.end()


def alarm(house: House) -> Any:
    assert house.engine.state is not None
    return standing(house.engine.state.alarms, "nest")["temperature-high"]


def test_seen_acknowledges_and_the_answer_says_so_and_how_it_is(house: House) -> None:
    urgent = house.letters()[-1]
    assert "URGENT" in urgent["Subject"]
    assert "one word in the first line: done (you did it), seen" in text_of(urgent)
    count = len(house.letters())
    house.answer(urgent, "Seen.")
    told = house.last(count + 1)
    assert alarm(house).acknowledged
    assert told["Subject"] == "Taken: Big nest"
    assert told["In-Reply-To"] == urgent["Message-ID"]
    assert "nest/temperature-high, occurrence 1, is acknowledged." in text_of(told)
    assert "Big nest: 33.0 °C" in text_of(told)
    assert "too warm (seen)" in text_of(told)
    house.answer(urgent, "quiet 2h")
    told = house.last(count + 2)
    assert told["Subject"] == "Not taken: Big nest"
    assert "That letter was answered before" in text_of(told)


def test_done_is_said_of_the_advice_of_that_letter_and_the_answer_may_be_answered(house: House) -> None:
    urgent, count = house.letters()[-1], len(house.letters())
    house.answer(urgent, "how", sender="anna@work.example")
    how = house.last(count + 1)
    assert how["Subject"] == "How it is: Big nest"
    assert "Big nest: 33.0 °C" in text_of(how)
    house.answer(how, "done")
    told = house.last(count + 2)
    assert "is done; what it does will be compared with what was predicted" in text_of(told)
    assert house.engine.state is not None and house.engine.state.advice["nest"].open is not None
    assert house.engine.state.advice["nest"].open.done_ms is not None


def test_quiet_of_what_does_harm_is_refused_and_that_is_said(house: House) -> None:
    house.live(8, 35.5)
    house.until(lambda: True)
    count = len(house.letters())
    house.answer(house.letters()[-1], "quiet 4h")
    told = house.last(count + 1)
    assert "harmful" in text_of(told)
    assert alarm(house).suppression == "none"


def test_what_is_no_word_of_the_keeper_does_nothing(house: House) -> None:
    urgent, count = house.letters()[-1], len(house.letters())
    house.answer(urgent, "seen", "Auto-Submitted: auto-replied")
    house.answer(urgent, "seen", sender="stranger@example.org")
    forged = EmailMessage()
    forged["Message-ID"] = f"{urgent['Message-ID'][:26]}{'0' * 24}@example.org>"
    forged.set_content("x")
    house.answer(forged, "seen")
    assert len(house.letters()) == count
    assert not alarm(house).acknowledged
    house.answer(urgent, "I am out of the office until Monday.")
    told = house.last(count + 1)
    assert "the first line of your answer is none of the words done, seen, quiet 4h or how" in text_of(told)
    assert "Answer this letter with one word in the first line: done (you did it)" in text_of(told)
    assert told["Auto-Submitted"] == "auto-generated"
    assert not alarm(house).acknowledged


def test_a_letter_that_is_too_old_or_not_ours_is_not_answered(house: House) -> None:
    urgent, count = house.letters()[-1], len(house.letters())
    house.clock.pass_ms(3 * DAY_MS + HOUR_MS)
    house.engine.turn()
    house.until(lambda: True)
    house.answer(urgent, "seen")
    assert not alarm(house).acknowledged
    assert not [letter for letter in house.letters()[count:] if letter["Subject"].startswith("Taken")]


def test_so_many_answers_an_hour_are_looked_at(house: House) -> None:
    urgent, count = house.letters()[-1], len(house.letters())
    body = f"From: keeper@example.org\nIn-Reply-To: {urgent['Message-ID']}\n\nhello\n".encode()
    with house.server.opened(house.user) as client:
        for _ in range(MOST_PER_HOUR + 5):
            client.append("INBOX", "", None, body.replace(b"\n", b"\r\n"))
    house.hear()
    house.until(lambda: len(house.letters()) >= count + MOST_PER_HOUR)
    for _ in range(20):
        house.engine.turn()
    assert len(house.letters()) == count + MOST_PER_HOUR


def test_a_restart_between_a_word_and_its_answer_loses_and_doubles_nothing(house: House) -> None:
    urgent, count = house.letters()[-1], len(house.letters())
    house.answer(urgent, "seen")
    house.words.stop()
    house.words = house.listening()
    house.words.start()
    assert house.last(count + 1)["Subject"] == "Taken: Big nest"
    house.hear()
    assert house.ledger["waiting"] == []
    assert len(house.letters()) == count + 1


def test_the_key_and_the_ledger_are_for_us_alone(house: House) -> None:
    for name in ("mail-answers.key", "mail-answers.json"):
        assert (house.folder / name).stat().st_mode & 0o077 == 0 or name.endswith("json")
    key = (house.folder / "mail-answers.key").read_text().strip()
    assert len(key) == 64
    assert not any(key.encode() in octets for _, octets in house.box.letters)


def test_check_looks_into_the_mailbox_and_says_what_is_wrong_with_it(house: House) -> None:
    assert [finding.grade for finding in of_mailbox(house.configuration)] == ["ok"]
    box = house.configuration.mailbox
    assert box is not None
    wrong = house.configuration.model_copy(update={"mailbox": box.model_copy(update={"host": "nowhere.invalid"})})
    (finding,) = of_mailbox(wrong)
    assert (finding.grade, "cannot be reached" in finding.found) == ("fault", True)
    assert of_mailbox(house.configuration.model_copy(update={"mailbox": None})) == []


def test_without_the_table_no_letter_bears_a_token_and_its_outlet_must_mail(tmp_path: Path, mail_server: Any) -> None:
    outlet, _ = mail_server("tls")
    mail = "\n".join(f"{key} = {json.dumps(value)}" for key, value in outlet.model_dump(mode="json", exclude_none=True).items())
    text = CONFIG.format(folder=tmp_path, mail=mail, port=993, ca="/ca", secret="/secret", user="ant")
    assert answers_of(load_text(text.partition("[mailbox]")[0])) == {}
    with pytest.raises(ConfigurationError, match='found "nowhere", which is not a mail outlet of this config; there is: mail'):
        load_text(text.replace('outlet = "mail"', 'outlet = "nowhere"'))
