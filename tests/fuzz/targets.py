"""One fuzz target per parser: bytes in; it returns for what is accepted and for every agreed refusal, else it raises.

Each also holds what it accepted against a promise: finite numbers, an exact topic, a line within the file.
"""

from __future__ import annotations

import atexit
import contextlib
import hashlib
import hmac
import json
import math
import re
import shutil
import tempfile
import time
import tomllib
from collections.abc import Callable, Iterator
from contextlib import suppress
from copy import deepcopy
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import structlog
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.exception import MalformedPacket
from pydantic import TypeAdapter, ValidationError

from adapters import json_pointer, modbus_frame, senml
from adapters.answers.reading import NotTaken, answered, said
from adapters.bounded_pattern import LONGEST_LINE, PatternRefused, bounded_pattern
from adapters.broker import Topic
from adapters.errors import ProbeError
from adapters.extraction import Extract, Extracted, by_columns, by_pattern, by_pointers, by_senml, plain_number
from adapters.flock_client import taken_apart
from adapters.keeper_words import Commands, Examiner
from adapters.line_splitter import LineSplitter
from adapters.payload import DEEPEST, LARGEST_INTEGER, LARGEST_PAYLOAD, json_of, number_in, text_of
from adapters.recorded import RecordingUnreadable, read_recording
from adapters.recorded_row import BadRow, row_of
from adapters.reply_tokens import Tokens
from adapters.wording.letter import compose
from adapters.wording.line import line_of
from daemon.config.configuration import load_text, validated
from daemon.config.file import ConfigurationError, dotted, parse_config
from daemon.config.settings import settings_of
from daemon.config.syntax import syntax_fault
from daemon.config.toml_lines import KeyPath, line_map
from daemon.store.batch_rows import item_of, json_text
from daemon.store.spool import Spool
from rules.settings import Settings
from rules.terms.events import DAY_MS, MINUTE_MS, Batch, LetterEvent, Reading, event_of
from rules.terms.quantities import QUANTITIES
from rules.turn.advance import EngineState, advance, dump_state, load_state

NOW_MS = 1_772_000_000_000
SLOW_S = 1.0
"""No input of the size that a parser takes may keep it busy longer than this, by far, even when instrumented."""


@cache
def folder() -> Path:
    """A folder in memory for the parsers that read files."""
    memory = Path("/dev/shm")
    made = Path(tempfile.mkdtemp(prefix="fuzz-", dir=memory if memory.is_dir() else None))
    atexit.register(shutil.rmtree, made, True)
    return made


# ---------------------------------------------------------------- what probes send


@cache
def forms() -> tuple[Extract, ...]:
    """Every way to read a line."""
    pattern = bounded_pattern(r"T=(?P<air_temperature>[-+.0-9eE]+)[^H]*H=(?P<relative_humidity>[.0-9]+)?")
    names = {"air_temperature": "tank:air", "relative_humidity": "tank:rh"}
    return (
        by_pattern(pattern, {"air_temperature": "degF"}),
        by_columns(None, {"air_temperature": 2, "relative_humidity": 4}, {}),
        by_columns(";", {"air_temperature": 1, "relative_humidity": 3}, {"relative_humidity": "/"}),
        by_pointers({"air_temperature": "/air/0/t~1c", "relative_humidity": "/h"}, {"air_temperature": "K"}),
        by_senml(names, {}),
        plain_number("surface_temperature", {"surface_temperature": "degF"}),
    )


def finite(found: list[Extracted]) -> None:
    """What was extracted is a finite number of a known quantity, at a time in the calendar."""
    for one in found:
        assert one.quantity in QUANTITIES and math.isfinite(one.value), one
        assert one.at_ms is None or isinstance(one.at_ms, int), one


