"""Courses from rows of distance and height: what smoothing may not do, which stretches are found, what is refused."""

import math
from itertools import pairwise
from random import Random

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from caller.course import (
    Course,
    Landmark,
    Terrain,
    climbing_m,
    course_from_profile,
    grade_at,
    height_at,
    plain_text,
    stretch_at,
)
from caller.errors import FileRefused


def course(*rows: tuple[float, float | None], landmarks: tuple[Landmark, ...] = ()) -> Course:
    return course_from_profile(
        name="Heath ring", distance_m=[x for x, _ in rows], height_m=[h for _, h in rows], landmarks=landmarks
    )


def road(*legs: tuple[float, float]) -> Course:
    """From (length in metres, grade) pairs, starting at 100 m above the sea."""
    rows, at_m, height_m = [(0.0, 100.0)], 0.0, 100.0
    for length_m, grade in legs:
        at_m, height_m = at_m + length_m, height_m + length_m * grade
        rows.append((at_m, height_m))
    return course(*rows)


def laid(found: Course) -> list[tuple[str, int, int]]:
    return [(stretch.name, round(stretch.start_m), round(stretch.end_m)) for stretch in found.stretches]


@st.composite
def profiles(draw: st.DrawFn) -> list[tuple[float, float]]:
    """Rows up to 300 m apart with grades up to 30 %, from 200 m to about 12 km long."""
    legs = draw(st.lists(st.tuples(st.floats(1, 300), st.floats(-0.3, 0.3)), min_size=2, max_size=80))
    rows = [(0.0, 1500.0)]
    for length_m, grade in legs:
        rows.append((rows[-1][0] + length_m, rows[-1][1] + length_m * grade))
    assume(rows[-1][0] >= 200)
    return rows


# What smoothing may not do


@settings(deadline=None)
@given(rows=profiles())
def test_smoothing_keeps_the_rise_from_start_to_finish_exactly(rows: list[tuple[float, float]]) -> None:
    smooth = course(*rows)
    assert (smooth.height_m[0], smooth.height_m[-1]) == (rows[0][1], rows[-1][1])
    assert smooth.length_m == rows[-1][0]


@settings(deadline=None)
@given(rows=profiles())
def test_smoothing_never_adds_climbing(rows: list[tuple[float, float]]) -> None:
    raw_m = sum(max(after[1] - before[1], 0) for before, after in pairwise(rows))
    assert climbing_m(course(*rows)) <= raw_m + 1e-6


@settings(deadline=None)
@given(
    length_m=st.floats(200, 100_000), grade=st.floats(-0.02, 0.06), cuts=st.lists(st.floats(0.01, 0.99), max_size=20)
)
def test_smoothing_leaves_a_constant_grade_as_it_is(length_m: float, grade: float, cuts: list[float]) -> None:
    places = sorted({0.0, length_m, *(cut * length_m for cut in cuts)})
    smooth = course(*((x, 2000 + grade * x) for x in places))
    for index in range(50):
        assert grade_at(smooth, index / 50 * length_m) == pytest.approx(grade, abs=1e-6)


@settings(deadline=None)
@given(rows=profiles())
def test_a_course_ridden_backwards_has_the_same_heights(rows: list[tuple[float, float]]) -> None:
    end_m = rows[-1][0]
    back = course(*((end_m - x, h) for x, h in reversed(rows)))
    assert back.height_m[::-1] == pytest.approx(course(*rows).height_m, abs=1e-5)


def test_noise_of_one_metre_on_the_flat_makes_grades_no_rougher_than_its_own_slope_over_100_m() -> None:
    # Error of a slope read over L between two heights each off by sigma: sqrt(2) sigma / L (error propagation).
    noise = Random(7)
    rows = [(10.0 * index, noise.gauss(50, 1)) for index in range(2_001)]
    smooth = course(*rows)
    grades = [grade_at(smooth, 25.0 * index + 12) for index in range(800)]
    assert math.sqrt(sum(grade**2 for grade in grades) / 800) < math.sqrt(2) / 100
    raw_m = sum(max(after[1] - before[1], 0) for before, after in pairwise(rows))
    assert raw_m > 1_000
    assert climbing_m(smooth) < raw_m / 10
    assert [stretch.terrain for stretch in smooth.stretches] == [Terrain.FLAT]


# Samples


@pytest.mark.parametrize(
    ("length_m", "samples"), [(200, 41), (1_000, 201), (5_000, 201), (25_000, 1_001), (400_000, 8_001)]
)
def test_samples_are_finer_on_short_courses_and_bounded_on_long_ones(length_m: float, samples: int) -> None:
    assert len(road((length_m, 0.0)).height_m) == samples


