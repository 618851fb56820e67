"""The command ``pawnlore groups``."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from types import SimpleNamespace

import chess.pgn
import pytest
from repertoires import by_cores

from pawnlore import labelled_demo
from pawnlore.service import cli, models_at_hand
from pawnlore.service.exports.group_table import COLUMNS, LINE_COLUMNS
from pawnlore.service.exports.line_text import family_name, line_text, moves_text, numbered
from pawnlore.structures.catalogue import UNSETTLED

DEMO = sorted(str(p) for p in (Path(labelled_demo.__file__).parent / "repertoire").glob("*.pgn"))

TWO = """\
[Event "Exchange; the main line"]

1. d4 d5 2. c4 e6 (2... c6 3. cxd5 cxd5 4. Nc3) 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 c6 6. e3 Be7 *

[Event "By another road"]

1. d4 Nf6 (1... e5 2. dxe5) 2. c4 e6 3. Nc3 d5 4. cxd5 *
"""


@pytest.fixture(autouse=True)
def stand_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cores alone decide, so that these tests do not change with a trained model."""
    chosen = SimpleNamespace(classify=by_cores)
    monkeypatch.setattr(models_at_hand, "chosen_classifier", lambda args: chosen)


@pytest.fixture
def pgn(tmp_path: Path) -> str:
    path = tmp_path / "book.pgn"
    path.write_text(TWO)
    return str(path)


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    status = cli.main(["groups", *arguments])
    out, err = capsys.readouterr()
    return status, out, err


def test_the_side_is_said_aloud(pgn: str, capsys: pytest.CaptureFixture[str]) -> None:
    status, _, err = run(capsys, pgn)
    assert status == 0
    assert err == (
        "pawnlore groups: taken as a repertoire for White (Black has alternatives in 2 places, "
        "White in none); --side says otherwise\n"
    )
    assert run(capsys, pgn, "--side", "black")[2] == ""


def test_the_table_of_a_small_repertoire(pgn: str, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, pgn)
    lines = out.splitlines()
    assert lines[0] == "4 lines in 2 chapters lead to 2 middlegame types."
    assert lines[1].startswith("1 of them only leads into another line (move orders); it counts")
    rows = [line.split() for line in lines]
    assert ["Carlsbad", "structure", "ours", "1", "(+1)", "50%", "4...exd5", "2"] in rows
    assert ["no", "structure", "settles", "-", "1", "25%", "-", "1"] in rows
    assert "    By another road: 1 move order only" in lines
    assert any("ends 2.dxe5; it passes no family" in line for line in lines)


def test_for_black_the_same_structure_is_theirs(
    pgn: str, capsys: pytest.CaptureFixture[str]
) -> None:
    _, out, _ = run(capsys, pgn, "--side", "black")
    assert any(line.split()[:3] == ["Carlsbad", "structure", "theirs"] for line in out.splitlines())
    _, out, _ = run(capsys, pgn, "--side", "mixed")
    assert any("Carlsbad structure" in line and "ours" in line for line in out.splitlines())


