"""The keys of case files described: one in words, and all as a JSON Schema."""

from __future__ import annotations

import difflib
import json
from typing import Any

from crankclock.errors import InputError, Problem
from crankclock.scenario.case_schema import Case
from crankclock.scenario.describe import taken
from crankclock.scenario.schema import keys, markers


def explain_case(path: str) -> str:
    """What a key of a case file means and takes; `path` without "case.", empty for all of them.

    Raises
    ------
    InputError
        There is no such key.
    """
    known = dict(keys(Case))
    below = [name for name in known if name == path or name.startswith(f"{path}.") or not path]
    if not below:
        close = difflib.get_close_matches(path, list(known), 3, 0.5)
        hint = f"; the nearest: {', '.join(f'case.{each}' for each in close)}" if close else ""
        raise InputError([Problem("KEY", f'"case.{path[:80]}"', f"a key of a case file{hint}")])
    return "\n".join(_line(name, known[name]) for name in below)


def _line(path: str, field: Any) -> str:
    kind = _taken(field)
    return f"case.{path}: {field.description}" + (f" Takes {kind}." if kind else "")


def _taken(field: Any) -> str:
    if any(hasattr(each, "read") for each in markers(field)):
        return taken(field)
    if "dict" in str(field.annotation):
        return 'dial angles by event, such as "262 deg"'
    return "" if _is_table(field) else "true or false"


def _is_table(field: Any) -> bool:
    return any(hasattr(each, "model_fields") for each in (field.annotation, *getattr(field.annotation, "__args__", ())))


def case_schema_text() -> str:
    """The JSON Schema of a case file, as text."""
    properties: dict[str, Any] = {}
    for path, field in keys(Case):
        table, _, name = path.rpartition(".")
        into = properties[table]["properties"] if table else properties
        into[name] = _schema(field)
    schema = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "crankclock case",
        "type": "object",
        "additionalProperties": False,
        "properties": properties,
    }
    return json.dumps(schema, indent=1, ensure_ascii=False) + "\n"


def _schema(field: Any) -> dict[str, Any]:
    described = {"description": field.description}
    if _is_table(field):
        return {"type": "object", "additionalProperties": False, "properties": {}, **described}
    if "dict" in str(field.annotation):
        return {"type": "object", "additionalProperties": {"type": "string"}, **described}
    reader: Any = next((each for each in markers(field) if hasattr(each, "schema")), None)
    return {**({"type": "boolean"} if reader is None else reader.schema()), **described}
