"""Journeys through the pages of repertoires in a browser: uploading, reading, deleting."""

from __future__ import annotations

import re
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from browsers import (
    Browser,
    Served,
    accessible,
    complaints,
    desktop,
    no_sideways,
    phone,
    put_demo,
    says,
    scripts,
    see,
    shots,
    until,
)
from selenium.common.exceptions import WebDriverException
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait

from pawnlore.service.api.repertoires_at_hand import repertoires_of

pytestmark = pytest.mark.browser

MOVES = "1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 Be7 6. e3 c6 7. Bd3 O-O"
GOOD = f'[Event "The exchange"]\n\n{MOVES} 8. Qc2 Nbd7 (8... Re8 9. Nge2) 9. Nf3 *\n'
BAD = f'[Event "With a slip"]\n\n1. d4 d5\n2. c4 Nf9 3. Nc3 *\n\n[Event "Whole"]\n\n{MOVES} *\n'
SCREENS = {"desktop": desktop, "phone": phone}


def text_of(browser: Browser) -> str:
    return str(browser.find_element(By.TAG_NAME, "body").text)


def words(browser: Browser, css: str) -> str:
    return " ".join(see(browser, css).text.split())


def says_in_the_end(browser: Browser, words: str) -> None:
    """As `says`, for a page that opens itself anew, in the middle of being looked at."""
    waiting = WebDriverWait(browser, 30, 0.1, ignored_exceptions=[WebDriverException])
    waiting.until(lambda page: words in text_of(page), words)


def press(browser: Browser, *keys: str) -> None:
    """Press keys wherever the focus is."""
    for key in keys:
        ActionChains(browser).send_keys(key).perform()


def tab_to(browser: Browser, words: str, most: int = 80) -> None:
    """Press the tabulator until something with these words is focused, and is seen to be."""
    for _ in range(most):
        press(browser, Keys.TAB)
        focused = browser.switch_to.active_element
        # Not what is seen of it: the link to the text is still sliding in.
        text = " ".join((focused.get_attribute("textContent") or "").split())
        told = focused.get_attribute("aria-label") or text or focused.get_attribute("id")
        if (told or "").startswith(words):
            drawn = browser.execute_script(
                "const s = getComputedStyle(document.activeElement);"
                "return s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) > 0"
            )
            assert drawn, f"the focus on {words!r} cannot be seen"
            return
    raise AssertionError(f"the tabulator does not reach {words!r}")


@pytest.fixture
def files(tmp_path: Path) -> tuple[Path, Path]:
    good, bad = tmp_path / "good.pgn", tmp_path / "bad.pgn"
    good.write_text(GOOD, encoding="utf-8")
    bad.write_text(BAD, encoding="utf-8")
    return good, bad


def uploaded(browser: Browser, served: Served, *paths: Path, name: str = "") -> str:
    """Upload files by choice, wait for the end, and give the repertoire's id."""
    browser.get(served.at("/repertoires"))
    see(browser, "#pgn").send_keys("\n".join(map(str, paths)))
    see(browser, "#name").send_keys(name)
    see(browser, "#upload-form button").click()
    says(browser, "What could not be read")
    link = see(browser, ".actions a.button").get_attribute("href") or ""
    return link.rpartition("/")[2]


@contextmanager
def held_up(served: Served, share: float) -> Iterator[None]:
    """Uploads stop at a share of their work until this ends."""
    runner, go_on = repertoires_of(served.service.app).runner, threading.Event()
    real = runner._does["upload"]

    def slow(attempt: Any) -> None:
        attempt.jobs.progress(attempt.job.id, int(share * attempt.job.total) + 1)
        go_on.wait(30)
        real(attempt)

    runner._does["upload"] = slow
    try:
        yield
    finally:
        go_on.set()
        runner._does["upload"] = real


# --- Uploading.


