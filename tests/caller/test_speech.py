"""Words for cues. The phrases themselves are common practice, no source; what is checked is that none is missing,
that figures are said as people say them, and that no cue asks for more than a rider can take in."""

import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from caller.cues import Cue, CueKind
from caller.riders import LANGUAGES
from caller.speech import MOST_NAMES_SPOKEN, SLOTS, TABLES, say, unforeseen, written
from caller.speech.en import number, watts
from caller.units import RiderId

ROOT = Path(__file__).resolve().parents[2]

OTTO, MAYA, ANA, BEA = (RiderId(name) for name in ("otto", "maya", "ana", "bea"))
NAMES = {OTTO: "Otto", MAYA: "Maya", ANA: "Ana", BEA: "Bea"}

FULL: dict[CueKind, dict[str, Any]] = {
    CueKind.START_COUNT: {"seconds": 30},
    CueKind.START: {},
    CueKind.HOLD: {"rider": MAYA, "power_w": 380},
    CueKind.STAY_ON: {"rider": OTTO, "seconds": 15},
    CueKind.NEW_ORDER: {"order": (OTTO, ANA, MAYA, BEA)},
    CueKind.ALL_IN: {},
    CueKind.TERRAIN: {"rider": OTTO, "place": "climb", "distance_m": 300},
    CueKind.SAY: {"rider": OTTO, "words": "bottle on the left"},
    CueKind.OUT: {"rider": OTTO, "spare": 0},
    CueKind.TIME: {"against_plan_s": 12},
}
"""What a cue of each kind carries at its fullest; the others name one rider."""


def cue(kind: CueKind, **fields: Any) -> Cue:
    return Cue(id="c", kind=kind, due_ms=0, **fields)


def full(kind: CueKind) -> Cue:
    return cue(kind, **FULL.get(kind, {"rider": OTTO}))


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_cue_has_a_phrase_with_one_key_word_in_every_language(language: str) -> None:
    table = TABLES[language]
    missing = [kind.value for kind in CueKind if kind not in table.phrases]
    assert not missing, f"caller/speech/{language}.py has no phrase for {', '.join(missing)}"
    for kind, parts in table.phrases.items():
        joined = " ".join(parts)
        assert joined.count("*") == 2, f"caller/speech/{language}.py, {kind.value}: one word between asterisks"
        unknown = set(re.findall(r"\{(\w+)\}", joined)) - set(SLOTS)
        assert not unknown, f"caller/speech/{language}.py, {kind.value}: unknown slot {unknown}"
    assert table.code == language
    assert set(table.terrain) == {"climb", "descent", "flat"}


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("kind", CueKind)
def test_the_key_word_stands_where_it_is_said_to(kind: CueKind, language: str) -> None:
    spoken = say(full(kind), NAMES, language)
    assert spoken.text[spoken.key_at :].startswith(spoken.key_word)
    assert spoken.key_word
    assert spoken.key_at == 0 or spoken.text[spoken.key_at - 1] == " "
    assert spoken.text == spoken.text.strip(" ,:")
    assert not set("{}*") & set(spoken.text)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("kind", CueKind)
def test_no_cue_carries_more_than_four_units_of_information(kind: CueKind, language: str) -> None:
    # Four at the most: Gatling 1975, FHWA-RD-75-73. Counted: each part that is left standing, and each further name.
    fullest = full(kind)
    fields: dict[str, Any] = {
        "name": fullest.rider,
        "power": fullest.power_w,
        "seconds": fullest.seconds,
        "count": fullest.seconds,
    }
    fields |= {"distance": fullest.distance_m, "place": fullest.place, "order": fullest.order}
    fields["words"] = fullest.words
    fields |= {"needed": fullest.spare == 0, "gap": fullest.against_plan_s}
    parts = [
        part for part in TABLES[language].phrases[kind] if all(fields[slot] for slot in re.findall(r"\{(\w+)\}", part))
    ]
    names_beyond_one = max(0, min(len(fullest.order), MOST_NAMES_SPOKEN) - 1)
    assert len(parts) + names_beyond_one <= 4


@pytest.mark.parametrize("language", LANGUAGES)
def test_two_kinds_of_cue_never_sound_alike(language: str) -> None:
    said: dict[str, CueKind] = {}
    for kind in CueKind:
        for one in (full(kind), cue(kind, **(FULL.get(kind, {}) | {"rider": None}))):
            text = say(one, NAMES, language).text
            assert said.setdefault(text, kind) is kind, f"{language}: {text!r} is {said[text].value} and {kind.value}"


