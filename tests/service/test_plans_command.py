"""``pawnlore plans``: a position looked up in a terminal."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from running_services import make_service

from pawnlore import labelled_demo
from pawnlore.service.cli import main
from pawnlore.service.notes_folder import read_notes_folder
from pawnlore.service.store.label_shelf import LabelShelf
from pawnlore.service.store.note_shelf import NoteShelf
from pawnlore.structures.skeleton import skeleton_from_fen

DEMO = Path(labelled_demo.__file__).parent
NOTES = str(DEMO / "notes")
COURSE = str(DEMO / "repertoire" / "01-queens-gambit-declined.pgn")
CARLSBAD = (
    "1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 Be7 6. e3 c6 7. Bd3 O-O 8. Qc2 Nbd7 "
    "9. Nf3 Re8 10. O-O"
)
ISOLANI = "8/pp3ppp/4p3/8/3P4/8/PP3PPP/8"


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("PAWNLORE_HOME", str(tmp_path))
    monkeypatch.delenv("PAWNLORE_DATABASE", raising=False)
    return tmp_path


def test_the_authors_plan_and_the_repertoires_moves(
    capsys: pytest.CaptureFixture[str], home: Path
) -> None:
    assert main(["plans", "--moves", CARLSBAD, "--notes", NOTES, "--repertoire", COURSE]) == 0
    told = capsys.readouterr().out
    assert told.startswith("Carlsbad structure, White's: its core is met\n")
    assert "Minority attack: two pawns against three (White’s plan)" in told
    assert (
        "Carlsbad structure held by White; queens are on; the kings have gone to the same wing."
        in told
    )
    assert "In the repertoire 2 lines come through this position.\n  Nf8: 2 lines\n" in told
    # A question makes no store.
    assert list(home.iterdir()) == []


def test_without_a_note_what_is_said_is_not_the_authors(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert main(["plans", ISOLANI]) == 0
    told = capsys.readouterr().out
    assert "this is the catalogue’s text, not the author’s" in told
    assert told.index("White’s plan") < told.index("Black’s plan")


def test_json_is_what_the_api_answers(capsys: pytest.CaptureFixture[str], home: Path) -> None:
    service = make_service(home)
    NoteShelf(service.store).take_in(read_notes_folder(NOTES).notes)
    fen = "rnbqkbnr/pp3ppp/2p5/3p4/3P4/4P3/PP3PPP/RNBQKBNR w KQkq - 0 5"
    answer = service.client().get("/api/plans", query_string={"fen": fen}).json
    assert answer is not None
    service.store.close()
    assert main(["plans", fen, "--format", "json"]) == 0
    assert json.loads(capsys.readouterr().out) == answer


def test_the_stores_labels_decide(capsys: pytest.CaptureFixture[str], home: Path) -> None:
    service = make_service(home)
    pawns = skeleton_from_fen(ISOLANI)
    LabelShelf(service.store).put(tuple(pawns), "own/mine", "white", fen=ISOLANI)
    service.store.close()
    assert main(["plans", ISOLANI]) == 0
    assert "own/mine, held by white: by your label" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (["hello"], "'hello' is no position"),
        (["--moves", "d4 Ke3"], "'Ke3' cannot be played here after 1.d4"),
        ([ISOLANI, "--moves", "d5"], "no moves can be played"),
        (["--notes", "/nowhere"], "nowhere"),
        (["--repertoire", "/nowhere.pgn"], "no file could be opened"),
    ],
)
def test_what_cannot_be_used_is_told(
    capsys: pytest.CaptureFixture[str], arguments: list[str], reason: str
) -> None:
    assert main(["plans", *arguments]) == 2
    assert reason in capsys.readouterr().err


def test_a_position_that_the_repertoire_lacks(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["plans", "--moves", "a4 a5", "--repertoire", COURSE]) == 0
    assert "The repertoire does not have this position." in capsys.readouterr().out
