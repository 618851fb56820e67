"""The frame of all pages: policy, forms, problems, files, the look at any width."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from browsers import Browser, Served, accessible, complaints, says, see, shots, start, until
from flask.testing import FlaskClient
from page_forms import form_key
from running_services import TestService, bearer, make_service
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from pawnlore.service.pages.static_files import FOLDER, asset

BROWSER = {"Accept": "text/html,application/xhtml+xml,application/xml;q=0.9,*/*;q=0.8"}
OURS = {"Origin": "http://localhost"}


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestService]:
    made = make_service(tmp_path_factory.mktemp("frame"), sign_in=True)
    yield made
    made.store.close()


@pytest.fixture
def client(service: TestService) -> FlaskClient:
    return service.client()


def test_the_policy_allows_nothing_inline_and_nothing_from_elsewhere(client: FlaskClient) -> None:
    answer = client.get("/sign-in", headers=BROWSER)
    policy = dict(
        part.strip().split(" ", 1) for part in answer.headers["Content-Security-Policy"].split(";")
    )
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
    assert policy["base-uri"] == policy["frame-ancestors"] == "'none'"
    assert policy["form-action"] == "'self'"
    assert "unsafe" not in str(policy)


def test_no_template_holds_code_or_style() -> None:
    for path in (FOLDER.parent / "templates").rglob("*.html"):
        text = path.read_text(encoding="utf-8")
        assert not re.search(r"<style|\sstyle=|\son[a-z]+=|javascript:", text), path
        for tag in re.findall(r"<script[^>]*>", text):
            assert "src=" in tag or 'type="application/json"' in tag, path
        # Every form that changes something holds its key.
        for form in re.findall(r'<form[^>]*method="post".*?</form>', text, re.S):
            assert "csrf_field()" in form, path
        assert "|safe" not in text, path


def test_files_keep_for_a_year_and_an_old_address_leads_on(client: FlaskClient) -> None:
    for path in FOLDER.iterdir():
        answer = client.get(asset(path.name))
        assert answer.status_code == 200 and answer.data == path.read_bytes()
        assert "immutable" in answer.headers["Cache-Control"]
    moved = client.get("/static/0123456789abcdef/book.css")
    assert moved.status_code == 302 and moved.headers["Location"] == asset("book.css")
    for name in ("none.css", "..%2Flayout.py", "__init__.py"):
        assert client.get(f"/static/0123456789abcdef/{name}").status_code == 404


def test_nothing_in_the_style_sheet_is_fetched_from_elsewhere() -> None:
    text = Path(FOLDER / "book.css").read_text(encoding="utf-8")
    assert "url(" not in text and "@import" not in text and "@font-face" not in text


def test_a_browser_gets_problems_as_pages_and_a_program_as_documents(client: FlaskClient) -> None:
    page = client.get("/nothing", headers=BROWSER)
    assert page.status_code == 404 and page.content_type.startswith("text/html")
    assert "<h1>There is nothing here</h1>" in page.text
    for accept in ("*/*", "application/json", ""):
        headers = {"Accept": accept} if accept else {}
        assert client.get("/nothing", headers=headers).content_type == "application/problem+json"
    api = client.get("/api/nothing", headers=BROWSER)
    assert api.content_type == "application/problem+json"


def test_who_is_not_signed_in_is_asked_to_and_led_back(
    service: TestService, client: FlaskClient
) -> None:
    page = client.get("/trial/who?x=<b>", headers=BROWSER)
    assert page.status_code == 401
    assert 'name="next" value="/trial/who?x=&lt;b&gt;"' in page.text or "%3Cb%3E" in page.text
    data = {"token": service.token(name="led-back"), "next": "/trial/who?x=1"}
    data["form_key"] = form_key(client, "/sign-in")
    answer = client.post("/sign-in", data=data, headers=OURS)
    assert (answer.status_code, answer.headers["Location"]) == (303, "/trial/who?x=1")


@pytest.mark.parametrize("next", ["//evil.example", "https://evil.example/", "/\\evil", "/a\tb"])
def test_signing_in_leads_nowhere_else(
    service: TestService, client: FlaskClient, next: str
) -> None:
    data = {"token": service.token(name=f"to {next!r}"), "next": next}
    data["form_key"] = form_key(client, "/sign-in")
    assert client.post("/sign-in", data=data, headers=OURS).headers["Location"] == "/"


def test_a_form_without_its_key_is_refused_and_keeps_what_was_typed(client: FlaskClient) -> None:
    typed = "<script>alert(1)</script> of a long plan\nwith a second line"
    for key in ("", "0" * 64, form_key(client, "/sign-in") + "0", "é"):
        answer = client.post(
            "/sign-in", data={"text": typed, "form_key": key}, headers={**OURS, **BROWSER}
        )
        assert answer.status_code == 403
        assert "<script>" not in answer.text
        assert "&lt;script&gt;alert(1)&lt;/script&gt; of a long plan" in answer.text


def test_a_key_is_worth_nothing_in_another_browser_or_for_somebody_else(
    service: TestService,
) -> None:
    one, other = service.client(), service.client()
    key = form_key(one, "/sign-in")
    form_key(other, "/sign-in")
    data = {"token": service.token(name="key"), "form_key": key}
    assert other.post("/sign-in", data=data, headers=OURS).status_code == 403
    assert one.post("/sign-in", data=data, headers=OURS).status_code == 303
    # Now somebody is signed in, for whom the key was not made.
    assert one.post("/sign-out", data={"form_key": key}, headers=OURS).status_code == 403
    key = form_key(one, "/")
    assert one.post("/sign-out", data={"form_key": key}, headers=OURS).status_code == 303


def test_a_program_needs_no_key(service: TestService, client: FlaskClient) -> None:
    assert client.post("/sign-in", json={"token": service.token(name="json")}).status_code == 204


# --- In a browser.

pytest_browser = pytest.mark.browser


@pytest_browser
def test_the_front_page_looks_right_and_breaks_no_rule(browser: Browser, served: Served) -> None:
    browser.get(served.url)
    says(browser, "Pawnlore")
    accessible(browser)
    shots(browser, "front")
    assert not complaints(browser)


@pytest_browser
def test_a_problem_page_breaks_no_rule(browser: Browser, served: Served) -> None:
    browser.get(served.at("/nothing-here"))
    says(browser, "There is nothing here")
    accessible(browser)
    shots(browser, "problem")


@pytest_browser
def test_signing_in_with_a_token_and_out_again(browser: Browser, tmp_path: Path) -> None:
    running = start(tmp_path, sign_in=True)
    try:
        token = running.service.token()
        browser.get(running.at("/look-up", moves="d4"))
        says(browser, "Sign in first")
        accessible(browser)
        browser.find_element(By.ID, "token").send_keys("wrong", Keys.ENTER)
        says(browser, "The token is not known")
        # The form is there still, and knows where to go on.
        browser.find_element(By.ID, "token").send_keys(token, Keys.ENTER)
        # It leads to the page that was asked for.
        until(browser, lambda driver: driver.current_url.endswith("/look-up?moves=d4"))
        says(browser, "laptop")
        see(browser, ".reader button").click()
        says(browser, "Nobody is signed in")
        assert not [line for line in complaints(browser) if "40" not in line]
    finally:
        running.stop()


@pytest_browser
def test_a_form_that_was_open_too_long_can_be_sent_again(browser: Browser, tmp_path: Path) -> None:
    running = start(tmp_path, sign_in=True)
    try:
        token = running.service.token()
        browser.get(running.at("/sign-in"))
        browser.delete_all_cookies()
        browser.find_element(By.ID, "token").send_keys(token, Keys.ENTER)
        says(browser, "The form must be sent again")
        accessible(browser)
        # A token is not written into a page.
        assert token not in browser.page_source
        browser.find_element(By.CSS_SELECTOR, "input[name=token]").send_keys(token, Keys.ENTER)
        says(browser, "laptop")
    finally:
        running.stop()


def test_a_link_on_another_site_leads_to_a_page_that_says_so(client: FlaskClient) -> None:
    followed = {
        "Sec-Fetch-Site": "cross-site",
        "Sec-Fetch-Mode": "navigate",
        "Sec-Fetch-Dest": "document",
    }
    page = client.get("/look-up?moves=d4", headers={**BROWSER, **followed})
    assert page.status_code == 401
    assert 'href="/look-up?moves=d4">Open this page again' in page.text


def test_a_lost_store_is_told_on_a_page(tmp_path: Path) -> None:
    made = make_service(tmp_path)
    client = made.client()
    file = Path(made.settings.database.removeprefix("sqlite:///"))
    made.store.close()
    file.rename(file.with_name("away"))
    for path in ("/", "/look-up", "/structures/carlsbad"):
        page = client.get(path, headers=BROWSER)
        assert page.status_code == 503, path
        assert "<h1>Not to be reached just now</h1>" in page.text
        assert page.headers["Retry-After"] == "5"
    file.with_name("away").rename(file)
    assert client.get("/look-up", headers=BROWSER).status_code == 200
    made.store.close()


def test_a_fault_of_ours_is_told_with_its_number_alone(service: TestService) -> None:
    headers = {**BROWSER, **bearer(service.token(name="fault"))}
    page = service.client().get("/trial/fault", headers=headers)
    assert page.status_code == 500
    assert "private words" not in page.text
    assert "The log has it under the number" in page.text


def test_the_cookie_of_forms_is_bound_to_this_host(tmp_path: Path) -> None:
    made = make_service(tmp_path, names=("study.example",), trusted_proxy="127.0.0.1")
    answer = made.client().get("/sign-in", base_url="https://study.example")
    (cookie,) = answer.headers.getlist("Set-Cookie")
    assert cookie.startswith("__Host-pawnlore-form=")
    for attribute in ("Secure", "HttpOnly", "SameSite=Lax", "Path=/"):
        assert attribute in cookie
    assert "Domain" not in cookie
    made.store.close()
