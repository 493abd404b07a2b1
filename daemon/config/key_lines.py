"""The line of documentation under each key of the config, read from the source: only documents and schema need it, no start."""

from __future__ import annotations

import ast
import inspect
from itertools import pairwise
from textwrap import dedent

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core.core_schema import ModelSchema

from rules.terms.setting_forms import Section


def lines_of_keys(model: type[BaseModel]) -> dict[str, str]:
    """Return what stands under each key of a table, those that it inherits included."""
    lines: dict[str, str] = {}
    for table in reversed(model.__mro__):
        if issubclass(table, Section):
            lines |= _own_lines(table)
    return lines


def _own_lines(table: type[Section]) -> dict[str, str]:
    [tree] = ast.parse(dedent(inspect.getsource(table))).body
    assert isinstance(tree, ast.ClassDef)
    return {
        key.target.id: inspect.cleandoc(line.value.value)
        for key, line in pairwise(tree.body)
        if isinstance(key, ast.AnnAssign) and isinstance(key.target, ast.Name)
        and isinstance(line, ast.Expr) and isinstance(line.value, ast.Constant) and isinstance(line.value.value, str)
    }  # fmt: skip


class SchemaWithLines(GenerateJsonSchema):
    """A JSON Schema in which every key has its line, for editors that show it."""

    def model_schema(self, schema: ModelSchema) -> JsonSchemaValue:
        shape = super().model_schema(schema)
        for key, line in lines_of_keys(schema["cls"]).items():
            if key in shape["properties"]:
                shape["properties"][key]["description"] = line
        return shape
