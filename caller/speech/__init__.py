"""A cue in words: what the voice says, where its key word lies, and what screens write.

One file a language; it is found by its code in ``riders.LANGUAGES``. Must not know when a cue is due, nor of any
engine, clip or screen.
"""

import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from importlib import import_module
from types import MappingProxyType

from caller.cues import Cue, CueKind
from caller.riders import LANGUAGES
from caller.speech.language import SLOTS, Language
from caller.units import RiderId

__all__ = ["MOST_NAMES_SPOKEN", "SLOTS", "TABLES", "Language", "Spoken", "say", "unforeseen", "written"]

MOST_NAMES_SPOKEN = 3
"""Names said of a new order. With the word that announces it that makes four units of information, the most that is
taken in on the road (Gatling 1975, FHWA-RD-75-73); screens show the whole line."""

TABLES: Mapping[str, Language] = MappingProxyType(
    {code: import_module(f"caller.speech.{code}").LANGUAGE for code in LANGUAGES}
)
"""Every language's phrases, by ISO 639-1 code."""

_SLOT = re.compile(r"\{(\w+)\}")
_TERRAIN = re.compile(r"(climb|descent|flat)( \d{1,3})?", re.IGNORECASE)
_WORD = re.compile(r"[^\s,.:;]+")
_MORE_S = (5, 10, 15, 20, 30)
_ON_PLAN_S = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Spoken:
    """What the voice says.

    Attributes:
        text: for the voice.
        key_word: the word whose onset falls on the cue's due instant.
        key_at: where it begins in the text, counted in characters from 0.
    """

    text: str
    key_word: str
    key_at: int


def say(cue: Cue, names: Mapping[RiderId, str], language: str) -> Spoken:
    """The cue as a rider would call it: name first, four units of information at the most.

    Powers are said to the nearest 5 W and distances to the nearest 50 m (10 m below 100 m): nobody rides closer.

    Args:
        names: every rider's name as it is spoken.
        language: one of ``riders.LANGUAGES``.
    Raises:
        KeyError: a rider in the cue has no name, or the language isn't one of them.
        ValueError: the cue lacks what its kind says, such as a hold without a power.
    """
    table = TABLES[language]
    few = cue.order[:MOST_NAMES_SPOKEN]
    return _compose(
        cue,
        table,
        {
            "name": _name(cue.rider, names),
            "power": _if_any(_nearest_5(cue.power_w), table.watts),
            "seconds": _if_any(cue.seconds, table.number),
            "count": _count(cue.seconds, table),
            "distance": _if_any(
                _round_distance(cue.distance_m), lambda m: f"{table.number(m)} {table.metres}".rstrip()
            ),
            "place": _place(cue.place, table, table.number),
            "order": ", ".join(_name(rider, names) for rider in few),
            "words": _words(cue.words),
            "needed": table.needed if cue.spare == 0 else "",
            "gap": _if_any(cue.against_plan_s, lambda s: _gap(s, table, f"{table.number(abs(s))} {table.seconds}")),
        },
    )


def written(cue: Cue, names: Mapping[RiderId, str], language: str) -> str:
    """The cue for screens: the same words, figures in digits with their units, the whole order.

    Args:
        names: every rider's name as it is shown.
        language: one of ``riders.LANGUAGES``.
    Raises: as say.
    """
    table = TABLES[language]
    text = _compose(
        cue,
        table,
        {
            "name": _name(cue.rider, names),
            "power": _if_any(_nearest_5(cue.power_w), "{} W".format),
            "seconds": _if_any(cue.seconds, "{} s".format),
            "count": _if_any(cue.seconds, "{} s".format),
            "distance": _if_any(_round_distance(cue.distance_m), "{} m".format),
            "place": _place(cue.place, table, str),
            "order": ", ".join(_name(rider, names) for rider in cue.order),
            "words": _words(cue.words),
            "needed": table.needed if cue.spare == 0 else "",
            "gap": _if_any(cue.against_plan_s, lambda s: _gap(s, table, f"{abs(s)} s")),
        },
    ).text
    return text[0].upper() + text[1:]


