"""The sentences that say what is wrong in a TOML file, and what would be right."""

from __future__ import annotations

import difflib
import json
import re
from datetime import date, time
from functools import cache
from typing import Any

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from benchrig.session.toml_lines import KeyPath

# What TOML calls the values that pydantic asks for, by pydantic's error types.
_SENTENCES = {
    "bool_type": "must be true or false, without quotes",
    "dict_type": "must be a table",
    "finite_number": "must be a finite number",
    "float_type": "must be a number, without quotes",
    "greater_than": "must be above {gt:g}",
    "greater_than_equal": "must be {ge:g} or more",
    "int_from_float": "must be a whole number",
    "int_type": "must be a whole number, without quotes",
    "less_than_equal": "must be {le:g} or less",
    "literal_error": "must be {expected}",
    "model_type": "must be a table, like {{ key = value }}",
    "string_pattern_mismatch": "must be a name: a letter or digit first, then letters, digits, "
    "'_', '-' and '.'",
    "string_too_long": "must be at most {max_length} characters long",
    "string_too_short": "must not be empty",
    "string_type": "must be text in quotes",
    "too_short": "must hold {min_length} or more",
    "tuple_type": "must be an array, like [a, b]",
}

# What people write that is not TOML, by what the parser or the line says.
_NOT_TOML = (
    (re.compile(r"\r(?!\Z)"), "lines end in LF or CRLF, not in CR alone; save it so"),
    (
        re.compile(r"=\s*[+-]?\.?\d[\d.,]*(?:e[+-]?\d+)?\s*[A-Za-zµμΩ%°]", re.IGNORECASE),
        'a number with a unit stands in quotes: "1.2 uA"',
    ),
    (
        re.compile(r"""Unescaped '\\'"""),
        r"a regular expression stands in single quotes: '\d+'",
    ),
    (re.compile(r"Cannot (?:declare|overwrite|mutate)"), "it stands there twice; drop one"),
    (re.compile(r"Illegal character '\\n'|Unterminated"), "a closing quote is missing"),
    (re.compile(r"Invalid value"), "text stands in quotes; truth is true or false"),
)


def value_wrong(entry: ErrorDetails, model: type[BaseModel], path: KeyPath) -> str:
    """Why the value at `path` cannot be taken."""
    kind, context = entry["type"], entry.get("ctx", {})
    if kind == "missing":
        return f"is missing: add {_example(path, _schema_at(model, path))}"
    if kind == "value_error":
        text = str(context["error"])
    elif kind in _SENTENCES:
        text = _SENTENCES[kind].format(**context)
        # TOML spells truth in small letters.
        text = "must be true" if text == "must be True" else text
    else:
        text = entry["msg"].removeprefix("Input ")
    asks = text.startswith(("must", "should"))
    return f"is {shown(entry['input'])}; it {text}" if asks else text


def key_unknown(path: KeyPath, model: type[BaseModel], close: str | None) -> str:
    """That the key at `path` is not known, and which was meant."""
    if close is not None:
        return f"is not a known key; did you mean {close!r}?"
    if len(path) > 1 and path[-1] in model.model_fields:
        return "is not a known key here; it belongs at the top, before the first [table]"
    return f"is not a known key; known here: {', '.join(known_keys(model, path[:-1]))}"


def closest(key: str, known: list[str]) -> str | None:
    """The known key that `key` is a misspelling of, if any."""
    return next(iter(difflib.get_close_matches(key, known, n=1, cutoff=0.7)), None)


def not_toml(reason: str, line: str) -> str:
    """What the TOML parser complains of, and what is behind it as far as the line shows it."""
    hints = (hint for pattern, hint in _NOT_TOML if pattern.search(reason) or pattern.search(line))
    # The parser writes a dotted key as Python does: ('a', 'b').
    reason = re.sub(r"\(('.*?'),?\)", lambda key: key[1].replace("', '", "."), reason)
    text = f"is not valid TOML: {reason[:1].lower()}{reason[1:]}"
    return "; ".join([text, *list(hints)[:1]])


def known_keys(model: type[BaseModel], path: KeyPath) -> list[str]:
    """The keys of the table at `path`."""
    return sorted(_schema_at(model, path).get("properties", {}))


def spell(path: KeyPath) -> str:
    """``states[2].limit.max``, counted from 1 as people count."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part + 1}]"
        else:
            bare = re.fullmatch(r"[A-Za-z0-9_-]+", part)
            text += ("." if text else "") + (part if bare else _quoted(part))
    return text


def shown(value: object) -> str:
    """A value as it stands in the file, as far as that is short."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return f"an array of {len(value)}"
    if isinstance(value, date | time):
        return str(value)
    text = repr(value)
    return text if len(text) < 60 else f"{text[:56]}..."


@cache
def _schema(model: type[BaseModel]) -> dict[str, Any]:
    return model.model_json_schema()


def _schema_at(model: type[BaseModel], path: KeyPath) -> dict[str, Any]:
    """The JSON schema of what stands at `path`; an empty one where the path leads nowhere."""
    schema = _schema(model)

    def resolved(node: dict[str, Any]) -> dict[str, Any]:
        options = [option for option in node.get("anyOf", []) if option.get("type") != "null"]
        node = options[0] if options else node
        if "$ref" in node:
            node = schema["$defs"][node["$ref"].rpartition("/")[2]]
        return node

    node = schema
    for part in path:
        if isinstance(part, int):
            node = resolved(node.get("items", {}))
        else:
            inner = node.get("properties", {}).get(part) or node.get("additionalProperties")
            node = resolved(inner or {})
    return node


def _example(path: KeyPath, schema: dict[str, Any]) -> str:
    key = spell(path[-1:])
    if examples := schema.get("examples"):
        return f"{key} = {_quoted(examples[0])}, say"
    if "const" in schema:
        return f"{key} = {_quoted(schema['const'])}"
    if options := schema.get("enum"):
        return f"{key} = {' or '.join(_quoted(option) for option in options)}"
    kind = schema.get("type")
    if kind == "object":
        return f"the table [{spell(path)}]" if len(path) == 1 else f"the table {key} = {{ ... }}"
    if kind == "array":
        tables = "$ref" in schema.get("items", {})
        return f"a table [[{spell(path)}]]" if tables else f'{key} = ["...", "..."]'
    values = {"string": '"..."', "boolean": "true or false"}
    return f"{key} = {values.get(str(kind), 'a number')}"


def _quoted(text: object) -> str:
    return json.dumps(text, ensure_ascii=False)
