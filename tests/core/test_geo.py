"""Positions against published geodesics."""

import numpy as np
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st
from published_cases import published
from pytest import approx

from sailanalysis.core.geo import local_xy_m, radii_m, steps_m

ROWS = published("geodesic_cases.csv")


def test_short_steps_are_the_geodesic():
    rows = [r for r in ROWS if float(r["s12_m"]) < 10_000.0]
    assert len(rows) > 5
    for row in rows:
        lat, lon = ([float(row[a]), float(row[b])] for a, b in (("lat1", "lat2"), ("lon1", "lon2")))
        east, north = steps_m(lat, lon)
        assert np.hypot(east[1], north[1]) == approx(float(row["s12_m"]), rel=2e-6, abs=1e-3)


def test_a_minute_of_latitude():  # WGS84: 1842.905 m at 0, 1847.541 at 30, 1852.196 at 45
    for lat, metres in ((0, 1842.905), (30, 1847.541), (45, 1852.196), (60, 1856.871)):
        meridian, _ = radii_m(float(lat))
        assert float(meridian) * np.radians(1 / 60) == approx(metres, abs=6e-4)


@settings(deadline=None)
@given(lat=st.floats(-75, 75), lon=st.floats(-180, 180), e=st.floats(-3000, 3000),
       n=st.floats(-3000, 3000))
def test_local_chart_agrees_with_the_geodesic(lat, lon, e, n):
    meridian, prime = radii_m(lat)
    lat2 = lat + np.degrees(n / meridian)
    lon2 = lon + np.degrees(e / (prime * np.cos(np.radians(lat))))
    east, north = local_xy_m(lat2, lon2, lat, lon)
    assert np.hypot(east, north) == approx(
        Geodesic.WGS84.Inverse(lat, lon, lat2, lon2)["s12"], rel=1e-3, abs=0.01)
