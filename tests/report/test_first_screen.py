"""The first screen: which finding comes first, which places are worth a look, today against the usual day."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pandas as pd
import pytest
from made_day import made_day

from sailanalysis.day import UsualFigure
from sailanalysis.report.day.head import day_head
from sailanalysis.report.day.order import MOST, filled, place_of, ranked
from sailanalysis.report.day.places import places_of
from sailanalysis.report.day.sections import facts_of, sections_of
from sailanalysis.report.page.sections import Headline, Section
from sailanalysis.season.usual_day import day_scores, usual_figures


def section(key, *headlines):
    return Section(key, key.title(), f"Verdict of {key}.", headlines=headlines)


# ------------------------------------------------------------------ order
def test_minutes_times_sureness_come_before_what_has_no_price():
    parts = [section("a", Headline("no price", 80.0)),
             section("b", Headline("4 min, half sure", 10.0, 4.0, 0.5)),
             section("c", Headline("3 min, sure", 10.0, 3.0, 1.0)),
             section("d", Headline("moot", 95.0))]
    assert [text for text, _ in ranked(parts)] == ["moot", "3 min, sure", "4 min, half sure", "no price"]


def test_seconds_have_no_place_among_minutes():
    assert place_of(Headline("", 50.0, 0.19))[0] == 3 and place_of(Headline("", 50.0, 0.2))[0] == 2


def test_two_of_one_part_and_five_in_all():
    parts = [section(key, *(Headline(f"{key}{n}", 50.0 - n) for n in range(4))) for key in "abcd"]
    out = ranked(parts)
    assert len(out) == MOST == 5 and max([key for _, key in out].count(k) for k in "abcd") == 2


def test_a_part_with_a_place_of_its_own_gives_no_finding_besides():
    told = dataclasses.replace(section("a", Headline("twice", 80.0)), glance=("Once.",))
    assert ranked([told, section("b", Headline("other", 10.0))]) == [("other", "b")]


def test_a_thin_day_is_filled_with_verdicts_not_told_yet():
    parts = [section("a", Headline("told", 50.0)), section("b"), section("c")]
    assert filled(ranked(parts), parts, ("a", "b", "c")) == [
        ("told", "a"), ("Verdict of b.", "b"), ("Verdict of c.", "c")]


# ------------------------------------------------------------------ places
def with_losses(losses, half):
    day = made_day()
    table = day.maneuvers.iloc[:len(losses)].assign(
        kind="tack", rated=True, loss_m=losses, loss_m_low=np.array(losses) - half, loss_m_high=np.array(losses) + half)
    return facts_of(dataclasses.replace(day, maneuvers=table))


def test_the_dearest_and_the_best_tack_are_the_first_places():
    places = places_of(with_losses([20.0, 45.0, 9.0, 21.0], 4.0))
    assert [p.name.split(" \u00b7")[0] for p in places[:2]] == ["tack 2", "tack 3"]
    assert places[0].why == "45\u202fm, the dearest" and len(places) == 3


def test_tacks_that_cannot_be_told_apart_are_no_places():
    assert not [p for p in places_of(with_losses([20.0, 24.0, 19.0], 9.0)) if p.name.startswith("tack")]


def test_a_day_without_turns_and_trials_shows_legs():
    day = made_day()
    day = dataclasses.replace(day, maneuvers=day.maneuvers.iloc[:0], trials=day.trials.iloc[:0])
    assert all(p.name.startswith("leg") for p in places_of(facts_of(day)))
    assert len(places_of(facts_of(dataclasses.replace(day, legs=day.legs.iloc[:0])))) == 0


# ------------------------------------------------------------------ the usual day
def test_a_day_in_a_few_numbers():
    table = pd.DataFrame({"kind": ["tack", "tack", "tack", "gybe"], "rated": [True, True, False, False],
                          "loss_s": [4.0, 8.0, 90.0, 5.0]})
    assert day_scores(table, 7200.0, 11.5) == {"sailing_h": 2.0, "distance_nm": 11.5, "tack_loss_s": 6.0}


def test_today_beside_the_middle_half_of_the_earlier_days():
    figure, = usual_figures({"tack_loss_s": 9.0}, [{"tack_loss_s": v} for v in (4.0, 5.0, 6.0, 7.0, 8.0)])
    assert (figure.low, figure.middle, figure.high, figure.least, figure.most, figure.days) == (5, 6, 7, 4, 8, 5)


def test_two_earlier_days_have_no_usual():
    assert usual_figures({"tack_loss_s": 9.0}, [{"tack_loss_s": 5.0}] * 2) == ()


@pytest.mark.parametrize(("today", "words", "way"), [
    (9.0, "more than usual", "worse"), (3.0, "less than usual", "better"), (6.5, "as usual", "")])
def test_a_dear_day_is_worse_and_a_cheap_one_better(today, words, way):
    day = made_day()
    usual = (UsualFigure("tack_loss_s", today, 5.0, 6.0, 7.0, 4.0, 8.0, 5),)
    facts = facts_of(dataclasses.replace(day, results=dataclasses.replace(day.results, usual=usual)))
    mark, = day_head(facts, sections_of(facts)).usual
    assert (mark.words, mark.way) == (words, way)
    assert 0 <= mark.place(mark.figure.low) < mark.place(mark.figure.high) <= 100


# ------------------------------------------------------------------ the drawing
def test_the_drawn_map_holds_track_and_three_numbered_places():
    facts = facts_of(made_day())
    head = day_head(facts, sections_of(facts))
    assert head.overview.count('class="spot"') == len(head.places) == 3
    points = [tuple(map(float, p.split(","))) for p in re.findall(r"-?\d+,-?\d+", head.overview)]
    assert len(points) > 50 and all(0 <= x <= 6000 and 0 <= y <= 6000 for x, y in points)


def test_a_day_without_positions_has_no_map():
    day = made_day()
    samples = day.samples.assign(lat=np.nan, lon=np.nan)
    facts = facts_of(dataclasses.replace(day, samples=samples))
    assert day_head(facts, sections_of(facts)).overview == ""