def serial_text(data: bytes) -> None:
    """Stream of bytes, cut anywhere, to lines, to values."""
    if len(data) < 2:
        return
    extract, step = forms()[data[0] % len(forms())], 1 + data[1] % 32
    longest = LONGEST_LINE if data[0] % len(forms()) == 0 else LARGEST_PAYLOAD
    pieces, whole = LineSplitter(longest), LineSplitter(longest)
    stream = b"\n" + data[2:] + b"\n"
    lines = [line for at in range(0, len(stream), step) for line in pieces.feed(stream[at : at + step])]
    assert lines == whole.feed(stream)
    for line in lines:
        try:
            finite(extract(text_of(line, longest), NOW_MS))
        except ProbeError as error:
            assert str(error).isprintable()


def modbus(data: bytes) -> None:
    """Bytes from the line, to registers, to numbers."""
    if len(data) < 3:
        return
    address, function, count = 1 + data[0] % 247, 3 + data[1] % 2, 1 + data[2] % 125
    rest = data[3:]
    try:
        registers = modbus_frame.find_reply(rest, address, function, count)  # type: ignore[arg-type]
    except ProbeError as error:
        assert str(error).isprintable()
        return
    if registers is None:
        assert str(modbus_frame.why_no_reply(rest, address, function, count)).isprintable()  # type: ignore[arg-type]
        return
    assert len(registers) == count
    for form in ("unsigned16", "signed16", "unsigned32", "signed32", "float32"):
        needed = modbus_frame.registers_of(form)  # type: ignore[arg-type]
        for order in ("high-first", "low-first"):
            try:
                value = modbus_frame.decode(registers[:needed], form, order) if count >= needed else 0.0  # type: ignore[arg-type]
                assert math.isfinite(value)
            except ProbeError:
                assert form == "float32"


def modbus_sound(data: bytes) -> None:
    """As `modbus`, but with checksums made good, so that what lies behind them is reached."""
    body = data[:3] + bytes((1 + data[0] % 247,)) + data[4:] if len(data) > 8 else data
    modbus(body + modbus_frame.crc16(body[3:]).to_bytes(2, "little"))


def senml_pack(data: bytes) -> None:
    """A SenML pack, to resolved records."""
    try:
        records = senml.resolve(json_of(data), NOW_MS)
    except ProbeError as error:
        assert str(error).isprintable()
        return
    for record in records:
        assert record.name.isascii() and (record.value is None or math.isfinite(record.value))
        assert record.at_ms is None or abs(record.at_ms) < 10**15
    if not records:
        return
    try:
        finite(by_senml({"air_temperature": records[0].name}, {})(data.decode(), NOW_MS))
    except ProbeError as error:
        assert str(error).isprintable()


def pointer(data: bytes) -> None:
    """A pointer and, after a NUL, the document that it leads into."""
    text, _, document = data.decode("utf-8", "replace").partition("\0")
    try:
        tokens = json_pointer.parse(text)
    except json_pointer.PointerInvalid:
        return
    assert "".join("/" + token.replace("~", "~0").replace("/", "~1") for token in tokens) == text
    try:
        json_pointer.resolve(json_of(document), tokens)
    except (json_pointer.PointerNotFound, ProbeError):
        return


def payload(data: bytes) -> None:
    """A payload, to a JSON value and to a number."""
    try:
        value = json_of(data)
    except ProbeError as error:
        assert str(error).isprintable()
    else:
        assert len(data) <= LARGEST_PAYLOAD and value == json.loads(data)
        _sound(value, 0)
    try:
        assert math.isfinite(number_in(data.decode("utf-8", "replace")))
    except ProbeError as error:
        assert str(error).isprintable()


def _sound(value: Any, depth: int) -> None:
    assert depth <= DEEPEST
    if isinstance(value, dict | list):
        for inner in value.values() if isinstance(value, dict) else value:
            _sound(inner, depth + 1)
    elif isinstance(value, float):
        assert math.isfinite(value)
    elif isinstance(value, int):
        assert abs(value) <= LARGEST_INTEGER


# ---------------------------------------------------------------- files


