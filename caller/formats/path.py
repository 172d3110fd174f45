"""Tracks to one course: which of them, how long, and which waypoints lie on it. Must not know of markup."""

import math
from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from caller.course import LENGTHS_M, Course, Landmark, course_from_profile
from caller.errors import FileRefused
from caller.formats.geodesic import distance_m
from caller.formats.tracks import Point, Track, Tracks, Waypoint

__all__ = ["course_from_tracks"]

_JOIN_M = 100.0
"""A track that begins no further than this from the end of the one before goes on with it."""

_JUMP_M = 500.0
"""Between two points further apart than this the way is unknown, and drawn straight."""

_BESIDE_M = 100.0
"""A waypoint no further than this from the course is a landmark on it."""

_PASS_M = 500.0
"""Two passes of one waypoint are two only with this much riding between them."""

_MOST_PASSES = 4
_MOST_WAYPOINTS = 500

_DEGREE_M = 111_195.0
"""One degree of latitude on a ball of the mean radius; only for what lies within 100 m."""


@dataclass(frozen=True, slots=True)
class _Pass:
    """Once that the course comes by a waypoint: how near, where on the course, and where it was last near."""

    beside_m: float
    at_m: float
    last_m: float


def course_from_tracks(tracks: Tracks, what: str, stem: str) -> Course:
    """Make the course a file's tracks describe, or its routes if it has no track.

    Segments of a track are joined in order. Several tracks are joined if each begins where the one before ended;
    otherwise the longest is taken. Either stands in the notes, as do jumps of more than 500 m.

    Args:
        tracks: as read.
        what: the file's name, for the sentence.
        stem: the course's name if the file holds none.
    Raises: FileRefused: no two points differ, or length, heights or grades are out of range.
    """
    notes: list[str] = []
    ways = tracks.tracks or tracks.routes
    if tracks.tracks and tracks.routes:
        notes.append("the file holds tracks and routes: the routes were left out")
    chosen = _chosen(ways, notes, "tracks" if tracks.tracks else "routes")
    points = _without_repeats(point for segment in chosen.segments for point in segment)
    gaps_m = _gaps(points)
    distances_m = [0.0]
    for gap_m in gaps_m:
        distances_m.append(distances_m[-1] + gap_m)
    length_m = distances_m[-1]
    _check_length(what, points, gaps_m, length_m)
    jumps_m = [gap_m for gap_m in gaps_m if gap_m > _JUMP_M]
    if jumps_m:
        plural = "s" if len(jumps_m) > 1 else ""
        longest = f", the longest of {max(jumps_m) / 1000:.1f} km" if plural else f" of {jumps_m[0] / 1000:.1f} km"
        notes.append(f"{len(jumps_m)} jump{plural} between points{longest}: bridged in a straight line")
    return course_from_profile(
        name=chosen.name or tracks.name or stem,
        distance_m=distances_m,
        height_m=[point.height_m for point in points],
        landmarks=_landmarks(tracks.waypoints, points, distances_m, notes),
        notes=notes,
        what=what,
    )


def _chosen(ways: Sequence[Track], notes: list[str], kinds: str) -> Track:
    if len(ways) == 1:
        return ways[0]
    if all(_apart_m(before.segments[-1][-1], after.segments[0][0]) <= _JOIN_M for before, after in pairwise(ways)):
        notes.append(f"{len(ways)} {kinds} joined, as each begins where the one before ends")
        return Track(name=ways[0].name, segments=tuple(segment for way in ways for segment in way.segments))
    lengths_m = [sum(_gaps(_without_repeats(point for segment in way.segments for point in segment))) for way in ways]
    longest = max(range(len(ways)), key=lambda index: lengths_m[index])
    called = f" ({ways[longest].name})" if ways[longest].name else ""
    notes.append(
        f"{len(ways)} {kinds} that don't join: the longest{called}, {lengths_m[longest] / 1000:.1f} km, was taken"
    )
    return ways[longest]


def _without_repeats(points: Iterable[Point]) -> list[Point]:
    """Points at new places only; of several at one place the first height known counts."""
    kept: list[Point] = []
    for point in points:
        if kept and point.latitude == kept[-1].latitude and point.longitude == kept[-1].longitude:
            if kept[-1].height_m is None and point.height_m is not None:
                kept[-1] = point
        else:
            kept.append(point)
    return kept


def _apart_m(one: Point, other: Point) -> float:
    return distance_m(one.latitude, one.longitude, other.latitude, other.longitude)


