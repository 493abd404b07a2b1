"""The one table of the trial, and the diary of one chamber."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from yard_trial import Outcome

KEEPERS = ("best", "dewlid", "naive", "nothing")
_COLUMNS = (("n", 4), ("best", 7), ("dewlid", 8), ("of best", 9), ("naive", 7), ("nothing", 9), ("harm", 7), ("avoidable", 11))
HEAD = " " * 26 + "".join(f"{name:>{width}}" for name, width in (*_COLUMNS, ("letters/d", 11)))


def table(outcomes: Sequence[Outcome]) -> str:
    """Return everything that the trial shows."""
    troubled = [o for o in outcomes if o.trouble != "calm"]
    groups = {f"world: {name}": [o for o in troubled if o.world == name] for name in sorted({o.world for o in outcomes})}
    groups |= {name: [o for o in outcomes if o.trouble == name] for name in sorted({o.trouble for o in outcomes})}
    groups |= {f"keeper: {m}"[:26]: [o for o in troubled if o.manner == m] for m in sorted({o.manner for o in troubled})}
    groups["all troubled"] = troubled
    return "\n".join([
        "Time in band (T, RH, dry lid), time past harmful, letters a day; from the trouble's begin to the week's end.",
        HEAD, *(_row(name, rows) for name, rows in groups.items()), "", *_telling(outcomes), "",
        "Where the most was lost against the search:", *_worst(outcomes),
    ])  # fmt: skip


def _row(name: str, rows: Sequence[Outcome]) -> str:
    if not rows:
        return f"{name:26}{0:>4}"
    shares = {keeper: float(np.mean([o.in_band[keeper] for o in rows])) for keeper in KEEPERS}
    ratio = shares["dewlid"] / shares["best"] if shares["best"] else float("nan")
    harm, avoidable = np.mean([o.harmful["dewlid"] for o in rows]), np.mean([o.avoidable_harm for o in rows])
    letters = sum(o.told.letters for o in rows) / sum(o.told.days for o in rows)
    return (
        f"{name:26}{len(rows):>4}{shares['best']:>7.1%}{shares['dewlid']:>8.1%}{ratio:>9.1%}{shares['naive']:>7.1%}"
        f"{shares['nothing']:>9.1%}{harm:>7.1%}{avoidable:>11.1%}{letters:>11.2f}"
    )


def _telling(outcomes: Sequence[Outcome]) -> list[str]:
    calm = [o for o in outcomes if o.trouble == "calm"]
    ajar = [o.told.ajar for o in outcomes if o.told.ajar is not None]
    lines = [
        _wet("wet lid told, share of its wet time", outcomes),
        _wet("  without a room probe", [o for o in outcomes if not o.room_probe]),
        _wet("  lid told wrongly in the config", [o for o in outcomes if not o.told_lid_right]),
        f"{'lid ajar told within 2 h':44}{sum(ajar)} of {len(ajar)}",
        f"{'open lid told falsely in calm chambers':44}{sum(o.told.false_open for o in calm)} in"
        f" {sum(o.told.days for o in calm):.0f} days",
    ]
    held: dict[tuple[str, int], list[bool]] = defaultdict(list)
    for outcome in outcomes:
        for key, hits in outcome.told.predictions.items():
            held[key] += hits
    for (quantity, hours), hits in sorted(held.items()):
        lines.append(f"{f'stated 95 % held, {quantity} after {hours} h':44}{np.mean(hits):.0%} of {len(hits)}")
    return lines


def _wet(name: str, outcomes: Iterable[Outcome]) -> str:
    rows = list(outcomes)
    wet, told = sum(o.told.wet_samples for o in rows), sum(o.told.wet_told for o in rows)
    return f"{name:44}" + (f"{told / wet:.0%} of {wet * 5 / 60:.0f} h" if wet else "none was wet")


def _worst(outcomes: Sequence[Outcome], count: int = 20) -> list[str]:
    lost = sorted(outcomes, key=lambda o: o.in_band["dewlid"] - o.in_band["best"] - 2.0 * o.avoidable_harm)[:count]
    return [
        f"  {f'{o.world}:{o.trouble}:{o.seed}':52} {o.manner:24} "
        + "  ".join(f"{keeper} {o.in_band[keeper]:4.0%}" for keeper in KEEPERS) + f"  avoidable harm {o.avoidable_harm:4.0%}"
        for o in lost
    ]


def diary(outcome: Outcome) -> str:
    """Return what one chamber's program told, line by line."""
    lines = []
    for event in outcome.events:
        if event["kind"] == "truth":
            lines.append(f"{event['time'][:16]}     {event['text']}")
        elif event["kind"] == "letter" and event["sort"] not in ("system", "care"):
            about = [e.get("alarm") or e.get("headline") or e["kind"] for e in event["about"]]
            urgent = " URGENT" if event["urgent"] else ""
            lines.append(f"{event['time'][:16]} LETTER {event['sort']}{urgent}: {'; '.join(about)[:200]}")
        elif event["kind"] == "advice" and event["status"] in ("given", "updated", "verified"):
            texts = " | ".join(a["text"] for a in event["actions"]) or event["headline"]
            lines.append(f"{event['time'][:16]} {event['status']}: {texts} -- {event['reason'][:220]}")
        elif event["kind"] == "alarm" and event["change"] in ("raised", "returned", "escalated"):
            lines.append(f"{event['time'][:16]} {event['alarm']} {event['change']} {event.get('level') or ''}")
        elif event["kind"] == "word":
            lines.append(f"{event['time'][:16]} word: {event['text']}")
    return "\n".join(lines)
