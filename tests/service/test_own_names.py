"""Own families are called by the author's names wherever a person reads of them."""

from __future__ import annotations

import csv
import io
import json
import re
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any

import chess
import chess.pgn
import pytest
from described_api import Author, json_of, served
from html_page import Page
from kept_surveys import beside, beside_tables, keep_survey
from repertoires import demo, read
from running_services import TestService

from pawnlore.models.classifier import shipped_classifier
from pawnlore.service.api.repertoires_at_hand import repertoires
from pawnlore.service.cli import main
from pawnlore.service.html_text import html_text
from pawnlore.service.notes_folder import read_notes_folder
from pawnlore.service.store.family_shelf import FamilyShelf
from pawnlore.service.store.repertoire_shelf import RepertoireShelf
from pawnlore.service.store.survey_shelf import SurveyShelf
from pawnlore.service.workbook import make_workbook
from pawnlore.structures.debt import DOUBTFUL, NO_NOTE, NO_STRUCTURE, UNMET_BREAK, UNUSED_NOTE
from pawnlore.structures.line_text import Naming, family_name, naming
from pawnlore.structures.move_order import move_orders, swap_words
from pawnlore.structures.owed import owed
from pawnlore.structures.pgn_headers import escape
from pawnlore.structures.plan_note import PlanNote
from pawnlore.structures.repertoire_side import given_side, infer_side

# All that means something to HTML, to a PGN comment or header, to CSV or to a spreadsheet.
NAME = 'Clamp {on a4} } ; "b-pawn" \\ <script>alert(1)</script> &amp; =1+1, 2%'
OTHER = "A wedge of ours"
NEW = "The squeeze <b>"

# The bind with the a-pawn on a4, from common practice; no source.
AFTER_A4 = "r1bq1rk1/pp2ppbp/2np1np1/8/P1PNP3/2N1B3/1P2BPPP/R2QK2R b KQ - 0 9"
WITHOUT = "r1bq1rk1/pp2ppbp/2np1np1/8/2PNP3/2N1B3/PP2BPPP/R2QK2R w KQ - 0 9"
COURSE = (
    '[Event "The bind"]\n\n1. e4 c5 2. Nf3 Nc6 3. d4 cxd4 4. Nxd4 g6 5. c4 Bg7 6. Be3 Nf6 7. Nc3 '
    "d6 8. Be2 O-O (8... Bd7 9. O-O O-O 10. Qd2 Rc8 11. Rac1 Re8 12. Kh1 Qa5 13. a4) 9. a4 Bd7 "
    "10. O-O Rc8 11. Qd2 Re8 12. Rfd1 Qa5 13. Rac1 Qb4 14. Kh1 Qa5 15. Kg1 *\n"
)
WEDGE_NOTE = (
    '+++\nstructure = "own/wedge"\nholder = "any"\nside = "holder"\ntitle = "Wait"\n+++\nWait.\n'
)


@dataclass
class Named:
    """A service whose author labelled the pawns after a4, and named what they are."""

    service: TestService
    author: Author
    repertoire: str

    def get(self, path: str, **asked: str) -> Any:
        answer = self.service.client().get(path, query_string=asked)
        assert answer.status_code == 200, answer.get_data(as_text=True)
        return answer

    def table(self, name: str, **asked: str) -> list[dict[str, Any]]:
        return list(
            json_of(self.get(f"/api/repertoires/{self.repertoire}/{name}", **asked))["items"]
        )

    def page(self, name: str, **asked: str) -> str:
        return Page(self.get(f"/repertoires/{self.repertoire}/{name}", **asked).text).said


@pytest.fixture
def named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Named]:
    with served(tmp_path / "home") as service:
        shelf = FamilyShelf(service.store)
        shelf.add("own/clamp", NAME)
        shelf.add("own/wedge", OTHER)
        author = Author(service)
        author.label(AFTER_A4, "own/clamp")
        author.note(WEDGE_NOTE)
        repertoire, _ = author.upload(COURSE.encode())
        monkeypatch.setenv("PAWNLORE_DATABASE", service.settings.database)
        yield Named(service, author, repertoire)


