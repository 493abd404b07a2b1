"""The catalogue of probe kinds is complete, and every key says what it is."""

from __future__ import annotations

import importlib
import inspect
from pathlib import Path
from typing import get_args

import pytest
from pydantic import TypeAdapter, ValidationError

import adapters.probes
from adapters.mqtt_session import Broker, MqttSession
from adapters.probes import AnyProbe, sources
from adapters.pulse import Pulse
from daemon.config.key_lines import lines_of_keys
from rules.settings import Probe
from rules.terms.quantities import QUANTITIES

KINDS = get_args(get_args(AnyProbe)[0])
EXAMPLES = [
    {"kind": "serial-text", "place": "fungus", "port": "/dev/ttyX0", "columns": {"air_temperature": 1}},
    {
        "kind": "modbus-rtu", "place": "fungus", "port": "/dev/ttyX1", "address": 7,
        "registers": {"air_temperature": {"number": 0}},
    },
    {"kind": "mqtt-topic", "place": "fungus", "broker": "home", "topics": {"air_temperature": "shelf/t"}},
    {"kind": "recorded-file", "place": "fungus", "path": "/tmp/x.csv", "quantities": ["air_temperature"]},
    {"kind": "simulated-chamber", "place": "fungus", "measures": "big-air"},
]


def defined_kinds():
    for path in sorted(Path(adapters.probes.__file__).parent.glob("[a-z]*.py")):
        module = importlib.import_module(f"adapters.probes.{path.stem}")
        for _, member in inspect.getmembers(module, inspect.isclass):
            if member.__module__ == module.__name__ and issubclass(member, Probe):
                yield member


def test_every_kind_that_a_file_defines_is_in_the_union():
    assert set(defined_kinds()) == set(KINDS)


@pytest.mark.parametrize("keys", EXAMPLES, ids=lambda keys: keys["kind"])
def test_kind_is_chosen_by_its_name_and_makes_a_source(keys):
    probe = TypeAdapter(AnyProbe).validate_python(keys)
    assert probe.kind == keys["kind"]
    assert probe.measured and probe.measured <= set(QUANTITIES)
    assert type(probe).measured is not Probe.measured, "it must say itself what it measures"
    (source,) = sources({"air": probe}, {"home": MqttSession("home", Broker(host="127.0.0.1"))})
    assert source.name == probe.medium
    assert set(source.tallies) == {"air"}


@pytest.mark.parametrize("keys", EXAMPLES, ids=lambda keys: keys["kind"])
def test_each_thread_says_that_it_turns_and_that_it_has_ended(keys, intake, wait_until, monkeypatch):
    """Its medium does not exist: a thread that only marks while all is well would be taken for one that hangs."""
    said = []
    for word in ("mark", "rest"):
        real = getattr(Pulse, word)

        def told(pulse, *wait_s, word=word, real=real):
            said.append((pulse, word))
            real(pulse, *wait_s)

        monkeypatch.setattr(Pulse, word, told)
    probe = TypeAdapter(AnyProbe).validate_python(keys)
    (source,) = sources({"air": probe}, {"home": MqttSession("home", Broker(host="127.0.0.1", port=1))})
    source.start(intake)
    wait_until(lambda: (source.pulse, "mark") in said)
    assert source.stop(5.0)
    assert [word for pulse, word in said if pulse is source.pulse][-1] == "rest"


def test_examples_cover_all_kinds():
    assert {keys["kind"] for keys in EXAMPLES} == {kind.model_fields["kind"].annotation.__args__[0] for kind in KINDS}


def test_unknown_kind_is_refused_with_the_list():
    names = [kind.model_fields["kind"].annotation.__args__[0] for kind in KINDS]
    with pytest.raises(ValidationError, match=", ".join(f"'{name}'" for name in names)):
        TypeAdapter(AnyProbe).validate_python({"kind": "carrier-pigeon", "place": "fungus"})


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.__name__)
def test_every_key_has_its_line_of_documentation(kind):
    assert [name for name in kind.model_fields if not lines_of_keys(kind).get(name)] == []
    assert kind.__doc__


def test_every_kind_names_its_medium_and_no_two_kinds_share_one() -> None:
    media = [TypeAdapter(AnyProbe).validate_python(keys).medium for keys in EXAMPLES]
    assert all(media)
    assert len(set(media)) == len(media)
