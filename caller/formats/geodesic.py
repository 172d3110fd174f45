"""Distance over the ground between two positions. Must not know of files or courses."""

import math

from geographiclib.geodesic import Geodesic

__all__ = ["distance_m"]

_AXIS_M = 6_378_137.0
_FLATTENING = 1 / 298.257223563
_ECC2 = _FLATTENING * (2 - _FLATTENING)
"""The WGS84 ellipsoid: its two defining lengths and what follows (NIMA TR8350.2; the numbers also in geographiclib)."""

_SHORT_M = 2_000.0
_MOST_LATITUDE = 70.0


def distance_m(latitude0: float, longitude0: float, latitude1: float, longitude1: float) -> float:
    """Length of the shortest way over the WGS84 ellipsoid.

    Args: degrees north and east; longitudes may lie on both sides of the date line.
    Returns: metres. Up to 2 km by the radii of curvature at the middle latitude, off by less than 1 part in 10 million
        (checked against geographiclib in the tests); beyond, and near the poles, by geographiclib itself.

    Source: Karney 2013, "Algorithms for geodesics", by way of geographiclib; for short ways the first term of the
        mid-latitude formulae of Gauss (from memory). They are here since 300,000 exact solutions take 8 s.
    """
    middle = math.radians((latitude0 + latitude1) / 2)
    sine = math.sin(middle)
    bend = 1 - _ECC2 * sine * sine
    across = _AXIS_M / math.sqrt(bend)
    along = across * (1 - _ECC2) / bend
    north_m = along * math.radians(latitude1 - latitude0)
    # Over the date line this looks far, and is solved exactly.
    east_m = across * math.cos(middle) * math.radians(longitude1 - longitude0)
    short_m = math.hypot(north_m, east_m)
    if short_m <= _SHORT_M and max(abs(latitude0), abs(latitude1)) <= _MOST_LATITUDE:
        return short_m
    exact = Geodesic.WGS84.Inverse(latitude0, longitude0, latitude1, longitude1, Geodesic.DISTANCE)
    return float(exact["s12"])
