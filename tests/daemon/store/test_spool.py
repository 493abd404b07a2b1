"""A keeper's word reaches the daemon whole or not at all, is taken once, and nothing else passes for a word."""

import json
import os
import re
import select
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.store.spool import MOST_WAITING, Spool, SpoolError, WordError
from rules.terms.words import Acknowledge, LidSeen, Visit

NOW_MS = 1_750_000_000_000


@pytest.fixture
def spool(tmp_path: Path) -> Spool:
    result = Spool(tmp_path / "spool")
    result.prepare()
    return result


def test_a_word_left_before_the_daemon_runs_is_found_when_it_starts(spool: Spool) -> None:
    word_id = spool.leave({"word": "visit", "chamber": "tank-1", "for_ms": 600_000}, by="ann")
    words, refused = Spool(spool.folder).waiting(NOW_MS)
    assert [each.word for each in words] == [
        Visit(taken_ms=NOW_MS, word_id=word_id, by="ann", chamber="tank-1", for_ms=600_000),
    ]
    assert refused == []


def test_words_come_in_the_order_in_which_they_were_left_and_go_when_done(spool: Spool) -> None:
    for n in range(5):
        spool.leave({"word": "lid-seen", "chamber": f"tank-{n}", "at_ms": n, "seen": "mist"})
    words, _ = spool.waiting(NOW_MS)
    assert [each.word.chamber for each in words if isinstance(each.word, LidSeen)] == [f"tank-{n}" for n in range(5)]
    spool.done(words[:2])
    assert len(spool.waiting(NOW_MS)[0]) == 3


@pytest.mark.parametrize("word", [
    {"word": "visit", "chamber": "Tank 1"},
    {"word": "visit", "chamber": "tank-1", "for_ms": 10**12},
    {"word": "reboot"},
    {"word": "visit", "chamber": "tank-1", "colour": "red"},
    {"word": "model-fitted", "chamber": "tank-1", "model": {}},
    {},
])
def test_a_wrong_word_is_refused_to_the_speakers_face(spool: Spool, word: dict[str, object]) -> None:
    with pytest.raises(WordError):
        spool.leave(word)
    assert spool.waiting(NOW_MS) == ([], [])


def test_a_refusal_names_the_key(spool: Spool) -> None:
    with pytest.raises(WordError, match=r"chamber: found .*allowed are"):
        spool.leave({"word": "visit", "chamber": "Tank 1"})


GOOD = json.dumps({"word": "acknowledge", "word_id": "1", "chamber": "a", "alarm": "lid-dew"})


CALIBRATED = (
    b'{"word": "calibrated", "word_id": "1", "probe": "a", "quantity": "air_temperature", "gain": 1.0,'
    b' "standard_uncertainty": 0.3, '
)


@pytest.mark.parametrize(("octets", "reason"), [
    (b"", "not JSON"),
    (b"\xff\xfe\x00", "not JSON"),
    (b"[]", "not a JSON object"),
    (b"[" * 100_000, "larger than|not JSON"),
    (b"[" * 60_000, "not JSON"),
    (b'{"word": "visit", "word": "visit"}', "twice"),
    (b'{"word": "visit", "chamber": "a", "word_id": "1", "for_ms": NaN}', "no number"),
    (b'{"word": "visit", "chamber": "a", "word_id": "1", "for_ms": ' + b"9" * 5_000 + b"}", "JSON|digits|less"),
    (b'{"word": "visit", "chamber": "a"}', "word_id"),
    (b" " * 70_000, "larger than 64 KiB"),
    # Found by fuzzing; each was taken, could not be judged or written down, and would have ended every start anew.
    (b'{"word": "observation", "chamber": "a", "word_id": "1", "at_ms": 1, "seen": ["\\ud800"]}', "seen"),
    (b'{"word": "garden", "chamber": "a", "word_id": "1", "at_ms": 253402300800000, "fill": 0.5}', "at_ms"),
    (b'{"word": "leaves", "chamber": "a", "word_id": "1", "at_ms": -1, "plant": "bramble"}', "at_ms"),
    (b'{"word": "away", "word_id": "1", "from_ms": 0, "to_ms": 1' + b"0" * 30 + b"}", "to_ms"),
    (CALIBRATED + b'"offset": Infinity}', "no number"),
    (CALIBRATED + b'"offset": 1e999}', "offset: .*finite"),
    (CALIBRATED + b'"offset": "much"}', "offset: .*number"),
])
def test_what_is_no_word_is_moved_aside_with_its_reason(spool: Spool, octets: bytes, reason: str) -> None:
    (spool.folder / "0.word.json").write_bytes(octets)
    (spool.folder / "1.word.json").write_text(GOOD)
    words, [refused] = spool.waiting(NOW_MS)
    assert [type(each.word) for each in words] == [Acknowledge]
    assert refused.file.read_bytes() == octets
    written = refused.file.with_suffix(".reason.txt").read_text()
    assert written == refused.reason + "\n"
    assert re.search(reason, written)


