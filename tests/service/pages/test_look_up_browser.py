"""Looking up in a browser: by click, touch, keyboard, without scripts; back, restart, students."""

from __future__ import annotations

import re

import chess
import pytest
from browsers import (
    Browser,
    Served,
    accessible,
    axe,
    complaints,
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

from pawnlore.service.diagram import board_svg
from pawnlore.service.pages.static_files import FOLDER

pytestmark = pytest.mark.browser

CARLSBAD = "d4 d5 c4 e6 Nc3 Nf6 cxd5 exd5 Bg5 Be7 e3 c6 Bd3 O-O Qc2 Nbd7 Nf3 Re8 O-O"


def press(browser: Browser, square: str) -> None:
    see(browser, f'.cells [data-square="{square}"]').click()


def move(browser: Browser, start: str, end: str) -> None:
    press(browser, start)
    press(browser, end)


def at(browser: Browser, end: str) -> None:
    """Wait until the address ends so, and the page is that of the address."""
    until(browser, lambda driver: driver.current_url.endswith(end), f"never at {end}")


def played(browser: Browser, *moves: str) -> None:
    """Wait until exactly these moves stand below the board."""

    def same(driver: Browser) -> bool:
        shown = driver.find_elements(By.CSS_SELECTOR, ".moves-played .move")
        return [re.sub(r"^\d+\.+", "", one.text) for one in shown] == list(moves)

    until(browser, same, f"never played {moves}")


def heading(browser: Browser) -> str:
    return str(browser.find_element(By.TAG_NAME, "h1").text)


def test_moves_on_the_board_and_back_and_forward(browser: Browser, served: Served) -> None:
    browser.get(served.at("/look-up"))
    move(browser, "d2", "d4")
    played(browser, "d4")
    at(browser, "/look-up?moves=d4")
    move(browser, "g8", "f6")
    played(browser, "d4", "Nf6")
    # A piece that is chosen, and another one instead.
    press(browser, "b1")
    press(browser, "c2")
    press(browser, "c4")
    played(browser, "d4", "Nf6", "c4")
    # What cannot be played changes nothing.
    move(browser, "e8", "e5")
    played(browser, "d4", "Nf6", "c4")
    browser.back()
    played(browser, "d4", "Nf6")
    browser.back()
    played(browser, "d4")
    browser.forward()
    played(browser, "d4", "Nf6")
    at(browser, "/look-up?moves=d4+Nf6")
    browser.refresh()
    played(browser, "d4", "Nf6")
    see(browser, "#step-back").click()
    played(browser, "d4")
    see(browser, "#flip").click()
    at(browser, "/look-up?moves=d4&side=black")
    until(
        browser,
        lambda d: (
            d.find_element(By.CSS_SELECTOR, ".cells button").get_attribute("data-square") == "h1"
        ),
    )
    assert not complaints(browser)


def test_a_piece_can_be_drawn_to_its_square(browser: Browser, served: Served) -> None:
    browser.get(served.at("/look-up"))
    start = see(browser, '.cells [data-square="e2"]')
    end = see(browser, '.cells [data-square="e4"]')
    ActionChains(browser).drag_and_drop(start, end).perform()
    played(browser, "e4")


def test_castling_en_passant_and_promotion_on_the_board(browser: Browser, served: Served) -> None:
    browser.get(served.at("/look-up", fen="r3k2r/8/8/8/8/8/8/R3K2R w KQkq - 0 1"))
    move(browser, "e1", "g1")
    played(browser, "O-O")
    move(browser, "e8", "c8")
    played(browser, "O-O", "O-O-O")
    browser.get(served.at("/look-up", fen="4k3/8/8/2pP4/8/8/8/4K3 w - c6 0 1"))
    move(browser, "d5", "c6")
    played(browser, "dxc6")
    browser.get(served.at("/look-up", fen="8/P6k/8/8/8/8/8/K7 w - - 0 1"))
    move(browser, "a7", "a8")
    see(browser, "dialog[open]")
    accessible(browser)
    buttons = browser.find_elements(By.CSS_SELECTOR, "dialog button")
    assert [one.text for one in buttons] == ["queen", "rook", "bishop", "knight"]
    buttons[3].click()
    played(browser, "a8=N")


def test_structure_and_plan_follow_the_board(browser: Browser, served: Served) -> None:
    browser.get(served.at("/look-up", moves=CARLSBAD, repertoire=served.repertoire))
    assert heading(browser) == "Carlsbad structure"
    says(browser, "Minority attack: two pawns against three")
    # The repertoire's own move, then another one.
    see(browser, ".continuations button").click()
    until(browser, lambda d: "Nf8" in d.find_element(By.CSS_SELECTOR, ".moves-played").text)
    accessible(browser)
    shots(browser, "look-up-carlsbad")
    no_sideways(browser)
    assert not complaints(browser)


def test_with_fingers_on_a_phone(browser: Browser, served: Served) -> None:
    phone(browser)
    browser.get(served.at("/look-up"))
    for start, end in (("e2", "e4"), ("e7", "e5")):
        for square in (start, end):
            cell = see(browser, f'.cells [data-square="{square}"]')
            box = browser.execute_script(
                "arguments[0].scrollIntoView({block: 'center'});"
                "const box = arguments[0].getBoundingClientRect();"
                "return [box.x + box.width / 2, box.y + box.height / 2, box.width, box.height]",
                cell,
            )
            # WCAG 2.2, success criterion 2.5.8: targets of at least 24 by 24 pixels.
            assert min(box[2:]) >= 24
            touch = [{"x": box[0], "y": box[1]}]
            browser.execute_cdp_cmd(
                "Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": touch}
            )
            browser.execute_cdp_cmd(
                "Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []}
            )
        at(browser, f"moves={'+'.join(('e4', 'e5')[: int(end[1] == '5') + 1])}")
    played(browser, "e4", "e5")
    no_sideways(browser)
    accessible(browser)


