"""The command ``pawnlore owed`` and the demo's closing screen."""

from __future__ import annotations

import csv
import io
import json
from importlib.resources import files
from pathlib import Path
from types import SimpleNamespace

import pytest
from repertoires import by_cores

from pawnlore.service import cli, models_at_hand
from pawnlore.service.exports.owed_table import COLUMNS, TITLES
from pawnlore.structures.debt import SEVERITY

DEMO = files("pawnlore.labelled_demo")
NOTES = str(DEMO.joinpath("notes"))
TWO_ANSWERS = (
    '[Event "One"]\n\n1. d4 Nf6 2. c4 e6 3. Nc3 *\n\n[Event "Two"]\n\n1. d4 e6 2. c4 Nf6 3. Nf3 *\n'
)


@pytest.fixture(autouse=True)
def stand_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cores alone decide, so that these tests do not change with a trained model."""
    monkeypatch.setattr(
        models_at_hand, "chosen_classifier", lambda args: SimpleNamespace(classify=by_cores)
    )


@pytest.fixture
def course() -> list[str]:
    folder = Path(str(DEMO.joinpath("repertoire")))
    return [str(path) for path in sorted(folder.glob("*.pgn"))]


def test_the_first_screen_names_all_that_is_planted(
    course: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["owed", *course, "--notes", NOTES]) == 0
    told = capsys.readouterr()
    assert "a repertoire for White" in told.err
    page = " ".join(told.out.split())
    assert page.startswith("75 lines in 18 chapters and 17 plan notes: ")
    assert "4.Nf3 in “The Hedgehog evening”" in page
    assert "4.d5 in “Modern Benoni: the classical way”" in page
    assert "goes on from this position with 10.Bg5" in page
    assert "For the course that I have not recorded yet" in page
    for name in (
        "closed Benoni",
        "c4–d4 against the c6–d5–e6 triangle",
        "accepted centre",
        "c4–d4 against d6 and f5",
        "doubled c-pawns",
    ):
        assert name in page
    assert TITLES["no-answer"] not in page
    assert all(len(line) <= 100 for line in told.out.splitlines())
    # A screen to read, not a list to search.
    assert len(told.out.splitlines()) <= 100


def test_csv_and_json_lines_hold_the_same(
    course: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = ["owed", *course, "--notes", NOTES, "--side", "white", "--format"]
    assert cli.main([*arguments, "csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert cli.main([*arguments, "jsonl"]) == 0
    objects = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert tuple(rows[0]) == tuple(objects[0]) == COLUMNS
    assert [
        {key: "" if value is None else str(value) for key, value in told.items()}
        for told in objects
    ] == rows
    weights = [told["weight"] for told in objects]
    assert weights == sorted(weights, reverse=True)
    assert {told["kind"] for told in objects} <= set(SEVERITY) == set(TITLES)
    for told in objects:
        assert told["weight"] == SEVERITY[told["kind"]] * max(1, told["lines"])


def test_without_notes_nothing_is_said_of_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "book.pgn"
    path.write_text(TWO_ANSWERS)
    assert cli.main(["owed", str(path), "--side", "white"]) == 0
    page = capsys.readouterr().out
    assert "3.Nc3 in “One”" in page and "--notes DIR" in page
    assert TITLES["no-note"] not in page
    assert cli.main(["owed", str(path), "--side", "white", "--notes", str(tmp_path)]) == 0
    assert "0 plan notes" in capsys.readouterr().out


def test_nothing_owed_is_said_too(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "book.pgn"
    path.write_text('[Event "Empty"]\n\n*\n')
    assert cli.main(["owed", str(path), "--notes", NOTES, "--side", "white"]) == 0
    # Notes without lines are owed; without notes there is nothing.
    assert "17 things are owed" in capsys.readouterr().out
    assert cli.main(["owed", str(path), "--side", "white"]) == 0
    assert "nothing is owed" in capsys.readouterr().out


def test_bad_input_is_named_and_the_rest_done(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "book.pgn"
    path.write_text(TWO_ANSWERS + "\n\n1. e4 e5 2. Ke3 *\n")
    (tmp_path / "bad.md").write_text("no note")
    assert cli.main(["owed", str(path), "--side", "white", "--notes", str(tmp_path)]) == 1
    told = capsys.readouterr()
    assert "Ke3" in told.err and "bad.md" in told.err
    assert "3.Nc3 in “One”" in told.out


@pytest.mark.parametrize(
    "extra", [["--notes", "nowhere"], ["--all", "--format", "csv"], ["-o", "nowhere/out.txt"]]
)
def test_what_cannot_start(
    tmp_path: Path, extra: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "book.pgn"
    path.write_text(TWO_ANSWERS)
    assert cli.main(["owed", str(path), *extra]) == 2
    assert capsys.readouterr().err.startswith("pawnlore owed: ")


def test_the_demo_writes_all_that_it_names(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["demo", "-o", str(tmp_path / "out")]) == 0
    page = capsys.readouterr().out
    _, _, listed = page.partition("Written to the folder")
    names = [line.split()[0] for line in listed.splitlines()[1:]]
    assert {name.rstrip("/") for name in names} == {
        path.name for path in (tmp_path / "out").iterdir()
    }
    assert all(path.stat().st_size for path in (tmp_path / "out").rglob("*") if path.is_file())
    assert "4.Nf3 in “The Hedgehog evening”" in " ".join(page.split())
    owed = list(csv.DictReader((tmp_path / "out" / "owed.csv").open(encoding="utf-8")))
    assert f"{len(owed)} things are still owed" in page
