"""The course as riders meet it: distance, height, grade, stretches with names, landmarks.

Must not know of files, riders or time.
"""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import Enum
from itertools import pairwise

from caller.errors import FileRefused

__all__ = [
    "HEIGHTS_M",
    "LENGTHS_M",
    "MARGIN_M",
    "STEEPEST",
    "Course",
    "Landmark",
    "Stretch",
    "Terrain",
    "climbing_m",
    "course_from_profile",
    "grade_at",
    "height_at",
    "plain_text",
    "stretch_at",
]

LENGTHS_M = (200.0, 400_000.0)
"""Shortest and longest course taken."""

HEIGHTS_M = (-500.0, 9_000.0)
"""Lowest and highest place taken: below any shore, above any summit."""

STEEPEST = 0.35
"""Steepest smoothed grade taken, up or down: about the steepest street there is (from memory). Beyond it the heights
are wrong far more often than the road is that steep."""

_STEEP = 0.20
"""From this smoothed grade on, a note asks to look at the heights."""

_WINDOW_M = 100.0
"""Heights are averaged over this length, twice. With a height error of 1 m at each end, a slope read over 100 m is
off by √2 / 100 = 1.4 %; over 10 m it would be 14 %."""

_STEP_M = 25.0
_SHORT_STEP_M = 5.0
_MOST_STEPS = 8_000

_EDGE_GRADE = 0.02
_SWITCH_M = 6.0
_SHORTEST_M = 300.0
_MOST_STRETCHES = 40
"""What makes a stretch: see _stretches."""

MARGIN_M = 150.0
"""No two landmarks are nearer to each other than this, and none is nearer to the start or the finish."""

_MOST_LANDMARKS = 40
_MOST_OWN_LANDMARKS = 16
_MOST_CLIMB_LANDMARKS = 12
_SPACINGS_KM = (5, 10, 20, 50)


