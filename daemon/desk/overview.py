"""All sites that report to one broker, read from their retained topics: who watches, what stands, what was last seen. Pure.

The topics are those of `adapters.outlets.mqtt_topic`; what stands in a payload is foreign text, checked before it is shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from typing import Any

from adapters.errors import ProbeError
from adapters.flock_client import Message
from adapters.payload import json_of
from adapters.wording.alarm_sentences import label
from adapters.wording.figures import Style, clean, span
from rules.trade.alarm_kinds import ALARMS

_PRIORITIES = ("wake", "today", "morning", "digest")
_LARGEST = 65_536
STATE_IS_OLD_S = 30 * 60
"""A chamber's state is renewed at least every ten minutes; after three times that it is old."""


def filters(below: str) -> list[str]:
    """Return what to subscribe to: everything that is retained below the base topic, and nothing else."""
    tails = ("watching", "chamber/+/state", "chamber/+/alarm/#", "chamber/+/advice", "room/+/alarm/#", "site/alarm/#")
    return [f"{below}/+/{tail}" for tail in tails]


@dataclass(slots=True)
class ChamberSeen:
    """What a site last told of a chamber."""

    chamber: str
    time: str | None = None
    temperature_c: float | None = None
    relative_humidity_pct: float | None = None
    dew_margin_k: float | None = None
    advice: str | None = None
    verdict: str | None = None
    """How it is, as the site says; None: it does not say."""


@dataclass(frozen=True, slots=True)
class AlarmSeen:
    """An alarm that stands."""

    place: str
    alarm: str
    about: str
    condition: str
    level: str | None
    priority: str
    acknowledged: bool
    value: float | None
    unit: str | None
    since: str | None


@dataclass(slots=True)
class SiteSeen:
    """One site. `watching` None: it has not said whether it is there."""

    site: str
    name: str = ""
    watching: bool | None = None
    chambers: dict[str, ChamberSeen] = field(default_factory=dict)
    alarms: list[AlarmSeen] = field(default_factory=list)

    def newest(self) -> str | None:
        """Return the instant of the newest state."""
        return max((one.time for one in self.chambers.values() if one.time), default=None)

    def as_json(self) -> dict[str, Any]:
        """Return the site as a JSON object."""
        body = asdict(self) | {"chambers": [asdict(one) for one in self.chambers.values()]}
        return body | {"newest": self.newest()}


def sites(messages: Mapping[str, Message], below: str) -> list[SiteSeen]:
    """Return the sites, the most troubled first."""
    found: dict[str, SiteSeen] = {}
    for topic, message in sorted(messages.items()):
        levels = topic.removeprefix(f"{below}/").split("/")
        if len(levels) < 2 or not topic.startswith(f"{below}/"):
            continue
        site = found.setdefault(levels[0], SiteSeen(levels[0]))
        if levels[1:] == ["watching"]:
            site.watching = message.payload == b"yes"
        elif (body := _body(message.payload)) is not None:
            site.name = site.name or _text(body.get("site"))
            _take(site, levels[1:], body)
    for site in found.values():
        site.alarms.sort(key=lambda one: (_rank(one.priority), one.since or ""))
    return sorted(found.values(), key=_trouble)


def _rank(priority: str) -> int:
    return _PRIORITIES.index(priority) if priority in _PRIORITIES else len(_PRIORITIES)


def _trouble(site: SiteSeen) -> tuple[int, int, int, str]:
    worst = min((_rank(one.priority) for one in site.alarms), default=9)
    return (0 if site.watching is False else 1, worst, -len(site.alarms), site.site)


def _body(payload: bytes) -> dict[str, Any] | None:
    try:
        body = json_of(payload, _LARGEST)
    except ProbeError:
        return None
    return body if isinstance(body, dict) and body.get("advisory_only") is True else None


def _take(site: SiteSeen, levels: list[str], body: dict[str, Any]) -> None:
    if levels[0] == "chamber" and len(levels) == 3:
        chamber = site.chambers.setdefault(clean(levels[1], 64), ChamberSeen(clean(levels[1], 64)))
        if levels[2] == "state":
            chamber.time = _instant(body.get("time"))
            chamber.temperature_c, chamber.relative_humidity_pct = (
                _number(body.get("temperature_c")), _number(body.get("relative_humidity_pct")),
            )  # fmt: skip
            chamber.dew_margin_k = _number(body.get("dew_margin_k"))
            chamber.verdict = _text(body.get("verdict")) or None
        elif levels[2] == "advice":
            chamber.advice = _text(body.get("headline")) or None
    elif "alarm" in levels and body.get("condition") in ("active", "held", "unknown"):
        site.alarms.append(_alarm(levels, body))


