"""Teaching in a browser: each journey on both screens, some by keys alone, one without scripts."""

from __future__ import annotations

import re
from collections.abc import Iterator
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
    put_demo,
    says,
    scripts,
    see,
    shots,
    start,
    until,
)
from selenium.common.exceptions import WebDriverException
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait

from pawnlore.service.api.repertoires_at_hand import repertoires_of
from pawnlore.service.store.asked_shelf import AskedShelf
from pawnlore.service.store.family_shelf import FamilyShelf, GivenExample
from pawnlore.service.store.label_shelf import LabelShelf
from pawnlore.service.store.model_shelf import ModelShelf
from pawnlore.structures.skeleton import Skeleton, placement

pytestmark = [pytest.mark.browser, pytest.mark.slow]

FEN = "r1bq1rk1/pp2bppp/2n1pn2/3p4/2PP4/2N2N2/PP2BPPP/R1BQ1RK1 w - - 0 9"
CLAMPS = (
    "r1bq1rk1/pp3ppp/2nbpn2/2pp4/P2P1P2/2PBPN2/1P1N2PP/R1BQK2R w KQ - 0 9",
    "r1bq1rk1/5ppp/p1nbpn2/1ppp4/P2P1P2/2PBPN2/1P1N2PP/R1BQK2R w KQ - 0 9",
    "r1bq1rk1/p4ppp/1pnbpn2/2pp4/P2P1P1P/2PBPN2/1P1N2P1/R1BQK2R w KQ - 0 9",
)
NAME = "<i>Wing</i> clamp & co"
SCREENS = {"desktop": desktop, "phone": phone}


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Served]:
    """A service of its own with the demo course: teaching changes what others would see."""
    running = start(tmp_path / "own")
    running.repertoire = put_demo(running.service)
    yield running
    running.stop()


def press(browser: Browser, *keys: str) -> None:
    """Press keys wherever the focus is."""
    for key in keys:
        ActionChains(browser).send_keys(key).perform()


def tab_to(browser: Browser, css: str, most: int = 80) -> None:
    """Press the tabulator until what a selector names has the focus."""
    for _ in range(most):
        press(browser, Keys.TAB)
        if browser.execute_script("return document.activeElement.matches(arguments[0])", css):
            return
    raise AssertionError(f"the tabulator does not reach {css}")


def asked(browser: Browser) -> str:
    """The position that is asked about; empty while one page makes way for the next."""
    try:
        return str(
            browser.execute_script(
                "const field = document.querySelector('.answers input[name=fen]');"
                "return document.readyState === 'complete' && field ? field.value : ''"
            )
        )
    except WebDriverException:
        return ""


def next_question(browser: Browser, before: str) -> None:
    until(browser, lambda driver: asked(driver) not in ("", before), "no other question comes")


# --- Labels.


@pytest.mark.parametrize("screen", SCREENS)
def test_a_verdict_is_corrected_where_it_is_read(
    browser: Browser, empty_service: Served, screen: str
) -> None:
    SCREENS[screen](browser)
    browser.get(empty_service.at("/look-up", fen=FEN))
    see(browser, ".labelling summary").click()
    accessible(browser)
    Select(see(browser, "#label-structure")).select_by_value("hanging-pawns")
    see(browser, "input[name=holder][value=white]").click()
    see(browser, "#label-reason").send_keys("<b>They</b> will hang")
    see(browser, "button[value=keep]").click()
    # The page comes back at the label, which is opened.
    says(browser, "<b>They</b> will hang")
    assert see(browser, "h1").text == "Hanging pawns"
    accessible(browser)
    no_sideways(browser)
    see(browser, "button[value=undo]").click()
    until(browser, lambda driver: see(driver, "h1").text != "Hanging pawns")
    assert not LabelShelf(empty_service.service.store).list()
    assert not complaints(browser)


def test_a_verdict_is_corrected_on_a_line_by_keys_alone(browser: Browser, own: Served) -> None:
    browser.get(own.at(f"/repertoires/{own.repertoire}/nodes/20"))
    tab_to(browser, ".labelling summary")
    press(browser, Keys.ENTER)
    tab_to(browser, "#label-structure")
    press(browser, "h", "a", "n")
    tab_to(browser, "button[value=keep]")
    press(browser, Keys.ENTER)
    says(browser, "You labelled these pawns: Hanging pawns")
    assert "/nodes/20" in browser.current_url
    assert LabelShelf(own.service.store).list()[0].structure == "hanging-pawns"