@pytest.fixture
def told(named: Named, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    """Runs a command with ``--taught`` on the course, and gives what it printed."""
    course, notes = tmp_path / "course.pgn", tmp_path / "notes"
    course.write_text(COURSE)
    notes.mkdir()
    (notes / "wedge.md").write_text(WEDGE_NOTE)

    def run(command: str, *asked: str) -> str:
        capsys.readouterr()
        files = [str(course)] if command not in ("classify", "plans") else []
        assert main([command, *asked, *files]) == 0
        return capsys.readouterr().out

    return run


def one_line(text: str) -> str:
    return " ".join(text.split())


def test_a_name_is_the_author_s_or_the_catalogue_s() -> None:
    name_of = naming({"own/clamp": NAME, "carlsbad": "not this", "own/none": ""})
    assert name_of("own/clamp") == NAME
    assert name_of("carlsbad") == family_name("carlsbad") == "Carlsbad structure"
    assert name_of("own/none") == "own/none" and name_of("own/other") == "own/other"
    assert name_of("unsettled") == "no structure settles"


def told_back(text: str) -> str:
    """The text with the names that `marked` gave made those of the catalogue."""
    return re.sub("<([^>]+)>", lambda found: family_name(found[1]), text)


def marked(id: str) -> str:
    return f"<{id}>"


def test_every_sentence_on_move_orders_takes_its_names_from_outside() -> None:
    book = read("1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 Be7 6. e3 O-O *")
    found = move_orders(book, shipped_classifier().classify, given_side(book, "white"))
    told = [swap_words(book, swap, marked) for swap in found.swaps]
    assert [told_back(text) for text in told] == [swap_words(book, one) for one in found.swaps]
    assert sum("(<" in text for text in told) == 2


def test_every_sentence_on_what_is_owed_does_so_too() -> None:
    book = demo()
    with as_file(files("pawnlore.labelled_demo") / "notes") as folder:
        notes = list(read_notes_folder(folder).notes)
    work = make_workbook(book, shipped_classifier().classify, infer_side(book))

    def debts(notes: list[PlanNote], name_of: Naming) -> list[tuple[str, str, str]]:
        about = (work.verdicts, work.paths, work.groups, work.side, notes)
        # Beyond any doubt is no verdict.
        found = owed(book, *about, sure=1.1, name_of=name_of)
        return [(debt.kind, debt.what, debt.closes) for debt in found]

    seen = set()
    for some in ([], notes):
        named = debts(some, marked)
        back = [(kind, told_back(what), told_back(closes)) for kind, what, closes in named]
        assert sorted(back) == sorted(debts(some, family_name))
        seen |= {kind for kind, what, _ in named if "<" in what}
    assert seen >= {NO_NOTE, NO_STRUCTURE, UNMET_BREAK, DOUBTFUL, UNUSED_NOTE}


def test_commands_print_it(told: Callable[..., str]) -> None:
    for view in ([], ["--show", "load"], ["--show", "load", "--compare", COMPARED]):
        said = one_line(told("groups", "--taught", *view))
        # A column may cut it.
        assert NAME[:40] in said and "own/" not in said, view
    said = one_line(told("tag", "--taught"))
    assert NAME in said and "own/" not in said
    for command in ("breaks", "similar"):
        said = one_line(told(command, "--taught", AFTER_A4))
        assert NAME in said and "own/" not in said, command


COMPARED = "1. e4 c5 2. Nf3 Nc6 3. d4 cxd4 4. Nxd4 g6 5. c4 Bg7 6. Be3 Nf6 7. Nc3 d6 8. Be2"


def test_what_is_owed_calls_it_so(told: Callable[..., str], tmp_path: Path) -> None:
    asked = ("--taught", "--notes", str(tmp_path / "notes"))
    said = one_line(told("owed", *asked))
    assert f"“{NAME}”" in said
    assert f"none holds “{OTHER}”" in said
    # What a program reads, and what the header of a note needs, is the id.
    assert 'structure = "own/clamp", holder = "white"' in said
    (row,) = (
        row
        for row in csv.DictReader(io.StringIO(told("owed", "--format", "csv", *asked)))
        if row["kind"] == "no-note" and row["structure"] == "own/clamp"
    )
    assert row["what"].startswith(f"“{NAME}”") and "own/" not in row["what"]


def test_tables_for_programs_keep_the_id_beside_it(told: Callable[..., str]) -> None:
    rows = list(csv.DictReader(io.StringIO(told("groups", "--taught", "--format", "csv"))))
    (row,) = (row for row in rows if row["structure"] == "own/clamp")
    assert row["name"] == NAME
    lines = told("groups", "--taught", "--format", "jsonl", "--lines").splitlines()
    assert {json.loads(line)["structure"] for line in lines} == {"own/clamp", "maroczy-bind"}
    for form in ("csv", "jsonl"):
        for command in (("tag",), ("similar", AFTER_A4)):
            said = told(*command, "--taught", "--format", form)
            assert "own/clamp" in said and "Clamp" not in said, command


def test_a_tag_is_read_back_by_its_id(told: Callable[..., str], tmp_path: Path) -> None:
    tagged = told("tag", "--taught", "--format", "pgn")
    assert "{Pawnlore: own/clamp, held by White, probability 1.00.}" in one_line(tagged)
    path = tmp_path / "course.pgn"
    plain = told("tag", "--format", "pgn", "--remove-tags")
    path.write_text(tagged)
    assert told("tag", "--format", "pgn", "--remove-tags") == plain


def test_split_files_have_it_in_their_header(told: Callable[..., str], tmp_path: Path) -> None:
    folder = tmp_path / "split"
    said = told("split", "--taught", "-o", str(folder), "--tables", "csv")
    assert f"{NAME}, ours: 1 line" in said
    (file,) = folder.glob("own-clamp*.pgn")
    check_split_file(file.read_text())
    (row,) = (
        row
        for row in csv.DictReader((folder / "groups.csv").open())
        if row["structure"] == "own/clamp"
    )
    assert row["name"] == NAME


def check_split_file(text: str) -> None:
    book = read(text)
    assert book.games[0].header("Event") == f"{NAME}, ours" and not book.problems
    # What another reader makes of it: python-chess, which leaves headers escaped.
    game = chess.pgn.read_game(io.StringIO(text))
    assert game is not None and game.errors == []
    assert game.headers["Event"] == f"{escape(NAME)}, ours"
    assert [move.uci() for move in game.mainline_moves()][16:18] == ["a2a4", "c8d7"]


def test_a_booklet_says_it_and_takes_no_harm(told: Callable[..., str], tmp_path: Path) -> None:
    booklet = tmp_path / "booklet.html"
    told("booklet", "--taught", "-o", str(booklet), "--notes", str(tmp_path / "notes"))
    check_booklet(booklet.read_text())


def check_booklet(text: str) -> None:
    page = Page(text)
    assert page.tags["script"] == 0 and html_text(NAME) in text
    # In the contents, at the head of its section, at a line's end and in what is owed.
    assert page.said.count(NAME) >= 4
    assert f"ends in: {NAME}, White’s" in page.said
    assert f"none holds “{OTHER}”" in page.said
    without_headers = page.said.replace('structure = "own/clamp"', "")
    assert "own/" not in without_headers


def test_a_verdict_is_told_by_it(named: Named, told: Callable[..., str], tmp_path: Path) -> None:
    positions = tmp_path / "positions.fen"
    positions.write_text(f"{AFTER_A4}\n")
    for asked in ([], ["--explain"]):
        assert NAME in told("classify", "--taught", *asked, str(positions))
    said = told("plans", AFTER_A4)
    assert said.startswith(f"{NAME}, held by white: by your label\n")
    assert "There is no plan for it: you have not written one yet." in said
    note = WEDGE_NOTE.replace("own/wedge", "own/clamp").replace('"any"', '"white"')
    named.author.note(note)
    assert f"{NAME} held by White." in told("plans", AFTER_A4)
    turned = chess.Board(AFTER_A4).mirror().fen()
    assert f"({NAME} held by White)" in one_line(told("plans", turned))
    assert told("plans", WITHOUT).startswith("Maróczy bind, White's: its core is met\n")


def test_the_service_says_it_in_tables_and_files(named: Named) -> None:
    (row,) = (row for row in named.table("groups") if row["structure"] == "own/clamp")
    assert row["name"] == NAME
    whats = [row["what"] for row in named.table("owed")]
    assert any(what.startswith(f"“{NAME}”") for what in whats)
    assert any(f"none holds “{OTHER}”" in what for what in whats)
    assert not any("own/" in what for what in whats)
    here = f"/api/repertoires/{named.repertoire}"
    check_booklet(named.get(f"{here}/booklet.html", owed="true").text)
    with zipfile.ZipFile(io.BytesIO(named.get(f"{here}/split.zip").data)) as archive:
        (file,) = (name for name in archive.namelist() if name.startswith("own-clamp"))
        check_split_file(archive.read(file).decode())
    assert "Pawnlore: own/clamp, held by White" in one_line(named.get(f"{here}/tagged.pgn").text)


def test_pages_say_it(named: Named) -> None:
    said = named.page("owed")
    assert f"“{NAME}”" in said and f"none holds “{OTHER}”" in said
    assert "own/" not in said
    assert NAME in named.page("load", kind="types")


def test_a_repertoire_beside_games_says_it_in_rows_and_plot(named: Named) -> None:
    upload = RepertoireShelf(named.service.store).get(named.repertoire).upload
    tables = beside_tables()
    tables["groups"] = [{**tables["groups"][0], "structure": "own/clamp"}, *tables["groups"]]
    kept = beside(named.repertoire, upload, tables=tables)
    keep_survey(SurveyShelf(named.service.store), "Games", kept)
    text = named.get(f"/repertoires/{named.repertoire}/beside").text
    said = Page(text).said
    assert NAME in said and f"{NAME} (white)" in said and "Carlsbad structure (white)" in said
    assert "own/" not in said and Page(text).tags["svg"] == 1


def test_another_name_is_said_at_once(named: Named) -> None:
    here = f"/api/repertoires/{named.repertoire}"
    desk = repertoires_of(named)
    opened = desk.open(named.repertoire)
    cursor = json_of(named.get(f"{here}/groups", limit="1"))["next"]
    assert NAME in named.page("owed") and NAME in named.page("load", kind="types")
    assert desk.open(named.repertoire) is opened, "nothing is made anew while nothing changes"

    shelf = FamilyShelf(named.service.store)
    # An example more changes no name, and nothing is made anew for it.
    shelf.change("own/clamp", parent="maroczy-bind")
    assert desk.open(named.repertoire) is opened
    shelf.change("own/clamp", name=NEW)
    (row,) = (row for row in named.table("groups") if row["structure"] == "own/clamp")
    assert row["name"] == NEW
    for said in (
        " ".join(row["what"] for row in named.table("owed")),
        named.page("owed"),
        named.page("load", kind="types"),
        Page(named.get(f"{here}/booklet.html").text).said,
    ):
        assert NEW in said and NAME not in said
    # What was read is kept, and verdicts are those that were given.
    assert desk.open(named.repertoire).work.book is opened.work.book
    assert desk.open(named.repertoire).tag != opened.tag
    answer = named.service.client().get(
        f"{here}/groups", query_string={"limit": "1", "cursor": cursor}
    )
    assert answer.status_code == 400, "a page of the table with the old name is not mixed in"


def repertoires_of(named: Named) -> Any:
    with named.service.app.app_context():
        return repertoires().desk
