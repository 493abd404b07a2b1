"""What a file is that is no text in UTF-8, told by its first bytes, and what to do to make it one."""

from __future__ import annotations

_PACKED = "is packed; unpack it first"
_SHEET = "is a spreadsheet or a packed folder; save the sheet as CSV in UTF-8, or unpack the folder"
_UTF_16 = "is text in UTF-16; save it as text in UTF-8"

_BEGINNINGS = (
    (b"\x1f\x8b", _PACKED),  # RFC 1952
    (b"BZh", _PACKED),  # from memory
    (b"\xfd7zXZ", _PACKED),  # the .xz file format 1.2.1
    (b"\x28\xb5\x2f\xfd", _PACKED),  # RFC 8878
    (b"PK\x03\x04", _SHEET),  # from memory
    (b"\xd0\xcf\x11\xe0", _SHEET),  # from memory
    (b"SQLite format 3\x00", "is a database; --store reads the one of the config"),  # sqlite.org/fileformat.html
    (b"%PDF", "is a PDF; save its table as CSV in UTF-8"),  # ISO 32000-1, 7.5.2
    (b"\xff\xfe", _UTF_16),  # RFC 2781
    (b"\xfe\xff", _UTF_16),
    (b"<", "is a web page or XML; save the readings themselves"),
)


def what_else(head: bytes) -> str | None:
    """Return what a file is by its beginning, and the remedy, where it cannot be text with readings; None: it may be."""
    for beginning, told in _BEGINNINGS:
        if head.removeprefix(b"\xef\xbb\xbf").startswith(beginning):
            return told
    if len(head) > 1 and not (head[0:40:2].strip(b"\0") and head[1:40:2].strip(b"\0")) and head[:40].strip(b"\0"):
        return _UTF_16
    if b"\r" in head and b"\n" not in head:
        return "has lines that end with CR alone; save it with line feeds"
    return None
