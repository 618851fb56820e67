"""Who may do what: hosts, senders, tokens, cookies, student links and their commands."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from hypothesis import given
from hypothesis import strategies as st
from page_forms import form_key
from running_services import TestService, bearer, make_service
from sqlalchemy import text
from werkzeug.test import TestResponse

from pawnlore.service.access.host_header import answers_for, name_in
from pawnlore.service.access.needs import needs, needs_of
from pawnlore.service.access.same_origin import is_refused
from pawnlore.service.access.secrets import LINK, TOKEN, digest_of, is_secret, new_secret
from pawnlore.service.access.signing_key import NAME, signing_key
from pawnlore.service.cli import main
from pawnlore.service.settings import Settings, settings_from_environment
from pawnlore.service.store.schema import RepertoireRow
from pawnlore.service.store.store import Store, open_store

STUDY = "study.example"
OURS = {"Origin": f"https://{STUDY}"}
AWAY = {"Origin": "https://evil.example"}


@pytest.fixture
def local(tmp_path: Path) -> Iterator[TestService]:
    """A service for this machine alone."""
    made = make_service(tmp_path)
    yield made
    made.store.close()


@pytest.fixture
def public(tmp_path: Path) -> Iterator[TestService]:
    """A service behind a proxy with TLS."""
    made = make_service(tmp_path, names=(STUDY,), trusted_proxy="127.0.0.1")
    yield made
    made.store.close()


class Browser(FlaskClient):
    """A client that keeps cookies and reaches the service over TLS."""

    def open(self, *args: Any, **kwargs: Any) -> TestResponse:
        kwargs.setdefault("base_url", f"https://{STUDY}")
        return super().open(*args, **kwargs)


def browser(service: TestService) -> Browser:
    return Browser(service.app, service.app.response_class, use_cookies=True)


def add_repertoire(store: Store, id: str) -> str:
    """A repertoire's row, which is all that a link asks for."""
    with store.writing() as connection:
        now = store.clock()
        connection.execute(
            RepertoireRow.__table__.insert().values(  # type: ignore[attr-defined]
                id=id, name="course", side="white", upload="none", created=now, changed=now
            )
        )
    return id


# --- The Host header.


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1:8719", "[::1]:8719", "LOCALHOST:1"])
def test_loopback_names_are_answered(local: TestService, host: str) -> None:
    assert local.client().get("/trial/who", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",  # a page elsewhere whose name was rebound to 127.0.0.1
        "localhost.evil.example",
        "127.0.0.1.evil.example",
        "192.0.2.7",
        "0.0.0.0:8719",
    ],
)
@pytest.mark.parametrize("path", ["/trial/who", "/healthz", "/nothing", "/sign-in"])
def test_dns_rebinding_does_not_reach_a_loopback_service(
    local: TestService, host: str, path: str
) -> None:
    answer = local.client().get(path, headers={"Host": host})
    assert answer.status_code == 421  # RFC 9110, section 15.5.20
    assert answer.content_type == "application/problem+json"


@pytest.mark.parametrize(
    "host", ["", "a b", "localhost, evil.example", "user@localhost", "localhost:port", "[::1", "é"]
)
def test_a_malformed_host_is_refused(local: TestService, host: str) -> None:
    answer = local.client().get("/trial/who", environ_overrides={"HTTP_HOST": host})
    assert answer.status_code == 400


def test_names_and_literal_addresses_of_a_public_service() -> None:
    settings = Settings(Path("home"), "sqlite:///x", host="0.0.0.0", names=(STUDY,))
    assert answers_for(STUDY, settings)
    assert answers_for("192.0.2.7", settings)
    assert answers_for("[2001:db8::1]", settings)
    assert not answers_for("evil.example", settings)
    assert name_in("Study.Example.:443") == STUDY


@pytest.fixture(scope="module")
def lasting(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestService]:
    made = make_service(tmp_path_factory.mktemp("lasting"), names=(STUDY,), host="0.0.0.0")
    yield made
    made.store.close()


_HOSTILE = st.text(st.characters(codec="latin-1"), max_size=40)


