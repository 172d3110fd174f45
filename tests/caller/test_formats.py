"""Course files and tables to courses. The sentences of what is refused stand in test_formats_refusals.py.

Outside references: gpxpy reads the same files; geographiclib measures the same points. The files in tests/caller/data
are of our own invention. Where SWINGOFF_COURSES names a directory of real files, those are tried too; below a folder
named awkward a file may be refused, anywhere else it must be read.
"""

import math
import os
from itertools import pairwise
from pathlib import Path

import gpxpy
import pytest
from geographiclib.geodesic import Geodesic
from gpxpy.gpx import GPXTrackPoint

from caller.course import Course, climbing_m, height_at
from caller.errors import FileRefused
from caller.formats import read_course, read_table

DATA = Path(__file__).parent / "data"
RING = (DATA / "ring_with_extensions.gpx").read_bytes()


def sample(name: str) -> Course:
    return read_course((DATA / name).read_bytes(), name)


def exact_m(places: list[tuple[float, float]]) -> float:
    """Length of a way, each leg solved by geographiclib."""
    return math.fsum(float(Geodesic.WGS84.Inverse(*start, *end)["s12"]) for start, end in pairwise(places))


def gpx(*tracks: str, before: str = "", after: str = "") -> bytes:
    return f"<gpx>{before}{''.join(f'<trk>{track}</trk>' for track in tracks)}{after}</gpx>".encode()


def segment(*points: tuple[float, float], height: str = "") -> str:
    ele = f"<ele>{height}</ele>" if height else ""
    inner = "".join(f'<trkpt lat="{lat}" lon="{lon}">{ele}</trkpt>' for lat, lon in points)
    return f"<trkseg>{inner}</trkseg>"


def north(start: float, end: float, longitude: float = -30.0, step: float = 0.002) -> list[tuple[float, float]]:
    """Points on a meridian about 220 m apart."""
    count = round(abs(end - start) / step)
    return [(round(start + (end - start) * index / count, 6), longitude) for index in range(count + 1)]


# GPX and TCX


def test_points_of_all_segments_are_read_as_gpxpy_reads_them() -> None:
    found = sample("ring_with_extensions.gpx")
    theirs = [point for track in gpxpy.parse(RING).tracks for part in track.segments for point in part.points]
    assert len(theirs) == 81
    assert found.length_m == pytest.approx(exact_m([(p.latitude, p.longitude) for p in theirs]), rel=1e-7)
    assert found.height_m[0] == theirs[0].elevation
    assert found.height_m[-1] == theirs[-1].elevation


def test_the_ring_has_the_climb_it_was_drawn_with() -> None:
    # Drawn with 2 km at 5.5 % from 1.5 km on and 2 km at 4.5 % down from 4.5 km on, and ripples of 0.6 m all along.
    found = sample("ring_with_extensions.gpx")
    assert [stretch.name for stretch in found.stretches] == ["flat 1", "climb 1", "flat 2", "descent 1"]
    for stretch, edge_m in zip(found.stretches, (1_500, 3_500, 4_500), strict=False):
        assert stretch.end_m == pytest.approx(edge_m, abs=100)


def test_names_come_from_the_track_and_extensions_are_left_alone() -> None:
    found = sample("ring_with_extensions.gpx")
    assert found.name == "Öster ring"
    assert max(found.height_m) < 160  # an extension holds an <ele> of 9999


def test_waypoints_beside_the_course_are_landmarks_and_others_are_not() -> None:
    found = sample("ring_with_extensions.gpx")
    assert [landmark.name for landmark in found.landmarks] == ["foot of climb 1", "Kiosk at the top", "5 km"]
    assert found.notes == ("waypoints further than 100 m from the course: 1 of 2 left out",)


def test_a_route_of_gpx_1_0_is_a_course() -> None:
    found = sample("ring_route_1_0.gpx")
    assert found.name == "Ring as a route"
    # Every fourth point of the ring's 80 legs: 20 chords of a circle of 6.4 km, each shorter than its arc by a²/24.
    assert found.length_m == pytest.approx(6_400 * (1 - (2 * math.pi / 20) ** 2 / 24), rel=1e-3)


@pytest.mark.parametrize("name", ["ring_course.tcx", "ring_activity.tcx"])
def test_the_same_ring_in_tcx_has_the_same_heights(name: str) -> None:
    found, same = sample(name), sample("ring_with_extensions.gpx")
    assert found.length_m == pytest.approx(same.length_m, abs=1e-6)
    assert found.height_m == pytest.approx(same.height_m, abs=1e-6)


def test_course_points_of_tcx_are_landmarks() -> None:
    assert "Kiosk" in [landmark.name for landmark in sample("ring_course.tcx").landmarks]