def recording(data: bytes) -> None:
    """A file of recorded readings; what one line says alone it also says in the file."""
    path = folder() / "recording"
    path.write_bytes(data)
    try:
        found = read_recording(path)
    except RecordingUnreadable:
        return
    batch = found.batch
    assert bool(np.isfinite(batch.value).all()) and bool((np.diff(batch.taken_ms) >= 0).all())
    assert batch.taken_ms.min(initial=0) >= 0 and found.bad_count >= len(found.bad)
    assert len(batch.value) == 0 or int(batch.series_index.max()) < len(batch.series)
    for line in data.split(b"\n")[:20]:
        try:
            at_ms, probe, quantity, value = row_of(line)
        except (BadRow, ProbeError):
            continue
        assert at_ms >= 0 and quantity in QUANTITIES and math.isfinite(value), probe


def csv_ways(data: bytes) -> None:
    """Plain CSV rows: the fast way by columns and the slow way row by row say the same."""
    path = folder() / "rows.csv"
    lines = [line for line in data.replace(b"\r", b"").split(b"\n") if line.strip()][:30]
    if any(line.lstrip()[:1] in (b"[", b"{", b"\xef") for line in lines):
        return
    path.write_bytes(b"time,probe,quantity,value,unit\n" + b"".join(line + b"\n" for line in lines))
    found, slow = read_recording(path), []
    for line in lines:
        try:
            at_ms, probe, quantity, value = row_of(line)
        except (BadRow, ProbeError):
            continue
        if probe:
            slow.append((at_ms, probe, quantity, value))
    batch = found.batch
    fast = [
        (int(at), *batch.series[code], float(value))
        for at, code, value in zip(batch.taken_ms, batch.series_index, batch.value, strict=True)
    ]
    assert fast == sorted(slow, key=lambda row: row[0]), (fast, slow)


def config(data: bytes) -> None:
    """The config file, to settings or to faults that each have their place."""
    try:
        validated(parse_config(data, "config"))
    except ConfigurationError as error:
        longest = data.count(b"\n") + 2
        for fault in error.faults:
            assert fault.line is None or 1 <= fault.line <= longest, fault
            assert fault.told("config").replace("\n", "").isprintable() or dotted(fault.path) == "", fault


def toml(data: bytes) -> None:
    """The lines of a TOML text: every key path has one, and nothing else has."""
    text = data.decode("utf-8", "replace")
    try:
        document = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        line, message = syntax_fault(text, error)
        assert 1 <= line <= text.count("\n") + 2 and message
        return
    except (RecursionError, ValueError):
        return
    lines = line_map(text)
    assert set(lines) == set(_paths(document, ()))
    assert all(1 <= line <= text.count("\n") + 1 for line in lines.values())


def _paths(node: Any, path: KeyPath) -> Iterator[KeyPath]:
    if path:
        yield path
    members = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, inner in members:
        yield from _paths(inner, (*path, key))


_TOPIC: TypeAdapter[str] = TypeAdapter(Topic)


def topic(data: bytes) -> None:
    """A topic of the config: what is accepted matches itself alone and can be sent."""
    text = data.decode("utf-8", "surrogateescape")
    try:
        accepted = _TOPIC.validate_python(text)
    except (ValidationError, UnicodeEncodeError):
        return
    from paho.mqtt.client import topic_matches_sub

    assert topic_matches_sub(accepted, accepted) and not topic_matches_sub(accepted, accepted + "/x")
    assert 1 <= len(accepted.encode()) <= 200 and not re.search(r"[+#\x00-\x1f]|^[$/]|/$|//", accepted)


def mqtt_message(data: bytes) -> None:
    """A PUBLISH of a broker: whatever the library can take apart, our own quicker way takes apart alike."""
    for version_5 in (False, True):
        ours = None
        with suppress(MalformedPacket):
            ours = taken_apart(data, version_5=version_5)
        theirs = _taken_apart_by_the_library(data, version_5)
        assert ours == theirs or theirs is None, (ours, theirs)


