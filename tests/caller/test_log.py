"""An entry as one line of text, and back."""

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from caller.errors import LogRefused
from caller.facts import FACT_TYPES, Entry, Fact, PlanOffered, RaceFinished, RaceOpened, StartCalledOff, StartSet, Undo
from caller.log import KINDS, dump, load
from caller.plan import RaceRules
from caller.planner import steady_plan
from caller.units import LOBBY_MS
from tests.caller.planning import FLAT, TEAM
from tests.caller.test_race import ANY_FACT
from tests.play import some_race

RARE: list[Fact] = [
    some_race(6),
    StartSet(countdown_ms=30_000),
    StartCalledOff(),
    RaceFinished(),
    PlanOffered(plan=some_race().plan, for_seq=7),
]


def test_every_fact_has_a_tag_of_its_own() -> None:
    assert set(KINDS.values()) == set(FACT_TYPES)
    assert len(KINDS) == len(FACT_TYPES)


@settings(max_examples=200)
@given(fact=ANY_FACT | st.sampled_from(RARE), at_ms=st.integers(LOBBY_MS, 10**8), seen_ms=st.none() | st.integers())
def test_an_entry_comes_back_as_it_was_and_gives_the_same_bytes(fact: Fact, at_ms: int, seen_ms: int | None) -> None:
    entry = Entry(seq=3, at_ms=at_ms, by="rider:maya", fact=fact, seen_ms=seen_ms)
    line = dump(entry)
    assert "\n" not in line
    assert load(line) == entry
    assert dump(load(line)) == line


GOOD = json.loads(dump(Entry(seq=3, at_ms=5, by="director", fact=Undo())))


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("", "log line: found ; expected one JSON object"),
        ("[1]", "log line: found list; this program reads version 1"),
        (json.dumps(GOOD | {"v": 2}), "log line, entry 3: found version 2; this program reads version 1"),
        (json.dumps(GOOD | {"at_ms": "5"}), "log line, entry 3, at_ms: found '5'; missing, or of the wrong type"),
        (json.dumps(GOOD | {"seq": True}), "log line, entry True, seq: found True; missing, or of the wrong type"),
    ],
)
def test_a_line_that_holds_no_entry_is_refused_by_its_place(line: str, sentence: str) -> None:
    with pytest.raises(LogRefused) as refused:
        load(line)
    assert str(refused.value) == sentence


def test_an_unknown_kind_is_refused_by_name() -> None:
    with pytest.raises(LogRefused, match="kind 'danced'"):
        load(json.dumps(GOOD | {"kind": "danced"}))


@pytest.mark.parametrize("kind", [None, 5, [], {}, ["undo"]])
def test_a_kind_that_is_no_word_is_refused(kind: object) -> None:
    with pytest.raises(LogRefused, match="entry 3: found kind"):
        load(json.dumps(GOOD | {"kind": kind}))


@pytest.mark.parametrize("figure", ["NaN", "-Infinity", "1e999"])
def test_a_figure_that_is_no_number_is_refused(figure: str) -> None:
    line = json.dumps(GOOD | {"kind": "landmark_passed", "fact": {"at_m": 0.5}}).replace("0.5", figure)
    with pytest.raises(LogRefused, match="expected one JSON object"):
        load(line)


@pytest.mark.parametrize("fact", [{}, {"rider": "ana", "slot": 1, "more": 2}, {"rider": "ana", "slot": "one"}])
def test_a_fact_with_fields_missing_too_many_or_wrong_is_refused(fact: dict) -> None:
    with pytest.raises(LogRefused, match="entry 3, rejoined_at"):
        load(json.dumps(GOOD | {"kind": "rejoined_at", "fact": fact}))


@given(st.text(max_size=200))
def test_no_text_whatever_does_more_than_be_refused(text: str) -> None:
    with pytest.raises(LogRefused):
        load(text)


def test_a_race_opened_before_wishes_curves_and_spending_were_known_still_loads() -> None:
    opened = RaceOpened(
        name="Evening", course=FLAT, roster=TEAM, rules=RaceRules(), plan=steady_plan(FLAT, TEAM, RaceRules())
    )
    entry = Entry(seq=1, at_ms=0, by="director", seen_ms=None, fact=opened)
    line = json.loads(dump(entry))
    for rider in line["fact"]["roster"]["riders"]:
        for wish in ("on_flat", "on_climbs", "on_descents"):
            del rider[wish]
    del line["fact"]["plan"]["spent"]
    for reserve in line["fact"]["plan"]["reserves"]:
        del reserve["curve"], reserve["least_at_m"]
    old = load(json.dumps(line)).fact
    assert isinstance(old, RaceOpened)
    assert old.roster == TEAM
    assert old.plan.finish_s == opened.plan.finish_s
    assert old.plan.reserves[0].curve == ()
    assert load(dump(entry)) == entry
