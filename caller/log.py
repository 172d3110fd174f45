"""An entry as one line of text, and back. Versioned; knows nothing of the rules.

A tag in KINDS, never a class's name, says what a line holds: classes may be renamed, logs stay readable.
"""

import json
import math
from enum import Enum
from types import MappingProxyType
from typing import Any

from cattrs import ClassValidationError, Converter
from cattrs.errors import BaseValidationError

from caller import facts
from caller.errors import CallerError, LogRefused
from caller.facts import Entry, Fact

__all__ = ["KINDS", "VERSION", "dump", "load"]

VERSION = 1
"""Of the line's shape. A reader lifts older lines; a newer one is refused by number."""

KINDS = MappingProxyType(
    {
        "race_opened": facts.RaceOpened,
        "start_set": facts.StartSet,
        "start_called_off": facts.StartCalledOff,
        "swung_off": facts.SwungOff,
        "latched_on": facts.LatchedOn,
        "rejoined_at": facts.RejoinedAt,
        "came_through": facts.CameThrough,
        "order_seen": facts.OrderSeen,
        "lost_wheel": facts.LostWheel,
        "retired": facts.Retired,
        "gap_opened": facts.GapOpened,
        "gap_closed": facts.GapClosed,
        "line_bunched": facts.LineBunched,
        "line_surged": facts.LineSurged,
        "landmark_passed": facts.LandmarkPassed,
        "felt_good": facts.FeltGood,
        "felt_empty": facts.FeltEmpty,
        "race_finished": facts.RaceFinished,
        "plan_offered": facts.PlanOffered,
        "lengthen_turn": facts.LengthenTurn,
        "shorten_turn": facts.ShortenTurn,
        "cut_turn": facts.CutTurn,
        "wait_for": facts.WaitFor,
        "go_without": facts.GoWithout,
        "call_aloud": facts.CallAloud,
        "say_aloud": facts.SayAloud,
        "resume": facts.Resume,
        "undo": facts.Undo,
    }
)
"""Tag of a log line to the fact it holds."""

_TAGS = {kind: tag for tag, kind in KINDS.items()}

_converter = Converter(forbid_extra_keys=True, detailed_validation=True)
_converter.register_unstructure_hook(Enum, lambda value: value.value)


def dump(entry: Entry) -> str:
    """One line of JSON, without its newline: keys in a fixed order, so the same entry gives the same bytes."""
    line = {
        "v": VERSION,
        "seq": entry.seq,
        "at_ms": entry.at_ms,
        "by": entry.by,
        "seen_ms": entry.seen_ms,
        "kind": _TAGS[type(entry.fact)],
        "fact": _converter.unstructure(entry.fact),
    }
    return json.dumps(line, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def load(line: str) -> Entry:
    """The entry that a line holds. Raises: LogRefused: it holds none; says where and what was expected."""
    try:
        raw = json.loads(line, parse_constant=_refuse_constant, parse_float=_finite)
    except (ValueError, RecursionError) as error:
        raise LogRefused("log line", "", line[:60], "expected one JSON object") from error
    where = f"entry {raw.get('seq', '?')}" if isinstance(raw, dict) else ""
    if not isinstance(raw, dict) or raw.get("v") != VERSION:
        found = f"version {raw.get('v')!r}" if isinstance(raw, dict) else type(raw).__name__
        raise LogRefused("log line", where, found, f"this program reads version {VERSION}")
    tag = raw.get("kind")
    kind = KINDS.get(tag) if isinstance(tag, str) else None
    if kind is None:
        raise LogRefused("log line", where, f"kind {tag!r}"[:60], f"expected one of {', '.join(KINDS)}")
    _check_whole(raw, where)
    return Entry(
        seq=raw["seq"],
        at_ms=raw["at_ms"],
        by=raw["by"],
        seen_ms=raw["seen_ms"],
        fact=_fact(raw["fact"], kind, where),
    )


def _refuse_constant(word: str) -> float:
    raise ValueError(f"{word} is no number of ours")


def _finite(digits: str) -> float:
    value = float(digits)
    return value if math.isfinite(value) else _refuse_constant(digits)


def _check_whole(raw: dict[str, Any], where: str) -> None:
    expected: dict[str, type | tuple[type, ...]] = {
        "seq": int, "at_ms": int, "by": str, "seen_ms": (int, type(None)), "fact": dict,
    }  # fmt: skip
    for key, types in expected.items():
        if key not in raw or not isinstance(raw[key], types) or isinstance(raw[key], bool):
            raise LogRefused("log line", f"{where}, {key}", repr(raw.get(key)), "missing, or of the wrong type")


def _fact(raw: dict[str, Any], kind: type[Fact], where: str) -> Fact:
    try:
        fact: Fact = _converter.structure(raw, kind)
    except CallerError:
        raise
    except ClassValidationError as error:
        found = "; ".join(_leaves(error))
        raise LogRefused("log line", f"{where}, {_TAGS[kind]}", found, "every field, of its own type") from error
    return fact


def _leaves(error: BaseValidationError) -> list[str]:
    """What is wrong at each leaf of a tree of errors, with the notes that name the field."""
    found = []
    for leaf in error.exceptions:
        if isinstance(leaf, BaseValidationError):
            found.extend(_leaves(leaf))
        else:
            note = next(iter(getattr(leaf, "__notes__", ())), "")
            found.append(f"{leaf} ({note})" if note else str(leaf))
    return found[:5]
