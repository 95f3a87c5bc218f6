import pytest

from sailanalysis.report.page import words


@pytest.mark.parametrize(("lat", "lon", "said"), [
    (54.2, 10.075, "54°12.0′N 010°04.5′E"), (-33.85, -151.2, "33°51.0′S 151°12.0′W"),
    (0.99999, 179.99999, "01°00.0′N 180°00.0′E"), (float("nan"), 3.0, "")])
def test_positions(lat, lon, said):
    assert words.position(lat, lon) == said


@pytest.mark.parametrize(("seconds", "said"), [
    (0, "0 s"), (42.4, "42 s"), (99.4, "99 s"), (100, "2 min"), (3599, "1 h 00 min"), (9000, "2 h 30 min"),
    (float("nan"), "unknown"), (None, "unknown")])
def test_durations(seconds, said):
    assert words.duration(seconds).replace("\u202f", " ") == said


def test_estimates_travel_with_their_interval():
    assert words.interval(12.34, 8.0, 17.2, "m", 0) == "12\u202fm (8 to 17)"
    assert words.interval(float("nan"), 1, 2, "m") == "unknown"
    assert words.interval(5.0, None, None, "kn") == "5.0\u202fkn (interval unknown)"
    assert words.number(-0.04, 1) == "0.0"
    assert words.number(-3.26, 1) == "−3.3"


def test_small_words():
    assert words.count(0, "tack") == "no tacks"
    assert words.count(1, "entry", "entries") == "1 entry"
    assert words.listed(["a", "", "b", "c"]) == "a, b and c"
    assert words.bearing(359.7) == "000°"
    assert words.clock(1_750_000_000.9) == "15:06:40"
    assert words.date_words(1_750_000_000) == "Sunday 15 June 2025"
