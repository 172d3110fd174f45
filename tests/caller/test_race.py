"""The laws of a race: replay, looking, fixing, undo, refusals."""

import contextlib
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from caller import race
from caller.cues import CUE_TABLE, Cue, CueKind
from caller.errors import LogRefused, PlanRefused, RequestRefused
from caller.facts import (
    FACT_TYPES,
    MOST_SAID,
    Aloud,
    CallAloud,
    CameThrough,
    CutTurn,
    Entry,
    Fact,
    FeltEmpty,
    FeltGood,
    GapClosed,
    GapOpened,
    GoWithout,
    LandmarkPassed,
    LatchedOn,
    LengthenTurn,
    LineBunched,
    LineSurged,
    LostWheel,
    OrderSeen,
    PlanOffered,
    RaceFinished,
    RaceOpened,
    RejoinedAt,
    Resume,
    Retired,
    SayAloud,
    ShortenTurn,
    StartCalledOff,
    StartSet,
    SwungOff,
    Undo,
    WaitFor,
)
from caller.physics import air_density_kg_m3, road_power_w, shelter_shares
from caller.plan import RaceRules
from caller.race import Phase
from caller.rotation import Place
from caller.speech.told import says
from caller.units import LOBBY_MS
from tests.play import ANA, IDA, MAYA, NAMES, OTTO, Play, some_race

RIDERS = [name.lower() for name in NAMES[:5]]
rider = st.sampled_from(RIDERS)

ANY_FACT: st.SearchStrategy[Fact] = st.one_of(
    st.builds(SwungOff, rider=rider),
    st.builds(LatchedOn, rider=rider),
    st.builds(RejoinedAt, rider=rider, slot=st.integers(0, 9)),
    st.builds(CameThrough, rider=rider),
    st.builds(OrderSeen, order=st.lists(rider, min_size=1, max_size=5, unique=True).map(tuple)),
    st.builds(LostWheel, rider=rider),
    st.builds(Retired, rider=rider),
    st.builds(GapOpened, rider=rider),
    st.builds(GapClosed, rider=rider),
    st.builds(LineBunched),
    st.builds(LineSurged),
    st.builds(LandmarkPassed, at_m=st.floats(0, 12_000)),
    st.builds(FeltGood, rider=rider),
    st.builds(FeltEmpty, rider=rider),
    st.builds(LengthenTurn, by_ms=st.integers(1, 60).map(lambda s: s * 1000)),
    st.builds(ShortenTurn, by_ms=st.integers(1, 60).map(lambda s: s * 1000)),
    st.builds(CutTurn),
    st.builds(WaitFor, rider=rider),
    st.builds(GoWithout, rider=rider),
    st.builds(CallAloud, aloud=st.sampled_from(Aloud), rider=st.none() | rider),
    st.builds(SayAloud, text=st.sampled_from(("bottle", "crosswind from the left")), rider=st.none() | rider),
    st.builds(Resume),
    st.builds(Undo),
)
"""Whatever may happen between the gun and the finish, sensible or not."""

STORY = st.lists(st.tuples(st.integers(0, 25_000), ANY_FACT), max_size=15)
"""(ms since the last fact, fact) pairs."""

TURNS = st.tuples(*[st.sampled_from((0.0, 5.0, 8.0, 12.0, 30.0, 60.0))] * 5)


def played(turns_s: tuple[float, ...], story: list[tuple[int, Fact]]) -> Play:
    """A race in which the story happens, then ten minutes more; what is refused leaves no trace."""
    play = Play(some_race(5, turns_s=turns_s))
    at_ms = -20_000
    for after_ms, fact in story:
        at_ms += after_ms
        try:
            play.at(at_ms / 1000, fact)
        except RequestRefused:
            continue
    play.until(at_ms / 1000 + 120)
    return play


@settings(max_examples=60, deadline=None)
@given(turns_s=TURNS, story=STORY, looks=st.lists(st.integers(-20_000, 500_000), max_size=30))
def test_looking_more_often_changes_no_cue(
    turns_s: tuple[float, ...], story: list[tuple[int, Fact]], looks: list[int]
) -> None:
    seldom = played(turns_s, story)
    often = Play(some_race(5, turns_s=turns_s))
    for entry in (*seldom.entries[2:], None):
        end_ms = seldom.state.now_ms if entry is None else entry.at_ms
        for look_ms in sorted(look for look in looks if often.state.now_ms <= look < end_ms):
            race.calls(often.state)
            often.until(look_ms / 1000)
        if entry is None:
            often.until(end_ms / 1000)
        else:
            often.at(end_ms / 1000, entry.fact)
    assert often.cues == seldom.cues
    assert often.state == seldom.state


