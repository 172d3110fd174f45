"""Files and tables that are refused, with the exact sentence; and that any bytes make a course or a sentence."""

import gzip
import io
import zipfile
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from caller.course import Course
from caller.errors import FileRefused
from caller.formats import MOST_BYTES, read_course, read_table

RING = (Path(__file__).parent / "data" / "ring_with_extensions.gpx").read_bytes()
RING_TCX = (Path(__file__).parent / "data" / "ring_course.tcx").read_bytes()

WANTED = "expected a GPX or TCX course, or a table of distance and height"
TWO_POINTS = "expected GPX or TCX with a track or route of at least 2 points"
ANEW = "expected a whole file; export it anew"
DOCTYPE = "found a document type declaration (<!DOCTYPE …>); course files need none; export it anew"
NUMBER = "expected a number with a decimal point"
HEIGHTS = "expected -500 to 9000 m, or none where it isn't known"
FIRST_AND_LAST = "expected at least 2, the first at the start, the last at the finish"
HEADING = "expected a heading such as 'distance_km; height_m', or figures"
GROW = "expected distances that grow from row to row"
SEMICOLONS = "expected 2, distance and height (where commas are decimal, part the columns by semicolons)"
KILOMETRES = "(if the distances are kilometres, say so in a heading)"


def gpx(*points: str) -> bytes:
    """Each point on a line of its own, the first on line 2."""
    return ("<gpx><trk><trkseg>\n" + "\n".join(points) + "\n</trkseg></trk></gpx>").encode()


def tcx(*points: str) -> bytes:
    inner = "\n".join(f"<Trackpoint>{point}</Trackpoint>" for point in points)
    return f"<Database><Courses><Course><Track>\n{inner}\n</Track></Course></Courses></Database>".encode()


def zipped() -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as archive:
        archive.writestr("ring.gpx", RING)
    return target.getvalue()


START = '<trkpt lat="0" lon="0"/>'
BILLION = '<!DOCTYPE a [<!ENTITY b "ha">' + "".join(
    f'<!ENTITY {name} "{f"&{before};" * 10}">' for before, name in ("bc", "cd", "de", "ef", "fg", "gh", "hi", "ij")
)