class Terrain(Enum):
    """What a stretch does to a line."""

    FLAT = "flat"
    CLIMB = "climb"
    DESCENT = "descent"


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A part of the course ridden by one rule.

    Attributes:
        name: as it is shown and spoken, such as ``climb 1``.
        terrain: what it is.
        start_m: distance from the start.
        end_m: distance from the start.
        rise_m: height at its end less height at its beginning.
    """

    name: str
    terrain: Terrain
    start_m: float
    end_m: float
    rise_m: float

    @property
    def length_m(self) -> float:
        """From its beginning to its end."""
        return self.end_m - self.start_m

    @property
    def mean_grade(self) -> float:
        """Rise over run; 0.05 is five per cent."""
        return self.rise_m / self.length_m


@dataclass(frozen=True, slots=True, kw_only=True)
class Landmark:
    """A place that a director can see riders pass."""

    name: str
    at_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """A course sampled evenly by distance.

    Attributes:
        name: as shown.
        length_m: from start to finish.
        height_m: smoothed heights at equal steps from the start to the finish, both included; at least two.
        stretches: they cover the course without holes, in order.
        landmarks: in order of distance.
        has_height: False where the file told no heights and the course is taken as flat.
        notes: sentences for its owner on what was read into the file: heights filled in, jumps bridged.
    """

    name: str
    length_m: float
    height_m: tuple[float, ...]
    stretches: tuple[Stretch, ...]
    landmarks: tuple[Landmark, ...] = ()
    has_height: bool = True
    notes: tuple[str, ...] = ()

    @property
    def step_m(self) -> float:
        """Distance between two neighbouring heights."""
        return self.length_m / (len(self.height_m) - 1)


def course_from_profile(
    *,
    name: str,
    distance_m: Sequence[float],
    height_m: Sequence[float | None],
    landmarks: Iterable[Landmark] = (),
    notes: Iterable[str] = (),
    what: str = "",
) -> Course:
    """A course from rows of distance and height, as they stand in a file or were typed.

    Heights are averaged twice over 100 m, resampled evenly, and never gain by it: the rise from start to finish is
    kept, a constant grade stays as it is, and total climbing cannot grow. Climbs and descents are found and named.

    Args:
        name: as shown.
        distance_m: from the start, (rows,); the first is 0, none falls. Of rows at one distance the first counts.
        height_m: (rows,), None where it isn't known. Filled in straight between neighbours, with a note; a course
            of which fewer than two heights are known is taken as flat, with a note.
        landmarks: places its owner named, in any order. Crowded ones are left out; others are added: kilometres, and
            foot and top of each climb.
        notes: sentences to carry along.
        what: as refusals call it, such as a file's name; the course's name if empty.
    Returns: the course; its step is 5 to 25 m, more only beyond 200 km.
    Raises:
        FileRefused: a row, the length or a grade is out of range; the sentence names the row, counted from 1.
        ValueError: distance_m and height_m differ in length.
    """
    if len(distance_m) != len(height_m):
        raise ValueError(f"{len(distance_m)} distances, {len(height_m)} heights")
    told = list(notes)
    name = plain_text(name) or "course"
    what = what or name
    _check_rows(what, distance_m, height_m)
    length_m = float(distance_m[-1])
    xs, sparse = _one_row_a_place(distance_m, height_m)
    hs, has_height = _filled(xs, sparse, told)
    heights = _smoothed(xs, hs, length_m)
    _check_grades(what, heights, length_m, told)
    stretches = _stretches(heights, length_m)
    return Course(
        name=name,
        length_m=length_m,
        height_m=heights,
        stretches=stretches,
        landmarks=_landmarks(length_m, stretches, tuple(landmarks), told),
        has_height=has_height,
        notes=tuple(told),
    )


def height_at(course: Course, at_m: float) -> float:
    """Height above the sea, straight between the course's samples.

    Args:
        at_m: distance from the start. An estimate may lie before the start or beyond the finish: the height there is
            that of the nearer end.
    """
    heights = course.height_m
    place = min(max(at_m / course.step_m, 0.0), len(heights) - 1.0)
    index = min(int(place), len(heights) - 2)
    share = place - index
    return heights[index] * (1.0 - share) + heights[index + 1] * share


def grade_at(course: Course, at_m: float) -> float:
    """Rise over distance between the two samples around a place; 0.05 is five per cent up.

    Distances here are along the ground as a map shows it; up to 15 % the road itself is at most 1.1 % longer.

    Args:
        at_m: distance from the start; before the start and beyond the finish, the grade of the nearer end.
    """
    heights, step_m = course.height_m, course.step_m
    index = int(min(max(at_m / step_m, 0.0), len(heights) - 2.0))
    return (heights[index + 1] - heights[index]) / step_m


def stretch_at(course: Course, at_m: float) -> Stretch:
    """The stretch a place lies on; where two meet, the one that begins there.

    Args:
        at_m: distance from the start; before the start the first stretch, beyond the finish the last.
    """
    index = bisect_right(course.stretches, at_m, key=lambda stretch: stretch.start_m) - 1
    return course.stretches[max(index, 0)]


def climbing_m(course: Course) -> float:
    """All metres climbed from start to finish, after smoothing."""
    return _rises_m(course.height_m)


def plain_text(text: str, most: int = 60) -> str:
    """A name from a file, made fit to be shown: one line, no control characters, at most so many characters."""
    words = " ".join("".join(letter if letter.isprintable() else " " for letter in text[: 20 * most]).split())
    return words if len(words) <= most else words[: most - 1].rstrip() + "…"


def _rises_m(heights: Sequence[float]) -> float:
    return math.fsum(max(above - below, 0.0) for below, above in pairwise(heights))


def _check_rows(what: str, distance_m: Sequence[float], height_m: Sequence[float | None]) -> None:
    if len(distance_m) < 2:
        rows = f"{len(distance_m)} row{'' if len(distance_m) == 1 else 's'} of distance and height"
        raise FileRefused(what, "", rows, "expected at least 2, the first at the start, the last at the finish")
    before_m = 0.0
    for row, (at_m, height) in enumerate(zip(distance_m, height_m, strict=True), 1):
        if not math.isfinite(at_m):
            raise FileRefused(what, f"row {row}", f"distance {at_m}", "expected a number of metres from the start")
        if row == 1 and at_m != 0:
            raise FileRefused(what, "row 1", f"distance {at_m:.15g} m", "expected 0: the first row is the start")
        if at_m < before_m:
            found = f"distance {at_m:.15g} m after {before_m:.15g} m"
            raise FileRefused(what, f"row {row}", found, "expected distances that grow from row to row")
        before_m = at_m
        if height is not None and not HEIGHTS_M[0] <= height <= HEIGHTS_M[1]:
            allowed = f"expected {HEIGHTS_M[0]:g} to {HEIGHTS_M[1]:g} m above the sea, or nothing where it isn't known"
            raise FileRefused(what, f"row {row}", f"height {height:g} m", allowed)
    if not LENGTHS_M[0] <= before_m <= LENGTHS_M[1]:
        found = f"a course of {before_m:.0f} m" if before_m < 10_000 else f"a course of {before_m / 1000:.0f} km"
        hint = " (if the distances are kilometres, say so in a heading)" if 0 < before_m < LENGTHS_M[0] else ""
        raise FileRefused(what, "", found, f"expected 200 m to 400 km{hint}")


def _one_row_a_place(
    distance_m: Sequence[float], height_m: Sequence[float | None]
) -> tuple[list[float], list[float | None]]:
    """Rows at growing distances; of several at one distance the first height known counts."""
    xs: list[float] = []
    hs: list[float | None] = []
    for x, h in zip(distance_m, height_m, strict=True):
        if xs and x == xs[-1]:
            if hs[-1] is None:
                hs[-1] = h
        else:
            xs.append(float(x))
            hs.append(h)
    return xs, hs


def _filled(xs: list[float], sparse: list[float | None], told: list[str]) -> tuple[list[float], bool]:
    """Heights without holes, and whether they tell anything."""
    known = [(x, h) for x, h in zip(xs, sparse, strict=True) if h is not None]
    if len(known) < 2:
        told.append("no heights in the file: taken as flat" if not known else "one height only: taken as flat")
        return [known[0][1] if known else 0.0] * len(xs), False
    if len(known) < len(xs):
        told.append(f"heights known at {len(known)} of {len(xs)} points: drawn straight between them")
    at = [x for x, _ in known]
    filled = []
    for x, h in zip(xs, sparse, strict=True):
        if h is None:
            index = bisect_left(at, x)
            (x0, h0), (x1, h1) = known[max(index - 1, 0)], known[min(index, len(known) - 1)]
            h = h0 if x1 <= x0 else h0 + (h1 - h0) * (x - x0) / (x1 - x0)
        filled.append(h)
    return filled, True


def _smoothed(xs: list[float], hs: list[float], length_m: float) -> tuple[float, ...]:
    step_m = min(max(length_m / 200, _SHORT_STEP_M), _STEP_M)
    steps = min(math.ceil(length_m / step_m), _MOST_STEPS)
    places = [length_m * index / steps for index in range(steps + 1)]
    once = _averaged(xs, hs, places)
    return tuple(_averaged(places, once, places))


def _averaged(xs: list[float], hs: list[float], places: list[float]) -> list[float]:
    """Mean over the window around each place of the heights drawn straight from row to row.

    Beyond an end the profile goes on as its own picture turned half round that end. So the ends stay where they are, a
    straight line stays straight, and each metre climbed is shared out but never counted twice: grades beyond an end
    mirror those before it, and a mean of grades with weights that add up to one cannot hold more climbing than they do.
    """
    base, end_m, last = hs[0], xs[-1], hs[-1] - hs[0]
    sums = [0.0]
    for index in range(1, len(xs)):
        mean = (hs[index] + hs[index - 1]) / 2 - base
        sums.append(sums[-1] + mean * (xs[index] - xs[index - 1]))

    def area(x: float) -> float:
        """Height above the first, summed up from the start to x."""
        if x < 0:
            return area(-x)
        if x > end_m:
            return 2 * last * (x - end_m) + area(2 * end_m - x)
        index = max(min(bisect_right(xs, x), len(xs) - 1) - 1, 0)
        run, rise = xs[index + 1] - xs[index], hs[index + 1] - hs[index]
        ahead = x - xs[index]
        return sums[index] + ahead * (hs[index] - base + rise * ahead / run / 2)

    half = _WINDOW_M / 2
    averaged = [base + (area(x + half) - area(x - half)) / _WINDOW_M for x in places]
    averaged[0], averaged[-1] = hs[0], hs[-1]  # they are so already, but for the last digits
    return averaged


def _check_grades(what: str, heights: Sequence[float], length_m: float, told: list[str]) -> None:
    step_m = length_m / (len(heights) - 1)
    rises = [above - below for below, above in pairwise(heights)]
    index = max(range(len(rises)), key=lambda index: round(abs(rises[index]), 6))  # the first of equals
    grade, at_km = rises[index] / step_m, index * step_m / 1000
    if abs(grade) > STEEPEST:
        found = f"a grade of {grade * 100:.0f} % after smoothing over {_WINDOW_M:.0f} m"
        raise FileRefused(
            what, f"at {at_km:.2f} km", found, f"expected at most {STEEPEST * 100:.0f} %; mend the heights there"
        )
    if abs(grade) > _STEEP:
        told.append(f"steepest at {at_km:.2f} km, {grade * 100:.0f} %: check the heights there")


def _stretches(heights: Sequence[float], length_m: float) -> tuple[Stretch, ...]:
    """The course cut into flats, climbs and descents, best by one measure.

    A climb's worth is what it rises beyond a road of _EDGE_GRADE as long as itself; a descent's is the same,
    downwards; a flat's is nothing. Each cut costs _SWITCH_M of height, and no stretch is shorter than _SHORTEST_M. The
    cutting with the greatest sum is found exactly (a shortest-path sum over the samples). So a climb stands out
    from the flat if it rises 12 m more than a 2 % road would: about 600 m at 4 %, 400 m at 5 % or 1.2 km at 3 %. A dip
    splits a climb only if it costs more than two cuts. Where that gives more than _MOST_STRETCHES, cuts cost more.

    Source: none; measure and numbers are ours, looked at on real courses.
    """
    steps = len(heights) - 1
    step_m = length_m / steps
    shortest = min(math.ceil(_SHORTEST_M / step_m - 1e-9), steps)
    edges = [_EDGE_GRADE * step_m * index for index in range(steps + 1)]
    worth_so_far = {
        Terrain.FLAT: [0.0] * (steps + 1),
        Terrain.CLIMB: [height - edge for height, edge in zip(heights, edges, strict=True)],
        Terrain.DESCENT: [-height - edge for height, edge in zip(heights, edges, strict=True)],
    }
    switch_m = _SWITCH_M
    while len(cuts := _cut(worth_so_far, steps, shortest, switch_m)) > _MOST_STRETCHES:
        switch_m *= 1.25
    stretches: list[Stretch] = []
    for start, end, terrain in cuts:
        number = 1 + sum(stretch.terrain is terrain for stretch in stretches)
        stretches.append(
            Stretch(
                name=f"{terrain.value} {number}",
                terrain=terrain,
                start_m=stretches[-1].end_m if stretches else 0.0,
                end_m=length_m if end == steps else end * step_m,
                rise_m=heights[end] - heights[start],
            )
        )
    return tuple(stretches)


def _cut(
    worth_so_far: dict[Terrain, list[float]], steps: int, shortest: int, switch_m: float
) -> list[tuple[int, int, Terrain]]:
    """Cut so that the sum of worths less cuts is greatest; the flat wins a tie. All first stretches pay alike."""
    best = [0.0] + [-math.inf] * steps
    came: list[tuple[int, Terrain]] = [(0, Terrain.FLAT)] * (steps + 1)
    openings = dict.fromkeys(worth_so_far, (-math.inf, 0))
    for end in range(shortest, steps + 1):
        start = end - shortest
        for terrain, worth in worth_so_far.items():
            opening = best[start] - worth[start] - switch_m
            if opening > openings[terrain][0]:
                openings[terrain] = (opening, start)
            total = openings[terrain][0] + worth[end]
            if total > best[end]:
                best[end], came[end] = total, (openings[terrain][1], terrain)
    cuts: list[tuple[int, int, Terrain]] = []
    end = steps
    while end > 0:
        start, terrain = came[end]
        cuts.append((start, end, terrain))
        end = start
    return cuts[::-1]


def _landmarks(
    length_m: float, stretches: Iterable[Stretch], own: Sequence[Landmark], told: list[str]
) -> tuple[Landmark, ...]:
    """The owner's places first, then tops and feet of the highest climbs, then kilometres, as far as there is room."""
    taken: list[Landmark] = []

    def take(candidates: Iterable[Landmark], most: int) -> None:
        for candidate in candidates:
            if len(taken) >= most:
                return
            marks = [0.0, length_m, *(landmark.at_m for landmark in taken)]
            if min(abs(candidate.at_m - mark_m) for mark_m in marks) >= MARGIN_M and 0 < candidate.at_m < length_m:
                taken.append(candidate)

    take(own, _MOST_OWN_LANDMARKS)
    if len(taken) < len(own):
        left_out = f"{len(own) - len(taken)} of {len(own)} places are no landmarks"
        why = f"more than {_MOST_OWN_LANDMARKS}, or within {MARGIN_M:g} m of another, of the start or of the finish"
        told.append(f"{left_out}: {why}")
    climbs = [stretch for stretch in stretches if stretch.terrain is Terrain.CLIMB]
    highest = sorted(climbs, key=lambda climb: (-climb.rise_m, climb.start_m))
    ends = [
        landmark
        for climb in highest
        for landmark in (
            Landmark(name=f"top of {climb.name}", at_m=climb.end_m),
            Landmark(name=f"foot of {climb.name}", at_m=climb.start_m),
        )
    ]
    take(ends, len(taken) + _MOST_CLIMB_LANDMARKS)
    room = _MOST_LANDMARKS - len(taken)
    spacing_km = next(km for km in _SPACINGS_KM if length_m / (km * 1000) <= room)
    take(
        (Landmark(name=f"{km} km", at_m=km * 1000.0) for km in range(spacing_km, int(length_m / 1000) + 1, spacing_km)),
        _MOST_LANDMARKS,
    )
    return tuple(sorted(taken, key=lambda landmark: landmark.at_m))
