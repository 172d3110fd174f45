"""TOML text to a scenario, or a refusal that names the place. Reads no file itself.

Must not know how riders ride.
"""

import math
import re
import tomllib
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

from caller.course import HEIGHTS_M, LENGTHS_M, Course, Landmark, Stretch, Terrain, course_from_profile, height_at
from caller.errors import FileRefused, Refused, ScenarioRefused
from caller.facts import Aloud
from caller.plan import RaceRules
from caller.rehearsal import scenario
from caller.rehearsal.keys import (
    COURSE_KEYS,
    EVENT_KINDS,
    LANDMARK_KEYS,
    PEOPLE_KEYS,
    RIDER_KEYS,
    RULE_KEYS,
    STRETCH_KEYS,
    TOP_KEYS,
    WHEN_FORMS,
    Key,
    by_of,
)
from caller.rehearsal.scenario import Event, People, Scenario
from caller.riders import Rider, Roster, rider_key
from caller.units import RiderId, figure_text

__all__ = ["MOST_CHARACTERS", "read_scenario"]

MOST_CHARACTERS = 1_000_000
"""A longer script is no script."""

_ABSURD = 1e300
"""A whole number may be too large to become any other figure."""


def read_scenario(
    text: str, *, called: str = "scenario", course_beside: Callable[[str], Course] | None = None
) -> Scenario:
    """A scenario from its TOML.

    Args:
        text: the whole script.
        called: what its owner calls it, for refusals, such as ``demo.toml``.
        course_beside: reads the course file of a given plain name beside the script, and may raise FileRefused;
            None if there is nothing beside it, as for a script pasted into a page.
    Raises: ScenarioRefused: anything in it is unknown, missing, of the wrong kind or out of range; the first is told.
    """
    return _Reader(called, course_beside).read(_parsed(text, called))


def _parsed(text: str, called: str) -> dict[str, Any]:
    if len(text) > MOST_CHARACTERS:
        raise ScenarioRefused(called, "", f"{len(text)} characters", f"expected at most {MOST_CHARACTERS}")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise ScenarioRefused(called, "", "brackets nested too deeply", "expected at most a few levels") from None
    except ValueError as problem:  # tomllib's own error is one; so is a number of thousands of digits
        said = str(problem)
        place = re.search(r"\(at (line \d+, column \d+)\)", said)
        found = said[: place.start()].strip() if place else said
        raise ScenarioRefused(called, place[1] if place else "", f"{found[:200]!r}", "expected TOML") from None