def test_labels_are_made_listed_and_undone_without_scripts(
    browser: Browser, empty_service: Served, tmp_path: Path
) -> None:
    scripts(browser, on=False)
    browser.get(empty_service.at("/look-up", fen=FEN))
    see(browser, ".labelling summary").click()
    see(browser, "button[value=keep]").click()
    says(browser, "Your label")
    browser.get(empty_service.at("/teach/labels"))
    says(browser, "1 label.")
    see(browser, "button[value=undo]").click()
    says(browser, "The label was taken away")
    see(browser, "button[value=keep]").click()
    says(browser, "1 label.")
    bad = tmp_path / "bad.epd"
    bad.write_text('8/8/4p3/3p4/3P4/8/8/8 w - - c0 "nope"; c1 "both";\nxx\n', encoding="utf-8")
    see(browser, "#labels").send_keys(str(bad))
    see(browser, "form[enctype] button").click()
    says(browser, "'nope' is no family")
    says(browser, "line 2")
    scripts(browser, on=True)
    browser.get(empty_service.at("/teach/labels"))
    accessible(browser)
    shots(browser, "teach-labels")
    browser.get(empty_service.at("/teach/label", fen=FEN))
    accessible(browser)
    shots(browser, "teach-label")


# --- Families.


@pytest.mark.parametrize("screen", SCREENS)
def test_a_family_grows_from_a_position_on_the_board(
    browser: Browser, empty_service: Served, screen: str
) -> None:
    SCREENS[screen](browser)
    browser.get(empty_service.at("/look-up", fen=CLAMPS[0]))
    see(browser, ".labelling summary").click()
    browser.find_element(By.LINK_TEXT, "Give it to a family of your own").click()
    says(browser, "A family is about pawns.")
    accessible(browser)
    see(browser, "#name").send_keys(NAME)
    see(browser, "section[aria-labelledby=new] .actions button").click()
    says(browser, "1 example,")
    assert see(browser, "h1").text == NAME
    see(browser, "#fens").send_keys("\n".join(CLAMPS[1:]) + "\nnonsense")
    see(browser, "#fens").submit()
    says(browser, "Line 3 cannot be read")
    typed = see(browser, "#fens")
    assert CLAMPS[1] in str(typed.get_attribute("value"))
    typed.clear()
    typed.send_keys("\n".join(CLAMPS[1:]))
    typed.submit()
    says(browser, "3 examples")
    accessible(browser)
    no_sideways(browser)
    told = see(browser, ".traits tbody td").text
    see(browser, ".traits button").click()
    says(browser, "Does not matter:")
    assert told not in [one.text for one in browser.find_elements(By.CSS_SELECTOR, ".traits td")]
    see(browser, "section[aria-labelledby=common] details summary").click()
    see(browser, "#where").send_keys("f4")
    see(browser, ".must-form button").click()
    says(browser, "Must be: the holder: a pawn on f4")
    accessible(browser)
    shots(browser, f"teach-family-{screen}")
    (kept,) = FamilyShelf(empty_service.service.store).list()
    assert kept.name == NAME and kept.must == ("own f4",) and len(kept.examples) == 3
    browser.get(empty_service.at("/teach/families"))
    accessible(browser)
    no_sideways(browser)


# --- What to label next.


@pytest.mark.parametrize("screen", SCREENS)
def test_questions_are_answered_with_one_key_and_none_comes_twice(
    browser: Browser, own: Served, screen: str
) -> None:
    SCREENS[screen](browser)
    browser.get(own.at("/teach/next"))
    accessible(browser)
    no_sideways(browser)
    seen = []
    for key in ("1", "2", "p", "1"):
        seen.append(asked(browser))
        press(browser, key)
        next_question(browser, seen[-1])
    assert len(set(seen)) == 4 and asked(browser) not in seen
    assert len(LabelShelf(own.service.store).list()) == 3
    assert len(AskedShelf(own.service.store).skeletons()) == 1
    # An answer that is taken back is asked about again.
    press(browser, "u")
    until(browser, lambda driver: asked(driver) == seen[-1])
    assert len(LabelShelf(own.service.store).list()) == 2
    # With the keys switched off nothing happens, and the buttons still answer.
    see(browser, "#keys-on").click()
    press(browser, "1")
    assert len(LabelShelf(own.service.store).list()) == 2
    see(browser, ".answers button[data-key='1']").click()
    next_question(browser, seen[-1])
    assert not see(browser, "#keys-on").is_selected()
    see(browser, "#keys-on").click()
    press(browser, "o")
    says(browser, "Label these pawns")
    shots(browser, f"teach-next-{screen}")
    assert not complaints(browser)


