"""Writing plans in a browser: each journey from its beginning to what is kept in the store."""

from __future__ import annotations

import os
import shutil
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest
from browsers import (
    Browser,
    Served,
    accessible,
    complaints,
    desktop,
    phone,
    says,
    scripts,
    see,
    shots,
    until,
)
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import Select

from pawnlore.service.store.note_shelf import NoteShelf, StoredNote

pytestmark = pytest.mark.browser

FEN = "r4rk1/pp2bppp/2p2n2/3p4/3P4/2N1PN2/PPQ2PPP/1R3RK1 w - - 3 14"


def shelf(served: Served) -> NoteShelf:
    return NoteShelf(served.service.store)


def demo_note(served: Served, name: str = "carlsbad-minority-attack.md") -> StoredNote:
    return next(one for one in shelf(served).list() if one.name == name)


def field(browser: Browser, name: str) -> WebElement:
    """The field of a name, once the page that has it is there."""
    found = until(browser, lambda b: b.find_elements(By.NAME, name), f"there is no field {name}")
    return found[0]


def write(browser: Browser, name: str, text: str) -> None:
    element = field(browser, name)
    element.clear()
    element.send_keys(text)


def press(browser: Browser, label: str) -> None:
    """Press a button or follow a link, once the page that has it is there."""

    def shown(driver: Browser) -> WebElement | None:
        for button in driver.find_elements(By.CSS_SELECTOR, "main button, main a"):
            if button.text.strip() == label and button.is_displayed():
                return button
        return None

    button = until(browser, shown, f"there is no button {label!r}")
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", button)
    button.click()


def cell(browser: Browser, square: str) -> WebElement:
    return see(browser, f"[data-square={square}]")


def value(browser: Browser, name: str) -> str:
    return field(browser, name).get_attribute("value") or ""


def open_details(browser: Browser, summary: str) -> None:
    for element in browser.find_elements(By.TAG_NAME, "summary"):
        if element.text == summary:
            browser.execute_script("arguments[0].parentElement.open = true", element)
            return
    raise AssertionError(f"nothing is folded up under {summary!r}")


@pytest.mark.parametrize("screen", [desktop, phone])
def test_a_plan_is_written_previewed_drawn_and_saved(
    browser: Browser, served: Served, screen: object
) -> None:
    assert callable(screen)
    screen(browser)
    browser.get(served.at("/notes/new", structure="carlsbad", holder="white", fen=FEN))
    write(browser, "title", f"A new plan, {screen.__name__}")
    write(browser, "body", "The pawn goes to **b5**.")
    press(browser, "Preview")
    until(browser, lambda b: b.find_elements(By.CSS_SELECTOR, "#preview strong"))
    Select(field(browser, "when_queens")).select_by_value("on")
    write(browser, "when_pawns_black", "c6")
    # Squares by a press, a move by two: neither needs a mouse that drags.
    for square in ("b5", "c6", "a1", "a1"):
        cell(browser, square).click()
    assert value(browser, "squares") == "b5 c6"
    browser.find_element(By.CSS_SELECTOR, "input[value=move]").click()
    for start, end in (("b2", "b4"), ("b4", "b5")):
        cell(browser, start).click()
        cell(browser, end).click()
        until(browser, lambda b, end=end: value(b, "moves").endswith(end))
    until(browser, lambda b: b.find_elements(By.CSS_SELECTOR, "#board path.pl-ink"))
    press(browser, "Save")
    says(browser, "Saved as revision 1")
    stored = max(shelf(served).list(), key=lambda one: one.number)
    told = stored.note()
    assert (told.squares, told.moves) == (("b5", "c6"), ("b4", "b5"))
    assert told.when.words() == ("queens are on", "Black has a pawn on c6")
    # Where the structure stands, there is the note, and from it the way to change it.
    browser.get(served.at("/look-up", fen=FEN))
    says(browser, told.title)
    browser.find_element(By.CSS_SELECTOR, f'a[href^="/notes/{stored.id}"]').click()
    press(browser, "Edit")
    see(browser, "#note-form")
    assert value(browser, "body") == "The pawn goes to **b5**."
    assert complaints(browser) == []