@settings(max_examples=60, deadline=None)
@given(turns_s=TURNS, story=STORY)
def test_replay_gives_the_same_race(turns_s: tuple[float, ...], story: list[tuple[int, Fact]]) -> None:
    play = played(turns_s, story)
    again, _ = race.advance(race.replay(play.entries), play.state.now_ms)
    assert repr(race.calls(again)) == repr(race.calls(play.state))
    assert again == play.state


def _lawful(play: Play, state: race.RaceState) -> None:
    members = state.line.members
    everybody = [member.rider for member in members + state.line.apart]
    assert sorted(everybody) == sorted(play.opened.roster.ids), "the order is a permutation of the riders"
    assert all(member.place in (Place.ADRIFT, Place.OUT) for member in state.line.apart)
    leaders = [member.rider for member in members if member.place is Place.LEADING]
    if state.phase is Phase.RACING and members:
        assert leaders == [members[0].rider] == [state.line.turn.rider], "exactly one leads, at the front"
    drifting = [member.until_ms is not None for member in members]
    assert drifting == sorted(drifting), "nobody follows a rider who drifts"


@settings(max_examples=60, deadline=None)
@given(turns_s=TURNS, story=STORY)
def test_whatever_happens_the_line_stays_a_line(turns_s: tuple[float, ...], story: list[tuple[int, Fact]]) -> None:
    play = Play(some_race(5, turns_s=turns_s))
    at_ms = -20_000
    for after_ms, fact in story:
        for look_ms in range(at_ms, at_ms + after_ms, 7_000):
            play.until(look_ms / 1000)
            _lawful(play, play.state)
        at_ms += after_ms
        before = play.state
        try:
            play.at(at_ms / 1000, fact)
        except RequestRefused:
            assert play.state == before
        _lawful(play, play.state)


@settings(max_examples=60, deadline=None)
@given(turns_s=TURNS, story=STORY)
def test_no_cue_is_first_told_after_its_window_began(turns_s: tuple[float, ...], story: list[tuple[int, Fact]]) -> None:
    play = Play(some_race(5, turns_s=turns_s))
    at_ms = -20_000
    seen: set[str] = set()
    for after_ms, fact in (*story, (120_000, None)):
        at_ms += after_ms
        told_ms = play.state.now_ms
        try:
            fixed = play.until(at_ms / 1000) if fact is None else play.at(at_ms / 1000, fact)
        except RequestRefused:
            continue
        for cue in fixed:
            assert cue.id not in seen, "no cue is told twice"
            seen.add(cue.id)
            assert cue.due_ms - CUE_TABLE[cue.kind].commit_ms >= told_ms, "no cue is first told in its own window"


@settings(max_examples=60, deadline=None)
@given(turns_s=TURNS, story=STORY)
def test_what_is_fixed_was_in_the_known_future_just_before(
    turns_s: tuple[float, ...], story: list[tuple[int, Fact]]
) -> None:
    """A device that holds the future and hears nothing more calls what the server fixes."""
    play = played(turns_s, story)
    known = {cue.id: cue for cue in race.calls(play.state)}
    _, fixed = race.advance(play.state, play.state.now_ms + 180_000)
    assert [known.get(cue.id) for cue in fixed] == list(fixed)


@settings(max_examples=60, deadline=None)
@given(turns_s=TURNS, story=STORY)
def test_what_is_fixed_was_known_right_after_the_last_fact(
    turns_s: tuple[float, ...], story: list[tuple[int, Fact]]
) -> None:
    """However disordered the line is just then: a rider back after a while, a switch that nobody could follow."""
    play = Play(some_race(5, turns_s=turns_s))
    at_ms = -20_000
    for after_ms, fact in story:
        at_ms += after_ms
        with contextlib.suppress(RequestRefused):
            play.at(at_ms / 1000, fact)
        play.until(at_ms / 1000)
        known = {cue.id: cue for cue in race.calls(play.state)}
        _, fixed = race.advance(play.state, at_ms + 60_000)
        assert [known.get(cue.id) for cue in fixed] == list(fixed)


@settings(max_examples=60, deadline=None)
@given(turns_s=TURNS, story=STORY)
def test_every_switch_had_its_stand_by_or_a_reason(turns_s: tuple[float, ...], story: list[tuple[int, Fact]]) -> None:
    play = played(turns_s, [])
    play.until(400)
    stood_by = {cue.id.split(":")[1] for cue in play.told(CueKind.STAND_BY)}
    begun_ms = 0
    for switch in play.told(CueKind.SWITCH):
        if switch.due_ms - begun_ms >= 6_500:  # a shorter turn has no room for one: see calling._stand_by
            assert switch.id.split(":")[1] in stood_by
        begun_ms = switch.due_ms