@given(host=_HOSTILE, path=_HOSTILE, authorization=_HOSTILE, cookie=_HOSTILE, origin=_HOSTILE)
def test_hostile_headers_and_paths_are_refused_and_break_nothing(
    lasting: TestService, host: str, path: str, authorization: str, cookie: str, origin: str
) -> None:
    sent = {
        "PATH_INFO": f"/{path}",
        "HTTP_AUTHORIZATION": authorization,
        "HTTP_COOKIE": f"pawnlore={cookie}",
        "HTTP_ORIGIN": origin,
    }
    client = lasting.client()
    assert client.get(environ_overrides={**sent, "HTTP_HOST": host}).status_code in (400, 404, 421)
    known = {**sent, "HTTP_HOST": STUDY, "PATH_INFO": "/trial/notes"}
    assert client.post(environ_overrides=known, json={}).status_code in (401, 403)
    found = client.get(environ_overrides={**sent, "HTTP_HOST": STUDY})
    assert found.status_code < 500


# --- Who sends it.


def test_on_loopback_the_author_needs_no_sign_in(local: TestService) -> None:
    known = local.client().get("/trial/who").json
    assert known == {"name": "this machine", "right": "write", "repertoire": None}
    assert local.client().post("/trial/notes", json={"a": 1}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        AWAY,
        {"Origin": "null"},
        {"Origin": "http://localhost:9999"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"},
    ],
)
def test_another_site_cannot_write_on_loopback(local: TestService, headers: dict[str, str]) -> None:
    answer = local.client().post("/trial/notes", json={}, headers=headers)
    assert answer.status_code == 403
    assert answer.get_json(force=True)["type"] == "/problems/other-site"


def test_another_site_can_neither_embed_nor_fetch(local: TestService) -> None:
    client = local.client()
    for mode, dest in (("no-cors", "script"), ("cors", "empty"), ("navigate", "iframe")):
        headers = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": mode, "Sec-Fetch-Dest": dest}
        assert client.get("/trial/who", headers=headers).status_code == 403
    followed = {
        "Sec-Fetch-Site": "cross-site",
        "Sec-Fetch-Mode": "navigate",
        "Sec-Fetch-Dest": "document",
    }
    assert client.get("/trial/who", headers=followed).status_code == 200


def test_preflights_of_other_sites_get_no_leave(local: TestService) -> None:
    asked = {**AWAY, "Access-Control-Request-Method": "POST"}
    answer = local.client().options("/trial/notes", headers=asked)
    assert not [name for name, _ in answer.headers if name.startswith("Access-Control-")]


def test_our_own_page_may_write() -> None:
    origin = "https://study.example"
    for sent in ({"Origin": origin}, {"Sec-Fetch-Site": "same-origin", "Origin": origin}):
        assert not is_refused("POST", sent, origin, cookie=True)
    assert is_refused("POST", {}, origin, cookie=True)
    assert not is_refused("POST", {}, origin, cookie=False)


@pytest.mark.parametrize(
    "header", ["Forwarded", "X-Forwarded-For", "X-Forwarded-Host", "X-Real-IP"]
)
def test_a_proxy_that_was_not_named_does_not_open_the_door(local: TestService, header: str) -> None:
    assert local.client().get("/trial/who", headers={header: "x"}).status_code == 403


# --- Tokens.


def test_secrets_are_long_and_differ() -> None:
    made = {new_secret(TOKEN) for _ in range(100)}
    assert len(made) == 100
    # 43 signs of base64 hold 256 bits (RFC 4648, section 5).
    assert all(is_secret(secret) and len(secret) - len(TOKEN) == 43 for secret in made)
    assert not any(is_secret(text) for text in ("", "plt_", "x" * 47, f"{TOKEN}{'é' * 43}"))


def test_only_the_digest_of_a_token_is_kept(local: TestService, tmp_path: Path) -> None:
    secret = local.token()
    with local.store.reading() as connection:
        (kept,) = connection.execute(text("SELECT digest FROM tokens")).scalars()
    assert kept == digest_of(secret)
    local.store.close()
    held = b"".join(path.read_bytes() for path in tmp_path.rglob("*") if path.is_file())
    assert secret.encode() not in held
    assert digest_of(secret).encode() in held


