"""The command ``pawnlore tag``."""

from __future__ import annotations

import csv
import io
import json
import sys
from pathlib import Path
from types import SimpleNamespace

import chess
import numpy as np
import pytest
import repertoires

from pawnlore.service import cli, models_at_hand
from pawnlore.structures.skeleton import Masks, skeleton_from_fen
from pawnlore.structures.verdict import Verdicts

# The exchange on d5 gives the Carlsbad structure, after 4... exd5. Names of
# openings and structures: common practice, no source.
EXCHANGE = """\
[Event "Exchange, main line"]
[Result "*"]

1. d4 d5 2. c4 e6 (2... c6 3. Nf3 Nf6 {solid}) 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 c6
6. e3 $1 {Now the minority attack} *
"""
HEADER = "file,game,node,parent,ply,move,structure,holder,probability,core"


def by_cores(masks: Masks) -> Verdicts:
    return repertoires.by_cores(masks, unsettled=0.756789)


@pytest.fixture(autouse=True)
def stand_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cores alone decide, so that these tests do not change with a trained model."""
    stand_in = SimpleNamespace(classify=by_cores)
    monkeypatch.setattr(models_at_hand, "chosen_classifier", lambda args: stand_in)


@pytest.fixture
def pgn(tmp_path: Path) -> str:
    path = tmp_path / "book.pgn"
    path.write_text(EXCHANGE)
    return str(path)


def rows_of(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_csv(pgn: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["tag", pgn, "--format", "csv"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert out.splitlines()[0] == HEADER
    rows = rows_of(out)
    assert [row["node"] for row in rows] == [str(node) for node in range(15)]
    assert {row["file"] for row in rows} == {pgn}
    assert {row["game"] for row in rows} == {"1"}
    assert rows[0]["parent"] == ""
    assert rows[0]["move"] == ""
    assert rows[0]["probability"] == "0.7568"
    assert rows[0]["core"] == "no"
    assert [row["parent"] for row in rows[1:]] == list(map(str, [0, 1, 2, 3, 3, 5, 6, 4])) + list(
        map(str, range(8, 14))
    )
    last = rows[-1]
    assert (last["move"], last["ply"]) == ("e3", "11")
    assert last["structure"] == "carlsbad"
    assert (last["holder"], last["probability"], last["core"]) == ("white", "0.9800", "yes")


def test_csv_with_fen(pgn: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["tag", pgn, "--format", "csv", "--fen"]) == 0
    out = capsys.readouterr().out
    assert out.splitlines()[0] == HEADER + ",fen"
    board = chess.Board()
    line = [row for row in rows_of(out) if int(row["node"]) not in (5, 6, 7)]
    for row in line:
        if row["move"]:
            board.push_san(row["move"])
        assert row["fen"] == board.fen(en_passant="fen")
        assert None not in row.values()


def test_jsonl_says_the_same_as_csv(pgn: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["tag", pgn, "--format", "csv", "--fen"]) == 0
    rows = rows_of(capsys.readouterr().out)
    assert cli.main(["tag", pgn, "--format", "jsonl", "--fen"]) == 0
    objects = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert [list(row) for row in objects] == [[*HEADER.split(","), "fen"]] * len(rows)
    for row, found in zip(rows, objects, strict=True):
        assert found["parent"] == (int(row["parent"]) if row["parent"] else None)
        assert found["core"] is (row["core"] == "yes")
        assert found["probability"] == float(row["probability"])
        for name in ("game", "node", "ply"):
            assert found[name] == int(row[name])
        for name in ("file", "move", "structure", "holder", "fen"):
            assert found[name] == row[name]


def test_table(pgn: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["tag", pgn]) == 0
    out = capsys.readouterr().out
    first, *rest = out.splitlines()
    assert first == "1 game, 15 nodes, 2 lines"
    assert any(line.split() == ["Carlsbad", "structure", "white", "4", "1"] for line in rest)
    assert any("Exchange, main line" in line for line in rest)
    assert any("4... exd5" in line and "Carlsbad structure" in line for line in rest)


def test_pgn_and_the_tags_out_again(
    pgn: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tagged, clean = tmp_path / "tagged.pgn", tmp_path / "clean.pgn"
    plain = tmp_path / "plain.pgn"
    assert cli.main(["tag", pgn, "--format", "pgn", "-o", str(tagged)]) == 0
    text = tagged.read_text()
    assert "{Pawnlore: Carlsbad structure, held by White, probability 0.98, core met.}" in text
    assert "{Now the minority attack}" in text
    assert cli.main(["tag", str(tagged), "--format", "pgn", "--remove-tags", "-o", str(clean)]) == 0
    assert cli.main(["tag", pgn, "--format", "pgn", "--remove-tags", "-o", str(plain)]) == 0
    assert "Pawnlore" not in clean.read_text()
    assert clean.read_text() == plain.read_text()
    assert capsys.readouterr().out == ""


def test_every_node_tagged(pgn: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["tag", pgn, "--format", "pgn", "--every"]) == 0
    assert capsys.readouterr().out.count("{Pawnlore: ") == 15


def test_node_numbers_restart_in_every_game(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "one, two.pgn").write_text("1. e4 *\n\n1. d4 d5 *\n")
    (tmp_path / "b.pgn").write_text("1. c4 *\n")
    names = [str(tmp_path / "one, two.pgn"), str(tmp_path / "b.pgn")]
    assert cli.main(["tag", *names, "--format", "csv"]) == 0
    rows = rows_of(capsys.readouterr().out)
    assert [(row["file"], row["game"], row["node"], row["parent"]) for row in rows] == [
        (names[0], "1", "0", ""), (names[0], "1", "1", "0"),
        (names[0], "2", "0", ""), (names[0], "2", "1", "0"), (names[0], "2", "2", "1"),
        (names[1], "1", "0", ""), (names[1], "1", "1", "0"),
    ]  # fmt: skip


def test_standard_input(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    stdin = io.TextIOWrapper(io.BytesIO(EXCHANGE.encode("utf-8-sig")))
    monkeypatch.setattr(sys, "stdin", stdin)
    assert cli.main(["tag", "-", "--format", "csv"]) == 0
    rows = rows_of(capsys.readouterr().out)
    assert len(rows) == 15
    assert rows[0]["file"] == "-"


def test_bad_input_is_named_and_the_good_part_kept(
    pgn: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    broken = tmp_path / "broken.pgn"
    broken.write_text("1. e4 e5 2. Ke3 *\n")
    missing = str(tmp_path / "missing.pgn")
    assert cli.main(["tag", pgn, str(broken), missing, "--format", "csv"]) == 1
    out, err = capsys.readouterr()
    assert len(rows_of(out)) == 15 + 3
    assert f"{broken}, game 1, line 1, move 2. Ke3: the move is illegal here" in err
    assert f"{missing}: there is no such file" in err
    assert "Traceback" not in err


def test_a_warning_leaves_the_status_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "old.pgn"
    path.write_bytes("1. e4 {für Weiß} *".encode("latin-1"))
    assert cli.main(["tag", str(path), "--format", "csv"]) == 0
    assert "Windows-1252" in capsys.readouterr().err


@pytest.mark.parametrize("content", [b"", b"\0\1\2", b"no game here"])
def test_files_without_a_game(
    content: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "odd.pgn"
    path.write_bytes(content)
    for form in ("csv", "jsonl", "table", "pgn"):
        assert cli.main(["tag", str(path), "--format", form]) == 1
        assert str(path) in capsys.readouterr().err


@pytest.mark.parametrize(
    "arguments",
    [
        ["missing.pgn"],
        ["{pgn}", "--fen"],
        ["{pgn}", "--every"],
        ["{pgn}", "--remove-tags", "--format", "csv"],
        ["{pgn}", "--format", "pgn", "--every", "--remove-tags"],
        ["-", "-"],
        ["{pgn}", "-o", "{pgn}"],
        ["{pgn}", "-o", "no/such/folder/out.csv"],
    ],
)
def test_what_cannot_start(
    arguments: list[str], pgn: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["tag", *[word.replace("{pgn}", pgn) for word in arguments]]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.splitlines()[-1].startswith("pawnlore tag: ")
    assert Path(pgn).read_text() == EXCHANGE


def test_skeletons_of_the_rows_are_those_of_the_fens(
    pgn: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["tag", pgn, "--format", "csv", "--fen"]) == 0
    rows = rows_of(capsys.readouterr().out)
    masks = np.array([skeleton_from_fen(row["fen"]) for row in rows], dtype=np.uint64)
    verdicts = by_cores(masks)
    assert [verdicts.structure(i) for i in range(len(rows))] == [row["structure"] for row in rows]