@settings(max_examples=60, deadline=None)
@given(turns_s=TURNS, story=STORY)
def test_time_alone_ends_no_turn_before_the_instant_for_which_its_switch_was_called(
    turns_s: tuple[float, ...], story: list[tuple[int, Fact]]
) -> None:
    play = Play(some_race(5, turns_s=turns_s))
    at_ms = -20_000
    for after_ms, fact in (*story, (60_000, None)):
        at_ms += after_ms
        while (wake_ms := race.next_wake(play.state)) is not None and wake_ms <= at_ms:
            before = play.state.line
            play.until(wake_ms / 1000)
            if play.state.line.turns_begun > before.turns_begun and before.turn is not None:
                (called_ms,) = [cue.due_ms for cue in play.cues if cue.id == f"switch:{before.turn.number}"]
                assert called_ms <= wake_ms  # later if the wheel that should have come then isn't there
        if fact is not None:
            with contextlib.suppress(RequestRefused):
                play.at(at_ms / 1000, fact)


def test_undo_of_a_longer_turn_past_its_old_end_still_calls_the_switch() -> None:
    play = Play()
    play.at(25, LengthenTurn(by_ms=15_000))
    play.at(35, Undo())
    play.until(40)
    assert [cue.due_ms for cue in play.told(CueKind.SWITCH)] == [37_000]


@settings(max_examples=60, deadline=None)
@given(turns_s=TURNS, story=STORY, fact=ANY_FACT, after_ms=st.integers(0, 3_000))
def test_undo_restores_the_line_and_never_the_clock(
    turns_s: tuple[float, ...], story: list[tuple[int, Fact]], fact: Fact, after_ms: int
) -> None:
    play = played(turns_s, story)
    before, at_ms = play.state, play.state.now_ms
    try:
        play.at(at_ms / 1000, fact)
    except RequestRefused:
        return
    if len(play.state.held) <= len(before.held) and play.state.held[-1:] in (before.held[-1:], before.held[-2:-1]):
        return  # it changed nothing that can be undone, or was an undo itself
    told = play.state.told
    try:
        play.at((at_ms + after_ms) / 1000, Undo())
    except RequestRefused as refused:
        assert str(refused).startswith("undo: a switch has come since")  # noqa: PT017
        return
    expected, _ = race.advance(before, at_ms + after_ms)
    # A switch that fell between the fact and its undo was never called: it is still to come, with fair warning.
    missed = expected.line.turns_begun > before.line.turns_begun
    if missed and play.state.line.order != expected.line.order:  # the same if its call lands on this very instant
        assert play.state.line.order[0] == before.line.order[0]
    else:
        assert play.state.line.order == expected.line.order
    assert (play.state.form, play.state.gaps, play.state.position) == (before.form, before.gaps, before.position)
    assert play.state.now_ms == at_ms + after_ms
    assert told <= play.state.told, "nothing spoken is unspoken"


def test_undo_of_a_cut_that_is_being_called_leaves_the_switch_where_it_is_called() -> None:
    play = Play()
    play.at(10, CutTurn())
    play.at(10.7, Undo())
    play.until(40)
    assert (play.order[0], play.state.line.turn and play.state.line.turn.began_ms) == (MAYA, 11_000)
    assert [(cue.id, cue.due_ms) for cue in play.told(CueKind.OFF_NOW)] == [("switch:1", 11_000)]


def test_a_leader_alone_whose_switch_was_called_gets_another_call_when_a_rider_is_back() -> None:
    play = Play(some_race(2))
    play.until(28.5)
    play.at(29, LostWheel(rider=MAYA))  # the switch of turn 1 is being called, and nobody is there
    play.at(60, RejoinedAt(rider=MAYA, slot=1))
    assert play.order == (OTTO, MAYA)
    play.until(63)
    assert [cue.due_ms for cue in play.told(CueKind.SWITCH)] == [30_000, 62_000]
    assert play.order == (MAYA, OTTO)


def test_a_rider_who_brought_a_new_call_with_them_can_still_be_taken_back() -> None:
    play = Play(some_race(2))
    play.until(28.5)
    play.at(29, LostWheel(rider=MAYA))
    play.at(60, RejoinedAt(rider=MAYA, slot=1))
    play.at(61, Undo())
    play.until(70)
    assert (play.order, play.state.line.member(MAYA).place) == ((OTTO,), Place.ADRIFT)