def test_a_fifo_a_link_and_a_folder_neither_hang_nor_pass(spool: Spool, tmp_path: Path) -> None:
    os.mkfifo(spool.folder / "0.word.json")
    (tmp_path / "elsewhere").write_text(GOOD)
    (spool.folder / "1.word.json").symlink_to(tmp_path / "elsewhere")
    (spool.folder / "2.word.json").mkdir()
    words, refused = spool.waiting(NOW_MS)
    assert words == []
    assert len(refused) == 3
    assert spool.waiting(NOW_MS) == ([], [])
    assert (tmp_path / "elsewhere").read_text() == GOOD


def test_half_a_word_is_never_seen(spool: Spool) -> None:
    (spool.folder / ".abc.unfinished").write_text(GOOD[:20])
    assert spool.waiting(NOW_MS) == ([], [])


def test_the_bell_rings_for_every_word_and_survives_its_speakers(spool: Spool) -> None:
    bell = spool.bell()
    assert bell is not None
    try:
        for _ in range(3):
            spool.leave({"word": "visit", "chamber": "tank-1"})
            assert select.select([bell], [], [], 5)[0] == [bell]
            os.read(bell, 100)
            assert select.select([bell], [], [], 0)[0] == []
    finally:
        os.close(bell)


def test_without_a_daemon_the_bell_holds_nobody_up(spool: Spool) -> None:
    spool.leave({"word": "visit", "chamber": "tank-1"})
    assert len(spool.waiting(NOW_MS)[0]) == 1


def test_a_bell_that_is_a_plain_file_is_not_rung_or_read(tmp_path: Path) -> None:
    spool = Spool(tmp_path)
    (tmp_path / "bell").write_text("mine")
    spool.prepare()
    spool.leave({"word": "visit", "chamber": "tank-1"})
    assert spool.bell() is None
    assert (tmp_path / "bell").read_text() == "mine"


def test_a_missing_folder_is_named_with_its_remedy(tmp_path: Path) -> None:
    with pytest.raises(SpoolError, match="start the daemon once"):
        Spool(tmp_path / "nowhere").leave({"word": "visit", "chamber": "tank-1"})


def test_too_many_waiting_words_are_refused_and_none_is_lost(spool: Spool) -> None:
    for n in range(MOST_WAITING):
        (spool.folder / f"{n:05d}.word.json").write_text(GOOD)
    with pytest.raises(SpoolError, match="is the daemon running"):
        spool.leave({"word": "visit", "chamber": "tank-1"})
    assert len(spool.waiting(NOW_MS)[0]) == MOST_WAITING


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=10), inner, max_size=3), max_leaves=8,
)
ALMOST = st.fixed_dictionaries(
    {"word": st.sampled_from(["visit", "shelve", "away", "lid-measured", "care-done", "observation", "model-fitted"])},
    optional=dict.fromkeys(("chamber", "for_ms", "at_ms", "alarm", "seen", "text", "word_id", "taken_ms", "by"), JSON),
)


@given(st.binary(max_size=200) | (JSON | ALMOST).map(lambda body: json.dumps(body).encode()))
def test_no_octets_break_the_spool(tmp_path_factory: pytest.TempPathFactory, octets: bytes) -> None:
    spool = Spool(tmp_path_factory.mktemp("spool"))
    spool.prepare()
    (spool.folder / "0.word.json").write_bytes(octets)
    words, refused = spool.waiting(NOW_MS)
    assert len(words) + len(refused) == 1
