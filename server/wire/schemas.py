"""The JSON Schemas that the server publishes. Made from the models themselves, so they can't be out of date."""

from collections.abc import Callable
from typing import Any

from pydantic import TypeAdapter

from caller.log import KINDS, VERSION
from caller.plan import Plan
from caller.rehearsal import scenario_schema
from server.wire import http
from server.wire.inbound import Inbound
from server.wire.outbound import Outbound
from server.wire.report import PlanReport

__all__ = ["SCHEMAS", "schema_of"]

_DIALECT = "https://json-schema.org/draft/2020-12/schema"


def schema_of(name: str) -> dict[str, Any]:
    """One of SCHEMAS. Raises: KeyError: there is none of this name."""
    return {"$schema": _DIALECT, **SCHEMAS[name][1]()}


def _union(union: Any) -> dict[str, Any]:
    return TypeAdapter(union).json_schema(mode="serialization")


def _log() -> dict[str, Any]:
    """One line of a log: the envelope, and for each kind its fact."""
    shared: dict[str, Any] = {}
    kinds = []
    for tag, kind in KINDS.items():
        schema = TypeAdapter(kind).json_schema(mode="serialization")
        shared |= schema.pop("$defs", {})
        kinds.append({"properties": {"kind": {"const": tag}, "fact": {**schema, "additionalProperties": False}}})
    return {
        "title": "A line of a race's log",
        "type": "object",
        "properties": {
            "v": {"const": VERSION},
            "seq": {"type": "integer", "minimum": 1},
            "at_ms": {"type": "integer", "description": "on the race clock: 0 at the gun"},
            "by": {"type": "string"},
            "seen_ms": {"type": ["integer", "null"]},
            "kind": {"enum": list(KINDS)},
            "fact": {"type": "object"},
        },
        "required": ["v", "seq", "at_ms", "by", "seen_ms", "kind", "fact"],
        "additionalProperties": False,
        "oneOf": kinds,
        "$defs": shared,
    }


SCHEMAS: dict[str, tuple[str, Callable[[], dict[str, Any]]]] = {
    "inbound": ("what a page sends over its socket", lambda: _union(Inbound)),
    "outbound": ("what the server sends over a socket", lambda: _union(Outbound)),
    "draft": ("a race while it is set up", lambda: _union(http.Draft)),
    "riders": ("riders as the form sends them", lambda: _union(tuple[http.RiderForm, ...])),
    "rules": ("the rules of a race", lambda: _union(http.RulesForm)),
    "links": ("what a director hands out", lambda: _union(http.Links)),
    "trouble": ("every refusal", lambda: _union(http.Trouble)),
    "log": ("one line of a race's log", _log),
    "plan": ("a plan, as it stands in a log", lambda: _union(Plan)),
    "plan-report": ("a plan, as the command prints it with --json", lambda: _union(PlanReport)),
    "columns": ("plans side by side", lambda: _union(http.Columns)),
    "what-if": ("what is to be otherwise", lambda: _union(http.WhatIfAsk)),
    "effects": ("what a plan's choices buy", lambda: _union(http.Effects)),
    "work": ("what is being worked out, and how far it is", lambda: _union(http.WorkCard)),
    "scenario": ("a rehearsal's script, as JSON has TOML", lambda: dict(scenario_schema())),
}
"""Every schema's name, what it is of, and how it is made."""
