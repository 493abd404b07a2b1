"""The kinds of probe there are: one discriminated union on `kind`, which is also the config's schema."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping
from typing import Annotated, TypeVar

from pydantic import Field

from adapters.mqtt_session import MqttSession
from adapters.probes.modbus_rtu import ModbusRtu, ModbusRtuSource
from adapters.probes.mqtt_topic import MqttTopic, MqttTopicSource
from adapters.probes.recorded import RecordedFile, RecordedFileSource
from adapters.probes.serial_text import SerialText, SerialTextSource
from adapters.probes.simulated import SimulatedChamber, SimulatedSource
from adapters.probes.source import Failure, Intake, Sample, Source
from adapters.serial_port import LineSettings

AnyProbe = Annotated[
    SerialText | ModbusRtu | MqttTopic | RecordedFile | SimulatedChamber, Field(discriminator="kind")
]

__all__ = ["AnyProbe", "Failure", "Intake", "ProbesDisagree", "Sample", "Source", "sources"]

_Kind = TypeVar("_Kind", SerialText, ModbusRtu, MqttTopic, RecordedFile, SimulatedChamber)


class ProbesDisagree(ValueError):
    """Two probes cannot be read by the same program at once as they are configured; the text names both."""


def sources(
    probes: Mapping[str, AnyProbe], sessions: Mapping[str, MqttSession], now_ms: Callable[[], int] | None = None
) -> list[Source]:
    """Return one source for each line, broker and file that the probes use; raises ProbesDisagree.

    `sessions` are the brokers' sessions by broker id; `now_ms` is the wall clock, for relative times in payloads.
    """
    clock = now_ms or (lambda: time.time_ns() // 1_000_000)
    _refuse_mixed_lines(probes)
    return [
        *(SerialTextSource(group) for group in _by_medium(probes, SerialText)),
        *(ModbusRtuSource(group) for group in _by_medium(probes, ModbusRtu)),
        *(MqttTopicSource(group, _session(group, sessions), clock) for group in _by_medium(probes, MqttTopic)),
        *(RecordedFileSource(group) for group in _by_medium(probes, RecordedFile)),
        *(SimulatedSource(group) for group in _by_medium(probes, SimulatedChamber)),
    ]


def _by_medium(probes: Mapping[str, AnyProbe], kind: type[_Kind]) -> Iterable[dict[str, _Kind]]:
    groups: dict[str, dict[str, _Kind]] = {}
    for name, probe in probes.items():
        if isinstance(probe, kind):
            groups.setdefault(probe.medium, {})[name] = probe
    return groups.values()


def _session(group: Mapping[str, MqttTopic], sessions: Mapping[str, MqttSession]) -> MqttSession:
    name, probe = next(iter(group.items()))
    if probe.broker not in sessions:
        known = ", ".join(sorted(sessions)) or "none"
        raise ProbesDisagree(f"probe.{name}.broker: there is no broker {probe.broker!r}; defined are: {known}")
    return sessions[probe.broker]


def _refuse_mixed_lines(probes: Mapping[str, AnyProbe]) -> None:
    seen: dict[str, tuple[str, str, LineSettings]] = {}
    for name, probe in probes.items():
        line = getattr(probe, "line", None)
        if line is None:
            continue
        first, kind, settings = seen.setdefault(line.port, (name, probe.kind, line))
        if kind != probe.kind or settings != line:
            raise ProbesDisagree(
                f"probe.{first} and probe.{name} share the line {line.port} but differ: {kind} {settings.baud_rate} bit/s"
                f" {settings.framing}, {probe.kind} {line.baud_rate} bit/s {line.framing}; a line has one setting"
            )
