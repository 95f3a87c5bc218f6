"""Work on board and what goes wrong, each found as one event and named for what it was."""

import numpy as np
import pytest
from benchmarks.bench_turns import NAMED, bounded_right, rows_of
from seas.toy import ramp, seconds, toy_log

from sailanalysis.core.model import Boat
from sailanalysis.maneuvers import find_maneuvers
from sailanalysis.maneuvers.reasons import What

T = np.arange(0.0, 600.0)


def fall(start, end, to_kn, build_s=8.0, kn=6.0):
    """Six knots, falling to another speed and back over some seconds."""
    held = ramp(T, start, start + 6.0, kn, to_kn)
    return np.where(end > T, held, kn - (kn - to_kn) * np.exp(-(T - end) / build_s))


def found(heading, speed, **more):
    table = find_maneuvers(toy_log(heading, speed, **more), Boat())
    return [(kind, what) for kind, what in zip(table["kind"], table["what"], strict=True)], table


def test_lowering_a_board_close_hauled_is_a_luff():
    # From 42 to 30 deg off the wind: not head to wind, but slow and back on the course.
    heading = ramp(T, 300, 305, 318, 330) - ramp(T, 330, 335, 0, 12)
    kinds, table = found(heading, fall(302, 332, 3.0))
    assert kinds == [("luff", What.PLAIN)]
    assert 292 <= seconds(table["start"].iloc[0]) <= 306 and 328 <= seconds(table["end"].iloc[0]) <= 345


def test_a_halyard_on_a_reach_is_work_without_any_turn():
    assert found(np.full(T.size, 265.0), fall(300, 325, 3.0))[0] == [("luff", What.SLOWED)]
    # A quarter of the speed gone for as long may be the sea: nothing is said.
    assert found(np.full(T.size, 265.0), fall(300, 325, 4.5))[0] == []


def test_a_lull_is_no_work():
    tws = np.where((T > 300) & (T < 330), 5.0, 10.0)
    assert found(np.full(T.size, 318.0), 0.5 * tws, tws_kn=tws)[0] == []


def test_an_hour_slow_is_no_luff():
    assert found(np.full(T.size, 265.0), np.where((T > 100) & (T < 500), 2.0, 6.0))[0] == []


def test_a_gybe_that_rounds_up_is_one_event():
    # 150 deg off on starboard, gybed to 150 on port, up to 60, slow for 25 s, and down again.
    heading = ramp(T, 300, 310, 210, 150) - ramp(T, 311, 316, 0, 90) + ramp(T, 341, 350, 0, 90)
    kinds, table = found(heading, fall(312, 342, 2.0))
    assert kinds == [("gybe", What.BROACH)]
    assert seconds(table["crossing"].iloc[0]) == pytest.approx(305.0, abs=1.5)
    assert seconds(table["end"].iloc[0]) >= 345


def test_a_broach_without_a_gybe_is_named_too():
    heading = 210.0 + ramp(T, 300, 305, 0, 90) - ramp(T, 330, 340, 0, 90)
    assert found(heading, fall(302, 332, 2.0))[0] == [("luff", What.BROACH)]


def test_going_round_by_a_tack_begins_with_the_luffing_up():
    # From 150 deg on starboard up to 50, through the wind to 50 on port, down to 150.
    heading = 210.0 + ramp(T, 300, 310, 0, 100) + ramp(T, 325, 335, 0, 100) + ramp(T, 348, 360, 0, 100)
    kinds, table = found(heading, fall(325, 340, 3.0))
    assert kinds == [("tack", What.INSTEAD_OF_A_GYBE)]
    assert seconds(table["start"].iloc[0]) <= 305 and seconds(table["end"].iloc[0]) >= 353
    assert abs(table["twa_before_deg"].iloc[0]) > 140 and abs(table["twa_after_deg"].iloc[0]) > 140


def test_round_again_with_a_stop_is_one_circle():
    heading = 318.0 + ramp(T, 300, 310, 0, 90) + ramp(T, 350, 375, 0, 270)
    kinds, table = found(heading, fall(310, 350, 0.5))
    assert kinds == [("circle", What.ROUND_WITH_A_STOP)]
    assert seconds(table["end"].iloc[0]) >= 372
    assert found(318.0 + ramp(T, 300, 330, 0, 360), 5.0)[0] == [("circle", What.ONCE_ROUND)]


def test_maneuvers_do_not_overlap():
    heading = 318.0 + ramp(T, 300, 312, 0, 84) - ramp(T, 326, 338, 0, 84) + ramp(T, 352, 364, 0, 84)
    table = found(heading, 5.0)[1]
    assert len(table) >= 2
    assert (table["start"].to_numpy()[1:] >= table["end"].to_numpy()[:-1]).all()


@pytest.mark.slow
def test_events_of_sailed_days_are_found_whole_and_named():
    rows = rows_of(list(range(8000, 8008)), mishaps=True)
    rows = rows[rows["what"].isin(NAMED)]
    right = [bounded_right(row) for row in rows.itertuples()]
    shares = rows.assign(right=right).groupby("what")["right"].agg(["mean", "size"])
    assert shares.loc["luff", "mean"] >= 0.7  # a heavy boat in 7 kn hardly slows
    assert shares.loc[["broach", "chicken gybe"], "mean"].min() >= 0.9
    assert np.average(shares["mean"], weights=shares["size"]) >= 0.9
