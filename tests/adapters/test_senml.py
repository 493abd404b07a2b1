"""SenML against the examples and rules of RFC 8428."""

from __future__ import annotations

import pytest

from adapters.errors import ProbeError
from adapters.senml import NotSenML, Record, resolve

NOW_MS = 1_790_000_000_000


def test_example_with_base_name_unit_and_time_is_resolved():
    # RFC 8428 section 5.1.2, three of its records, base fields in one of their own
    pack = [
        {"bn": "urn:dev:ow:10e2073a0108006:", "bt": 1.276020076001e9, "bu": "A", "bver": 5},
        {"n": "voltage", "u": "V", "v": 120.1},
        {"n": "current", "t": -5, "v": 1.2},
        {"n": "current", "v": 1.7},
    ]
    assert resolve(pack) == (
        Record("urn:dev:ow:10e2073a0108006:voltage", "V", 120.1, 1_276_020_076_001),
        Record("urn:dev:ow:10e2073a0108006:current", "A", 1.2, 1_276_020_071_001),
        Record("urn:dev:ow:10e2073a0108006:current", "A", 1.7, 1_276_020_076_001),
    )


def test_record_without_time_is_of_the_moment_of_arrival():
    assert resolve([{"n": "a", "v": 1}], NOW_MS)[0].at_ms is None


def test_small_times_are_relative_to_now():
    # RFC 8428 section 4.5.3: below 2**28
    assert resolve([{"n": "a", "t": -60, "v": 1}], NOW_MS)[0].at_ms == NOW_MS - 60_000
    assert resolve([{"n": "a", "t": 2**28, "v": 1}], NOW_MS)[0].at_ms == 2**28 * 1000


def test_base_value_is_added():
    records = resolve([{"bv": 20, "n": "a", "v": 1}, {"n": "a", "v": 2}, {"n": "a", "vs": "x"}])
    assert [one.value for one in records] == [21, 22, None]


def test_base_fields_alone_make_no_record_and_last_until_changed():
    assert [one.name for one in resolve([{"bn": "a:"}, {"n": "x", "v": 1}, {"bn": "b:", "n": "x", "v": 1}])] == ["a:x", "b:x"]


@pytest.mark.parametrize(
    ("pack", "said"),
    [
        ([], "at least one record"),
        ({}, "JSON array"),
        ([1], "not a JSON object"),
        ([{"n": "a", "v": 1, "vs": "x"}], "more than one value"),
        ([{"v": 1}], "name"),
        ([{"n": ":a", "v": 1}], "name"),
        ([{"n": "a b", "v": 1}], "name"),
        ([{"n": "a", "v": 1, "new_": 1}], "must be understood"),
        ([{"n": "a", "v": 1, "bver": 11}], "version"),
        ([{"n": "a", "v": 1, "bver": True}], "version"),
        ([{"n": "a", "v": True}], "not a number"),
        ([{"n": "a", "v": "1"}], "not a number"),
        ([{"n": "a", "v": 1, "t": float("inf")}], "not a finite number"),
        ([{"n": "a", "v": 1, "u": 5}], "must be text"),
        ([{"n": "a", "v": 1e308, "bv": 1e308}], "not a finite number"),
        ([{"n": "a", "v": 1, "t": -1e12}], "1970"),
        ([{"n": "a", "v": 1, "t": 1e300}], "1970"),
        ([{"n": "a", "vb": 1}], "true or false"),
        ([{"n": "a", "v": 1}] * 257, "at most 256"),
    ],
)
def test_pack_that_breaks_a_rule_is_refused_with_the_rule(pack, said):
    with pytest.raises(ProbeError, match=said):
        resolve(pack)


def test_refusals_of_the_standard_are_told_apart_from_other_garbage():
    with pytest.raises(NotSenML) as caught:
        resolve([{"n": "a", "v": 1, "vs": "x"}])
    assert caught.value.reason == "not-senml"