def test_what_was_decided_of_a_rider_adrift_ends_when_the_rider_is_back() -> None:
    play = Play()
    play.at(10, LostWheel(rider=ANA))
    play.at(12, WaitFor(rider=ANA))
    assert play.state.decisions == ((ANA, race.Decision.WAIT),)
    play.at(30.5, RejoinedAt(rider=ANA, slot=1))
    play.at(40, LostWheel(rider=ANA))
    assert play.state.decisions == ()


def test_nobody_stands_by_for_a_switch_that_is_never_called() -> None:
    play = Play(
        some_race(4, turn_s=29.0)
    )  # the last call is at 860 s: one switch is at 841 s, the next would be at 870 s
    play.until(1_000)
    assert {cue.id.split(":")[1] for cue in play.told(CueKind.STAND_BY)} == {
        cue.id.split(":")[1] for cue in play.told(CueKind.SWITCH)
    }


def test_a_fact_stamped_before_what_is_known_already_is_refused() -> None:
    play = Play()
    play.until(10)
    with pytest.raises(RequestRefused, match="stamped 9999 ms, before the state's own 10000 ms"):
        play.at(9.999, LostWheel(rider=ANA))


def test_a_wheel_that_comes_sooner_than_believed_moves_no_switch_that_is_being_called() -> None:
    play = Play(some_race(3, turn_s=8.0, rules=RaceRules(closing_mps=0.3)))
    late = []
    while not late:
        assert play.state.now_ms < 60_000, "so slow a drift makes some wheel late within two rounds"
        play.until(play.state.now_ms / 1000 + 0.5)
        late = [cue for cue in play.told(CueKind.SWITCH) if cue.because.endswith("the next wheel was late")]
    relief = play.order[1]
    play.at(play.state.now_ms / 1000, LatchedOn(rider=relief))
    play.until(late[0].due_ms / 1000)
    assert (play.order[0], play.state.line.turn and play.state.line.turn.began_ms) == (relief, late[0].due_ms)


@pytest.mark.parametrize("again", [CutTurn(), ShortenTurn(by_ms=5_000), FeltEmpty(rider=OTTO)])
def test_asking_again_for_less_never_puts_a_cut_off(again: Fact) -> None:
    """Whoever hammers on the key is in a hurry."""
    play = Play()
    play.at(10, CutTurn())
    for tenth in range(1, 4):
        play.at(10 + tenth / 10, again)
    play.until(12)
    assert [cue.due_ms for cue in play.told(CueKind.OFF_NOW)] == [11_000]
    assert play.told(CueKind.STAY_ON) == []


def test_a_plan_without_all_riders_opens_no_race_and_is_no_news_for_one() -> None:
    opened = some_race(4)
    three = replace(opened.plan, order=opened.plan.order[:3])
    with pytest.raises(
        PlanRefused, match="plan, order: found without Ida; expected every rider of the roster once and"
    ):
        race.start(Entry(seq=1, at_ms=LOBBY_MS, by="director", fact=replace(opened, plan=three)))
    play = Play(countdown_s=0)
    with pytest.raises(PlanRefused):
        play.at(LOBBY_MS / 1000, PlanOffered(plan=three, for_seq=1))


def test_undo_gives_back_the_turn_with_its_time() -> None:
    play = Play()
    play.at(10, LengthenTurn(by_ms=15_000))
    play.at(12, Undo())
    assert play.turns(1) == [(OTTO, 30)]


@pytest.mark.parametrize(("tapped_s", "undone_s"), [(12, 14), (29, 29.5)])
def test_undo_of_a_wrong_swing_off_leaves_one_call_of_the_switch(tapped_s: float, undone_s: float) -> None:
    """Also where it was being called already."""
    play = Play()
    play.at(tapped_s, SwungOff(rider=OTTO))
    play.at(undone_s, Undo())
    play.until(59)
    assert [cue.due_ms for cue in play.told(CueKind.SWITCH)] == [30_000, 60_000]
    assert (play.order[0], play.state.line.turn and play.state.line.turn.number) == (MAYA, 3)


def test_undo_of_a_swing_off_that_hid_a_call_gets_the_turn_another_one() -> None:
    play = Play()
    play.at(29, SwungOff(rider=OTTO))
    play.at(33, Undo())  # the call for 30 s is over, and Otto still leads
    play.until(36)
    assert [cue.due_ms for cue in play.told(CueKind.SWITCH)] == [30_000, 35_000]


