"""Ship's time by hand: offsets from the IANA database's well-known rules."""

from datetime import UTC, datetime

import pytest

from sailanalysis.core.ship_time import ShipTime, keeping, now_kept, ship_time_of, told_s
from sailanalysis.report.page.words import clock, date_words, zone


@pytest.mark.parametrize(("name", "when", "shift_h", "label"), [
    ("Europe/London", "2026-08-08", 1, "BST"), ("Europe/London", "2026-01-08", 0, "GMT"),
    ("Asia/Kathmandu", "2026-08-08", 5.75, "UTC+5:45"), ("America/St_Johns", "2026-01-08", -3.5, "NST"),
    ("America/Sao_Paulo", "2026-08-08", -3, "UTC\u22123"), ("UTC", "2026-08-08", 0, "UTC"),
    ("", "2026-08-08", 0, "UTC"), ("Atlantis/Harbour", "2026-08-08", 0, "UTC"), ("../etc", "2026-08-08", 0, "UTC")])
def test_the_clock_on_board(name, when, shift_h, label):
    ship = ship_time_of(name, datetime.fromisoformat(when).replace(tzinfo=UTC).timestamp())
    assert (ship.shift_s, ship.label) == (3600 * shift_h, label)


def test_times_and_dates_are_told_by_it_and_only_inside_the_block():
    late = datetime(2026, 8, 8, 23, 30, tzinfo=UTC).timestamp()
    with keeping(ShipTime("Europe/Paris", 7200.0, "CEST")):
        assert (clock(late), date_words(late), zone()) == ("01:30:00", "Sunday 9 August 2026", "CEST")
        assert told_s(0.0) == 7200.0
    assert (clock(late), zone(), now_kept().shift_s) == ("23:30:00", "UTC", 0.0)
