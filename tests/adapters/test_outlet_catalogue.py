"""The catalogue of outlets: every kind that has a file is in the union, and the union is what the config accepts."""

import importlib
import pkgutil
from typing import get_args

import pytest
from pydantic import TypeAdapter, ValidationError

import adapters.outlets
from adapters.outlets import AnyOutlet, OutletsDisagree, opened
from adapters.outlets.mqtt_topic import MqttOutlet
from rules.terms.setting_forms import Section


def kinds_in_files():
    found = set()
    for module in pkgutil.iter_modules(adapters.outlets.__path__):
        members = vars(importlib.import_module(f"adapters.outlets.{module.name}")).values()
        found |= {
            each for each in members if isinstance(each, type) and issubclass(each, Section) and "kind" in each.model_fields
        }
    return found


def test_every_outlet_that_has_a_file_is_in_the_catalogue():
    assert kinds_in_files() == set(get_args(get_args(AnyOutlet)[0]))
    assert len(kinds_in_files()) >= 3


def test_an_unknown_kind_is_refused_with_the_kinds_that_there_are():
    with pytest.raises(ValidationError, match="'mqtt', 'mail', 'console'"):
        TypeAdapter(AnyOutlet).validate_python({"kind": "pigeon"})


def test_an_outlet_on_a_broker_that_is_not_defined_is_told_by_name():
    with pytest.raises(OutletsDisagree, match=r"outlet\.home\.broker: there is no broker 'attic'; defined are: none"):
        opened({"home": MqttOutlet(kind="mqtt", broker="attic")}, None, {})
