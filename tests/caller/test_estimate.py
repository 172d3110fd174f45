"""Where the line is, between marks."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from caller.estimate import arrival_ms, at_start, error_m, passed, place_m
from tests.play import some_race

PLAN = replace(some_race().plan, schedule=((0.0, 0.0), (6_000.0, 480.0), (10_000.0, 1_280.0)), finish_s=1_280.0)
"""12.5 m/s on the flat, then 5 m/s uphill."""


def test_the_line_goes_by_the_schedule_until_somebody_sees_otherwise() -> None:
    assert place_m(PLAN, at_start(), 240_000) == pytest.approx(3_000)
    assert place_m(PLAN, at_start(), 580_000) == pytest.approx(6_500)


def test_before_the_gun_the_line_stands_at_the_start_and_after_the_finish_at_the_finish() -> None:
    assert (place_m(PLAN, at_start(), -5_000), place_m(PLAN, at_start(), 9_999_999)) == (0.0, 10_000.0)


@given(
    at_m=st.floats(1, 9_999), pace=st.floats(0.75, 1.3), anchor_m=st.floats(0, 9_000), anchor_ms=st.integers(1, 10**6)
)
def test_arrival_and_place_are_each_others_inverse(at_m: float, pace: float, anchor_m: float, anchor_ms: int) -> None:
    position = replace(at_start(), anchor_m=anchor_m, anchor_ms=anchor_ms, pace=pace)
    there_ms = arrival_ms(PLAN, position, at_m)
    if there_ms > 0:
        # an instant is whole milliseconds: half of one at 16 m/s is 8 mm
        assert place_m(PLAN, position, there_ms) == pytest.approx(at_m, abs=0.02)


def test_a_landmark_teaches_the_pace_by_its_weight() -> None:
    # Seen: 240 s planned, 250 s ridden, so 0.96; known to 10 m of 3,000 m, 5 s of 250 s for the start, and 2 % for one
    # leg: 2.85 %. Known before: 1, to 3 % and 1 % that it wanders: 3.16 %. The weight of what is seen: 10 / (10 + 8.1).
    position = passed(PLAN, at_start(), 3_000.0, 250_000)
    assert position.pace == pytest.approx(1 - 0.552 * 0.04, abs=0.0005)


def test_one_early_tap_hardly_moves_the_believed_finish_and_later_ones_do() -> None:
    # Four seconds late after 400 m may be the start, the thumb or the legs; four in each kilometre after it are legs.
    early = passed(PLAN, at_start(), 400.0, 36_000)  # planned at 32 s: a pace of 0.89 would mean 160 s at the finish
    late_s = (arrival_ms(PLAN, early, 10_000.0) - 1_280_000) / 1000
    assert 4 <= late_s < 30
    later = early
    for at_km in (1, 2, 3, 4):
        later = passed(PLAN, later, 1000.0 * at_km, 36_000 + round(1000 * (at_km - 0.4) * 84))
    assert later.pace == pytest.approx(80 / 84, abs=0.01)
    assert later.pace_error < early.pace_error


def test_a_tap_that_no_line_can_ride_moves_the_place_and_teaches_no_pace() -> None:
    position = passed(PLAN, at_start(), 6_000.0, 100_000)  # 60 m/s
    assert (position.anchor_m, position.pace) == (6_000.0, 1.0)


def test_two_taps_within_a_breath_teach_no_pace() -> None:
    first = passed(PLAN, at_start(), 3_000.0, 240_000)
    assert passed(PLAN, first, 3_100.0, 246_000).pace == first.pace


def test_the_error_grows_with_the_way_and_a_mark_takes_it_away() -> None:
    assert error_m(PLAN, at_start(), 240_000) == pytest.approx(60)  # 2 % of 3,000 m
    assert error_m(PLAN, passed(PLAN, at_start(), 3_000.0, 240_000), 240_000) == pytest.approx(10)