def _taken_apart_by_the_library(data: bytes, version_5: bool) -> tuple[str, bytes] | None:
    client = _listener(version_5)
    heard: list[tuple[str, bytes]] = []
    client.on_message = lambda _client, _data, message: heard.append((message.topic, bytes(message.payload)))
    client._in_packet.update(command=0x30, packet=bytearray(data), remaining_length=len(data), pos=0)
    with suppress(Exception):  # what it refuses, it refuses in many ways
        client._handle_publish()
    return heard[0] if heard else None


@cache
def _listener(version_5: bool) -> Client:
    protocol = MQTTProtocolVersion.MQTTv5 if version_5 else MQTTProtocolVersion.MQTTv311
    return Client(CallbackAPIVersion.VERSION2, protocol=protocol)


def pattern(data: bytes) -> None:
    """A regular expression of the config: an accepted one is done soon with any line that is let through."""
    text, _, line = data.decode("utf-8", "replace").partition("\0")
    if len(text) > 120:
        return
    try:
        accepted = bounded_pattern(text)
    except PatternRefused:
        return
    seed = line or "".join(char for char in text if char.isalnum()) or "0"
    for subject in ((seed * LONGEST_LINE)[:LONGEST_LINE], seed[:1] * (LONGEST_LINE - 1) + "!", line[:LONGEST_LINE]):
        begun_s = time.process_time()
        accepted.search(subject)
        assert time.process_time() - begun_s < SLOW_S, (text, subject)


# ---------------------------------------------------------------- the keeper's words, and the store


def spool_file(data: bytes) -> None:
    """A file in the spool, to a word that can be kept, or moved aside with its reason."""
    spool = _spool()
    file = spool.folder / "00000000000000000001-fuzz.word.json"
    file.write_bytes(data)
    words, refused = spool.waiting(NOW_MS)
    assert len(words) + len(refused) == 1
    for spoken in words:
        stored = spoken.word.model_dump_json()
        assert item_of("word", stored) == spoken.word
        assert spoken.word.taken_ms == NOW_MS
    spool.done(words)
    assert not file.exists()


@cache
def _spool() -> Spool:
    spool = Spool(folder() / "spool")
    spool.prepare()
    return spool


@cache
def _shelf() -> tuple[Settings, EngineState]:
    text = """
        [chamber.nest]\nroom = "loft"\n[room.loft]
        [probe.air]\nkind = "serial-text"\nplace = "nest"\nport = "/dev/ttyUSB0"
        columns = { air_temperature = 1, relative_humidity = 2 }
    """
    watch = settings_of(load_text(text))
    return watch, advance(watch, None, Batch(), NOW_MS).state


def word_judged(data: bytes) -> None:
    """A word that the spool takes is judged, told and remembered, whatever it says, and a day passes after it."""
    spool, (watch, state) = _spool(), _shelf()
    (spool.folder / "00000000000000000002-fuzz.word.json").write_bytes(data)
    words, _ = spool.waiting(NOW_MS + 1)
    for spoken in words:
        now = advance(watch, state, Batch.of(items=[spoken.word]), NOW_MS + 10)
        later = advance(watch, load_state(dump_state(now.state)), Batch(), NOW_MS + DAY_MS)
        for event in (*now.events, *later.events):
            back = event_of(json.loads(json_text(event.as_json())))
            told = compose(back, watch).text if isinstance(back, LetterEvent) else line_of(back, watch)
            assert told.replace("\n", "").isprintable(), told
    spool.done(words)


@cache
def _commands() -> tuple[Commands, bytes]:
    return Commands(broker="home", topic="dewlid/say", key_file="/k"), b"k" * 32


def keeper_message(data: bytes) -> None:
    """A message on the topic of the keeper's words: without the key nothing is taken, and a signed one is taken once."""
    settings, key = _commands()
    examiner = Examiner(settings, key, {})
    assert examiner.examine(data, retained=False, now_ms=NOW_MS).word is None and not examiner.used
    text = data.decode("utf-8", "replace")
    digest = hmac.new(key, f"{settings.topic}\n{text}".encode(), hashlib.sha256).hexdigest()
    message = json.dumps({"said": text, "hmac": digest}).encode()
    heard = examiner.examine(message, retained=False, now_ms=NOW_MS)
    assert heard.code != "forged" and json.dumps(heard.text, ensure_ascii=False).encode()
    again = examiner.examine(message, retained=False, now_ms=NOW_MS)
    assert again.word is None and (heard.word is None or again.code == "replayed")


