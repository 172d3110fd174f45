"""What may stand in a scenario's TOML, as tables: the reader checks by them and the JSON Schema is made from them.

Must not know how TOML is read.
"""

from dataclasses import MISSING, dataclass, fields
from types import MappingProxyType

from caller.course import Terrain
from caller.facts import MOST_SAID, Aloud
from caller.plan import RaceRules
from caller.rehearsal import scenario
from caller.riders import LANGUAGES, MOST_RIDERS, WISHES

__all__ = [
    "COURSE_KEYS",
    "EVENT_KINDS",
    "LANDMARK_KEYS",
    "MOST_EVENTS",
    "MOST_MARKS",
    "PEOPLE_KEYS",
    "RIDER_KEYS",
    "RULE_KEYS",
    "STRETCH_KEYS",
    "TOP_KEYS",
    "WHEN_FORMS",
    "Key",
    "by_of",
    "scenario_schema",
]

MOST_EVENTS = 200
MOST_MARKS = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One key of a table.

    Attributes:
        name: as it is written.
        kind: ``text``, ``number``, ``whole``, ``rider`` (the id of one), ``riders`` (a list), ``landmark`` (the name of
            one), ``choice``, ``table``, ``tables`` (a list of them), ``pairs`` (a list of number pairs) or ``numbers``
            (a list).
        means: for the schema and the help page.
        needed: False if it may be left out.
        least: smallest number, or fewest characters or items; None where another part of the core checks.
        most: largest number, or most characters or items.
        choices: for a choice.
    """

    name: str
    kind: str
    means: str
    needed: bool = True
    least: float | None = None
    most: float | None = None
    choices: tuple[str, ...] = ()


def _text(name: str, means: str, most: int, *, needed: bool = True) -> Key:
    return Key(name=name, kind="text", means=means, needed=needed, least=1, most=most)


def _number(name: str, means: str, least: float, most: float, *, needed: bool = True) -> Key:
    return Key(name=name, kind="number", means=means, needed=needed, least=least, most=most)


def _whole(name: str, means: str, least: int, most: int, *, needed: bool = True) -> Key:
    return Key(name=name, kind="whole", means=means, needed=needed, least=least, most=most)


def _rider(means: str, *, needed: bool = True) -> Key:
    return Key(name="rider", kind="rider", means=means, needed=needed)


def _figure(name: str, means: str, *, needed: bool = True) -> Key:
    return Key(name=name, kind="number", means=means, needed=needed)


TOP_KEYS = (
    _text("title", "as shown in the list of rehearsals", 80),
    _text("about", "a sentence or two on what is practised", 600),
    _whole("countdown_s", "how long the start is counted down", 5, 600, needed=False),
    _whole("seed", "of all chance in it", 0, 2**31 - 1, needed=False),
    Key(
        name="plan",
        kind="choice",
        means="how the plan is made that is rehearsed: searched for, or the plain one at steady power",
        needed=False,
        choices=("optimised", "steady"),
    ),
    Key(name="course", kind="table", means="the course, drawn here or in a file beside the scenario"),
    Key(name="riders", kind="tables", means="the riders", least=2, most=MOST_RIDERS),
    Key(name="rules", kind="table", means="the rules of the race", needed=False),
    Key(name="people", kind="table", means="how human the riders are", needed=False),
    Key(name="events", kind="tables", means="what happens when", needed=False, least=0, most=MOST_EVENTS),
)

COURSE_KEYS = (
    _text("file", "a course file beside the scenario; then nothing else stands here", 100, needed=False),
    _text("name", "as shown", 80, needed=False),
    Key(
        name="profile",
        kind="pairs",
        means="[distance, height] in metres, from [0, …] to the finish",
        needed=False,
        least=2,
        most=MOST_MARKS,
    ),
    Key(
        name="stretches",
        kind="tables",
        means="names for its parts, from 0 m on; left out, climbs and descents are found from the profile",
        needed=False,
        least=1,
        most=100,
    ),
    Key(name="landmarks", kind="tables", means="places to tap when passed", needed=False, least=0, most=100),
)

STRETCH_KEYS = (
    _text("name", "as shown and spoken", 40),
    Key(name="terrain", kind="choice", means="what it is", choices=tuple(terrain.value for terrain in Terrain)),
    _number("start_m", "where it begins; it ends where the next begins", 0, 500_000),
)

LANDMARK_KEYS = (
    _text("name", "as shown and spoken", 40),
    _number("at_m", "where it is", 0, 500_000),
)

RIDER_KEYS = (
    _text(
        "id",
        "a short key for events: small letters, digits, hyphens; made from the name if left out",
        24,
        needed=False,
    ),
    _text("name", "as shown", 24),
    _text("spoken", "as the voice says it; the name if left out", 24, needed=False),
    _figure("mass_kg", "the body alone"),
    _figure("critical_power_w", "critical power"),
    _figure("w_prime_j", "work above critical power"),
    _figure("drag_area_m2", "in the position ridden, riding alone"),
    _figure("bike_mass_kg", "bike, bottles and kit", needed=False),
    Key(name="language", kind="choice", means="of the cues", needed=False, choices=LANGUAGES),
    *(
        Key(name=name, kind="choice", means="how the rider is to lead there", needed=False, choices=WISHES)
        for name in ("on_flat", "on_climbs", "on_descents")
    ),
    _number("day", "what the rider can do today over these figures: 1.03 is a good day", 0.7, 1.3, needed=False),
)

_RULE_KINDS = MappingProxyType({int: "whole", float: "number", float | None: "number", str: "text"})

RULE_KEYS = tuple(
    Key(
        name=rule.name,
        kind="numbers" if rule.name == "shelter_table" else _RULE_KINDS[rule.type],  # type: ignore[index]
        means="a rule of the race; see the race rules for its range",
        needed=False,
    )
    for rule in fields(RaceRules)
)

PEOPLE_KEYS = (
    _number("reaction_s", "from the key word to the first movement", 0.1, 3, needed=False),
    _number("reaction_spread_s", "one standard deviation of it", 0, 1, needed=False),
    _number("misses", "share of cues whose word is missed and only seen on the screen", 0, 0.5, needed=False),
    _number("noise_w", "one standard deviation of a leader's power about what was called", 0, 50, needed=False),
)

WHEN_FORMS = MappingProxyType(
    {
        scenario.AtTime: (_number("at_s", "the race clock", 0, 36_000),),
        scenario.AtPlace: (_number("at_m", "how far the front of the line is", 0, 500_000),),
        scenario.OnTurn: (
            _rider("whose turn"),
            _whole("turn", "that rider's how-manyth, the first is 1", 1, 1_000),
            _number("after_s", "how long after it began", 0, 600, needed=False),
        ),
        scenario.AfterTurns: (_whole("turns", "how many turns of the team are over", 1, 5_000),),
    }
)
"""The forms of ``when``: which keys stand together, and what they make."""

_BY_S = _number("by_s", "by how much", 1, 120)

EVENT_KINDS: MappingProxyType[str, tuple[type[scenario.Happening], tuple[Key, ...]]] = MappingProxyType(
    {
        "rejoins_early": (
            scenario.RejoinsEarly,
            (_rider("who drifts"), _whole("slot", "where in the line, 0 is the front", 1, MOST_RIDERS - 1)),
        ),
        "stays_on": (scenario.StaysOn, (_rider("who leads"), _BY_S)),
        "loses_wheel": (
            scenario.LosesWheel,
            (
                _rider("who follows"),
                _number(
                    "back_after_s", "comes back so long after; left to the legs if not given", 5, 600, needed=False
                ),
                _whole("slot", "where; the last wheel if not given", 1, MOST_RIDERS - 1, needed=False),
            ),
        ),
        "opens_gap": (
            scenario.OpensGap,
            (
                _rider("who follows"),
                _number("gap_m", "how wide", 1, 15, needed=False),
                _number("unasked_after_s", "closes it unasked after so long", 3, 120, needed=False),
            ),
        ),
        "bunching": (scenario.Bunching, ()),
        "surges": (
            scenario.Surges,
            (
                _rider("who leads"),
                _number("factor", "over the power called", 1.02, 2, needed=False),
                _number("for_s", "for how long if nobody says ease", 2, 120, needed=False),
            ),
        ),
        "feels_good": (scenario.FeelsGood, (_rider("who says so"),)),
        "feels_empty": (scenario.FeelsEmpty, (_rider("who says so"),)),
        "retires": (scenario.Retires, (_rider("who is out"),)),
        "must_stop": (scenario.MustStop, (_rider("who says so"),)),
        "asks_longer": (scenario.AsksLonger, (_rider("who leads"), _BY_S)),
        "swings_off_early": (scenario.SwingsOffEarly, (_rider("who leads"),)),
        "comes_through": (scenario.ComesThrough, (_rider("who follows"),)),
        "swaps": (
            scenario.Swaps,
            (_rider("who follows"), Key(name="other", kind="rider", means="who follows too")),
        ),
        "splits": (
            scenario.Splits,
            (
                _rider("behind whose front wheel nobody is left"),
                _number("back_after_s", "come back so long after", 5, 600, needed=False),
            ),
        ),
        "loses_connection": (scenario.LosesConnection, (_rider("whose device"), _number("for_s", "so long", 1, 3_600))),
        "landmark_late": (
            scenario.LandmarkTappedLate,
            (
                Key(name="landmark", kind="landmark", means="which one"),
                _number("late_s", "how long after it was passed", 0, 60),
            ),
        ),
        "director_lengthens": (scenario.DirectorLengthens, (_BY_S,)),
        "director_shortens": (scenario.DirectorShortens, (_BY_S,)),
        "director_cuts": (scenario.DirectorCuts, ()),
        "director_waits": (scenario.DirectorWaits, (_rider("for whom"),)),
        "director_goes": (scenario.DirectorGoes, (_rider("without whom"),)),
        "director_resumes": (scenario.DirectorResumes, ()),
        "director_undoes": (scenario.DirectorUndoes, ()),
        "director_leaves": (scenario.DirectorLeaves, ()),
        "director_returns": (scenario.DirectorReturns, ()),
        "director_sees_order": (
            scenario.DirectorSeesOrder,
            (Key(name="order", kind="riders", means="front first", least=1, most=MOST_RIDERS),),
        ),
        "director_taps_landmark": (
            scenario.DirectorTapsLandmark,
            (Key(name="landmark", kind="landmark", means="which one"),),
        ),
        "director_calls": (
            scenario.DirectorCalls,
            (
                Key(name="aloud", kind="choice", means="what is called", choices=tuple(call.value for call in Aloud)),
                _rider("to whom; the line if not given", needed=False),
            ),
        ),
        "director_says": (
            scenario.DirectorSays,
            (_text("text", "what is said", MOST_SAID), _rider("to whom; the line if not given", needed=False)),
        ),
    }
)
"""Everything that can happen: the word for it, what it makes, and its keys beside ``what`` and ``when``."""


def by_of(word: str) -> tuple[Key, ...]:
    """The key that names which of two directors does it, for what directors do."""
    return (_text("by", "which director, if there are two", 24, needed=False),) if word.startswith("director_") else ()


def scenario_schema() -> dict[str, object]:
    """The JSON Schema (2020-12) of a scenario, as a plain dict: TOML and JSON carry the same values."""
    when = {"oneOf": [_object(keys) for keys in WHEN_FORMS.values()]}
    events = [
        _object((*keys, *by_of(word)), what={"const": word}, when=when, means=_first_line(made.__doc__))
        for word, (made, keys) in EVENT_KINDS.items()
    ]
    inner: dict[str, object] = {
        "course": _object(
            COURSE_KEYS,
            stretches={"type": "array", "minItems": 1, "maxItems": 100, "items": _object(STRETCH_KEYS)},
            landmarks={"type": "array", "maxItems": 100, "items": _object(LANDMARK_KEYS)},
        ),
        "riders": {"type": "array", "minItems": 2, "maxItems": MOST_RIDERS, "items": _object(RIDER_KEYS)},
        "rules": _object(RULE_KEYS),
        "people": _object(PEOPLE_KEYS),
        "events": {"type": "array", "maxItems": MOST_EVENTS, "items": {"oneOf": events}},
    }
    schema = _object(TOP_KEYS)
    schema["$schema"] = "https://json-schema.org/draft/2020-12/schema"
    schema["title"] = "scenario"
    properties = schema["properties"]
    assert isinstance(properties, dict)
    for name, part in inner.items():
        properties[name] = part
    return schema


def _object(keys: tuple[Key, ...], *, means: str | None = None, **more: object) -> dict[str, object]:
    """The schema of one table; ``more`` adds keys, or replaces the plain schema of one."""
    named = {key.name for key in keys}
    made: dict[str, object] = {
        "type": "object",
        "additionalProperties": False,
        "properties": {**{key.name: _schema_of(key) for key in keys}, **more},
        "required": [*(name for name in more if name not in named), *(key.name for key in keys if key.needed)],
    }
    if means is not None:
        made["description"] = means
    return made


def _schema_of(key: Key) -> dict[str, object]:
    made: dict[str, object] = {**_JSON_TYPES[key.kind], "description": key.means}
    if key.choices:
        made["enum"] = list(key.choices)
    for bound, words in ((key.least, _LEAST_WORDS), (key.most, _MOST_WORDS)):
        if bound is not None:
            made[words[key.kind]] = bound
    return made


def _first_line(text: str | None) -> str:
    return (text or "").strip().splitlines()[0]


_PAIR = {"type": "array", "items": {"type": "number"}, "minItems": 2, "maxItems": 2}

_JSON_TYPES: dict[str, dict[str, object]] = {
    "text": {"type": "string"},
    "choice": {"type": "string"},
    "rider": {"type": "string"},
    "riders": {"type": "array", "items": {"type": "string"}},
    "landmark": {"type": "string"},
    "number": {"type": "number"},
    "whole": {"type": "integer"},
    "table": {"type": "object"},
    "tables": {"type": "array", "items": {"type": "object"}},
    "pairs": {"type": "array", "items": _PAIR},
    "numbers": {"type": "array", "items": {"type": "number"}},
}

_LEAST_WORDS = {"text": "minLength", "number": "minimum", "whole": "minimum"} | dict.fromkeys(
    ("tables", "pairs", "riders"), "minItems"
)
_MOST_WORDS = {"text": "maxLength", "number": "maximum", "whole": "maximum"} | dict.fromkeys(
    ("tables", "pairs", "riders"), "maxItems"
)


def _check_tables() -> None:
    """Each event's keys are the fields of what it makes; a key may be left out exactly where a field has a value."""
    for word, (made, keys) in EVENT_KINDS.items():
        by_name = {part.name: part for part in fields(made)}
        assert set(by_name) == {key.name for key in keys}, word
        for key in keys:
            has_value = by_name[key.name].default is not MISSING
            assert key.needed != has_value, (word, key.name)


_check_tables()
