"""The daily fit of the chambers' models, in a process of its own that ends with it: `python -m daemon.fit.process`.

The engine is not slowed and keeps no memory of it. The job comes as JSON on stdin, the models go as JSON to stdout.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
from datetime import time
from pathlib import Path
from typing import Any

import structlog

from daemon.store.errors import HistoryError
from rules.settings import Settings

FIT_AT = time(3, 40)
"""Local time of the daily fit: before the backup, so that the fit of the day is in it."""
LONGEST_S = 900.0
_NICE = 10

_log = structlog.get_logger(__name__)


def job_of(store: Path, settings: Settings, now_ms: int) -> dict[str, Any]:
    """Return all that the process needs to know, as JSON: every chamber that has an air probe of its own and of its room."""
    chambers = {
        name: {
            "settings": chamber.model_dump(mode="json"), "air": settings.probes_at(name),
            "room_air": settings.probes_at(chamber.room or ""), "lid": settings.probes_at(name, "lid"),
        }
        for name, chamber in settings.chambers.items()
    }  # fmt: skip
    return {
        "store": str(store), "now_ms": now_ms,
        "chambers": {name: row for name, row in chambers.items() if row["air"] and row["room_air"]},
    }  # fmt: skip


def fitted(job: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Return the model of each chamber whose history could tell something, by a process of its own; {} when it fails."""
    if not job["chambers"]:
        return {}
    try:
        done = subprocess.run(
            [sys.executable, "-P", "-m", "daemon.fit.process"], input=json.dumps(job), capture_output=True, text=True,
            timeout=LONGEST_S, check=True, cwd="/",
        )
        models: dict[str, dict[str, Any]] = json.loads(done.stdout)
    except subprocess.CalledProcessError as error:
        _log.error("the daily fit of the chambers' models failed", reason=error.stderr.strip()[-1000:])
        return {}
    except (subprocess.TimeoutExpired, OSError, ValueError) as error:
        _log.error("the daily fit of the chambers' models failed", reason=str(error)[:1000])
        return {}
    return models


def fit_all(job: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """Return the models, fitted here and now."""
    from daemon.fit.history import Grid, Sources, history_of
    from daemon.store.reader import HistoryReader
    from rules.advice.fit import fit
    from rules.advice.model import model_as_json, prior_model
    from rules.settings import Chamber
    from rules.turn.advance import load_state

    every = {
        name: Sources(name, Chamber.model_validate_json(json.dumps(row["settings"])), row["air"], row["room_air"], row["lid"])
        for name, row in job["chambers"].items()
    }
    models: dict[str, dict[str, Any]] = {}
    with HistoryReader(Path(job["store"])) as reader:
        stored = reader.last_state()
        if stored is None:
            return {}
        grid = Grid(reader, load_state(stored[0]), {probe for each in every.values() for probe in each.probes}, job["now_ms"])
        for name, each in every.items():
            model = fit(history_of(grid, each), prior_model(each.settings), each.settings.air_ml, job["now_ms"])
            if model.source == "fitted":
                models[name] = model_as_json(model)
    return models


def main() -> int:
    """Do the job that stands on stdin."""
    with contextlib.suppress(PermissionError):  # the hardened service may not change its priority; it is low already
        os.nice(_NICE)
    try:
        print(json.dumps(fit_all(json.load(sys.stdin)), allow_nan=False))  # noqa: T201 - this is the answer
    except HistoryError as error:
        print(error, file=sys.stderr)  # noqa: T201
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
