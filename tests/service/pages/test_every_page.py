"""Every page of the service: for everybody to read, with a title, one face and no complaint."""

from __future__ import annotations

from io import BytesIO
from itertools import pairwise

import pytest
from browsers import Browser, Served, axe, complaints, desktop, no_sideways, phone, theme
from kept_surveys import beside, keep_survey
from selenium.webdriver.common.by import By
from taught_reports import made_figures

from pawnlore.service.api.repertoires_at_hand import repertoires
from pawnlore.service.store.family_shelf import FamilyShelf
from pawnlore.service.store.job_shelf import JobShelf
from pawnlore.service.store.label_shelf import LabelShelf
from pawnlore.service.store.model_shelf import ModelShelf
from pawnlore.service.store.note_shelf import NoteShelf
from pawnlore.service.store.repertoire_shelf import RepertoireShelf
from pawnlore.service.store.survey_shelf import SurveyShelf
from pawnlore.service.teaching_jobs import KIND as TEACHING

# One address of each page; what stands in braces is found in the store.
PAGES = {
    "/": "/",
    "/look-up": "/look-up?moves=d4 d5 c4 e6 Nc3 Nf6 cxd5 exd5&repertoire={repertoire}",
    "/model": "/model",
    "/notes": "/notes",
    "/notes/<id>": "/notes/{note}",
    "/notes/<id>/edit": "/notes/{note}/edit",
    "/notes/<id>/revisions": "/notes/{note}/revisions",
    "/notes/new": "/notes/new?structure=carlsbad&holder=white",
    "/repertoires": "/repertoires",
    "/repertoires/<id>": "/repertoires/{repertoire}",
    "/repertoires/<id>/beside": "/repertoires/{repertoire}/beside",
    "/repertoires/<id>/changes": "/repertoires/{repertoire}/changes",
    "/repertoires/<id>/delete": "/repertoires/{repertoire}/delete",
    "/repertoires/<id>/files": "/repertoires/{repertoire}/files",
    "/repertoires/<id>/groups/<path:structure>/<holder>": (
        "/repertoires/{repertoire}/groups/carlsbad/white"
    ),
    "/repertoires/<id>/load": "/repertoires/{repertoire}/load",
    "/repertoires/<id>/manage": "/repertoires/{repertoire}/manage",
    "/repertoires/<id>/move-order": "/repertoires/{repertoire}/move-order",
    "/repertoires/<id>/nodes/<int:node>": "/repertoires/{repertoire}/nodes/30?line=34",
    "/repertoires/<id>/owed": "/repertoires/{repertoire}/owed",
    "/repertoires/<id>/problems": "/repertoires/{repertoire}/problems",
    "/repertoires/<id>/reminders": "/repertoires/{repertoire}/reminders",
    "/repertoires/uploads/<job>": "/repertoires/uploads/{upload}",
    "/sign-in": "/sign-in",
    "/structures": "/structures",
    "/structures/<path:id>": "/structures/carlsbad",
    "/surveys": "/surveys",
    "/surveys/<id>": "/surveys/{survey}",
    "/surveys/<id>/structures/<path:structure>": "/surveys/{survey}/structures/carlsbad",
    "/teach/families": "/teach/families",
    "/teach/families/<path:id>": "/teach/families/{family}",
    "/teach/label": "/teach/label?fen=8/pp3ppp/4p3/8/3P4/8/PP3PPP/8",
    "/teach/labels": "/teach/labels",
    "/teach/labels/former": "/teach/labels/former",
    "/teach/model": "/teach/model",
    "/teach/model/<int:number>/figures": "/teach/model/{version}/figures",
    "/teach/model/jobs/<job>": "/teach/model/jobs/{teaching}",
    "/teach/next": "/teach/next",
}
# It needs a model that was trained: test_teach_journeys.py trains one, and looks at it.
TRAINED = {"/teach/model/<int:number>"}
NO_PAGES = {
    "/healthz",
    "/readyz",
    "/problems/<kind>",  # tells in JSON what a kind of error is
    "/static/<digest>/<name>",
    "/study/<secret>",  # leads on to the repertoire
    "/teach/labels.epd",  # a file
}


LISTED = {**dict.fromkeys(PAGES), **dict.fromkeys(TRAINED), **dict.fromkeys(NO_PAGES)}


