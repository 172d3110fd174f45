"""Markup to tracks and waypoints, for every dialect that names its points the same. Must not know of courses.

Elements are known by their local names alone, since writers disagree on namespaces and prefixes.
"""

import math
from dataclasses import dataclass
from xml.sax import SAXParseException
from xml.sax.handler import ContentHandler
from xml.sax.xmlreader import AttributesImpl, Locator

from defusedxml import DefusedXmlException, sax

from caller.course import HEIGHTS_M, plain_text
from caller.errors import FileRefused

__all__ = ["MOST_DEPTH", "MOST_POINTS", "Point", "Track", "Tracks", "Waypoint", "read_tracks"]

MOST_DEPTH = 64
"""Deepest nesting of elements taken; course files need about 8."""

MOST_POINTS = 300_000
"""Most track points taken: over 80 hours at one a second."""

_MOST_ELEMENTS = 3_000_000
_MOST_TRACKS = 1_000
_LONGEST_FIGURE = 80


@dataclass(frozen=True, slots=True)
class Point:
    """A place on the way. Positional and small: there may be 300,000.

    Attributes:
        latitude: degrees north, WGS84.
        longitude: degrees east, WGS84.
        height_m: None where the file tells none.
        line: where it stands in the file.
    """

    latitude: float
    longitude: float
    height_m: float | None
    line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """Points in riding order, in one or more segments; none is empty."""

    name: str
    segments: tuple[tuple[Point, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Waypoint:
    """A named place beside the way."""

    name: str
    at: Point


@dataclass(frozen=True, slots=True, kw_only=True)
class Tracks:
    """All that a file holds of ways and places.

    Attributes:
        name: of the whole file, often empty.
        tracks: ridden or drawn point by point.
        routes: planned, often with few points.
        waypoints: those with a name.
    """

    name: str
    tracks: tuple[Track, ...]
    routes: tuple[Track, ...]
    waypoints: tuple[Waypoint, ...]


def read_tracks(text: str, what: str) -> Tracks:
    """Read a GPX or TCX file.

    Args:
        text: the decoded file.
        what: its name, for the sentence.
    Raises: FileRefused: it is no well-formed XML, declares entities, is nested too deep, holds too many points or none,
        or a point's figures are out of range; the sentence names the line.
    """
    handler = _Handler(what)
    parser = sax.make_parser()
    parser.forbid_dtd = True
    parser.setContentHandler(handler)
    handler.setDocumentLocator(parser)  # the parser does so by itself only where it opens a file
    try:
        # In one piece: fed in blocks, the parser would begin anew at each block within one long token.
        parser.feed(text)
        parser.close()
    except SAXParseException as error:
        found = f"damaged XML ({error.getMessage()})"
        raise FileRefused(
            what, f"line {error.getLineNumber()}", found, "expected a whole file; export it anew"
        ) from None
    except DefusedXmlException:
        found = "a document type declaration (<!DOCTYPE …>)"
        raise FileRefused(what, handler.here(), found, "course files need none; export it anew") from None
    return handler.tracks()


_POINTS = {"trkpt": "track", "rtept": "route", "wpt": "waypoint", "Trackpoint": "track", "CoursePoint": "waypoint"}
_DEGREES = {"lat": ("latitude", 90.0), "lon": ("longitude", 180.0)}
_SEGMENTS = frozenset({"trkseg", "Track"})
_WAYS = frozenset({"trk", "rte", "Course", "Activity"})
_TEXTS = frozenset({"name", "Name", "ele", "LatitudeDegrees", "LongitudeDegrees", "AltitudeMeters"})
_TCX_DEGREES = {"LatitudeDegrees": "lat", "LongitudeDegrees": "lon"}
_NAMED = {
    "trk": "way",
    "rte": "way",
    "Course": "way",
    "wpt": "point",
    "CoursePoint": "point",
    "metadata": "file",
    "gpx": "file",
}


class _Handler(ContentHandler):
    """Collects points as the parser meets them. The element names above are its whole grammar."""

    def __init__(self, what: str) -> None:
        super().__init__()
        self._what = what
        self._place = Locator()
        self._open: list[str] = []
        self._text: list[str] | None = None
        self._name = self._way_name = ""
        self._tracks: list[Track] = []
        self._routes: list[Track] = []
        self._waypoints: list[Waypoint] = []
        self._segments: list[tuple[Point, ...]] = []
        self._segment: list[Point] = []
        self._count = self._elements = 0
        self._root = ""
        # the point being read: kind empty while there is none
        self._kind = self._point_name = ""
        self._line = 0
        self._degrees: dict[str, float] = {}
        self._height_m: float | None = None

    def here(self) -> str:
        """The parser's place, for a sentence."""
        return f"line {self._place.getLineNumber()}"

    def tracks(self) -> Tracks:
        """What was collected.

        Raises: FileRefused: no way at all.
        """
        if not self._tracks and not self._routes:
            if self._waypoints or self._count:
                found = "single places only, no way that joins them"
            else:
                found = f"XML ({plain_text(self._root, 24)}) without a single point of a track or route"
            raise FileRefused(self._what, "", found, "expected GPX or TCX with a track or route of at least 2 points")
        return Tracks(
            name=self._name,
            tracks=tuple(self._tracks),
            routes=tuple(self._routes),
            waypoints=tuple(self._waypoints),
        )

    def setDocumentLocator(self, locator: Locator) -> None:  # noqa: N802 (the interface's own name)
        self._place = locator

    def startElement(self, name: str, attrs: AttributesImpl) -> None:  # noqa: N802 (the interface's own name)
        local = name.rpartition(":")[2]
        stack = self._open
        if not stack:
            self._root = local
        stack.append(local)
        if len(stack) > MOST_DEPTH:
            raise self._refused(f"elements nested {len(stack)} deep", f"expected at most {MOST_DEPTH}")
        self._elements += 1
        if self._elements > _MOST_ELEMENTS:
            raise self._refused(f"more than {_MOST_ELEMENTS:,} elements", "expected fewer; one course a file")
        if local in _TEXTS:
            self._text = []
        elif local in _POINTS:
            self._begin_point(local, attrs)
        elif local in _WAYS:
            self._segments, self._segment, self._way_name = [], [], ""
        elif local in _SEGMENTS:
            self._segment = []

    def characters(self, content: str) -> None:
        if self._text is not None:
            self._text.append(content)

    def endElement(self, name: str) -> None:  # noqa: N802 (the interface's own name)
        stack = self._open
        local = stack.pop()
        if local in _TEXTS:
            if self._text is not None:
                self._end_text(local, stack, "".join(self._text).strip())
            self._text = None
        elif local in _POINTS:
            self._end_point(local)
        elif local in _SEGMENTS:
            self._end_segment()
        elif local in _WAYS:
            self._end_segment()
            self._end_way(self._routes if local == "rte" else self._tracks)

    def _refused(self, found: str, allowed: str) -> FileRefused:
        return FileRefused(self._what, self.here(), found, allowed)

    def _number(self, text: str, name: str) -> float:
        try:
            number = float(text) if "_" not in text and len(text) <= _LONGEST_FIGURE else math.nan
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            raise self._refused(f"{name} {plain_text(text, 24)!r}", "expected a number with a decimal point")
        return number

    def _degree(self, key: str, text: str) -> float:
        name, most = _DEGREES[key]
        degree = self._number(text, name)
        if not -most <= degree <= most:
            raise self._refused(f"{name} {degree:.9g}", f"expected -{most:g} to {most:g} degrees")
        return degree

    def _begin_point(self, local: str, attrs: AttributesImpl) -> None:
        self._kind, self._point_name, self._degrees, self._height_m = _POINTS[local], "", {}, None
        self._line = self._place.getLineNumber() or 0
        if local in ("Trackpoint", "CoursePoint"):
            return
        for key, (name, _) in _DEGREES.items():
            if key not in attrs:
                raise self._refused(f"a point without {name}", f"expected <{local} lat=… lon=…>")
            self._degrees[key] = self._degree(key, attrs[key])

    def _end_text(self, local: str, stack: list[str], text: str) -> None:
        parent = stack[-1] if stack else ""
        if local in ("ele", "AltitudeMeters"):
            if parent in _POINTS and text:
                self._height_m = self._height(text)
        elif local in _TCX_DEGREES:
            if parent == "Position" and self._kind:
                key = _TCX_DEGREES[local]
                self._degrees[key] = self._degree(key, text)
        elif _NAMED.get(parent) == "way":
            self._way_name = plain_text(text)
        elif _NAMED.get(parent) == "point":
            self._point_name = plain_text(text, 40)
        elif _NAMED.get(parent) == "file":
            self._name = plain_text(text)

    def _height(self, text: str) -> float:
        height_m = self._number(text, "height")
        low, high = HEIGHTS_M
        if not low <= height_m <= high:
            raise self._refused(
                f"height {height_m:.9g} m", f"expected {low:g} to {high:g} m, or none where it isn't known"
            )
        return height_m

    def _end_point(self, local: str) -> None:
        kind, self._kind = self._kind, ""
        if not self._degrees:
            return  # a recorder that had no fix writes points without a place
        if len(self._degrees) < 2:
            raise self._refused("a point with half a position", "expected latitude and longitude")
        point = Point(self._degrees["lat"], self._degrees["lon"], self._height_m, self._line)
        self._count += 1
        if self._count > MOST_POINTS:
            raise self._refused(f"more than {MOST_POINTS:,} points", "expected fewer; thin the track out")
        if kind != "waypoint":
            self._segment.append(point)
        elif self._point_name:
            self._waypoints.append(Waypoint(name=self._point_name, at=point))

    def _end_segment(self) -> None:
        if self._segment:
            self._segments.append(tuple(self._segment))
        self._segment = []

    def _end_way(self, ways: list[Track]) -> None:
        if sum(map(len, self._segments)) > 1:
            if len(ways) >= _MOST_TRACKS:
                raise self._refused(f"more than {_MOST_TRACKS:,} tracks", "expected one course a file")
            ways.append(Track(name=self._way_name, segments=tuple(self._segments)))
        self._segments, self._way_name = [], ""
