"""Journeys from the work lists to the places to act, in a browser."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from browsers import (
    Browser,
    Served,
    accessible,
    axe,
    complaints,
    desktop,
    no_sideways,
    phone,
    says,
    scripts,
    see,
    shots,
    until,
)
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select

pytestmark = pytest.mark.browser

LISTS = {
    "owed": "What is owed",
    "move-order": "Move orders",
    "reminders": "Reminders and warnings",
    "load": "Load on the memory",
    "load?kind=types": "Load on the memory",
    "load?kind=choices": "Load on the memory",
}
SCREENS = {"desktop": desktop, "phone": phone}


def at(served: Served, name: str) -> str:
    return served.at(f"/repertoires/{served.repertoire}/{name}")


def heading(browser: Browser) -> str:
    return see(browser, "h1").text


def goes(browser: Browser, part: str) -> None:
    """Wait until the address holds something."""
    until(browser, lambda driver: part in driver.current_url, f"the address never holds {part}")


@pytest.mark.parametrize("name", LISTS)
def test_every_list_is_accessible_and_fits_every_screen(
    browser: Browser, served: Served, name: str
) -> None:
    browser.get(at(served, name))
    assert heading(browser) == LISTS[name]
    for summary in browser.find_elements(By.CSS_SELECTOR, "details summary"):
        summary.click()
    accessible(browser)
    shots(browser, f"work-{name.replace('?', '-')}")
    phone(browser)
    assert not axe(browser)
    assert not complaints(browser)


@pytest.mark.parametrize("screen", SCREENS)
def test_from_the_repertoire_to_a_plan_that_is_owed(
    browser: Browser, served: Served, screen: str
) -> None:
    see_as: Callable[[Browser], None] = SCREENS[screen]
    see_as(browser)
    browser.get(served.at(f"/repertoires/{served.repertoire}"))
    see(browser, "p.links a[href$='/owed']").click()
    says(browser, "things are owed")
    Select(see(browser, "#kind")).select_by_value("no-note")
    see(browser, ".filters button").click()
    goes(browser, "kind=no-note")
    kinds = {one.text.casefold() for one in browser.find_elements(By.CSS_SELECTOR, ".work-kind")}
    assert kinds == {"middlegame types without a plan note of ours"}
    no_sideways(browser)
    row = see(browser, ".work")
    name = row.find_element(By.CSS_SELECTOR, ".work-what").text.partition("“")[2].split("”")[0]
    row.find_element(By.LINK_TEXT, "Write the note").click()
    goes(browser, "/notes/new?")
    says(browser, name.split()[0])
    # The board of the place where the structure first settles stands beside the form.
    assert "fen=" in browser.current_url
    browser.back()
    goes(browser, "kind=no-note")


def test_from_a_line_that_stops_to_the_one_that_goes_on(browser: Browser, served: Served) -> None:
    browser.get(at(served, "owed?kind=stops-short"))
    see(browser, ".work-acts a").click()
    goes(browser, "/nodes/")
    says(browser, "What stands here")


def test_with_the_keyboard_alone(browser: Browser, served: Served) -> None:
    browser.get(at(served, "owed"))
    heading(browser)
    reached = []
    for _ in range(40):
        ActionChains(browser).send_keys(Keys.TAB).perform()
        focused = browser.switch_to.active_element
        drawn = browser.execute_script(
            "const s = getComputedStyle(document.activeElement);"
            "return s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) > 0"
        )
        reached.append(focused.get_attribute("id") or focused.text)
        assert drawn, f"the focus on {reached[-1]!r} cannot be seen"
        if focused.text == "See it on the board":
            break
    else:
        raise AssertionError(f"the board is not reached: {reached}")
    for stop in ("Move orders", "kind", "chapter", "Show", "Why some things weigh more"):
        assert stop in reached
    ActionChains(browser).send_keys(Keys.ENTER).perform()
    goes(browser, "/nodes/")


def test_without_scripts_all_of_it_is_read_and_followed(browser: Browser, served: Served) -> None:
    scripts(browser, on=False)
    for name, title in LISTS.items():
        browser.get(at(served, name))
        assert heading(browser) == title
        assert see(browser, ".work, table.load")
    browser.get(at(served, "reminders"))
    see(browser, ".work a.move").click()
    goes(browser, "/nodes/")


def test_a_student_is_told_that_the_lists_are_not_theirs(browser: Browser, served: Served) -> None:
    link = served.service.link(served.repertoire)
    browser.get(served.at(f"/study/{link}"))
    browser.get(served.at(f"/repertoires/{served.repertoire}"))
    heading(browser)
    for part in ("owed", "move-order", "reminders", "load"):
        assert not browser.find_elements(By.CSS_SELECTOR, f"a[href$='/{part}']")
    browser.get(at(served, "owed"))
    says(browser, "A student link does not reach this")


def test_after_a_restart_the_lists_are_the_same(browser: Browser, served: Served) -> None:
    browser.get(at(served, "owed"))
    before = see(browser, "main").text
    served.restart()
    browser.get(at(served, "owed"))
    assert see(browser, "main").text == before