@pytest.mark.parametrize(
    ("kind", "fields", "text", "key_word"),
    [
        (CueKind.STAND_BY, {"rider": MAYA}, "Maya, you're next", "next"),
        (CueKind.SWITCH, {"rider": OTTO}, "Otto, switch now", "switch"),
        (CueKind.HOLD, {"rider": MAYA, "power_w": 380}, "Maya, three eighty", "three"),
        (CueKind.PRESS_ON, {}, "come past", "come"),
        (CueKind.LATCH_ON, {"rider": OTTO}, "Otto, on", "on"),
        (CueKind.CLOSE_GAP, {"rider": ANA}, "Ana, close gap", "close"),
        (CueKind.EASE, {}, "ease", "ease"),
        (CueKind.STAY_ON, {"seconds": 15}, "stay on, fifteen", "stay"),
        (CueKind.OFF_NOW, {}, "off now", "off"),
        (
            CueKind.TERRAIN,
            {"rider": OTTO, "place": "climb", "distance_m": 300},
            "climb in three hundred, Otto takes it",
            "climb",
        ),
        (CueKind.TERRAIN, {"place": "Mill Hill", "distance_m": 1487}, "Mill Hill in fifteen hundred", "Mill"),
        (CueKind.TERRAIN, {"place": "descent 2", "distance_m": 0}, "descent two", "descent"),
        (CueKind.NEW_ORDER, {"order": (OTTO, ANA, MAYA)}, "order now: Otto, Ana, Maya", "order"),
        (CueKind.WAIT, {"rider": ANA}, "wait for Ana", "wait"),
        (CueKind.ALL_IN, {}, "all in", "all"),
        (CueKind.STOP, {}, "stop", "stop"),
        (CueKind.START_COUNT, {"seconds": 60}, "one minute", "one"),
        (CueKind.START_COUNT, {"seconds": 30}, "thirty seconds", "thirty"),
        (CueKind.START_COUNT, {"seconds": 10}, "ten", "ten"),
        (CueKind.START_COUNT, {"seconds": 5}, "five", "five"),
        (CueKind.START, {}, "go", "go"),
        (CueKind.SAY, {"words": "crosswind at the mill"}, "crosswind at the mill", "crosswind"),
        (CueKind.RESTED, {"rider": OTTO}, "Otto, off now, the others are rested", "off"),
        (CueKind.ADRIFT, {"rider": ANA}, "lost Ana", "lost"),
        (CueKind.OUT, {"rider": ANA, "spare": 1}, "Ana is out of the race", "out"),
        (CueKind.OUT, {"rider": ANA, "spare": 0}, "Ana is out of the race, all must finish", "out"),
        (CueKind.TIME, {"against_plan_s": 12}, "twelve seconds down", "twelve"),
        (CueKind.TIME, {"against_plan_s": -5}, "five seconds up", "five"),
        (CueKind.TIME, {"against_plan_s": 1}, "on plan", "on"),
        (CueKind.SPEND, {"rider": ANA}, "Ana, last turn, all you have", "last"),
    ],
)
def test_english_is_called_like_this(kind: CueKind, fields: dict[str, Any], text: str, key_word: str) -> None:
    spoken = say(cue(kind, **fields), NAMES, "en")
    assert (spoken.text, spoken.key_word) == (text, key_word)


@pytest.mark.parametrize(
    ("power_w", "words"),
    [
        (95, "ninety five"),
        (100, "one hundred"),
        (300, "three hundred"),
        (305, "three oh five"),
        (310, "three ten"),
        (380, "three eighty"),
        (415, "four fifteen"),
        (1000, "one thousand"),
        (1005, "ten oh five"),
        (1100, "eleven hundred"),
        (1250, "twelve fifty"),
    ],
)
def test_english_powers_are_said_in_pairs_of_digits(power_w: int, words: str) -> None:
    # Common practice, no source.
    assert watts(power_w) == words


def test_no_two_powers_sound_the_same() -> None:
    assert len({number(value) for value in range(10_000)}) == 10_000


def test_a_power_is_said_and_written_to_the_nearest_five_watts() -> None:
    # 382 / 5 = 76.4 -> 76 * 5 = 380; 383 / 5 = 76.6 -> 77 * 5 = 385.
    assert say(cue(CueKind.HOLD, rider=MAYA, power_w=382), NAMES, "en").text == "Maya, three eighty"
    assert written(cue(CueKind.HOLD, rider=MAYA, power_w=383), NAMES, "en") == "Maya, 385 W"


