"""The mail outlet against real SMTP servers: encrypted, logged in, refused at each stage, silent, slow, cut off."""

import email
import email.policy
import json
import logging
import re
import socket
import threading
import time
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
import trustme
from pydantic import ValidationError

from adapters.errors import OutletBarred, OutletDeferred, OutletRefused, OutletUnreachable
from adapters.outlets.letter import MailOutlet, MailSender, message_of
from adapters.outlets.outlet import Owed
from adapters.wording.letter import compose
from rules.settings import Chamber, Probe, Settings, Site, Telling
from rules.terms.events import AlarmEvent, LetterEvent, letter_of

NOW = 1_764_036_600_000
WATCH = Settings(
    site=Site(name="Fungus shelf"), zone=ZoneInfo("UTC"), rooms={}, chambers={"big-nest": Chamber(title="Groß\u202e nest")},
    probes={"air-1": Probe(place="big-nest")}, telling=Telling(),
)  # fmt: skip


def owed(ordinal=1, recipient="keeper@example.org", text="above 28 degC for 10 minutes"):
    alarm = AlarmEvent(
        id="a", at_ms=NOW, chamber="big-nest", alarm="temperature-high", change="raised", condition="active", level="outside",
        acknowledged=False, suppression="none", occurrence=1, priority="today", value=29.4, limit=28.0, unit="degC",
        reason=text,
    )  # fmt: skip
    letter = LetterEvent(
        id=f"o.letter.situation.big-nest.1.{ordinal}", at_ms=NOW, chamber="big-nest",
        sort="situation" if ordinal == 1 else "reminder", thread="situation.big-nest.1", ordinal=ordinal, to="keeper",
        urgent=False, about=(alarm,),
    )  # fmt: skip
    return Owed(
        outlet="mail", event_id=letter.id, kind="letter", payload=json.dumps(letter.as_json()), made_ms=NOW, recipient=recipient
    )


def scripted(lines, *, hold_s=0.0, drip_s=0.0):
    """A server that says these answers, one for each line it is told, and then hangs up or holds the line."""
    listening = socket.create_server(("127.0.0.1", 0))
    heard = []

    def serve():
        while True:
            try:
                line, _ = listening.accept()
            except OSError:
                return
            with line, line.makefile("rb") as reader:
                try:
                    for number, answer in enumerate(lines):
                        if number and not _until_told(reader, lines[number - 1], heard):
                            break
                        for part in [answer[i : i + 1] for i in range(len(answer))] if drip_s else [answer]:
                            line.sendall(part)
                            time.sleep(drip_s)
                    time.sleep(hold_s)
                except OSError:
                    continue

    threading.Thread(target=serve, daemon=True).start()
    return listening, heard


def _until_told(reader, answer_before, heard):
    while line := reader.readline():
        heard.append(line)
        if not answer_before.startswith(b"354") or line == b".\r\n":
            return True
    return False


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_a_letter_arrives_encrypted_and_logged_in(mail_server, security):
    settings, box = mail_server(security)
    MailSender(settings, WATCH).send(owed())
    ((recipient, content),) = box.letters
    assert recipient == "keeper@example.org"
    message = email.message_from_bytes(content, policy=email.policy.default)
    assert message["Subject"] == "Too warm: Gross nest"
    assert message["Auto-Submitted"] == "auto-generated"
    assert message["From"].addresses[0].addr_spec == "dewlid@example.org"
    assert message["Date"].datetime.timestamp() == pytest.approx(time.time(), abs=600)
    text, html = message.iter_parts()
    assert (text.get_content_type(), html.get_content_type()) == ("text/plain", "text/html")
    assert text.get_content().startswith("DO THIS FIRST")
    assert "29.4 °C" in text.get_content()


def test_a_thread_holds_together_and_a_letter_sent_again_is_the_same_message(mail_server):
    settings, box = mail_server()
    sender = MailSender(settings, WATCH)
    for ordinal in (1, 2, 2):
        sender.send(owed(ordinal))
    first, second, again = (email.message_from_bytes(content, policy=email.policy.default) for _, content in box.letters)
    assert second["In-Reply-To"] == second["References"] == first["Message-ID"]
    assert first["In-Reply-To"] is None
    assert again["Message-ID"] == second["Message-ID"] != first["Message-ID"]


def test_every_address_of_a_role_gets_its_letter():
    settings = MailOutlet(
        kind="mail", host="mail.example.org", sender="a@example.org", to=["k@example.org"], second=["s@example.org"]
    )
    assert [settings.addresses(role) for role in ("keeper", "second", "stand-in")] == [
        ["k@example.org"], ["s@example.org"], ["k@example.org"],
    ]  # fmt: skip


