"""``pawnlore answers --keep`` and ``pawnlore surveys``: into the store and out of it again."""

from __future__ import annotations

import csv
import io
import json
import subprocess
import sys
from pathlib import Path

import pytest

from pawnlore.service.cli import main
from pawnlore.service.store.repertoire_shelf import RepertoireShelf
from pawnlore.service.store.store import open_store
from pawnlore.service.store.survey_shelf import TABLES, SurveyShelf
from pawnlore.service.survey.answers import answers
from pawnlore.service.survey.place import Place

EXCHANGE = "1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5"
GAMES = (
    f'[Round "1"]\n[Result "1-0"]\n[Date "1999.??.??"]\n\n{EXCHANGE} c6 6. e3 Be7 7. Bd3 1-0\n\n'
    f'[Round "2"]\n[Result "1/2-1/2"]\n\n{EXCHANGE} Nbd7 6. e3 Be7 7. Bd3 c6 8. Qc2 1/2-1/2\n\n'
    '[Round "3"]\n[Result "0-1"]\n\n1. e4 c5 2. Nf3 d6 3. d4 cxd4 0-1\n\n'
)
COURSE = f'[Event "Exchange"]\n\n{EXCHANGE} c6 6. e3 Be7 (6... Bf5 7. Bd3) 7. Bd3 *\n'


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("PAWNLORE_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("PAWNLORE_DATABASE", raising=False)
    (tmp_path / "secret-folder").mkdir()
    (tmp_path / "secret-folder" / "club.pgn").write_text(GAMES)
    (tmp_path / "course.pgn").write_text(COURSE)
    monkeypatch.chdir(tmp_path)
    assert main(["survey", "secret-folder/club.pgn", "-o", "out", "--jobs", "1"]) == 0
    return tmp_path


def test_answers_are_kept_shown_replaced_and_deleted(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def told(*arguments: str, status: int = 0) -> tuple[str, str]:
        capsys.readouterr()
        assert main([*arguments]) == status
        out, said = capsys.readouterr()
        assert "Traceback" not in said
        return out, said

    assert "answers SURVEY --keep" in told("surveys", "list")[1]
    course = told("repertoires", "add", "course.pgn", "--name", "Course")[0].strip()
    said = told("answers", "out", "--keep", "Club", "--beside", "Course")[1]
    assert "kept as 'Club'" in said and "2 of 3 games" in said
    (listed,) = told("surveys", "list")[0].splitlines()
    assert listed.endswith("3 games  Club")
    facts = told("surveys", "show", "Club")[0]
    assert '["club.pgn"]' in facts and "secret-folder" not in facts
    assert f"{course} Course, version 1: 2 of 3 games go with it" in facts
    given = answers(Place("out")).tables
    for name in TABLES:
        text = told("surveys", "show", "Club", "--table", name, "--format", "jsonl")[0]
        rows = [json.loads(line) for line in text.splitlines()]
        assert len(rows) == len(given[name]) > 0 or name == "breaks"
    text = told("surveys", "show", "Club", "--table", "by_year", "--structure", "carlsbad")[0]
    assert [row["year"] for row in csv.DictReader(io.StringIO(text))] == ["1999", "unknown"]
    ask = ("surveys", "show", "Club", "--beside", course, "--table")
    (move,) = csv.DictReader(io.StringIO(told(*ask, "unanswered_moves")[0]))
    assert (move["move"], move["games"], move["node"]) == ("Nbd7", "1", "9")
    (line,) = csv.DictReader(io.StringIO(told(*ask, "unplayed_lines")[0]))
    assert line["line"].endswith("Bf5 7.Bd3")
    assert "Bf5" not in told(*ask, "unplayed_lines", "--structure", "carlsbad")[0]

    # Kept again without it, it is beside nothing any more, and that is said.
    assert "stood beside 1 other" in told("answers", "out", "--keep", "Club")[1]
    assert "beside" not in told("surveys", "show", "Club")[0]
    told("surveys", "show", "Club", "--table", "by_ply", "-o", "plies.csv")
    assert (folder / "plies.csv").read_text().startswith("ply,structure,holder,games")
    plot = told("surveys", "show", "Club", "--plot", "scores", "--structure", "carlsbad")[0]
    assert plot.startswith("<svg") and "score by rating" in plot
    told("surveys", "show", "Club", "--plot", "frequencies", "-o", "often.svg")
    assert "How often games hold a structure" in (folder / "often.svg").read_text()
    none = ("--plot", "scores", "--structure", "carlsbad", "--holder", "black")
    assert "that holder" in told("surveys", "show", "Club", *none, status=2)[1]
    assert told("surveys", "delete", "Club") == ("", "Club is deleted\n")
    assert told("surveys", "list")[0] == ""


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("answers", "out", "--beside", "Course"), "--keep"),
        (("answers", "out", "--keep", "Club", "--beside", "Nobody"), "repertoires list"),
        (("answers", "out", "--keep", "a\nb"), "cannot be shown"),
        (("answers", "nowhere", "--keep", "Club"), "holds no survey"),
        (("answers", "out", "--keep", "Club", "--database", "mysql://x"), "database"),
        (("surveys", "show", "Club"), "no such survey"),
        (("surveys", "delete", "Club"), "no such survey"),
    ],
)
def test_what_cannot_be_done_is_said_and_nothing_is_kept(
    folder: Path,
    capsys: pytest.CaptureFixture[str],
    arguments: tuple[str, ...],
    words: str,
) -> None:
    capsys.readouterr()
    assert main([*arguments]) == 2
    said = capsys.readouterr().err
    assert words in said and "Traceback" not in said
    store = open_store(f"sqlite:///{folder / 'home' / 'pawnlore.sqlite'}")
    assert SurveyShelf(store).list() == []
    store.close()


def test_a_repertoire_that_another_model_judged_is_told(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["repertoires", "add", "course.pgn", "--name", "Course"]) == 0
    store = open_store(f"sqlite:///{folder / 'home' / 'pawnlore.sqlite'}")
    shelf = RepertoireShelf(store)
    kept = shelf.list()[0]
    content = shelf.content(kept.id)
    shelf.put("", shelf.files(kept.id), content.book, content.distinct, model="another", id=kept.id)
    store.close()
    assert main(["answers", "out", "--keep", "Club", "--beside", "Course"]) == 0
    assert "another model" in capsys.readouterr().err


def test_what_is_kept_is_read_without_what_reads_surveys(folder: Path) -> None:
    assert main(["answers", "out", "--keep", "Club"]) == 0
    without = (
        "import sys\n"
        "for name in ('pyarrow', 'fsspec', 'numba', 'scipy', 'sklearn', 'duckdb'):\n"
        "    sys.modules[name] = None\n"
        "from pawnlore.service.cli import main\n"
        "sys.exit(main(['surveys', 'show', 'Club', '--table', 'structures']))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", without], capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    assert "carlsbad,white," in done.stdout
