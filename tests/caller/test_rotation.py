"""The line as a state machine."""

from itertools import product

import pytest

from caller.cues import CueKind
from caller.facts import (
    CameThrough,
    LatchedOn,
    LostWheel,
    OrderSeen,
    RejoinedAt,
    Retired,
    SwungOff,
)
from caller.rotation import TRANSITIONS, Line, Place, form_line, same_round
from tests.play import ANA, IDA, MAYA, OTTO, UGO, Play, some_race


def place(play: Play, rider: str) -> Place:
    return play.state.line.member(rider).place


def test_every_observation_has_a_row_in_every_place() -> None:
    seen = (SwungOff, LatchedOn, RejoinedAt, CameThrough, LostWheel, Retired)
    assert set(TRANSITIONS) == set(product(Place, seen))


def test_at_the_gun_the_front_rider_leads_and_nobody_did_before() -> None:
    play = Play()
    play.until(-0.001)
    assert {member.place for member in play.state.line.members} == {Place.FOLLOWING}
    play.until(0)
    assert place(play, OTTO) is Place.LEADING


def test_a_rider_who_swings_off_drifts_latches_and_follows_on_the_last_wheel() -> None:
    play = Play()
    play.until(30)
    assert (play.order, place(play, OTTO)) == ((MAYA, ANA, IDA, OTTO), Place.DRIFTING)
    # Three riders to drift past; facts of the line's length: see physics.drift_s
    drift_ms = play.state.line.member(OTTO).until_ms - 30_000
    play.until(30 + drift_ms / 1000)
    assert place(play, OTTO) is Place.LATCHING
    play.until(30 + drift_ms / 1000 + play.opened.rules.latch_s)
    assert (play.order, place(play, OTTO)) == ((MAYA, ANA, IDA, OTTO), Place.FOLLOWING)


def test_four_riders_at_thirty_seconds_rest_ninety() -> None:
    # Common practice, no source: four riders at 30 s turns rest 90 s.
    play = Play()
    play.until(125)
    switches = [cue for cue in play.told(CueKind.SWITCH) if cue.rider == OTTO]
    holds = [cue for cue in play.told(CueKind.HOLD) if cue.rider == OTTO]
    swung_off_ms = switches[0].due_ms
    led_again_ms = holds[1].due_ms - 2_000
    assert led_again_ms - swung_off_ms == 90_000


def test_a_rider_in_the_second_last_slot_of_four_gets_two_thirds_of_the_rest_and_of_the_turn() -> None:
    # Common practice, no source: second-last slot of four, two-thirds of the rest; the turn follows the rest.
    play = Play()
    play.at(35, RejoinedAt(rider=OTTO, slot=2))
    assert play.order == (MAYA, ANA, OTTO, IDA)
    assert play.turns(4) == [(MAYA, 30), (ANA, 30), (OTTO, 20), (IDA, 30)]


def test_half_the_rest_earns_half_the_turn() -> None:
    # Common practice, no source: half the rest earns about half the turn (30 s -> 15 s). Five riders rest 120 s;
    # whoever rejoins in the third slot has had two turns of rest, 60 s.
    play = Play(some_race(5))
    play.at(35, RejoinedAt(rider=OTTO, slot=2))
    assert play.turns(3)[2] == (OTTO, 15)


def test_the_turn_after_a_shorter_one_is_whole_again() -> None:
    play = Play()
    play.at(35, RejoinedAt(rider=OTTO, slot=2))
    assert play.turns(8)[6] == (OTTO, 30)


def test_one_turn_cut_short_does_not_shorten_everybody_elses() -> None:
    play = Play()
    play.at(10, SwungOff(rider=OTTO))
    assert [length for _, length in play.turns(8)] == [30] * 8


def test_an_early_swing_off_is_true_and_the_next_one_leads_at_once() -> None:
    play = Play()
    play.at(12, SwungOff(rider=OTTO))
    assert (play.order, place(play, MAYA), play.state.line.turn.began_ms) == (
        (MAYA, ANA, IDA, OTTO),
        Place.LEADING,
        12_000,
    )


def test_an_observation_of_what_is_so_already_changes_nothing() -> None:
    play = Play()
    play.until(31)
    before = play.state.line
    play.at(31.5, SwungOff(rider=OTTO))
    assert play.state.line == before


def test_whoever_comes_through_out_of_turn_leads_with_the_leader_on_the_wheel() -> None:
    play = Play()
    play.at(10, CameThrough(rider=ANA))
    assert (play.order, play.state.line.turn.rider) == ((ANA, OTTO, MAYA, IDA), ANA)


def test_a_leader_passed_by_mistake_leads_a_short_turn_next() -> None:
    play = Play()
    play.at(10, CameThrough(rider=ANA))
    # Otto rests through Ana's 30 s only, of 90 s.
    assert play.turns(2)[1] == (OTTO, 10)


