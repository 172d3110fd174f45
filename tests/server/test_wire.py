"""server/wire: what comes in becomes a fact; what is shown is what is; what is published is what is sent."""

import json
from itertools import pairwise
from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caller import facts
from caller.course import Course, Stretch, Terrain
from caller.cues import CueKind
from caller.facts import Entry, RaceOpened, StartSet
from caller.log import KINDS, dump
from caller.race import RaceState, advance, may, start, take
from caller.speech import Spoken
from caller.units import LOBBY_MS, RiderId
from server.runner.draft import Draft, draft_from_json, draft_to_json, riders_from_forms, roster_of, still_missing
from server.runner.voicing import vocabulary
from server.wire import inbound
from server.wire.http import RiderForm
from server.wire.inbound import RIDER_ACTS, inbound_adapter, to_fact
from server.wire.outbound import Said
from server.wire.schemas import SCHEMAS, schema_of
from server.wire.view import MOST_PROFILE_POINTS, Wording, course_card, rider_cards, state_message
from tests.server.serving import ready_draft

ACTS = get_args(get_args(inbound.Act)[0])
WORDS: dict[str, Any] = {
    "rider": "maya",
    "slot": 1,
    "order": ["otto", "maya"],
    "at_m": 1_500.0,
    "by_s": 10,
    "aloud": "stop",
    "text": "bottle on the left",
    "countdown_s": 20,
}


def act_named(act: Any) -> str:
    name: str = get_args(act.model_fields["act"].annotation)[0]
    return name


def told(act: Any) -> facts.Fact:
    """The fact that an act with WORDS becomes, by way of its JSON."""
    words = {name: WORDS[name] for name in act.model_fields if name != "act"}
    frame = {"kind": "tap", "tap": "12345678", "act": {"act": act_named(act), **words}}
    message = inbound_adapter.validate_json(json.dumps(frame))
    assert isinstance(message, inbound.Tap)
    return to_fact(message.act)


# In


@pytest.mark.parametrize("act", ACTS, ids=act_named)
def test_every_act_becomes_the_fact_of_its_name_with_every_word_in_it(act: Any) -> None:
    fact = told(act)
    tags = {kind: tag for tag, kind in KINDS.items()}
    renamed = {"set_start": "start_set", "call_off_start": "start_called_off"}
    assert tags[type(fact)] == renamed.get(act_named(act), act_named(act))
    if hasattr(fact, "rider"):
        assert fact.rider == "maya"
    if hasattr(fact, "by_ms"):
        assert fact.by_ms == 10_000
    if hasattr(fact, "countdown_ms"):
        assert fact.countdown_ms == 20_000


def test_every_fact_but_those_of_the_server_itself_can_be_said_by_a_page() -> None:
    said = {type(told(act)) for act in ACTS}
    assert set(facts.FACT_TYPES) - said == {facts.RaceOpened, facts.PlanOffered}


def test_a_riders_acts_are_acts_that_name_a_rider() -> None:
    naming = {act_named(act) for act in ACTS if "rider" in act.model_fields}
    assert naming >= RIDER_ACTS


def test_what_the_core_may_accept_has_the_names_of_acts() -> None:
    """The desk greys its keys by these names; one that is misspelt would be a dead key."""
    names = {act_named(act) for act in ACTS}
    state = racing()
    assert may(state)
    assert may(state) <= names | {"stop"}  # a call like others, but accepted where they are not


# Out


def opened() -> RaceState:
    draft = ready_draft()
    assert draft.course is not None
    assert draft.plan is not None
    fact = RaceOpened(name="x", course=draft.course, roster=roster_of(draft), rules=draft.rules, plan=draft.plan)
    return start(Entry(seq=1, at_ms=LOBBY_MS, by="director", fact=fact))


def racing() -> RaceState:
    state, _ = take(opened(), Entry(seq=2, at_ms=-20_000, by="director", fact=StartSet(countdown_ms=20_000)))
    return advance(state, 30_000)[0]


def message_of(state: RaceState, clip: Said | None = None, until_ms: int | None = None) -> Any:
    def clip_for(spoken: Spoken, language: str) -> Said | None:
        return clip

    wording = Wording(state.setup.roster, clip_for)
    return state_message(state, wording, revision=1, clock=0, until_ms=until_ms, log=(), adrift_since={})


