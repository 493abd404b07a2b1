"""The process that makes a digest's figures and chart: reads its task on standard input, answers on standard output, ends.

Its one argument is the process id of who asks: when that one is gone, nobody waits for the answer.
"""

from __future__ import annotations

import base64
import json
import os
import resource
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

LARGEST_MEMORY = 1 << 30
_MOST_DRAWN = 6
"""So many chambers are drawn, the worst ones; all are told in words."""


def main(parent: int) -> int:
    """Answer one task. Low priority and bounded in memory and time: it must never be in the daemon's way."""
    threading.Thread(target=_end_with, args=(parent,), daemon=True).start()
    with suppress(OSError):
        os.nice(10)
    with suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_AS, (LARGEST_MEMORY, LARGEST_MEMORY))
        resource.setrlimit(resource.RLIMIT_CPU, (120, 120))
    task = json.load(sys.stdin)
    json.dump(answer(task), sys.stdout)
    return 0


def _end_with(parent: int) -> None:
    """A daemon that is killed, be it before this process asks for its parent, must leave nobody behind."""
    while os.getppid() == parent:
        time.sleep(0.5)
    os._exit(1)


def answer(task: dict[str, Any]) -> dict[str, Any]:
    """Return the figures in sentences, and the chart as PNG in base64; None where nothing was seen."""
    from daemon.config.configuration import Configuration
    from daemon.config.settings import settings_of
    from daemon.report.chamber_part import summary
    from daemon.report.digest_drawing import drawn
    from daemon.report.groups import grouped
    from daemon.report.record import empty, read_record
    from daemon.report.verdict import style_of, verdicts

    configuration = Configuration.model_validate(task["configuration"])
    settings, until_ms = settings_of(configuration), task["until_ms"]
    record = read_record(Path(task["store"]), settings, until_ms, task["for_ms"], until_ms=until_ms)
    told = verdicts(settings, record.state, record.situations, until_ms, late=record.late)
    order = [one.chamber for group in grouped(settings, record.situations, told) for one in group.verdicts]
    seen = [name for name in order if not empty(record.curves.get(name))]
    lines = []
    for name in record.chambers:
        title = settings.chambers[name].title or name
        if name in seen:
            lines.append(f"{title}: {summary(record.curves[name], settings.chambers[name], record, style_of(settings))}")
        elif settings.probes_at(name):
            lines.append(f"{title}: nothing believable was measured.")
    return {"lines": lines, "png": base64.b64encode(drawn(record, seen[:_MOST_DRAWN])).decode() if seen else None}


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1])))