def test_two_undos_take_back_two_facts() -> None:
    play = Play()
    play.at(10, OrderSeen(order=(OTTO, ANA, MAYA, IDA)))
    play.at(11, OrderSeen(order=(OTTO, IDA, ANA, MAYA)))
    play.at(12, Undo())
    assert play.order == (OTTO, ANA, MAYA, IDA)
    play.at(13, Undo())
    assert play.order == (OTTO, MAYA, ANA, IDA)


def test_undo_is_refused_once_a_switch_has_come() -> None:
    play = Play()
    play.at(25, OrderSeen(order=(OTTO, ANA, MAYA, IDA)))
    play.until(31)
    with pytest.raises(RequestRefused, match="a switch has come since"):
        play.at(32, Undo())


def test_a_riders_own_tap_is_not_in_the_way_of_undo() -> None:
    """What is meant is what the director told last, and what the rider told since still holds."""
    play = Play()
    play.until(31)
    play.at(35, OrderSeen(order=(MAYA, IDA, ANA, OTTO)))
    play.at(36, LatchedOn(rider=OTTO), by="rider:otto")
    assert race.undo_says(play.state) == "the order seen is Maya, Ida, Ana, Otto"
    play.at(37, Undo())
    assert (play.order, play.state.line.member(OTTO).place) == ((MAYA, ANA, IDA, OTTO), Place.FOLLOWING)


def test_a_wrong_landmark_can_be_taken_back_when_a_rider_has_tapped_and_a_switch_has_come_since() -> None:
    play = Play()
    play.at(20, LandmarkPassed(at_m=5_000.0))
    play.at(31, LostWheel(rider=IDA), by="rider:ida")
    play.at(32, Undo())
    assert race.position_now(play.state)[0] == pytest.approx(32 * 12.5)
    assert play.state.line.member(IDA).place is Place.ADRIFT


def test_undo_of_a_wrong_landmark_gives_back_the_place() -> None:
    play = Play()
    play.at(100, LandmarkPassed(at_m=5_000.0))
    play.at(103, Undo())
    assert race.position_now(play.state)[0] == pytest.approx(103 * 12.5)


@pytest.mark.parametrize(
    ("fact", "sentence"),
    [
        (LengthenTurn(by_ms=500), "lengthen the turn: by 500 ms; give 1 to 120 s"),
        (WaitFor(rider=ANA), "wait (Ana): Ana is not adrift; say so first"),
        (SwungOff(rider="nobody"), "nobody swung off: no rider 'nobody' in this race"),
        (OrderSeen(order=()), "the order seen: nobody is named in it"),
        (Undo(), "undo: nothing to take back"),
        (StartSet(countdown_ms=20_000), "set the start: it is set already"),
        (StartCalledOff(), "call off the start: no countdown is running"),
        (LandmarkPassed(at_m=10_001.0), "a landmark passed: 10001 m is beyond the finish at 10000 m"),
        (some_race(), "open the race anew: the start is set; call it off first"),
    ],
)
def test_what_cannot_be_done_says_why_and_changes_nothing(fact: Fact, sentence: str) -> None:
    play = Play()
    play.until(10)
    before = play.state
    with pytest.raises(RequestRefused) as refused:
        play.at(10, fact)
    assert (str(refused.value), play.state) == (sentence, before)


def test_a_switch_that_is_being_called_is_not_moved() -> None:
    play = Play()
    play.until(28.5)
    for request in (LengthenTurn(by_ms=10_000), ShortenTurn(by_ms=10_000), CutTurn()):
        with pytest.raises(RequestRefused, match="its switch is being called already"):
            play.at(28.5, request)


def test_after_a_stop_nothing_is_called_and_the_line_stands_until_it_is_resumed() -> None:
    play = Play()
    play.at(29, CallAloud(aloud=Aloud.STOP))  # the switch at 30 s was fixed already
    (stop,) = play.told(CueKind.STOP)
    assert (stop.due_ms, play.state.phase) == (29_200, Phase.HALTED)
    assert [cue.kind for cue in race.calls(play.state)] == [CueKind.STOP]
    assert (play.until(600), race.next_wake(play.state)) == ((), None)
    assert play.order == (OTTO, MAYA, ANA, IDA)


def test_a_line_that_is_resumed_rides_off_in_its_order_with_what_was_left_of_the_turn() -> None:
    play = Play()
    play.at(20, CallAloud(aloud=Aloud.STOP))
    play.at(100, Resume())
    play.until(115)
    assert [cue.due_ms for cue in play.told(CueKind.START)] == [0, 102_000]
    assert [(cue.rider, cue.due_ms) for cue in play.told(CueKind.SWITCH)] == [(OTTO, 110_000)]