def test_rights_of_tokens(public: TestService) -> None:
    reader, writer = public.token("read", "reader"), public.token("write", "writer")
    client = browser(public)
    assert client.get("/trial/who", headers=bearer(reader)).get_json()["name"] == "reader"
    refused = client.post("/trial/notes", json={}, headers=bearer(reader))
    assert refused.status_code == 403
    # A batch is sent with POST, and yet only reads.
    assert client.post("/trial/classify", json={}, headers=bearer(reader)).status_code == 200
    assert client.post("/trial/notes", json={}, headers=bearer(writer)).status_code == 200


@pytest.mark.parametrize(
    "header", [None, "Bearer", "Bearer x", "Basic YTpi", f"Bearer {TOKEN}{'A' * 43}", "Bearer é"]
)
def test_without_a_good_token_nothing_opens(public: TestService, header: str | None) -> None:
    headers = {"Authorization": header} if header else {}
    for answer in (
        browser(public).get("/trial/who", headers=headers),
        browser(public).post("/trial/notes", json={}, headers=headers),
    ):
        assert answer.status_code == 401
        # RFC 9110, section 11.6.1: a 401 must carry a challenge.
        assert answer.headers["WWW-Authenticate"].startswith('Bearer realm="pawnlore"')
        assert answer.content_type == "application/problem+json"


def test_a_revoked_token_is_worthless_at_once(public: TestService) -> None:
    secret = public.token()
    client = browser(public)
    assert client.get("/trial/who", headers=bearer(secret)).status_code == 200
    public.shelf.revoke_token("laptop")
    assert client.get("/trial/who", headers=bearer(secret)).status_code == 401


def test_a_bad_token_is_told_on_loopback_too(local: TestService) -> None:
    assert local.client().get("/trial/who", headers=bearer("nothing")).status_code == 401


def test_a_names_signs_are_shown_as_they_are(public: TestService) -> None:
    client = browser(public)
    page = client.get("/", headers=bearer(public.token(name="<b>mine</b>"))).get_data(as_text=True)
    assert "&lt;b&gt;mine&lt;/b&gt;" in page


def test_health_needs_no_token(public: TestService) -> None:
    assert browser(public).get("/healthz").status_code == 200
    assert browser(public).get("/readyz").status_code == 200


# --- The cookie.


def sign_in(client: FlaskClient, token: str) -> str:
    data = {"token": f" {token}\n", "form_key": form_key(client, "/sign-in")}
    answer = client.post("/sign-in", data=data, headers=OURS)
    assert answer.status_code == 303, answer.get_data(as_text=True)
    return answer.headers["Set-Cookie"]


def test_a_browser_signs_in_and_out(public: TestService) -> None:
    client, token = browser(public), public.token()
    cookie = sign_in(client, token)
    # RFC 6265bis: the prefix binds a cookie to this very host over TLS.
    assert cookie.startswith("__Host-pawnlore=")
    for attribute in ("HttpOnly", "Secure", "SameSite=Strict", "Path=/", "Expires="):
        assert attribute in cookie
    assert token not in cookie
    assert client.get("/trial/who").get_json()["name"] == "laptop"
    assert "<span>laptop</span>" in client.get("/").get_data(as_text=True)
    leave = {"form_key": form_key(client, "/")}
    assert client.post("/sign-out", data=leave, headers=OURS).status_code == 303
    assert client.get("/trial/who").status_code == 401
    assert "Nobody is signed in" in client.get("/").get_data(as_text=True)


def test_a_change_with_a_cookie_must_come_from_our_own_page(public: TestService) -> None:
    client = browser(public)
    sign_in(client, public.token())
    assert client.post("/trial/notes", json={}, headers=OURS).status_code == 200
    same = {"Sec-Fetch-Site": "same-origin"}
    assert client.post("/trial/notes", json={}, headers=same).status_code == 200
    for headers in ({}, AWAY, {"Origin": f"http://{STUDY}"}, {"Sec-Fetch-Site": "cross-site"}):
        assert client.post("/trial/notes", json={}, headers=headers).status_code == 403


