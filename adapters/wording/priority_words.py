"""How urgent an alarm is, in words for the keeper."""

from __future__ import annotations

from collections.abc import Mapping

PRIORITY_WORDS: Mapping[str, str] = {
    "wake": "urgent, also at night",
    "today": "for today",
    "morning": "can wait until the morning",
    "digest": "only in the daily digest",
}
