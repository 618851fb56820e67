"""The API as its own document has it: every operation, a good request for it, who may send it.

Nothing here knows an operation by name. What is needed beside the document are
things to name in addresses: a note, a label, a repertoire, a job (`Things`).
"""

from __future__ import annotations

import itertools
import json
import re
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import chess
import jsonschema_rs
from flask.testing import FlaskClient
from kept_surveys import beside, keep_survey
from running_services import TestService, bearer, make_service
from taught_reports import made_figures
from werkzeug.test import TestResponse

from pawnlore.models.classifier import shipped_classifier
from pawnlore.models.taught_classifier import taught_bytes, with_families
from pawnlore.service.api.openapi import document
from pawnlore.service.api.problems import CONTENT_TYPE
from pawnlore.service.api.repertoires_at_hand import repertoires
from pawnlore.service.store.model_shelf import ModelShelf
from pawnlore.service.store.repertoire_shelf import RepertoireShelf
from pawnlore.service.store.survey_shelf import SurveyShelf

PGN = "application/vnd.chess-pgn"
GAME = '[Event "One"]\n\n1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 Be7 6. e3 c6 *\n'
FEN = "r1bq1rk1/pp1nbppp/2p2n2/3p2B1/3P4/2NBPN2/PPQ2PPP/R4RK1 w - - 3 10"


OWN = "own/labelled-by-the-author"
"""The structure that the labels of `Author.things` name."""


NUMBERS = (number for number in itertools.count(1) if number.bit_count() <= 8)
"""Numbers for `bare_pawns`, each of them once in a test run."""


def bare_pawns(number: int) -> str:
    """A bare placement of White's pawns on two ranks, another one for each number from 1 on.

    More than eight bits make more pawns than a side can have.
    """
    board = chess.BaseBoard.empty()
    for place in range(16):
        if number >> place & 1:
            board.set_piece_at(chess.A2 + place, chess.Piece(chess.PAWN, chess.WHITE))
    return board.board_fen()


def note(
    title: str = "T", body: str = "Text.\n", structure: str = "carlsbad", side: str = "holder"
) -> str:
    """A note's text."""
    quoted = json.dumps(title, ensure_ascii=False)
    header = f'structure = "{structure}"\nholder = "any"\nside = "{side}"\ntitle = {quoted}\n'
    return f"+++\n{header}+++\n{body}"


@contextmanager
def served(home: Path, **settings: Any) -> Iterator[TestService]:
    """A service for as long as a test needs it; no upload outlives it."""
    service = make_service(home, **settings)
    try:
        yield service
    finally:
        with service.app.app_context():
            repertoires().runner.close()
        service.store.close()


