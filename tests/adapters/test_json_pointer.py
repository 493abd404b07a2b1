"""JSON pointers against the examples of RFC 6901."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.json_pointer import PointerInvalid, PointerNotFound, parse, resolve

DOCUMENT = {
    "foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4, "i\\j": 5, 'k"l': 6, " ": 7, "m~n": 8,
}  # RFC 6901 section 5


@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        ("", DOCUMENT), ("/foo", ["bar", "baz"]), ("/foo/0", "bar"), ("/", 0), ("/a~1b", 1), ("/c%d", 2), ("/e^f", 3),
        ("/g|h", 4), ("/i\\j", 5), ('/k"l', 6), ("/ ", 7), ("/m~0n", 8),
    ],
)
def test_examples_of_the_standard(pointer, value):
    assert resolve(DOCUMENT, parse(pointer)) == value


def test_escapes_are_undone_in_the_right_order():
    assert parse("/~01") == ("~1",)  # RFC 6901 section 4: "~01" is "~1", not "/"


@pytest.mark.parametrize("pointer", ["foo", "/~", "/~2", "#/foo", " /a"])
def test_text_that_is_no_pointer_is_refused(pointer):
    with pytest.raises(PointerInvalid):
        parse(pointer)


@pytest.mark.parametrize("pointer", ["/none", "/foo/2", "/foo/-", "/foo/01", "/foo/-1", "/foo/0/x", "/foo/0x", "/foo/1e0"])
def test_place_that_is_not_there_is_told(pointer):
    with pytest.raises(PointerNotFound, match="nothing named"):
        resolve(DOCUMENT, parse(pointer))


@given(st.lists(st.text(max_size=6), max_size=5))
def test_any_path_of_keys_is_found_again(keys):
    document = value = {"leaf": 1}
    for key in reversed(keys):
        document = {key: document}
    pointer = "".join("/" + key.replace("~", "~0").replace("/", "~1") for key in keys)
    assert resolve(document, parse(pointer)) == value
