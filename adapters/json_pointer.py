"""JSON pointer, RFC 6901: one path into a JSON document, resolved without any evaluation."""

from __future__ import annotations

import re
from typing import Any

_INDEX = re.compile(r"0|[1-9][0-9]{0,8}")  # section 4: no leading zero
_BAD_ESCAPE = re.compile(r"~(?![01])")


class PointerInvalid(ValueError):
    """The text is no JSON pointer."""


class PointerNotFound(LookupError):
    """The document has nothing at this place."""


def parse(pointer: str) -> tuple[str, ...]:
    """Return the reference tokens of a pointer, unescaped; raises PointerInvalid."""
    if pointer == "":
        return ()
    if not pointer.startswith("/"):
        raise PointerInvalid(f'JSON pointer {pointer!r} must start with "/" (RFC 6901), such as "/air/temperature"')
    if _BAD_ESCAPE.search(pointer):
        raise PointerInvalid(f'JSON pointer {pointer!r}: "~" must be written "~0" and "/" in a name "~1" (RFC 6901)')
    return tuple(token.replace("~1", "/").replace("~0", "~") for token in pointer[1:].split("/"))


def resolve(document: Any, tokens: tuple[str, ...]) -> Any:
    """Return what stands at this place; raises PointerNotFound naming the first token that leads nowhere."""
    here = document
    for depth, token in enumerate(tokens):
        if isinstance(here, dict) and token in here:
            here = here[token]
        elif isinstance(here, list) and _INDEX.fullmatch(token) and int(token) < len(here):
            here = here[int(token)]
        else:
            walked = "/".join(("", *tokens[:depth]))
            raise PointerNotFound(f"nothing named {token!r} at {walked or 'the top'}")
    return here