def test_a_mouse_drags_an_arrow(browser: Browser, served: Served) -> None:
    browser.get(served.at("/notes/new", structure="carlsbad", holder="black", side="foe", fen=FEN))
    ActionChains(browser).move_to_element(cell(browser, "f3")).click_and_hold().move_to_element(
        cell(browser, "e5")
    ).release().perform()
    # Whose plan it is decides whose pieces go: Black holds it, so the foe is White.
    until(browser, lambda b: value(b, "moves") == "Ne5")
    press(browser, "Take the last move back")
    assert value(browser, "moves") == ""
    ActionChains(browser).move_to_element(cell(browser, "e7")).click_and_hold().move_to_element(
        cell(browser, "d6")
    ).release().perform()
    says(browser, "the piece on e7 is not White’s")
    assert value(browser, "moves") == ""


def test_the_board_is_drawn_on_with_the_keyboard_alone(browser: Browser, served: Served) -> None:
    browser.get(served.at("/notes/new", structure="carlsbad", holder="white", fen=FEN))
    see(browser, ".cells")
    browser.find_element(By.CSS_SELECTOR, "#title").send_keys("By keys")
    for _ in range(80):
        if browser.switch_to.active_element.get_attribute("data-square"):
            break
        browser.switch_to.active_element.send_keys(Keys.TAB)
    active = browser.switch_to.active_element
    assert active.get_attribute("aria-label") == "a1"
    for key in (Keys.ARROW_RIGHT, Keys.ARROW_UP):
        browser.switch_to.active_element.send_keys(key)
    active = browser.switch_to.active_element
    assert active.get_attribute("aria-label") == "b2, white pawn"
    active.send_keys(Keys.ENTER)
    until(browser, lambda b: value(b, "squares") == "b2")
    until(
        browser,
        lambda b: (
            b.switch_to.active_element.get_attribute("aria-label") == "b2, white pawn, marked"
        ),
    )
    browser.switch_to.active_element.send_keys("m")
    browser.switch_to.active_element.send_keys(Keys.ARROW_UP)
    browser.switch_to.active_element.send_keys(Keys.ARROW_UP)
    browser.switch_to.active_element.send_keys("m")
    until(browser, lambda b: value(b, "moves") == "b4")
    for name in ("body", "structure"):
        assert field(browser, name).is_enabled()
    write(browser, "body", "Keys only.")
    field(browser, "title").send_keys(Keys.ENTER)  # Enter in a line saves.
    says(browser, "Saved as revision 1")


def test_two_windows_one_note(browser: Browser, served: Served) -> None:
    stored = demo_note(served, "hanging-pawns-ours.md")
    address = served.at(f"/notes/{stored.id}/edit")
    browser.get(address)
    first = browser.current_window_handle
    browser.switch_to.new_window("window")
    browser.get(address)
    write(browser, "title", "The other window’s title")
    press(browser, "Save")
    says(browser, "Saved as revision 2")
    browser.close()
    browser.switch_to.window(first)
    write(browser, "body", "The first window’s text.")
    press(browser, "Save")
    says(browser, "Somebody else saved first")
    says(browser, "Both changes fit together")
    shots(browser, "notes-conflict")
    accessible(browser)
    both = value(browser, "text")
    assert "The other window’s title" in both and "The first window’s text." in both
    press(browser, "Save")
    says(browser, "Saved as revision 3")
    now = shelf(served).get(stored.id).note()
    assert (now.title, now.body.strip()) == ("The other window’s title", "The first window’s text.")


def test_revisions_are_compared_and_restored(browser: Browser, served: Served) -> None:
    stored = demo_note(served, "stonewall-theirs.md")
    shelf(served).change(
        stored.id,
        stored.text.replace("e5", "e4"),
        expected_revision=stored.revision,
        author="Assistant",
    )
    browser.get(served.at(f"/notes/{stored.id}"))
    browser.find_element(By.LINK_TEXT, "all revisions").click()
    until(browser, lambda b: b.find_elements(By.CSS_SELECTOR, "table.compared ins"))
    shots(browser, "notes-revisions")
    accessible(browser)
    browser.find_element(By.CSS_SELECTOR, "button.quiet").click()
    says(browser, "Saved as revision 3")
    assert shelf(served).get(stored.id).text == stored.text
    press(browser, "Delete")
    says(browser, "This plan was deleted")
    press(browser, "Restore it")
    says(browser, "Saved as revision 5")