def test_a_course_without_a_name_is_called_by_its_file() -> None:
    assert sample("ring_activity.tcx").name == "ring_activity"
    assert read_course(gpx(segment(*north(0, 0.02))), "C:\\rides\\heath.gpx").name == "heath"


@pytest.mark.parametrize(
    ("encoding", "declared"),
    [
        ("utf-8", "UTF-8"),
        ("utf-8", ""),
        ("utf-8-sig", "utf-8"),
        ("utf-8-sig", ""),
        ("utf-8-sig", "ISO-8859-1"),  # the mark is right, the declaration is not
        ("utf-8", "UTF-16"),  # as programs write that keep their text in UTF-16 but save it otherwise
        ("utf-16", "UTF-16"),
        ("utf-16", ""),
        ("utf-16-le", "UTF-16"),
        ("utf-16-be", "UTF-16"),
        ("utf-32", "UTF-32"),
        ("iso-8859-1", "ISO-8859-1"),
        ("iso-8859-15", "ISO-8859-15"),
        ("windows-1252", "windows-1252"),
        ("mac-roman", "macintosh"),
        ("cp437", "IBM437"),
    ],
)
def test_a_file_reads_the_same_in_whatever_encoding_it_declares(encoding: str, declared: str) -> None:
    body = RING.decode().partition("?>")[2]
    head = f'<?xml version="1.0" encoding="{declared}"?>' if declared else ""
    found = read_course((head + body).encode(encoding), "ring.gpx")
    assert found == sample("ring_with_extensions.gpx")


def test_prefixes_on_every_element_do_not_matter() -> None:
    text = RING.decode()
    for element in ("gpx", "trk", "trkseg", "trkpt", "ele", "name", "wpt", "metadata"):
        text = text.replace(f"<{element}>", f"<w:{element}>").replace(f"</{element}>", f"</w:{element}>")
        text = text.replace(f"<{element} ", f"<w:{element} ")
    assert read_course(text.encode(), "ring.gpx") == sample("ring_with_extensions.gpx")


def test_two_points_at_one_place_make_no_distance_and_no_fault() -> None:
    points = north(0, 0.02)
    twice = [point for point in points for _ in range(3)]
    assert read_course(gpx(segment(*twice)), "x.gpx").length_m == read_course(gpx(segment(*points)), "x.gpx").length_m


def test_of_points_at_one_place_the_first_height_known_counts() -> None:
    here = ['<trkpt lat="0" lon="0"/>', *(f'<trkpt lat="0" lon="0"><ele>{height}</ele></trkpt>' for height in (80, 95))]
    there = '<trkpt lat="0.01" lon="0"><ele>90</ele></trkpt>'
    found = read_course(f"<gpx><trk><trkseg>{''.join(here)}{there}</trkseg></trk></gpx>".encode(), "x.gpx")
    assert (found.height_m[0], found.height_m[-1]) == (80, 90)


def test_a_course_over_the_date_line_is_short() -> None:
    points = [(0.0, 179.99), (0.0, 179.995), (0.0, -180.0), (0.0, -179.995)]
    # A degree along the equator is 111 319.491 m (WGS84).
    assert read_course(gpx(segment(*points)), "x.gpx").length_m == pytest.approx(0.015 * 111_319.491, abs=1e-2)


def test_a_point_without_a_height_gets_one_and_a_note() -> None:
    low, high = segment(*north(0, 0.01), height="50"), segment(*north(0.022, 0.03), height="70")
    found = read_course(gpx(low + segment(*north(0.012, 0.02)) + high), "x.gpx")
    assert found.has_height
    assert found.notes == ("heights known at 11 of 16 points: drawn straight between them",)
    assert height_at(found, found.length_m * 16 / 30) == pytest.approx(60, abs=0.5)


def test_a_file_without_heights_is_flat_and_says_so() -> None:
    found = read_course(gpx(segment(*north(0, 0.05))), "x.gpx")
    assert not found.has_height
    assert found.notes == ("no heights in the file: taken as flat",)


def test_jumps_are_bridged_and_counted() -> None:
    found = read_course(gpx(segment(*north(0, 0.02)) + segment(*north(0.04, 0.06)), before=""), "x.gpx")
    assert found.length_m == pytest.approx(exact_m([(0, -30), (0.06, -30)]), abs=1e-3)
    assert found.notes[0] == "1 jump between points of 2.2 km: bridged in a straight line"
    found = read_course(gpx(segment((0, 0), (0.01, 0), (0.02, 0), (0.021, 0), (0.05, 0))), "x.gpx")
    assert found.notes[0] == "3 jumps between points, the longest of 3.2 km: bridged in a straight line"


