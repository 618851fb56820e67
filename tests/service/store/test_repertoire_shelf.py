"""Repertoires in the store: whole, byte for byte, and the same one when uploaded again."""

from __future__ import annotations

import io
from dataclasses import fields
from importlib.resources import files as package_files
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from repertoires import by_cores, demo, random_texts, read

from pawnlore.service.store import repertoire_shelf
from pawnlore.service.store.errors import NotFound, Refused, StoreBusy
from pawnlore.service.store.repertoire_columns import packed, unpacked
from pawnlore.service.store.repertoire_shelf import Changes, RepertoireShelf
from pawnlore.service.store.store import Store
from pawnlore.structures.distinct_verdicts import distinct_verdicts
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.verdict import Verdicts

ONE = '[Event "One"]\n\n1. d4 d5 2. c4 e6 3. Nc3 {A \ufffd comment} *\n'


def content(*texts: str) -> dict[str, Any]:
    book = read(*texts)
    return {
        "files": [(f"{number}.pgn", text.encode()) for number, text in enumerate(texts)],
        "book": book,
        "distinct": distinct_verdicts(book, by_cores),
        "model": "m1",
    }


def assert_same(one: Repertoire, other: Repertoire) -> None:
    # The private fields only hold what was computed before.
    for column in (f.name for f in fields(Repertoire) if not f.name.startswith("_")):
        assert getattr(one, column) == getattr(other, column), column


def assert_same_verdicts(one: Verdicts, other: Verdicts) -> None:
    assert one.names == other.names
    for column in (f.name for f in fields(Verdicts) if f.name != "names"):
        assert np.array_equal(getattr(one, column), getattr(other, column)), column


@pytest.fixture
def shelf(store: Store) -> RepertoireShelf:
    return RepertoireShelf(store)


def test_the_demo_comes_back_byte_for_byte(shelf: RepertoireShelf) -> None:
    folder = package_files("pawnlore.labelled_demo").joinpath("repertoire")
    sent = [(p.name, p.read_bytes()) for p in sorted(folder.iterdir(), key=lambda p: p.name)]
    book = demo()
    distinct = distinct_verdicts(book, by_cores)
    kept, changes = shelf.put("Demo", sent, book, distinct, model="m1", side="white")
    assert (kept.games, kept.nodes, kept.version) == (len(book.games), len(book), 1)
    assert kept.size == sum(len(raw) for _, raw in sent)
    assert (changes.added, changes.gone, changes.moved) == (0, 0, 0)
    assert shelf.files(kept.id) == sent
    back = shelf.content(kept.id)
    assert_same(back.book, book)
    assert_same_verdicts(back.distinct.every_node(), distinct.every_node())
    assert back.book.lines() and back.model == "m1"


@settings(max_examples=30)
@given(text=random_texts)
def test_columns_come_back_as_they_were(text: str) -> None:
    book = read(text)
    distinct = distinct_verdicts(book, by_cores)
    again, verdicts = unpacked(packed(book, distinct))
    assert_same(again, book)
    assert_same_verdicts(verdicts.verdicts, distinct.verdicts)
    assert np.array_equal(verdicts.inverse, distinct.inverse)


@given(raw=st.binary(max_size=300))
@settings(max_examples=15)
def test_any_bytes_come_back(raw: bytes) -> None:
    whole = content(raw.decode("latin-1"))
    again, _ = unpacked(packed(whole["book"], whole["distinct"]))
    assert_same(again, whole["book"])


