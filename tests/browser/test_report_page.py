"""The day's report in a real browser."""

from __future__ import annotations

import itertools

import pytest

TWO_SIZES = [(390, 844, True), (820, 1180, True), (1280, 900, False)]


def test_no_console_message_and_no_request_leaves(page):
    page.requests()
    page.open(page.driver.current_url.removeprefix("file://"))
    page.draw_all()
    assert page.logs() == []
    assert page.requests() == []


def test_first_screen_says_where_when_wind_distance_and_time(page):
    head = page.find("header").text
    for words in ("Sunday 15 June 2025", "Made Up", "54°30.0′N", "True wind", "9.1", "Sailed", "Motored", "4"):
        assert words in head, words
    findings = page.all(".findings li")
    assert 3 <= len(findings) <= 5
    for item in findings:
        link = item.find_element("css selector", "a").get_attribute("href").split("#")[1]
        assert page.js("return !!document.getElementById(arguments[0])", link)
    # All of it fits above the fold of a desktop screen down to the first finding.
    assert page.js("return document.querySelector('.findings li').getBoundingClientRect().bottom") < 900


def test_figures_wait_until_they_come_into_view(page):
    drawn = page.js("return document.querySelectorAll('.plot[data-drawn]').length")
    total = page.js("return document.querySelectorAll('.plot').length")
    assert drawn < total
    page.js("window.scrollTo(0, 0)")
    page.js("document.querySelector('#fig-current').scrollIntoView()")
    page.wait("document.querySelector('#fig-current .plot').hasAttribute('data-drawn')")


def test_every_figure_draws_something(page):
    page.draw_all()
    empty = page.js("""
        return Array.from(document.querySelectorAll('.plot')).filter(function (p) {
          return !p.querySelector('svg.main-svg path'); }).map(function (p) { return p.dataset.figure; });""")
    assert empty == []


