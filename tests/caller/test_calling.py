"""When a cue is due, and for whom."""

import pytest

from caller.cues import CUE_TABLE, CueKind
from caller.facts import (
    Aloud,
    CallAloud,
    CutTurn,
    FeltEmpty,
    FeltGood,
    GapClosed,
    GapOpened,
    GoWithout,
    LandmarkPassed,
    LengthenTurn,
    LineBunched,
    LineSurged,
    LostWheel,
    OrderSeen,
    RejoinedAt,
    Retired,
    SayAloud,
    ShortenTurn,
    SwungOff,
    WaitFor,
)
from caller.plan import RaceRules
from tests.play import ANA, IDA, MAYA, OTTO, Play, some_race


def due(play: Play, kind: CueKind) -> list[float]:
    return [cue.due_ms / 1000 for cue in play.told(kind)]


def test_the_countdown_is_counted_and_ends_on_the_gun() -> None:
    play = Play()
    play.until(1)
    assert due(play, CueKind.START_COUNT) == [-10, -5, -4, -3, -2, -1]
    assert due(play, CueKind.START) == [0]


def test_a_switch_is_due_at_the_end_of_the_turn_and_speaks_to_both() -> None:
    play = Play()
    play.until(30)
    (switch,) = play.told(CueKind.SWITCH)
    assert (switch.due_ms, switch.rider, switch.to) == (30_000, OTTO, (OTTO, MAYA))


def test_the_next_leader_stands_by_ten_seconds_ahead() -> None:
    play = Play()
    play.until(30)
    (stand_by,) = play.told(CueKind.STAND_BY)
    assert (stand_by.due_ms, stand_by.to) == (20_000, (MAYA,))


def test_where_turns_are_short_stand_by_comes_after_the_switch_before() -> None:
    play = Play(some_race(4, turn_s=8.0))
    play.until(30)
    assert due(play, CueKind.STAND_BY) == [3.5, 11.5, 19.5, 27.5]


def test_a_turn_too_short_for_a_stand_by_has_none() -> None:
    play = Play(some_race(4, turn_s=6.0))
    play.until(60)
    assert due(play, CueKind.STAND_BY) == []


def test_the_new_leader_is_told_what_to_hold_in_whole_fives() -> None:
    play = Play(some_race(4, power_w=381.6))
    play.until(33)
    assert [(cue.rider, cue.power_w, cue.due_ms) for cue in play.told(CueKind.HOLD)] == [
        (OTTO, 380, 2_000),
        (MAYA, 380, 32_000),
    ]


def test_a_drifting_rider_is_told_when_the_last_wheel_comes_by() -> None:
    play = Play()
    play.until(30)
    over_ms = play.state.line.member(OTTO).until_ms
    play.until(45)
    (latch,) = play.told(CueKind.LATCH_ON)
    assert (latch.due_ms, latch.to) == (over_ms, (OTTO,))


def test_a_gap_is_called_to_whoever_is_behind_it_and_once_more_while_it_stands() -> None:
    play = Play()
    play.at(10, GapOpened(rider=ANA))
    play.until(60)
    assert [(cue.due_ms, cue.to) for cue in play.told(CueKind.CLOSE_GAP)] == [(10_500, (ANA,)), (18_500, (ANA,))]


def test_a_closed_gap_is_not_called_again() -> None:
    play = Play()
    play.at(10, GapOpened(rider=ANA))
    play.at(14, GapClosed(rider=ANA))
    play.until(60)
    assert due(play, CueKind.CLOSE_GAP) == [10.5]


def test_terrain_is_told_three_hundred_metres_ahead_with_who_takes_it() -> None:
    play = Play()
    play.until(500)
    (terrain,) = play.told(CueKind.TERRAIN)
    # The climb begins at 6,000 m; at 12.5 m/s, 5,700 m come at 456 s and 6,000 m at 480 s, when the 17th turn begins.
    assert (terrain.due_ms, terrain.place, terrain.distance_m, terrain.rider) == (456_000, "climb", 300, OTTO)