@pytest.mark.slow
@pytest.mark.parametrize("screen", SCREENS)
def test_uploading_by_choice_with_a_bad_file(
    browser: Browser, empty_service: Served, files: tuple[Path, Path], screen: str
) -> None:
    SCREENS[screen](browser)
    browser.get(empty_service.at("/repertoires"))
    says(browser, "There is no repertoire yet.")
    accessible(browser)
    if screen == "desktop":
        shots(browser, "repertoires-empty")
    see(browser, "#pgn").send_keys("\n".join(map(str, files)))
    assert words(browser, "#chosen-files") == "good.pgn (1 kB) bad.pgn (1 kB)"
    see(browser, "#name").send_keys("Two files")
    with held_up(empty_service, 0.42):
        see(browser, "#upload-form button").click()
        says(browser, "42 % was read.")
        assert see(browser, "progress").get_attribute("value") == "42"
        accessible(browser)
        if screen == "desktop":
            shots(browser, "upload-running")
    says(browser, "Uploaded: Two files")
    told = words(browser, ".problems")
    assert told == (
        "bad.pgn, game 1, line 4, move 2... Nf9 no piece of Black can move to f9"
        if "no piece" in told
        else told
    )
    assert told.startswith("bad.pgn, game 1, line 4, move 2... Nf9")
    assert "3 chapters" in text_of(browser)
    accessible(browser)
    no_sideways(browser)
    if screen == "desktop":
        shots(browser, "upload-done")
    see(browser, ".actions a.button").click()
    says(browser, "Middlegame types")
    assert not complaints(browser)


def drop(browser: Browser, css: str, *paths: Path) -> None:
    """Drop files or folders on something, as a hand with a mouse does."""
    box = browser.execute_script(
        "const r = document.querySelector(arguments[0]).getBoundingClientRect();"
        "return [r.x + r.width / 2, r.y + r.height / 2]",
        css,
    )
    data = {"items": [], "files": [str(path) for path in paths], "dragOperationsMask": 1}
    for kind in ("dragEnter", "dragOver", "drop"):
        browser.execute_cdp_cmd(
            "Input.dispatchDragEvent", {"type": kind, "x": box[0], "y": box[1], "data": data}
        )


def test_uploading_by_drop_with_a_bad_file(
    browser: Browser, empty_service: Served, files: tuple[Path, Path]
) -> None:
    browser.get(empty_service.at("/repertoires"))
    see(browser, ".only-with-scripts")
    drop(browser, "#drop-place", *files)
    says(browser, "2 files are ready to be uploaded.")
    assert browser.switch_to.active_element.text == "Upload"
    see(browser, "#upload-form button").click()
    says(browser, "Uploaded: Good and 1 more file")
    assert words(browser, ".problems").startswith("bad.pgn, game 1, line 4, move 2... Nf9")
    assert not complaints(browser)


def test_a_folder_is_dropped_with_all_its_pgn(
    browser: Browser, empty_service: Served, tmp_path: Path
) -> None:
    course = tmp_path / "course"
    (course / "later").mkdir(parents=True)
    for name in ("10.pgn", "2.pgn", "later/3.PGN", "readme.txt"):
        (course / name).write_text(GOOD, encoding="utf-8")
    browser.get(empty_service.at("/repertoires"))
    see(browser, ".only-with-scripts")
    drop(browser, "#drop-place", course)
    says(browser, "3 files are ready to be uploaded.")
    chosen = [one.text for one in browser.find_elements(By.CSS_SELECTOR, "#chosen-files bdi")]
    assert chosen == ["2.pgn", "10.pgn", "3.PGN"]
    see(browser, "#upload-form button").click()
    says(browser, "3 chapters with")


def test_what_comes_to_nothing_is_told_where_it_was_asked_for(
    browser: Browser, empty_service: Served, tmp_path: Path
) -> None:
    browser.get(empty_service.at("/repertoires"))
    see(browser, "#upload-form button").click()
    says(browser, "Choose at least one PGN file.")
    many = [tmp_path / f"{place:03}.pgn" for place in range(101)]
    for path in many:
        path.write_text(GOOD, encoding="utf-8")
    see(browser, "#pgn").send_keys("\n".join(map(str, many)))
    says(browser, "and 61 more")
    accessible(browser)
    see(browser, "#upload-form button").click()
    says(browser, "At most 100 files fit in one upload.")
    empty = tmp_path / "empty.pgn"
    empty.write_text("no moves at all", encoding="utf-8")
    browser.get(empty_service.at("/repertoires"))
    see(browser, "#pgn").send_keys(str(empty))
    see(browser, "#upload-form button").click()
    says(browser, "Nothing was uploaded")
    accessible(browser)


