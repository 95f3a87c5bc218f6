"""One simulated day in every stamped form reads as one: the same numbers within resolution."""

import numpy as np
import pytest
from simulator import (
    Leg,
    Scenario,
    simulate_day,
    write_csv,
    write_gpx,
    write_nmea2000,
    write_signalk,
)

from sailanalysis.core.angles import wrap180
from sailanalysis.core.channels import is_circular
from sailanalysis.read import read_logs

# Half the last digit of each form's coarsest spelling (0183 and CSV: a tenth), doubled for time
# stamps that are rounded while the value moves.
RESOLUTION = {"awa_deg": 0.5, "hdg_mag_deg": 0.3, "rudder_deg": 0.3, "heel_deg": 0.3,
              "stw_kn": 0.1, "aws_kn": 0.15, "sog_kn": 0.15, "cog_deg": 1.5, "depth_m": 0.11,
              "lat": 3e-5, "lon": 3e-5}


@pytest.fixture(scope="module")
def day():
    return simulate_day(Scenario(legs=(Leg("beat", 420.0), Leg("run", 180.0))), 3)


@pytest.fixture(scope="module")
def reference(day):
    return dict(day.logged.items())


WRITERS = {
    "candump.log": lambda day, path: write_nmea2000(day, path),
    "comma.log": lambda day, path: write_nmea2000(day, path, form="comma", whole_fast=True),
    "log.csv": lambda day, path: write_csv(day, path, rate_hz=10.0),
    "semicolon.csv": lambda day, path: write_csv(day, path, rate_hz=10.0, delimiter=";",
                                                 decimal=",", time_form="epoch"),
    "deltas.jsonl": lambda day, path: write_signalk(day, path),
    "track.gpx": lambda day, path: write_gpx(day, path),
}


@pytest.mark.parametrize("name", WRITERS)
def test_every_form_gives_the_logged_values(day, reference, name, tmp_path):
    path = tmp_path / name
    WRITERS[name](day, path)
    raw = read_logs([path], date="2026-06-14")
    (report,) = raw.inputs
    assert report.lines == report.used + sum(report.rejected.values())
    assert sum(report.rejected.values()) == 0
    compared = 0
    for stream in raw.streams:
        if stream.channel not in RESOLUTION or stream.channel not in reference:
            continue
        if stream.source == "gpx positions":
            continue
        time, value = reference[stream.channel]
        good = np.isfinite(value)
        time, value = np.asarray(time)[good], np.asarray(value)[good]
        at = np.clip(np.searchsorted(time, stream.time_s + 1e-3) - 1, 0, time.size - 2)
        # the logged sample just before or just after
        candidates = np.stack([value[at], value[at + 1], value[np.maximum(at - 1, 0)]])
        difference = candidates - stream.value
        if is_circular(stream.channel):
            difference = wrap180(difference)
        worst = np.percentile(np.abs(difference).min(axis=0), 95)
        assert worst < RESOLUTION[stream.channel], (stream.channel, stream.source, worst)
        compared += 1
    assert compared >= (2 if name.endswith("gpx") else 6)


def test_two_forms_of_one_day_with_a_wrong_clock_are_put_together(day, tmp_path):
    write_gpx(day, tmp_path / "phone.gpx")
    write_nmea2000(day, tmp_path / "bus.log", form="comma")
    text = (tmp_path / "bus.log").read_text()
    # the recorder's clock is an hour slow and the bus carries no satellite time
    lines = [line.replace("T13:", "T12:").replace("T12:", "T11:") if "T13:" not in line else
             line.replace("T13:", "T12:") for line in text.splitlines()
             if line.split(",")[2] not in ("126992", "129029", "129033")]
    (tmp_path / "bus.log").write_text("\n".join(lines))
    raw = read_logs([tmp_path])
    assert "clock-aligned" in [f.code for f in raw.findings]
    spans = {s.source: (s.time_s[0], s.time_s[-1]) for s in raw.streams}
    (bus,) = [span for source, span in spans.items() if source.endswith("129026")]
    phone = spans["gpx"]
    assert bus[0] == pytest.approx(phone[0], abs=5.0) and bus[1] == pytest.approx(phone[1], abs=5.0)
