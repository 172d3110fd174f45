"""When the race departs from the plan: what is told, to whom, how often, and what follows for the next turns."""

import itertools
from dataclasses import replace

import pytest

from caller import race
from caller.cues import CUE_TABLE, CueKind
from caller.errors import RequestRefused
from caller.facts import (
    Aloud,
    CallAloud,
    CameThrough,
    FeltEmpty,
    FeltGood,
    GapClosed,
    GapOpened,
    LandmarkPassed,
    LatchedOn,
    LengthenTurn,
    LineBunched,
    LineSurged,
    LostWheel,
    OrderSeen,
    RaceFinished,
    RejoinedAt,
    Retired,
    SwungOff,
    Undo,
    WaitFor,
)
from caller.plan import RaceRules
from caller.riders import Roster
from tests.play import ANA, IDA, MAYA, OTTO, UGO, Play, some_race


def due(play: Play, kind: CueKind) -> list[float]:
    return [cue.due_ms / 1000 for cue in play.told(kind)]


# Order


def test_two_riders_back_at_once_are_one_new_order() -> None:
    play = Play(some_race(5))
    play.until(31)
    play.at(32, SwungOff(rider=MAYA))
    play.at(35, RejoinedAt(rider=MAYA, slot=1))
    play.at(36.2, RejoinedAt(rider=OTTO, slot=2))
    play.until(60)
    assert [cue.order for cue in play.told(CueKind.NEW_ORDER)] == [(ANA, MAYA, OTTO, IDA, UGO)]
    assert due(play, CueKind.NEW_ORDER) == [38.7]


def test_a_slip_put_right_before_it_is_named_is_never_heard() -> None:
    play = Play()
    play.at(10, OrderSeen(order=(OTTO, IDA, ANA, MAYA)))
    play.at(11.5, Undo())
    play.until(30)
    assert play.told(CueKind.NEW_ORDER) == []


def test_a_slip_put_right_after_it_was_named_is_named_too() -> None:
    play = Play()
    play.at(10, OrderSeen(order=(OTTO, IDA, ANA, MAYA)))
    play.at(14, Undo())
    play.until(30)
    assert [cue.order for cue in play.told(CueKind.NEW_ORDER)] == [(OTTO, IDA, ANA, MAYA), (OTTO, MAYA, ANA, IDA)]


def test_one_rider_less_is_told_by_name_and_makes_no_new_order() -> None:
    play = Play()
    play.at(10, LostWheel(rider=IDA))
    play.until(30)
    assert [(cue.rider, cue.due_ms) for cue in play.told(CueKind.ADRIFT)] == [(IDA, 10_500)]
    assert play.told(CueKind.NEW_ORDER) == []


def test_a_split_is_told_once_with_all_who_are_lost() -> None:
    play = Play(some_race(5))
    play.at(10, OrderSeen(order=(OTTO, MAYA)))
    (lost,) = play.told(CueKind.ADRIFT)
    assert (lost.rider, lost.order) == (None, (ANA, IDA, UGO))


def test_a_round_in_which_all_had_little_rest_is_followed_by_a_whole_one() -> None:
    """Were a short turn counted as short, each would shorten the next for ever."""
    play = Play(some_race(5))
    play.until(31)
    play.at(32, OrderSeen(order=(MAYA, OTTO)))
    play.at(35, OrderSeen(order=(MAYA, OTTO, ANA, IDA, UGO)))
    lengths = [length for _, length in play.turns(11)]
    assert min(lengths[1:5]) < 30
    assert lengths[6:] == [30] * 5


# Turns


def test_whoever_hogs_the_front_is_sent_off_because_the_others_are_rested() -> None:
    play = Play()
    play.until(120)  # everybody has led once; Otto leads again from 120 s
    play.until(151)  # and is believed to have swung off at 150 s
    play.at(152, CameThrough(rider=OTTO))
    play.until(160)
    (rested,) = play.told(CueKind.RESTED)
    assert (rested.rider, rested.due_ms, rested.to) == (OTTO, 157_000, (OTTO, MAYA))
    assert play.state.line.turn.rider == MAYA


def test_whoever_waited_behind_one_who_hogs_keeps_the_rest_had() -> None:
    play = Play()
    play.until(151)
    play.at(152, CameThrough(rider=OTTO))
    assert play.turns(2) == [(OTTO, 5), (MAYA, 30)]


