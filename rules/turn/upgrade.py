"""Reads the state of an older program: what the keeper had told stood in several places there, ids of words had no time."""

from __future__ import annotations

from typing import Any

VERSION = 3  # bookkeeping


def upgraded(body: Any) -> Any:
    """Return the state as this program keeps it; one of this version is handed back as it is; ValueError: it is no state."""
    try:
        version = body.get("version", 1)
        if version >= VERSION:
            return body
        told = {} if version >= 2 else {"keeper": _keeper(body), "care": _care(body.get("care", {}))}
        taken = dict.fromkeys(body.get("words_taken", []), body.get("closed_ms", 0))
        return body | told | {"words_taken_ms": taken, "version": VERSION}
    except (AttributeError, IndexError, KeyError, TypeError) as error:
        raise ValueError(f"this is no state of an older version: {error!r}") from error


def _keeper(body: dict[str, Any]) -> dict[str, Any]:
    """Return what the keeper told: absences and gardens as the routine had them, since the alarms took refused ones too."""
    alarms, care, advice = body.get("alarms", {}), body.get("care", {}), body.get("advice", {})
    return {
        "visits": alarms.get("visits", {}), "out_of_service": alarms.get("out_of_service", {}),
        "absences": [_absence(period) for period in care.get("away", [])], "gardens": care.get("gardens", {}),
        "devices": {name: _devices(adviser, body["closed_ms"]) for name, adviser in advice.items()},
        "configured": {name: adviser["config_knobs"] for name, adviser in advice.items() if adviser.get("config_knobs")},
        "turns": alarms.get("away_count", 0),
    }  # fmt: skip


def _care(care: dict[str, Any]) -> dict[str, Any]:
    """Return the routine without what the keeper's room has now: what has its names today is something else."""
    return {key: value for key, value in care.items() if key not in ("away", "gardens")}


def _absence(period: dict[str, Any]) -> dict[str, Any]:
    stage = ("planned", "prepared", "begun")[period.get("told", 0)]
    return {"begins": period["from_ms"], "ends": period["to_ms"], "checklist": period["checklist_ms"], "stage": stage}


def _devices(adviser: dict[str, Any], at_ms: int) -> list[dict[str, Any]]:
    """Return the history of the settings, in which the last change of each knob is the setting that was told and still held."""
    changes, told = list(adviser.get("changes", [])), adviser.get("told_knobs", {})
    latest = {change["knob"]: change["value"] for change in changes}
    wrong = [knob for knob in {**latest, **told} if latest.get(knob) != told.get(knob)]
    return changes + [{"at_ms": at_ms, "knob": knob, "value": told.get(knob)} for knob in wrong]
