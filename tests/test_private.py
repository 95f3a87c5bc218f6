"""Private output tells neither place nor time: every file is searched, and the track is tried back."""

import base64
import json
import re

import numpy as np
import pandas as pd
import pytest
from seas import whole_days as sea

from sailanalysis.app.cli import main
from sailanalysis.report.private import Cleaner

SECRETS = ("Skerry", "Halfway", "Ada", "Jonas", "Quiet Fathom", "evening-log", "Europe/Paris")
LOCATING = re.compile(r"^(lat|lon|cog|hdg|twd|set|drift|depth|variation|gwd)")


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A day full of secrets: its open and its private output, and the truth."""
    folder = tmp_path_factory.mktemp("private")
    rng = np.random.default_rng(515)
    day = sea.simulate(rng, hours=1.0, motor_s=120.0, dt=0.2)
    (folder / "evening-log-Skerry.nmea").write_text("\n".join(sea.nmea_lines(day, rng)))
    (folder / "crew.csv").write_text(
        "time,item,value,note\n10:03,helm,Ada,\n10:03,sails,main+Skerry jib,\n10:10,boards,down off Halfway Rock,\n"
        "10:12,sea,swell from Skerry,\n10:14,trim,mainsheet eased off Skerry,\n10:30,helm,Jonas,near Halfway Rock\n"
        "10:35,note,anchored off Skerry,\n10:40,trim,mainsheet eased off Skerry,\n10:45,load,300,\n")
    (folder / "boat.toml").write_text('[boat]\nname = "Quiet Fathom"\nloa_m = 10.0\n')
    args = ["day", str(folder / "evening-log-Skerry.nmea"), "--crew-log", str(folder / "crew.csv"), "--boat",
            str(folder / "boat.toml"), "--quiet", "--season", str(folder / "season")]
    assert main([*args, "--out", str(folder / "open")]) == 0
    assert main([*args, "--out", str(folder / "shared"), "--private"]) == 0
    assert main(["season", str(folder / "season"), "--out", str(folder / "shared-season"), "--private", "--quiet"]) == 0
    return folder, day


def own_text(path):
    """A file's text without the plotting library."""
    from sailanalysis.report.page.render import plotly_script

    return path.read_text(encoding="utf-8").replace(plotly_script(), "")


def texts(folder):
    for path in sorted(folder.rglob("*")):
        if path.is_file() and path.suffix == ".parquet":
            yield path, pd.read_parquet(path).astype(str).to_csv()
        elif path.is_file():
            # Letters of encoded arrays spell any short name by chance; the arrays are decoded below.
            yield path, re.sub(r'"bdata":"[^"]*"', "", own_text(path))


@pytest.mark.parametrize("where", ["shared", "shared-season"])
def test_no_name_place_or_date_is_in_any_file(made, where):
    folder, _ = made
    found = list(texts(folder / where))
    assert len(found) > 5
    for path, text in found:
        for secret in (*SECRETS, "2026-06", "June 2026", "16 June", str(folder), "49°", "lat0\":49"):
            assert not re.search(rf"(?<![\w.]){re.escape(secret)}", text), (path.name, secret)


def test_open_output_holds_them_so_the_search_can_find(made):
    folder, _ = made
    whole = "".join(text for _, text in texts(folder / "open"))
    for secret in SECRETS[:-1]:
        assert secret in whole, secret


def test_no_column_locates(made):
    folder, _ = made
    for path in (folder / "shared").glob("*.parquet"):
        frame = pd.read_parquet(path)
        for name in frame:
            if LOCATING.match(name) and name != "day":
                assert frame[name].isna().all(), (path.name, name)
            if pd.api.types.is_datetime64_any_dtype(frame[name]) and frame[name].notna().any():
                assert frame[name].max() < pd.Timestamp("1970-01-01T01:30Z"), (path.name, name)


def test_there_is_no_track_file(made):
    folder, _ = made
    assert (folder / "open" / "track.gpx").is_file() and not (folder / "shared" / "track.gpx").exists()


def epochs(value):
    """All numbers of a JSON value."""
    if isinstance(value, dict):
        value = list(value.values())
    if isinstance(value, list):
        return [n for item in value for n in epochs(item)]
    return [float(value)] if isinstance(value, int | float) and not isinstance(value, bool) else []


def test_no_clock_is_in_any_number(made):
    folder, day = made
    start = float(day.t[0])
    for path, text in texts(folder / "shared"):
        if path.name in ("summary.json", "calibration.json"):
            assert all(n < 3e8 for n in epochs(json.loads(text))), path.name
        for digits in (f"{start / 1e5:.0f}", ):
            assert not re.search(rf"(?<![\d.]){digits[:5]}\d{{5}}(?!\d)", text), path.name


def test_no_array_in_the_page_holds_positions_bearings_or_times(made):
    folder, _ = made
    truth = pd.read_parquet(folder / "open" / "samples.parquet")

    def like(values, column):
        known = truth[column].dropna()
        return len(values) > 50 and known.min() - 0.01 <= np.min(values) and np.max(values) <= known.max() + 0.01

    def arrays(where):
        page = own_text(folder / where / "report.html")
        for kind, data in re.findall(r'"dtype":"(\w\d)","bdata":"([^"]*)"', page):
            values = np.frombuffer(base64.b64decode(data), dtype=f"<{kind}").astype(float)
            yield values[np.isfinite(values)]

    shared = list(arrays("shared"))
    assert len(shared) > 10
    for values in shared:
        assert not like(values, "lat") and not like(values, "lon") and not (values > 3e8).any()
    page = own_text(folder / "shared" / "report.html")
    for name in ("hdg_deg", "cog_deg", "twd_deg", "set_deg", "depth_m"):
        assert f'"{name}":' not in page, name
        assert f'"{name}":' in own_text(folder / "open" / "report.html") or name == "depth_m"