@pytest.fixture
def profile(tmp_path: Path) -> Iterator[Path]:
    """A folder in which a browser keeps what it keeps."""
    folder = tmp_path / "profile"
    yield folder
    shutil.rmtree(folder, ignore_errors=True)


def kept_browser(profile: Path) -> tuple[Browser, int]:
    """A Chromium that keeps its drafts in a folder, and the number of its process."""
    options = webdriver.ChromeOptions()
    flags = ("--headless=new", "--no-sandbox", "--disable-dev-shm-usage", "--disable-gpu")
    for flag in (*flags, f"--user-data-dir={profile}"):
        options.add_argument(flag)
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    if found:
        options.binary_location = found
    driver = webdriver.Chrome(options, Service(shutil.which("chromedriver")))
    lock = os.readlink(profile / "SingletonLock")
    return driver, int(lock.rpartition("-")[2])


@pytest.mark.slow
def test_a_draft_survives_a_browser_that_is_killed(served: Served, profile: Path) -> None:
    stored = demo_note(served, "central-duo.md")
    words = "Words that nobody has saved yet."
    driver, process = kept_browser(profile)
    try:
        driver.get(served.at(f"/notes/{stored.id}/edit"))
        write(driver, "body", words)
        driver.get_screenshot_as_base64()
        says(driver, "kept in this browser")
        # Chromium writes what a page keeps to its folder some seconds later.
        until(driver, lambda _: _holds(profile, words), "the browser wrote nothing")
        os.kill(process, signal.SIGKILL)
    finally:
        driver.service.stop()
    for left in profile.glob("Singleton*"):
        left.unlink()
    driver, _ = kept_browser(profile)
    try:
        driver.get(served.at(f"/notes/{stored.id}/edit"))
        says(driver, "A draft that was not saved is kept in this browser")
        assert value(driver, "body") != words
        press(driver, "Take it up")
        assert value(driver, "body") == words
        press(driver, "Save")
        says(driver, "Saved as revision 2")
        driver.get(served.at(f"/notes/{stored.id}/edit"))
        see(driver, ".cells")
        assert not driver.find_element(By.ID, "draft-offer").is_displayed()
    finally:
        driver.quit()
    assert shelf(served).get(stored.id).note().body.strip() == words


def _holds(profile: Path, words: str) -> bool:
    folder = next(profile.glob("**/Local Storage/leveldb"), None)
    if folder is None:
        return False
    wanted = (words.encode(), words.encode("utf-16-le"))
    return any(
        text in path.read_bytes() for path in folder.iterdir() if path.is_file() for text in wanted
    )


def test_the_draft_of_a_new_plan_is_offered_again_and_tells_of_newer_revisions(
    browser: Browser, served: Served
) -> None:
    browser.get(served.at("/notes/new"))
    write(browser, "title", "Half a thought")
    says(browser, "kept in this browser")
    browser.get(served.at("/notes"))
    browser.get(served.at("/notes/new"))
    says(browser, "“Half a thought”")
    press(browser, "Take it up")
    assert value(browser, "title") == "Half a thought"
    browser.get(served.at("/notes/new"))
    press(browser, "Throw it away")
    browser.get(served.at("/notes/new"))
    see(browser, ".cells")
    assert not browser.find_element(By.ID, "draft-offer").is_displayed()

    stored = demo_note(served, "open-c-file.md")
    browser.get(served.at(f"/notes/{stored.id}/edit"))
    write(browser, "body", "Begun early.")
    says(browser, "kept in this browser")
    shelf(served).change(stored.id, stored.text + "\nMore.\n", expected_revision=stored.revision)
    browser.get(served.at(f"/notes/{stored.id}/edit"))
    says(browser, f"begun from revision {stored.revision}; the plan is at revision 2 now")
    press(browser, "Take it up")
    press(browser, "Save")
    says(browser, "Somebody else saved first")


