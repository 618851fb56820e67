"""``pawnlore classify`` as scripts and people use it."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from pathlib import Path

import chess
import pytest

from pawnlore.service.cli import main
from pawnlore.service.commands.classify import COLUMNS
from pawnlore.service.position_lines import LINE_LIMIT, read_position_lines

ISOLANI = "r1bq1rk1/pp2bppp/2n1pn2/8/3P4/2N2N2/PP2BPPP/R1BQ1RK1 w - - 0 10"


def classify(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, text: str | bytes, *options: str
) -> tuple[int, str, str]:
    path = tmp_path / "lines.txt"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    status = main(["classify", str(path), *options])
    out, err = capsys.readouterr()
    return status, out, err


def test_csv_has_the_fixed_columns_and_a_row_for_every_line(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    text = f"{ISOLANI}\nnonsense, with a comma\n\n{chess.STARTING_FEN}\n"
    status, out, err = classify(capsys, tmp_path, text, "--format", "csv")
    assert out.splitlines()[0] == (
        "fen,structure,holder,probability,core,second,second_holder,second_probability,error"
    )
    rows = list(csv.DictReader(io.StringIO(out)))
    assert status == 1
    assert len(rows) == 4
    assert rows[0]["structure"] == "isolated-queen-pawn"
    assert (rows[0]["holder"], rows[0]["core"], rows[0]["error"]) == ("white", "yes", "")
    assert rows[1]["fen"] == "nonsense, with a comma"
    assert rows[1]["error"] and not any(rows[1][c] for c in COLUMNS[1:-1])
    assert rows[2]["error"] == "the line is empty"
    assert (rows[3]["structure"], rows[3]["holder"], rows[3]["core"]) == ("unsettled", "both", "no")
    assert "line 2" in err and "line 3" in err


def test_an_epd_with_operations_is_read(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    line = f'{" ".join(ISOLANI.split()[:4])} bm d5; id "break"; c0 "{"long " * 100}";'
    status, out, _ = classify(capsys, tmp_path, line, "--format", "csv")
    assert status == 0
    assert next(csv.DictReader(io.StringIO(out)))["structure"] == "isolated-queen-pawn"


def test_json_lines_hold_numbers_and_truth_values(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    _, out, _ = classify(capsys, tmp_path, f"{ISOLANI}\nbad\n", "--format", "jsonl")
    first, second = (json.loads(line) for line in out.splitlines())
    assert first["core"] is True
    assert isinstance(first["probability"], float)
    assert set(second) == {"fen", "error"}


def test_the_table_says_it_in_words(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    status, out, _ = classify(capsys, tmp_path, ISOLANI)
    assert status == 0
    assert "isolani" in out
    assert "white" in out


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("8/8/8/8/8/8/8/K7 w - - 0 1", "Black has no king"),
        ("kk6/8/8/8/8/8/8/K7 w - - 0 1", "Black has 2 kings"),
        ("k7/8/8/8/8/8/8/K6P w - - 0 1", "rank 1"),
        ("k7/8/8/8/8/8/8/K7 x - - 0 1", "side to move"),
        ("k7/8/8/8/8/8/8/K7 w XYZ - 0 1", "'XYZ'"),
        ("k7/8/8/8/8/8/8/K7 w - zz 0 1", "'zz'"),
        ("k7/8/8/8/8/8/8/K7 w - - 0 b", "'0 b'"),
        ("kR6/8/8/8/8/8/8/K7 w - - 0 1", "stands in check"),
        ("k7/PPPPPPPP/P7/8/8/8/8/K7 w - - 0 1", "9 pawns"),
        ("k7/8/8/9/8/8/8/K7 w - - 0 1", "'9'"),
        ("k7/8/8/7/8/8/8/K7 w - - 0 1", "7 squares"),
        ("k7/8/8/ppppppppp/8/8/8/K7 w - - 0 1", "9 squares"),
        ("k7/8/8/8/8/8/8/K7/8 w - - 0 1", "9 ranks"),
    ],
)
def test_an_impossible_position_is_told_in_words(line: str, reason: str) -> None:
    found = list(read_position_lines(io.BytesIO(line.encode())))
    assert reason in found[0].error


@pytest.mark.parametrize(
    "line",
    [
        "k7/8/8/8/8/8/8/KR6 w - - 0 1",
        'k7/8/8/8/8/8/8/KR6 w - - bm Rb7; id "a";',
        "k7/8/8/8/8/8/8/KR6 w",
        "8/8/8/3p4/3P4/8/8/8",
    ],
)
def test_a_possible_position_is_read_however_it_is_written(line: str) -> None:
    assert [found.error for found in read_position_lines(io.BytesIO(line.encode()))] == [""]


def test_a_very_long_line_is_cut_and_the_next_one_is_read() -> None:
    stream = io.BytesIO(b"x" * (50 * LINE_LIMIT) + b"\n" + ISOLANI.encode() + b"\n")
    first, second = read_position_lines(stream)
    assert "longer than" in first.error
    assert len(first.text) < 200
    assert second.skeleton is not None


def test_binary_and_control_characters_are_told(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    status, out, err = classify(
        capsys, tmp_path, b"\x00\x01\xff\xfe\n\x1b[31mred\n", "--format", "csv"
    )
    assert status == 1
    assert "binary" in out
    assert "\x1b" not in out + err


def test_windows_lines_and_a_byte_order_mark_are_read(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    status, out, _ = classify(
        capsys, tmp_path, b"\xef\xbb\xbf" + ISOLANI.encode() + b"\r\n", "--format", "csv"
    )
    assert status == 0
    assert next(csv.DictReader(io.StringIO(out)))["fen"] == ISOLANI


def test_an_empty_file_gives_the_header_and_says_so(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    status, out, err = classify(capsys, tmp_path, "", "--format", "csv")
    assert status == 1
    assert "no line" in err
    assert out == ",".join(COLUMNS) + "\n"


def test_a_missing_file_cannot_start(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    assert main(["classify", str(tmp_path / "none.txt")]) == 2
    assert "none.txt" in capsys.readouterr().err


def test_a_bad_model_file_cannot_start(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    (tmp_path / "m.npz").write_bytes(b"no model")
    status, _, err = classify(capsys, tmp_path, ISOLANI, "--model", str(tmp_path / "m.npz"))
    assert status == 2
    assert "no readable model" in err


def test_a_batch_and_single_lines_give_the_same_rows(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    board, fens = chess.Board(), []
    for move in ["d4", "d5", "c4", "e6", "Nc3", "Nf6", "cxd5", "exd5", "Bg5", "Be7", "e3", "c6"]:
        board.push_san(move)
        fens.append(board.fen())
    _, together, _ = classify(capsys, tmp_path, "\n".join(fens), "--format", "csv")
    singly = [classify(capsys, tmp_path, fen, "--format", "csv")[1] for fen in fens]
    assert together.splitlines()[1:] == [text.splitlines()[1] for text in singly]


def test_start_up_does_not_import_scikit_learn() -> None:
    for arguments in (["--help"], ["classify"]):
        program = (
            "import sys, pawnlore.service.cli as cli\n"
            f"try: cli.main({arguments!r})\n"
            "except SystemExit: pass\n"
            "print('sklearn' in sys.modules, file=sys.stderr)"
        )
        done = subprocess.run(
            [sys.executable, "-c", program], input=ISOLANI, capture_output=True, text=True
        )
        assert done.returncode == 0
        assert done.stderr.strip().endswith("False")
