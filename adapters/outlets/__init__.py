"""The kinds of outlet there are: one discriminated union on `kind`, which is also the config's schema."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

from pydantic import Field

from adapters.mqtt_session import Availability, MqttSession
from adapters.outlets.console import ConsoleOutlet, ConsolePrinter
from adapters.outlets.illustration import Illustrator
from adapters.outlets.letter import Answers, MailOutlet, MailSender
from adapters.outlets.mqtt_topic import MqttOutlet, TopicPublisher, availability
from adapters.outlets.outlet import Outlet, Owed, Standing
from rules.settings import Settings

AnyOutlet = Annotated[MqttOutlet | MailOutlet | ConsoleOutlet, Field(discriminator="kind")]

__all__ = [
    "AnyOutlet", "ConsoleOutlet", "MailOutlet", "MqttOutlet", "Outlet", "OutletsDisagree", "Owed", "Standing", "availabilities",
    "opened",
]  # fmt: skip


class OutletsDisagree(ValueError):
    """An outlet cannot be opened as it is configured; the text names it."""


def availabilities(outlets: Mapping[str, AnyOutlet], settings: Settings) -> dict[str, Availability]:
    """Return the availability topic, which is also the last will, of each broker's session, by broker id.

    A session has one last will: with several MQTT outlets on one broker it is that of the first.
    """
    found: dict[str, Availability] = {}
    for outlet in outlets.values():
        if isinstance(outlet, MqttOutlet):
            found.setdefault(outlet.broker, availability(outlet, settings))
    return found


def opened(
    outlets: Mapping[str, AnyOutlet],
    settings: Settings,
    sessions: Mapping[str, MqttSession],
    illustrator: Illustrator | None = None,
    answers: Mapping[str, Answers] | None = None,
) -> dict[str, Outlet]:
    """Return the running outlets by id; `sessions` are the brokers' sessions by broker id, made with `availabilities`.

    `answers`: of the mail outlets whose letters may be answered, by id.
    """
    known = answers or {}
    return {
        name: MailSender(outlet, settings, illustrator, known.get(name)) if isinstance(outlet, MailOutlet)
        else _opened(name, outlet, settings, sessions)
        for name, outlet in outlets.items()
    }  # fmt: skip


def _opened(
    name: str, outlet: MqttOutlet | ConsoleOutlet, settings: Settings, sessions: Mapping[str, MqttSession]
) -> Outlet:
    if isinstance(outlet, ConsoleOutlet):
        return ConsolePrinter(outlet, settings)
    if outlet.broker not in sessions:
        known = ", ".join(sorted(sessions)) or "none"
        raise OutletsDisagree(f"outlet.{name}.broker: there is no broker {outlet.broker!r}; defined are: {known}")
    return TopicPublisher(outlet, settings, sessions[outlet.broker])
