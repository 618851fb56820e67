"""From an empty store to the first plan note at the board, with what each step costs in clicks."""

from __future__ import annotations

from pathlib import Path

import pytest
from browsers import DEMO, Browser, Served, accessible, says, see, shots, until
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement

from pawnlore.service.store.note_shelf import NoteShelf

pytestmark = pytest.mark.browser

UGLY = (
    '[Event "Häßlich"]\n\n1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 Be7 6. e3 O-O '
    "7. Bd3 Nbd7 {Schön} 8. Nge2 (8. Nf3 Re8 9. Ke7 c6) 8... Re8 *\n\n"
    '[Event "Never closed"]\n\n1. d4 Nf6 2. c4 (2. Nf3 d5 3. e3 g6\n'
)


class Hand:
    """Clicks for a reader, and counts them."""

    def __init__(self, browser: Browser) -> None:
        self.browser = browser
        self.clicks = 0

    def click(self, element: WebElement) -> None:
        self.browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", element)
        element.click()
        self.clicks += 1

    def follow(self, words: str) -> None:
        """Click the first link or button that says just this."""

        def found(page: Browser) -> WebElement | None:
            for one in page.find_elements(By.CSS_SELECTOR, "main a, main button"):
                if one.is_displayed() and one.text.strip() == words:
                    return one
            return None

        until(self.browser, lambda page: found(page) is not None)
        one = found(self.browser)
        assert one is not None
        self.click(one)

    def drag(self, start: str, end: str) -> None:
        squares = [see(self.browser, f"[data-square={name}]") for name in (start, end)]
        ActionChains(self.browser).drag_and_drop(*squares).perform()
        self.clicks += 1


def value(browser: Browser, name: str) -> str:
    return browser.find_element(By.NAME, name).get_attribute("value") or ""


@pytest.mark.slow
def test_from_an_empty_store_to_the_first_plan_at_the_board(
    browser: Browser, empty_service: Served
) -> None:
    hand = Hand(browser)
    browser.get(empty_service.url)
    hand.follow("Upload your repertoire")
    files = sorted((DEMO / "repertoire").glob("*.pgn"))
    see(browser, "#pgn").send_keys("\n".join(map(str, files)))
    hand.clicks += 1  # the files are chosen in one go
    hand.follow("Upload")
    says(browser, "Nothing: all of it was read")
    # Whose it is, before anything is built on it; and no single file's name for all.
    says(browser, "A repertoire for White: so its lines tell.")
    says(browser, "Queens gambit declined and 4 more files")
    hand.follow("See its middlegame types")
    hand.follow("Carlsbad structure")
    hand.follow("Write the first one")
    assert hand.clicks == 6, "six clicks from nothing to the editor"
    says(browser, "Write a plan: Carlsbad structure")
    says(browser, "What the catalogue says, to begin from")
    see(browser, "#body").send_keys("Push the b-pawn: **b4-b5**, and take on c6.")
    hand.click(see(browser, "[data-square=c6]"))
    hand.drag("b2", "b4")
    until(browser, lambda page: value(page, "moves") == "b4")
    hand.drag("b4", "b5")
    until(browser, lambda page: value(page, "moves") == "b4 b5")
    assert value(browser, "squares") == "c6"
    shots(browser, "first-note")
    hand.follow("Save")
    says(browser, "Saved as revision 1. Students with a link read it.")
    assert hand.clicks == 10, "ten to the note that is saved, with a square and two arrows"
    # It has a title, though none was typed.
    assert see(browser, "h1").text == "Carlsbad structure: White’s plan"
    says(browser, "read it. It stands with 11 lines")
    accessible(browser)
    shots(browser, "first-note-saved")
    hand.follow("11 lines of Queens gambit declined and 4 more files")
    says(browser, "Push the b-pawn")
    hand.follow("Walk it on the board")
    says(browser, "Push the b-pawn")
    assert hand.clicks == 12, "two more to see it at the board"
    notes = NoteShelf(empty_service.service.store).list()
    assert [one.title for one in notes] == ["Carlsbad structure: White’s plan"]
    browser.get(empty_service.url)
    assert "You have written no plan yet" not in browser.page_source


@pytest.mark.slow
def test_an_ugly_file_is_kept_and_its_faults_are_told(
    browser: Browser, empty_service: Served, tmp_path: Path
) -> None:
    ugly = tmp_path / "ugly.pgn"
    ugly.write_bytes(UGLY.encode("cp1252"))
    hand = Hand(browser)
    browser.get(empty_service.at("/repertoires"))
    see(browser, "#pgn").send_keys(str(ugly))
    hand.follow("Upload")
    says(browser, "Uploaded: ugly")
    for told in ("Windows-1252", "9. Ke7", "the move is illegal here", "variation is not closed"):
        says(browser, told)
    hand.follow("Not so?")
    says(browser, "pawnlore access link add")
    accessible(browser)
    browser.get(empty_service.url)
    says(browser, "You have written no plan yet")


def test_an_empty_plan_is_told_in_the_words_of_the_form(
    browser: Browser, empty_service: Served
) -> None:
    hand = Hand(browser)
    browser.get(empty_service.at("/notes/new", structure="carlsbad", holder="white"))
    hand.follow("Save")
    says(browser, "the plan has no words yet")
    assert "header" not in see(browser, "#faults").text
    # What stands in for a title is shown, and can be changed.
    assert value(browser, "title") == "Carlsbad structure: White’s plan"