@pytest.mark.slow
def test_a_new_version_a_new_name_and_the_end_by_keyboard_alone(
    browser: Browser, empty_service: Served, files: tuple[Path, Path]
) -> None:
    good, _ = files
    id = uploaded(browser, empty_service, good, name="Evening course")
    good.write_text(GOOD.replace("9. Nf3", "9. Nge2 Re8"), encoding="utf-8")
    browser.get(empty_service.at(f"/repertoires/{id}"))
    tab_to(browser, "Rename or replace")
    press(browser, Keys.ENTER)
    says(browser, "A new version")
    see(browser, "#pgn").send_keys(str(good))
    tab_to(browser, "Upload the new version")
    press(browser, Keys.ENTER)
    says(browser, "2 positions added")
    says(browser, "1 position gone")
    tab_to(browser, "See each of them")
    press(browser, Keys.ENTER)
    says(browser, "What version 2 changed")
    assert "9.Nge2 Re8" in words(browser, ".change-list")
    accessible(browser)
    shots(browser, "changes")
    browser.get(empty_service.at(f"/repertoires/{id}/manage"))
    accessible(browser)
    tab_to(browser, "name")
    press(browser, Keys.END, " again")
    press(browser, Keys.ENTER)
    until(browser, lambda page: words(page, "h1") == "Evening course again")
    tab_to(browser, "Rename or replace")
    press(browser, Keys.ENTER)
    says(browser, "Delete it")
    tab_to(browser, "Delete …")
    press(browser, Keys.ENTER)
    says(browser, "go for good")
    accessible(browser)
    tab_to(browser, "Delete it for good")
    press(browser, Keys.ENTER)
    says(browser, "There is no repertoire yet.")
    assert not complaints(browser)


# --- Reading.


@pytest.mark.parametrize("screen", SCREENS)
def test_from_types_to_a_type_to_a_line_to_its_path(
    browser: Browser, served: Served, screen: str
) -> None:
    SCREENS[screen](browser)
    browser.get(served.at("/repertoires"))
    browser.find_element(By.LINK_TEXT, "The Quiet Lever").click()
    says(browser, "75 lines in 18 chapters lead to 24 middlegame types.")
    no_sideways(browser)
    browser.find_element(By.LINK_TEXT, "Carlsbad structure").click()
    assert words(browser, "h1") == "Carlsbad structure ours, White’s"
    says(browser, "Minority attack: two pawns against three")
    no_sideways(browser)
    browser.find_element(By.CSS_SELECTOR, '[aria-label="Line 2 on the board"]').click()
    says(browser, "What stands here")
    no_sideways(browser)
    path = see(browser, ".path").text
    assert re.sub(r"\s+", " ", path) == (
        "Queen's Gambit tension, White’s, from move 2 Carlsbad structure, White’s, from move 4 "
        "c4–d4 against d5, before the isolani is decided, Black’s, in passing, at move 9 "
        "Isolated queen's pawn (isolani), Black’s, from move 10"
    )
    before = browser.current_url
    browser.find_element(By.PARTIAL_LINK_TEXT, "Isolated queen's pawn").click()
    until(browser, lambda page: words(page, "h1").startswith("10.dxc5"))
    assert browser.current_url != before
    assert see(browser, '.path [aria-current="step"]').text.startswith("Isolated queen's pawn")
    board = see(browser, "svg.pl-diagram").get_attribute("aria-label") or ""
    assert "Black to move." in board
    browser.back()
    until(browser, lambda page: not words(page, "h1").startswith("10.dxc5"))
    assert browser.current_url == before
    assert not complaints(browser)


def test_arrow_keys_step_and_the_focus_stays(browser: Browser, served: Served) -> None:
    browser.get(served.at(f"/repertoires/{served.repertoire}/nodes/1"))
    see(browser, ".keys-hint")
    seen = [words(browser, "h1 .move")]
    for _ in range(8):
        before = browser.current_url
        press(browser, Keys.ARROW_RIGHT)
        until(browser, lambda page, before=before: page.current_url != before)
        seen.append(words(browser, "h1 .move"))
    moves = ["1.d4", "1...d5", "2.c4", "2...e6", "3.Nc3", "3...Nf6", "4.cxd5", "4...exd5", "5.Bg5"]
    assert seen == moves
    told = browser.find_element(By.CSS_SELECTOR, "p[role=status]")
    assert (told.get_attribute("textContent") or "").startswith("5.Bg5. Carlsbad structure")
    address = browser.current_url
    browser.refresh()
    assert words(browser, "h1 .move") == "5.Bg5"
    assert browser.current_url == address
    tab_to(browser, "On →")
    press(browser, Keys.ENTER)
    until(browser, lambda page: words(page, "h1 .move") == "5...Be7")
    assert browser.switch_to.active_element.get_attribute("id") == "step-on"
    press(browser, Keys.END)
    until(browser, lambda page: not page.find_elements(By.ID, "step-on"))
    press(browser, Keys.HOME)
    until(browser, lambda page: words(page, "h1").startswith("The start"))
    for _ in range(2):
        browser.back()
    until(browser, lambda page: words(page, "h1 .move") == "5...Be7")
    assert not complaints(browser)


