"""Distances over the ground, against published ones and against geographiclib.

Sources: [G] the documentation and tests of geographiclib (Karney); [W] the degree lengths of the WGS84 ellipsoid,
from its defining axis and flattening; [R] a run of geographiclib, so that only our use of it is checked.
"""

import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st

from caller.formats.geodesic import distance_m


@pytest.mark.parametrize(
    ("start", "end", "expected_m"),
    [
        pytest.param((-41.32, 174.81), (40.96, -5.50), 19_959_679.267, id="[G] nearly antipodal"),
        pytest.param((-19.79938, -174.47484), (-11.99349, -154.35109), 2_319_004.8601, id="[G] islands"),
        pytest.param((40.6, -73.8), (51.6, -0.5), 5_551_759.400, id="[R] across an ocean"),
        pytest.param((0, 20), (0, 21), 111_319.491, id="[W] a degree along the equator"),
        pytest.param((0, 20), (1, 20), 110_574.389, id="[W] a degree north from the equator"),
        pytest.param((45, 20), (46, 20), 111_141.548, id="[W] a degree north from 45"),
        pytest.param((0, 0), (0, 0.01), 1_113.19491, id="[W] a hundredth of a degree along the equator"),
        pytest.param((0, 179.995), (0, -179.995), 1_113.19491, id="[W] the same over the date line"),
    ],
)
def test_distances_are_the_published_ones(
    start: tuple[float, float], end: tuple[float, float], expected_m: float
) -> None:
    assert distance_m(*start, *end) == pytest.approx(expected_m, abs=1e-3)


@settings(deadline=None, max_examples=500)
@given(
    latitude=st.floats(-84, 84),
    longitude=st.floats(-180, 180),
    bearing=st.floats(0, 360),
    far_m=st.floats(0.1, 1_990),
)
def test_short_ways_agree_with_geographiclib_to_one_part_in_ten_million(
    latitude: float, longitude: float, bearing: float, far_m: float
) -> None:
    end = Geodesic.WGS84.Direct(latitude, longitude, bearing, far_m)
    # Degrees are doubles: the last digit of 180 degrees is 3e-9 m, so 1e-7 m is allowed besides.
    assert distance_m(latitude, longitude, end["lat2"], end["lon2"]) == pytest.approx(far_m, rel=1e-7, abs=1e-7)


@pytest.mark.parametrize("latitude", [86.0, -89.99])
def test_near_a_pole_too(latitude: float) -> None:
    end = Geodesic.WGS84.Direct(latitude, 10, 77, 900)
    assert distance_m(latitude, 10, end["lat2"], end["lon2"]) == pytest.approx(900, abs=1e-5)