def test_bytes_are_kept_whatever_they_are(
    shelf: RepertoireShelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(repertoire_shelf, "PIECE", 7)
    raw = bytes(range(256)) * 2
    empty = read("")
    sent = [("../a\x00b.pgn", raw), ("a.pgn", io.BytesIO(raw[:14])), ("empty.pgn", b"")]
    kept, _ = shelf.put("x", sent, empty, distinct_verdicts(empty, by_cores), model="")
    assert shelf.files(kept.id) == [("a_b.pgn", raw), ("a.pgn", raw[:14]), ("empty.pgn", b"")]
    assert len(shelf.content(kept.id).book) == 0


def test_uploading_again_keeps_the_identity_and_tells_what_changed(
    shelf: RepertoireShelf,
) -> None:
    first, _ = shelf.put("Course", **content(ONE), side="white")
    changed = '[Event "One"]\n\n1. d4 d5 2. c4 c6 3. Nf3 *\n'
    again, changes = shelf.put("", **content(changed), id=first.id)
    assert (again.id, again.number, again.name, again.side) == (
        first.id,
        first.number,
        "Course",
        "white",
    )
    assert (again.version, again.created) == (2, first.created)
    assert again.upload != first.upload and again.digest != first.digest
    told = {(row.what, row.moves) for row in changes.rows}
    assert told == {
        ("added", "d4 d5 c4 c6"),
        ("added", "d4 d5 c4 c6 Nf3"),
        ("gone", "d4 d5 c4 e6"),
        ("gone", "d4 d5 c4 e6 Nc3"),
    }
    assert shelf.changes(first.id) == changes
    assert shelf.files(first.id) == [("0.pgn", changed.encode())]
    assert shelf.count() == 1


def test_nodes_that_another_model_sees_otherwise_have_moved(shelf: RepertoireShelf) -> None:
    first, _ = shelf.put("Course", **content(ONE))
    other = content(ONE)
    other["model"] = "m2"
    verdicts = other["distinct"].verdicts
    verdicts.family[0] = 3
    verdicts.holder[0] = 1
    _, changes = shelf.put("", **other, id=first.id)
    assert (changes.added, changes.gone) == (0, 0)
    assert changes.moved == int((other["distinct"].inverse == 0).sum()) > 0
    row = changes.rows[0]
    assert (row.what, row.structure, row.holder) == ("moved", verdicts.names[3], "white")
    assert row.structure_before != row.structure


def test_other_verdicts_on_the_same_nodes(shelf: RepertoireShelf) -> None:
    first, _ = shelf.put("Course", **content(ONE))
    other = content(ONE)["distinct"]
    other.verdicts.probability[:] = 0.25
    book = shelf.content(first.id).book
    after = shelf.judge_anew(first, book, other, Changes(moved=3), model="m2")
    assert (after.model, after.version, after.digest) == ("m2", 1, first.digest)
    assert after.upload != first.upload and after.judged is not None
    assert shelf.changes(first.id).moved == 3 and shelf.changes(first.id, of="upload").moved == 0
    with pytest.raises(StoreBusy, match="in between"):
        shelf.judge_anew(first, book, other, Changes(), model="m3")
    assert set(shelf.content(first.id).distinct.verdicts.probability) == {0.25}
    assert shelf.files(first.id) == [("0.pgn", ONE.encode())]


def test_lists_names_and_deletion(shelf: RepertoireShelf, store: Store) -> None:
    made = [shelf.put(f"Book {n}", **content(ONE))[0] for n in range(3)]
    assert [kept.id for kept in shelf.list(limit=2)] == [made[0].id, made[1].id]
    assert [kept.id for kept in shelf.list(after=made[1].number)] == [made[2].id]
    assert shelf.rename(made[0].id, name="Other", side="black").side == "black"
    shelf.delete(made[0].id)
    with pytest.raises(NotFound):
        shelf.get(made[0].id)
    with pytest.raises(NotFound):
        shelf.put("", **content(ONE), id=made[0].id)
    for bad in ({"name": ""}, {"name": "a\nb"}, {"name": "x", "side": "both"}):
        with pytest.raises(Refused):
            shelf.put(**{**content(ONE), **bad})
    with store.reading() as connection:
        query = "SELECT COUNT(DISTINCT upload) FROM pieces"
        assert connection.exec_driver_sql(query).scalar() == 2


def test_nothing_is_seen_of_an_upload_that_breaks_off(shelf: RepertoireShelf) -> None:
    class Broken(io.BytesIO):
        def read(self, size: int | None = -1) -> bytes:
            if self.tell() > 1000:
                raise OSError(5, "the network is gone")
            return super().read(100)

    whole = content(ONE)
    whole["files"] = [("a.pgn", Broken(b"x" * 5000))]
    kept, _ = shelf.put("Old", **content(ONE))
    for id in (None, kept.id):
        with pytest.raises(Exception, match="network"):
            shelf.put("Half", **whole, id=id)
    assert shelf.list() == [kept]
    assert shelf.files(kept.id) == [("0.pgn", ONE.encode())]