def test_one_refused_address_does_not_keep_the_letter_from_the_other(mail_server):
    settings, box = mail_server()
    box.answers = {"rcpt": {"gone@example.org": "550 no such mailbox"}}
    sender = MailSender(settings, WATCH)
    with pytest.raises(OutletRefused, match=r"gone@example.org: 550 no such mailbox") as caught:
        sender.send(owed(recipient="gone@example.org"))
    assert not isinstance(caught.value, OutletBarred)
    sender.send(owed())
    assert [recipient for recipient, _ in box.letters] == ["keeper@example.org"]


def test_a_lost_answer_to_the_final_dot_means_the_same_message_again(mail_server):
    settings, box = mail_server()
    box.answers = {"dot": "250 taken, but this answer is lost"}
    sender = MailSender(settings, WATCH)
    with pytest.raises(OutletUnreachable):
        sender.send(owed())
    box.answers = {}
    sender.send(owed())
    ids = [email.message_from_bytes(content)["Message-ID"] for _, content in box.letters]
    assert len(ids) == 2
    assert ids[0] == ids[1]


@pytest.mark.parametrize(
    ("stage", "answer", "meaning"),
    [
        ("mail", "451 later", OutletUnreachable),
        ("mail", "550 not you", OutletBarred),
        ("rcpt", "450 greylisted", OutletDeferred),
        ("rcpt", "550 unknown", OutletRefused),
        ("dot", "452 full", OutletDeferred),
        ("dot", "554 spam", OutletRefused),
        ("dot", "421 closing", OutletUnreachable),
    ],
)
def test_each_stage_s_answer_has_its_meaning(mail_server, stage, answer, meaning):
    settings, box = mail_server()
    box.answers = {stage: {"keeper@example.org": answer} if stage == "rcpt" else answer}
    with pytest.raises((OutletUnreachable, OutletRefused)) as caught:
        MailSender(settings, WATCH).send(owed())
    assert type(caught.value) is meaning
    assert answer.split()[1] in str(caught.value)
    box.answers = {}
    MailSender(settings, WATCH).send(owed())
    assert len(box.letters) == 1


@pytest.mark.parametrize(
    ("lines", "meaning"),
    [
        ([b"554 go away\r\n"], OutletBarred),
        ([b"421 too busy\r\n"], OutletUnreachable),
        ([b"220 hello\r\n", b"250 hello\r\n"], OutletBarred),  # no STARTTLS offered
        ([b"220 hello\r\n"], OutletUnreachable),  # hangs up
        ([b"no smtp at all\r\n"], OutletUnreachable),
        ([b"\x00\xff\xfe\r\n" * 50], OutletUnreachable),
    ],
)
def test_a_server_that_does_not_talk_to_us_gets_no_letter_and_no_password(mail_server, lines, meaning):
    listening, heard = scripted(lines)
    settings = mail_server.settings("starttls", listening.getsockname()[1])
    with pytest.raises((OutletUnreachable, OutletRefused)) as caught:
        MailSender(settings, WATCH).send(owed())
    listening.close()
    assert type(caught.value) is meaning
    assert not re.search(rb"AUTH|MAIL|DATA", b"".join(heard))


def test_encryption_that_was_stripped_ends_before_the_log_in(mail_server):
    listening, heard = scripted([b"220 hello\r\n", b"250-hello\r\n250 AUTH PLAIN LOGIN\r\n"])
    settings = mail_server.settings("starttls", listening.getsockname()[1])
    with pytest.raises(OutletBarred, match="offers no encryption"):
        MailSender(settings, WATCH).send(owed())
    listening.close()
    assert b"AUTH" not in b"".join(heard)


def test_a_certificate_for_another_name_is_not_accepted(mail_server):
    settings, box = mail_server(name="other.example.org")
    with pytest.raises(OutletBarred, match="certificate is not accepted"):
        MailSender(settings, WATCH).send(owed())
    assert not box.letters


def test_a_certificate_of_an_unknown_authority_is_not_accepted(mail_server, tmp_path):
    settings, box = mail_server("tls")
    trustme.CA().cert_pem.write_to_path(tmp_path / "other.pem")
    with pytest.raises(OutletBarred, match="certificate is not accepted"):
        MailSender(settings.model_copy(update={"ca_file": str(tmp_path / "other.pem")}), WATCH).send(owed())
    assert not box.letters


def test_plain_talk_on_a_tls_port_and_the_other_way_are_told(mail_server):
    settings, _ = mail_server("starttls")
    with pytest.raises(OutletBarred, match="check port and security"):
        MailSender(settings.model_copy(update={"security": "tls"}), WATCH).send(owed())
    settings, _ = mail_server("tls")
    with pytest.raises(OutletUnreachable):
        MailSender(settings.model_copy(update={"security": "starttls", "timeout_s": 1.0}), WATCH).send(owed())


def test_a_wrong_password_bars_the_outlet_and_is_told_without_the_password(mail_server, caplog):
    caplog.set_level(logging.DEBUG)
    settings, _ = mail_server(password="wrong-but-secret-9921")
    with pytest.raises(OutletBarred, match="refuses user or password: 535") as caught:
        MailSender(settings, WATCH).send(owed())
    assert "wrong-but-secret-9921" not in str(caught.value) + repr(settings) + caplog.text


