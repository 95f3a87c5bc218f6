"""Magnetic variation and compass corrections against published values."""

import numpy as np
import pytest
from published_cases import published
from pytest import approx

from sailanalysis.core.angles import wrap180, wrap360
from sailanalysis.wind.variation import decimal_year, is_covered, variation_along, variation_deg


# Official test values of WMM2020 and WMM2025 (source in each row); the product takes sea level,
# so only rows at zero height are its own; the others are reproduced by the library underneath.
@pytest.mark.parametrize("model", ["WMM2020", "WMM2025"])
def test_variation_matches_the_official_test_values(model):
    rows = [r for r in published("wmm_cases.csv", model=model) if float(r["alt_km"]) == 0.0]
    if not rows:
        pytest.skip("no rows at sea level")
    for row in rows:
        year = min(float(row["decimal_year"]), 2029.999 if model == "WMM2025" else 2024.999)
        value = variation_deg(float(row["lat"]), float(row["lon"]), year)
        assert abs(float(wrap180(value - float(row["declination_deg"])))) <= 0.0055, row


def test_all_official_rows_by_the_library_underneath():
    from pygeomag import GeoMag

    models = {"WMM2020": GeoMag(coefficients_file="wmm/WMM_2020.COF"),
              "WMM2025": GeoMag(coefficients_file="wmm/WMM_2025.COF")}
    for row in published("wmm_cases.csv"):
        got = models[row["model"]].calculate(
            glat=float(row["lat"]), glon=float(row["lon"]), alt=float(row["alt_km"]),
            time=float(row["decimal_year"])).d
        assert abs(float(wrap180(got - float(row["declination_deg"])))) <= 0.0055


@pytest.mark.parametrize("row", published("compass_cases.csv"), ids=lambda r: r["case"])
def test_true_is_compass_plus_deviation_plus_variation(row):
    total = (float(row["compass_deg"]) + float(row["deviation_deg_east_positive"])
             + float(row["variation_deg_east_positive"]))
    assert float(wrap360(total)) == approx(float(row["true_deg"]) % 360.0)


def test_decimal_year_at_new_year_and_midsummer():
    assert decimal_year(np.datetime64("2025-01-01", "s").astype(float)) == approx(2025.0)
    assert decimal_year(np.datetime64("2024-07-02", "s").astype(float)) == approx(2024.5)


def test_the_date_picks_the_model():
    # On the boundary two models differ a little; far outside the nearest is carried on.
    assert variation_deg(48.0, -5.0, 2019.99) != variation_deg(48.0, -5.0, 2020.0)
    assert not is_covered(2008.5)
    assert variation_deg(37.8, -122.4, 2008.5) == approx(14.3, abs=1.0)  # chart, from memory


def test_along_a_track_it_is_the_model_at_each_place():
    lat, lon = np.linspace(48, 49, 200), np.linspace(-5, -7, 200)
    time = 1_750_000_000.0 + np.arange(200.0)
    along = variation_along(lat, lon, time)
    year = decimal_year(time[0])
    for i in (0, 77, 199):
        assert along[i] == approx(variation_deg(lat[i], lon[i], year), abs=0.02)
    assert np.isnan(variation_along(lat * np.nan, lon, time)).all()