def keys(browser: Browser, *pressed: str) -> None:
    ActionChains(browser).send_keys(*pressed).perform()


def focused(browser: Browser) -> str:
    found = browser.execute_script(
        "const one = document.activeElement;"
        "return one.dataset.square || one.id || one.textContent.trim()"
    )
    return str(found)


def live(browser: Browser, words: str) -> None:
    until(
        browser,
        lambda d: (
            words
            in d.find_element(By.CSS_SELECTOR, "body > [role=status]").get_attribute("textContent")
        ),
        f"never said: {words}",
    )


def test_with_the_keyboard_alone(browser: Browser, served: Served) -> None:
    browser.get(served.at("/look-up"))
    keys(browser, Keys.TAB)
    assert focused(browser) == "To the text"
    keys(browser, Keys.ENTER)
    keys(browser, Keys.TAB)
    # One stop for the whole board; arrows lead from square to square.
    assert focused(browser) == "a1"
    keys(browser, Keys.ARROW_UP, Keys.ARROW_RIGHT, Keys.ARROW_RIGHT, Keys.ARROW_RIGHT)
    assert focused(browser) == "d2"
    keys(browser, Keys.ENTER)
    live(browser, "d2, white pawn chosen. It can go to d3, d4.")
    keys(browser, Keys.ARROW_UP, Keys.ARROW_UP, Keys.SPACE)
    played(browser, "d4")
    live(browser, "1.d4.")
    until(browser, lambda d: focused(d) == "d4")
    keys(browser, Keys.ENTER)
    live(browser, "d4, white pawn: no move begins here.")
    keys(browser, Keys.HOME)
    assert focused(browser) == "a4"
    keys(browser, Keys.ARROW_LEFT)
    assert focused(browser) == "a4"
    keys(browser, Keys.END)
    assert focused(browser) == "h4"
    # Typing, with what cannot be played kept in the field.
    field = see(browser, "#play")
    field.send_keys("d5 Ke3", Keys.ENTER)
    until(browser, lambda d: d.find_elements(By.CSS_SELECTOR, ".problem"))
    field = see(browser, "#play")
    assert field.get_attribute("value") == "Ke3"
    assert focused(browser) == "play"
    live(browser, "'Ke3' cannot be played here")
    field.clear()
    field.send_keys("c4", Keys.ENTER)
    played(browser, "d4", "d5", "c4")