# --- Retraining.


def compared(browser: Browser) -> None:
    """Wait for the page that compares a new version with what is in use.

    Retraining takes seconds of a processor, of which a busy machine gives little.
    """
    WebDriverWait(browser, 120).until(
        lambda driver: re.search(r"/teach/model/\d+$", driver.current_url)
    )
    says(browser, "Old against new")


def off_core_pawns(served: Served, count: int) -> list[Skeleton]:
    """Pawns of the course that are named, White's, and meet no core."""
    with served.service.app.app_context():
        distinct = repertoires_of(served.service.app).desk.open(served.repertoire).work.distinct
    found = []
    for row in range(distinct.masks.shape[0]):
        verdict = distinct.verdicts[row]
        if verdict.settled and not verdict.core and verdict.holder == "white":
            white, black = distinct.masks[row].tolist()
            found.append(Skeleton(white, black))
    return found[:count]


@pytest.mark.parametrize("screen", SCREENS)
def test_retraining_is_compared_accepted_and_taken_back(
    browser: Browser, own: Served, screen: str
) -> None:
    SCREENS[screen](browser)
    store = own.service.store
    browser.get(own.at("/teach/model"))
    see(browser, "form[action='/teach/model'] button").click()
    says(browser, "There is nothing to learn from yet")
    pawns = off_core_pawns(own, 5)
    shelf = FamilyShelf(store)
    shelf.add("own/clamp", NAME)
    fens = [f"{placement(one)} w - - 0 1" for one in pawns]
    given = [
        GivenExample((one.white, one.black), "white", fen)
        for one, fen in zip(pawns, fens, strict=True)
    ]
    shelf.put_examples("own/clamp", given)
    first = (pawns[0].white, pawns[0].black)
    LabelShelf(store).put(first, "stonewall", "white", fen=fens[0], reason="a slip")
    browser.get(own.at("/teach/model"))
    accessible(browser)
    see(browser, "form[action='/teach/model'] button").click()
    # The page of the progress leads on by itself.
    compared(browser)
    accessible(browser)
    no_sideways(browser)
    says(browser, "The examination, which nothing was learnt from")
    says(browser, "Label: Stonewall")
    says(browser, f"Example: {NAME}")
    changed = see(browser, "[aria-label='Table: What would change']").text
    assert NAME in changed and "The Quiet Lever" in changed
    shots(browser, f"teach-version-{screen}")
    SCREENS[screen](browser)
    assert ModelShelf(store).in_use().version == 0
    see(browser, "button[value=accept]").click()
    says(browser, "which you taught")
    assert ModelShelf(store).in_use().version == 1
    repertoires_of(own.service.app).runner.wait()
    browser.get(own.at("/look-up", fen=fens[1]))
    assert see(browser, "h1").text == NAME
    browser.get(own.at("/model"))
    says(browser, "What it takes for what, on what you said")
    assert NAME in see(browser, "[aria-label='Table: Your families']").text
    accessible(browser)
    no_sideways(browser)
    browser.get(own.at("/teach/model/1/figures"))
    says(browser, "Figures of version 1")
    accessible(browser)
    shots(browser, f"teach-model-in-use-{screen}")
    SCREENS[screen](browser)
    browser.get(own.at("/teach/model"))
    accessible(browser)
    no_sideways(browser)
    see(browser, "button[value=return]").click()
    says(browser, "In use: the model that ships")
    assert ModelShelf(store).in_use().version == 0
    shots(browser, f"teach-versions-{screen}")


def test_a_rejected_version_changes_nothing_and_a_late_choice_is_told(
    browser: Browser, own: Served
) -> None:
    store = own.service.store
    pawns = off_core_pawns(own, 1)[0]
    fen = f"{placement(pawns)} w - - 0 1"
    LabelShelf(store).put((pawns.white, pawns.black), "carlsbad", "white", fen=fen)
    browser.get(own.at("/teach/model"))
    see(browser, "form[action='/teach/model'] button").click()
    compared(browser)
    address = browser.current_url
    # Somebody else chooses while this page is open.
    ModelShelf(store).choose(0, author="somebody else")
    see(browser, "button[value=accept]").click()
    says(browser, "Somebody chose another version in the meantime")
    assert ModelShelf(store).in_use().version == 0
    browser.get(address)
    see(browser, "button[value=reject]").click()
    says(browser, "rejected")
    assert ModelShelf(store).get(1).state == "rejected"
    assert ModelShelf(store).in_use().version == 0