FILES: dict[str, tuple[bytes, str]] = {
    # not a course at all
    "empty": (b"", f": found nothing in it; {WANTED}"),
    "blank": (b" \r\n\t\n", f": found nothing in it; {WANTED}"),
    "zip": (zipped(), f": found a ZIP archive (spreadsheets are packed so too); {WANTED}"),
    "gzip": (gzip.compress(RING), f": found a packed file (gzip); {WANTED}"),
    "png": (b"\x89PNG\r\n\x1a\n\0\0", f": found a picture (PNG); {WANTED}"),
    "jpeg": (b"\xff\xd8\xff\xe0\0\x10JFIF", f": found a picture (JPEG); {WANTED}"),
    "gif": (b"GIF89a\x01\0", f": found a picture (GIF); {WANTED}"),
    "pdf": (b"%PDF-1.7\n", f": found a PDF document; {WANTED}"),
    "fit": (b"\x0e\x10\xd9\x07\0\0\0\0.FIT\0\0", f": found a FIT file; {WANTED}"),
    "binary": (b"\x01\x02\x03\x04" * 50, f": found bytes that are no text; {WANTED}"),
    "json": (b'{"type": "FeatureCollection"}', f": found JSON; {WANTED}"),
    "web page": (
        b"<!DOCTYPE html>\n<html><body>Sign in</body></html>",
        f": found a web page; the link leads to a page about the course, not to its file; {WANTED}",
    ),
    "too big": (b"0" * (MOST_BYTES + 1), ": found 25.0 MB; expected at most 25 MB; one course a file"),
    "other xml": (
        b"<kml><Document/></kml>",
        f": found XML (kml) without a single point of a track or route; {TWO_POINTS}",
    ),
    "no points": (gpx(), f": found XML (gpx) without a single point of a track or route; {TWO_POINTS}"),
    # damaged or hostile markup
    "cut off": (RING[:9_000], f", line {len(RING[:9_000].splitlines())}: found damaged XML (unclosed token); {ANEW}"),
    "cut off between elements": (b"<gpx>\n<trk>\n", f", line 3: found damaged XML (no element found); {ANEW}"),
    "mixed up": (b"<gpx>\n<trk></gpx>", f", line 2: found damaged XML (mismatched tag); {ANEW}"),
    "second root": (
        RING + b"<gpx/>",
        f", line {len(RING.splitlines()) + 1}: found damaged XML (junk after document element); {ANEW}",
    ),
    "entity bomb": (BILLION.encode() + b"]>\n<gpx>&j;</gpx>", f", line 1: {DOCTYPE}"),
    "external entity": (
        b'<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/passwd">]><gpx><name>&x;</name></gpx>',
        f", line 1: {DOCTYPE}",
    ),
    "external document type": (
        b'<?xml version="1.0"?>\n<!DOCTYPE gpx SYSTEM "http://example.org/a.dtd">\n<gpx/>',
        f", line 2: {DOCTYPE}",
    ),
    "bare document type": (b"<!DOCTYPE gpx>\n<gpx/>", f", line 1: {DOCTYPE}"),
    "unknown entity": (b"<gpx><name>&x;</name></gpx>", f", line 1: found damaged XML (undefined entity); {ANEW}"),
    "deep": (b"<gpx>" + b"\n<a>" * 80, ", line 65: found elements nested 65 deep; expected at most 64"),
    "many points": (
        gpx('<trkpt lat="0" lon="0"/>' * 300_001),
        ", line 2: found more than 300,000 points; expected fewer; thin the track out",
    ),
    "many elements": (
        b"<gpx>" + b"<a/>" * 3_000_000 + b"</gpx>",
        ", line 1: found more than 3,000,000 elements; expected fewer; one course a file",
    ),
    "many tracks": (
        b"<gpx>\n" + b'<trk><trkpt lat="0" lon="0"/><trkpt lat="1" lon="0"/></trk>\n' * 1_001 + b"</gpx>",
        ", line 1002: found more than 1,000 tracks; expected one course a file",
    ),
    # encodings
    "not utf-8": (
        b"<gpx>\n<name>\xd6ster</name></gpx>",
        ", line 2: found bytes that are not UTF-8; save the file as UTF-8, or declare the right encoding",
    ),
    "not what it declares": (
        '<?xml version="1.0" encoding="us-ascii"?>\n<gpx>\n<name>Öster</name></gpx>'.encode(),
        ", line 3: found bytes that are not ASCII; save the file as UTF-8, or declare the right encoding",
    ),
    "half a utf-16": (
        b"\xff\xfe" + "<gpx/>".encode("utf-16-le") + b"\n",
        ", line 1: found bytes that are not UTF-16-LE; save the file as UTF-8, or declare the right encoding",
    ),
    "unknown encoding": (
        b'<?xml version="1.0" encoding="no-such"?><gpx/>',
        ", line 1: found encoding 'no-such'; expected one we can read; save the file as UTF-8",
    ),
    "encoding that unpacks": (
        b'<?xml version="1.0" encoding="zip"?><gpx/>',
        ", line 1: found encoding 'zip'; expected one we can read; save the file as UTF-8",
    ),
    "encoding that takes its time": (
        b'<?xml version="1.0" encoding="punycode"?><gpx/>',
        ", line 1: found encoding 'punycode'; expected one we can read; save the file as UTF-8",
    ),
    # figures of points
    "latitude": (
        gpx(START, '<trkpt lat="95.5" lon="0"/>'),
        ", line 3: found latitude 95.5; expected -90 to 90 degrees",
    ),
    "longitude": (
        gpx(START, '<trkpt lat="5" lon="-181"/>'),
        ", line 3: found longitude -181; expected -180 to 180 degrees",
    ),
    "nan": (gpx(START, '<trkpt lat="NaN" lon="0"/>'), f", line 3: found latitude 'NaN'; {NUMBER}"),
    "infinite": (gpx(START, '<trkpt lat="0" lon="-inf"/>'), f", line 3: found longitude '-inf'; {NUMBER}"),
    "huge": (gpx(START, '<trkpt lat="1e999" lon="0"/>'), f", line 3: found latitude '1e999'; {NUMBER}"),
    "endless": (
        gpx(START, f'<trkpt lat="0.{"1" * 5_000}" lon="0"/>'),
        f", line 3: found latitude '0.{'1' * 21}…'; {NUMBER}",
    ),
    "underscore": (gpx(START, '<trkpt lat="1_0" lon="0"/>'), f", line 3: found latitude '1_0'; {NUMBER}"),
    "comma": (gpx(START, '<trkpt lat="47,1" lon="0"/>'), f", line 3: found latitude '47,1'; {NUMBER}"),
    "no longitude": (
        gpx(START, '<trkpt lat="1"/>'),
        ", line 3: found a point without longitude; expected <trkpt lat=… lon=…>",
    ),
    "height nan": (gpx('<trkpt lat="0" lon="0">\n<ele>nan</ele></trkpt>'), f", line 3: found height 'nan'; {NUMBER}"),
    "height words": (gpx('<trkpt lat="0" lon="0"><ele>high</ele></trkpt>'), f", line 2: found height 'high'; {NUMBER}"),
    "height of a void": (
        gpx('<trkpt lat="0" lon="0"><ele>-32768</ele></trkpt>'),
        f", line 2: found height -32768 m; {HEIGHTS}",
    ),
    "tcx latitude": (
        tcx("<Position><LatitudeDegrees>91</LatitudeDegrees></Position>"),
        ", line 2: found latitude 91; expected -90 to 90 degrees",
    ),
    "tcx half": (
        tcx("<Position><LatitudeDegrees>9</LatitudeDegrees></Position>"),
        ", line 2: found a point with half a position; expected latitude and longitude",
    ),
    "tcx height": (
        tcx("<AltitudeMeters>9e9</AltitudeMeters>"),
        f", line 2: found height 9e+09 m; {HEIGHTS}",
    ),
    "tcx indoors": (
        tcx("<HeartRateBpm>150</HeartRateBpm>", ""),
        f": found XML (Database) without a single point of a track or route; {TWO_POINTS}",
    ),
    # courses that are none
    "waypoints only": (
        b'<gpx><wpt lat="1" lon="1"><name>Hut</name></wpt></gpx>',
        f": found single places only, no way that joins them; {TWO_POINTS}",
    ),
    "one point": (gpx(START), f": found single places only, no way that joins them; {TWO_POINTS}"),
    "standing still": (
        gpx(START, START, START),
        ": found one place only; expected a track or a route with at least 2 points that differ",
    ),
    "short": (gpx(START, '<trkpt lat="0.001" lon="0"/>'), ": found a course of 111 m; expected 200 m to 400 km"),
    "long": (
        gpx(*(f'<trkpt lat="{index}" lon="0"/>' for index in range(10))),
        ": found a course of 995 km; expected 200 m to 400 km",
    ),
    "lost its fix": (
        gpx('<trkpt lat="46" lon="14"/>', '<trkpt lat="46.01" lon="14"/>', '<trkpt lat="0" lon="0"/>'),
        ", lines 3 and 4 with a jump of 5279 km between them: found a course of 5280 km; expected 200 m to 400 km",
    ),
    "wall": (
        gpx(
            '<trkpt lat="0" lon="0"><ele>0</ele></trkpt>',
            '<trkpt lat="0.01" lon="0"><ele>0</ele></trkpt>',
            '<trkpt lat="0.02" lon="0"><ele>500</ele></trkpt>',
        ),
        ", at 1.22 km: found a grade of 45 % after smoothing over 100 m; expected at most 35 %; mend the heights there",
    ),
    # tables
    "prose": (
        b"Meet at nine by the mill.\nBring lights.",
        f", line 1: found no column of distance in 'Meet | at | nine | by | the | mill.'; {HEADING}",
    ),
    "no height column": (b"km;name\n0;a\n", f", line 1: found no column of height in 'km | name'; {HEADING}"),
    "comments only": (b"# nothing\n\n", ": found no rows; expected distance and height, one pair a line"),
    "heading only": (b"km;m\n", f": found 0 rows of figures; {FIRST_AND_LAST}"),
    "one row": (b"0;100\n", f": found 1 row of figures; {FIRST_AND_LAST}"),
    "feet": (b"distance_km,elevation_ft\n0,1\n9,1\n", ", line 1: found feet; expected metres or kilometres"),
    "miles": (b"Distance (miles),height\n0,1\n9,1\n", ", line 1: found miles; expected metres or kilometres"),
    "decimal commas between commas": (b"0,0,100,5\n1,5,101,5\n", f", line 1: found 4 columns; {SEMICOLONS}"),
    "one column": (b"0;1\n500\n", f", line 2: found 1 column; {SEMICOLONS}"),
    "ragged": (b"km;m;landmark\n0;1\n9;1;Mill\n", ", line 2: found 2 columns; expected 3 as in the heading"),
    "two readings": (
        b"0;100\n1,500;110\n3,000;120\n",
        ", line 2: found distance '1,500', which may be read two ways; write 1500 or 1.500",
    ),
    "word for a figure": (b"0;100\nfar;110\n", ", line 2: found distance 'far'; expected a number"),
    "nan in a table": (b"0;100\n900;nan\n", ", line 2: found height 'nan'; expected a number"),
    "height in a table": (
        b"0;100\n900;99999\n",
        ", line 2: found height 99999 m; expected -500 to 9000 m, or nothing where it isn't known",
    ),
    "not from the start": (b"500;1\n900;1\n", ", line 1: found distance 500 m; expected 0: the first row is the start"),
    "back": (b"0;1\n\n900;1\n800;1\n", f", line 4: found distance 800 m after 900 m; {GROW}"),
    "twice": (b"0;1\n900;1\n900;1\n", f", line 3: found distance 900 m after 900 m; {GROW}"),
    "far": (b"km;m\n0;1\n500;1\n", ", line 3: found distance 500000 m; expected at most 400 km"),
    "kilometres unsaid": (
        b"0;100\n20;150\n40;100\n",
        f": found a course of 40 m; expected 200 m to 400 km {KILOMETRES}",
    ),
    "long line": (b"0;1\n" + b" 0" * 2_000, ", line 2: found 3999 characters; expected at most 2000"),
    "many lines": (b"0;1\n" * 300_001, ", line 300001: found more than 300,000 lines; expected fewer"),
    "steep table": (
        b"0;0\n1000;400\n",
        ", at 0.00 km: found a grade of 40 % after smoothing over 100 m; expected at most 35 %; mend the heights there",
    ),
}


