"""From a collection of games to a board that no line answers, in a browser."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from browsers import (
    Browser,
    Served,
    accessible,
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
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from pawnlore.service.cli import main

pytestmark = pytest.mark.browser

EXCHANGE = "1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 c6 6. e3 Be7 7. Bd3 O-O 8. Qc2 Nbd7"
OLD = "1. d4 d6 2. c4 e5 3. Nf3 e4 4. Ng5 f5 5. Nc3 Nf6 6. e3 Be7"
GAMES = "".join(
    f'[Round "{number}"]\n[Result "{result}"]\n[Date "19{70 + number % 20}.??.??"]\n'
    f'[ECO "D36"]\n\n{moves} {9 if moves is EXCHANGE else 7}. {last} {result}\n\n'
    for number, (moves, result, last) in enumerate(
        [(EXCHANGE, "1-0", last) for last in ("h3", "Nge2", "O-O-O", "a3", "Rd1")] * 1
        + [(EXCHANGE, "1/2-1/2", last) for last in ("Nf3", "f3", "g3", "h4", "b3")]
        + [(OLD, "0-1", last) for last in ("h4", "Nh3", "f3", "d5", "b4", "g3")]
    )
)
SCREENS = {"desktop": desktop, "phone": phone}


@pytest.fixture(scope="module")
def kept(served: Served, tmp_path_factory: pytest.TempPathFactory) -> Served:
    """The service with a survey, made and kept by the commands that a page names."""
    folder: Path = tmp_path_factory.mktemp("survey")
    games, out = folder / "club.pgn", folder / "out"
    games.write_text(GAMES)
    database = served.service.settings.database
    assert main(["survey", str(games), "-o", str(out), "--jobs", "1"]) == 0
    keep = ["answers", str(out), "--keep", "Club games", "--database", database]
    assert main([*keep, "--beside", served.repertoire]) == 0
    return served


@pytest.mark.slow
@pytest.mark.parametrize("screen", SCREENS)
def test_from_a_repertoire_to_the_board_before_an_unanswered_move(
    browser: Browser, kept: Served, screen: str
) -> None:
    see_as: Callable[[Browser], None] = SCREENS[screen]
    see_as(browser)
    browser.get(kept.at(f"/repertoires/{kept.repertoire}"))
    see(browser, "p.links a[href$='/beside']").click()
    says(browser, "7 of 16 games")
    no_sideways(browser)
    if screen == "desktop":
        accessible(browser)
        shots(browser, "beside-games")
    section = see(browser, "section[aria-labelledby=unanswered_moves]")
    first = section.find_element(By.CSS_SELECTOR, "li.work")
    assert "d6 after 1.d4" in first.text and "6 games of 16" in first.text
    assert "thin" in first.text
    first.find_element(By.LINK_TEXT, "1.d4").click()
    until(browser, lambda driver: "/nodes/1" in driver.current_url)
    assert not complaints(browser)


@pytest.mark.slow
def test_from_the_catalogue_to_what_games_tell_of_a_structure(
    browser: Browser, kept: Served
) -> None:
    browser.get(kept.at("/structures"))
    see(browser, ".lead a[href='/surveys']").click()
    says(browser, "16 games, kept on")
    see(browser, "main li a").click()
    says(browser, "From club.pgn.")
    assert len(browser.find_elements(By.CSS_SELECTOR, ".survey-plot svg[role=img]")) == 2
    accessible(browser)
    shots(browser, "survey")
    see(browser, "table a[href$='/structures/carlsbad?holder=white']").click()
    says(browser, "10 of 16")
    says(browser, "few games, so little is sure")
    accessible(browser)
    shots(browser, "survey-structure")
    see(browser, "a[href='/structures/carlsbad']").click()
    says(browser, "In a hundred games of Club games it stands in 62.5")
    assert not complaints(browser)


def test_without_scripts_and_with_the_keyboard(browser: Browser, kept: Served) -> None:
    scripts(browser, on=False)
    browser.get(kept.at(f"/repertoires/{kept.repertoire}/beside"))
    says(browser, "Lines that nobody plays")
    every = see(browser, "section[aria-labelledby=unplayed_lines] > p > a")
    every.send_keys(Keys.ENTER)
    until(browser, lambda driver: "part=unplayed_lines" in driver.current_url)
    see(browser, "nav.pager a[rel=next]").send_keys(Keys.ENTER)
    until(browser, lambda driver: "page=2" in driver.current_url)
    assert see(browser, "ol.work-list").get_attribute("start") == "41"
