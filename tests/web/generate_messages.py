"""Writes web/lib/messages.js: the wire's messages as JSDoc types, so that `tsc` finds a misspelt field in a page.

Of what is answered over HTTP, the parts that pages look into deepest are there too.

Run `python -m tests.web.generate_messages` after a change in server/wire; test_messages fails until you do.
"""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter

from server.wire import http
from server.wire.inbound import Inbound
from server.wire.outbound import Outbound

MESSAGES = Path(__file__).parents[2] / "web" / "lib" / "messages.js"

ANSWERS = (http.Columns, http.Effects, http.WorkCard)

HEAD = """\
/**
 * The messages of the socket as types. Generated from server/wire by tests/web/generate_messages.py: do not edit.
 */

export {}
"""


def messages_js() -> str:
    """The whole file, from the models as they are now."""
    parts = [HEAD]
    models: dict[str, dict[str, Any]] = {}
    for name, union in (("Inbound", Inbound), ("Outbound", Outbound)):
        adapter: TypeAdapter[Any] = TypeAdapter(union)  # type: ignore[arg-type, unused-ignore]
        schema = adapter.json_schema(mode="serialization")
        models |= schema["$defs"]
        members = [ref["$ref"].rsplit("/", 1)[1] for ref in schema["oneOf"]]
        parts.append(f"/** @typedef {{{' | '.join(members)}}} {name} */\n")
    for answer in ANSWERS:
        schema = answer.model_json_schema(mode="serialization")
        models |= {answer.__name__: schema} | schema.get("$defs", {})
    parts += ["\n".join(_typedef(name, models[name])) + "\n" for name in sorted(models)]
    return "\n".join(parts)


def _typedef(name: str, schema: dict[str, Any]) -> Iterator[str]:
    yield "/**"
    for line in (schema.get("description") or "").splitlines():
        yield f" * {line}".rstrip()
    yield " *"
    yield f" * @typedef {{object}} {name}"
    for field, value in schema.get("properties", {}).items():
        yield f" * @property {{{_type(value)}}} {field}"
    yield " */"


def _type(schema: dict[str, Any]) -> str:
    match schema:
        case {"$ref": ref}:
            return str(ref).rsplit("/", 1)[1]
        case {"const": value}:
            return f"'{value}'"
        case {"enum": values}:
            return " | ".join(f"'{value}'" for value in values)
        case {"anyOf": options} | {"oneOf": options}:
            return " | ".join(_type(option) for option in options)
        case {"type": "array", "prefixItems": items}:
            return f"readonly [{', '.join(_type(item) for item in items)}]"
        case {"type": "array", "items": item}:
            inner = _type(item)
            return f"readonly ({inner})[]" if " " in inner else f"readonly {inner}[]"
        case {"type": "object", "additionalProperties": dict(value)}:
            return f"Record<string, {_type(value)}>"
        case {"type": "integer" | "number"}:
            return "number"
        case {"type": str(name)}:
            return name
    raise ValueError(f"no JSDoc type for {schema!r}; teach _type() this form")


if __name__ == "__main__":
    MESSAGES.write_text(messages_js(), encoding="utf-8")
