"""Looks for probes on the serial ports and on the broker, and tells what it does while it does it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor

from adapters import line_survey
from adapters.broker import Broker
from adapters.line_survey import Heard, Unit
from adapters.topic_survey import Sender, gather, senders
from daemon.setup.draft import FoundProbe

Tell = Callable[[str], None]
_INTERVALS = ((8.0, "10s"), (25.0, "30s"), (55.0, "1min"))


def on_ports(ports: Sequence[str], listen_s: float, addresses: Sequence[int], tell: Tell) -> list[FoundProbe]:
    """Listen on every port side by side, then ask the silent ones for Modbus units."""
    if not ports:
        tell("No serial port was found. Plug the probe in; `ls /dev/serial/by-id` should then show it.")
        return []
    tell(f"Listening on {len(ports)} serial port{'s' if len(ports) > 1 else ''} ...")
    with ThreadPoolExecutor(max_workers=len(ports)) as pool:
        heard = list(pool.map(lambda port: line_survey.listen(port, listen_s), ports))
    found: list[FoundProbe] = []
    for one in heard:
        tell(f"  {one.port}: {_heard(one)}")
        if one.form is not None:
            found.append(_of_line(one))
        elif not one.trouble and not one.octets and addresses:
            found += _units_on(one.port, addresses, tell)
    return found


def _heard(one: Heard) -> str:
    if one.trouble:
        return one.trouble
    if one.form is not None:
        return f'{one.baud_rate} bit/s, sends "{one.lines[-1][:60]}"'
    if one.lines:
        return (
            f'{one.baud_rate} bit/s, sends "{one.lines[-1][:60]}", in which nothing looks like a climate; if it is a probe,'
            " write its pattern by hand: `dewlid keys probe.pattern`"
        )
    if one.octets:
        return f"sends {one.octets} bytes that are no text at any usual speed"
    return "silent"


def _of_line(one: Heard) -> FoundProbe:
    assert one.form is not None
    longest = next((text for limit_s, text in _INTERVALS if one.gap_s is not None and one.gap_s <= limit_s), "2min")
    return FoundProbe(one.port, one.keys, one.form.values, one.form.told, one.form.surface, interval=longest)


def _units_on(port: str, addresses: Sequence[int], tell: Tell) -> list[FoundProbe]:
    tell(f"  {port}: looking for Modbus units (only reading) ...")
    found = line_survey.units(port, addresses, tell=lambda text: tell(f"    {text}"))
    if not found:
        tell("    nothing answers. A probe that speaks only now and then is heard by listening longer: dewlid init --listen 70")
    for unit in found:
        tell(f"    unit {unit.address} answers: {_registers(unit)}")
    return [
        FoundProbe(f"{unit.port}, unit {unit.address}", unit.keys, unit.values, told=False, interval="30s")
        for unit in found if unit.places
    ]  # fmt: skip


def _registers(unit: Unit) -> str:
    rows = [f"function {function}: {' '.join(map(str, words))}" for function, words in unit.registers.items()]
    return "; ".join(rows) or "it refuses the first registers; its manual tells which to ask for"


def on_broker(broker: Broker, listen_s: float, tell: Tell) -> list[FoundProbe]:
    """Listen on the broker and return what looks like probes; raises BrokerUnheard."""
    tell(f"Listening on the broker {broker.host} for {listen_s:g} s ...")
    messages = gather(broker, ["#"], listen_s)
    found = senders(messages)
    tell(f"  {len(messages)} topics; {len(found)} look like a temperature or humidity")
    for one in found:
        tell(f"    {one.shown}{' (kept by the broker, of unknown age)' if one.retained else ''}")
    return [_of_sender(one) for one in found]


def _of_sender(one: Sender) -> FoundProbe:
    return FoundProbe(f"topic {one.name}", one.keys | {"broker": "home"}, one.values, surface=one.surface)
