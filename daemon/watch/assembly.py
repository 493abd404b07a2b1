"""Builds the running parts from the config: what the rules are given, the brokers' sessions, the sources and the outlets."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from adapters.broker import Broker
from adapters.mqtt_session import Availability, MqttSession
from adapters.outlets import Outlet, availabilities, opened
from adapters.outlets.illustration import Illustrator
from adapters.outlets.letter import Answers
from adapters.probes import AnyProbe, sources
from adapters.probes.mqtt_topic import MqttTopic
from adapters.probes.source import Source
from daemon.config.configuration import Configuration
from daemon.config.settings import settings_of


@dataclass(frozen=True, slots=True)
class Line:
    """The session of one broker, and what it was made from: it is kept while that stays the same."""

    broker: Broker
    availability: Availability | None
    session: MqttSession


def lines_of(configuration: Configuration, kept: Mapping[str, Line], purpose: str = "") -> dict[str, Line]:
    """Return a session for each broker; those of `kept` that are still right go on."""
    wills = {} if purpose else availabilities(configuration.outlet, settings_of(configuration))
    site = configuration.site.name
    lines: dict[str, Line] = {}
    for name, broker in configuration.broker.items():
        old, will = kept.get(name), wills.get(name)
        if old is not None and (old.broker, old.availability) == (broker, will):
            lines[name] = old
        else:
            lines[name] = Line(broker, will, MqttSession(name, broker, availability=will, purpose=purpose, site=site))
    return lines


@dataclass(frozen=True, slots=True)
class Feed:
    """A source, and what it was made from: it is kept while that stays the same."""

    made_from: object
    source: Source


def feeds_of(
    configuration: Configuration, lines: Mapping[str, Line], kept: Mapping[str, Feed], now_ms: Callable[[], int]
) -> dict[str, Feed]:
    """Return the sources by the name of their medium; those of `kept` that are still right go on."""
    by_medium: dict[str, dict[str, AnyProbe]] = {}
    for name, probe in configuration.probe.items():
        by_medium.setdefault(probe.medium, {})[name] = probe
    feeds: dict[str, Feed] = {}
    for medium, probes in by_medium.items():
        sessions = {name: line.session for name, line in lines.items()}
        made_from = (probes, [sessions[probe.broker] for probe in probes.values() if isinstance(probe, MqttTopic)])
        old = kept.get(medium)
        if old is not None and old.made_from == made_from:
            feeds[medium] = old
        else:
            [source] = sources(probes, sessions, now_ms)
            feeds[medium] = Feed(made_from, source)
    return feeds


def outlets_of(
    configuration: Configuration, lines: Mapping[str, Line], illustrator: Illustrator | None = None,
    answers: Mapping[str, Answers] | None = None,
) -> dict[str, Outlet]:
    """Return the outlets by id, ready to send; `illustrator` makes what letters show besides words."""
    sessions = {name: line.session for name, line in lines.items()}
    return opened(configuration.outlet, settings_of(configuration), sessions, illustrator, answers)