def unforeseen(riders: Iterable[RiderId]) -> tuple[Cue, ...]:
    """Every cue that no plan foretells and that may be wanted at once, most urgent first; their clips are made ahead.

    The planned ones (who leads, with how much power, which climb) are in the known future of the race already.
    A new order isn't here: there are too many; it can wait for its clip. Nor are the director's own words, nor
    how far the line is ahead of the plan.
    """
    riders = tuple(riders)
    line = (CueKind.STOP, CueKind.EASE, CueKind.LIFT, CueKind.PRESS_ON, CueKind.WAIT, CueKind.GO, CueKind.ALL_IN)
    each = (
        CueKind.STOP,
        CueKind.SWITCH,
        CueKind.OFF_NOW,
        CueKind.CLOSE_GAP,
        CueKind.LATCH_ON,
        CueKind.EASE,
        CueKind.STAND_BY,
        CueKind.WAIT,
        CueKind.GO,
        CueKind.LIFT,
        CueKind.PRESS_ON,
        CueKind.ADRIFT,
        CueKind.RESTED,
        CueKind.SPEND,
    )
    return (
        *(Cue(id="", kind=kind, due_ms=0) for kind in line),
        *(Cue(id="", kind=kind, due_ms=0, rider=rider) for kind in each for rider in riders),
        *(Cue(id="", kind=CueKind.STAY_ON, due_ms=0, rider=rider, seconds=s) for s in _MORE_S for rider in riders),
        *(Cue(id="", kind=CueKind.OUT, due_ms=0, rider=rider, spare=spare) for spare in (0, 1) for rider in riders),
    )


def _compose(cue: Cue, table: Language, slots: Mapping[str, str]) -> Spoken:
    text, key_at = "", None
    for part in table.phrases[cue.kind]:
        if not all(slots[slot] for slot in _SLOT.findall(part)):
            continue
        text += " " if text else ""
        before, star, rest = part.partition("*")
        text += before.format_map(slots)
        if star:
            key_at = len(text)
        text += rest.replace("*", "").format_map(slots)
    text = text.rstrip(" ,:")
    if key_at is None or key_at >= len(text):
        raise ValueError(f"cue {cue.id!r}: a {cue.kind.value} without what its key word says")
    word = _WORD.match(text, key_at)
    return Spoken(text=text, key_word=word[0] if word else text[key_at:], key_at=key_at)


def _name(rider: RiderId | None, names: Mapping[RiderId, str]) -> str:
    return "" if rider is None else " ".join(names[rider].split())


def _words(words: str | None) -> str:
    return " ".join((words or "").split())


def _if_any(value: int | None, say_it: Callable[[int], str]) -> str:
    return "" if value is None else say_it(value)


def _count(seconds: int | None, table: Language) -> str:
    if seconds is None:
        return ""
    if seconds == 60:
        return table.minute
    if seconds > 60 and seconds % 60 == 0:
        return f"{table.number(seconds // 60)} {table.minutes}"
    # The last ten are counted bare: the word must be over before the next one.
    return f"{table.number(seconds)} {table.seconds}" if seconds > 10 else table.number(seconds)


def _gap(behind_s: int, table: Language, seconds: str) -> str:
    """Against the plan; a second more or less is neither."""
    if abs(behind_s) < _ON_PLAN_S:
        return table.on_plan
    return f"{seconds} {table.behind if behind_s > 0 else table.ahead}"


def _place(place: str | None, table: Language, number: Callable[[int], str]) -> str:
    """A stretch's name in the language if it has none of its own (``climb 1``), else as its owner wrote it."""
    place = " ".join((place or "").split())
    plain = _TERRAIN.fullmatch(place)
    if plain is None:
        return place
    return " ".join([table.terrain[plain[1].lower()], *([number(int(plain[2]))] if plain[2] else [])])


def _nearest_5(power_w: int | None) -> int | None:
    return None if power_w is None else 5 * round(power_w / 5)


def _round_distance(distance_m: int | None) -> int | None:
    if not distance_m or distance_m < 0:
        return None
    step = 10 if distance_m < 100 else 50
    return max(step, step * round(distance_m / step))