def test_a_line_that_stands_gets_no_further_and_spends_nothing() -> None:
    play = Play()
    play.at(200, CallAloud(aloud=Aloud.STOP))
    finish_ms, reserves = race.finish_ms(play.state), race.reserves_now(play.state)
    play.until(300)
    assert race.position_now(play.state)[0] == pytest.approx(200 * 12.5)
    assert race.reserves_now(play.state) == reserves
    play.at(300, Resume())
    assert race.position_now(play.state)[0] == pytest.approx(200 * 12.5)
    assert race.finish_ms(play.state) == pytest.approx(finish_ms + 100_000, abs=1)


def test_nobody_drifts_any_more_when_a_line_is_resumed() -> None:
    play = Play()
    play.at(32, CallAloud(aloud=Aloud.STOP))
    play.at(60, Resume())
    assert {member.place for member in play.state.line.members[1:]} == {Place.FOLLOWING}


def test_what_is_seen_while_the_line_stands_is_true_and_said_to_nobody() -> None:
    play = Play()
    play.at(20, CallAloud(aloud=Aloud.STOP))
    assert play.at(30, OrderSeen(order=(OTTO, ANA, MAYA, IDA))) == ()
    play.at(40, Resume())
    assert play.order == (OTTO, ANA, MAYA, IDA)


def test_a_stop_to_one_rider_stops_nobody_else() -> None:
    play = Play()
    play.at(20, CallAloud(aloud=Aloud.STOP, rider=IDA))
    play.until(31)
    assert [cue.due_ms for cue in play.told(CueKind.SWITCH)] == [30_000]


def test_a_stop_before_the_gun_breaks_the_countdown_until_it_is_called_off() -> None:
    play = Play()
    play.at(-8, CallAloud(aloud=Aloud.STOP))
    play.until(5)
    assert (play.told(CueKind.START), play.state.line.turn) == ([], None)
    for fact in (Resume(), SwungOff(rider=OTTO)):
        with pytest.raises(RequestRefused, match="the start was stopped; call it off and set it again"):
            play.at(6, fact)
    play.at(7, StartCalledOff())
    assert play.state.phase is Phase.LOBBY


@pytest.mark.parametrize(
    ("fact", "sentence"),
    [
        (CallAloud(aloud=Aloud.ALL_IN), "all in, to all: the line was told to stop; resume first"),
        (SayAloud(text="well done", rider=IDA), "“well done”, to Ida: the line was told to stop; resume first"),
        (LengthenTurn(by_ms=5_000), "lengthen the turn: the line was told to stop; resume first"),
        (StartCalledOff(), "call off the start: no countdown is running"),
    ],
)
def test_what_a_line_that_stands_cannot_do_says_so(fact: Fact, sentence: str) -> None:
    play = Play()
    play.at(20, CallAloud(aloud=Aloud.STOP))
    with pytest.raises(RequestRefused) as refused:
        play.at(21, fact)
    assert str(refused.value) == sentence


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("x" * 5_000, "say it: 5000 characters; give 1 to 120 characters on one line"),
        ("x" * (MOST_SAID + 1), "say it: 121 characters; give 1 to 120 characters on one line"),
        ("one\ntwo", "say it: 'one\\ntwo' holds what can't be printed; give 1 to 120 characters on one line"),
        ("a\x1b[31m", "say it: 'a\\x1b[31m' holds what can't be printed; give 1 to 120 characters on one line"),
        ("", "say it: '' has no word in it; give 1 to 120 characters on one line"),
        (" …! ", "say it: ' …! ' has no word in it; give 1 to 120 characters on one line"),
    ],
)
def test_words_that_no_voice_should_be_given_are_refused_in_a_sentence(text: str, sentence: str) -> None:
    play = Play()
    play.until(5)
    before = play.state
    with pytest.raises(RequestRefused) as refused:
        play.at(5, SayAloud(text=text))
    assert (str(refused.value), play.state) == (sentence, before)


def test_there_is_nothing_to_resume_while_the_line_rides() -> None:
    play = Play()
    play.until(5)
    with pytest.raises(RequestRefused, match="the line wasn't told to stop"):
        play.at(5, Resume())


def test_in_the_lobby_the_clock_stands_still_and_nothing_is_called() -> None:
    play = Play(countdown_s=0)
    assert race.next_wake(play.state) is None
    assert play.until(-100) == ()
    assert (play.state.now_ms, race.calls(play.state)) == (LOBBY_MS, ())
    with pytest.raises(RequestRefused, match="still in the lobby"):
        play.at(LOBBY_MS / 1000, SwungOff(rider=OTTO))