def test_a_line_of_a_repertoire_is_walked_with_one_key(browser: Browser, served: Served) -> None:
    browser.get(served.at("/look-up", repertoire=served.repertoire))
    browser.execute_script("document.querySelector('.continuations button').focus()")
    for moves in (["d4"], ["d4", "d5"], ["d4", "d5", "c4"]):
        keys(browser, Keys.ENTER)
        played(browser, *moves)
        until(browser, lambda d: d.execute_script(_ON_THE_WAY))
    # A step back among the moves, and the focus stays there.
    browser.execute_script("document.querySelector('.moves-played button').focus()")
    keys(browser, Keys.ENTER)
    played(browser, "d4")
    until(browser, lambda d: focused(d) == "1.d4")


_ON_THE_WAY = "return document.activeElement.closest('.continuations') !== null"


def test_without_scripts_everything_works(browser: Browser, served: Served) -> None:
    scripts(browser, on=False)
    browser.get(served.at("/look-up"))
    assert not browser.find_element(By.CSS_SELECTOR, ".cells").is_displayed()
    browser.find_element(By.ID, "play").send_keys("1. d4 d5 2. c4 e6", Keys.ENTER)
    at(browser, "/look-up?moves=d4+d5+c4+e6")
    browser.find_element(By.CSS_SELECTOR, "#legal-moves summary").click()
    see(browser, '#legal-moves button[value="Nc3"]').click()
    at(browser, "/look-up?moves=d4+d5+c4+e6+Nc3")
    browser.find_element(By.CSS_SELECTOR, '.moves-played button[value="2"]').click()
    at(browser, "/look-up?moves=d4+d5")
    see(browser, "#setting-up summary").click()
    field = see(browser, "#fen")
    field.clear()
    field.send_keys("8/pp3ppp/4p3/8/3P4/8/PP3PPP/8", Keys.ENTER)
    says(browser, "Isolated queen's pawn")
    see(browser, ".reasons summary").click()
    says(browser, "a single pawn on d4")


def test_a_screen_reader_is_told_the_position_in_words(browser: Browser, served: Served) -> None:
    browser.get(served.at("/look-up", fen="4k3/8/4p3/8/3P4/8/8/4K3 w - - 0 1"))
    drawing = see(browser, ".play-board svg")
    words = "White king e1, pawns d4. Black king e8, pawns e6. White to move."
    assert drawing.get_attribute("aria-label") == words
    grid = see(browser, "[role=grid]")
    assert grid.get_attribute("aria-label") == "Board, White to move"
    cells = browser.find_elements(By.CSS_SELECTOR, "[role=row] > [role=gridcell]")
    assert len(cells) == 64
    assert cells[4].get_attribute("aria-label") == "e8, black king"


def test_the_grid_lies_over_the_squares() -> None:
    """The percentages of the style sheet are those of the drawing."""
    drawing = board_svg(chess.STARTING_FEN)
    wide, high = map(float, re.search(r'viewBox="0 0 (\d+) (\d+)"', drawing).groups())  # type: ignore[union-attr]
    x, y = map(float, re.search(r'<g transform="translate\((\d+) (\d+)\)"><use', drawing).groups())  # type: ignore[union-attr]
    rule = re.search(r"\.cells \{([^}]*)\}", (FOLDER / "book.css").read_text(encoding="utf-8"))
    assert rule is not None
    given = {name: float(number) for name, number in re.findall(r"(\w+): ([\d.]+)%", rule[1])}
    side = 320
    wanted = {"left": x / wide, "top": y / high, "width": side / wide, "height": side / high}
    assert given == pytest.approx({name: 100 * part for name, part in wanted.items()}, abs=0.01)


HOSTILE = '"><img src=x onerror="document.title=1"><script>document.title=2</script>'


