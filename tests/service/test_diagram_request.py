"""Diagrams over HTTP and on the command line: the same drawing for the same words.

python-chess reads the FEN; the pieces are read back from the drawing.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st
from running_services import TestService, bearer, make_service

from pawnlore.service.cli import main
from pawnlore.service.diagram_grid import SQUARE
from pawnlore.service.store.schema import RepertoireRow

NS = "{http://www.w3.org/2000/svg}"
FEN = "r4rk1/pp2bppp/2p2n2/3p4/3P4/2N1PN2/PPQ2PPP/1R3RK1 w - - 3 14"
ADDRESS = "/api/diagram.svg"


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestService]:
    made = make_service(tmp_path_factory.mktemp("home"))
    yield made
    made.store.close()


def _pieces(drawn: str) -> dict[int, str]:
    found = {}
    for use in ET.fromstring(drawn).iter(f"{NS}use"):
        match = re.fullmatch(r"#pl-l?([wb])([pnbrqk])", use.get("href", ""))
        if match:
            place = int(use.get("x", "")) // SQUARE, 7 - int(use.get("y", "")) // SQUARE
            found[chess.square(*place)] = match[2].upper() if match[1] == "w" else match[2]
    return found


def test_a_position_is_drawn_with_a_plan(service: TestService) -> None:
    plan = {"squares": "b5 c6", "moves": "b4 b5", "their_squares": "e4", "their_moves": "Nfe4"}
    answer = service.client().get(ADDRESS, query_string={"fen": FEN, **plan})
    assert answer.status_code == 200
    assert answer.mimetype == "image/svg+xml"
    board = chess.BaseBoard(FEN.split()[0])
    expected = {square: piece.symbol() for square, piece in board.piece_map().items()}
    assert _pieces(answer.text) == expected
    plain = service.client().get(ADDRESS, query_string={"fen": FEN}).text
    more = [
        sum(one.tag == f"{NS}{tag}" for one in ET.fromstring(answer.text).iter())
        - sum(one.tag == f"{NS}{tag}" for one in ET.fromstring(plain).iter())
        for tag in ("circle", "rect", "path")
    ]
    # A rim and a line for each mark; a rim, a shaft and a head for each arrow.
    assert more == [4, 2, 9]
    assert answer.text.count("stroke-dasharray") == 1


def test_a_drawing_is_cached_by_its_etag(service: TestService) -> None:
    first = service.client().get(ADDRESS, query_string={"fen": FEN})
    again = service.client().get(
        ADDRESS, query_string={"fen": FEN}, headers={"If-None-Match": first.headers["ETag"]}
    )
    assert (again.status_code, again.data) == (304, b"")
    other = service.client().get(ADDRESS, query_string={"fen": FEN, "view": "skeleton"})
    assert other.headers["ETag"] != first.headers["ETag"]
    assert "max-age" in first.headers["Cache-Control"]


@pytest.mark.parametrize(
    ("query", "status", "told"),
    [
        ({}, 400, "fen is missing"),
        ({"fen": "9/8"}, 422, "the position cannot be read"),
        ({"fen": " "}, 422, "the position cannot be read"),
        ({"fen": FEN, "view": "fog"}, 400, "view must be position or skeleton"),
        ({"fen": FEN, "side": "both"}, 400, "side must be white or black"),
        ({"fen": FEN, "squares": "i9"}, 422, "squares: 'i9' is no square"),
        ({"fen": FEN, "moves": "Bb5"}, 422, "moves: White has nothing there that goes 'Bb5'"),
        ({"fen": FEN, "squares": "a1 " * 65}, 422, "squares has 65 entries"),
        ({"fen": FEN, "moves": "b4 " * 201}, 400, "moves is longer than 600"),
        ({"fen": FEN, "width": "20000"}, 400, "width must be a whole number from 40 to 2,000"),
        ({"fen": FEN, "small": "yes"}, 400, "small must be true or false"),
        ({"fen": FEN, "colour": "red"}, 400, "there is no parameter 'colour'"),
    ],
)
def test_what_cannot_be_drawn_is_told(
    service: TestService, query: dict[str, str], status: int, told: str
) -> None:
    answer = service.client().get(ADDRESS, query_string=query)
    assert answer.status_code == status
    document: Any = answer.get_json(force=True)
    assert told in document["detail"]


@given(st.text(max_size=80), st.text(max_size=40), st.text(max_size=40))
def test_hostile_words_are_answered(
    service: TestService, fen: str, squares: str, moves: str
) -> None:
    for position in (fen, FEN):
        query = {"fen": position, "squares": squares, "moves": moves}
        answer = service.client().get(ADDRESS, query_string=query)
        assert answer.status_code in (200, 400, 422)
        if answer.status_code == 200:
            ET.fromstring(answer.text)


def test_students_may_see_diagrams(service: TestService) -> None:
    now = datetime.now(UTC)
    with service.store.writing() as connection:
        connection.execute(
            RepertoireRow.__table__.insert().values(  # type: ignore[attr-defined]
                id="course", name="course", side="white", upload="x", created=now, changed=now
            )
        )
    header = bearer(service.link("course"))
    answer = service.client().get(ADDRESS, query_string={"fen": FEN}, headers=header)
    assert answer.status_code == 200


def test_only_a_picture_is_given(service: TestService) -> None:
    answer = service.client().get(
        ADDRESS, query_string={"fen": FEN}, headers={"Accept": "application/json"}
    )
    assert answer.status_code == 406


def test_the_command_draws_what_the_service_draws(
    service: TestService, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "plan.svg"
    words = ["--side", "black", "--view", "skeleton", "--squares", "e4", "--their-moves", "b4"]
    assert main(["diagram", FEN, *words, "--width", "200", "-o", str(out)]) == 0
    query = {"side": "black", "view": "skeleton", "squares": "e4", "their_moves": "b4"}
    served = service.client().get(ADDRESS, query_string={"fen": FEN, "width": "200", **query})
    assert out.read_text(encoding="utf-8") == served.text + "\n"
    assert main(["diagram", "8/8/8/8/8/8/P7/8", "--small"]) == 0
    assert capsys.readouterr().out.startswith("<svg")
    assert main(["diagram", FEN, "--moves", "Bb5"]) == 2
    assert "White has nothing there that goes 'Bb5'" in capsys.readouterr().err