def test_two_riders_who_swap_are_one_observation() -> None:
    play = Play()
    play.at(10, OrderSeen(order=(OTTO, ANA, MAYA, IDA)))
    assert (play.order, play.state.line.turn.number) == ((OTTO, ANA, MAYA, IDA), 1)


def test_riders_left_out_of_the_order_seen_have_lost_the_wheel() -> None:
    play = Play()
    play.at(10, OrderSeen(order=(OTTO, MAYA, ANA)))
    assert (play.order, place(play, IDA)) == ((OTTO, MAYA, ANA), Place.ADRIFT)


def test_a_rider_who_drifts_goes_on_drifting_when_the_others_swap() -> None:
    play = Play()
    play.until(31)
    play.at(32, OrderSeen(order=(MAYA, IDA, ANA, OTTO)))
    assert (play.order, place(play, OTTO)) == ((MAYA, IDA, ANA, OTTO), Place.DRIFTING)


def test_a_leader_who_loses_the_wheel_is_relieved_at_once() -> None:
    play = Play()
    play.at(10, LostWheel(rider=OTTO))
    assert (play.order, place(play, OTTO), play.state.line.turn.rider) == ((MAYA, ANA, IDA), Place.ADRIFT, MAYA)


def test_nobody_rests_while_a_leader_loses_the_wheel() -> None:
    play = Play()
    play.until(121)  # everyone has led once; Otto leads again since 120 s
    play.at(122, LostWheel(rider=OTTO))
    # Maya rested through Ana's and Ida's turns and 2 s of Otto's: 62 s of the 60 s that three riders need
    assert play.turns(1) == [(MAYA, 30)]


def test_a_rider_who_is_back_from_adrift_has_had_no_rest() -> None:
    play = Play()
    play.at(10, LostWheel(rider=IDA))
    play.at(40, RejoinedAt(rider=IDA, slot=1))  # Maya leads; Ida is next
    assert play.turns(2)[1] == (IDA, 10)


def test_the_last_rider_in_the_line_cannot_lose_the_wheel() -> None:
    play = Play(some_race(2))
    play.at(5, LostWheel(rider=OTTO))
    play.at(6, LostWheel(rider=MAYA))
    assert play.order == (MAYA,)


def test_a_rider_alone_has_nobody_to_swing_off_for() -> None:
    play = Play(some_race(2))
    play.at(5, LostWheel(rider=OTTO))
    cues = play.until(200)
    assert not [cue for cue in cues if cue.kind is CueKind.SWITCH]
    assert play.state.line.turn.rider == MAYA


def test_when_all_are_out_nobody_leads_and_whoever_returns_does() -> None:
    play = Play(some_race(2))
    play.at(5, Retired(rider=OTTO))
    play.at(6, Retired(rider=MAYA))
    assert (play.order, play.state.line.turn) == ((), None)
    play.at(9, RejoinedAt(rider=MAYA, slot=0))
    assert (play.order, play.state.line.turn.rider) == ((MAYA,), MAYA)


def test_two_riders_wait_for_the_wheel_before_they_switch() -> None:
    # Turns of 5 s are shorter than drift and latch together: the switch waits until the next one is on the wheel.
    play = Play(some_race(2, turn_s=5.0))
    play.until(60)
    switches, latches = play.told(CueKind.SWITCH), play.told(CueKind.LATCH_ON)
    assert len(switches) >= 4
    for switch, latch in zip(switches[1:], latches, strict=False):
        assert switch.due_ms == latch.due_ms + 3_000


def test_a_rider_who_only_follows_stays_behind_those_who_lead() -> None:
    play = Play(some_race(4, turns_s=(30.0, 30.0, 30.0, 0.0)))
    play.until(29)
    play.until(45)
    assert play.order == (MAYA, ANA, OTTO, IDA)
    play.until(300)
    assert IDA not in {cue.rider for cue in play.told(CueKind.STAND_BY)}


def test_a_slot_beyond_the_wheels_is_the_last_wheel() -> None:
    play = Play(some_race(5))
    play.until(31)
    play.at(33, RejoinedAt(rider=OTTO, slot=9))
    assert (play.order[-1], place(play, OTTO)) == (OTTO, Place.FOLLOWING)


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ((OTTO, MAYA, ANA), (MAYA, ANA, OTTO), True),
        ((OTTO, MAYA, ANA), (OTTO, ANA, MAYA), False),
        ((OTTO, MAYA), (OTTO, MAYA, ANA), False),
        ((), (), True),
        ((OTTO, MAYA, ANA, IDA, UGO), (IDA, UGO, OTTO, MAYA, ANA), True),
    ],
)
def test_two_orders_are_one_rotation_at_whatever_point_of_it(one: tuple, other: tuple, same: bool) -> None:
    assert same_round(one, other) is same


def test_a_line_before_the_gun_has_no_turn() -> None:
    assert form_line((OTTO, MAYA)) == Line(members=form_line((OTTO, MAYA)).members, turn=None)