def test_a_start_called_off_leads_back_to_the_lobby_and_can_be_set_again() -> None:
    play = Play()
    play.until(-4)
    play.at(-3.5, StartCalledOff())
    assert (play.state.phase, race.calls(play.state)) == (Phase.LOBBY, ())
    play.at(-30, StartSet(countdown_ms=30_000))
    play.until(1)
    assert [cue.seconds for cue in play.told(CueKind.START_COUNT)] == [10, 5, 4, 3, 20, 10, 5, 4, 3, 2, 1]


def test_a_race_may_be_opened_anew_in_the_lobby() -> None:
    play = Play(countdown_s=0)
    play.at(LOBBY_MS / 1000, some_race(3))
    assert play.order == (OTTO, MAYA, ANA)


def test_a_plan_that_names_strangers_is_refused() -> None:
    opened = some_race(4)
    strangers = replace(opened, roster=replace(opened.roster, riders=opened.roster.riders[:3]))
    with pytest.raises(PlanRefused):
        race.start(Entry(seq=1, at_ms=LOBBY_MS, by="director", fact=strangers))


def test_a_new_plan_changes_the_turns_to_come_and_not_the_present_one() -> None:
    play = Play()
    play.until(40)
    shorter = some_race(4, turn_s=20.0).plan
    play.at(41, PlanOffered(plan=shorter, for_seq=2))
    assert play.turns(3) == [(MAYA, 30), (ANA, 20), (IDA, 20)]


def test_a_plan_for_another_course_is_refused() -> None:
    play = Play()
    with pytest.raises(RequestRefused, match="not for this course"):
        play.at(10, PlanOffered(plan=some_race(4, length_m=12_000.0).plan, for_seq=2))


def test_a_finished_race_calls_nothing_and_takes_nothing() -> None:
    play = Play()
    play.at(790, RaceFinished())
    assert (play.state.phase, race.calls(play.state), race.next_wake(play.state)) == (Phase.OVER, (), None)
    with pytest.raises(RequestRefused, match="the race is over"):
        play.at(791, SwungOff(rider=OTTO))


def test_a_race_that_nobody_ends_is_over_five_minutes_after_the_finish() -> None:
    play = Play()
    play.until(800 + 301)
    assert play.state.phase is Phase.OVER


def test_how_many_riders_can_still_be_lost_is_told() -> None:
    play = Play(some_race(5))
    assert race.spare_riders(play.state) == 1
    play.at(10, LostWheel(rider=IDA))
    assert race.spare_riders(play.state) == 1  # adrift isn't out
    play.at(20, Retired(rider=IDA))
    assert race.spare_riders(play.state) == 0


def test_a_tap_is_believed_at_its_own_reading_within_bounds() -> None:
    play = Play()
    play.at(400, LandmarkPassed(at_m=5_000.0), seen_s=398)
    assert play.state.position.anchor_ms == 398_000
    play.at(410, LandmarkPassed(at_m=5_100.0), seen_s=100)
    assert play.state.position.anchor_ms == 405_000
    play.at(420, LandmarkPassed(at_m=5_200.0), seen_s=430)
    assert play.state.position.anchor_ms == 420_000


def test_an_empty_log_and_one_without_a_beginning_are_refused() -> None:
    with pytest.raises(LogRefused, match="no entries"):
        race.replay([])
    with pytest.raises(LogRefused, match="found Undo; a log begins with RaceOpened"):
        race.replay([Entry(seq=1, at_ms=0, by="director", fact=Undo())])


def test_a_log_with_what_could_not_have_been_accepted_is_refused_by_its_entry() -> None:
    play = Play()
    with pytest.raises(LogRefused, match="entry 3"):
        race.replay([*play.entries, Entry(seq=3, at_ms=5_000, by="director", fact=Undo())])


def test_the_leader_pays_and_the_wheels_rest() -> None:
    """At 48 km/h these riders lead above their critical power and follow below it."""
    play = Play(some_race(speed_mps=48 / 3.6))
    play.until(29)
    left = {reserve.rider: reserve.left_j for reserve in race.reserves_now(play.state)}
    assert left[OTTO] < 20_000
    assert [left[rider] for rider in (MAYA, ANA, IDA)] == [20_000] * 3


