"""What the example's report is made of, section by section: a block that drops out is an error."""

import dataclasses

import pytest

from sailanalysis.app.pipeline import analyse
from sailanalysis.app.shipped import example_folder
from sailanalysis.day import Studies
from sailanalysis.report import day_sections
from sailanalysis.report.page.sections import Table, figures_of

PINNED = {
    "day": (("track", "strips"), ("states",)),
    "ledger": (("ledger",), ("ledger",)),
    "tomorrow": ((), ("exercises",)),
    "maneuvers": (
        ("loss-tack", "overlay-tack", "windup-tack", "loss-gybe", "overlay-gybe", "windup-gybe", "parts-tack", "parts-gybe"),
        ("maneuvers", "mean-costs", "anatomy", "work")),
    "legs": ((), ("legs",)),
    "polar": (("polar", "curves", "coverage"), ("targets", "sets", "polar-cells")),
    "helm": (("helm-scores", "minutes-jonas", "minutes-marit", "minutes-autopilot"),
             ("helm", "weather-helm", "anticipation")),
    "trials": (("trials",), ("trials", "pooled")),
    "instruments": (("before-after", "deviation", "current"),
                    ("calibration", "before-after", "health", "lags", "asymmetry", "sources", "left-out")),
    "notes": ((), ("crew",)),
    "inputs": ((), ("files", "findings"))}
"""Figures and tables by section, in order."""


@pytest.fixture(scope="session")
def example():
    folder = example_folder()
    return analyse(sorted((folder / "logs").iterdir()), boat=folder / "boat.toml", crew_log=folder / "crew.csv")


def keys(section):
    return (tuple(f.key for f in figures_of(section)), tuple(b.key for b in section.blocks if isinstance(b, Table)))


def test_every_block_of_the_example_is_there(example):
    made = {section.key: keys(section) for section in day_sections(example)}
    assert made == PINNED


def test_a_day_without_its_studies_still_has_every_section(example):
    bare = dataclasses.replace(example, results=Studies())
    made = {section.key: keys(section) for section in day_sections(bare)}
    assert list(made) == list(PINNED)
    for key, (figures, tables) in made.items():
        assert set(figures) <= set(PINNED[key][0]) and set(tables) <= set(PINNED[key][1])


def test_a_day_tells_itself_in_a_line(example):
    assert len(repr(example)) < 250 and "14 tacks" in repr(example).replace("tacks 14", "14 tacks")
    assert len(repr(example.results)) < 250
    page = example._repr_html_()
    assert page.startswith("<table>") and "Quiet Fathom" in page and len(page) < 1500


def test_a_boat_of_markup_is_shown_as_text(example):
    evil = dataclasses.replace(example, boat=dataclasses.replace(example.boat, name="<script>x</script>"))
    assert "<script>" not in evil._repr_html_()