@settings(deadline=None)
@given(rows=profiles(), share=st.floats(0, 1))
def test_heights_and_grades_are_straight_between_samples(rows: list[tuple[float, float]], share: float) -> None:
    smooth = course(*rows)
    at_m = share * smooth.length_m
    index = min(int(at_m / smooth.step_m), len(smooth.height_m) - 2)
    rest_m = at_m - index * smooth.step_m
    expected = smooth.height_m[index] + rest_m * grade_at(smooth, (index + 0.5) * smooth.step_m)
    assert height_at(smooth, at_m) == pytest.approx(expected, abs=1e-6)


def test_before_the_start_and_beyond_the_finish_the_nearer_end_answers() -> None:
    hill = road((2_000, 0.05), (2_000, -0.04))
    assert height_at(hill, -30) == 100
    assert height_at(hill, 4_030) == pytest.approx(100 + 100 - 80)
    assert grade_at(hill, -30) == pytest.approx(0.05)
    assert grade_at(hill, 4_030) == pytest.approx(-0.04)
    assert stretch_at(hill, -30).name == "climb 1"
    assert stretch_at(hill, 4_030).name == "descent 1"


def test_where_two_stretches_meet_the_one_that_begins_counts() -> None:
    hill = road((2_000, 0.05), (2_000, -0.04))
    top_m = hill.stretches[0].end_m
    assert stretch_at(hill, top_m).name == "descent 1"
    assert stretch_at(hill, math.nextafter(top_m, 0)).name == "climb 1"


# Stretches


def test_a_flat_a_climb_a_flat_and_a_descent_are_found_where_they_are() -> None:
    found = road((3_000, 0.0), (2_000, 0.06), (2_000, 0.0), (2_000, -0.05), (1_000, 0.0))
    assert [stretch.name for stretch in found.stretches] == ["flat 1", "climb 1", "flat 2", "descent 1", "flat 3"]
    for stretch, edge_m in zip(found.stretches, (3_000, 5_000, 7_000, 9_000, 10_000), strict=True):
        assert stretch.end_m == pytest.approx(edge_m, abs=50)
    assert found.stretches[1].mean_grade == pytest.approx(0.06, abs=0.003)


@pytest.mark.parametrize(
    ("length_m", "below", "above"),
    [(600, 0.038, 0.043), (400, 0.048, 0.056), (1_200, 0.029, 0.032)],
    # By hand: worth is length times (grade - 0.02), and two cuts cost 12 m: 600 m at 4 %, 400 m at 5 %, 1.2 km at 3 %;
    # a little above, since smoothing rounds off foot and top.
)
def test_a_climb_stands_out_if_it_rises_12_m_more_than_a_two_per_cent_road(
    length_m: float, below: float, above: float
) -> None:
    for grade, expected in ((below, ["flat"]), (above, ["flat", "climb", "flat"])):
        found = road((3_000, 0.0), (length_m, grade), (3_000, 0.0))
        assert [stretch.terrain.value for stretch in found.stretches] == expected


def test_a_let_up_of_300_m_does_not_split_a_climb() -> None:
    # Common practice, no source: riders speak of one climb with a let-up in it.
    assert [stretch.name for stretch in road((2_000, 0.06), (300, 0.0), (2_000, 0.07)).stretches] == ["climb 1"]


def test_a_real_valley_splits_two_climbs() -> None:
    found = road((2_000, 0.06), (800, -0.05), (2_000, 0.07))
    assert [stretch.name for stretch in found.stretches] == ["climb 1", "descent 1", "climb 2"]


def test_a_false_flat_stays_flat() -> None:
    assert [stretch.name for stretch in road((5_000, 0.015), (5_000, -0.015)).stretches] == ["flat 1"]


def test_a_kicker_of_60_m_makes_no_stretch_of_60_m() -> None:
    found = road((2_000, 0.0), (60, 0.2), (2_000, 0.0))
    assert min(stretch.length_m for stretch in found.stretches) >= 300


def test_of_a_hundred_hills_the_greatest_are_named_and_no_more_than_forty_stretches_made() -> None:
    hills = [(400 + 10 * size, 0.06 * sign) for size in range(60) for sign in (1, -1)]
    found = road(*hills)
    assert 20 <= len(found.stretches) <= 40
    assert found.stretches[0].terrain is Terrain.FLAT
    assert found.stretches[-1].mean_grade == pytest.approx(-0.06, abs=0.004)


