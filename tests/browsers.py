"""Browser tests: Debian's Chromium without a window, and a served store for it to look at.

Test modules of ``tests/service/pages`` get the fixtures from the conftest.py
there. Wait for conditions (`until`), never for a time.
"""

from __future__ import annotations

import os
import shutil
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, TypeVar
from urllib.parse import quote

import pytest
from running_services import TestService, make_service
from selenium import webdriver
from selenium.common.exceptions import WebDriverException
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import WebDriverWait

from pawnlore import labelled_demo
from pawnlore.service.api.repertoires_at_hand import repertoires
from pawnlore.service.notes_folder import read_notes_folder
from pawnlore.service.store.note_shelf import NoteShelf
from pawnlore.service.web_server import WebServer

DEMO = Path(labelled_demo.__file__).parent
SHOTS = "PAWNLORE_SHOTS"
WIDE = (1280, 900)
NARROW = (360, 740)
SECONDS = 20

_AXE = Path(__file__).with_name("accessibility_checker") / "axe.min.js"
_RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
_RUN_AXE = """
const done = arguments[arguments.length - 1];
axe.run(document, {runOnly: arguments[0], preload: false, resultTypes: ['violations']})
  .then(found => done(found.violations.map(one => ({
    id: one.id, help: one.help, nodes: one.nodes.map(node => node.html.slice(0, 300)),
    why: one.nodes.slice(0, 3).map(node => node.failureSummary),
  }))), fault => done([{id: 'axe itself', help: String(fault), nodes: [], why: []}]));
"""

Browser = webdriver.Chrome
Found = TypeVar("Found")


# --- What is looked at.


@dataclass
class Served:
    """A running service on a port of its own, with the demo course in its store.

    ``repertoire`` is the course's id. The service runs in this process, so that
    a test can look into its store.
    """

    home: Path
    port: int
    service: TestService
    server: WebServer
    thread: threading.Thread
    options: dict[str, Any]
    repertoire: str = ""

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def at(self, path: str, **query: str) -> str:
        """An address of the service; the values of the query are quoted."""
        asked = "&".join(f"{name}={quote(value, safe='')}" for name, value in query.items())
        return f"{self.url}{path}" + (f"?{asked}" if asked else "")

    def stop(self) -> None:
        """End the service and close its store."""
        self.server.stop()
        self.thread.join(30)
        with self.service.app.app_context():
            repertoires().runner.wait()
        self.service.store.close()

    def restart(self) -> None:
        """End the service, and start another one on the same store and port."""
        self.stop()
        again = start(self.home, self.port, **self.options)
        self.service, self.server, self.thread = again.service, again.server, again.thread


def start(home: Path, port: int = 0, **options: Any) -> Served:
    """A running service on a folder; see `pawnlore.service.settings.Settings` for options."""
    service = make_service(home, port=port, **options)
    server = WebServer(service.app, service.settings, threads=4)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    port = int(server.addresses[0].rstrip("/").rpartition(":")[2])
    return Served(home, port, service, server, thread, options)


def put_demo(service: TestService, *, notes: bool = True) -> str:
    """Put the demo course, and its notes as published ones, into a store; gives its id."""
    if notes:
        found = read_notes_folder(DEMO / "notes")
        NoteShelf(service.store).take_in(found.notes, author="Ysolde Marrekin")
    client = service.client()
    files = sorted((DEMO / "repertoire").glob("*.pgn"))
    parts = [(path.open("rb"), path.name) for path in files]
    answer = client.post("/api/repertoires?name=The Quiet Lever", data={"pgn": parts})
    assert answer.status_code == 202, answer.text
    with service.app.app_context():
        repertoires().runner.wait()
    job = client.get(answer.headers["Location"]).json
    assert job is not None and job["state"] == "done", job
    return str(job["result"]["repertoire"])


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A service with the demo course and its notes; tests of a module share it."""
    running = start(tmp_path_factory.mktemp("served"))
    running.repertoire = put_demo(running.service)
    yield running
    running.stop()


@pytest.fixture
def empty_service(tmp_path: Path) -> Iterator[Served]:
    """A service with nothing in its store."""
    running = start(tmp_path / "empty")
    yield running
    running.stop()


# --- What looks.


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One Chromium for a module. Each test begins as `fresh` leaves it."""
    driver = open_browser()
    yield driver
    driver.quit()


def open_browser() -> Browser:
    """A Chromium without a window."""
    options = webdriver.ChromeOptions()
    for flag in (
        "--headless=new",
        "--no-sandbox",  # tests may run as root
        "--disable-dev-shm-usage",
        "--disable-gpu",
        "--disable-extensions",
        "--disable-background-networking",
        "--hide-scrollbars",
        "--lang=en",
    ):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    chromium = next(
        (path for name in ("chromium", "chromium-browser") if (path := shutil.which(name))), None
    )
    if chromium:
        options.binary_location = chromium
    driver = webdriver.Chrome(options, Service(shutil.which("chromedriver")))
    driver.set_page_load_timeout(SECONDS)
    driver.set_script_timeout(60)
    return driver


