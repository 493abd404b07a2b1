"""The kinds of outlet there are: one discriminated union on `kind`, which is also the config's schema."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated

from pydantic import Field

from adapters.mqtt_session import Availability, MqttSession
from adapters.outlets.console import ConsoleOutlet, ConsolePrinter
from adapters.outlets.illustration import Illustrator
from adapters.outlets.letter import MailOutlet, MailSender
from adapters.outlets.mqtt_topic import MqttOutlet, TopicPublisher, availability
from adapters.outlets.outlet import Outlet, Owed, Standing
from rules.settings import Watch

AnyOutlet = Annotated[MqttOutlet | MailOutlet | ConsoleOutlet, Field(discriminator="kind")]

__all__ = [
    "AnyOutlet", "ConsoleOutlet", "MailOutlet", "MqttOutlet", "Outlet", "OutletsDisagree", "Owed", "Standing", "availabilities",
    "opened",
]  # fmt: skip


class OutletsDisagree(ValueError):
    """An outlet cannot be opened as it is configured; the text names it."""


def availabilities(outlets: Mapping[str, AnyOutlet], watch: Watch) -> dict[str, Availability]:
    """Return the availability topic, which is also the last will, of each broker's session, by broker id.

    A session has one last will: with several MQTT outlets on one broker it is that of the first.
    """
    found: dict[str, Availability] = {}
    for settings in outlets.values():
        if isinstance(settings, MqttOutlet):
            found.setdefault(settings.broker, availability(settings, watch))
    return found


def opened(
    outlets: Mapping[str, AnyOutlet], watch: Watch, sessions: Mapping[str, MqttSession], illustrator: Illustrator | None = None
) -> dict[str, Outlet]:
    """Return the running outlets by id; `sessions` are the brokers' sessions by broker id, made with `availabilities`."""
    return {name: _opened(name, settings, watch, sessions, illustrator) for name, settings in outlets.items()}


def _opened(
    name: str, settings: AnyOutlet, watch: Watch, sessions: Mapping[str, MqttSession], illustrator: Illustrator | None
) -> Outlet:
    if isinstance(settings, MailOutlet):
        return MailSender(settings, watch, illustrator)
    if isinstance(settings, ConsoleOutlet):
        return ConsolePrinter(settings, watch)
    if settings.broker not in sessions:
        known = ", ".join(sorted(sessions)) or "none"
        raise OutletsDisagree(f"outlet.{name}.broker: there is no broker {settings.broker!r}; defined are: {known}")
    return TopicPublisher(settings, watch, sessions[settings.broker])
