"""The application's frame: problems for every error, limits, headers, logs, health."""

from __future__ import annotations

import io
import json
import logging
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from hypothesis import given
from hypothesis import strategies as st
from running_services import TestService, bearer, make_service
from werkzeug.test import TestResponse

from pawnlore.service.api.json_body import parse_json
from pawnlore.service.api.problems import CONTENT_TYPE, KINDS, Problem
from pawnlore.service.deadline import Deadline, OutOfTime
from pawnlore.service.logs import JsonLines
from pawnlore.service.running import parts_of
from pawnlore.service.settings import (
    ServiceLimits,
    Settings,
    data_folder,
    database_url,
    is_host_name,
)

LIMITS = ServiceLimits(body_bytes=2000, pgn_bytes=5000, json_depth=4, json_values=50)


@pytest.fixture
def service(tmp_path: Path) -> Iterator[TestService]:
    made = make_service(tmp_path, limits=LIMITS)
    yield made
    made.store.close()


@pytest.fixture
def client(service: TestService) -> FlaskClient:
    return service.client()


def problem(answer: TestResponse, status: int) -> dict[str, object]:
    """The document of an answer, checked for the members of RFC 9457, section 3.1."""
    assert answer.status_code == status, answer.get_data(as_text=True)
    assert answer.content_type == CONTENT_TYPE
    document = json.loads(answer.get_data())
    assert document["status"] == status
    assert document["title"] and document["detail"]
    kind = document["type"].removeprefix("/problems/")
    assert kind == "about:blank" or kind in KINDS
    return document


def test_health_and_readiness(client: FlaskClient) -> None:
    assert client.get("/healthz").json == {"status": "alive"}
    ready = client.get("/readyz").json
    assert ready is not None
    assert ready["status"] == "ready"


def test_a_service_that_stops_is_not_ready_any_more(
    service: TestService, client: FlaskClient
) -> None:
    parts_of(service.app).stopping.set()
    answer = client.get("/readyz")
    assert "stopping" in problem(answer, 503)["detail"]
    assert answer.headers["Retry-After"] == "5"
    # It still lives, and answers what is in flight.
    assert client.get("/healthz").status_code == 200


def test_a_lost_store_is_told_and_recovers(service: TestService, client: FlaskClient) -> None:
    file = Path(service.settings.database.removeprefix("sqlite:///"))
    away = file.with_name("away")
    token = service.token()
    service.store.close()
    file.rename(away)
    found = problem(client.get("/readyz"), 503)
    assert found["type"] == "/problems/store"
    assert client.get("/healthz", headers=bearer(token)).status_code == 200
    problem(client.get("/trial/who", headers=bearer(token)), 503)
    away.rename(file)
    assert client.get("/readyz").status_code == 200


@pytest.mark.parametrize(
    ("method", "path", "status"),
    [("GET", "/nothing", 404), ("DELETE", "/healthz", 405), ("GET", "/trial/fault", 500)],
)
def test_every_error_is_a_problem(client: FlaskClient, method: str, path: str, status: int) -> None:
    found = problem(client.open(path, method=method), status)
    assert str(found["instance"]).startswith("urn:uuid:")


def test_a_wrong_method_is_told_the_right_ones(client: FlaskClient) -> None:
    # RFC 9110, section 15.5.6: a 405 must carry Allow.
    answer = client.post("/healthz")
    assert "GET" in answer.headers["Allow"]
    assert "GET" in str(problem(answer, 405)["detail"])


def test_a_fault_shows_nothing_of_what_was_worked_on(client: FlaskClient) -> None:
    assert b"private words" not in client.get("/trial/fault").data


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_problem_is_explained_at_its_address(client: FlaskClient, kind: str) -> None:
    answer = client.get(f"/problems/{kind}")
    assert answer.status_code == 200
    assert answer.get_data(as_text=True).startswith(KINDS[kind][0])


def test_an_answer_carries_the_headers_that_keep_others_out(client: FlaskClient) -> None:
    for path in ("/healthz", "/nothing", "/sign-in"):
        headers = client.get(path, headers={"Origin": "http://localhost"}).headers
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
        assert headers["Cross-Origin-Resource-Policy"] == "same-origin"
        # Cross-origin reading stays closed.
        assert not [name for name, _ in headers if name.startswith("Access-Control-")]


def test_a_body_beyond_the_limit_is_refused(client: FlaskClient) -> None:
    body = json.dumps("x" * 2000)
    answer = client.post("/trial/notes", data=body, content_type="application/json")
    found = problem(answer, 413)
    assert found["type"] == "/problems/too-large"
    assert "2,000" in str(found["detail"])


def test_an_upload_has_a_limit_of_its_own(client: FlaskClient) -> None:
    assert client.put("/trial/upload", data=b"x" * 5000).json == {"bytes": 5000}
    problem(client.put("/trial/upload", data=b"x" * 5001), 413)


@pytest.mark.parametrize(
    ("body", "status"),
    [
        (b"[[[[[1]]]]]", 413),
        (b"[" + b"1," * 50 + b"1]", 413),
        (b"[" * 1500, 413),
        (b"{", 400),
        (b"", 400),
        (b"nul", 400),
        (b"NaN", 400),
        (b"-Infinity", 400),
        (b'{"a": 1, "a": 2}', 400),
        (b'"\\ud800"', 400),
        (b'"\\u0000"', 400),
        (b'{"\\u0000": 1}', 400),
        (b"\xff", 400),
        (b"\xef\xbb\xbf{}", 400),
    ],
)
def test_json_that_cannot_be_used_is_a_problem(
    client: FlaskClient, body: bytes, status: int
) -> None:
    problem(client.post("/trial/notes", data=body, content_type="application/json"), status)


