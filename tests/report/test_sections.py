"""Sections of a hand-made day: what they say, what they admit not to know, what they hide."""

from __future__ import annotations

import dataclasses
import itertools
import json
import re
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
from made_day import made_day, made_samples

from sailanalysis.helm.rate import HelmResult
from sailanalysis.maneuvers.compare import median_interval
from sailanalysis.report import day_sections, write_day_report
from sailanalysis.report.day.head import day_head
from sailanalysis.report.day.sections import facts_of, sections_of
from sailanalysis.report.page.render import render
from sailanalysis.report.page.sections import Section, Table, View, figures_of

EVIL = '<script>window.hurt=1</script>"\'</style></script><img src=x onerror=window.hurt=1>'


@pytest.fixture(scope="module")
def day():
    return made_day()


@pytest.fixture(scope="module")
def sections(day):
    return day_sections(day)


def by_key(sections, key):
    return next(s for s in sections if s.key == key)


def test_a_full_day_has_every_section_once(sections):
    keys = [s.key for s in sections]
    assert keys == ["day", "ledger", "tomorrow", "maneuvers", "legs", "polar", "helm", "trials", "instruments", "notes", "inputs"]
    for section in sections:
        assert isinstance(section, Section) and section.verdict.endswith((".", "?")), section.verdict


def test_sections_are_frozen_and_show_themselves(sections):
    with pytest.raises(dataclasses.FrozenInstanceError):
        sections[0].title = "other"
    assert "<section" in sections[0]._repr_html_()
    assert "kB" in repr(sections[0])


def test_every_figure_is_valid_plotly_with_alt_text_and_caption(sections):
    for section in sections:
        for figure in figures_of(section):
            assert figure.alt and figure.caption.rstrip().endswith("."), figure.key
            figure.plotly()  # plotly raises on any unknown property


def test_no_webgl_traces(sections):
    kinds = {t["type"] for s in sections for f in figures_of(s) for t in f.spec["data"]}
    assert not {k for k in kinds if k.endswith("gl")}


def test_headline_numbers_are_computed(day):
    tacks = day.maneuvers[(day.maneuvers.kind == "tack") & day.maneuvers.rated]
    section = by_key(day_sections(day), "maneuvers")
    assert f"the median tack lost {tacks.loss_m.median():.0f}" in section.verdict
    doubled = dataclasses.replace(day, maneuvers=day.maneuvers.assign(
        loss_m=2 * day.maneuvers.loss_m, loss_m_low=2 * day.maneuvers.loss_m_low,
        loss_m_high=2 * day.maneuvers.loss_m_high))
    other = by_key(day_sections(doubled), "maneuvers")
    assert f"the median tack lost {2 * tacks.loss_m.median():.0f}" in other.verdict


def test_unrated_maneuvers_show_no_loss_but_their_reason(sections):
    table = next(b for b in by_key(sections, "maneuvers").blocks if isinstance(b, Table))
    unrated = [r for r in table.rows if not r["rated"]]
    assert unrated and all(np.isnan(r["loss_m"]) and "shifted" in r["remark"] for r in unrated)


def test_first_screen_has_three_to_five_findings_that_link(day):
    facts = facts_of(day)
    sections = sections_of(facts)
    head = day_head(facts, sections)
    assert 3 <= len(head.findings) <= 5
    assert {key for _, key in head.findings} <= {s.key for s in sections}
    assert head.title == "Sunday 15 June 2025"
    assert "Made Up" in head.subtitle and "54°30" in head.subtitle
    assert {f[0]: f[1] for f in head.facts}["Motored"].startswith("4")


def with_study(day, difference, low, high):
    """The day with a helming study of two helms whose difference is given."""
    by_helm = pd.DataFrame([{"helm": h, "minutes": 10.0, "smoothness": v, "smoothness_low": v - 6,
                             "smoothness_high": v + 6, "sentence": ""} for h, v in (("Ada", 52.0), ("Jonas", 50.0))])
    comparisons = pd.DataFrame([{"helm": "Ada", "other": "Jonas", "difference": difference, "low": low, "high": high}])
    study = HelmResult(rows=day.helm, by_helm=by_helm, comparisons=comparisons, windows=pd.DataFrame())
    return dataclasses.replace(day, results=dataclasses.replace(day.results, helm=study))


def test_overlapping_helms_are_not_ranked(day):
    verdict = by_key(day_sections(with_study(day, 2.0, -3.0, 7.0)), "helm").verdict
    assert "no difference" in verdict and "more smoothly" not in verdict


@pytest.mark.parametrize(("sign", "first", "second"), [(1, "Ada", "Jonas"), (-1, "Jonas", "Ada")])
def test_the_smoother_helm_is_named_first(day, sign, first, second):
    low, high = sorted((sign * 2.0, sign * 7.0))
    verdict = by_key(day_sections(with_study(day, sign * 4.0, low, high)), "helm").verdict
    assert f"{first} steered more smoothly than {second} by 4\u202fpoints (2 to 7)" in verdict


