"""The digest's figures and chart: made by a process of its own, inside a real letter over a real server, never in its way."""

from __future__ import annotations

import email
import email.policy
import json
import re
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from email.message import EmailMessage
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from shelf_store import fill, write_config

from adapters.outlets.illustration import WIDTH_PX
from adapters.outlets.letter import MailSender
from adapters.outlets.outlet import Owed
from daemon.config.configuration import Configuration, load
from daemon.config.settings import settings_of
from daemon.report.digest_drawing import drawn, png_of, whole
from daemon.report.page import page
from daemon.report.record import read_record
from daemon.watch.digest_chart import DigestChart, mails
from rules.terms.events import DAY_MS, LetterEvent

START_MS = round(datetime(2026, 5, 4, tzinfo=UTC).timestamp() * 1000)
END_MS = START_MS + 3 * DAY_MS
SAMPLES = sorted((Path(__file__).parents[3] / "sample_config").glob("*.toml"))


@pytest.fixture(name="configuration", scope="module")
def _configuration(tmp_path_factory: pytest.TempPathFactory) -> Configuration:
    config = write_config(tmp_path_factory.mktemp("shelf"))
    fill(config, START_MS, 3)
    return load(config)


def digest(thread: str = "digest", ordinal: int = 1) -> LetterEvent:
    return LetterEvent(
        id=f"o.letter.{thread}.{ordinal}", at_ms=END_MS, chamber=None, sort="digest", thread=thread, ordinal=ordinal,
        to="keeper", urgent=False, about=(),
    )  # fmt: skip


def owed(event: LetterEvent, recipient: str = "keeper@example.org") -> Owed:
    payload = json.dumps(event.as_json())
    return Owed(outlet="mail", event_id=event.id, kind="letter", payload=payload, made_ms=END_MS, recipient=recipient)


def arrived(box: Any, number: int = -1) -> EmailMessage:
    return email.message_from_bytes(box.letters[number][1], policy=email.policy.default)  # type: ignore[return-value]


def test_the_letter_carries_the_chart_inside_its_html_and_the_figures_in_its_text(
    configuration: Configuration, mail_server: Any
) -> None:
    settings, box = mail_server(to=["keeper@example.org", "second@example.org"])
    sender = MailSender(settings, settings_of(configuration), DigestChart(configuration))
    sender.send(owed(digest()))
    message = arrived(box)
    assert message.get_content_type() == "multipart/alternative"
    plain, related = message.iter_parts()
    assert related.get_content_type() == "multipart/related"
    html, picture = related.iter_parts()
    text = plain.get_content()
    assert text.startswith("All is well. Nothing stands and nothing is due.")
    assert "IN FIGURES" in text
    assert "Big nest: Temperature" in text
    assert "If it does not come, nobody is watching" in " ".join(text.split())
    assert picture.get_content_type() == "image/png"
    assert picture.get_content_disposition() == "inline"
    assert f'<img src="cid:{picture["Content-ID"].strip("<>")}" alt="Big nest: Temperature' in html.get_content()
    shown = np.asarray(Image.open(BytesIO(picture.get_content())))
    assert shown.shape[1] == 2 * WIDTH_PX
    assert shown[..., :3].std() > 0.05 * 255  # something is drawn
    assert len(picture.get_content()) < 200_000


def test_day_and_week_are_of_their_own_length(configuration: Configuration) -> None:
    chart = DigestChart(configuration)
    day, week = chart.illustrate(digest()), chart.illustrate(digest("weekly"))
    assert day is not None
    assert week is not None
    wet_h = [float(made.lines[0].split("wet for ")[1].split()[0]) for made in (day, week)]
    assert wet_h[0] + 12 < wet_h[1]  # the evening of too much mist was two days ago
    assert day.png != week.png


def test_one_chart_serves_every_address(configuration: Configuration) -> None:
    chart = DigestChart(configuration)
    assert chart.illustrate(digest()) is chart.illustrate(digest())


def test_other_letters_are_not_illustrated(configuration: Configuration) -> None:
    assert DigestChart(configuration).illustrate(replace(digest(), sort="situation")) is None


def test_a_server_without_fonts_draws_the_same_words(configuration: Configuration) -> None:
    settings = settings_of(configuration)
    record = read_record(configuration.store, settings, END_MS, DAY_MS, until_ms=END_MS)
    picture = whole(record, ["big-nest"])
    assert png_of(picture, skip_system_fonts=True) == drawn(record, ["big-nest"])
    wordless = re.sub(r"<text.*?</text>", "", picture)
    with_words, without = (np.asarray(Image.open(BytesIO(png_of(one, skip_system_fonts=True)))) for one in (picture, wordless))
    title = (slice(20, 60), slice(0, 300))
    assert (with_words[title] != without[title]).mean() > 0.02


def test_the_picture_is_the_one_of_the_report(configuration: Configuration) -> None:
    settings = settings_of(configuration)
    record = read_record(configuration.store, settings, END_MS, DAY_MS, ["big-nest"], until_ms=END_MS)
    curves = re.findall(r'<path class="(?:temperature|humidity|lid|dew)"', whole(record, ["big-nest"]))
    assert curves == re.findall(r'<path class="(?:temperature|humidity|lid|dew)"', page(record).split('class="narrow"')[1])