# Which of several ways


def test_tracks_that_begin_where_the_one_before_ends_are_joined() -> None:
    found = read_course(
        gpx("<name>Out</name>" + segment(*north(0, 0.03)), "<name>On</name>" + segment(*north(0.0305, 0.05))), "x.gpx"
    )
    assert found.length_m == pytest.approx(exact_m([(0, -30), (0.05, -30)]), abs=1e-3)
    assert found.name == "Out"
    assert found.notes[0] == "2 tracks joined, as each begins where the one before ends"


def test_of_tracks_that_do_not_join_the_longest_is_taken_and_named() -> None:
    found = read_course(
        gpx("<name>Warm-up</name>" + segment(*north(0, 0.01)), "<name>Race</name>" + segment(*north(0.05, 0.1))),
        "x.gpx",
    )
    assert found.name == "Race"
    assert found.notes[0] == "2 tracks that don't join: the longest (Race), 5.5 km, was taken"


def test_empty_tracks_and_segments_do_not_count() -> None:
    found = read_course(gpx("<trkseg/>", "", "<trkseg></trkseg>" + segment(*north(0, 0.02))), "x.gpx")
    assert found.notes == ("no heights in the file: taken as flat",)


def test_a_track_is_taken_rather_than_a_route_and_says_so() -> None:
    route = '<rte><rtept lat="1" lon="1"/><rtept lat="1.1" lon="1"/></rte>'
    found = read_course(gpx(segment(*north(0, 0.02)), before=route), "x.gpx")
    assert found.length_m == pytest.approx(2_211.5, abs=1)
    assert found.notes[0] == "the file holds tracks and routes: the routes were left out"


# Waypoints


def waypoint(latitude: float, longitude: float, name: str) -> str:
    return f'<wpt lat="{latitude}" lon="{longitude}"><name>{name}</name></wpt>'


def test_a_place_that_is_passed_twice_is_two_landmarks() -> None:
    out_and_back = north(0, 0.04) + north(0.04, 0)
    found = read_course(gpx(segment(*out_and_back), after=waypoint(0.021, -30.0003, "Bridge")), "x.gpx")
    bridges = [landmark for landmark in found.landmarks if landmark.name.startswith("Bridge")]
    assert [landmark.name for landmark in bridges] == ["Bridge", "Bridge, pass 2"]
    # A degree of latitude at the equator is 110 574 m (WGS84): 0.021 degrees out, and as much before the finish.
    assert bridges[0].at_m == pytest.approx(0.021 * 110_574, abs=1)
    assert bridges[1].at_m == pytest.approx(found.length_m - 0.021 * 110_574, abs=1)


def test_near_a_turning_point_one_place_is_passed_once() -> None:
    out_and_back = north(0, 0.04) + north(0.04, 0)
    found = read_course(gpx(segment(*out_and_back), after=waypoint(0.0385, -30, "Turn")), "x.gpx")
    assert [landmark.name for landmark in found.landmarks if "Turn" in landmark.name] == ["Turn"]


@pytest.mark.parametrize(
    ("end", "mill", "degree_m"),
    # A degree along a meridian at the equator, and along the equator (WGS84).
    [((0.1, 0.0), (0.0333, 0.0008), 110_574), ((0.0, 0.1), (0.0008, 0.0333), 111_319.5)],
)
def test_a_place_beside_a_long_straight_leg_is_found_along_it(
    end: tuple[float, float], mill: tuple[float, float], degree_m: float
) -> None:
    found = read_course(gpx(segment((0, 0), end), after=waypoint(*mill, "Mill")), "x.gpx")
    mills = [landmark.at_m for landmark in found.landmarks if landmark.name == "Mill"]
    assert mills == [pytest.approx(0.0333 * degree_m, abs=1)]


def test_of_more_than_500_waypoints_the_first_500_are_looked_at() -> None:
    many = "".join(waypoint(0.1 * index / 600, -30, f"gate {index}") for index in range(600))
    found = read_course(gpx(segment(*north(0, 0.1)), after=many), "x.gpx")
    assert found.notes[0] == "600 waypoints: only the first 500 were looked at"
    assert sum(landmark.name.startswith("gate") for landmark in found.landmarks) == 16


# Tables

HEATH = [(0, 100), (1_500, 101.5), (4_000, 160), (6_250, 88)]