def test_another_media_type_is_refused(client: FlaskClient) -> None:
    problem(client.post("/api/notes", data=b"{}", content_type="text/plain"), 415)


def test_a_number_of_thousands_of_digits_is_a_problem() -> None:
    with pytest.raises(Problem) as found:
        parse_json(b"1" * 10_000, ServiceLimits())
    assert found.value.status == 400


def test_brackets_and_commas_inside_texts_do_not_count() -> None:
    text = "[{,\\" * 100 + '"'
    assert parse_json(json.dumps([text]).encode(), LIMITS) == [text]


@given(
    st.recursive(
        st.none() | st.booleans() | st.integers() | st.text(st.characters(codec="utf-8")),
        lambda inner: (
            st.lists(inner, max_size=3) | st.dictionaries(st.text("ab", max_size=3), inner)
        ),
        max_leaves=6,
    )
)
def test_json_is_read_as_the_standard_library_reads_it(value: object) -> None:
    wide = ServiceLimits()
    text = json.dumps(value)
    if "\\u0000" in text:
        return
    assert parse_json(text.encode(), wide) == json.loads(text)


@given(st.binary(max_size=60))
def test_no_bytes_break_the_reader(data: bytes) -> None:
    try:
        parse_json(data, LIMITS)
    except Problem as found:
        assert found.status in (400, 413)


def test_the_deepest_json_that_is_allowed_is_read() -> None:
    deepest = ServiceLimits().json_depth
    assert parse_json(b"[" * deepest + b"]" * deepest, ServiceLimits()) is not None
    assert deepest < sys.getrecursionlimit() // 10


def test_a_deadline_passes() -> None:
    now = [100.0]
    deadline = Deadline.after(5, lambda: now[0])
    now[0] = 105.0
    deadline.check("ignored")
    now[0] = 105.1
    with pytest.raises(OutOfTime, match="5 seconds"):
        deadline.check()


def test_the_log_tells_of_a_request_and_keeps_secrets(
    service: TestService, caplog: pytest.LogCaptureFixture
) -> None:
    token, student = service.token(), "pls_" + "s" * 43
    client = service.client()
    with caplog.at_level(logging.INFO):
        client.get(f"/trial/who?note=secret-words&token={token}", headers=bearer(token)).close()
        client.get(f"/study/{student}").close()
        client.get(f"/mistyped/{student}").close()
        client.get("/trial/fault").close()
        client.open("/trial/who", method="SECRETMETHOD").close()
    lines = [JsonLines().format(record) for record in caplog.records]
    text = "\n".join(lines)
    for secret in (token, student, "secret-words", "private words", "SECRETMETHOD"):
        assert secret not in text
    found = [json.loads(line) for line in lines]
    first = found[0]
    assert (first["method"], first["route"], first["status"]) == ("GET", "/trial/who", 200)
    assert first["caller"] == "laptop"
    assert first["ms"] >= 0
    fault = next(line for line in found if line["event"] == "fault")
    assert fault["errors"][0]["error"] == "builtins.RuntimeError"
    assert "running_services.py" in fault["errors"][0]["at"][-1]


def test_a_log_line_is_one_line_of_json() -> None:
    stream = io.StringIO()
    handler = logging.StreamHandler(stream)
    handler.setFormatter(JsonLines())
    log = logging.Logger("trial")
    log.addHandler(handler)
    log.error("two\nlines with plt_%s", "x" * 43)
    (line,) = stream.getvalue().splitlines()
    assert json.loads(line)["event"] == "two\nlines with (secret)"


def test_the_data_folder_is_the_users() -> None:
    # XDG Base Directory Specification 0.8: the default and what to do with a relative path.
    home = Path.home()
    if sys.platform == "linux":
        assert data_folder({}) == home / ".local" / "share" / "pawnlore"
        assert data_folder({"XDG_DATA_HOME": "relative"}) == data_folder({})
        assert data_folder({"XDG_DATA_HOME": "/data"}) == Path("/data/pawnlore")
    assert data_folder({"PAWNLORE_HOME": "/elsewhere"}) == Path("/elsewhere")
    assert database_url(home, {"PAWNLORE_DATABASE": "postgresql://h/d"}) == "postgresql://h/d"


@pytest.mark.parametrize(
    ("given", "asked"),
    [
        ({}, False),
        ({"host": "::1"}, False),
        ({"host": "0.0.0.0"}, True),
        ({"host": "study.example"}, True),
        ({"trusted_proxy": "127.0.0.1"}, True),
        ({"names": ("study.example",)}, True),
        ({"sign_in": True}, True),
    ],
)
def test_a_sign_in_is_asked_for_wherever_others_could_come(
    given: dict[str, object], asked: bool
) -> None:
    settings = Settings(Path("home"), "sqlite:///x", **given)  # type: ignore[arg-type]
    assert settings.needs_sign_in is asked


@pytest.mark.parametrize(
    ("name", "good"),
    [("study.example", True), ("localhost", True), ("", False), ("a/b", False), ("a:1", False),
     ("-a", False), ("x" * 300, False)],
)  # fmt: skip
def test_host_names_are_told_from_other_texts(name: str, good: bool) -> None:
    assert is_host_name(name) is good