@pytest.mark.parametrize("n", [6, 7, 10, 20, 45])
def test_median_interval_matches_the_binomial(n):
    # Order statistics that cover the median with at least 95 %: checked against scipy's binomial.
    from scipy.stats import binom

    _, low, high = median_interval(np.arange(1.0, n + 1))
    k = int(low)
    assert high == n + 1 - k
    assert binom.cdf(k - 1, n, 0.5) <= 0.025 < binom.cdf(k, n, 0.5)


def test_five_values_carry_no_interval_of_the_median():
    assert np.isnan(median_interval(np.arange(5.0))[1:]).all()


# ------------------------------------------------------------------ days that lack things
def stripped(day, **change):
    return dataclasses.replace(day, **change)


def empty(table: pd.DataFrame) -> pd.DataFrame:
    return table.iloc[:0]


def test_a_bare_track_gives_a_calm_report(day, tmp_path):
    samples = made_samples().copy()
    for name in samples.columns:
        if name not in ("lat", "lon", "sog_kn", "cog_deg", "state", "helm", "sails"):
            samples[name] = np.nan
    samples["helm"] = samples["sails"] = ""
    bare = stripped(day, samples=samples, maneuvers=empty(day.maneuvers), legs=empty(day.legs),
                    polar=empty(day.polar), targets=empty(day.targets), helm=empty(day.helm),
                    trials=empty(day.trials), calibration={}, wind_source="none", crew=type(day.crew)())
    sections = day_sections(bare)
    assert "Without any wind" in by_key(sections, "maneuvers").verdict
    assert "boat speed through the water is not known" in by_key(sections, "polar").verdict
    assert "could not be judged" in by_key(sections, "helm").verdict
    write_day_report(bare, tmp_path)
    assert (tmp_path / "report.html").stat().st_size < 8e6


def test_no_positions_and_one_sample(day, tmp_path):
    samples = made_samples()
    samples[["lat", "lon"]] = np.nan
    section = by_key(day_sections(stripped(day, samples=samples)), "day")
    assert next(b for b in section.blocks if isinstance(b, View)).track is None
    one = stripped(day, samples=made_samples().iloc[:1], maneuvers=empty(day.maneuvers), legs=empty(day.legs),
                   helm=empty(day.helm), trials=empty(day.trials))
    write_day_report(one, tmp_path)


def test_a_day_of_motoring_says_so(day):
    samples = made_samples().assign(state="motoring")
    day = stripped(day, samples=samples, maneuvers=empty(day.maneuvers), legs=empty(day.legs),
                   summary={**day.summary, "sailing_s": 0.0, "motoring_s": 5400.0, "stopped_s": 0.0})
    assert "nothing was sailed" in by_key(day_sections(day), "day").verdict


@pytest.mark.parametrize("lon0", [10.0, 179.99, -179.99])
@pytest.mark.parametrize("lat0", [0.0, 54.0, -89.0])
def test_the_track_draws_anywhere_on_earth(day, lat0, lon0):
    samples = made_samples()
    samples["lat"] += lat0 - 54.5
    samples["lon"] = (samples["lon"] - 10.2 + lon0 + 180) % 360 - 180
    section = by_key(day_sections(stripped(day, samples=samples)), "day")
    spec = section.figure("track").spec
    x = spec["layout"]["xaxis"]["range"]
    assert x[1] - x[0] < 3e6
    section.figure("track").plotly()


# ------------------------------------------------------------------ hostile text
class Markup(HTMLParser):
    def __init__(self):
        super().__init__()
        self.scripts, self.handlers, self.images = [], [], 0
        self._in = False

    def handle_starttag(self, tag, attrs):
        attrs = dict(attrs)
        self.handlers += [k for k in attrs if k.startswith("on")]
        self.images += tag == "img"
        if tag == "script":
            self.scripts.append(attrs)


def evil_day():
    return made_day(helm=EVIL, sails=EVIL, note=EVIL, file=EVIL, boat=EVIL, message=EVIL, trim=EVIL)


def test_hostile_text_stays_text(tmp_path):
    write_day_report(evil_day(), tmp_path)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    # plotly's own script is taken out: it holds markup in its strings.
    from sailanalysis.report.page.render import plotly_script
    page = page.replace(plotly_script(), "")
    parser = Markup()
    parser.feed(page)
    assert not parser.handlers and not parser.images
    nonce = re.search(r"script-src 'nonce-([^']+)'", page).group(1)
    for script in parser.scripts:
        assert script.get("type") == "application/json" or script.get("nonce") == nonce
    assert "<script>window.hurt" not in page


def test_the_notebook_is_one_by_the_format_s_own_library(day, tmp_path):
    import nbformat

    write_day_report(day, tmp_path)
    text = (tmp_path / "report.ipynb").read_text(encoding="utf-8")
    book = nbformat.reads(text, as_version=4)
    nbformat.validate(book)
    assert nbformat.writes(book) + "\n" == text