@pytest.mark.parametrize("case", FILES)
def test_what_cannot_be_used_is_refused_in_one_sentence(case: str) -> None:
    data, sentence = FILES[case]
    with pytest.raises(FileRefused) as refusal:
        read_course(data, "folder/tried.dat")
    assert str(refusal.value) == "tried.dat" + sentence


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "Heath: found no rows; expected distance and height, one pair a line"),
        ("0;1\n9\0;1", "Heath, line 2: found a zero byte; expected text"),
        ("0" * (MOST_BYTES + 1), "Heath: found 25.0 million characters; expected at most 25 million"),
    ],
)
def test_a_typed_table_is_refused_in_one_sentence(text: str, sentence: str) -> None:
    with pytest.raises(FileRefused) as refusal:
        read_table(text, "Heath")
    assert str(refusal.value) == sentence


def test_a_refusal_shows_no_more_of_a_name_than_can_be_read() -> None:
    with pytest.raises(FileRefused) as refusal:
        read_course(b"", "/home/somebody/" + "long " * 50 + "\n\x1b[31m.gpx")
    assert str(refusal.value).startswith("long long")
    assert "\x1b" not in str(refusal.value)
    assert len(refusal.value.what) <= 60


def outcome(data: bytes) -> Course | str:
    """A course, or the sentence; any other exception fails the test."""
    try:
        return read_course(data, "tried.dat")
    except FileRefused as refusal:
        return str(refusal)