def _gaps(points: Sequence[Point]) -> list[float]:
    return [_apart_m(before, after) for before, after in pairwise(points)]


def _check_length(what: str, points: Sequence[Point], gaps_m: Sequence[float], length_m: float) -> None:
    if len(points) < 2:
        raise FileRefused(what, "", "one place only", "expected a track or a route with at least 2 points that differ")
    least_m, most_m = LENGTHS_M
    if least_m <= length_m <= most_m:
        return
    where = ""
    longest = max(range(len(gaps_m)), key=lambda index: gaps_m[index])
    if length_m > most_m and gaps_m[longest] > length_m / 3:
        jump = f"a jump of {gaps_m[longest] / 1000:.0f} km"
        where = f"lines {points[longest].line} and {points[longest + 1].line} with {jump} between them"
    found = f"a course of {length_m:.0f} m" if length_m < 10_000 else f"a course of {length_m / 1000:.0f} km"
    raise FileRefused(what, where, found, "expected 200 m to 400 km")


def _landmarks(
    waypoints: Sequence[Waypoint], points: Sequence[Point], distances_m: Sequence[float], notes: list[str]
) -> list[Landmark]:
    """Waypoints on the course, those nearest to it first, each at every pass of it."""
    if len(waypoints) > _MOST_WAYPOINTS:
        notes.append(f"{len(waypoints)} waypoints: only the first {_MOST_WAYPOINTS} were looked at")
        waypoints = waypoints[:_MOST_WAYPOINTS]
    near = sorted(
        (min(one.beside_m for one in found), waypoint.name, tuple(one.at_m for one in found))
        for waypoint, found in zip(waypoints, _passes(waypoints, points, distances_m), strict=True)
        if found
    )
    if len(near) < len(waypoints):
        beside = f"{len(waypoints) - len(near)} of {len(waypoints)}"
        notes.append(f"waypoints further than {_BESIDE_M:g} m from the course: {beside} left out")
    return [
        Landmark(name=name if number == 1 else f"{name}, pass {number}", at_m=at_m)
        for _, name, passes in near
        for number, at_m in enumerate(passes[:_MOST_PASSES], 1)
    ]


def _passes(waypoints: Sequence[Waypoint], points: Sequence[Point], distances_m: Sequence[float]) -> list[list[_Pass]]:
    """For each waypoint where the course passes it, in order of distance.

    Each leg is tried only with the waypoints in its band of latitudes, so that 300,000 legs and 500 waypoints do not
    make 150 million pairs. Around a waypoint the ground is taken as flat; that is good to a metre within 100 m of it.
    """
    by_latitude = sorted(range(len(waypoints)), key=lambda index: waypoints[index].at.latitude)
    latitudes = [waypoints[index].at.latitude for index in by_latitude]
    band = _BESIDE_M / _DEGREE_M
    passes: list[list[_Pass]] = [[] for _ in waypoints]
    if not waypoints:
        return passes
    for leg, (start, end) in enumerate(pairwise(points)):
        south, north = sorted((start.latitude, end.latitude))
        for place in range(bisect_left(latitudes, south - band), bisect_right(latitudes, north + band)):
            found = passes[by_latitude[place]]
            beside_m, share = _beside(waypoints[by_latitude[place]].at, start, end)
            if beside_m > _BESIDE_M:
                continue
            at_m = distances_m[leg] + share * (distances_m[leg + 1] - distances_m[leg])
            if found and at_m - found[-1].last_m <= _PASS_M:
                best = found[-1]
                nearer = beside_m < best.beside_m
                found[-1] = _Pass(beside_m if nearer else best.beside_m, at_m if nearer else best.at_m, at_m)
            else:
                found.append(_Pass(beside_m, at_m, at_m))
    return passes


def _beside(place: Point, start: Point, end: Point) -> tuple[float, float]:
    """How far a place is from a leg, metres, and what share of the leg lies before the nearest point."""
    scale = _DEGREE_M * math.cos(math.radians(place.latitude))

    def flat(point: Point) -> tuple[float, float]:
        turn = (point.longitude - place.longitude + 180.0) % 360.0 - 180.0
        return turn * scale, (point.latitude - place.latitude) * _DEGREE_M

    (x0, y0), (x1, y1) = flat(start), flat(end)
    dx, dy = x1 - x0, y1 - y0
    square = dx * dx + dy * dy
    share = min(max(-(x0 * dx + y0 * dy) / square, 0.0), 1.0) if square else 0.0
    return math.hypot(x0 + share * dx, y0 + share * dy), share