def test_hostile_text_in_the_notebook_is_inert_markdown(tmp_path):
    write_day_report(evil_day(), tmp_path)
    book = json.loads((tmp_path / "report.ipynb").read_text(encoding="utf-8"))
    for cell in book["cells"]:
        text = "".join(cell["source"])
        if cell["cell_type"] == "markdown":
            assert "<" not in text
        else:
            assert "hurt" not in text


# ------------------------------------------------------------------ privacy
def test_private_leaves_out_places_files_notes_and_the_boat(day, tmp_path):
    write_day_report(day, tmp_path, private=True)
    page = (tmp_path / "report.html").read_text(encoding="utf-8")
    from sailanalysis.report.page.render import plotly_script
    page = page.replace(plotly_script(), "")
    for secret in ("harbour-evening", "Grey Point", "Made Up", "54°", "010°", "54.5"):
        assert secret not in page, secret
    assert "log 1" in page


def test_private_keeps_shape_and_distances_and_turns(day):
    from sailanalysis.figures.chart import chart_of, positions
    from sailanalysis.report.private import private_day

    def path(d):
        lat, lon = positions(d.samples)
        x, y = chart_of(lat, lon, private=True).xy(lat, lon)
        return x, y

    x0, y0 = path(day)
    x1, y1 = path(private_day(day, 90.0))
    shared = private_day(day, 90.0).samples
    assert abs(shared["lat"].iloc[0]) < 1e-9 and abs(shared["lon"].iloc[0]) < 1e-9
    # A turn by 90 degrees clockwise sends north to east; the sphere against the ellipsoid: 0.7 %.
    np.testing.assert_allclose(x1, y0, rtol=0.01, atol=5)
    np.testing.assert_allclose(y1, -x0, rtol=0.01, atol=5)
    assert shared[["twd_deg", "hdg_deg", "cog_deg", "set_deg", "drift_kn", "depth_m"]].isna().all(axis=None)


# ------------------------------------------------------------------ the page
def test_the_page_asks_the_network_for_nothing(day):
    facts = facts_of(day)
    sections = sections_of(facts)
    page = render(sections, day_head(facts, sections), plotly_beside=True)
    assert not re.search(r"(?:src|href)=[\"'](?:https?:)?//", page)
    assert "default-src 'none'" in page and "connect-src 'none'" in page
    assert page.count('src="plotly.min.js"') == 1
    inside = render(sections, day_head(facts, sections))
    assert inside.count("plotly.js v") == 1 and 'src="plotly.min.js"' not in inside


def test_terms_are_explained_once_at_first_use(sections, day):
    facts = facts_of(day)
    page = render(sections, day_head(facts, sections), plotly_beside=True)
    assert page.count("<dt>VMG</dt>") == 1
    assert page.index("<dt>VMG</dt>") < page.index('id="h-instruments"')


def test_headings_descend_one_level_at_a_time(sections, day):
    facts = facts_of(day)
    page = render(sections, day_head(facts, sections), plotly_beside=True)
    levels = [int(n) for n in re.findall(r"<h([1-6])", page)]
    assert levels[0] == 1 and levels.count(1) == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))


def test_ids_are_unique(sections, day):
    facts = facts_of(day)
    page = render(sections, day_head(facts, sections), plotly_beside=True)
    ids = re.findall(r'\sid="([^"]+)"', page)
    assert len(ids) == len(set(ids))


def test_plotly_beside_and_no_leftovers(day, tmp_path):
    write_day_report(day, tmp_path, plotly_beside=True)
    assert {p.name for p in tmp_path.iterdir()} == {"report.html", "report.ipynb", "plotly.min.js"}
    assert (tmp_path / "report.html").stat().st_size < 3e6


def test_a_failed_write_leaves_the_old_report(day, tmp_path, monkeypatch):
    from sailanalysis.core.errors import SailAnalysisError
    from sailanalysis.report.day import write as writer

    (tmp_path / "report.html").write_text("old")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(writer.os, "fsync", full)
    with pytest.raises(SailAnalysisError, match="No space left"):
        write_day_report(day, tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["report.html"]
    assert (tmp_path / "report.html").read_text() == "old"


def test_an_eight_hour_day_at_ten_hertz_stays_below_eight_megabytes(tmp_path):
    samples = made_samples(hours=8, rate_hz=10)
    write_day_report(made_day(samples), tmp_path)
    assert (tmp_path / "report.html").stat().st_size < 8_000_000


def test_a_coastline_is_drawn_and_a_wrong_file_refused(day, tmp_path):
    from sailanalysis.core.errors import SailAnalysisError

    shore = {"type": "Feature", "geometry": {"type": "LineString", "coordinates": [[10.1, 54.4], [10.2, 54.5]]}}
    spec = by_key(day_sections(day, coastline=shore), "day").figure("track").spec
    assert spec["data"][0]["name"] == "coastline"
    (tmp_path / "x.json").write_text("[1, 2")
    with pytest.raises(SailAnalysisError, match=r"x\.json"):
        day_sections(day, coastline=tmp_path / "x.json")