def test_a_rider_on_the_front_may_ask_to_stay_on_and_nobody_else_may() -> None:
    play = Play()
    play.until(5)
    with pytest.raises(RequestRefused, match="Maya isn't on the front"):
        play.at(5, LengthenTurn(by_ms=10_000, rider=MAYA), by="rider:maya")
    play.at(6, LengthenTurn(by_ms=10_000, rider=OTTO), by="rider:otto")
    (stay,) = play.told(CueKind.STAY_ON)
    assert (stay.seconds, stay.because, play.turns(1)) == (10, "Otto asked to stay on", [(OTTO, 40)])


def test_a_rider_who_is_empty_twice_comes_through_and_straight_off_until_good_again() -> None:
    play = Play()
    play.at(5, FeltEmpty(rider=ANA))
    play.at(6, FeltEmpty(rider=ANA))
    assert [length for rider, length in play.turns(8) if rider == ANA] == [5, 5]
    assert [length for rider, length in play.turns(8) if rider != ANA] == [30] * 6, "nobody's rest is less for it"
    play.at(7, FeltGood(rider=ANA))
    assert [length for rider, length in play.turns(8) if rider == ANA] == [15, 15]


def test_no_next_turn_is_longer_than_the_reserve_allows_once_the_order_is_not_as_planned() -> None:
    """At 47 km/h the plan asks 560 W of riders who have 310 W and 8 kJ: about half a minute, less a margin."""
    opened = some_race(4, power_w=560, speed_mps=47 / 3.6)
    riders = tuple(replace(rider, w_prime_j=8_000.0) for rider in opened.roster.riders)
    play = Play(replace(opened, roster=Roster(riders=riders)))
    play.at(35, RejoinedAt(rider=OTTO, slot=1))
    turn = next(turn for turn in race.upcoming(play.state, 4) if turn.rider == IDA)
    # (8,000 J less a tenth) / 250 W = 28.8 s
    assert turn.ends_ms is not None
    assert (turn.ends_ms - turn.began_ms, turn.because) == (28_000, "reserve for 28 s")


# Shape


def test_the_line_is_eased_for_a_gap_that_stands_and_its_rider_told_once_more() -> None:
    play = Play()
    play.at(10, GapOpened(rider=ANA))
    play.until(29)
    assert (due(play, CueKind.CLOSE_GAP), due(play, CueKind.EASE)) == ([10.5, 18.5], [15.5])


def test_a_gap_tapped_again_and_again_nags_nobody() -> None:
    play = Play()
    for at_s in (10, 11, 12, 13):
        play.at(at_s, GapOpened(rider=ANA))
        play.at(at_s + 0.5, GapClosed(rider=ANA))
    play.at(14, GapOpened(rider=ANA))
    play.until(29)
    told = due(play, CueKind.CLOSE_GAP)
    assert told == [10.5, 18.5, 26.5]
    assert min(b - a for a, b in itertools.pairwise(told)) >= CUE_TABLE[CueKind.CLOSE_GAP].again_ms / 1000


def test_a_gap_is_gone_when_its_rider_leads_or_nobody_has_spoken_of_it_for_long() -> None:
    play = Play()
    play.at(28, GapOpened(rider=MAYA))
    play.until(31)
    assert play.state.gaps == ()
    play.at(32, GapOpened(rider=IDA))
    play.until(91)
    assert play.state.gaps == ()


@pytest.mark.parametrize(("seen", "kind"), [(LineSurged(), CueKind.EASE), (LineBunched(), CueKind.PRESS_ON)])
def test_what_is_seen_twice_is_told_once(seen: object, kind: CueKind) -> None:
    play = Play()
    play.at(10, seen)
    play.at(12, seen)
    play.at(19, seen)
    assert due(play, kind) == [10.5, 19.5]


# Lost and found


def test_who_is_out_is_told_to_all_with_how_many_more_can_be_lost() -> None:
    play = Play(some_race(5))  # four are counted
    play.at(10, Retired(rider=UGO), by="rider:ugo")
    (out,) = play.told(CueKind.OUT)
    assert (out.rider, out.to, out.spare, UGO in play.order) == (UGO, (), 0, False)


def test_a_leader_who_must_stop_is_relieved_at_once() -> None:
    play = Play()
    play.at(10, Retired(rider=OTTO), by="rider:otto")
    assert play.order == (MAYA, ANA, IDA)
    assert [cue.rider for cue in play.told(CueKind.OUT)] == [OTTO]


