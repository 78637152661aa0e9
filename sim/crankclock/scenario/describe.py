"""The scenario's keys described: one key in words, and all of them as a JSON Schema."""

from __future__ import annotations

import difflib
import json
from typing import Any

from crankclock.errors import InputError, Problem
from crankclock.scenario.defaults import DEFAULTS, default_words, pattern
from crankclock.scenario.fields import Choice, In, ListOf, Number, Rows, Text
from crankclock.scenario.schema import Scenario, Table, inner, keys, markers, required
from crankclock.units import DIMENSIONS

NAME_PATTERN = "^[a-z0-9][a-z0-9-]*$"


def explain(path: str) -> str:
    """What a key means, what it takes, and its default.

    Parameters
    ----------
    path : str
        A key's path, with the name of a thing or `*` in its place; or a table's, for all its keys.

    Raises
    ------
    InputError
        There is no such key.
    """
    if path.strip().split(".")[-1] == "use":
        return (
            "use: A TOML file that holds this table's keys at its root; the table's own keys win. Any table may say it."
        )
    known = dict(keys())
    wanted = pattern(path.strip().removesuffix("."))
    if wanted not in known:
        close = difflib.get_close_matches(wanted, list(known), 3, 0.5)
        hint = f"; the nearest: {', '.join(close)}" if close else ""
        raise InputError([Problem("KEY", f'"{path[:80]}"', f"a key of the scenario{hint}")])
    table, named = inner(known[wanted].annotation)
    if table is None:
        return _line(wanted, known[wanted])
    prefix = f"{wanted}.*" if named else wanted
    lines = [f"[{prefix}]  {known[wanted].description}"]
    lines += [f"  {_line(below, field)}" for below, field in keys() if below.rpartition(".")[0] == prefix]
    return "\n".join(lines)


def _line(path: str, field: Any) -> str:
    table, named = inner(field.annotation)
    if table is not None:
        return f"[{path}{'.*' if named else ''}]  {field.description}"
    said = [str(field.description), f"Takes {taken(field)}."]
    default = default_words(path)
    when = required(field)
    if when is True:
        said.append("Required.")
    elif isinstance(when, str):
        said.append(f"Required for {when}.")
    elif default is not None:
        said.append(f"Left out: {default}.")
    else:
        said.append("May be left out.")
    return f"{path}: " + " ".join(said)


def taken(field: Any) -> str:
    """What a key's value is, in words."""
    for marker in markers(field):
        if isinstance(marker, In):
            kind = DIMENSIONS[marker.dimension]
            return f"{kind.words}, such as {kind.example}"
        if isinstance(marker, Number | Rows | Text):
            return marker.words
        if isinstance(marker, Choice):
            return "one of " + ", ".join(f'"{option}"' for option in marker.options)
        if isinstance(marker, ListOf):
            return f"a list, each {DIMENSIONS[marker.item.dimension].words}"
    raise AssertionError("a key without a marker")


def json_schema() -> dict[str, Any]:
    """The JSON Schema of a scenario file, for editors and outside checks."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "crankclock scenario",
        **_table(Scenario, ""),
    }


def json_schema_text() -> str:
    """The schema as the text of its file."""
    return json.dumps(json_schema(), indent=1, ensure_ascii=False) + "\n"


def _table(table: type[Table], prefix: str) -> dict[str, Any]:
    properties: dict[str, Any] = {"use": {"type": "string", "description": "A TOML file that holds this table's keys."}}
    for name, field in table.model_fields.items():
        below, named = inner(field.annotation)
        path = f"{prefix}{name}"
        if below is None:
            properties[name] = _key(path, field)
        elif named:
            things = _table(below, f"{path}.*.")
            properties[name] = {
                "type": "object",
                "description": field.description,
                "propertyNames": {"pattern": NAME_PATTERN},
                "additionalProperties": things,
            }
        else:
            properties[name] = {**_table(below, f"{path}."), "description": field.description}
    return {"type": "object", "additionalProperties": False, "properties": properties}


def _key(path: str, field: Any) -> dict[str, Any]:
    marker: Any = next(iter(markers(field)))
    described = {**marker.schema(), "description": f"{field.description} Takes {taken(field)}."}
    default = DEFAULTS.get(path)
    if isinstance(default, str | int | float):
        described["default"] = default
    return described