@dataclass(frozen=True, repr=False)
class Described:
    """One operation of the document."""

    address: str
    method: str
    value: Mapping[str, Any]
    whole: Mapping[str, Any] = field(repr=False, compare=False)

    def __repr__(self) -> str:
        return self.label

    @property
    def id(self) -> str:
        return str(self.value["operationId"])

    @property
    def label(self) -> str:
        return f"{self.method.upper()} {self.address}"

    @property
    def parameters(self) -> list[Any]:
        return list(self.value.get("parameters", ()))

    @property
    def bodies(self) -> Mapping[str, Any]:
        found: Mapping[str, Any] = self.value.get("requestBody", {}).get("content", {})
        return found

    @property
    def paged(self) -> bool:
        return any(one["name"] == "cursor" for one in self.parameters)

    @property
    def good_statuses(self) -> set[int]:
        return {int(status) for status in self.value["responses"] if status < "300"}

    def may(self, scheme: str, right: str = "") -> bool:
        """Whether somebody with this kind of access, and this right, may use it."""
        ways = self.value["security"]
        if not ways:
            return True
        rights = {"read", "write"} if right == "write" else {right}
        return any(
            set(asked) <= rights if scheme == "token" else True
            for way in ways
            for name, asked in way.items()
            if name == scheme
        )

    @property
    def open_to_all(self) -> bool:
        return not self.value["security"]

    @property
    def of_one_repertoire(self) -> bool:
        return {"link": ["its-repertoire"]} in self.value["security"]

    def sample(self, schema: Mapping[str, Any]) -> Any:
        """A value that fits a schema, the example where the document gives one."""
        if "$ref" in schema:
            return self.sample(self.whole["components"]["schemas"][schema["$ref"].split("/")[-1]])
        if schema.get("examples"):
            return schema["examples"][0]
        if "const" in schema:
            return schema["const"]
        if "enum" in schema:
            return next(one for one in schema["enum"] if one)
        for choice in ("anyOf", "oneOf"):
            if choice in schema:
                return self.sample(schema[choice][0])
        kind = schema["type"]
        if kind == "object":
            needed = schema.get("required", ()) or list(schema.get("properties", {}))[:1]
            return {name: self.sample(schema["properties"][name]) for name in needed}
        if kind == "array":
            return [self.sample(schema["items"])] * max(1, schema.get("minItems", 0))
        if kind == "string" and "pattern" not in schema:
            return "x" * max(1, schema.get("minLength", 0))
        simple = {"integer": schema.get("minimum", 1), "number": 0.5, "boolean": False}
        return simple[kind]

    def request(self, things: Things, media: str = "") -> dict[str, Any]:
        """A good request, as the keywords of a test client's ``open``."""
        found: dict[str, Any] = {"method": self.method.upper(), "headers": {}}
        query = {}
        for one in self.parameters:
            if one["in"] == "query" and one["required"]:
                query[one["name"]] = self.sample(one["schema"])
            elif one["in"] == "header" and one["required"]:
                # Whichever revision it is: this is about rights and forms.
                found["headers"][one["name"]] = "*" if one["name"] == "If-Match" else "x"
        if query:
            found["query_string"] = query
        found["path"] = things.address(self.address)
        if self.bodies:
            media = media or next(iter(self.bodies))
            found.update(self._body(media))
        return found

    def _body(self, media: str) -> dict[str, Any]:
        if "chess" in media or (PGN in self.bodies and media in self.bodies):
            if media == "multipart/form-data":
                import io

                return {"data": {"pgn": [(io.BytesIO(GAME.encode()), "one.pgn")]}}
            return {"data": GAME.encode(), "content_type": media}
        value = self.sample(self.bodies[media]["schema"])
        data = json.dumps(value) if media == "application/json" else str(value)
        return {"data": data.encode(), "content_type": media}


def described(service: TestService) -> list[Described]:
    """Every operation of a service's document."""
    whole = document(service.app)
    return [
        Described(address, method, value, whole)
        for address, path in whole["paths"].items()
        for method, value in path.items()
    ]


@dataclass
class Things:
    """Something of every kind that an address can name."""

    ids: dict[str, str]

    def address(self, template: str) -> str:
        """The address with a thing's id in the place of its part in braces."""

        def put(found: re.Match[str]) -> str:
            collection = template[: found.start()].rstrip("/").rsplit("/", 1)[-1]
            return self.ids.get(collection, "x")

        return re.sub(r"\{[^}]*\}", put, template)


def author_of(service: TestService) -> dict[str, str]:
    """Headers of somebody who may write, where a sign-in is needed; else none."""
    return bearer(service.token(name="author")) if service.settings.needs_sign_in else {}