def fresh(browser: Browser) -> None:
    """Forget cookies and drafts; a wide screen, a mouse, light, with scripts."""
    scripts(browser, on=True)
    browser.get("about:blank")
    browser.execute_cdp_cmd("Network.clearBrowserCookies", {})
    browser.execute_cdp_cmd(
        "Storage.clearDataForOrigin", {"origin": "*", "storageTypes": "local_storage"}
    )
    desktop(browser)
    theme(browser, "light")
    browser.get_log("browser")


def desktop(browser: Browser) -> None:
    """A wide screen with a mouse."""
    _screen(browser, WIDE, phone=False)


def phone(browser: Browser) -> None:
    """A narrow screen with touch."""
    _screen(browser, NARROW, phone=True)


def _screen(browser: Browser, size: tuple[int, int], *, phone: bool) -> None:
    width, height = size
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 2 if phone else 1, "mobile": phone},
    )
    browser.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": phone})


def theme(browser: Browser, name: str) -> None:
    """What the reader's system prefers: ``light`` or ``dark``."""
    wanted = [{"name": "prefers-color-scheme", "value": name}]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": wanted})


def scripts(browser: Browser, *, on: bool) -> None:
    """Whether pages that are opened from now on run scripts."""
    browser.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": not on})


@cache
def _axe() -> str:
    return _AXE.read_text(encoding="utf-8")


def axe(browser: Browser) -> list[dict[str, Any]]:
    """What breaks WCAG 2.2 A or AA, or good practice, on the page at hand by axe-core."""
    browser.execute_script(_axe())
    found = browser.execute_async_script(_RUN_AXE, _RULES)
    assert isinstance(found, list)
    return found


def accessible(browser: Browser) -> None:
    """Fail where the page at hand breaks a rule, in light or in dark."""
    for name in ("light", "dark"):
        theme(browser, name)
        found = axe(browser)
        assert not found, f"{browser.current_url} in {name}: {found}"
    theme(browser, "light")


def complaints(browser: Browser) -> list[str]:
    """What the browser complained of: faults of scripts, what the policy kept out."""
    return [line["message"] for line in browser.get_log("browser") if line["level"] != "INFO"]


def no_sideways(browser: Browser) -> None:
    """Fail where the page is wider than the screen."""
    wide, screen = browser.execute_script(
        "return [document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    )
    assert wide <= screen, f"{browser.current_url} is {wide} px wide on {screen}"


def shot(browser: Browser, name: str) -> None:
    """Keep a picture of the whole page in the folder that PAWNLORE_SHOTS names, if it is set."""
    folder = os.environ.get(SHOTS)
    if not folder:
        return
    import base64

    place = Path(folder)
    place.mkdir(parents=True, exist_ok=True)
    taken = browser.execute_cdp_cmd("Page.captureScreenshot", {"captureBeyondViewport": True})
    (place / f"{name}.png").write_bytes(base64.b64decode(taken["data"]))


def shots(browser: Browser, name: str) -> None:
    """Four pictures of the page at hand, light and dark, wide and narrow; and look at its width."""
    for screen, see in (("wide", desktop), ("narrow", phone)):
        see(browser)
        no_sideways(browser)
        for mood in ("light", "dark"):
            theme(browser, mood)
            shot(browser, f"{name}-{screen}-{mood}")
    desktop(browser)
    theme(browser, "light")


def until(browser: Browser, condition: Callable[[Browser], Found], why: str = "") -> Found:
    """Wait for a condition and give its value; what went away meanwhile is asked for again."""
    waiting = WebDriverWait(
        browser, SECONDS, poll_frequency=0.05, ignored_exceptions=[WebDriverException]
    )
    return waiting.until(condition, why)


def see(browser: Browser, css: str) -> WebElement:
    """The first element of a CSS selector, once it is there and shown."""

    def shown(driver: Browser) -> WebElement | None:
        return next((one for one in driver.find_elements(By.CSS_SELECTOR, css) if _seen(one)), None)

    found = until(browser, shown, f"nothing is shown for {css}")
    assert found is not None
    return found


def says(browser: Browser, words: str) -> None:
    """Wait until the page's text holds some words, also while one page makes way for the next."""

    def there(driver: Browser) -> bool:
        try:
            return words in driver.find_element(By.TAG_NAME, "body").text
        except WebDriverException:
            return False  # the page that was being read has gone

    until(browser, there, f"the page does not say {words!r}")


def _seen(element: WebElement) -> bool:
    return bool(element.is_displayed())