def mail_answer(data: bytes) -> None:
    """A message in the mailbox: without a token it is left alone, and whatever is in it, it says one of four words or none."""
    tokens, letter, keeper = Tokens(b"k" * 64), "0" * 24, "keeper@example.org"
    with contextlib.suppress(NotTaken):
        answered(data, tokens, [keeper])
        raise AssertionError("an answer without the key")
    with contextlib.suppress(NotTaken):
        word = said(data)
        assert word is None or (word.verb in ("done", "seen", "how") and not word.for_ms) or 0 < word.for_ms <= 7 * 86_400_000
    head = f"From: {keeper}\nIn-Reply-To: <{tokens.message_id(letter, keeper)}@example.org>\n".encode()
    with contextlib.suppress(NotTaken):
        found = answered(head + data, tokens, [keeper])
        assert (found.message, found.recipient) == (letter, keeper)


def stored_item(data: bytes) -> None:
    """A row of the store, to an item or to None."""
    structlog.configure(logger_factory=structlog.ReturnLoggerFactory())  # each refusal is a line in the log
    if data:
        sort = ("probe-fault", "medium-fault", "pause", "word", "?")[data[0] % 5]
        item_of(sort, data[1:].decode("utf-8", "replace"))


def state(data: bytes) -> None:
    """The stored state, to a state that can be written and read again."""
    try:
        loaded = load_state(data)
    except ValidationError:
        return
    once = dump_state(loaded)
    assert dump_state(load_state(once)) == once


ODD: tuple[Any, ...] = (None, True, 0, -1, 1e308, 2**70, "", "x" * 300, "\ud800", [], {}, [None], {"": 1}, -0.0)


@cache
def _recorded_state() -> bytes:
    watch, state = _shelf()
    for minute in range(30):
        at_ms = NOW_MS + minute * MINUTE_MS
        readings = [
            Reading(taken_ms=at_ms, at_ms=at_ms, probe="air", quantity=quantity, value=value + minute / 100)
            for quantity, value in (("air_temperature", 31.0), ("relative_humidity", 70.0))
        ]  # fmt: skip
        state = advance(watch, state, Batch.of(readings), at_ms + 1).state
    return dump_state(state)


def state_changed(data: bytes) -> None:
    """A real state with some of its values replaced, as three bytes each say."""
    document = json.loads(_recorded_state())
    for at in range(0, min(len(data), 30) - 2, 3):
        places = list(_places(document))
        holder, key = places[int.from_bytes(data[at : at + 2], "big") % len(places)]
        holder[key] = deepcopy(ODD[data[at + 2] % len(ODD)])  # its own: a shared list could come to hold itself
    state(json.dumps(document).encode())


def _places(node: Any) -> Iterator[tuple[Any, Any]]:
    members = list(node.items()) if isinstance(node, dict) else list(enumerate(node)) if isinstance(node, list) else []
    for key, inner in members:
        yield node, key
        yield from _places(inner)


TARGETS: dict[str, Callable[[bytes], None]] = {
    "serial_text": serial_text,
    "modbus": modbus,
    "modbus_sound": modbus_sound,
    "senml_pack": senml_pack,
    "pointer": pointer,
    "payload": payload,
    "recording": recording,
    "csv_ways": csv_ways,
    "config": config,
    "toml": toml,
    "topic": topic,
    "mqtt_message": mqtt_message,
    "pattern": pattern,
    "spool_file": spool_file,
    "word_judged": word_judged,
    "keeper_message": keeper_message,
    "mail_answer": mail_answer,
    "stored_item": stored_item,
    "state": state,
    "state_changed": state_changed,
}
