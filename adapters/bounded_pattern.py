"""Regular expressions whose work on a line is linear in its length, so that no line can stall a probe.

Python's own engine backtracks: `(a+)+b` takes 2^n steps on n letters. RE2 (R. Cox, "Regular expression matching can be simple
and fast", 2007) never does: it knows neither back-references nor look-around, and refuses what would need too much memory.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from typing import Protocol

LONGEST_LINE = 128


class PatternRefused(ValueError):
    """The pattern is wrong or asks for what a linear engine cannot do."""


class Found(Protocol):
    """Where a pattern fits."""

    def groupdict(self) -> Mapping[str, str | None]: ...


class Pattern(Protocol):
    """A compiled pattern."""

    groupindex: Mapping[str, int]

    def search(self, text: str) -> Found | None: ...


def bounded_pattern(text: str) -> Pattern:
    """Return the compiled pattern; raises PatternRefused with what to write instead."""
    import re2  # only where a pattern is given: it takes 1.5 MiB

    options = re2.Options()
    options.log_errors = False
    try:
        pattern: Pattern = re2.compile(text, options)
    except re2.error as error:
        said = error.args[0].decode(errors="replace") if error.args and isinstance(error.args[0], bytes) else str(error)
        raise PatternRefused(
            f"pattern is no regular expression that ends soon on every line: {said}; back-references and look-around"
            " are not allowed"
        ) from error
    except UnicodeEncodeError as error:
        raise PatternRefused(f"pattern is no text: {error}") from error
    twice = [name for name, count in Counter(re.findall(r"\(\?P?<(\w+)>", text)).items() if count > 1]
    if twice:
        raise PatternRefused(f"pattern is no regular expression that ends soon on every line: two groups named {twice[0]!r}")
    return pattern
