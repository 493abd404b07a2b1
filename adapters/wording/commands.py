"""The exact commands that a letter tells the keeper to type on the server."""

from __future__ import annotations

from typing import Any


def acknowledge(alarm: dict[str, Any]) -> str:
    """Seen: no more reminders."""
    return f"dewlid ack {_alarm(alarm)}"


def shelve(alarm: dict[str, Any], for_text: str = "4h") -> str:
    """Quiet for a while."""
    return f"dewlid shelve {_alarm(alarm)} --for {for_text}"


def _alarm(alarm: dict[str, Any]) -> str:
    parts = [alarm.get("chamber") or "site", alarm["alarm"]]
    about = alarm.get("probe") or alarm.get("medium")
    return " ".join([*parts, "--probe", about] if about else parts)


def done(advice: dict[str, Any]) -> str:
    """The advice was carried out."""
    return f"dewlid done {advice['advisory']}"


def visit(chamber: str) -> str:
    """Work in the tank: no alarms about lid and humidity meanwhile."""
    return f"dewlid visit {chamber}"


def why(chamber: str) -> str:
    """All numbers behind the advice."""
    return f"dewlid why {chamber}"


def care_done(event: dict[str, Any]) -> str:
    """A task of the routine was done."""
    place = f" --chamber {event['chamber']}" if event.get("chamber") else ""
    return f"dewlid care done {event['task']}{place}"


def check() -> str:
    """Try every probe and outlet once."""
    return "dewlid check"