def test_hostile_addresses_run_nothing(browser: Browser, served: Served) -> None:
    for name in ("fen", "moves", "play", "repertoire"):
        browser.get(served.at("/look-up", **{name: HOSTILE}))
        assert browser.title not in ("1", "2")
        assert not browser.find_elements(By.CSS_SELECTOR, "main img, main script")
    # Nothing inline would run even if it came in: the policy says so.
    browser.get(served.at("/look-up"))
    browser.execute_script(
        "document.body.insertAdjacentHTML('beforeend', arguments[0])", HOSTILE.replace('">', "", 1)
    )
    refused = until(
        browser, lambda _: [one for one in complaints(browser) if "Content Security" in one]
    )
    assert refused
    assert browser.title not in ("1", "2")


def test_a_bookmark_and_the_way_back_outlive_a_restart(browser: Browser, served: Served) -> None:
    browser.get(served.at("/look-up", repertoire=served.repertoire))
    move(browser, "d2", "d4")
    played(browser, "d4")
    bookmark = browser.current_url
    move(browser, "d7", "d5")
    played(browser, "d4", "d5")
    served.restart()
    browser.back()
    played(browser, "d4")
    move(browser, "g8", "f6")
    played(browser, "d4", "Nf6")
    browser.get("about:blank")
    browser.get(bookmark)
    played(browser, "d4")
    says(browser, "The Quiet Lever")


def test_a_student_behind_a_link(browser: Browser, served: Served) -> None:
    secret = served.service.link(served.repertoire)
    phone(browser)
    browser.get(served.at(f"/study/{secret}"))
    says(browser, "By a student link")
    says(browser, "Middlegame types")
    assert browser.current_url == served.at(f"/repertoires/{served.repertoire}")
    browser.find_element(By.LINK_TEXT, "Look up").click()
    says(browser, "In The Quiet Lever")
    accessible(browser)
    shots(browser, "student")
    move(browser, "d2", "d4")
    played(browser, "d4")
    browser.get(served.at("/look-up", moves=CARLSBAD))
    says(browser, "Minority attack: two pawns against three")
    text = browser.find_element(By.TAG_NAME, "body").text
    for words in ("Write", "draft", "labelled", "owed"):
        assert words not in text
    browser.get(served.at("/repertoires"))
    says(browser, "A student link does not reach this.")
    see(browser, ".reader button").click()
    says(browser, "On this machine only")


@pytest.mark.parametrize(
    ("name", "path", "query"),
    [
        ("front", "/", {}),
        ("look-up-isolani", "/look-up", {"fen": "8/pp3ppp/4p3/8/3P4/8/PP3PPP/8"}),
        ("look-up-fault", "/look-up", {"moves": "e4 e5 Ke3"}),
        ("no-position", "/look-up", {"fen": "8/8"}),
        ("structures", "/structures", {"words": "isolani"}),
        ("structure", "/structures/hanging-pawns", {}),
        ("sign-in", "/sign-in", {}),
    ],
)
def test_every_page_breaks_no_rule_at_any_width(
    browser: Browser, served: Served, name: str, path: str, query: dict[str, str]
) -> None:
    browser.get(served.at(path, **query))
    accessible(browser)
    shots(browser, name)
    phone(browser)
    assert not axe(browser)


def test_what_is_first_to_be_done(browser: Browser, empty_service: Served) -> None:
    browser.get(empty_service.url)
    says(browser, "Upload your repertoire")
    accessible(browser)
    shots(browser, "first")
    assert not complaints(browser)


def test_the_fen_can_be_copied(browser: Browser, served: Served) -> None:
    browser.get(served.at("/look-up", moves="d4 d5"))
    see(browser, "#setting-up summary").click()
    wanted = "rnbqkbnr/ppp1pppp/8/3p4/3P4/8/PPP1PPPP/RNBQKBNR w KQkq d6 0 2"
    assert see(browser, "#fen").get_attribute("value") == wanted
    browser.execute_cdp_cmd(
        "Browser.grantPermissions",
        {"permissions": ["clipboardReadWrite", "clipboardSanitizedWrite"]},
    )
    see(browser, "#copy-fen").click()
    live(browser, "The FEN is copied.")
    copied = browser.execute_async_script(
        "const done = arguments[0]; navigator.clipboard.readText().then(done, done)"
    )
    assert copied == wanted