def test_the_state_of_a_race_says_who_is_where_and_who_leads_and_what_comes() -> None:
    state = racing()
    message = message_of(state)
    assert [place.rider for place in message.line] == list(state.line.order)
    assert message.line[0].place == "leading"
    assert message.turn.rider == state.line.order[0]
    assert message.upcoming[0].rider == state.line.order[1]
    assert message.upcoming[0].began_ms == message.turn.ends_ms
    assert [cue.due_ms for cue in message.cues] == sorted(cue.due_ms for cue in message.cues)


def test_before_the_gun_the_first_turn_is_to_come() -> None:
    state, _ = take(opened(), Entry(seq=2, at_ms=-20_000, by="director", fact=StartSet(countdown_ms=20_000)))
    message = message_of(state)
    assert message.turn is None
    assert (message.upcoming[0].rider, message.upcoming[0].began_ms) == (state.line.order[0], 0)


def test_a_cue_without_a_clip_has_its_words_and_with_one_both() -> None:
    silent = message_of(racing()).cues[0].said["en"]
    assert silent.text
    assert silent.clip is None
    clip = Said(text="", clip="/clips/a.wav", starts_ms=10, key_ms=300, length_ms=900)
    spoken = message_of(racing(), clip).cues[0].said["en"]
    assert (spoken.text, spoken.clip, spoken.key_ms) == (silent.text, "/clips/a.wav", 300)


def test_the_near_future_ends_where_it_says_and_the_whole_at_the_finish() -> None:
    state = racing()
    near, whole = message_of(state, until_ms=120_000), message_of(state)
    assert 0 < len(near.cues) < len(whole.cues)
    assert all(cue.due_ms <= 120_000 for cue in near.cues)
    assert near.cues_until_ms == 120_000
    assert whole.cues_until_ms >= whole.cues[-1].due_ms


def test_in_the_lobby_each_rider_has_a_cue_to_check_the_sound_with_and_in_the_race_none() -> None:
    assert [cue.to for cue in message_of(opened()).sound_check] == [("maya",), ("otto",), ("ana",), ("jo",)]
    assert message_of(racing()).sound_check == ()


@pytest.mark.parametrize(
    ("names", "initials"),
    [
        (("Maya", "Otto"), ["M", "O"]),
        (("Maya", "Mona"), ["MA", "MO"]),
        (("Mara", "Maria"), ["MAR", "MAR"]),  # told apart by mark and hue all the same
        (("Jo Berg", "Ana Lund"), ["JB", "AL"]),
    ],
)
def test_initials_are_short_and_told_apart_where_letters_can(names: tuple[str, ...], initials: list[str]) -> None:
    forms = [RiderForm(name=n, mass_kg=70, critical_power_w=300, w_prime_j=20_000, drag_area_m2=0.25) for n in names]
    cards = rider_cards(roster_of(Draft(name="x", riders=riders_from_forms(forms))))
    assert [card.initials for card in cards] == initials
    assert len({(card.mark, card.hue) for card in cards}) == len(names)


@given(st.lists(st.floats(0, 4_000), min_size=2, max_size=3_000))
def test_a_silhouette_keeps_its_ends_its_summit_and_its_lowest_point(heights: list[float]) -> None:
    length_m = 25.0 * (len(heights) - 1)
    stretch = Stretch(name="all", terrain=Terrain.FLAT, start_m=0, end_m=length_m, rise_m=0)
    card = course_card(Course(name="x", length_m=length_m, height_m=tuple(heights), stretches=(stretch,)))
    shown = [height for _, height in card.profile]
    assert len(shown) <= MOST_PROFILE_POINTS
    assert (card.profile[0][0], card.profile[-1][0]) == (0, round(length_m, 1))
    assert max(shown) == pytest.approx(max(heights), abs=0.01)
    assert min(shown) == pytest.approx(min(heights), abs=0.01)
    assert all(one < other for (one, _), (other, _) in pairwise(card.profile))


# What is to be said