@pytest.mark.parametrize("program", ["exit 3", "echo not json", "kill -9 $$"])
def test_whatever_becomes_of_the_process_the_letter_goes_out(
    configuration: Configuration, mail_server: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, program: str
) -> None:
    broken = tmp_path / "python"
    broken.write_text(f"#!/bin/sh\n{program}\n")
    broken.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(broken))
    settings, box = mail_server()
    MailSender(settings, settings_of(configuration), DigestChart(configuration)).send(owed(digest()))
    plain, html = arrived(box).iter_parts()
    assert plain.get_content().startswith("All is well.")
    assert "<img" not in html.get_content()


def test_a_daemon_that_ends_does_not_wait_for_the_process(
    configuration: Configuration, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, wait_until: Callable[..., Any]
) -> None:
    slow, mark = tmp_path / "python", tmp_path / "pid"
    slow.write_text(f"#!/bin/sh\necho $$ > {mark}\nexec sleep 600\n")
    slow.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(slow))
    chart = DigestChart(configuration)
    found: list[Any] = []
    thread = threading.Thread(target=lambda: found.append(chart.illustrate(digest())))
    thread.start()
    wait_until(lambda: mark.exists() and mark.read_text().strip(), "the process")
    chart.break_off()
    thread.join(10)
    assert found == [None]
    assert not Path(f"/proc/{mark.read_text().strip()}").exists()


def test_the_daemon_itself_never_loads_the_drawing_library(configuration: Configuration) -> None:
    code = (
        "import sys, json, daemon.watch.running, daemon.watch.status_page\n"
        "from daemon.watch.digest_chart import DigestChart\nfrom daemon.config.configuration import Configuration\n"
        "from rules.terms.events import letter_of\n"
        "chart = DigestChart(Configuration.model_validate(json.loads(sys.argv[1])))\n"
        "assert chart.illustrate(letter_of(json.loads(sys.argv[2]))) is not None\n"
        "print(sorted({'resvg_py', 'font_source_sans_pro'} & set(sys.modules)))"
    )
    plain = configuration.model_dump(exclude={"telling"})
    arguments = [json.dumps(plain, default=str), json.dumps(digest().as_json())]
    ran = subprocess.run([sys.executable, "-c", code, *arguments], capture_output=True, text=True, timeout=120)
    assert (ran.stdout.strip(), ran.returncode) == ("[]", 0), ran.stderr


def test_a_store_that_is_not_there_gives_no_picture_and_says_so(tmp_path: Path) -> None:
    made = DigestChart(load(write_config(tmp_path))).illustrate(digest())
    assert made is not None
    assert made.png is None
    assert made.lines[0] == "Big nest: nothing believable was measured."


@pytest.mark.parametrize("sample", SAMPLES, ids=lambda path: path.name)
def test_every_sample_config_reaches_the_process_whole(sample: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("STATE_DIRECTORY", str(tmp_path))
    configuration = load(sample)
    made = DigestChart(configuration).illustrate(digest())
    assert made is not None
    assert len(made.lines) == sum(bool(settings_of(configuration).probes_at(name)) for name in configuration.chamber)


def test_only_a_config_that_mails_needs_charts(configuration: Configuration, mail_server: Any) -> None:
    settings, _ = mail_server()
    assert not mails(configuration)
    assert mails(configuration.model_copy(update={"outlet": {"mail": settings}}))


def test_it_is_made_while_others_go_on(configuration: Configuration, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The thread that asks waits in the operating system and not in the interpreter."""
    slow = tmp_path / "python"
    slow.write_text("#!/bin/sh\nsleep 1\n")
    slow.chmod(0o755)
    monkeypatch.setattr(sys, "executable", str(slow))
    chart = DigestChart(configuration)
    turns = 0
    thread = threading.Thread(target=lambda: chart.illustrate(digest()))
    thread.start()
    while thread.is_alive():
        turns += 1
        time.sleep(0.001)
    assert turns > 20


@pytest.mark.parametrize("life_s", [0.0, 3.0])
def test_a_killed_daemon_leaves_no_process_behind(life_s: float) -> None:
    """Found under kills: each had left a process that went on drawing for nobody, also one that had hardly begun."""
    drawing = (
        "import sys, time; from daemon.report import digest_process as d;"
        " d.answer = lambda task: time.sleep(600); d.main(int(sys.argv[1]))"
    )
    asking = (
        "import os, subprocess, sys, time\n"
        f"child = subprocess.Popen([sys.executable, '-c', {drawing!r}, str(os.getpid())], stdin=subprocess.PIPE)\n"
        "child.stdin.write(b'{}'); child.stdin.close()\n"
        "print(child.pid, flush=True)\n"
        "time.sleep(600)\n"
    )
    with subprocess.Popen([sys.executable, "-c", asking], stdout=subprocess.PIPE) as parent:
        assert parent.stdout is not None
        child = Path("/proc") / parent.stdout.readline().decode().strip()
        time.sleep(life_s)
        assert child.exists()
        parent.kill()
    deadline = time.monotonic() + 30
    while child.exists() and time.monotonic() < deadline:
        time.sleep(0.1)
    assert not child.exists()