def test_a_long_order_is_said_by_its_first_three_and_written_whole() -> None:
    order = cue(CueKind.NEW_ORDER, order=(OTTO, ANA, MAYA, BEA))
    assert say(order, NAMES, "de").text == "Reihenfolge: Otto, Ana, Maya"
    assert written(order, NAMES, "de") == "Reihenfolge: Otto, Ana, Maya, Bea"


def test_a_stretch_without_a_name_of_its_own_is_said_in_the_riders_language() -> None:
    terrain = cue(CueKind.TERRAIN, place="climb 2", distance_m=300)
    assert say(terrain, NAMES, "fr").text == "montée 2 dans 300 mètres"
    assert written(terrain, NAMES, "fr") == "Montée 2 dans 300 m"
    assert say(cue(CueKind.TERRAIN, place="Climb House"), NAMES, "fr").text == "Climb House"


def test_braces_and_asterisks_in_a_name_are_only_a_name() -> None:
    spoken = say(cue(CueKind.SWITCH, rider=OTTO), {OTTO: "{power} *x* "}, "en")
    assert spoken.text == "{power} *x*, switch now"
    assert spoken.text[spoken.key_at :] == "switch now"


def test_a_cue_without_what_its_kind_says_is_a_fault_not_a_silence() -> None:
    with pytest.raises(ValueError, match="a hold without what its key word says"):
        say(cue(CueKind.HOLD, rider=MAYA), NAMES, "en")


def test_whatever_can_be_wanted_at_once_is_foreseen_for_every_rider() -> None:
    foreseen = unforeseen(NAMES)
    said = {say(one, NAMES, "en").text for one in foreseen}
    assert {"stop", "Ana, close gap", "Bea, off now", "wait for Maya", "go on, leave Otto"} <= said
    assert len(said) == len(foreseen)
    planned_or_counted = {CueKind.START, CueKind.START_COUNT, CueKind.HOLD, CueKind.TERRAIN, CueKind.NEW_ORDER}
    made_on_demand = {CueKind.SAY, CueKind.TIME}
    assert {one.kind for one in foreseen} == set(CueKind) - planned_or_counted - made_on_demand


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_directors_own_words_are_said_as_they_are_after_the_name(language: str) -> None:
    to_one = cue(CueKind.SAY, rider=MAYA, words="  bottle  on the {left} *now* ")
    spoken = say(to_one, NAMES, language)
    assert (spoken.text, spoken.key_word) == ("Maya, bottle on the {left} *now*", "bottle")
    assert written(cue(CueKind.SAY, words="¡venga!"), NAMES, language) == "¡venga!"


SPEAKS_ALL = """
from caller.cues import CueKind
from caller.riders import Rider
from caller.speech import TABLES, say, unforeseen
assert TABLES["pt"].code == "pt"
Rider(id="otto", name="Otto", spoken="Otto", mass_kg=70, critical_power_w=300, w_prime_j=20_000, drag_area_m2=0.25,
      language="pt")
print(len({say(cue, {"otto": "Otto"}, "pt").text for cue in unforeseen(["otto"])}))
"""


def test_a_language_is_one_file_and_its_code(tmp_path: Path) -> None:
    """A seventh one, in a copy of the core: Italian's phrases under another code."""
    shutil.copytree(ROOT / "caller", tmp_path / "caller", ignore=shutil.ignore_patterns("__pycache__"))
    speech, riders = tmp_path / "caller" / "speech", tmp_path / "caller" / "riders.py"
    text = (speech / "it.py").read_text("utf-8")
    (speech / "pt.py").write_text(text.replace('code="it"', 'code="pt"'), "utf-8")
    known = riders.read_text("utf-8")
    assert '"nl")' in known
    riders.write_text(known.replace('"nl")', '"nl", "pt")', 1), "utf-8")
    ran = subprocess.run(
        [sys.executable, "-c", SPEAKS_ALL], cwd=tmp_path, capture_output=True, text=True, check=False, encoding="utf-8"
    )
    assert ran.returncode == 0, ran.stderr
    foreseen = unforeseen([OTTO])
    assert int(ran.stdout) == len({say(one, NAMES, "it").text for one in foreseen})