@settings(deadline=None)
@given(rows=profiles())
def test_stretches_cover_the_course_without_holes_and_none_is_short(rows: list[tuple[float, float]]) -> None:
    found = course(*rows)
    assert found.stretches[0].start_m == 0
    assert found.stretches[-1].end_m == found.length_m
    assert all(before.end_m == after.start_m for before, after in pairwise(found.stretches))
    assert all(before.terrain is not after.terrain for before, after in pairwise(found.stretches))
    assert min(stretch.length_m for stretch in found.stretches) >= min(300, found.length_m) - 1e-6
    assert len({stretch.name for stretch in found.stretches}) == len(found.stretches)
    rise_m = sum(stretch.rise_m for stretch in found.stretches)
    assert rise_m == pytest.approx(rows[-1][1] - rows[0][1], abs=1e-6)
    for stretch in found.stretches:
        assert (stretch.terrain is Terrain.CLIMB) <= (stretch.mean_grade >= 0.02)
        assert (stretch.terrain is Terrain.DESCENT) <= (stretch.mean_grade <= -0.02)


@settings(deadline=None, max_examples=30)
@given(rows=profiles())
def test_no_other_cutting_of_a_coarse_course_is_worth_more(rows: list[tuple[float, float]]) -> None:
    """The exact search against trying out every single cut of the flat into two stretches."""
    found = course(*rows)
    heights, step_m = found.height_m, found.step_m

    def worth(start: int, end: int, terrain: Terrain) -> float:
        sign = {Terrain.FLAT: 0, Terrain.CLIMB: 1, Terrain.DESCENT: -1}[terrain]
        return sign * (heights[end] - heights[start]) - (0.02 * (end - start) * step_m if sign else 0.0)

    last = len(heights) - 1
    edges = [round(stretch.start_m / step_m) for stretch in found.stretches] + [last]
    parts = zip(pairwise(edges), found.stretches, strict=True)
    ours = sum(worth(start, end, stretch.terrain) for (start, end), stretch in parts) - 6 * (len(edges) - 2)
    shortest = math.ceil(300 / step_m)
    whole = [worth(0, last, terrain) for terrain in Terrain]
    halves = [
        worth(0, cut, one) + worth(cut, last, other) - 6
        for cut in range(shortest, last - shortest + 1)
        for one in Terrain
        for other in Terrain
    ]
    assert ours >= max(whole + halves) - 1e-6


# Landmarks


def test_kilometres_feet_and_tops_are_landmarks() -> None:
    found = road((3_000, 0.0), (3_000, 0.06), (6_000, 0.0))
    assert [(landmark.name, round(landmark.at_m, -2)) for landmark in found.landmarks] == [
        ("foot of climb 1", 3_000),
        ("5 km", 5_000),
        ("top of climb 1", 6_000),
        ("10 km", 10_000),
    ]


def test_an_owners_place_comes_before_a_kilometre_beside_it() -> None:
    rows = ((0.0, 0.0), (12_000.0, 0.0))
    found = course(*rows, landmarks=(Landmark(name="Water tower", at_m=5_100), Landmark(name="Start line", at_m=20)))
    assert [landmark.name for landmark in found.landmarks] == ["Water tower", "10 km"]
    assert found.notes == (
        "1 of 2 places are no landmarks: more than 16, or within 150 m of another, of the start or of the finish",
    )


@settings(deadline=None)
@given(
    length_m=st.floats(200, 400_000),
    shares=st.lists(st.floats(0, 1), max_size=60),
    hills=st.integers(0, 40),
)
def test_landmarks_are_few_in_order_and_apart(length_m: float, shares: list[float], hills: int) -> None:
    at_m = [length_m * index / (2 * hills + 1) for index in range(2 * hills + 2)]
    rows = [(x, 0.02 * length_m / (2 * hills + 1) * (index % 2)) for index, x in enumerate(at_m)]
    own = tuple(Landmark(name=f"gate {index}", at_m=share * length_m) for index, share in enumerate(shares))
    marks_m = [landmark.at_m for landmark in course(*rows, landmarks=own).landmarks]
    assert len(marks_m) <= 40
    assert all(after - before >= 150 for before, after in pairwise([0.0, *marks_m, length_m]) if marks_m)


# Rows with holes, and rows refused