def test_a_variation_and_another_place_of_a_position_are_one_click_away(
    browser: Browser, served: Served
) -> None:
    browser.get(served.at(f"/repertoires/{served.repertoire}/groups/carlsbad/white"))
    browser.find_element(By.PARTIAL_LINK_TEXT, "a line of").click()
    says(browser, "This position is also reached in")
    accessible(browser)
    book = repertoires_of(served.service.app).desk.open(served.repertoire).work.book
    node = next(node for node in range(len(book)) if len(book.children(node)) > 1)
    browser.get(served.at(f"/repertoires/{served.repertoire}/nodes/{node}"))
    other = see(browser, ".variations li:nth-child(2) a")
    move = other.text
    other.click()
    until(browser, lambda page: words(page, "h1 .move") == move)


def test_filters_choose_by_chapter_side_and_structure(browser: Browser, served: Served) -> None:
    base = served.at(f"/repertoires/{served.repertoire}")
    browser.get(base)
    Select(see(browser, "#side")).select_by_visible_text("theirs")
    see(browser, ".filters button").click()
    until(browser, lambda page: "side=theirs" in page.current_url)
    stances = {one.text for one in browser.find_elements(By.CSS_SELECTOR, ".type .stance")}
    assert stances == {"theirs, Black’s"}
    Select(see(browser, "#structure")).select_by_visible_text("Stonewall")
    see(browser, ".filters button").click()
    says(browser, "1 middlegame type with 4 lines")
    chapter = "Exchange Variation: the minority attack"
    browser.get(base)
    Select(see(browser, "#chapter")).select_by_visible_text(chapter)
    Select(see(browser, "#order")).select_by_visible_text("an order to teach")
    see(browser, ".filters button").click()
    until(browser, lambda page: "chapter=" in page.current_url)
    assert {one.text for one in browser.find_elements(By.CSS_SELECTOR, ".type .chapters bdi")} == {
        chapter
    }
    assert Select(see(browser, "#order")).first_selected_option.text == "an order to teach"
    browser.find_element(By.LINK_TEXT, "Show all again").click()
    says(browser, "1. Carlsbad structure")


def test_by_keyboard_alone_from_the_list_to_a_position(browser: Browser, served: Served) -> None:
    browser.get(served.at("/repertoires"))
    tab_to(browser, "To the text")
    tab_to(browser, "The Quiet Lever")
    press(browser, Keys.ENTER)
    says(browser, "Middlegame types")
    tab_to(browser, "Modern Benoni")
    press(browser, Keys.ENTER)
    says(browser, "How chapters lead there")
    tab_to(browser, "Line 1 on the board", most=200)
    press(browser, Keys.ENTER)
    says(browser, "What stands here")
    tab_to(browser, "Modern Benoni")
    before = browser.current_url
    press(browser, Keys.ARROW_LEFT)
    until(browser, lambda page: page.current_url != before)


@pytest.mark.slow
def test_reading_and_uploading_without_scripts(
    browser: Browser, served: Served, files: tuple[Path, Path]
) -> None:
    scripts(browser, on=False)
    browser.get(served.at(f"/repertoires/{served.repertoire}"))
    browser.find_element(By.LINK_TEXT, "Carlsbad structure").click()
    browser.find_element(By.CSS_SELECTOR, '[aria-label="Line 2 on the board"]').click()
    move = words(browser, "h1 .move")
    browser.find_element(By.LINK_TEXT, "On →").click()
    until(browser, lambda page: words(page, "h1 .move") != move)
    browser.find_element(By.PARTIAL_LINK_TEXT, "Carlsbad structure, White’s").click()
    until(browser, lambda page: words(page, "h1 .move") == "4...exd5")
    assert "Modern Benoni" not in text_of(browser)
    # An upload works as well, and its page asks again by itself.
    browser.get(served.at("/repertoires"))
    see(browser, "#pgn").send_keys(str(files[1]))
    assert not browser.find_elements(By.CSS_SELECTOR, ".only-with-scripts:not([hidden])")
    with held_up(served, 0.5):
        see(browser, "#upload-form button").click()
        says_in_the_end(browser, "50 % was read.")
    says_in_the_end(browser, "Uploaded: bad")
    id = (see(browser, ".actions a.button").get_attribute("href") or "").rpartition("/")[2]
    browser.get(served.at(f"/repertoires/{id}/delete"))
    browser.find_element(By.XPATH, '//button[text()="Delete it for good"]').click()
    says(browser, "The Quiet Lever")