@pytest.mark.parametrize(
    "text",
    [
        "0,100\n1500,101.5\n4000,160\n6250,88\n",
        "0;100\n1500;101.5\n4000;160\n6250;88",
        "0;100\r\n1500;101,5\r\n4000;160\r\n6250;88\r\n",
        "0\t100\n1500\t101,5\n4000\t160\n6250\t88\n",
        "0 100\n1500   101.5\n4000 160\n  6250 88\n",
        "# the heath\n\n0,100\n\n1500,101.5\n4000,160\n6250,88\n",
        '"0","100"\n"1500","101.5"\n"4000","160"\n"6250","88"\n',
        "distance,height\n0,100\n1500,101.5\n4000,160\n6250,88\n",
        "distance_km,height_m\n0,100\n1.5,101.5\n4,160\n6.25,88\n",
        "km;m\n0;100\n1,5;101,5\n4;160\n6,25;88\n",
        "km;m\n0;100\n1,500;101,5\n4,000;160\n6,250;88\n",
        "Distanz (km);Höhe (m)\n0;100\n1,5;101,5\n4;160\n6,25;88\n",
        "Afstand [km]\tHoogte [m]\n0\t100\n1.5\t101.5\n4\t160\n6.25\t88\n",
        "élévation;distance (km)\n100;0\n101,5;1,5\n160;4\n88;6,25\n",
        "row,altitud,distancia,color\n1,100,0,red\n2,101.5,1500,red\n3,160,4000,blue\n4,88,6250,red\n",
        "quota;distanza in chilometri (km)\n100;0\n101,5;1,5\n160;4\n88;6,25\n",
        "0,100,\n1500,101.5,\n4000,160,\n6250,88,\n",
        "\ufeff0;100\n1500;101.5\n4000;160\n6250;88",
    ],
)
def test_a_table_reads_the_same_however_it_is_laid_out(text: str) -> None:
    found = read_table(text, "Heath ring")
    assert found == read_course(text.encode("utf-16"), "Heath ring.csv")
    assert found.name == "Heath ring"
    assert found.length_m == 6_250
    for at_m, height_m in HEATH[1:3]:
        # Two corners of at most 3.2 + 3.2 % are rounded off by the smoothing: by a sixth of 200 m times 6.4 %.
        assert height_at(found, at_m) == pytest.approx(height_m, abs=2.2)
    assert (found.height_m[0], found.height_m[-1]) == (100, 88)


def test_a_third_column_names_landmarks() -> None:
    found = read_table("km;m;landmark\n0;100;\n2;100;Old mill\n9;100;\n", "Heath")
    assert [(landmark.name, landmark.at_m) for landmark in found.landmarks] == [("Old mill", 2_000), ("5 km", 5_000)]


def test_a_height_left_out_of_a_table_is_filled_in() -> None:
    found = read_table("0;100\n1000;\n2000;140\n", "Heath")
    assert height_at(found, 1_000) == pytest.approx(120)
    assert found.notes == ("heights known at 2 of 3 points: drawn straight between them",)


def test_a_table_saved_by_an_old_spreadsheet_is_read() -> None:
    assert read_course("Länge (km);Höhe;dist\n".encode("cp1252") + b"x;100;0\ny;100;9000\n", "a.csv").length_m == 9_000


# Real files, where there are any

REAL = Path(os.environ["SWINGOFF_COURSES"]) if os.environ.get("SWINGOFF_COURSES") else None
REAL_FILES = sorted(path for path in REAL.rglob("*") if path.suffix in {".gpx", ".tcx"}) if REAL else []


@pytest.mark.skipif(REAL is None, reason="SWINGOFF_COURSES names no directory of real course files")
def test_the_directory_of_real_files_holds_some() -> None:
    assert REAL_FILES


@pytest.mark.parametrize("path", REAL_FILES, ids=lambda path: path.name)
def test_a_real_file_is_measured_as_gpxpy_and_geographiclib_measure_it(path: Path) -> None:
    data = path.read_bytes()
    try:
        found = read_course(data, path.name)
    except FileRefused:
        if path.parent.name != "awkward":
            raise
        return
    if path.suffix != ".gpx":
        return
    theirs = gpxpy.parse(data)
    ways: list[list[GPXTrackPoint]] = [[p for part in track.segments for p in part.points] for track in theirs.tracks]
    if not ways:
        ways = [list(route.points) for route in theirs.routes]  # type: ignore[arg-type]
    longest = max(ways, key=lambda way: exact_m([(p.latitude, p.longitude) for p in way]))
    assert found.length_m == pytest.approx(exact_m([(p.latitude, p.longitude) for p in longest]), rel=1e-7)
    heights = [point.elevation for point in longest if point.elevation is not None]
    if len(heights) == len(longest):
        assert found.height_m[-1] - found.height_m[0] == pytest.approx(heights[-1] - heights[0])
        raw_m = sum(max(after - before, 0) for before, after in pairwise(heights))
        assert climbing_m(found) <= raw_m
