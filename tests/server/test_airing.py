"""server/runner/airing.py: one voice a seat, and what isn't said as it should be is told with its cue."""

from typing import Any

from caller.cues import CUE_TABLE, CueKind
from server.runner.airing import Airtime
from server.wire.outbound import CueMessage, RiderCard, Said
from server.wire.view import rider_cards
from tests.play import some_race


def cards() -> tuple[RiderCard, ...]:
    return rider_cards(some_race(4).roster)


def cue(
    kind: CueKind, due_ms: int, *to: str, key_ms: int = 500, length_ms: int = 1_000, text: str = "", **more: Any
) -> CueMessage:
    """A cue in English, half a second either side of its key word."""
    row = CUE_TABLE[kind]
    said = Said(text=text or kind.value, clip=None, starts_ms=0, key_ms=key_ms, length_ms=length_ms)
    values: dict[str, Any] = {
        "id": f"{kind.value}:{due_ms}", "kind": kind.value, "due_ms": due_ms, "fixed": True, "priority": row.priority,
        "too_late_ms": row.too_late_ms, "to": to, "rider": to[0] if to else None, "power_w": None, "seconds": None,
        "distance_m": None, "place": None, "order": (), "because": "", "said": {"en": said},
    }  # fmt: skip
    return CueMessage(**(values | more))


def over(*cues: CueMessage, out: frozenset[str] = frozenset()) -> dict[str, dict[str, Any]]:
    """What is told of each cue's air, by its text."""
    answers = Airtime(cards(), "en").over(cues, out, 0)
    return {answer.said["en"].text: dict(answer.air) for answer in answers}


def test_what_everybody_says_whole_and_on_its_instant_is_told_nothing_more() -> None:
    assert over(cue(CueKind.SWITCH, 10_000, "otto"), cue(CueKind.HOLD, 12_500, "maya")) == {"switch": {}, "hold": {}}


def test_two_riders_ears_hear_at_once_what_the_team_voice_must_say_in_turn() -> None:
    told = over(cue(CueKind.SWITCH, 10_000, "otto"), cue(CueKind.HOLD, 10_200, "maya"))
    assert told["switch"] == {}
    assert set(told["hold"]) == {"director"}
    assert told["hold"]["director"].said
    assert told["hold"]["director"].because == "0.9 s later, “switch” had the air"


def test_an_ear_that_hears_both_hears_them_in_turn_too() -> None:
    told = over(cue(CueKind.SWITCH, 10_000, "otto", "maya"), cue(CueKind.HOLD, 10_200, "maya"))
    assert set(told["hold"]) == {"director", "rider:maya"}


def test_what_finds_no_room_is_left_to_the_screens_and_says_whose_the_air_was() -> None:
    long = cue(CueKind.STOP, 10_000, key_ms=0, length_ms=1_600, text="Stop, all of you")
    told = over(long, cue(CueKind.LATCH_ON, 13_000, "ida"))["latch_on"]
    assert set(told) == {"director", "rider:ida"}
    assert not told["rider:ida"].said
    assert told["rider:ida"].because == "left to the screens, the air was kept after “Stop, all of you”"


def test_the_ear_of_a_rider_who_is_out_hears_a_stop_and_nothing_else() -> None:
    cues = (cue(CueKind.ALL_IN, 10_000), cue(CueKind.WAIT, 10_100))
    assert set(over(*cues)["all_in"]) == {"director", "rider:otto", "rider:maya", "rider:ana", "rider:ida"}
    assert set(over(*cues, out=frozenset({"ana"}))["all_in"]) == {"director", "rider:otto", "rider:maya", "rider:ida"}


def test_an_ear_is_given_the_time_that_its_own_language_takes() -> None:
    french = [card.model_copy(update={"language": "fr"}) if card.id == "maya" else card for card in cards()]
    said = Said(text="tenez", clip=None, starts_ms=0, key_ms=500, length_ms=1_000)
    long = said.model_copy(update={"text": "à vous, maintenant", "length_ms": 3_500})
    first = cue(CueKind.EASE, 10_000, said={"en": said, "fr": long})
    second = cue(CueKind.HOLD, 12_000, said={"en": said, "fr": said})
    told = {answer.id: answer.air for answer in Airtime(french, "en").over((first, second), frozenset(), 0)}
    assert set(told[second.id]) == {"rider:maya"}


def test_the_log_views_words_say_what_became_of_a_cue_for_every_voice_it_concerns_and_outlast_it() -> None:
    air = Airtime(cards(), "en")
    hold = cue(CueKind.HOLD, 10_200, "maya")
    air.over((cue(CueKind.SWITCH, 10_000, "otto", "maya"), hold), frozenset(), 0)
    words = "Team voice: 0.9 s later, “switch” had the air. Maya’s ear: 0.9 s later, “switch” had the air."
    assert air.words(hold.id) == words
    air.over((cue(CueKind.SWITCH, 40_000, "ana"),), frozenset(), 30_000)
    assert air.words(hold.id) == words


def test_what_is_cut_short_is_said_to_be() -> None:
    air = Airtime(cards(), "en")
    long = cue(CueKind.NEW_ORDER, 10_000, key_ms=0, length_ms=4_000, text="order now: Otto, Ana, Maya")
    air.over((long,), frozenset(), 9_000)
    switch = cue(CueKind.OFF_NOW, 11_500, "otto", key_ms=300, text="Otto, off now")
    told = air.over((long, switch), frozenset(), 10_500)[0].air
    assert told["director"].said
    assert told["director"].because == "cut short by “Otto, off now”"
    assert "cut short" in air.words(long.id)


def test_with_nothing_new_the_air_is_shared_out_as_it_was() -> None:
    air = Airtime(cards(), "en")
    cues = (cue(CueKind.SWITCH, 10_000, "otto"), cue(CueKind.HOLD, 10_200, "maya"))
    assert air.over(cues, frozenset(), 0) is air.over(tuple(cues), frozenset(), 9_000)


def test_in_a_hurried_rehearsal_speech_takes_as_long_as_ever() -> None:
    cues = (cue(CueKind.SWITCH, 10_000, "otto", "maya"), cue(CueKind.STAND_BY, 14_000, "maya"))
    assert not any(answer.air for answer in Airtime(cards(), "en").over(cues, frozenset(), 0))
    hurried = Airtime(cards(), "en", 8.0).over(cues, frozenset(), 0)
    assert set(hurried[1].air) == {"director", "rider:maya"}