def test_the_leaders_reserve_is_what_the_two_parameter_model_says() -> None:
    # W′ left = W′ - (P - CP)·t (Monod & Scherrer 1965), P by the equation of Martin et al. 1998 (see physics).
    play = Play(some_race(speed_mps=48 / 3.6))
    play.until(20)
    rider = play.opened.roster[OTTO]
    power_w = road_power_w(
        speed_mps=48 / 3.6,
        grade=0.0,
        mass_kg=rider.all_up_mass_kg,
        drag_area_m2=rider.drag_area_m2 * shelter_shares(4, 0.9)[0],
        density_kg_m3=air_density_kg_m3(18.0, 101_325.0, 0.5),
        rolling=0.004,
    )
    left = {reserve.rider: reserve.left_j for reserve in race.reserves_now(play.state)}
    assert left[OTTO] == pytest.approx(20_000 - (power_w - 310) * 20, abs=1)


def test_whoever_is_out_spends_nothing_and_whoever_is_adrift_rides_in_the_wind() -> None:
    play = Play(some_race(speed_mps=48 / 3.6))
    play.at(5, LostWheel(rider=ANA))
    play.at(5, Retired(rider=IDA))
    play.until(25)
    left = {reserve.rider: reserve.left_j for reserve in race.reserves_now(play.state)}
    assert (left[IDA], left[ANA] < 20_000) == (20_000, True)


@pytest.mark.parametrize("phase", list(Phase))
def test_what_a_director_may_do_is_what_is_accepted(phase: Phase) -> None:
    """For requests, `may` and `take` agree in every phase."""
    play = Play(countdown_s=0 if phase is Phase.LOBBY else 20)
    if phase in (Phase.RACING, Phase.HALTED, Phase.OVER):
        play.until(5)
    if phase is Phase.HALTED:
        play.at(5, CallAloud(aloud=Aloud.STOP))
    if phase is Phase.OVER:
        play.at(5, RaceFinished())
    now_s = play.state.now_ms / 1000
    for name, fact in {
        "lengthen_turn": LengthenTurn(by_ms=5_000),
        "shorten_turn": ShortenTurn(by_ms=5_000),
        "cut_turn": CutTurn(),
        "undo": Undo(),
        "resume": Resume(),
        "call_off_start": StartCalledOff(),
        "race_finished": RaceFinished(),
        "landmark_passed": LandmarkPassed(at_m=100.0),
        "call_aloud": CallAloud(aloud=Aloud.EASE),
        "stop": CallAloud(aloud=Aloud.STOP),
        "say_aloud": SayAloud(text="bottle"),
    }.items():
        try:
            race.take(play.state, Entry(seq=99, at_ms=round(now_s * 1000), by="director", fact=fact))
            accepted = True
        except RequestRefused:
            accepted = False
        assert (name in race.may(play.state)) is accepted, name


def test_the_story_tells_every_kind_of_fact_of_a_race() -> None:
    told = {type(fact) for fact in _one_of_each()}
    before_or_after = {RaceOpened, StartSet, StartCalledOff, RaceFinished, PlanOffered}
    assert told | before_or_after == set(FACT_TYPES)


def _one_of_each() -> list[Fact]:
    return [
        SwungOff(rider=OTTO), LatchedOn(rider=OTTO), RejoinedAt(rider=OTTO, slot=1), CameThrough(rider=OTTO),
        OrderSeen(order=(OTTO,)), LostWheel(rider=OTTO), Retired(rider=OTTO), GapOpened(rider=OTTO),
        GapClosed(rider=OTTO), LineBunched(), LineSurged(), LandmarkPassed(at_m=1.0), FeltGood(rider=OTTO),
        FeltEmpty(rider=OTTO), LengthenTurn(by_ms=1_000), ShortenTurn(by_ms=1_000), CutTurn(), WaitFor(rider=OTTO),
        GoWithout(rider=OTTO), CallAloud(aloud=Aloud.STOP), SayAloud(text="bottle", rider=OTTO),
        Resume(), Undo(),
    ]  # fmt: skip


@pytest.mark.parametrize("fact", _one_of_each(), ids=lambda fact: type(fact).__name__)
def test_every_fact_says_in_words_what_it_was(fact: Fact) -> None:
    words = says(fact, Play().opened.roster)
    assert words
    assert "otto" not in words, "people are shown by name, not by key"


def test_cues_come_in_order_of_time_then_priority() -> None:
    known = race.calls(Play().state)
    keys = [(cue.due_ms, CUE_TABLE[cue.kind].priority, cue.id) for cue in known]
    assert keys == sorted(keys)
    assert len({cue.id for cue in known}) == len(known)
    assert isinstance(known[0], Cue)