@settings(deadline=None)
@given(data=st.binary(max_size=300))
def test_any_bytes_make_a_course_or_a_sentence(data: bytes) -> None:
    assert outcome(data)


@settings(deadline=None)
@given(text=st.text(alphabet="0123456789.,;\t \n-\"'kmeNa#", max_size=120))
def test_any_text_like_a_table_makes_a_course_or_a_sentence(text: str) -> None:
    assert outcome(text.encode())


@settings(deadline=None, max_examples=150)
@given(data=st.data(), source=st.sampled_from([RING, RING_TCX]), patch=st.binary(max_size=12))
def test_a_file_with_a_hole_or_a_patch_makes_a_course_or_a_sentence(
    data: st.DataObject, source: bytes, patch: bytes
) -> None:
    start = data.draw(st.integers(0, len(source)))
    end = data.draw(st.integers(start, min(start + 400, len(source))))
    assert outcome(source[:start] + patch + source[end:])


ELEMENTS = (
    *("<trk>", "<trkseg>", '<trkpt lat="1" lon="1">', '<trkpt lat="1.01" lon="1">', '<wpt lat="1" lon="1">'),
    *("<rte>", "<name>", "<ele>", "<Course>", "<Track>", "<Trackpoint>", "<Position>", "<LatitudeDegrees>"),
)


@settings(deadline=None, max_examples=150)
@given(parts=st.lists(st.sampled_from((*ELEMENTS, "7", *["</>"] * 8)), max_size=40))
def test_known_elements_in_any_order_make_a_course_or_a_sentence(parts: list[str]) -> None:
    """Closing tags close whatever is open, so that the parser doesn't end it all at the first."""
    opened: list[str] = []
    text = "<gpx>"
    for part in parts:
        if part == "</>":
            if opened:
                text += f"</{opened.pop()}>"
        else:
            text += part
            if part.startswith("<"):
                opened.append(part[1:-1].split()[0])
    text += "".join(f"</{name}>" for name in reversed(opened)) + "</gpx>"
    assert "damaged" not in str(outcome(text.encode()))
