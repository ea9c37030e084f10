"""The JSON Schema of the configuration, for editors and for those who write configurations by program."""

import importlib
from typing import Any

from collector.config.models import Root


def configuration_schema(outputs: dict[str, str]) -> dict[str, Any]:
    """JSON Schema 2020-12 of one configuration file; `outputs`: output kind -> module with its Settings."""
    schema = Root.model_json_schema(by_alias=True)
    kinds = []
    for kind, module in outputs.items():
        one = importlib.import_module(module).Settings.model_json_schema(by_alias=True)
        schema["$defs"].update(one.pop("$defs", {}))
        one["properties"] = {"kind": {"const": kind}, **one["properties"]}
        one["required"] = ["kind", *one.get("required", [])]
        kinds.append(one)
    schema["properties"]["outputs"] = {"type": "object", "additionalProperties": {"oneOf": kinds}}
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **schema, "title": "collector configuration"}