def _alarm(levels: list[str], body: dict[str, Any]) -> AlarmSeen:
    return AlarmSeen(
        place=clean(levels[1], 64) if levels[0] != "site" else "site",
        alarm=_text(body.get("alarm")),
        about=_text(body.get("probe") or body.get("medium")),
        condition=_text(body.get("condition")),
        level=_text(body.get("level")) or None,
        priority=_text(body.get("priority")),
        acknowledged=body.get("acknowledged") is True,
        value=_number(body.get("value")),
        unit=_text(body.get("unit")) or None,
        since=_instant(body.get("since")),
    )


def _number(value: Any) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


def _text(value: Any) -> str:
    return clean(value, 120) if isinstance(value, str) else ""


def _instant(value: Any) -> str | None:
    try:
        return value if isinstance(value, str) and datetime.fromisoformat(value).tzinfo else None
    except ValueError:
        return None


# ---------------------------------------------------------------- how it is told


def as_text(found: Iterable[SiteSeen], now: datetime) -> str:
    """Return the overview for a terminal: one line for each site, then what stands, the most urgent first."""
    rows = list(found)
    if not rows:
        return "No site has told anything on this broker. Each needs an outlet of kind mqtt: `dewlid keys outlet`."
    chambers = sum(len(site.chambers) for site in rows)
    standing = sum(len(site.alarms) for site in rows)
    lines = [f"{_counted(len(rows), 'site')}, {_counted(chambers, 'chamber')}, {_counted(standing, 'alarm')} standing", ""]
    width = max(len(site.name or site.site) for site in rows)
    lines += [f"{(site.name or site.site):{width}}  {_line(site, now)}" for site in rows]
    blind = [site.name or site.site for site in rows if site.watching is False]
    lines += ["", f"Nobody watches {' and '.join(blind)}: go and look at the chambers, then at the server."] if blind else []
    told = [line for site in rows for line in _standing(site, now)]
    return "\n".join([*lines, *(["", "What stands:"] if told else []), *told])


def _counted(count: int, thing: str) -> str:
    return f"{count} {thing}" if count == 1 else f"{count} {thing}s"


def _line(site: SiteSeen, now: datetime) -> str:
    watched = {True: "watching", False: "NOT WATCHING", None: "unknown"}[site.watching]
    newest = site.newest()
    age = "nothing seen" if newest is None else f"last seen {_ago(newest, now)}"
    late = newest is not None and _age_s(newest, now) > STATE_IS_OLD_S and site.watching
    well = newest and site.watching and all(one.verdict in (None, "well") for one in site.chambers.values())
    unwell = sum(one.verdict not in (None, "well") for one in site.chambers.values())
    told = [_counted(len(site.alarms), "alarm")] if site.alarms else ["all is well"] if well else []
    told += [f"{_counted(unwell, 'chamber')} not well"] if unwell else []
    worst = "".join(f", {each}" for each in told)
    return f"{watched:12}  {_counted(len(site.chambers), 'chamber'):12}  {age}{' (that is old)' if late else ''}{worst}"


def _age_s(instant: str, now: datetime) -> float:
    return (now - datetime.fromisoformat(instant)).total_seconds()


def _ago(instant: str, now: datetime) -> str:
    seconds = _age_s(instant, now)
    return "just now" if seconds < 60 else f"{span(seconds)} ago"


def _present(site: SiteSeen, one: AlarmSeen) -> float | None:
    """Return the figure that an alarm is about as its chamber last said it; where it said none, the alarm's own."""
    figure = ALARMS[one.alarm].figure if one.alarm in ALARMS else None
    chamber = site.chambers.get(one.place)
    value: float | None = None if chamber is None or figure is None else getattr(chamber, figure)
    return one.value if value is None else value


def _standing(site: SiteSeen, now: datetime) -> list[str]:
    style = Style("degC", UTC)
    lines = []
    for one in site.alarms:
        now_is = _present(site, one)
        value = "" if now_is is None else f", {style.quantity(now_is, one.unit)}"
        since = f", since {_ago(one.since, now).removesuffix(' ago')}" if one.since else ""
        harm = ", harmful" if one.level == "harmful" else ""
        unseen = ", cannot be seen now" if one.condition in ("held", "unknown") else ""
        seen = ", acknowledged" if one.acknowledged else ""
        about = f" ({one.about})" if one.about else ""
        lines.append(f"  {site.name or site.site} / {one.place}: {label(one.alarm)}{about}{value}{harm}{unseen}{since}{seen}")
    return lines