def test_no_button_sends_a_figure_anywhere(page):
    # Headless Chromium has no hovering pointer; the page is told that there is one.
    script = page.driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": """
        var real = window.matchMedia.bind(window);
        window.matchMedia = function (q) { return /hover: none/.test(q) ? {matches: false} : real(q); };"""})
    page.open(page.driver.current_url.removeprefix("file://"))
    page.draw_all()
    page.driver.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", script)
    contexts = page.js("return Array.from(document.querySelectorAll('.plot')).map(function (p) { return p._context.showSendToCloud; })")
    assert contexts and not any(contexts)
    titles = page.js("return Array.from(document.querySelectorAll('.modebar-btn')).map(function (b) { return b.getAttribute('data-title') || ''; })")
    assert titles, "the buttons should be there where a pointer hovers"
    assert not [t for t in titles if any(w in t.lower() for w in ("cloud", "studio", "edit", "share", "send"))]


def test_pointing_at_the_strips_moves_the_boat_on_the_track(page):
    page.draw_all()
    move = """
        var strips = document.querySelector('#fig-strips .plot'), ax = strips._fullLayout.xaxis;
        var box = strips.getBoundingClientRect();
        strips.dispatchEvent(new PointerEvent('pointermove', {bubbles: true,
          clientX: box.left + ax._offset + arguments[0] * ax._length, clientY: box.top + 200}));
        var v = window.sailanalysisView;
        return [v.now, document.querySelector('.cursor-boat').style.left,
                document.querySelector('.cursor-boat').style.display, document.querySelector('.values').textContent];"""
    early = page.js(move, 0.25)
    late = page.js(move, 0.75)
    end = page.js("return window.sailanalysisView.end")
    assert early[0] == pytest.approx(0.25 * end, rel=0.01) and late[0] == pytest.approx(0.75 * end, rel=0.01)
    assert early[1] != late[1] and late[2] == "block" and early[3] != late[3]


def test_pointing_at_the_track_moves_the_line_in_the_strips(page):
    page.draw_all()
    page.js("""
        var track = document.querySelector('#fig-track .plot');
        var k = track.data.findIndex(function (t) { return t.meta && t.meta.role === 'pointer'; });
        var n = track.calcdata[k].length - 1;
        track.emit('plotly_hover', {points: [{data: track.data[k], customdata: track._fullData[k].customdata[Math.floor(n / 2)]}]});""")
    now, left = page.js("return [window.sailanalysisView.now, document.querySelector('.cursor-line').style.left]")
    assert now > 60 and left


def test_real_hover_over_the_track_is_felt(page):
    from selenium.webdriver.common.action_chains import ActionChains

    page.draw_all()
    page.js("document.querySelector('#fig-track').scrollIntoView({block: 'center', behavior: 'instant'})")
    before = page.js("return window.sailanalysisView.now")
    x, y = page.js("""
        var track = document.querySelector('#fig-track .plot'), v = window.sailanalysisView, fl = track._fullLayout;
        var i = Math.floor(0.7 * v.t.length), box = track.getBoundingClientRect();
        return [box.left + fl.xaxis._offset + fl.xaxis.l2p(v.x[i]), box.top + fl.yaxis._offset + fl.yaxis.l2p(v.y[i])];""")
    actions = ActionChains(page.driver)
    actions.w3c_actions.pointer_action.move_to_location(round(x) - 6, round(y) - 6)
    actions.w3c_actions.pointer_action.move_to_location(round(x), round(y))
    actions.perform()
    page.wait(f"Math.abs(window.sailanalysisView.now - {before}) > 10", 10)


@pytest.mark.parametrize("table", ["maneuvers", "legs", "helm"])
def test_choosing_a_row_focuses_track_and_strips(page, table):
    page.js(f"document.querySelector('[data-table={table}] button.focus').click()")
    page.wait("document.querySelector('#fig-strips .plot').hasAttribute('data-drawn')")
    page.wait("window.sailanalysisView.range[1] - window.sailanalysisView.range[0] < window.sailanalysisView.end - 60")
    start, stop = page.js("return [window.sailanalysisView.chosen[0], window.sailanalysisView.chosen[1]]")
    low, high = page.js("return window.sailanalysisView.range")
    assert low <= start < stop <= high
    page.wait("""(function () { var t = document.querySelector('#fig-track .plot');
        return t.data.some(function (d) { return d.meta && d.meta.role === 'highlight' && d.x.length > 1; }); })()""")
    assert "Shown:" in page.find(".focus-said").text
    page.click(".focus-said button")
    page.wait(f"document.activeElement.closest('[data-table={table}]')")


def test_choosing_a_line_in_the_overlay_focuses_too(page):
    page.draw_all()
    page.js("""
        var gd = document.querySelector('#fig-overlay-tack .plot');
        gd.emit('plotly_click', {points: [{data: gd.data[0]}]});""")
    page.wait("window.sailanalysisView.chosen")
    assert "tack" in page.find(".focus-said").text


def test_choosing_a_maneuver_on_the_track_focuses_the_strips(page):
    page.draw_all()
    page.js("""
        var gd = document.querySelector('#fig-track .plot');
        var marks = gd.data.find(function (t) { return t.meta.role === 'maneuver'; });
        gd.emit('plotly_click', {points: [{data: marks, customdata: marks.customdata[0]}]});""")
    page.wait("window.sailanalysisView.range[1] - window.sailanalysisView.range[0] < 300")
    assert page.find(".focus-said").text.startswith("Shown: tack")


def test_zooming_draws_finer_samples_and_new_clock_labels(page):
    page.draw_all()
    page.js("window.sailanalysisView.zoom(600, 700)")
    page.wait("document.querySelector('#fig-strips .plot').layout.xaxis.ticktext[0].length === 8")
    page.wait("""(function () { var gd = document.querySelector('#fig-strips .plot');
        var tr = gd.data.find(function (d) { return d.meta.channel === 'stw_kn'; });
        return tr.x.length >= 95 && tr.x.length < 130; })()""")


def test_peaks_survive_in_the_strips(page):
    page.draw_all()
    low, high = page.js("""
        var gd = document.querySelector('#fig-strips .plot');
        var tr = gd._fullData.find(function (d) { return d.meta && d.meta.channel === 'stw_kn'; });
        var y = Array.from(tr.y).filter(isFinite); return [Math.min.apply(null, y), Math.max.apply(null, y)];""")
    from made_day import made_samples

    speed = made_samples()["stw_kn"]
    assert low == pytest.approx(speed.min(), abs=0.01) and high == pytest.approx(speed.max(), abs=0.01)


def test_strips_can_be_chosen(page):
    page.draw_all()
    height = page.js("return document.querySelector('#fig-strips .plot').layout.height")
    page.js("""var b = document.querySelector('.channels input[value=heel_deg]');
        b.checked = true; b.dispatchEvent(new Event('change'));""")
    page.wait(f"document.querySelector('#fig-strips .plot').layout.height > {height}")
    assert "heel" in page.find(".values").text


def test_track_colours_by_choice_with_a_legend(page):
    page.draw_all()
    choices = page.js("return Array.from(document.querySelectorAll('.colour-by option')).map(function (o) { return o.value; })")
    assert set(choices) == {"speed", "share", "state", "helm", "sails", "leeway"}
    for by in choices:
        page.js("var s = document.querySelector('.colour-by'); s.value = arguments[0]; s.dispatchEvent(new Event('change'));", by)
        page.wait(f"""document.querySelector('#fig-track .plot').data.every(function (t) {{
            return t.meta.role !== 'colour' || t.visible === (t.meta.by === '{by}'); }})""")
        assert page.find(".legend").text


def test_replay_plays_and_stops(page):
    page.draw_all()
    page.js("window.sailanalysisView.cursor(100)")
    page.click(".play")
    page.wait("window.sailanalysisView.now > 110")
    assert page.find(".play").get_attribute("aria-pressed") == "true"
    page.click(".play")
    held = page.js("return window.sailanalysisView.now")
    page.js("return new Promise(function (r) { setTimeout(r, 300); })")
    assert page.js("return window.sailanalysisView.now") == held
    page.js("var s = document.querySelector('.at'); s.value = 2000; s.dispatchEvent(new Event('input'));")
    assert page.js("return window.sailanalysisView.now") == 2000
    assert "UTC" in page.find(".at").get_attribute("aria-valuetext")


def test_tables_sort_both_ways_with_blanks_last(page):
    column = "Array.from(document.querySelectorAll('#t-maneuvers tbody tr')).map(function (r) { return r.cells[arguments0].textContent; })"
    index = page.js("""return Array.from(document.querySelectorAll('#t-maneuvers th')).findIndex(function (h) {
        return h.textContent.indexOf('loss, 95') === 0; })""")
    for expected in ("ascending", "descending"):
        page.js("document.querySelectorAll('#t-maneuvers th')[arguments[0]].querySelector('button').click()", index)
        assert page.js("return document.querySelectorAll('#t-maneuvers th')[arguments[0]].getAttribute('aria-sort')", index) == expected
        cells = page.js("return " + column.replace("arguments0", str(index)))
        assert cells[-1] == "–"
        numbers = [float(c.split()[0].replace("−", "-")) for c in cells[:-1]]
        assert numbers == sorted(numbers, reverse=expected == "descending")


def test_tables_filter(page):
    page.js("""var f = document.querySelector('[data-table=maneuvers] input[type=search]');
        f.value = 'gybe'; f.dispatchEvent(new Event('input'));""")
    shown = page.js("""return Array.from(document.querySelectorAll('#t-maneuvers tbody tr')).filter(function (r) {
        return !r.hidden; }).map(function (r) { return r.textContent; })""")
    assert shown and all("gybe" in row for row in shown)
    assert "of" in page.find("[data-table=maneuvers] .said").text


def test_copied_table_is_plain_tab_separated_text(page):
    page.js("""window.copied = null;
        Object.defineProperty(navigator, 'clipboard', {configurable: true, value: {
          writeText: function (t) { window.copied = t; return Promise.resolve(); }}});
        document.querySelector('[data-table=polar-cells] .copy').click();""")
    page.wait("window.copied !== null")
    lines = page.js("return window.copied").split("\n")
    assert len({line.count("\t") for line in lines}) == 1
    assert lines[1].split("\t")[1] == "10"


def test_night_page_is_red_only_and_remembered(page, report):
    page.draw_all()
    page.click("#night")
    assert page.js("return document.documentElement.classList.contains('night')")
    page.js("return new Promise(function (r) { setTimeout(r, 1500); })")
    page.open(report)
    assert page.js("return document.documentElement.classList.contains('night')")
    page.draw_all()
    bright = page.js("""
        var bad = [];
        function judge(value, where) {
          var m = /rgba?\\((\\d+), (\\d+), (\\d+)(?:, ([\\d.]+))?\\)/.exec(value || '');
          if (m && (m[4] === undefined || +m[4] > 0.02) && (+m[2] > 150 || +m[3] > 150 || (+m[2] > +m[1] + 2) || (+m[3] > +m[1] + 2))) { bad.push(where + ' ' + value); }
        }
        document.querySelectorAll('body, body *').forEach(function (e) {
          if (e.closest('script,style')) { return; }
          var s = getComputedStyle(e);
          if (s.visibility === 'hidden' || s.display === 'none' || e.getAttribute('width') === '0') { return; }
          judge(s.color, e.tagName); judge(s.backgroundColor, e.tagName + ' background');
          if (e.namespaceURI.indexOf('svg') > 0) { judge(s.stroke, e.tagName + '.' + e.getAttribute('class') + ' stroke'); judge(s.fill, e.tagName + '.' + e.getAttribute('class') + ' fill'); }
        });
        return Array.from(new Set(bad)).slice(0, 10);""")
    assert bright == []
    assert page.logs() == []
    page.click("#night")


def test_night_switch_works_without_storage(page):
    page.js("""Object.defineProperty(window, 'localStorage', {get: function () { throw new Error('refused'); }});""")
    page.click("#night")
    assert page.js("return document.documentElement.classList.contains('night')")
    assert page.logs() == []
    page.click("#night")


@pytest.mark.parametrize(("width", "height", "mobile"), TWO_SIZES)
def test_no_sideways_scroll(page, report, width, height, mobile):
    page.open(report, width, height, mobile)
    page.draw_all()
    assert page.js("return document.documentElement.scrollWidth") <= width
    wide = page.js("""return Array.from(document.querySelectorAll('.plot .main-svg')).filter(function (s) {
        return s.getBoundingClientRect().right > innerWidth + 1; }).length""")
    assert wide == 0


def test_keyboard_reaches_everything_in_reading_order(page):
    from selenium.webdriver.common.keys import Keys

    page.js("document.body.focus()")
    page.find("body").send_keys(Keys.TAB)
    assert page.js("return document.activeElement.className") == "skip"
    places = []
    for _ in range(40):
        page.driver.switch_to.active_element.send_keys(Keys.TAB)
        places.append(page.js("var r = document.activeElement.getBoundingClientRect(); return r.top + scrollY"))
    # Focus runs down the page; a row's small steps sideways are allowed.
    assert all(b >= a - 220 for a, b in itertools.pairwise(places))
    positive = page.js("return document.querySelectorAll('[tabindex]:not([tabindex=\"0\"]):not([tabindex=\"-1\"])').length")
    assert positive == 0


def test_a_report_with_plotly_beside_opens(browser, tmp_path):
    from made_day import made_day

    from sailanalysis.report import write_day_report

    write_day_report(made_day(), tmp_path, plotly_beside=True)
    browser.open(tmp_path / "report.html")
    browser.draw_all()
    assert browser.logs() == []
    (tmp_path / "plotly.min.js").unlink()
    browser.open(tmp_path / "report.html")
    browser.draw_all()
    assert "not beside this report" in browser.find("#fig-track").text
    browser.logs()


def test_hostile_text_stays_inert(browser, tmp_path):
    from made_day import made_day

    from sailanalysis.report import write_day_report

    markup = ('<script>window.hurt=1</script></script><script>window.hurt=1</script>"><img src=x onerror="window.hurt=1">'
              '</style><svg onload=window.hurt=1>{{7*7}}\u2028window.hurt=1//')
    for number, evil in enumerate((markup, '<a href="javascript:window.hurt=1">x</a><b>')):
        folder = tmp_path / str(number)
        write_day_report(made_day(helm=evil, sails=evil, note=evil, file=evil, boat=evil, message=evil, trim=evil), folder)
        browser.open(folder / "report.html")
        browser.draw_all()
        browser.js("""document.querySelectorAll('.plot').forEach(function (gd) { gd.data.forEach(function (tr, c) {
            if (!tr.hovertemplate || tr.visible === false || (tr.yaxis || 'y') !== 'y') { return; }
            try { Plotly.Fx.hover(gd, [{curveNumber: c, pointNumber: 0}]); } catch (e) { return; } }); });""")
        browser.js("document.querySelectorAll('.plot a').forEach(function (a) { if (/^javascript/.test(a.href)) { window.hurt = 2; } })")
        assert browser.js("return window.hurt === undefined"), evil
        assert browser.logs() == [], evil


def test_an_eight_hour_day_draws_in_reasonable_work(browser, tmp_path):
    """A guard against a page that hangs; the figures themselves are a benchmark's business."""
    from made_day import made_day, made_samples

    from sailanalysis.report import write_day_report

    write_day_report(made_day(made_samples(hours=8, rate_hz=10)), tmp_path)
    browser.driver.execute_cdp_cmd("Performance.enable", {"timeDomain": "threadTicks"})
    browser.open(tmp_path / "report.html")
    browser.draw_all()
    metrics = {m["name"]: m["value"] for m in
               browser.driver.execute_cdp_cmd("Performance.getMetrics", {})["metrics"]}
    browser.driver.execute_cdp_cmd("Performance.disable", {})
    paint = browser.js("""var p = performance.getEntriesByName('first-contentful-paint')[0];
        return p ? p.startTime : -1;""")
    print(f"main-thread work {metrics['TaskDuration']:.1f} s, first contentful paint {paint:.0f} ms")
    assert metrics["TaskDuration"] < 15