def test_the_vocabulary_holds_what_no_plan_foretells_before_what_the_plan_does() -> None:
    texts = vocabulary(opened())
    said = [text for text, _, _ in texts]
    assert len(texts) == len(set(texts))
    assert {language for _, language, _ in texts} == {"en"}
    assert said[0].lower().startswith("stop")
    assert "Maya, stop" in said or any(text.startswith("Maya") for text in said)
    first_hold = next(place for place, text in enumerate(said) if text.startswith("Maya, two ") or "three" in text)
    assert first_hold > 20


def test_the_vocabulary_foretells_every_cue_of_a_race_that_goes_as_planned() -> None:
    from caller.speech import say

    texts = {(text, language) for text, language, _ in vocabulary(opened())}
    state, _ = take(opened(), Entry(seq=2, at_ms=-90_000, by="", fact=StartSet(countdown_ms=90_000)))
    names = {rider.id: rider.spoken for rider in state.setup.roster.riders}
    told: set[CueKind] = set()
    while state.phase.value != "over":
        state, fixed = advance(state, state.now_ms + 60_000)
        for cue in fixed:
            told.add(cue.kind)
            assert (say(cue, names, "en").text, "en") in texts, cue
    assert {CueKind.SWITCH, CueKind.STAND_BY, CueKind.HOLD, CueKind.TERRAIN} <= told


# Drafts


def test_a_draft_comes_back_from_its_text_as_it_was() -> None:
    assert draft_from_json(draft_to_json(ready_draft())) == ready_draft()


def test_a_draft_that_was_damaged_is_refused_with_a_sentence() -> None:
    from caller.errors import LogRefused

    for text in ("{", "[]", '{"name": 3, "course": {}}', draft_to_json(ready_draft()).replace("0.0", '"x"', 1)):
        with pytest.raises(LogRefused, match="race, draft: found"):
            draft_from_json(text)


def test_a_draft_with_everything_misses_nothing() -> None:
    assert still_missing(ready_draft()) == ()


def test_more_counted_than_riders_is_told() -> None:
    from dataclasses import replace

    from caller.plan import RaceRules

    draft = replace(ready_draft(), rules=RaceRules(counted=5))
    assert still_missing(draft)[0].startswith("race rules, counted: found 5 with 4 riders")


def test_keys_made_from_names_are_unique_and_fit_the_wire() -> None:
    forms = [
        RiderForm(name=name, mass_kg=70, critical_power_w=300, w_prime_j=20_000, drag_area_m2=0.25)
        for name in ("Ana", "Ána!", "ana ", "- -", "a" * 24)
    ]
    # Each alone: names that are alike are the roster's matter.
    keys = [riders_from_forms([form])[0].rider.id for form in forms]
    assert keys == ["ana", "ana", "ana", "rider", "a" * 20]
    both = riders_from_forms([forms[0], forms[1]])
    assert [one.rider.id for one in both] == ["ana", "ana-2"]


# Schemas


@pytest.mark.parametrize("name", SCHEMAS)
def test_a_schema_refers_to_nothing_that_is_not_in_it(name: str) -> None:
    text = json.dumps(schema_of(name))
    schema = json.loads(text)
    for reference in set(_references(schema)):
        assert reference.startswith("#/$defs/"), reference
        assert reference.removeprefix("#/$defs/") in schema["$defs"], reference


def _references(part: Any) -> list[str]:
    if isinstance(part, dict):
        own = [part["$ref"]] if isinstance(part.get("$ref"), str) else []
        return own + [reference for value in part.values() for reference in _references(value)]
    if isinstance(part, list):
        return [reference for value in part for reference in _references(value)]
    return []


def test_the_schema_of_the_log_names_every_kind_and_the_fields_of_a_real_line() -> None:
    schema = schema_of("log")
    assert schema["properties"]["kind"]["enum"] == list(KINDS)
    line = json.loads(dump(Entry(seq=1, at_ms=5, by="director", fact=facts.Retired(rider=RiderId("jo")))))
    assert set(line) == set(schema["required"]) == set(schema["properties"])
    retired = next(one for one in schema["oneOf"] if one["properties"]["kind"]["const"] == "retired")
    assert set(retired["properties"]["fact"]["properties"]) == set(line["fact"])