def test_csv(pgn: str, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, pgn, "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(out)))
    assert out.splitlines()[0] == ",".join(COLUMNS)
    carlsbad = next(row for row in rows if row["structure"] == "carlsbad")
    assert carlsbad["name"] == "Carlsbad structure"
    assert (carlsbad["lines"], carlsbad["move_orders"], carlsbad["share"]) == ("2", "1", "0.5")
    assert carlsbad["chapters"] == "Exchange; the main line; By another road"
    assert (carlsbad["earliest_ply"], carlsbad["earliest_move"]) == ("8", "4...exd5")
    assert (carlsbad["model_game"], carlsbad["model_node"]) == ("1", "16")
    assert carlsbad["model_line"].endswith("5.Bg5 c6 6.e3 Be7")
    assert sum(int(row["lines"]) for row in rows) == 4
    assert rows[-1]["structure"] == UNSETTLED
    assert rows[-1]["teach"] == ""


def test_jsonl_says_more_than_csv(pgn: str, capsys: pytest.CaptureFixture[str]) -> None:
    _, text, _ = run(capsys, pgn, "--format", "csv")
    rows = list(csv.DictReader(io.StringIO(text)))
    _, text, _ = run(capsys, pgn, "--format", "jsonl")
    found = [json.loads(line) for line in text.splitlines()]
    for row, one in zip(rows, found, strict=True):
        for name in ("structure", "name", "holder", "stance", "earliest_move"):
            assert one[name] == row[name]
        for name in ("lines", "move_orders", "earliest_ply"):
            assert one[name] == int(row[name])
        assert "; ".join(c["chapter"] for c in one["chapters"]) == row["chapters"]
        assert len(one["line_ends"]) == one["lines"]
    assert found[0]["chapters"][1]["moves"] == "1.d4 Nf6 2.c4 e6 3.Nc3 d5 4.cxd5"
    assert found[0]["chapters"][1]["settles"] is False
    places = [(end["game"], end["node"]) for one in found for end in one["line_ends"]]
    assert len(places) == len(set(places)) == 4


def test_a_row_for_every_line(pgn: str, capsys: pytest.CaptureFixture[str]) -> None:
    _, text, _ = run(capsys, pgn, "--format", "csv", "--lines")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert text.splitlines()[0] == ",".join(LINE_COLUMNS)
    assert [(row["game"], row["node"]) for row in rows] == [
        ("1", "8"),
        ("1", "16"),
        ("2", "4"),
        ("2", "9"),
    ]
    main, gambit, order = rows[1], rows[2], rows[3]
    assert (main["structure"], main["settles_move"], main["dwell"]) == ("carlsbad", "4...exd5", "5")
    assert (gambit["structure"], gambit["settles_ply"]) == (UNSETTLED, "")
    # Node 11 of game 1 is 4 cxd5 there: the position that the line runs into.
    assert order["move_order_of"] == f"{pgn}#1#11"
    _, text, _ = run(capsys, pgn, "--format", "jsonl", "--lines")
    found = [json.loads(line) for line in text.splitlines()]
    for row, one in zip(rows, found, strict=True):
        assert list(one) == list(LINE_COLUMNS)
        assert one["moves"] == row["moves"]
        assert " ".join(one["passed"]) == row["passed"]
        assert one["settles_ply"] == (int(row["settles_ply"]) if row["settles_ply"] else None)


def test_the_lines_can_be_played(capsys: pytest.CaptureFixture[str]) -> None:
    # python-chess reads the moves of every line back.
    _, text, _ = run(capsys, *DEMO, "--format", "jsonl", "--lines")
    rows = [json.loads(line) for line in text.splitlines()]
    assert len(rows) == 75
    for row in rows:
        if "exercises" in row["file"]:
            continue
        game = chess.pgn.read_game(io.StringIO(row["moves"] + " *"))
        assert game is not None
        assert not game.errors
        assert len(list(game.mainline_moves())) > 3


def test_the_first_screen_of_the_demo(capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = run(capsys, *DEMO)
    assert status == 0
    assert "repertoire for White" in err
    screen = out.splitlines()[:24]
    assert max(len(line) for line in screen) <= 110
    assert "75 lines in 18 chapters" in screen[0]
    assert screen[1].startswith("20 of them only lead into another line")
    assert screen[6].startswith("Carlsbad structure")
    assert "isolated queen's pawn (isolani): ours in" in out
    assert "An order to teach them" in out
    assert "Exchange Variation: early bishop and the queenless Carlsbad (4 lines)" in out
    assert all(line == line.rstrip() for line in out.splitlines())


def test_output_goes_to_a_file(
    pgn: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "groups.csv"
    _, shown, _ = run(capsys, pgn, "--format", "csv")
    assert run(capsys, pgn, "--format", "csv", "-o", str(out))[:2] == (0, "")
    assert out.read_text() == shown


def test_bad_input_is_named_and_the_good_part_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "bad.pgn"
    path.write_text(TWO.replace("5. Bg5", "5. Bg9"))
    status, out, err = run(capsys, str(path))
    assert status == 1
    assert "Bg9" in err
    assert "Carlsbad structure" in out


def test_what_cannot_start(pgn: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(capsys, pgn, "--lines")[0] == 2
    status, out, err = run(capsys, str(tmp_path / "none.pgn"))
    assert (status, out) == (2, "")
    assert "there is no such file" in err
    assert run(capsys, pgn, "-o", pgn)[0] == 2
    assert run(capsys, pgn, "-o", str(tmp_path / "no" / "folder"))[0] == 2
    assert run(capsys, "-", "-")[0] == 2


@pytest.mark.parametrize("text", ["", '[Event "Empty"]\n\n*\n', "1. a3 *\n"])
@pytest.mark.parametrize("options", [(), ("--format", "csv"), ("--format", "jsonl", "--lines")])
def test_small_input(
    text: str, options: tuple[str, ...], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "small.pgn"
    path.write_text(text)
    status, out, err = run(capsys, str(path), *options)
    assert status == (0 if text else 1)
    assert "Traceback" not in err
    if not options:
        assert out.startswith("1 line in 1 chapter" if text else "0 lines in 0 chapters")


def test_a_family_that_is_not_in_the_catalogue_stands_for_itself() -> None:
    assert family_name("own/spanish-bishop") == "own/spanish-bishop"
    assert family_name("carlsbad") == "Carlsbad structure"


def test_moves_in_words() -> None:
    from repertoires import read

    book = read("1. d4 d5 2. c4 (2. Nf3 Nf6) 2... e6 *")
    assert [numbered(book, node) for node in range(4)] == ["the start", "1.d4", "1...d5", "2.c4"]
    assert line_text(book, 5) == "1.d4 d5 2.Nf3 Nf6"
    assert line_text(book, 0) == ""
    assert moves_text(book, [6]) == "2...e6"
