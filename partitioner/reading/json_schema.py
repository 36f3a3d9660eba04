"""JSON Schema of the problem file, for editors."""

from __future__ import annotations

from decimal import Decimal
from enum import Enum
from typing import Any

from pydantic import BaseModel
from pydantic.json_schema import GenerateJsonSchema

from partitioner.reading.kinds import json_number
from partitioner.reading.schema import FORMAT, PROPOSE, KeyTable, ProblemTable


class _Generator(GenerateJsonSchema):
    """Writes defaults as the file would have them."""

    def encode_default(self, dft: Any) -> Any:
        return plain_default(dft)


def plain_default(value: Any) -> Any:
    """Give a default as JSON: numbers as numbers, words as text, tables as mappings."""
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, Decimal):
        return json_number(value)
    if isinstance(value, BaseModel):
        return {}  # every key of it has a default of its own
    if isinstance(value, (list, tuple)):
        return [plain_default(v) for v in value]
    return value


def schema_of(model: type[KeyTable], title: str) -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a file that ``model`` describes."""
    made = model.model_json_schema(by_alias=True, schema_generator=_Generator)
    for table in made.get("$defs", {}).values():
        table["title"] = table["title"].removesuffix("Table").removesuffix("Entry")
        _describe_units(table)
    _describe_units(made)
    return {"$schema": GenerateJsonSchema.schema_dialect, **made, "title": title}


def json_schema() -> dict[str, Any]:
    """JSON Schema (draft 2020-12) of a problem file.

    Numbers carry their unit under ``x-unit`` and at the end of their description; what a schema
    can't say (names that must exist, sums) is not in it.
    """
    made = schema_of(ProblemTable, f"Problem file, format {FORMAT}")
    keys = made["properties"]
    keys["format"] = {"const": FORMAT, "description": keys["format"]["description"]}
    told = keys["switches"].pop("description")
    keys["switches"] = {"anyOf": [keys["switches"], {"const": PROPOSE}], "description": told}
    return made


def _describe_units(table: dict[str, Any]) -> None:
    for field in table.get("properties", {}).values():
        field.pop("title", None)
        kinds = [field, *field.get("anyOf", ())]
        unit = next((k["x-unit"] for k in kinds if "x-unit" in k), None)
        if unit is not None:
            field["description"] = f"{field.get('description', '')} Unit: {unit}.".strip()