def test_without_scripts_plans_are_read_and_written(browser: Browser, served: Served) -> None:
    scripts(browser, on=False)
    browser.get(served.at("/notes", q="knight"))
    browser.find_element(By.CSS_SELECTOR, ".note-list h2 a").click()
    see(browser, "main svg.pl-diagram")
    browser.get(served.at("/notes/new", structure="carlsbad", holder="white"))
    write(browser, "title", "Without scripts")
    write(browser, "body", "Plain *saving*.")
    write(browser, "squares", "b5")
    write(browser, "moves", "b4 b5")
    press(browser, "Preview")
    assert see(browser, "#preview em").text == "saving"
    assert browser.find_elements(By.CSS_SELECTOR, "#board circle")
    press(browser, "Save")
    says(browser, "Saved as revision 1")
    press(browser, "Edit")
    press(browser, "Edit as text")
    assert 'moves = ["b4", "b5"]' in value(browser, "text")
    browser.find_element(By.NAME, "text").send_keys("\nOne more line.")
    press(browser, "Save")
    says(browser, "One more line.")


def test_what_was_typed_outlives_a_restart_of_the_service(browser: Browser, served: Served) -> None:
    stored = demo_note(served, "benko-with-the-extra-pawn.md")
    browser.get(served.at(f"/notes/{stored.id}/edit"))
    write(browser, "body", "Typed before the restart.")
    served.restart()
    press(browser, "Preview")
    until(browser, lambda b: "before the restart" in b.find_element(By.ID, "preview").text)
    press(browser, "Save")
    says(browser, "Saved as revision 2")
    assert shelf(served).get(stored.id).note().body.strip() == "Typed before the restart."


@pytest.mark.parametrize("screen", [desktop, phone])
def test_a_student_reads_what_is_published(
    browser: Browser, served: Served, screen: object
) -> None:
    assert callable(screen)
    stored = demo_note(served, "grunfeld-centre.md")
    hidden = demo_note(served, "isolani-theirs.md")
    shelf(served).change(hidden.id, hidden.text, expected_revision=hidden.revision, published=False)
    screen(browser)
    browser.get(served.at(f"/study/{served.service.link(served.repertoire)}"))
    browser.get(served.at("/notes"))
    says(browser, stored.title)
    listed = browser.find_element(By.TAG_NAME, "main").text
    assert hidden.title not in listed and "Edit" not in listed and "Write" not in listed
    browser.find_element(By.PARTIAL_LINK_TEXT, stored.title).click()
    says(browser, "our plan (White)")
    page = browser.find_element(By.TAG_NAME, "main").text
    assert "Edit" not in page and "revision" not in page.lower()
    accessible(browser)
    browser.get(served.at(f"/notes/{stored.id}/edit"))
    says(browser, "A student link does not reach this.")


def test_hostile_titles_are_text(browser: Browser, served: Served) -> None:
    title = "<img src=x onerror=alert(1)>"
    text = demo_note(served, "modern-benoni.md").text.replace('title = "', f'title = "{title} ')
    stored = shelf(served).create(text + "\n<script>alert(1)</script>\n")
    for path in (
        f"/notes/{stored.id}",
        f"/notes/{stored.id}/edit",
        f"/notes/{stored.id}/revisions",
    ):
        browser.get(served.at(path))
        says(browser, title)
        assert not browser.find_elements(By.CSS_SELECTOR, "main img, main script")
    browser.get(served.at(f"/notes/{stored.id}/edit"))
    field(browser, "title").send_keys("!")
    says(browser, "kept in this browser")
    browser.get(served.at(f"/notes/{stored.id}/edit"))
    says(browser, title)
    assert not browser.find_elements(By.CSS_SELECTOR, "#draft-offer img")
    assert complaints(browser) == []


@pytest.mark.slow
def test_every_page_can_be_used_by_everybody(browser: Browser, served: Served) -> None:
    stored = demo_note(served)
    for name, path in (
        ("list", "/notes"),
        ("none", "/notes?q=nothing+holds+this"),
        ("read", f"/notes/{stored.id}"),
        ("new", "/notes/new"),
        ("edit", f"/notes/{stored.id}/edit"),
        ("text", f"/notes/{stored.id}/edit?as=text"),
    ):
        browser.get(served.url + path)
        shots(browser, f"notes-{name}")
        accessible(browser)
    browser.get(served.at("/notes/new"))
    press(browser, "Save")
    says(browser, "This is not saved yet.")
    shots(browser, "notes-faults")
    accessible(browser)
    assert [one for one in complaints(browser) if "422" not in one] == []