def test_a_landmark_seen_early_brings_the_terrain_cue_forward() -> None:
    play = Play()
    play.at(380, LandmarkPassed(at_m=5_000.0))  # planned at 400 s: 5 % faster than planned
    play.until(500)
    (terrain,) = play.told(CueKind.TERRAIN)
    # 700 m further, at least as fast as planned and at most as fast as what was seen, and nearer to that
    planned_s, seen_s = 380 + 700 / 12.5, 380 + 700 / 12.5 / (400 / 380)
    assert seen_s < terrain.due_ms / 1000 < (planned_s + seen_s) / 2


def test_terrain_already_near_when_a_landmark_tells_is_called_late_but_called() -> None:
    play = Play()
    play.at(430, LandmarkPassed(at_m=5_720.0))
    (terrain,) = play.told(CueKind.TERRAIN)
    assert terrain.due_ms == 432_000


def test_terrain_long_passed_when_a_landmark_tells_is_left_out() -> None:
    play = Play()
    play.at(430, LandmarkPassed(at_m=6_500.0))
    play.until(470)
    assert due(play, CueKind.TERRAIN) == []


def test_the_last_kilometre_is_called_all_in() -> None:
    play = Play()
    play.until(730)
    assert due(play, CueKind.ALL_IN) == [720]


def test_a_line_later_than_believed_is_called_for_one_more_minute() -> None:
    play = Play()
    play.until(1_000)
    assert max(due(play, CueKind.SWITCH)) == 840  # the finish is believed to come at 800 s


def test_a_longer_turn_is_told_to_its_leader_and_the_switch_moves() -> None:
    play = Play()
    play.at(15, LengthenTurn(by_ms=15_000))
    play.until(46)
    (stay,) = play.told(CueKind.STAY_ON)
    assert (stay.seconds, stay.to, due(play, CueKind.SWITCH)) == (15, (OTTO,), [45])


def test_a_shorter_turn_still_leaves_time_to_call_its_switch() -> None:
    play = Play()
    play.at(25, ShortenTurn(by_ms=20_000))
    play.until(31)
    assert due(play, CueKind.SWITCH) == [27]


def test_off_now_is_called_instead_of_switch_and_sooner() -> None:
    play = Play()
    play.at(10, CutTurn())
    play.until(12)
    assert (due(play, CueKind.OFF_NOW), due(play, CueKind.SWITCH)) == ([11], [])
    assert play.order == (MAYA, ANA, IDA, OTTO)


def test_however_little_rest_a_turn_is_no_shorter_than_five_seconds() -> None:
    """8 s of 24 s rested would earn 2.7 s of 8 s."""
    play = Play(some_race(4, turn_s=8.0))
    play.at(1, LostWheel(rider=MAYA))
    play.at(3, RejoinedAt(rider=MAYA, slot=1))
    play.until(9)
    assert play.turns(1) == [(MAYA, 5)]


def test_a_good_day_lengthens_the_present_turn_and_the_next_ones() -> None:
    # Common practice, no source: a planned 30 s may become 60 s on a good day.
    play = Play()
    play.at(5, FeltGood(rider=OTTO))
    play.at(6, FeltGood(rider=OTTO))
    assert [length for rider, length in play.turns(9) if rider == OTTO] == [60, 60, 60]


def test_a_hard_day_halves_turns() -> None:
    # Common practice, no source: a planned 30 s may become 15 s on a bad day.
    play = Play()
    play.at(5, FeltEmpty(rider=MAYA))
    assert play.turns(2)[1] == (MAYA, 15)


def test_an_accepted_order_is_named_once_and_nobody_is_sent_back() -> None:
    play = Play()
    play.at(35, RejoinedAt(rider=OTTO, slot=2))
    play.until(200)
    (order,) = play.told(CueKind.NEW_ORDER)
    assert order.order == (MAYA, ANA, OTTO, IDA)


def test_a_rider_back_on_the_last_wheel_is_no_new_order() -> None:
    play = Play()
    play.at(36, RejoinedAt(rider=OTTO, slot=3))
    assert play.told(CueKind.NEW_ORDER) == []


def test_a_new_next_leader_is_told_to_stand_by_even_late() -> None:
    play = Play()
    play.until(22)  # Maya has been told to stand by at 20 s
    play.at(23, OrderSeen(order=(OTTO, ANA, MAYA, IDA)))
    play.until(31)
    assert [(cue.rider, cue.due_ms) for cue in play.told(CueKind.STAND_BY)] == [(MAYA, 20_000), (ANA, 24_500)]