def test_a_password_file_that_others_may_read_bars_the_outlet(mail_server):
    from pathlib import Path

    settings, _ = mail_server()
    Path(settings.password_file).chmod(0o644)
    with pytest.raises(OutletBarred, match="mode is 0644, so others on this machine may"):
        MailSender(settings, WATCH).send(owed())


def test_a_silent_server_is_given_up_after_the_time_of_one_answer(mail_server):
    listening, _ = scripted([b""], hold_s=30)
    settings = mail_server.settings("starttls", listening.getsockname()[1], timeout_s=1.0)
    with pytest.raises(OutletUnreachable, match="cannot be reached"):
        MailSender(settings, WATCH).send(owed())
    listening.close()


def test_a_server_that_drips_byte_by_byte_is_broken_off_at_the_deadline(mail_server):
    listening, _ = scripted([b"220 " + b"x" * 600], drip_s=0.1)
    settings = mail_server.settings("starttls", listening.getsockname()[1]).model_copy(update={"deadline_s": 0.8})
    with pytest.raises(OutletUnreachable, match=r"longer than 0\.8 s and was broken off"):
        MailSender(settings, WATCH).send(owed())
    listening.close()


def test_closing_breaks_off_a_letter_that_is_on_its_way(mail_server):
    listening, _ = scripted([b""], hold_s=30)
    sender = MailSender(mail_server.settings("starttls", listening.getsockname()[1], timeout_s=60.0), WATCH)
    threading.Timer(0.3, sender.close).start()
    with pytest.raises(OutletUnreachable):
        sender.send(owed())
    listening.close()


def test_nobody_listening_and_an_unknown_name_are_unreachable(mail_server):
    with socket.create_server(("127.0.0.1", 0)) as one:
        port = one.getsockname()[1]
    for host, said in (
        ("localhost", rf"nothing listens on port {port}; check host, port and security"),
        ("no-such-host.invalid", "this name is not known .*; check host"),
    ):
        settings = mail_server.settings("tls", port).model_copy(update={"host": host})
        with pytest.raises(OutletUnreachable, match=said):
            MailSender(settings, WATCH).send(owed())


# ---------------------------------------------------------------- headers and bytes


EVIL = (
    "a\r\nBcc: thief@example.org", "a\nX-Evil: 1", "\u202egnp.exe", "nul\x00", "\u2028line", "\x85next", "=?utf-8?q?Bcc?=",
    "x" * 300,
    "…" * 80,
)  # fmt: skip


@pytest.mark.parametrize("evil", EVIL)
def test_no_text_can_add_or_change_a_header(evil):
    settings = MailOutlet(kind="mail", host="mail.example.org", sender="dewlid@example.org", to=["k@example.org"])
    watch = WATCH.model_copy(
        update={
            "chambers": {"big-nest": Chamber.model_construct(title=evil)},
            "site": Site.model_construct(name=evil, temperature_unit="degC"),
        }
    )
    letter = replace(compose(letter_of(json.loads(owed(text=evil).payload)), watch))
    raw = message_of(letter, settings, "k@example.org", watch).as_bytes(policy=email.policy.SMTP)
    head = raw.split(b"\r\n\r\n", 1)[0]
    message = email.message_from_bytes(raw, policy=email.policy.default)
    assert sorted(name.lower() for name in message) == [
        "auto-submitted", "content-type", "date", "from", "message-id", "mime-version", "subject", "to",
    ]  # fmt: skip
    assert re.fullmatch(rb"[\x20-\x7e\t\r\n]*", head)
    assert not re.search(rb"[^\r]\n|\r[^\n]|\x00", raw)
    assert max(len(line) for line in raw.split(b"\r\n")) <= 998
    assert "\u202e" not in str(message["subject"]) + str(message["from"])


def test_a_line_that_is_a_single_dot_arrives_as_one(mail_server):
    settings, box = mail_server()
    MailSender(settings, WATCH).send(owed(text=".\n.\n..end"))
    text = next(email.message_from_bytes(box.letters[0][1], policy=email.policy.default).iter_parts()).get_content()
    assert "..end" in text.replace(". . ", "")


@pytest.mark.parametrize(
    "wrong",
    [
        {"to": []}, {"to": ["a@b\r\nBcc: c@d"]}, {"to": ["no address"]}, {"sender": "<a@b>"}, {"security": "none"},
        {"user": "ant"}, {"password_file": "/etc/secret"}, {"password": "inline"}, {"host": "a b"}, {"port": 0},
    ],
)  # fmt: skip
def test_settings_that_could_not_be_safe_are_refused(wrong):
    facts = {"kind": "mail", "host": "mail.example.org", "sender": "a@example.org", "to": ["k@example.org"]}
    MailOutlet(**facts)
    with pytest.raises(ValidationError):
        MailOutlet(**(facts | wrong))
