"""Reading on what people have: nothing clipped, nothing sideways, folds that open, two printed pages."""

from __future__ import annotations

import base64

import pytest

SIZES = [(390, 844), (834, 1112), (1440, 900)]
CLIPPED = """
    return Array.from(document.querySelectorAll('.scroll')).filter(function (s) {
      return s.clientWidth && s.scrollWidth > s.clientWidth + 1; }).map(function (s) { return s.querySelector('table').id; })"""
SMALL = """
    return Array.from(document.querySelectorAll('button, select, input:not([type=checkbox]), summary')).filter(function (e) {
      var r = e.getBoundingClientRect(); return r.width && r.height < 39.5; }).map(function (e) { return e.outerHTML.slice(0, 80); })"""


def fresh(page, report, width=834, height=1112):
    """The page as whoever opens it for the first time sees it."""
    page.open(report, width, height, width < 900)
    page.js("window.localStorage.clear()")
    return page.open(report, width, height, width < 900)


def open_folds(page):
    return page.js("return Array.from(document.querySelectorAll('section > details.fold[open]')).map(function (d) { return d.parentNode.id; })")


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_no_column_is_clipped_and_nothing_scrolls_sideways(page, report, width, height):
    fresh(page, report, width, height)
    assert page.js("return document.documentElement.scrollWidth") <= width
    page.js("document.querySelectorAll('details').forEach(function (d) { d.open = true; })")
    page.draw_all()
    assert page.js(CLIPPED) == []
    assert page.js("return document.documentElement.scrollWidth") <= width
    assert page.js(SMALL) == []
    # The check itself sees a table that is too wide.
    page.js("document.querySelectorAll('.scroll').forEach(function (s) { s.classList.remove('cards'); s.style.width = '200px'; })")
    assert page.js(CLIPPED) != []


def test_cards_say_the_reason_first(page, report):
    fresh(page, report, 390, 844)
    page.click("#maneuvers summary")
    page.wait("document.querySelector('#maneuvers .cards')")
    tops = page.js("""
        var row = Array.from(document.querySelectorAll('#t-maneuvers tbody tr')).find(function (r) { return /not rated/.test(r.textContent); });
        return ['.name', '.reason', '.num'].map(function (s) { return row.querySelector(s + ':not(.none)').getBoundingClientRect().top; });""")
    assert tops == sorted(tops) and len(set(tops)) == 3


def test_all_parts_are_folded_at_first_and_remembered_afterwards(page, report):
    fresh(page, report)
    assert open_folds(page) == []
    assert page.js("return document.documentElement.scrollHeight / innerHeight") < 8
    page.click("#legs summary")
    page.wait("JSON.parse(localStorage.getItem(Object.keys(localStorage)[0])).length === 1")
    page.open(report)
    assert open_folds(page) == ["legs"]
    page.click("#close-all")
    assert open_folds(page) == []


def test_a_link_into_a_part_opens_it(page, report):
    fresh(page, report)
    page.js("document.querySelector('.contents a[href=\"#instruments\"]').click()")
    page.wait("document.querySelector('#instruments > details').open")
    assert open_folds(page) == ["instruments"]
    assert not page.js("return document.querySelector('.menu').open")


def test_the_contents_stay_in_sight(page, report):
    fresh(page, report)
    page.click("#open-all")
    page.js("window.scrollTo(0, 3000)")
    assert page.js("var r = document.querySelector('.menu summary').getBoundingClientRect(); return r.top >= 0 && r.bottom < 80")


def test_map_replay_and_strips_stand_in_one_view_on_a_tablet(page, report):
    fresh(page, report)
    page.click("#day summary")
    page.draw_all()
    page.js("window.sailanalysisView.arrange()")
    page.wait("document.querySelector('#fig-strips .plot').getBoundingClientRect().height < 600")
    top, bottom = page.js("""return ['#fig-track .plot', '#fig-strips .plot'].map(function (s, i) {
        var r = document.querySelector(s).getBoundingClientRect(); return i ? r.bottom : r.top; })""")
    assert bottom - top <= 1112 - 60


def test_the_replay_runs_at_true_pace_and_never_leaves_its_window(page, report):
    fresh(page, report, 1440, 900)
    page.draw_all()
    assert page.js("return document.querySelector('.pace').options[0].value") == "1"
    page.js("window.sailanalysisView.zoom(600, 700); window.sailanalysisView.cursor(690)")
    page.js("document.querySelector('.pace').value = '240'")
    page.click(".play")
    page.wait("window.sailanalysisView.now > 900")
    page.click(".play")
    now, low, high = page.js("var v = window.sailanalysisView; return [v.now, v.range[0], v.range[1]]")
    assert low <= now <= high and abs(high - low - 100) < 1


def printed_pages(page, paper=(8.27, 11.69)):
    out = page.driver.execute_cdp_cmd("Page.printToPDF", {
        "paperWidth": paper[0], "paperHeight": paper[1], "printBackground": False, "preferCSSPageSize": False})
    pdf = base64.b64decode(out["data"])
    return pdf.count(b"/Type /Page") - pdf.count(b"/Type /Pages")


@pytest.mark.parametrize("paper", [(8.27, 11.69), (8.5, 11.0)])
@pytest.mark.parametrize("opened", [False, True])
def test_a_day_prints_on_two_pages_whatever_is_open_or_filtered(page, report, paper, opened):
    fresh(page, report)
    if opened:
        page.click("#open-all")
        page.js("""var f = document.querySelector('[data-table=maneuvers] input[type=search]');
            f.value = 'nothing is called so'; f.dispatchEvent(new Event('input'));""")
    assert printed_pages(page, paper) == 2


def test_paper_is_white_by_night_and_holds_no_control(page, report):
    fresh(page, report)
    page.click("#night")
    page.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    ink, shown = page.js("""return [getComputedStyle(document.body).color, ['.bar', '.fold-all', 'footer'].filter(function (s) {
        return getComputedStyle(document.querySelector(s)).display !== 'none'; })]""")
    sheet = page.js("return getComputedStyle(document.querySelector('.sheet')).display")
    page.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    page.click("#night")
    assert ink == "rgb(0, 0, 0)" and shown == [] and sheet == "block"
    assert page.js("return getComputedStyle(document.querySelector('.sheet')).display") == "none"