def addresses(served: Served) -> dict[str, str]:
    """The addresses of `PAGES` in a store that holds one of each thing."""
    store = served.service.store
    family = FamilyShelf(store).add("own/clamp", "Wing clamp")
    upload = RepertoireShelf(store).get(served.repertoire).upload
    survey = keep_survey(SurveyShelf(store), "Club games", beside(served.repertoire, upload))
    for structure in ("carlsbad", "hedgehog"):
        LabelShelf(store).put((1 << 27, 1 << 52), structure, "white", reason="a4, b5 and c6")
    content = b"numbers that only have a digest"
    version = ModelShelf(store).add(
        content,
        base="",
        taught_from={"labels": 4, "families": []},
        figures=made_figures(content),
    )
    found = {
        "version": str(version.number),
        "survey": survey.id,
        "repertoire": served.repertoire,
        "note": NoteShelf(store).list()[0].id,
        "family": family.id,
        "upload": JobShelf(store).list()[0].id,
        # Nobody works at it, so the page of its progress stays.
        "teaching": JobShelf(store).add(TEACHING).id,
    }
    return {route: path.format_map(found) for route, path in PAGES.items()}


@pytest.mark.browser
def test_no_page_is_left_out(served: Served) -> None:
    there = {
        rule.rule
        for rule in served.service.app.url_map.iter_rules()
        if "GET" in (rule.methods or ()) and not rule.rule.startswith(("/api/", "/trial/"))
    }
    assert there == set(LISTED)


@pytest.mark.browser
@pytest.mark.slow
def test_every_page_can_be_read_by_everybody(browser: Browser, served: Served) -> None:
    titles: dict[str, str] = {}
    for route, path in addresses(served).items():
        browser.get(served.url + path)
        assert not axe(browser), route
        theme(browser, "dark")
        phone(browser)
        no_sideways(browser)
        assert not axe(browser), f"{route} on a phone in the dark"
        desktop(browser)
        theme(browser, "light")
        assert not complaints(browser), route
        assert len(browser.find_elements(By.TAG_NAME, "h1")) == 1, route
        levels = [
            int(one.tag_name[1]) for one in browser.find_elements(By.CSS_SELECTOR, "h1,h2,h3,h4")
        ]
        # The board of a position stands before its heading, never a smaller heading.
        assert levels[0] == 1 and all(then <= one + 1 for one, then in pairwise(levels)), route
        title, mark, name = browser.title.rpartition(" – ")
        assert title and mark and name == "Pawnlore", route
        titles[route] = title
    # A bookmark tells one page from the other; the front page is the empty look-up.
    del titles["/"]
    assert len(set(titles.values())) >= len(titles) - 1, titles


@pytest.mark.browser
def test_headings_and_text_are_of_one_face(browser: Browser, served: Served) -> None:
    browser.get(served.at(f"/repertoires/{served.repertoire}/groups/carlsbad/white"))
    for domain in ("DOM", "CSS"):
        browser.execute_cdp_cmd(f"{domain}.enable", {})
    root = browser.execute_cdp_cmd("DOM.getDocument", {})["root"]["nodeId"]
    faces = set()
    for selector in ("h1", "h2", "h3", ".note strong", ".note em", ".note p", "button"):
        asked = {"nodeId": root, "selector": selector}
        node = browser.execute_cdp_cmd("DOM.querySelector", asked)["nodeId"]
        if node:
            used = browser.execute_cdp_cmd("CSS.getPlatformFontsForNode", {"nodeId": node})["fonts"]
            faces |= {font["familyName"] for font in used if "Mono" not in font["familyName"]}
    assert len(faces) == 1, faces


@pytest.mark.browser
@pytest.mark.slow
def test_a_long_name_without_a_gap_fits_a_phone(browser: Browser, served: Served) -> None:
    client, long = served.service.client(), "W" * 180
    pgn = (BytesIO(f'[Event "{long}"]\n\n1. d4 {{{long}}} d5 2. c4 *\n'.encode()), f"{long}.pgn")
    answer = client.post(f"/api/repertoires?name={long}", data={"pgn": pgn})
    with served.service.app.app_context():
        repertoires().runner.wait()
    job = client.get(answer.headers["Location"]).json
    assert job is not None
    about = 'structure = "carlsbad"\nholder = "white"\nside = "holder"'
    text = f'+++\n{about}\ntitle = "{long}"\n+++\nX\n'
    note = NoteShelf(served.service.store).create(text)
    phone(browser)
    base = f"/repertoires/{job['result']['repertoire']}"
    for path in (
        "/",
        "/repertoires",
        *(f"{base}{part}" for part in ("", "/nodes/2", "/manage", "/delete", "/files", "/owed")),
        *(f"/notes/{note.id}{part}" for part in ("", "/edit", "/revisions")),
        "/notes",
        "/structures/carlsbad",
    ):
        browser.get(served.url + path)
        no_sideways(browser)