def test_another_site_cannot_sign_a_browser_in(public: TestService) -> None:
    answer = browser(public).post("/sign-in", data={"token": public.token()}, headers=AWAY)
    assert answer.status_code == 403
    assert "Set-Cookie" not in answer.headers


def test_revoking_a_token_ends_its_sign_ins(public: TestService) -> None:
    client = browser(public)
    sign_in(client, public.token())
    public.shelf.revoke_token("laptop")
    assert client.get("/trial/who").status_code == 401


def test_a_cookie_that_was_tampered_with_is_none(public: TestService) -> None:
    client = browser(public)
    value = sign_in(client, public.token()).split("=", 1)[1].split(";")[0]
    forged = ("A" if value[0] != "A" else "B") + value[1:]
    fresh = browser(public)
    fresh.set_cookie("__Host-pawnlore", forged, domain=STUDY, secure=True)
    assert fresh.get("/trial/who").status_code == 401


def test_a_cookie_outlives_a_restart_but_not_its_key(public: TestService, tmp_path: Path) -> None:
    client = browser(public)
    value = sign_in(client, public.token()).split("=", 1)[1].split(";")[0]

    def status_after_restart() -> int:
        again = make_service(tmp_path, names=(STUDY,), trusted_proxy="127.0.0.1")
        fresh = browser(again)
        fresh.set_cookie("__Host-pawnlore", value, domain=STUDY, secure=True)
        status = fresh.get("/trial/who").status_code
        again.store.close()
        return status

    assert status_after_restart() == 200
    (tmp_path / NAME).unlink()
    assert status_after_restart() == 401


@pytest.mark.parametrize("token", ["", "x", f"{TOKEN}{'A' * 43}"])
def test_a_wrong_token_signs_nobody_in(public: TestService, token: str) -> None:
    client = browser(public)
    data = {"token": token, "form_key": form_key(client, "/sign-in")}
    refused = client.post("/sign-in", data=data, headers=OURS)
    assert refused.status_code == 403 and "not known" in refused.text
    assert client.post("/sign-in", json={"token": token}, headers=OURS).status_code == 403
    assert client.post("/sign-in", json={"token": [token]}, headers=OURS).status_code == 403
    assert client.get("/trial/who").status_code == 401


def test_a_program_may_sign_in_with_json(public: TestService) -> None:
    client = browser(public)
    assert client.post("/sign-in", json={"token": public.token("read")}).status_code == 204
    assert client.get("/trial/who").get_json()["right"] == "read"


def test_the_key_is_made_once_and_is_private(tmp_path: Path) -> None:
    key = signing_key(tmp_path / "new")
    assert len(key) == 32
    assert signing_key(tmp_path / "new") == key
    file = tmp_path / "new" / NAME
    if os.name == "posix":
        assert file.stat().st_mode & 0o077 == 0
    file.write_bytes(b"cut")
    assert len(signing_key(tmp_path / "new")) == 32
    assert [path.name for path in file.parent.iterdir()] == [NAME]


# --- Student links.


def test_a_student_reads_one_repertoire_and_nothing_else(public: TestService) -> None:
    secret = public.link(add_repertoire(public.store, "course1"))
    client = browser(public)
    followed = client.get(f"/study/{secret}")
    assert followed.status_code == 303
    assert followed.headers["Location"] == "/repertoires/course1"
    cookie = followed.headers["Set-Cookie"]
    assert "SameSite=Lax" in cookie
    assert "HttpOnly" in cookie
    assert secret not in cookie
    known = client.get("/trial/who").get_json()
    assert known == {"name": "student", "right": "read", "repertoire": "course1"}
    assert client.get("/trial/repertoires/course1").status_code == 200
    assert client.get("/trial/repertoires/course2").status_code == 404
    # What does not say that students may use it is closed to them.
    assert client.get("/trial/owed").status_code == 403
    assert client.post("/trial/notes", json={}, headers=OURS).status_code == 403
    assert client.post("/trial/classify", json={}, headers=OURS).status_code == 200