def test_heights_not_known_are_drawn_straight_between_neighbours() -> None:
    found = course((0, 100), (500, None), (1_000, None), (2_000, 180), (3_000, None))
    assert height_at(found, 1_000) == pytest.approx(140)
    assert found.height_m[-1] == 180
    assert found.has_height
    assert found.notes == ("heights known at 2 of 5 points: drawn straight between them",)


@pytest.mark.parametrize(
    ("heights", "note", "height_m"),
    [
        ((None, None, None), "no heights in the file: taken as flat", 0),
        ((None, 820.0, None), "one height only: taken as flat", 820),
    ],
)
def test_without_two_heights_a_course_is_flat_and_says_so(
    heights: tuple[float | None, ...], note: str, height_m: float
) -> None:
    found = course(*zip((0, 4_000, 8_000), heights, strict=True))
    assert not found.has_height
    assert set(found.height_m) == {height_m}
    assert found.notes == (note,)
    assert [stretch.name for stretch in found.stretches] == ["flat 1"]


def test_of_rows_at_one_place_the_first_height_known_counts() -> None:
    found = course((0, 100), (1_000, None), (1_000, 150), (1_000, 900), (2_000, 200))
    assert height_at(found, 1_000) == pytest.approx(150)


def test_a_steep_road_is_taken_with_a_note() -> None:
    found = road((1_000, 0.0), (500, 0.24), (1_000, 0.0))
    assert max(grade_at(found, 12.5 * index) for index in range(200)) == pytest.approx(0.24, abs=1e-6)
    assert len(found.notes) == 1
    assert found.notes[0].startswith("steepest at 1.")
    assert found.notes[0].endswith(" km, 24 %: check the heights there")


TWO_ROWS = "expected at least 2, the first at the start, the last at the finish"
HEIGHTS = "expected -500 to 9000 m above the sea, or nothing where it isn't known"
GROW = "expected distances that grow from row to row"
LENGTHS = "expected 200 m to 400 km"
KILOMETRES = "(if the distances are kilometres, say so in a heading)"
STEEP = "a grade of 40 % after smoothing over 100 m; expected at most 35 %; mend the heights there"


@pytest.mark.parametrize(
    ("rows", "sentence"),
    [
        ((), f": found 0 rows of distance and height; {TWO_ROWS}"),
        (((0, 1),), f": found 1 row of distance and height; {TWO_ROWS}"),
        (((5, 1), (900, 1)), ", row 1: found distance 5 m; expected 0: the first row is the start"),
        (((0, 1), (900, 1), (800, 1)), f", row 3: found distance 800 m after 900 m; {GROW}"),
        (((0, 1), (math.nan, 1)), ", row 2: found distance nan; expected a number of metres from the start"),
        (((0, 1), (math.inf, 1)), ", row 2: found distance inf; expected a number of metres from the start"),
        (((0, 1), (900, math.nan)), f", row 2: found height nan m; {HEIGHTS}"),
        (((0, 1), (900, 9_500)), f", row 2: found height 9500 m; {HEIGHTS}"),
        (((0, 1), (40, 1)), f": found a course of 40 m; {LENGTHS} {KILOMETRES}"),
        (((0, 1), (0, 1)), f": found a course of 0 m; {LENGTHS}"),
        (((0, 1), (500_000, 1)), f": found a course of 500 km; {LENGTHS}"),
        (((0, 100), (1_000, 500)), f", at 0.00 km: found {STEEP}"),
        (((0, 500), (600, 500), (1_600, 100)), f", at 0.71 km: found {STEEP.replace('40', '-40')}"),
    ],
)
def test_rows_out_of_range_are_refused_in_one_sentence(
    rows: tuple[tuple[float, float | None], ...], sentence: str
) -> None:
    with pytest.raises(FileRefused) as refusal:
        course(*rows)
    assert str(refusal.value) == "Heath ring" + sentence


def test_a_refusal_names_the_file_where_there_is_one() -> None:
    with pytest.raises(FileRefused, match=r"^ring\.csv: found a course of 40 m"):
        course_from_profile(name="Ring", distance_m=[0, 40], height_m=[0, 0], what="ring.csv")


def test_columns_of_unequal_length_are_our_own_fault() -> None:
    with pytest.raises(ValueError, match="2 distances, 1 heights"):
        course_from_profile(name="Ring", distance_m=[0, 400], height_m=[0])


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("  Heath \n\t ring ", "Heath ring"),
        ("Heath\x00\u202e ring", "Heath ring"),
        ("x" * 80, "x" * 59 + "…"),
        ("", ""),
    ],
)
def test_names_are_made_fit_to_be_shown(text: str, shown: str) -> None:
    assert plain_text(text) == shown
