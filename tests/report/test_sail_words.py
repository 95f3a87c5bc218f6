"""Crossovers in sentences."""

import pandas as pd

from sailanalysis.polar.crossovers import RANGE_COLUMNS
from sailanalysis.report.season.sail_words import crossover_sentences, not_worth


def table(*rows):
    return pd.DataFrame(rows, columns=list(RANGE_COLUMNS))


KITE = ("main+kite", "main+jib", 8.0, 14.0, 120.0, 155.0, 70.2, 100.7, 0.61)
JIB = ("main+jib", "main+kite", 10.0, 16.0, 70.0, 95.0, 35.4, 49.6, 0.33)


def test_two_sides_of_a_crossover_are_one_sentence():
    assert crossover_sentences(table(JIB, KITE)) == [
        "In 10 to 14 kn main+kite from about 120 to 155° (apparent 70 to 101°), main+jib at "
        "70 to 95° (apparent 35 to 50°); between, no difference shown."]


def test_a_side_alone_says_by_how_much():
    lone = table((*KITE[:2], 12.0, 12.0, 140.0, 140.0, 88.0, 88.0, 0.61))
    assert crossover_sentences(lone) == ["In 12 kn main+kite beats main+jib at 140° (apparent 88°), by 0.6 kn."]


def test_winds_that_do_not_meet_are_told_apart():
    far = table(KITE, (*JIB[:2], 18.0, 20.0, *JIB[4:]))
    assert len(crossover_sentences(far)) == 2
    assert len(crossover_sentences(pd.concat([far] * 5), 6)) == 6


def test_pairs_without_a_difference():
    assert not_worth(["main+kite", "main+jib", "main+code"], table(KITE)) == [
        "main+code and main+jib", "main+code and main+kite"]
    assert crossover_sentences(table()) == [] and not_worth(["main"], table()) == []