def test_a_link_works_for_programs_and_ends_when_it_is_revoked(public: TestService) -> None:
    secret = public.link(add_repertoire(public.store, "course1"))
    client = browser(public)
    assert client.get("/trial/who", headers=bearer(secret)).status_code == 200
    client.get(f"/study/{secret}")
    (link,) = public.shelf.links()
    public.shelf.revoke_link(link.id)
    assert client.get("/trial/who", headers=bearer(secret)).status_code == 401
    assert client.get("/trial/who").status_code == 401
    assert client.get(f"/study/{secret}").status_code == 404


def test_tokens_and_links_are_not_taken_for_each_other(public: TestService) -> None:
    link, token = public.link(add_repertoire(public.store, "course1")), public.token()
    client = browser(public)
    assert client.get(f"/study/{token}").status_code == 404
    data = {"token": link, "form_key": form_key(client, "/sign-in")}
    refused = client.post("/sign-in", data=data, headers=OURS)
    assert refused.status_code == 403 and "not known" in refused.text
    assert client.get(f"/study/{LINK}{'A' * 43}").status_code == 404


# --- What views declare.


def test_a_forgotten_declaration_closes_doors() -> None:
    def view() -> None: ...

    assert needs_of(view, "GET").right == "read"
    assert {needs_of(view, method).right for method in ("POST", "PUT", "PATCH", "DELETE")} == {
        "write"
    }
    assert not needs_of(view, "GET").students
    with pytest.raises(ValueError, match="no right"):
        needs("own")


def test_every_view_that_everybody_may_use_is_known(local: TestService) -> None:
    open_views = {
        rule.rule
        for rule in local.app.url_map.iter_rules()
        if needs_of(local.app.view_functions[rule.endpoint], "POST").right == "nothing"
    }
    assert open_views <= {
        "/",
        "/healthz",
        "/readyz",
        "/sign-in",
        "/sign-out",
        "/static/<digest>/<name>",
        "/study/<secret>",
        "/problems/<kind>",
        "/api/openapi.json",
    }


# --- The command.


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("PAWNLORE_HOME", str(tmp_path))
    monkeypatch.delenv("PAWNLORE_DATABASE", raising=False)
    return tmp_path


def test_tokens_on_the_command_line(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["access", "token", "add", "laptop", "--right", "read"]) == 0
    secret = capsys.readouterr().out.splitlines()[-1]
    assert is_secret(secret)
    assert main(["access", "token", "list"]) == 0
    listed = capsys.readouterr().out
    assert re.search(r"^laptop +read +\d{4}-\d\d-\d\d \d\d:\d\d UTC$", listed, re.M)
    assert secret not in listed
    assert main(["access", "token", "add", "laptop"]) == 2
    assert "laptop" in capsys.readouterr().err
    assert main(["access", "token", "revoke", "laptop"]) == 0
    capsys.readouterr()
    assert main(["access", "token", "list"]) == 0
    assert "laptop" not in capsys.readouterr().out
    assert main(["access", "token", "list", "--all"]) == 0
    assert "laptop" in capsys.readouterr().out
    assert main(["access", "token", "revoke", "laptop"]) == 2


def test_links_on_the_command_line(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    store = open_store(settings_from_environment().database)
    add_repertoire(store, "course1")
    url = f"https://{STUDY}/"
    assert main(["access", "link", "add", "course1", "--name", "Tuesday group", "--url", url]) == 0
    shown = capsys.readouterr().out
    address = shown.splitlines()[-1]
    assert address.startswith(f"https://{STUDY}/study/{LINK}")
    id = shown.split()[3].rstrip(",")
    assert main(["access", "link", "list"]) == 0
    listed = capsys.readouterr().out
    assert f"{id}  course1     Tuesday group" in listed
    assert address.rpartition("/")[2] not in listed
    assert main(["access", "link", "revoke", id]) == 0
    assert main(["access", "link", "revoke", id]) == 2
    assert main(["access", "link", "add", "nothing"]) == 2
    assert "no such repertoire" in capsys.readouterr().err
    store.close()