class Author:
    """Makes things over HTTP, as an author does."""

    def __init__(self, service: TestService) -> None:
        self.headers = author_of(service)
        self.store = service.store
        self.client: FlaskClient = service.client()

    def send(self, method: str, path: str, status: int, **more: Any) -> TestResponse:
        headers = {**self.headers, **more.pop("headers", {})}
        answer = self.client.open(path, method=method, headers=headers, **more)
        assert answer.status_code == status, (method, path, answer.get_data(as_text=True))
        return answer

    def note(self, text: str = "", **more: Any) -> str:
        sent = {"text": text or note(), **more}
        return str(json_of(self.send("POST", "/api/notes", 201, json=sent))["id"])

    def label(self, fen: str = FEN, structure: str = "carlsbad") -> str:
        sent = {"fen": fen, "structure": structure, "holder": "white"}
        return str(json_of(self.send("POST", "/api/labels", 201, json=sent))["id"])

    def upload(self, raw: bytes = GAME.encode(), name: str = "Course") -> tuple[str, str]:
        """The ids of a repertoire and of the job that read it."""
        answer = self.send(
            "POST", "/api/repertoires", 202, data=raw, content_type=PGN, query_string={"name": name}
        )
        job = self.ended(answer)
        assert job["state"] == "done", job
        return str(job["result"]["repertoire"]), str(job["id"])

    def ended(self, begun: TestResponse) -> dict[str, Any]:
        """A job when it has ended."""
        for _ in range(1500):
            job = json_of(self.send("GET", begun.headers["Location"], 200))
            if job["state"] in ("done", "failed"):
                return dict(job)
            time.sleep(0.01)
        raise AssertionError(f"the job does not end: {job}")

    def things(self) -> Things:
        """New ones of every kind."""
        repertoire, job = self.upload()
        made = {"repertoires": repertoire, "jobs": job, "structures": "carlsbad"}
        label = self.label(bare_pawns(next(NUMBERS)), OWN)
        made["families"], made["versions"] = self.family(), str(self.version())
        made["surveys"] = self.survey(repertoire)
        made |= {"tables": "by_ply", "plots": "scores", "beside": "unanswered_moves"}
        return Things({**made, "notes": self.note(), "labels": label})

    def survey(self, repertoire: str) -> str:
        """The id of a new survey, beside a repertoire; it is made where files are, not here."""
        upload = RepertoireShelf(self.store).get(repertoire).upload
        name = f"Games {next(NUMBERS)}"
        return keep_survey(SurveyShelf(self.store), name, beside(repertoire, upload)).id

    def family(self) -> str:
        """The name of a new own family with two examples."""
        name = f"family-{next(NUMBERS)}"
        self.send("POST", "/api/teaching/families", 201, json={"id": f"own/{name}"})
        sent = {"fens": [FEN, "8/8/4p3/3p4/3P4/8/8/8"], "holder": "white"}
        self.send("POST", f"/api/teaching/families/{name}/examples", 200, json=sent)
        return name

    def version(self) -> int:
        """The number of a version; it is put into the store, for teaching takes seconds."""
        version = ModelShelf(self.store).add(
            _taught_nothing(),
            base=shipped_classifier().digest,
            taught_from={"labels": 0, "families": []},
            figures=made_figures(_taught_nothing()),
        )
        return version.number


@cache
def _taught_nothing() -> bytes:
    return taught_bytes(with_families(shipped_classifier(), ()))


def text_of(answer: TestResponse) -> str:
    """The body as text, also where it is none."""
    return answer.get_data().decode("utf-8", "replace")


def json_of(answer: TestResponse) -> Any:
    return json.loads(answer.get_data())


@cache
def _problem_schema(text: str) -> jsonschema_rs.Validator:
    return jsonschema_rs.validator_for(json.loads(text))


INSIDE = re.compile(
    r"Traceback|File \"|site-packages|\.py\b|sqlalchemy|psycopg|sqlite3?\b|werkzeug|waitress|"
    r"0x[0-9a-f]{6,}|<class|<built-in|NoneType|RuntimeError|KeyError|ValueError|TypeError",
    re.IGNORECASE,
)
"""What would tell of the server's inner side."""


def keeps_its_word(
    answer: TestResponse, whole: Mapping[str, Any], *, inside: tuple[str, ...] = (), sent: str = ""
) -> None:
    """An answer is none of the server's faults, and every error is a problem as described.

    ``inside`` are texts that no answer may hold, ``sent`` is what was sent: what
    an answer quotes of it is the caller's own.
    """
    text = text_of(answer)
    assert answer.status_code < 500, text
    shown = text + "".join(f"{name}: {value}\n" for name, value in answer.headers.items())
    for one in inside:
        assert one not in shown or one in sent, one
    for found in INSIDE.findall(shown) if answer.status_code >= 400 else ():
        assert found.lower() in sent.lower(), (found, shown[:500])
    if answer.status_code < 400 or answer.request.method == "HEAD":
        return
    assert answer.content_type == CONTENT_TYPE, (answer.status_code, text[:300])
    schema = {**whole["components"]["schemas"]["Problem"], "components": whole["components"]}
    _problem_schema(json.dumps(schema)).validate(json.loads(text))
    told = json.loads(text)
    assert told["status"] == answer.status_code and told["detail"] and told["title"]
