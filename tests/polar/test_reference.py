"""A reference polar beside the boat's own."""

import numpy as np
import pandas as pd
import pytest

from sailanalysis.polar.reference import reference_shares, reference_speed, with_reference
from sailanalysis.read.written.boatfile import BoatFileError, read_boat_file
from sailanalysis.read.written.reference import read_reference_polar

MATRIX = "twa;6;10\n45;4.0;6.0\n90;5.0;8.0\n150;4.5;\n"
PLAIN = "twa_deg,stw_kn,tws_kn\n45,4,6\n45,6,10\n90,5,6\n-90,8,10\n150,4.5,6\n"


def written(folder, text, name="reference.csv"):
    path = folder / name
    path.write_text(text)
    return path


def test_both_forms_say_the_same(tmp_path):
    one = read_reference_polar(written(tmp_path, MATRIX))
    assert one.points == read_reference_polar(written(tmp_path, PLAIN)).points
    assert len(one.points) == 5


def test_speeds_by_hand_and_silence_outside(tmp_path):
    reference = read_reference_polar(written(tmp_path, MATRIX))
    tws = np.array([6.0, 10.0, 8.0, 8.0, 6.0, 10.0, 5.9, 10.1, 8.0, 6.0])
    twa = np.array([45.0, 90.0, 45.0, -67.5, 120.0, 120.0, 45.0, 45.0, 44.0, 151.0])
    # 67.5 deg lies half way: (4.5 + 7.0) / 2; 120 deg at 6 kn: 4.75
    expected = [4.0, 8.0, 5.0, 5.75, 4.75] + [np.nan] * 5
    assert reference_speed(reference, tws, twa) == pytest.approx(expected, nan_ok=True)


@pytest.mark.parametrize(("text", "words"), [
    ("twa,6\n45,fast\n", "line 2: 'fast' is no"), ("twa,6\n45,400\n", "cannot be"), ("twa,6\n", "no table"),
    ("twa,6\n45,\n", "no boat speed"), ("twa,6\n190,5\n", "cannot be")])
def test_faults_are_one_line(tmp_path, text, words):
    with pytest.raises(ValueError, match=words.replace("is no", "is not")):
        read_reference_polar(written(tmp_path, text))


def test_the_boat_file_names_it(tmp_path):
    written(tmp_path, MATRIX)
    boat = written(tmp_path, '[polar]\nreference = "reference.csv"\n', "boat.toml")
    assert read_boat_file(boat).reference.name == "reference"
    written(tmp_path, '[polar]\nreference = "other.csv"\n', "boat.toml")
    with pytest.raises(BoatFileError, match=r"other\.csv cannot be read"):
        read_boat_file(boat)


def test_the_share_is_the_cells_weighed_by_their_minutes(tmp_path):
    reference = read_reference_polar(written(tmp_path, MATRIX))
    table = pd.DataFrame({
        "sails": ["all", "all", "main", "all"], "tws_kn": [6.0, 10.0, 6.0, 6.0], "twa_deg": [45.0, 45.0, 45.0, 175.0],
        "stw_kn": [3.6, 6.0, 1.0, 3.0], "stw_kn_low": [3.2, 5.4, 1.0, 3.0], "stw_kn_high": [4.0, 6.6, 1.0, 3.0],
        "minutes": [30.0, 10.0, 9.0, 9.0], "basis": "measured"})
    row = reference_shares(with_reference(table, reference)).iloc[0]
    assert (row["share"], row["low"], row["high"]) == pytest.approx((0.925, 0.825, 1.025))  # 0.9 x 3/4 + 1.0 x 1/4
    assert row["cells"] == 2 and len(reference_shares(table)) == 0