def test_a_next_leader_who_changes_in_the_last_breath_is_not_told_to_stand_by() -> None:
    play = Play()
    play.at(26.5, OrderSeen(order=(OTTO, ANA, MAYA, IDA)))
    play.until(31)
    assert ANA not in [cue.rider for cue in play.told(CueKind.STAND_BY)]
    assert play.state.line.turn.rider == ANA


@pytest.mark.parametrize(
    ("fact", "kind", "to"),
    [
        (LineSurged(), CueKind.EASE, (OTTO,)),
        (LineBunched(), CueKind.PRESS_ON, (MAYA, ANA, IDA)),
        (CallAloud(aloud=Aloud.STOP), CueKind.STOP, ()),
        (CallAloud(aloud=Aloud.LIFT, rider=OTTO), CueKind.LIFT, (OTTO,)),
        (CallAloud(aloud=Aloud.EASE), CueKind.EASE, ()),
        (CallAloud(aloud=Aloud.PRESS_ON), CueKind.PRESS_ON, ()),
        (CallAloud(aloud=Aloud.ALL_IN), CueKind.ALL_IN, ()),
        (SayAloud(text="bottle"), CueKind.SAY, ()),
        (SayAloud(text="bottle", rider=OTTO), CueKind.SAY, (OTTO,)),
    ],
)
def test_what_is_called_at_once_is_due_when_its_window_allows(fact: object, kind: CueKind, to: tuple) -> None:
    play = Play()
    play.at(10, fact)
    (cue,) = play.told(kind)
    assert (cue.due_ms, cue.to) == (10_000 + CUE_TABLE[kind].commit_ms, to)


def test_what_the_director_says_carries_the_words_and_outranks_no_switch() -> None:
    play = Play()
    play.at(10, SayAloud(text="crosswind at the mill", rider=MAYA))
    (cue,) = play.told(CueKind.SAY)
    assert (cue.rider, cue.words) == (MAYA, "crosswind at the mill")
    more_urgent = {kind for kind, row in CUE_TABLE.items() if row.priority < CUE_TABLE[CueKind.SAY].priority}
    assert {CueKind.STOP, CueKind.START, CueKind.SWITCH, CueKind.OFF_NOW, CueKind.CLOSE_GAP} <= more_urgent
    assert CueKind.HOLD not in more_urgent


@pytest.mark.parametrize(("decide", "kind"), [(WaitFor, CueKind.WAIT), (GoWithout, CueKind.GO)])
def test_a_decision_on_an_adrift_rider_is_called_to_the_line(decide: type, kind: CueKind) -> None:
    play = Play()
    play.at(10, LostWheel(rider=IDA))
    play.at(12, decide(rider=IDA))
    (cue,) = play.told(kind)
    assert (cue.rider, cue.to) == (IDA, ())


def test_a_rider_who_goes_adrift_is_not_told_to_close_a_gap() -> None:
    play = Play()
    play.at(10, GapOpened(rider=IDA))
    play.at(12, LostWheel(rider=IDA))
    play.until(40)
    assert due(play, CueKind.CLOSE_GAP) == [10.5]


def test_nobody_out_of_the_race_is_told_anything() -> None:
    play = Play()
    play.at(40, Retired(rider=OTTO))
    cues = play.until(400)
    assert cues
    assert OTTO not in {rider for cue in cues for rider in (*cue.to, cue.rider)}


def test_why_a_turn_is_short_stands_in_its_switch() -> None:
    play = Play()
    play.at(35, RejoinedAt(rider=OTTO, slot=2))
    play.until(111)
    assert "rested 60 s of 90 s" in play.told(CueKind.SWITCH)[-1].because


def test_an_early_swing_off_gives_the_new_leader_a_power_to_hold() -> None:
    play = Play()
    play.at(12, SwungOff(rider=OTTO))
    play.until(15)
    assert [(cue.rider, cue.due_ms) for cue in play.told(CueKind.HOLD)] == [(OTTO, 2_000), (MAYA, 14_000)]


def test_without_a_last_effort_in_the_rules_none_is_called() -> None:
    play = Play(some_race(rules=RaceRules(all_in_m=0)))
    play.until(800)
    assert due(play, CueKind.ALL_IN) == []


def test_every_kind_of_cue_is_in_the_table() -> None:
    assert set(CUE_TABLE) == set(CueKind)