def test_the_same_sailing_elsewhere_and_another_way_round_is_shared_as_the_same(tmp_path):
    """The day turned by half a circle about its start, on the other side of the earth, in another year.

    Half a turn about an axis through the equator leaves every distance on the ellipsoid as it is, so whatever
    of the place, the bearings or the date were shared would show as a difference.
    """
    day = sea.simulate(np.random.default_rng(71), hours=0.7, motor_s=60.0, dt=0.2)
    c, step = day.cols, 5
    here = pd.DataFrame({
        "time": pd.to_datetime(day.t, unit="s", utc=True).strftime("%Y-%m-%dT%H:%M:%S.%fZ"), "lat": c["lat"], "lon": c["lon"],
        "sog_kn": c["sog"], "cog_deg": c["cog"], "hdg_deg": c["hdg"], "stw_kn": c["stw"], "awa_deg": c["awa"],
        "aws_kn": c["aws"], "rudder_deg": c["rudder"], "heel_deg": c["heel"]})[::step].round(8)
    there = here.assign(
        time=pd.to_datetime(day.t - 400 * 86400.0 - 7200.0, unit="s", utc=True).strftime("%Y-%m-%dT%H:%M:%S.%fZ")[::step],
        lat=-here["lat"], lon=np.round(170.0 - here["lon"] - 90.0, 8), cog_deg=(here["cog_deg"] + 180.0) % 360,
        hdg_deg=(here["hdg_deg"] + 180.0) % 360)
    for name, log in (("here", here), ("there", there)):
        (tmp_path / f"{name}-logs").mkdir()
        log.to_csv(tmp_path / f"{name}-logs" / "log7.csv", index=False)
        assert main(["day", str(tmp_path / f"{name}-logs"), "--private", "--quiet", "--out", str(tmp_path / name)]) == 0
    for table in ("samples", "maneuvers", "legs", "polar", "targets", "helm"):
        one, two = (pd.read_parquet(tmp_path / w / f"{table}.parquet").drop(columns=["lat", "lon"], errors="ignore")
                    for w in ("here", "there"))
        assert len(one) > 0, table
        pd.testing.assert_frame_equal(one, two, rtol=1e-4, atol=1e-4)
    one, two = (rounded(json.loads((tmp_path / w / "summary.json").read_text())) for w in ("here", "there"))
    assert one == two


def rounded(value):
    """A JSON value with its numbers to three decimals."""
    if isinstance(value, dict):
        return {key: rounded(item) for key, item in value.items()}
    if isinstance(value, list):
        return [rounded(item) for item in value]
    return round(value, 3) if isinstance(value, float) else value


def test_two_runs_are_turned_differently(made, tmp_path):
    folder, _ = made

    def shape(out):
        page = own_text(out / "report.html")
        return re.search(r'"name":"instants".{0,0}', page), re.findall(r'"bdata":"([^"]{200})', page)[:3]

    assert main(["day", str(folder / "evening-log-Skerry.nmea"), "--quiet", "--private", "--out", str(tmp_path / "a")]) == 0
    assert main(["day", str(folder / "evening-log-Skerry.nmea"), "--quiet", "--private", "--out", str(tmp_path / "b")]) == 0
    assert shape(tmp_path / "a")[1] != shape(tmp_path / "b")[1]
    left, right = (pd.read_csv(tmp_path / w / "legs.csv") for w in "ab")
    pd.testing.assert_frame_equal(left, right)


def test_the_same_numbers_of_the_sailing_are_shared(made):
    folder, _ = made
    for name, columns in (("legs", ["stw_kn", "twa_deg", "tws_kn", "polar_ratio"]), ("maneuvers", ["loss_m", "turn_deg"]),
                          ("helm", ["smoothness"]), ("trials", ["gain_kn"])):
        one, two = (pd.read_parquet(folder / w / f"{name}.parquet", columns=columns) for w in ("open", "shared"))
        pd.testing.assert_frame_equal(one, two)
    assert set(pd.read_csv(folder / "shared" / "helm.csv")["helm"].dropna()) <= {"helm 1", "helm 2"}
    assert set(pd.read_csv(folder / "shared" / "trials.csv")["what"]) == {"change 1"}


@pytest.mark.parametrize(("text", "secret"), [
    ("stuck from 14:05 to 14:20 UTC", "14:05"), ("on 2026-05-02 it failed", "2026-05-02"),
    ("at 54.51234, 10.20001", "54.5"), ("54°30.5'N", "54"), ("a current towards 085°", "085"),
    ("a south-westerly breeze", "south"), ("in /home/me/logs/day.nmea", "day"), ("filed 2026-05-02-1000", "1000"),
    ("2 May 2026", "May")])
def test_a_text_is_cleaned(text, secret):
    assert secret not in Cleaner([], 1.75e9).text(text)


def test_the_help_says_what_remains(capsys):
    for verb in ("day", "season"):
        with pytest.raises(SystemExit):
            main([verb, "--help"])
        assert "shape of the sailing relative to the wind" in " ".join(capsys.readouterr().out.split())