def test_the_line_rides_on_when_whom_it_waits_for_is_back() -> None:
    play = Play()
    play.at(10, LostWheel(rider=IDA))
    play.at(12, WaitFor(rider=IDA))
    play.at(30.5, LatchedOn(rider=IDA), by="rider:ida")
    (lift,) = play.told(CueKind.LIFT)
    assert (lift.due_ms, lift.because) == (31_000, "Ida is back")


def test_riders_are_replaced_before_the_start_by_opening_the_race_anew() -> None:
    play = Play(countdown_s=0)
    play.at(-3_600, some_race(5))
    assert play.order == (OTTO, MAYA, ANA, IDA, UGO)


# Where are we


def test_each_landmark_tells_how_far_the_line_is_from_the_plan() -> None:
    play = Play()
    play.at(92, LandmarkPassed(at_m=1_000.0), seen_s=90)  # planned at 80 s
    (check,) = play.told(CueKind.TIME)
    assert (check.against_plan_s, check.to) == (10, ())
    assert "planned at 13:20" in check.because


def test_a_landmark_that_no_line_could_have_reached_is_not_told_as_a_time() -> None:
    play = Play()
    play.at(20, LandmarkPassed(at_m=5_000.0))
    assert play.told(CueKind.TIME) == []


def test_a_landmark_that_brings_the_line_back_from_beyond_the_finish_leaves_its_switch_time_to_be_called() -> None:
    play = Play()
    play.at(15, LandmarkPassed(at_m=9_999.0))
    play.until(90)
    play.at(119, LandmarkPassed(at_m=1_480.0))
    play.until(140)
    switches = [cue.due_ms for cue in play.told(CueKind.SWITCH) if cue.due_ms > 119_000]
    assert switches
    assert switches[0] >= 121_000


# Two directors


def test_what_two_directors_ask_at_once_counts_once() -> None:
    play = Play()
    play.until(5)
    play.at(5, LengthenTurn(by_ms=10_000))
    play.at(5.8, LengthenTurn(by_ms=10_000), by="director 2")
    assert play.turns(1) == [(OTTO, 40)]


def test_what_one_director_asks_twice_counts_twice() -> None:
    play = Play()
    play.until(5)
    play.at(5, LengthenTurn(by_ms=10_000))
    play.at(5.8, LengthenTurn(by_ms=10_000))
    assert play.turns(1) == [(OTTO, 50)]


def test_a_director_may_call_what_was_called_just_now() -> None:
    play = Play()
    play.at(10, LineSurged())
    play.at(11, CallAloud(aloud=Aloud.EASE, rider=OTTO))
    assert due(play, CueKind.EASE) == [10.5, 11.5]


# Finish


def test_the_last_effort_begins_where_those_who_are_counted_can_hold_it_to_the_line() -> None:
    """Riders with all their W′ go from further out than riders who are nearly spent."""
    begins = []
    for speed_kmh in (44, 52):  # at 44 km/h nobody spends much; at 52 km/h the front costs more than the wheels give
        play = Play(some_race(5, speed_mps=speed_kmh / 3.6, power_w=480, rules=RaceRules(counted=4)))
        play.at(7_500 / speed_kmh * 3.6, LandmarkPassed(at_m=7_500.0))
        assert play.state.effort is not None
        begins.append(10_000 - play.state.effort.start_m)
    assert begins[0] > begins[1]


def test_the_result_names_time_counted_rider_and_who_was_lost() -> None:
    play = Play(some_race(5))
    play.at(100, Retired(rider=UGO))
    play.at(805, RaceFinished(rider=IDA))
    ended = race.result(play.state)
    assert ended is not None
    assert (ended.finish_ms, ended.against_plan_ms, ended.counted, ended.out) == (805_000, 5_000, IDA, (UGO,))
    said = race.result_says(ended, play.opened.roster)
    assert said.startswith("13:25.0, 5.0 s behind the plan; Ida counted; in the line ")
    assert said.endswith("lost Ugo; 0 order changes")


def test_where_nobody_says_who_was_counted_it_is_the_nth_in_the_line() -> None:
    play = Play()
    play.until(10)
    play.at(10, RaceFinished())
    ended = race.result(play.state)
    assert ended is not None
    assert ended.counted == IDA


def test_a_race_that_nobody_saw_end_has_no_result() -> None:
    play = Play()
    play.until(2_000)
    assert (play.state.phase, race.result(play.state)) == (race.Phase.OVER, None)
