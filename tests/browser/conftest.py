"""One headless Chromium for the session; skipped with a reason where it is not installed."""

from __future__ import annotations

import json
import shutil
import sys
import tempfile
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "report"))

FLAGS = ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
         "--disable-background-networking", "--disable-component-update", "--disable-sync",
         "--hide-scrollbars", "--disable-dev-shm-usage")


def pytest_collection_modifyitems(items):
    for item in items:
        if Path(__file__).parent in Path(item.fspath).parents:
            item.add_marker(pytest.mark.browser)


class Page:
    """What the tests ask of a browser."""

    def __init__(self, driver):
        self.driver = driver

    def open(self, path, width=1280, height=900, mobile=False):
        d = self.driver
        d.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", {
            "width": width, "height": height, "deviceScaleFactor": 1, "mobile": mobile})
        self.logs()
        d.get(Path(path).resolve().as_uri())
        self.wait("document.documentElement.getAttribute('data-ready') === '1'")
        return self

    def js(self, code, *args):
        return self.driver.execute_script(code, *args)

    def wait(self, condition, seconds=30):
        from selenium.webdriver.support.ui import WebDriverWait

        WebDriverWait(self.driver, seconds, 0.05).until(lambda d: d.execute_script(f"return !!({condition})"))

    def draw_all(self):
        self.driver.execute_async_script(
            "var done = arguments[0]; window.sailanalysisDrawAll().then(function () { setTimeout(done, 300); });")

    def find(self, selector):
        return self.driver.find_element("css selector", selector)

    def all(self, selector):
        return self.driver.find_elements("css selector", selector)

    def click(self, selector):
        self.js("document.querySelector(arguments[0]).click()", selector)

    def logs(self):
        return [e for e in self.driver.get_log("browser") if e["level"] in ("SEVERE", "WARNING")]

    def requests(self):
        """Addresses asked for since the last call, the pages themselves left out."""
        out = []
        for entry in self.driver.get_log("performance"):
            message = json.loads(entry["message"])["message"]
            if message["method"] == "Network.requestWillBeSent":
                url = message["params"]["request"]["url"]
                if not url.startswith(("file:", "data:", "blob:", "about:", "chrome:")):
                    out.append(url)
        return out


@pytest.fixture(scope="session")
def browser():
    webdriver = pytest.importorskip("selenium.webdriver")
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    chromedriver = shutil.which("chromedriver")
    if not chromium or not chromedriver:
        pytest.skip("Chromium and its driver are not installed")
    from selenium.webdriver.chrome.service import Service

    profile = tempfile.mkdtemp(prefix="browser-profile-")
    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    for flag in (*FLAGS, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(chromedriver))
    driver.set_script_timeout(90)
    yield Page(driver)
    driver.quit()
    shutil.rmtree(profile, ignore_errors=True)


@pytest.fixture(scope="session")
def report(tmp_path_factory):
    from made_day import made_day

    from sailanalysis.report import write_day_report

    folder = tmp_path_factory.mktemp("report")
    write_day_report(made_day(), folder)
    return folder / "report.html"


@pytest.fixture()
def page(browser, report):
    """The page with every part opened, as if for the first time."""
    browser.open(report)
    browser.js("window.localStorage.clear()")
    browser.open(report)
    browser.js("document.documentElement.classList.remove('night')")
    browser.click("#open-all")
    return browser