@pytest.mark.slow
def test_a_student_behind_a_link_reads_types_lines_and_boards(
    browser: Browser, served: Served
) -> None:
    browser.get(served.at(f"/study/{served.service.link(served.repertoire)}"))
    for screen in SCREENS.values():
        screen(browser)
        browser.get(served.at(f"/repertoires/{served.repertoire}"))
        says(browser, "Middlegame types")
        accessible(browser)
        for closed in ("What is owed", "Download", "Rename or", "Write a plan", "No plan note"):
            assert closed not in text_of(browser)
        browser.find_element(By.LINK_TEXT, "Carlsbad structure").click()
        says(browser, "Minority attack: two pawns against three")
        browser.find_element(By.CSS_SELECTOR, '[aria-label="Line 2 on the board"]').click()
        says(browser, "What stands here")
        press(browser, Keys.ARROW_RIGHT)
        until(browser, lambda page: "5.Bg5" in words(page, "h1"))
        accessible(browser)
    browser.get(served.at("/repertoires"))
    says(browser, "A student link does not reach this.")
    assert "The Quiet Lever" not in text_of(browser)


@pytest.mark.slow
def test_all_pages_break_no_rule_and_look_right(browser: Browser, served: Served) -> None:
    base = f"/repertoires/{served.repertoire}"
    for name, path in {
        "repertoires": "/repertoires",
        "types": base,
        "types-to-teach": f"{base}?order=teach",
        "type": f"{base}/groups/carlsbad/white",
        "type-without-a-note": f"{base}/groups/accepted-centre/white",
        "type-unsettled": f"{base}/groups/unsettled/both",
        "line": f"{base}/nodes/30?line=34",
        "line-start": f"{base}/nodes/0",
        "manage": f"{base}/manage",
        "files": f"{base}/files",
        "delete": f"{base}/delete",
        "no-problems": f"{base}/problems",
        "no-changes": f"{base}/changes",
    }.items():
        browser.get(served.at(path.partition("?")[0]) + path[len(path.partition("?")[0]) :])
        accessible(browser)
        shots(browser, f"repertoire-{name}")
        assert not complaints(browser), path


def test_a_printed_line_shows_its_move_without_a_ground(browser: Browser, served: Served) -> None:
    browser.get(served.at(f"/repertoires/{served.repertoire}/nodes/30"))
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    colours = browser.execute_script(
        "const move = getComputedStyle(document.querySelector('.line-moves [aria-current]'));"
        "return [move.color, move.backgroundColor]"
    )
    shown = {one.text for one in browser.find_elements(By.TAG_NAME, "a") if one.is_displayed()}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})
    assert colours == ["rgb(0, 0, 0)", "rgba(0, 0, 0, 0)"]
    assert not [words for words in shown if words.startswith(("Edit", "Write", "Look up"))]


@pytest.mark.slow
def test_hostile_names_and_comments_do_nothing(
    browser: Browser, empty_service: Served, tmp_path: Path
) -> None:
    evil = "<script>document.title='caught'</script><img src=x onerror=\"document.title='caught'\">"
    pgn = tmp_path / "evil.pgn"
    name = (evil.replace('"', "'") + "\u202e") * 120
    pgn.write_text(f'[Event "{name[:10_000]}"]\n\n1. d4 {{{evil}}} d5 2. c4 {{{evil}}} *\n')
    id = uploaded(browser, empty_service, pgn, name=evil[:200])
    for path in ("", "/groups/queens-gambit-tension/white", "/nodes/1", "/manage", "/delete"):
        browser.get(empty_service.at(f"/repertoires/{id}{path}"))
        assert "caught" not in browser.title.replace(evil[:200], "").replace("title='caught'", "")
        assert "<script>" in text_of(browser) or path in ("/groups/queens-gambit-tension/white",)
        no_sideways(browser)
        phone(browser)
        no_sideways(browser)
        desktop(browser)
        accessible(browser)
        assert not complaints(browser)
    browser.get(empty_service.at(f"/repertoires/{id}/nodes/1"))
    press(browser, Keys.ARROW_RIGHT)
    until(browser, lambda page: "1...d5" in words(page, "h1"))
    assert browser.title != "caught"


def test_a_line_is_still_open_after_a_restart(browser: Browser, empty_service: Served) -> None:
    id = put_demo(empty_service.service, notes=False)
    browser.get(empty_service.at(f"/repertoires/{id}/nodes/8"))
    says(browser, "What stands here")
    empty_service.restart()
    press(browser, Keys.ARROW_RIGHT)
    until(browser, lambda page: words(page, "h1 .move") == "5.Bg5")
    browser.refresh()
    assert words(browser, "h1 .move") == "5.Bg5"
