"""A finer form of a structure, from its examples to the plans that a student reads."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import chess
import numpy as np
import pytest
from described_api import Author, json_of, served
from html_page import Page
from repertoires import read
from running_services import TestService, bearer

from pawnlore.models.classifier import shipped_classifier
from pawnlore.models.family_teaching import learn_family
from pawnlore.models.own_family import LearntFamily, OwnFamily
from pawnlore.models.taught_classifier import taught_bytes, with_families
from pawnlore.models.teaching_reference import shipped_reference
from pawnlore.service.cli import main
from pawnlore.service.store.family_shelf import FamilyShelf
from pawnlore.service.store.model_shelf import ModelShelf
from pawnlore.structures.skeleton import skeletons_from_fens
from pawnlore.structures.verdict import BLACK, WHITE

# The bind with the a-pawn on a4, from common practice; no source.
CLAMP = (
    "8/pp2pp1p/3p2p1/8/P1P1P3/8/1P3PPP/8",
    "8/pp2p2p/3p1pp1/8/P1P1P3/1P6/5PPP/8",
    "8/1p2pp1p/p2p2p1/8/P1P1P3/8/1P3PPP/8",
    "8/pp1ppp1p/6p1/8/P1P1P3/5P2/1P4PP/8",
)
# Black's a-pawn on a5 against the bind, so that a knight can stay on c5; no source.
STOP = (
    "8/1p2pp1p/3p2p1/p7/2P1P3/8/PP3PPP/8",
    "8/1p2p2p/3p1pp1/p7/2P1P3/1P6/P4PPP/8",
    "8/1p2pp1p/3p2p1/p7/2P1P3/5P2/PP4PP/8",
    "8/1p1ppp1p/6p1/p7/2P1P3/8/PP3PPP/8",
    "8/1p2pp2/3p2pp/p7/2P1P3/8/PP3PPP/8",
)
WITH_A4 = "r1bq1rk1/pp2ppbp/2np1np1/8/P1PNP3/2N1B3/1P2BPPP/R2QK2R b KQ - 0 9"
WITHOUT = "r1bq1rk1/pp2ppbp/2np1np1/8/2PNP3/2N1B3/PP2BPPP/R2QK2R w KQ - 0 9"
WITH_A5 = "r1bq1rk1/1p2ppbp/2np1np1/p7/2PNP3/2N1B3/PP2BPPP/R2QK2R w KQ - 0 9"
STOPPED = (
    '[Event "The bind"]\n\n1. e4 c5 2. Nf3 Nc6 3. d4 cxd4 4. Nxd4 g6 5. c4 Bg7 6. Be3 Nf6 7. Nc3 '
    "d6 8. Be2 O-O 9. O-O a5 10. Qd2 Bd7 (10... Ng4) 11. f3 Rc8 (11... Ne5) *\n"
)
COURSE = (
    '[Event "The bind"]\n\n1. e4 c5 2. Nf3 Nc6 3. d4 cxd4 4. Nxd4 g6 5. c4 Bg7 6. Be3 Nf6 7. Nc3 '
    "d6 8. Be2 O-O 9. a4 (9. O-O Bd7 10. Qd2 Rc8 11. f3 a6) 9... Bd7 10. O-O Rc8 11. Qd2 Re8 *\n"
)


def plan(structure: str, title: str) -> str:
    return (
        f'+++\nstructure = "{structure}"\nholder = "white"\nside = "holder"\n'
        f'title = "{title}"\n+++\n{title} it is.\n'
    )


@pytest.fixture(scope="module")
def content() -> bytes:
    return taught_with("own/clamp", "The clamp", CLAMP, WHITE, "maroczy-bind")


@pytest.fixture(scope="module")
def content_of_the_stop() -> bytes:
    return taught_with("own/stop", "The a5 stop", STOP, BLACK, "")


def learnt(id: str, name: str, fens: tuple[str, ...], holder: int, parent: str) -> LearntFamily:
    """A family whose examples have one holder."""
    masks = skeletons_from_fens(fens)
    nothing = np.empty((0, 2), dtype=np.uint64)
    holders = np.full(len(masks), holder, dtype=np.int8)
    family = OwnFamily(id, name, masks, holders, nothing, parent=parent)
    return learn_family(family, shipped_reference())


def taught_with(id: str, name: str, fens: tuple[str, ...], holder: int, parent: str) -> bytes:
    """A model with one such family."""
    family = learnt(id, name, fens, holder, parent)
    return taught_bytes(with_families(shipped_classifier(), (family,)))


@dataclass
class Taught:
    """A service whose author taught the clamp, and wrote a plan for it and for the bind."""

    service: TestService
    author: Author
    repertoire: str

    def get(self, path: str, headers: dict[str, str] | None = None, **asked: str) -> Any:
        answer = self.service.client().get(
            path, query_string=asked, headers=self.author.headers if headers is None else headers
        )
        assert answer.status_code == 200, answer.get_data(as_text=True)
        return answer

    def page(self, path: str, headers: dict[str, str] | None = None, **asked: str) -> str:
        return Page(self.get(path, headers, **asked).get_data(as_text=True)).said

    def titles(self, fen: str, headers: dict[str, str] | None = None) -> list[str]:
        found = json_of(self.get("/api/plans", headers, fen=fen))
        assert found["verdict"]["structure"] == "maroczy-bind"
        return [one["title"] for one in found["notes"]]


@pytest.fixture
def taught(tmp_path: Path, content: bytes, monkeypatch: pytest.MonkeyPatch) -> Iterator[Taught]:
    with served(tmp_path, sign_in=True) as service:
        shelf = ModelShelf(service.store)
        shelf.choose(shelf.add(content, base="", taught_from={}, figures={}).number)
        FamilyShelf(service.store).add("own/clamp", "The clamp", parent="maroczy-bind")
        author = Author(service)
        author.note(plan("maroczy-bind", "Squeeze"), published=True)
        author.note(plan("own/clamp", "Fix the b-pawn"), published=True)
        repertoire, _ = author.upload(COURSE.encode())
        monkeypatch.setenv("PAWNLORE_DATABASE", service.settings.database)
        yield Taught(service, author, repertoire)


def test_its_plans_come_first_where_it_stands_and_nowhere_else(taught: Taught) -> None:
    assert taught.titles(WITH_A4) == ["Fix the b-pawn", "Squeeze"]
    assert taught.titles(WITHOUT) == ["Squeeze"]
    said = taught.page("/look-up", fen=WITH_A4)
    assert said.index("The clamp held by White.") < said.index("Squeeze it is")
    assert "Your finer form: The clamp , White’s." in said
    assert "Write a plan for The clamp" in said
    assert "finer form" not in taught.page("/look-up", fen=WITHOUT)


def test_a_student_reads_its_plans_where_the_repertoire_comes_to_it(taught: Taught) -> None:
    student = bearer(taught.service.link(taught.repertoire))
    assert taught.titles(WITH_A4, student) == ["Fix the b-pawn", "Squeeze"]
    assert taught.titles(WITHOUT, student) == ["Squeeze"]
    said = taught.page("/look-up", student, fen=WITH_A4)
    assert "Fix the b-pawn" in said and "finer form" not in said
    (row,) = rows_of(taught.get(f"/api/repertoires/{taught.repertoire}/groups", student))
    assert "finer" not in row
    other, _ = taught.author.upload(COURSE.split("9. a4")[0].encode() + b"*", "Other")
    elsewhere = bearer(taught.service.link(other))
    assert taught.titles(WITH_A4, elsewhere) == ["Squeeze"], "no line of it comes to the clamp"


def test_a_label_that_says_what_the_core_says_leaves_it(taught: Taught) -> None:
    student = bearer(taught.service.link(taught.repertoire))
    here = f"/api/repertoires/{taught.repertoire}"
    before = json_of(taught.get("/api/plans", student, fen=WITH_A4))
    taught.author.label(WITH_A4, "maroczy-bind")
    assert taught.titles(WITH_A4) == ["Fix the b-pawn", "Squeeze"]
    found = json_of(taught.get("/api/plans", fen=WITH_A4))["verdict"]
    assert (found["decided_by"], found["second"]) == ("label", "own/clamp")
    assert "Your finer form" in taught.page("/look-up", fen=WITH_A4)
    (row,) = rows_of(taught.get(f"{here}/groups"))
    assert row["finer"] == [{"structure": "own/clamp", "holder": "white", "lines": 1}]
    assert json_of(taught.get("/api/plans", student, fen=WITH_A4)) == before


def test_a_label_with_it_on_its_parents_core_keeps_the_parents_plans(taught: Taught) -> None:
    def found() -> tuple[str, list[str]]:
        told = json_of(taught.get("/api/plans", fen=WITH_A4))
        return told["verdict"]["structure"], [one["title"] for one in told["notes"]]

    taught.author.label(WITH_A4, "own/clamp")
    assert found() == ("own/clamp", ["Fix the b-pawn", "Squeeze"])
    said = taught.page("/look-up", fen=WITH_A4)
    assert said.index("Fix the b-pawn") < said.index("Squeeze it is")
    book = read(COURSE)
    (a4,) = (node for node, move in enumerate(book.moves) if move == "a4")
    said = taught.page(f"/repertoires/{taught.repertoire}/nodes/{a4}")
    assert said.index("Fix the b-pawn") < said.index("Squeeze it is")
    # Once it is a finer form of nothing, the label is all that is said of these pawns.
    FamilyShelf(taught.service.store).change("own/clamp", parent="")
    assert found() == ("own/clamp", ["Fix the b-pawn"])


def test_a_declared_form_comes_before_another_family_that_stands_there_too() -> None:
    own = learnt("own/clamp", "The clamp", CLAMP, WHITE, "maroczy-bind")
    others = (replace(own, id="own/loose", parent=""), replace(own, id="own/pal", parent="benko"))
    pawns = skeletons_from_fens([WITH_A4.split()[0]])
    for families in ((*others, own), (own, *others)):
        found = with_families(shipped_classifier(), families).classify(pawns)[0]
        assert found.finer == ("own/clamp", "white")
    # Where no core is met, the likeliest is named, whatever its parent.
    near = with_families(shipped_classifier(), (*others, own)).classify(pawns, cores=False)[0]
    assert near.structure == "own/loose"


def test_a_plan_for_it_is_offered_with_colours_reversed(tmp_path: Path, content: bytes) -> None:
    with served(tmp_path) as service:
        shelf = ModelShelf(service.store)
        shelf.choose(shelf.add(content, base="", taught_from={}, figures={}).number)
        author = Author(service)
        author.note(plan("maroczy-bind", "Squeeze"))
        author.note(plan("own/clamp", "Fix the b-pawn"))
        turned = chess.Board(WITH_A4).mirror().fen()
        answer = service.client().get("/api/plans", query_string={"fen": turned})
        found = json_of(answer)
        assert found["verdict"]["second"] == "own/clamp" and not found["notes"]
        offered = [one for one in found["next_best"] if one["kind"] == "colours-reversed"]
        assert [one["note"]["title"] for one in offered] == ["Fix the b-pawn", "Squeeze"]
        # The page lists them too, as notes that ask for something else.
        said = Page(service.client().get("/look-up", query_string={"fen": turned}).text).said
        assert "None of your 2 notes on this structure applies here." in said
        assert "Fix the b-pawn asks for another holder Squeeze asks for another holder" in said


def test_a_family_without_that_parent_is_told_for_what_it_is(
    tmp_path: Path, content_of_the_stop: bytes
) -> None:
    with served(tmp_path) as service:
        shelf = ModelShelf(service.store)
        shelf.choose(shelf.add(content_of_the_stop, base="", taught_from={}, figures={}).number)
        FamilyShelf(service.store).add("own/stop", "The a5 stop")
        repertoire, _ = Author(service).upload(STOPPED.encode())

        def page(path: str, **asked: str) -> Page:
            answer = service.client().get(path, query_string=asked)
            assert answer.status_code == 200
            return Page(answer.get_data(as_text=True))

        # It stands on pawns that the other side holds, so it is no form of that.
        (a5,) = (node for node, move in enumerate(read(STOPPED).moves) if move == "a5")
        group = page(f"/repertoires/{repertoire}/groups/maroczy-bind/white")
        line = page(f"/repertoires/{repertoire}/nodes/{a5}")
        look_up = page("/look-up", fen=WITH_A5, repertoire=repertoire)
        assert "Other families of yours that stand there: The a5 stop , Black’s, in 3" in group.said
        for one in (line, look_up):
            assert "Another family of yours that stands here: The a5 stop , Black’s." in one.said
        for one in (group, line, look_up):
            assert "finer form" not in one.said
            hrefs = [value for _, name, value in one.attributes if name == "href"]
            (href,) = (a for a in hrefs if a.startswith("/notes/new?structure=own"))
            # White's repertoire: our plan is the one against it.
            assert href.startswith("/notes/new?structure=own%2Fstop&holder=black&side=foe")


def test_its_plan_is_written_from_where_it_stands(taught: Taught) -> None:
    asked = {"structure": "own/clamp", "holder": "white", "side": "holder", "fen": WITH_A4}
    said = taught.page("/notes/new", **asked)
    assert "The clamp" in said
    assert "The clamp" in taught.page("/notes/new"), "it can be chosen without coming from there"


def test_commands_tell_its_holder_where_that_is_another(
    tmp_path: Path,
    content_of_the_stop: bytes,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    course, tagged = tmp_path / "course.pgn", tmp_path / "tagged.pgn"
    course.write_text(STOPPED)
    with served(tmp_path) as service:
        shelf = ModelShelf(service.store)
        shelf.choose(shelf.add(content_of_the_stop, base="", taught_from={}, figures={}).number)
        monkeypatch.setenv("PAWNLORE_DATABASE", service.settings.database)
        assert main(["groups", "--taught", str(course)]) == 0
        assert "finer form: The a5 stop, Black's (3 lines)" in capsys.readouterr().out
        positions = tmp_path / "positions.fen"
        positions.write_text(f"{WITH_A5}\n")
        assert main(["classify", "--taught", str(positions)]) == 0
        assert "Maróczy bind: own/stop (black) " in capsys.readouterr().out.replace(
            "The a5 stop", "own/stop"
        )
        pgn = ["tag", "--format", "pgn", "-o"]
        assert main([*pgn, str(tagged), "--taught", str(course)]) == 0
    told = one_line(tagged)
    assert "a5 {Pawnlore: Maróczy bind, held by White, probability 1.00, core met, " in told
    assert "core met, finer form own/stop, held by Black.}" in told
    clean, untouched = tmp_path / "clean.pgn", tmp_path / "untouched.pgn"
    assert main([*pgn, str(clean), "--remove-tags", str(tagged)]) == 0
    assert main([*pgn, str(untouched), "--remove-tags", str(course)]) == 0
    assert clean.read_text() == untouched.read_text()


def one_line(path: Path) -> str:
    return " ".join(path.read_text().split())


def rows_of(answer: Any) -> list[dict[str, Any]]:
    return list(json_of(answer)["items"])


def test_groups_and_lines_tell_of_it(taught: Taught) -> None:
    (row,) = rows_of(taught.get(f"/api/repertoires/{taught.repertoire}/groups"))
    assert (row["structure"], row["lines"]) == ("maroczy-bind", 2)
    assert row["finer"] == [{"structure": "own/clamp", "holder": "white", "lines": 1}]
    here = f"/repertoires/{taught.repertoire}"
    said = taught.page(f"{here}/groups/maroczy-bind/white")
    assert "Your finer forms of it: The clamp , White’s, in 1 line" in said
    assert (
        said.index("Fix the b-pawn")
        < said.index("Only where The clamp stands.")
        < said.index("Squeeze")
    )
    book = read(COURSE)
    (a4,) = (node for node, move in enumerate(book.moves) if move == "a4")
    said = taught.page(f"{here}/nodes/{a4}")
    assert "Your finer form: The clamp , White’s." in said and "Fix the b-pawn" in said
    said = taught.page(f"{here}/nodes/{a4 - 1}")
    assert "finer form" not in said and "Fix the b-pawn" not in said
    nodes = f"/api/repertoires/{taught.repertoire}/nodes"
    for asked in ({}, {"holder": "white"}):
        standing = rows_of(taught.get(nodes, structure="own/clamp", **asked))
        assert standing[0]["node"] == a4 and standing[0]["structure"] == "maroczy-bind"
        assert {one["finer_form"] for one in standing} == {"own/clamp"}
        assert {one["finer_holder"] for one in standing} == {"white"}
    assert rows_of(taught.get(nodes, structure="own/clamp", holder="black")) == []
    beside = [one for one in rows_of(taught.get(nodes)) if one["finer_form"]]
    assert beside == standing, "and nowhere else"
    said = taught.page(f"{here}/owed")
    assert "Fix the b-pawn" not in said, "a plan that lines come to is not unused"


def test_the_catalogue_stands_in_for_the_lines_without_it(
    tmp_path: Path, content: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    course, notes, booklet = tmp_path / "c.pgn", tmp_path / "notes", tmp_path / "booklet.html"
    course.write_text(COURSE)
    notes.mkdir()
    (notes / "clamp.md").write_text(plan("own/clamp", "Fix the b-pawn"))
    with served(tmp_path) as service:
        shelf = ModelShelf(service.store)
        shelf.choose(shelf.add(content, base="", taught_from={}, figures={}).number)
        author = Author(service)
        author.note(plan("own/clamp", "Fix the b-pawn"), published=True)
        repertoire, _ = author.upload(COURSE.encode())
        address = f"/repertoires/{repertoire}/groups/maroczy-bind/white"
        said = Page(service.client().get(address).text).said
        assert said.index("Fix the b-pawn") < said.index(
            "yet where none of these forms stands. Write"
        )
        assert said.count("From the catalogue") == 2
        author.note(plan("maroczy-bind", "Squeeze"))
        said = Page(service.client().get(address).text).said
        assert "From the catalogue" not in said and "none of these" not in said
        monkeypatch.setenv("PAWNLORE_DATABASE", service.settings.database)
        asked = ["--taught", "--notes", str(notes), "--side", "white", str(course)]
        assert main(["booklet", "-o", str(booklet), *asked]) == 0
    ours = booklet.read_text().split("Our plan</h3>")[1].split("Their plan</h3>")[0]
    assert ours.index("Only where The clamp stands.") < ours.index("From the catalogue")


def test_commands_tell_of_it_too(
    taught: Taught, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    course, notes = tmp_path / "course.pgn", tmp_path / "notes"
    course.write_text(COURSE)
    notes.mkdir()
    (notes / "clamp.md").write_text(plan("own/clamp", "Fix the b-pawn"))
    (notes / "bind.md").write_text(plan("maroczy-bind", "Squeeze"))
    assert main(["groups", "--taught", str(course)]) == 0
    assert "finer form: The clamp (1 line)" in capsys.readouterr().out
    assert main(["groups", "--taught", "--format", "csv", str(course)]) == 0
    (row,) = csv.DictReader(io.StringIO(capsys.readouterr().out))
    assert row["finer"] == "own/clamp white 1"
    assert main(["owed", "--taught", "--notes", str(notes), str(course)]) == 0
    assert "Fix the b-pawn" not in capsys.readouterr().out
    booklet, folder = tmp_path / "booklet.html", tmp_path / "split"
    asked = ["--taught", "--notes", str(notes), str(course)]
    assert main(["booklet", "-o", str(booklet), *asked]) == 0
    assert "Only where The clamp stands." in booklet.read_text()
    assert main(["split", "-o", str(folder), *asked]) == 0
    (bind,) = folder.glob("maroczy-bind*.pgn")
    told = bind.read_text()
    assert told.index("9. a4") < told.index("Fix the b-pawn") < told.index("9... Bd7")
    capsys.readouterr()
    tagged, clean = tmp_path / "tagged.pgn", tmp_path / "clean.pgn"
    assert main(["tag", "--taught", "--format", "pgn", "-o", str(tagged), str(course)]) == 0
    tags = re.findall(
        r"(\S+) \{(Pawnlore: [^}]*finer form own/clamp\.)\}", told := one_line(tagged)
    )
    assert [move for move, _ in tags] == ["a4"] and told.count("core met.") >= 1
    assert main(["tag", "--remove-tags", "--format", "pgn", "-o", str(clean), str(tagged)]) == 0
    assert "Pawnlore" not in clean.read_text()
    positions = tmp_path / "positions.fen"
    positions.write_text(f"{WITH_A4}\n{WITHOUT}\n")
    capsys.readouterr()
    assert main(["classify", "--taught", str(positions)]) == 0
    _, with_a4, without = capsys.readouterr().out.splitlines()
    assert with_a4.startswith("Maróczy bind: The clamp ") and "clamp" not in without
    assert main(["classify", "--taught", "--explain", str(positions)]) == 0
    assert capsys.readouterr().out.count("your finer form: ") == 1
    # Without what was taught, no line comes to it.
    assert main(["owed", "--notes", str(notes), str(course)]) == 0
    assert "Fix the b-pawn" in capsys.readouterr().out
