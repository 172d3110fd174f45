"""caller/airtime.py: one voice, many cues. Laws on made-up cues, then what they mean for the cues there are."""

from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise, product

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from caller.airtime import BREATH_MS, REACH_MS, Airing, Utterance, Why, guess, look, utterance
from caller.cues import CUE_TABLE, Cue, CueKind
from caller.speech import say, unforeseen
from caller.units import RiderId
from tests.play import MAYA, NAMES, OTTO

EARLY_MS = -100_000


def some(id_: str, due_ms: int, priority: int = 4, **more: int | bool) -> Utterance:
    """A second long, its key word in the middle, with no window."""
    values: dict[str, int | bool] = {"sooner_ms": 0, "later_ms": 0}
    return Utterance(
        id=id_,
        priority=priority,
        due_ms=due_ms,
        **(values | {"key_ms": 500, "length_ms": 1_000} | more),  # type: ignore[arg-type]
    )


def once(*utterances: Utterance, now_ms: int = EARLY_MS) -> dict[str, Airing]:
    """All known at once."""
    return {airing.utterance.id: airing for airing in look((), utterances, now_ms)}


# Laws

STEP_MS = 50


@st.composite
def utterances(draw: st.DrawFn, most: int = 8, sudden: bool = False, widest_ms: int = 3_000) -> tuple[Utterance, ...]:
    """Cues crowded into a few seconds; sudden ones are only just known when they become sayable."""

    def ms(least: int, most: int) -> int:
        return STEP_MS * draw(st.integers(least // STEP_MS, most // STEP_MS))

    made = []
    for number in range(draw(st.integers(1, most))):
        length_ms = ms(200, 2_500)
        due_ms = ms(0, 8_000)
        priority = draw(st.integers(0, 5))
        made.append(
            Utterance(
                id=f"cue {number}",
                priority=priority,
                due_ms=due_ms,
                soonest_ms=due_ms - ms(200, 2_000) if sudden and draw(st.booleans()) else None,
                sooner_ms=ms(0, widest_ms // 3),
                later_ms=ms(0, widest_ms),
                cuts_in=priority <= 1,
                keeps_air_ms=3_000 if priority == 0 and draw(st.booleans()) else 0,
                key_ms=ms(0, length_ms),
                length_ms=length_ms,
            )
        )
    return tuple(made)


def known_ms(one: Utterance) -> int:
    """When it becomes known."""
    return EARLY_MS if one.soonest_ms is None else one.soonest_ms - REACH_MS


def played(known: Iterable[Utterance], looks_ms: Iterable[int] = ()) -> list[tuple[int, tuple[Airing, ...]]]:
    """What was answered at each look, as time passes and cues become known just before they can first be said."""
    known = tuple(known)
    instants = sorted({EARLY_MS, *map(known_ms, known), *looks_ms})
    answers: list[tuple[int, tuple[Airing, ...]]] = []
    airings: tuple[Airing, ...] = ()
    for now_ms in instants:
        airings = look(airings, [one for one in known if known_ms(one) <= now_ms], now_ms)
        answers.append((now_ms, airings))
    return answers


def spans(airings: Iterable[Airing]) -> list[tuple[int, int]]:
    """When the air is taken, by its beginning."""
    return sorted((one.start_ms, one.end_ms) for one in airings if one.start_ms is not None and one.end_ms is not None)


@given(utterances(sudden=True))
def test_a_voice_never_says_two_things_at_once(known: tuple[Utterance, ...]) -> None:
    for _, airings in played(known):
        assert all(end_ms <= start_ms for (_, end_ms), (start_ms, _) in pairwise(spans(airings)))


@given(utterances())
def test_what_is_known_ahead_is_said_whole_and_with_a_breath_between(known: tuple[Utterance, ...]) -> None:
    airings = look((), known, EARLY_MS)
    assert all(airing.cut_ms is None for airing in airings)
    assert all(end_ms + BREATH_MS <= start_ms for (_, end_ms), (start_ms, _) in pairwise(spans(airings)))


@given(utterances())
def test_nothing_less_urgent_moves_or_silences_anything_more_urgent(known: tuple[Utterance, ...]) -> None:
    among_all = once(*known)
    for priority in range(6):
        urgent = [one for one in known if one.priority <= priority]
        assert once(*urgent) == {one.id: among_all[one.id] for one in urgent}


@given(utterances(sudden=True))
def test_what_can_cut_in_lands_on_its_instant_unless_something_as_urgent_has_the_air(
    known: tuple[Utterance, ...],
) -> None:
    for _, airings in played(known):
        by_id = {airing.utterance.id: airing for airing in airings}
        for airing in airings:
            one = airing.utterance
            if one.cuts_in and airing.key_at_ms != one.wish_ms:
                assert airing.other is not None
                assert by_id[airing.other].utterance.priority <= one.priority


@given(utterances(sudden=True))
def test_a_key_word_is_moved_only_within_its_window_and_never_before_it_can_be_said(
    known: tuple[Utterance, ...],
) -> None:
    for _, airings in played(known):
        for airing in airings:
            one = airing.utterance
            if airing.key_at_ms is not None:
                assert one.due_ms - one.sooner_ms <= airing.key_at_ms <= max(one.due_ms, one.wish_ms) + one.later_ms
                assert airing.start_ms is not None
                assert one.soonest_ms is None or airing.start_ms >= one.soonest_ms


@given(utterances(sudden=True))
def test_whatever_is_moved_or_dropped_names_what_had_the_air_then_and_ranks_before_it_or_had_begun(
    known: tuple[Utterance, ...],
) -> None:
    said: dict[str, Airing] = {}  # as it was said, or last was to be: what has the air may lose it to something sudden
    for now_ms, airings in played(known):
        said |= {airing.utterance.id: airing for airing in airings if airing.key_at_ms is not None}
        for airing in airings:
            one = airing.utterance
            if airing.key_at_ms == one.due_ms:
                assert (airing.why, airing.other) == (Why.ON_TIME, None)
            elif airing.why is Why.NOT_YET_SURE:
                assert one.soonest_ms is not None
                assert airing.key_at_ms == one.soonest_ms + one.key_ms > one.due_ms
            else:
                assert airing.other is not None
                other = said[airing.other]
                assert other.start_ms is not None
                assert other.utterance.rank < one.rank or other.start_ms < now_ms
                if airing.why is Why.SILENCE:
                    assert other.utterance.keeps_air_ms > 0


@given(utterances(sudden=True))
def test_only_what_had_begun_is_cut_short_and_only_by_something_more_urgent(known: tuple[Utterance, ...]) -> None:
    for now_ms, airings in played(known):
        by_id = {airing.utterance.id: airing for airing in airings}
        for airing in airings:
            if airing.cut_ms is not None:
                assert airing.cut_by is not None
                assert airing.start_ms is not None
                cutter = by_id[airing.cut_by]
                assert airing.start_ms < now_ms
                assert airing.start_ms < airing.cut_ms == cutter.start_ms
                assert cutter.utterance.priority < airing.utterance.priority


@given(utterances(sudden=True))
def test_nothing_less_urgent_breaks_the_silence_that_is_kept(known: tuple[Utterance, ...]) -> None:
    airings = played(known)[-1][1]
    for keeper in airings:
        if keeper.utterance.keeps_air_ms and keeper.end_ms is not None and keeper.start_ms is not None:
            for other in airings:
                if other.utterance.priority > keeper.utterance.priority and other.start_ms is not None:
                    over_ms = keeper.end_ms + keeper.utterance.keeps_air_ms
                    assert other.start_ms <= keeper.start_ms or other.start_ms >= over_ms


@given(utterances(sudden=True), st.lists(st.integers(-2_000, 12_000), max_size=12))
def test_looking_more_often_changes_nothing_unless_something_was_cut_short(
    known: tuple[Utterance, ...], looks_ms: list[int]
) -> None:
    def told(answers: list[tuple[int, tuple[Airing, ...]]]) -> dict[str, Airing]:
        return {airing.utterance.id: airing for airing in answers[-1][1]}

    last_ms = [max(map(known_ms, known))]
    assume(all(airing.cut_ms is None for _, airings in played(known, looks_ms) for airing in airings))
    seldom, often = told(played(known, last_ms)), told(played(known, [*last_ms, *looks_ms]))
    assert {one.id: often[one.id] for one in known} == {one.id: seldom[one.id] for one in known}


@given(utterances(sudden=True))
def test_the_same_cues_are_always_said_alike_whatever_order_they_are_named_in(known: tuple[Utterance, ...]) -> None:
    assert once(*known) == once(*reversed(known))


@settings(max_examples=60, deadline=None)
@given(utterances(most=3, widest_ms=600))
def test_no_schedule_found_by_trying_them_all_says_anything_sooner_in_rank_nearer_to_its_instant(
    known: tuple[Utterance, ...],
) -> None:
    # The outside check: every schedule on a grid of 50 ms, on which all cases lie. Better means: less is dropped, then
    # less is moved, then sooner rather than later, for the first in rank; among equals for the second; and so on.
    known = tuple(sorted((replace(one, keeps_air_ms=0) for one in known), key=lambda one: one.rank))

    def worth(keys_ms: Iterable[int | None]) -> list[tuple[bool, int, bool]]:
        return [
            (at_ms is None, 0 if at_ms is None else abs(at_ms - one.due_ms), at_ms is not None and at_ms > one.due_ms)
            for one, at_ms in zip(known, keys_ms, strict=True)
        ]

    def free(keys_ms: tuple[int | None, ...]) -> bool:
        taken = sorted(
            (at_ms - one.key_ms, at_ms - one.key_ms + one.length_ms)
            for one, at_ms in zip(known, keys_ms, strict=True)
            if at_ms is not None
        )
        return all(end_ms + BREATH_MS <= start_ms for (_, end_ms), (start_ms, _) in pairwise(taken))

    choices = [(None, *range(one.due_ms - one.sooner_ms, one.due_ms + one.later_ms + 1, STEP_MS)) for one in known]
    best = min(worth(keys_ms) for keys_ms in product(*choices) if free(keys_ms))
    found = once(*known)
    assert worth(found[one.id].key_at_ms for one in known) == best


# What they mean


def test_a_less_urgent_cue_goes_to_the_nearer_side_of_a_more_urgent_one() -> None:
    # The switch is said from 9.5 to 10.5 s; the other, half a second before its key word, from 10.65 s on.
    aired = once(some("switch", 10_000, 1), some("hold", 10_400, 5, sooner_ms=2_000, later_ms=2_000))
    assert aired["switch"].key_at_ms == 10_000
    assert (aired["hold"].key_at_ms, aired["hold"].moved_ms) == (10_500 + BREATH_MS + 500, 750)
    assert (aired["hold"].why, aired["hold"].other) == (Why.TAKEN, "switch")


def test_of_two_as_urgent_the_one_that_can_be_moved_less_stays() -> None:
    aired = once(some("wide", 10_000, later_ms=3_000), some("narrow", 10_100, later_ms=100))
    assert (aired["narrow"].moved_ms, aired["wide"].moved_ms) == (0, 1_250)


def test_what_finds_no_room_in_its_window_is_left_to_the_screens_and_says_whose_the_air_was() -> None:
    aired = once(some("switch", 10_000, 1), some("lift", 10_200, 5, later_ms=300))
    assert (aired["lift"].key_at_ms, aired["lift"].why, aired["lift"].other) == (None, Why.TAKEN, "switch")


def test_a_stop_silences_what_is_being_said_and_keeps_the_air() -> None:
    terrain = some("terrain", 10_000, 7, key_ms=0, length_ms=3_000)
    lift = some("lift", 13_700, 5, later_ms=3_000)
    before = look((), (terrain, lift), 9_000)
    stop = some("stop", 11_200, 0, cuts_in=True, keeps_air_ms=10_000, key_ms=0, length_ms=500)
    aired = {airing.utterance.id: airing for airing in look(before, (terrain, stop, lift), 11_000)}
    assert aired["stop"].key_at_ms == 11_200
    assert (aired["terrain"].cut_ms, aired["terrain"].cut_by) == (11_200, "stop")
    assert (aired["lift"].key_at_ms, aired["lift"].why, aired["lift"].other) == (None, Why.SILENCE, "stop")


def test_riding_on_ends_the_silence_that_a_stop_keeps() -> None:
    stop = some("stop", 1_000, 0, cuts_in=True, keeps_air_ms=10_000, key_ms=0, length_ms=500)
    go = some("go", 4_000, 1, cuts_in=True, ends_silence=True, key_ms=0, length_ms=400)
    aired = once(stop, go, some("ease", 6_000))
    assert (aired["go"].moved_ms, aired["ease"].moved_ms) == (0, 0)
    begun = look(look((), (stop, go), 0), (stop, go, some("ease", 6_000)), 4_500)
    assert begun[2].moved_ms == 0


def test_what_is_being_said_is_let_finish_unless_the_more_urgent_would_go_unsaid() -> None:
    long = some("long", 10_000, 7, key_ms=0, length_ms=2_000)
    before = look((), (long,), 9_000)
    patient = some("gap", 10_800, 2, later_ms=2_000)
    aired = look(before, (long, patient), 10_200)
    assert (aired[0].cut_ms, aired[1].moved_ms) == (None, 12_000 + BREATH_MS + 500 - 10_800)
    hurried = replace(patient, later_ms=500)
    aired = look(before, (long, hurried), 10_200)
    assert (aired[0].cut_ms, aired[1].moved_ms) == (10_300, 0)


def test_a_cut_that_is_called_off_before_it_comes_leaves_the_cue_whole() -> None:
    long = some("long", 10_000, 7, key_ms=0, length_ms=2_000)
    switch = some("switch", 11_500, 1, cuts_in=True)
    cut = look(look((), (long,), 9_000), (long, switch), 10_400)
    assert cut[0].cut_ms == 11_000
    assert look(cut, (long,), 10_600)[0].cut_ms is None


def test_a_cue_whose_instant_was_over_before_anybody_asked_is_not_said_anew() -> None:
    aired = once(some("old", 1_000), some("now", 1_800, later_ms=2_000), now_ms=1_200)
    assert (aired["old"].key_at_ms, aired["now"].moved_ms) == (1_000, 500 + 1_000 + BREATH_MS + 500 - 1_800 + 0)


def test_a_clip_that_is_longer_than_was_guessed_is_placed_anew() -> None:
    first, second = some("first", 1_000, 1), some("second", 2_500, 5, later_ms=1_000)
    before = look((), (first, second), 0)
    assert before[1].moved_ms == 0
    after = look(before, (replace(first, length_ms=1_700), second), 100)
    assert after[1].moved_ms == 500 + 1_700 + BREATH_MS + 500 - 2_500


def test_a_clip_so_much_longer_than_was_guessed_that_its_window_is_over_is_said_at_once() -> None:
    slow = some("slow", 2_000, 5, later_ms=200)
    before = look((), (slow,), 0)
    (after,) = look(before, (replace(slow, key_ms=1_400, length_ms=2_500),), 1_000)
    assert (after.start_ms, after.why) == (1_000 + REACH_MS, Why.NOT_YET_SURE)


def test_what_is_over_and_known_no_more_is_forgotten_and_what_is_left_out_takes_no_air() -> None:
    aired = look((), (some("switch", 10_000, 1), some("lift", 10_200, 5, later_ms=300)), 0)
    assert (aired[1].start_ms, aired[1].end_ms, aired[1].moved_ms) == (None, None, 0)
    assert [airing.utterance.id for airing in look(aired, (), 10_400)] == ["switch"], "it is being said"
    assert look(aired, (), 10_600) == ()


def test_why_a_cue_was_moved_is_known_though_what_had_the_air_is_gone() -> None:
    lift = some("lift", 10_200, 5, later_ms=2_000)
    before = look((), (some("switch", 10_000, 1), lift), 0)
    (after,) = look(before, (lift,), 10_650)
    assert (after.moved_ms, after.why, after.other) == (before[1].moved_ms, Why.TAKEN, "switch")


def test_air_that_a_cut_sets_free_is_free() -> None:
    long = some("long", 10_000, 7, key_ms=0, length_ms=4_000)
    before = look((), (long,), 9_000)
    aired = look(before, (long, some("switch", 12_000, 1, cuts_in=True), some("lift", 13_500, 5)), 11_000)
    assert (aired[0].cut_ms, aired[2].moved_ms) == (11_500, 0)


# The cues there are


def cue(kind: CueKind, due_ms: int, **more: object) -> Cue:
    return Cue(id=kind.value, kind=kind, due_ms=due_ms, **more)  # type: ignore[arg-type]


def spoken(*cues: Cue, names: dict[RiderId, str] | None = None) -> dict[str, Airing]:
    """The cues as English says them, for as long as is guessed."""
    names = names or {RiderId(name.lower()): name for name in NAMES}
    said = [(one, say(one, names, "en")) for one in cues]
    lengths = [guess(words.text, words.key_at) for _, words in said]
    return once(
        *(
            utterance(one, key_ms=key_ms, length_ms=length_ms)
            for (one, _), (key_ms, length_ms) in zip(said, lengths, strict=True)
        )
    )


def test_a_cue_is_moved_sooner_only_as_far_as_it_is_fixed_by_then() -> None:
    for kind, row in CUE_TABLE.items():
        one = utterance(cue(kind, 10_000), key_ms=600, length_ms=1_400)
        assert 0 <= one.sooner_ms <= row.sooner_ms
        assert one.sooner_ms == 0 or 10_000 - one.sooner_ms - 600 >= 10_000 - row.commit_ms + REACH_MS


def test_what_a_fact_calls_for_at_once_is_said_as_soon_as_it_has_reached_a_page() -> None:
    # "Ana, close gap", called for at 9.5 s and due half a second later: its name alone takes longer than that.
    sudden = utterance(cue(CueKind.CLOSE_GAP, 10_000), key_ms=600, length_ms=1_400)
    aired = once(sudden, now_ms=9_500)[CueKind.CLOSE_GAP.value]
    assert (aired.start_ms, aired.moved_ms, aired.why) == (9_500 + REACH_MS, 200, Why.NOT_YET_SURE)


def test_the_shortest_turns_there_are_leave_each_switch_on_its_instant() -> None:
    # Turns of five seconds: a stand-by, a hold and a latching rider between two switches (calling.LEAST_TURN_MS).
    aired = spoken(
        cue(CueKind.SWITCH, 10_000, rider=OTTO),
        replace(cue(CueKind.SWITCH, 15_000, rider=MAYA), id="second"),
        cue(CueKind.HOLD, 12_000, rider=MAYA, power_w=380),
        cue(CueKind.STAND_BY, 12_000, rider=OTTO),
        cue(CueKind.LATCH_ON, 13_000, rider=OTTO),
    )
    assert (aired["switch"].moved_ms, aired["second"].moved_ms) == (0, 0)
    assert aired["stand_by"].key_at_ms is not None
    assert aired["latch_on"].moved_ms == 0


def test_only_a_stop_the_gun_and_what_changes_the_front_cut_in() -> None:
    assert {kind for kind, row in CUE_TABLE.items() if row.cuts_in} == {
        CueKind.STOP, CueKind.START, CueKind.SWITCH, CueKind.OFF_NOW, CueKind.RESTED,
    }  # fmt: skip
    assert {kind for kind, row in CUE_TABLE.items() if row.keeps_air_ms} == {CueKind.STOP}


def test_what_changes_the_front_gives_way_to_what_is_as_urgent_but_never_comes_too_soon_for_it() -> None:
    for kind, row in CUE_TABLE.items():
        if row.cuts_in and kind is not CueKind.STOP:
            assert (row.sooner_ms, row.later_ms > 0) == (0, True)
    # A turn cut as soon as it began: "off now" comes while the switch is still being said.
    aired = spoken(cue(CueKind.SWITCH, 10_000, rider=OTTO), cue(CueKind.OFF_NOW, 11_000, rider=MAYA))
    assert (aired["switch"].moved_ms, aired["off_now"].key_at_ms is not None) == (0, True)


def test_no_window_outlasts_what_a_device_may_still_tell() -> None:
    assert all(row.later_ms <= row.too_late_ms for row in CUE_TABLE.values())


@pytest.mark.parametrize(("rate", "least_s", "most_s"), [(150, 0.3, 0.6), (100, 0.45, 0.9)])
def test_a_guess_is_as_long_as_people_speak(rate: int, least_s: float, most_s: float) -> None:
    # 0.4 s a word at the 150 words a minute of conversation, 0.6 s at the 100 of clear speech (Krause 1995). A cue is a
    # few words and ends in silence, so its mean lies above the one and within half as much again.
    names = {RiderId(name.lower()): name for name in NAMES}
    texts = [say(one, names, "en").text for one in unforeseen(tuple(names))]
    words = sum(len(text.split()) for text in texts)
    seconds = sum(guess(text, 0, rate)[1] for text in texts) / 1000
    assert least_s <= seconds / words <= most_s