class _Reader:
    """Reads one script; holds only what every refusal needs."""

    def __init__(self, called: str, course_beside: Callable[[str], Course] | None) -> None:
        self._called = called
        self._course_beside = course_beside
        self._riders: tuple[str, ...] = ()
        self._landmarks: tuple[str, ...] = ()

    def read(self, table: dict[str, Any]) -> Scenario:
        top = self._table(table, TOP_KEYS, "")
        course = self._course(top["course"])
        roster, days = self._roster(top["riders"])
        self._riders = tuple(roster.ids)
        self._landmarks = tuple(landmark.name for landmark in course.landmarks)
        rules = self._rules(top.get("rules", {}), roster)
        kept = {key: top[key] for key in ("title", "about", "countdown_s", "seed", "plan") if key in top}
        people = People(**self._table(top.get("people", {}), PEOPLE_KEYS, "people"))
        events = tuple(self._event(event, f"event {count}") for count, event in enumerate(top.get("events", ()), 1))
        for count, event in enumerate(events, 1):
            self._check_reach(event, f"event {count}", course, roster)
        return Scenario(**kept, course=course, roster=roster, days=days, rules=rules, people=people, events=events)

    # Parts

    def _course(self, table: Any) -> Course:
        values = self._table(table, COURSE_KEYS, "course")
        if "file" in values:
            return self._course_file(values)
        for needed in ("name", "profile"):
            if needed not in values:
                raise self._refusal("course", f"no {needed}", "expected either file, or name and profile")
        profile = values["profile"]
        course: Course = self._checked(
            course_from_profile,
            name=values["name"],
            distance_m=[distance_m for distance_m, _ in profile],
            height_m=[height_m for _, height_m in profile],
        )
        if "stretches" in values:
            course = replace(course, stretches=self._stretches(values["stretches"], course))
        if "landmarks" in values:
            course = replace(course, landmarks=self._marks(values["landmarks"], course))
        return course

    def _course_file(self, values: dict[str, Any]) -> Course:
        name = values["file"]
        if len(values) > 1:
            other = next(key for key in values if key != "file")
            raise self._refusal("course", f"file beside {other}", "expected either file, or name and profile")
        # Nothing but a plain name: a script from a stranger must not reach into other folders.
        if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9 ._-]*", name):
            raise self._refusal("course, file", repr(name), "expected the plain name of a file beside the scenario")
        if self._course_beside is None:
            raise self._refusal("course, file", repr(name), "there are no files beside this scenario; draw the profile")
        try:
            return self._course_beside(name)
        except FileRefused as refused:
            raise self._refusal(f"course file {name}", refused.found, refused.allowed) from refused

    def _stretches(self, tables: Any, course: Course) -> tuple[Stretch, ...]:
        rows = [self._table(row, STRETCH_KEYS, f"stretch {count}") for count, row in enumerate(tables, 1)]
        starts = [row["start_m"] for row in rows]
        if starts[0] != 0:
            raise self._refusal("stretch 1", f"a start at {starts[0]:g} m", "expected the first to start at 0 m")
        made = []
        for row, end_m in zip(rows, [*starts[1:], course.length_m], strict=True):
            if end_m <= row["start_m"]:
                allowed = f"expected stretches in order, each starting before {course.length_m:g} m"
                raise self._refusal(f"stretch {row['name']}", f"{row['start_m']:g} m to {end_m:g} m", allowed)
            rise_m = height_at(course, end_m) - height_at(course, row["start_m"])
            terrain = Terrain(row["terrain"])
            made.append(Stretch(name=row["name"], terrain=terrain, start_m=row["start_m"], end_m=end_m, rise_m=rise_m))
        return tuple(made)

    def _marks(self, tables: Any, course: Course) -> tuple[Landmark, ...]:
        marks = [
            Landmark(**self._table(mark, LANDMARK_KEYS, f"landmark {count}")) for count, mark in enumerate(tables, 1)
        ]
        for mark in marks:
            if not 0 < mark.at_m < course.length_m:
                allowed = f"expected a place between the start and the finish at {course.length_m:g} m"
                raise self._refusal(f"landmark {mark.name}", f"{mark.at_m:g} m", allowed)
        for before, after in pairwise(marks):
            if after.at_m <= before.at_m:
                allowed = f"expected landmarks in order, this one beyond {before.at_m:g} m"
                raise self._refusal(f"landmark {after.name}", f"{after.at_m:g} m", allowed)
        return tuple(marks)

    def _roster(self, tables: Any) -> tuple[Roster, tuple[tuple[RiderId, float], ...]]:
        riders: list[Rider] = []
        days: list[tuple[RiderId, float]] = []
        for count, table in enumerate(tables, 1):
            values = self._table(table, RIDER_KEYS, f"rider {count}")
            key = (
                rider_key(values["name"], [rider.id for rider in riders])
                if "id" not in values
                else RiderId(values.pop("id"))
            )
            if "day" in values:
                days.append((key, values.pop("day")))
            values.setdefault("spoken", values["name"])
            riders.append(self._checked(Rider, id=key, **values))
        return self._checked(Roster, riders=tuple(riders)), tuple(days)

    def _rules(self, table: Any, roster: Roster) -> RaceRules:
        rules: RaceRules = self._checked(RaceRules, **self._table(table, RULE_KEYS, "rules"))
        if rules.counted > len(roster.riders):
            allowed = f"expected at most {len(roster.riders)}, the number of riders"
            raise self._refusal("rules, counted", str(rules.counted), allowed)
        return rules

    def _event(self, table: Any, where: str) -> Event:
        if not isinstance(table, dict):
            raise self._refusal(where, _named(table), "expected a table with what and when")
        word = table.get("what")
        if word is None:
            raise self._refusal(where, "no what", f"expected one of {', '.join(EVENT_KINDS)}")
        if not isinstance(word, str) or word not in EVENT_KINDS:
            raise self._refusal(f"{where}, what", repr(word)[:60], f"expected one of {', '.join(EVENT_KINDS)}")
        made, keys = EVENT_KINDS[word]
        where = f"{where} ({word})"
        if "when" not in table:
            raise self._refusal(where, "no when", f"expected {_when_words()}")
        when = self._when(table["when"], f"{where}, when")
        rest = {key: value for key, value in table.items() if key not in ("what", "when")}
        values = self._table(rest, (*keys, *by_of(word)), where, also=("what", "when"))
        by = values.pop("by", "")
        if "aloud" in values:
            values["aloud"] = Aloud(values["aloud"])
        return Event(when=when, what=made(**values), by=by)

    def _when(self, table: Any, where: str) -> scenario.When:
        if isinstance(table, dict):
            for made, keys in WHEN_FORMS.items():
                # The last needed key of a form names it: at_s, at_m, turn, turns.
                mark = [key.name for key in keys if key.needed][-1]
                if mark in table:
                    values = self._table(table, keys, where)
                    when: scenario.When = made(**values)
                    return when
        raise self._refusal(where, repr(table)[:60], f"expected {_when_words()}")

    def _check_reach(self, event: Event, where: str, course: Course, roster: Roster) -> None:
        """Refuse what could never happen: beyond the finish, or a slot that this line does not have."""
        if isinstance(event.when, scenario.AtPlace) and event.when.at_m >= course.length_m:
            allowed = f"expected less than the course's {course.length_m:g} m"
            raise self._refusal(f"{where}, when, at_m", f"{event.when.at_m:g}", allowed)
        slot = getattr(event.what, "slot", None)
        if slot is not None and slot >= len(roster.riders):
            allowed = f"expected 1 to {len(roster.riders) - 1}: the line has {len(roster.riders)} riders"
            raise self._refusal(f"{where}, slot", str(slot), allowed)

    # Tables and single values

    def _table(self, table: Any, keys: tuple[Key, ...], where: str, *, also: tuple[str, ...] = ()) -> dict[str, Any]:
        """The values of a table, each checked; what may be left out and is, is left out here too."""
        if not isinstance(table, dict):
            raise self._refusal(where, _named(table), "expected a table")
        by_name = {key.name: key for key in keys}
        for name in table:
            if name not in by_name:
                allowed = f"expected only {', '.join((*also, *by_name))}"
                raise self._refusal(where, f"the unknown key {name[:60]!r}", allowed)
        values = {}
        for key in keys:
            if key.name in table:
                values[key.name] = self._value(table[key.name], key, f"{where}, {key.name}" if where else key.name)
            elif key.needed:
                raise self._refusal(where, f"no {key.name}", f"expected {key.name}: {key.means}")
        return values

    def _value(self, value: Any, key: Key, where: str) -> Any:
        match key.kind:
            case "number" | "whole":
                return self._number(value, key, where)
            case "text":
                if not isinstance(value, str) or not value.isprintable() or not 1 <= len(value.strip()) <= _most(key):
                    raise self._refusal(where, _named(value), f"expected 1 to {_most(key):g} printable characters")
                return value.strip()
            case "choice":
                return self._choice(value, key.choices, where)
            case "rider":
                return RiderId(self._choice(value, self._riders, where))
            case "riders":
                self._check_list(value, key, where)
                return tuple(RiderId(self._choice(one, self._riders, where)) for one in value)
            case "landmark":
                return self._choice(value, self._landmarks, where)
            case "table":
                if not isinstance(value, dict):
                    raise self._refusal(where, _named(value), f"expected a table: {key.means}")
                return value
            case "tables":
                self._check_list(value, key, where)
                return value
            case "pairs":
                self._check_list(value, key, where)
                return tuple(self._pair(pair, f"{where}, mark {count}") for count, pair in enumerate(value, 1))
            case "numbers":
                self._check_list(value, key, where)
                one = Key(name=key.name, kind="number", means=key.means)
                return tuple(self._number(item, one, f"{where}, item {count}") for count, item in enumerate(value, 1))
        raise AssertionError(key.kind)

    def _number(self, value: Any, key: Key, where: str) -> float | int:
        whole = key.kind == "whole"
        # A bool is an int to Python, but not to anybody else.
        if isinstance(value, bool) or not isinstance(value, int if whole else (int, float)):
            raise self._refusal(where, _named(value), f"expected a {'whole ' if whole else ''}number{_range(key)}")
        least, most = (-math.inf if key.least is None else key.least), (math.inf if key.most is None else key.most)
        if not (least <= value <= most and -_ABSURD < value < _ABSURD):
            found = f"{value:.15g}" if -_ABSURD < value < _ABSURD else figure_text(value)
            raise self._refusal(where, found, f"expected a {'whole ' if whole else ''}number{_range(key)}")
        return value if whole else float(value)

    def _choice(self, value: Any, choices: tuple[str, ...], where: str) -> str:
        if not isinstance(value, str) or value not in choices:
            raise self._refusal(where, _named(value), f"expected one of {', '.join(choices) or 'none: there are none'}")
        return value

    def _check_list(self, value: Any, key: Key, where: str) -> None:
        if not isinstance(value, list):
            raise self._refusal(where, _named(value), f"expected a list: {key.means}")
        least, most = int(key.least or 0), int(_most(key))
        if not least <= len(value) <= most:
            raise self._refusal(where, f"{len(value)} items", f"expected {least} to {most}")

    def _pair(self, value: Any, where: str) -> tuple[float, float]:
        if not isinstance(value, list) or len(value) != 2:
            raise self._refusal(where, _named(value), "expected [distance, height] in metres")
        distance = Key(name="distance", kind="number", means="", least=0, most=LENGTHS_M[1])
        height = Key(name="height", kind="number", means="", least=HEIGHTS_M[0], most=HEIGHTS_M[1])
        return float(self._number(value[0], distance, f"{where}, distance")), float(
            self._number(value[1], height, f"{where}, height")
        )

    def _checked(self, made: Any, **values: Any) -> Any:
        """Make a value that checks itself, and tell its refusal as the scenario's."""
        try:
            return made(**values)
        except Refused as refused:
            where = ", ".join(part for part in (refused.what, refused.where) if part)
            raise self._refusal(where, refused.found, refused.allowed) from refused

    def _refusal(self, where: str, found: str, allowed: str) -> ScenarioRefused:
        return ScenarioRefused(self._called, where, found, allowed)


def _named(value: Any) -> str:
    """What stands there, short enough for a sentence."""
    match value:
        case dict():
            return "a table"
        case list():
            return f"a list of {len(value)}"
        case _:
            said = repr(value)
            return said if len(said) <= 60 else said[:57] + "…"


def _most(key: Key) -> float:
    return 1_000 if key.most is None else key.most


def _range(key: Key) -> str:
    return "" if key.least is None or key.most is None else f" from {key.least:.15g} to {key.most:.15g}"


def _when_words() -> str:
    forms = [" and ".join(key.name for key in keys if key.needed) for keys in WHEN_FORMS.values()]
    return f"a table with {', or '.join(forms)}"
