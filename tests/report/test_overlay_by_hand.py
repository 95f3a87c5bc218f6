"""The overlay of turns: which side is drawn up, what stands out, by hand."""

import numpy as np
import pandas as pd
import pytest
from pytest import approx
from seas.toy import ramp, toy_log

from sailanalysis.core.model import Boat
from sailanalysis.figures.maneuvers import overlay_figure, standing_out
from sailanalysis.figures.track import classes
from sailanalysis.maneuvers import find_maneuvers

T = np.arange(0.0, 700.0)


def column(figure, name):
    """The traces of one panel, in the order drawn."""
    panels = [note["text"] for note in figure["layout"]["annotations"]]
    number = next(k for k, text in enumerate(panels, start=1) if name in text)
    return [t for t in figure["data"] if t["yaxis"] == "y" + (str(number) if number > 1 else "")]


@pytest.fixture(scope="module")
def two_tacks():
    # Starboard to port at 200 s, back at 500 s: the turns are mirror images.
    heading = np.where(T < 400, ramp(T, 200, 212, 318, 402), ramp(T, 500, 512, 402, 318))
    samples = toy_log(heading, 6.0)
    samples["rate_of_turn_deg_s"] = np.gradient(heading)
    table = find_maneuvers(samples, Boat())
    assert table["from_side"].tolist() == ["starboard", "port"]
    return samples, table.assign(rated=True, loss_m=[10.0, 20.0])


def test_the_old_side_is_drawn_positive_and_the_turn_up(two_tacks):
    samples, table = two_tacks
    figure = overlay_figure(samples, table, ["a", "b"])
    for trace in column(figure, "wind angle"):
        y = np.asarray(trace["y"], dtype=float)
        x = trace["x0"] + trace["dx"] * np.arange(y.size)
        assert y[np.argmin(np.abs(x + 15.0))] == approx(42.0, abs=0.5)
        assert y[np.argmin(np.abs(x - 20.0))] == approx(-42.0, abs=0.5)
    for trace in column(figure, "turn"):
        y = np.asarray(trace["y"], dtype=float)
        assert np.nanmax(y) == approx(7.0, abs=0.3) and np.nanmin(y) > -0.3


def test_the_cheapest_stands_out_and_is_drawn_last(two_tacks):
    samples, table = two_tacks
    assert standing_out(table) == (0, None)  # of two there is no median
    figure = overlay_figure(samples, table, ["a", "b"])
    names = [trace["name"] for trace in column(figure, "wind angle")]
    assert names == ["b", "best"]
    assert [t["showlegend"] for t in figure["data"] if t["name"] == "best"].count(True) == 1


@pytest.mark.parametrize(("loss", "rated", "out"), [
    ([5.0, 3.0, 4.0], [True] * 3, (1, 2)), ([5.0, 3.0, 4.0], [True, False, True], (2, None)),
    ([1.0, 2.0, 3.0, 4.0], [True] * 4, (0, 1)), ([np.nan, np.nan], [True] * 2, (None, None))])
def test_cheapest_and_median_of_the_rated(loss, rated, out):
    assert standing_out(pd.DataFrame({"loss_m": loss, "rated": rated})) == out


def test_classes_of_the_polar_s_share_have_their_borders():
    samples = toy_log(np.full(301, 318.0), 6.0)
    share = np.repeat([0.79, 0.81, 0.91, 0.93, 0.99, 1.01, 1.07, 1.09], 40)[:301]
    code, keys = classes(samples, "share", share)
    middle = code[20::40][:7]
    assert middle.tolist() == [0, 1, 1, 2, 2, 3, 3]
    assert len(keys) == 5 and all(key["dash"] == "solid" for key in keys)


def test_states_keep_their_order_and_their_dashes():
    samples = toy_log(np.full(30, 318.0), 6.0)
    samples["state"] = ["stopped"] * 10 + ["sailing"] * 15 + ["motoring"] * 5
    code, keys = classes(samples, "state")
    assert [(k["label"], k["dash"]) for k in keys] == [
        ("sailing", "solid"), ("motoring", "dash"), ("stopped", "dot")]
    assert code.tolist() == [2] * 10 + [0] * 15 + [1] * 5
