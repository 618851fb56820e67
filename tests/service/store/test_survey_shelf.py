"""The shelf of surveys: tables kept under a name, and what goes with what."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path

import pytest
from kept_surveys import (
    DESCRIBED,
    beside,
    beside_tables,
    keep_survey,
    survey_tables,
)
from repertoires import by_cores, read
from sqlalchemy import MetaData, func, select

from pawnlore.service.store import survey_shelf
from pawnlore.service.store.backup import back_up, restore
from pawnlore.service.store.errors import NotFound, Refused, StoreBusy
from pawnlore.service.store.repertoire_shelf import RepertoireShelf, StoredRepertoire
from pawnlore.service.store.store import Store, open_store
from pawnlore.service.store.survey_shelf import (
    BESIDE_TABLES,
    BY_STRUCTURE,
    TABLES,
    SurveyShelf,
)
from pawnlore.structures.distinct_verdicts import distinct_verdicts


def course(store: Store, *, id: str | None = None) -> StoredRepertoire:
    book = read("1. d4 d5 *")
    judged = distinct_verdicts(book, by_cores)
    shelf = RepertoireShelf(store)
    kept, _ = shelf.put("Course", [("course.pgn", b"1. d4 d5 *")], book, judged, model="m", id=id)
    return kept


def rows_left(store: Store) -> int:
    """Rows of all tables on surveys."""
    with store.reading() as connection:
        tables = MetaData()
        tables.reflect(connection)
        return sum(
            connection.execute(select(func.count()).select_from(table)).scalar_one()
            for name, table in tables.tables.items()
            if name.startswith("survey")
        )


def test_a_survey_is_read_back_as_it_was_kept(store: Store) -> None:
    shelf = SurveyShelf(store)
    kept = keep_survey(shelf)
    assert shelf.list() == [kept] == [shelf.get(kept.id)] and shelf.newest() == kept
    assert (kept.name, kept.games, kept.revision, kept.described) == (
        "Club games",
        500,
        1,
        DESCRIBED,
    )
    given = survey_tables()
    whole = shelf.table(kept.id, "structures")
    # What no game tells is none, and not a number that JSON does not have.
    assert whole.rows[-1]["score"] is None and whole.left_out == 0
    assert whole.rows[:2] == given["structures"][:2]
    for name in BY_STRUCTURE:
        found = shelf.table(kept.id, name).rows
        assert sorted(map(repr, found)) == sorted(map(repr, given[name]))
        for structure in ("carlsbad", "isolated-queen-pawn"):
            wanted = [row for row in given[name] if row["structure"] == structure]
            assert shelf.table(kept.id, name, structure).rows == wanted
    about = shelf.about(kept.id, "carlsbad")
    assert about == {name: shelf.table(kept.id, name, "carlsbad") for name in BY_STRUCTURE}
    assert [
        row["holder"] for row in shelf.table(kept.id, "structures", "isolated-queen-pawn").rows
    ] == [
        "white",
        "black",
    ]
    assert shelf.table(kept.id, "by_ply", "no such\0structure").rows == []
    assert shelf.sizes(kept.id) == {name: len(rows) for name, rows in given.items()}


def test_a_name_that_is_kept_again_is_replaced_whole(store: Store) -> None:
    shelf, repertoire = SurveyShelf(store), course(store)
    first = keep_survey(shelf, "Games", beside(repertoire.id, repertoire.upload))
    other = keep_survey(shelf, "Others")
    assert rows_left(store) == 2 + 2 * 11 + 1 + 5
    before = store.counter("surveys")
    again = shelf.keep(" Games ", 7, {"files": 2}, {**survey_tables(1), "transitions": []})
    assert (again.id, again.number, again.revision) == (first.id, first.number, 2)
    assert (again.games, again.described) == (7, {"files": 2})
    assert len(shelf.table(again.id, "by_opening").rows) == 3
    assert shelf.table(again.id, "transitions").rows == [] and shelf.besides() == []
    assert store.counter("surveys") == before + 1
    assert shelf.newest() == again and shelf.get(other.id) == other
    assert rows_left(store) == 2 + 11 + 10


def test_a_survey_beside_a_repertoire_goes_with_either_of_them(store: Store) -> None:
    shelf, repertoire = SurveyShelf(store), course(store)
    one = keep_survey(shelf, "One", beside(repertoire.id, repertoire.upload))
    two = keep_survey(shelf, "Two", beside(repertoire.id, repertoire.upload, followed=3))
    found = shelf.besides(repertoire=repertoire.id)
    assert [(b.survey, b.survey_name, b.repertoire_name, b.followed) for b in found] == [
        (two.id, "Two", "Course", 3),
        (one.id, "One", "Course", 400),
    ]
    assert shelf.besides(survey=one.id) == found[1:] and all(b.current for b in found)
    for name in BESIDE_TABLES:
        found_table = shelf.beside_table(one.id, repertoire.id, name)
        assert found_table.rows == beside_tables()[name]
        assert shelf.beside_tables(one.id, repertoire.id)[name] == found_table
    shelf.delete(two.id)
    assert shelf.besides() == found[1:]
    with pytest.raises(NotFound, match="no such survey"):
        shelf.beside_table(two.id, repertoire.id, "groups")
    # Another content: the tables stay, and it is said that they are of the one before.
    course(store, id=repertoire.id)
    assert [(b.current, b.version) for b in shelf.besides()] == [(False, 1)]
    RepertoireShelf(store).delete(repertoire.id)
    assert shelf.besides() == []
    with pytest.raises(NotFound, match="not set beside"):
        shelf.beside_table(one.id, repertoire.id, "groups")
    assert rows_left(store) == 1 + 11
    shelf.delete(one.id)
    assert rows_left(store) == 0


def test_another_side_puts_what_is_beside_out_of_date(store: Store) -> None:
    shelf, repertoire = SurveyShelf(store), course(store)
    keep_survey(shelf, "One", beside(repertoire.id, repertoire.upload))
    for side, current in (("white", True), ("black", False), ("", True)):
        RepertoireShelf(store).rename(repertoire.id, side=side)
        assert [b.current for b in shelf.besides()] == [current]


def test_what_cannot_be_kept_changes_nothing(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    shelf, repertoire = SurveyShelf(store), course(store)
    kept = keep_survey(shelf)
    state = rows_left(store), store.counters()
    upload = repertoire.upload
    course(store, id=repertoire.id)
    with pytest.raises(StoreBusy, match="uploaded again"):
        keep_survey(shelf, "Club games", beside(repertoire.id, upload))
    with pytest.raises(NotFound, match="no such repertoire"):
        keep_survey(shelf, "Club games", beside("nobody", upload))
    for name in ("", " ", "a\nb", "x" * 201, "a\0"):
        with pytest.raises(Refused, match="name"):
            keep_survey(shelf, name)
    with pytest.raises(Refused, match="lack"):
        shelf.keep("x", 1, {}, {"structures": []})
    monkeypatch.setattr(survey_shelf, "MOST_BYTES", 1_000)
    with pytest.raises(Refused, match="MiB"):
        keep_survey(shelf)
    monkeypatch.undo()
    monkeypatch.setattr(survey_shelf, "MOST_SURVEYS", 1)
    with pytest.raises(Refused, match="that is the most"):
        keep_survey(shelf, "Another")
    assert keep_survey(shelf).id == kept.id
    assert rows_left(store) == state[0] == 1 + 11


def test_of_a_long_table_the_rows_with_most_games_are_kept(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(survey_shelf, "MOST_ROWS", 4)
    shelf, tables = SurveyShelf(store), survey_tables(5)
    for place, row in enumerate(tables["by_opening"]):
        row["games"] = place
    tables["by_opening"][0]["opening"] = "\0\ud800é" * 200
    kept = shelf.keep("Long", 1, {}, tables)
    found = shelf.table(kept.id, "by_opening", "carlsbad")
    assert [row["opening"] for row in found.rows] == ["D01", "D02", "D03", "D04"]
    assert found.left_out == 1
    # Two holders of five openings, of which four rows were kept.
    assert shelf.table(kept.id, "by_opening").left_out == 1 + 6
    monkeypatch.setattr(survey_shelf, "MOST_ROWS", 50)
    shelf.keep("Long", 1, {}, tables)
    rows = shelf.table(kept.id, "by_opening", "carlsbad").rows
    assert rows[0]["opening"] == ("\0\ud800é" * 200)[:199] + "…"


def test_unknown_surveys_and_tables_are_not_found(store: Store) -> None:
    shelf = SurveyShelf(store)
    assert shelf.list() == [] and shelf.newest() is None
    kept = keep_survey(shelf)
    for id in ("", "x", "é" * 300, "a\0b", "\ud800"):
        for ask in (shelf.get, shelf.named, shelf.delete, shelf.sizes):
            with pytest.raises(NotFound):
                ask(id)
        with pytest.raises(NotFound):
            shelf.table(id, TABLES[0])
        with pytest.raises(NotFound):
            shelf.beside_table(id, id, "groups")
    assert shelf.named("Club games") == shelf.named(kept.id) == kept
    for ask_table in (shelf.table, lambda id, name: shelf.beside_table(id, "x", name)):
        with pytest.raises(NotFound, match="there are"):
            ask_table(kept.id, "sql'; --")


def test_surveys_are_listed_in_parts(store: Store) -> None:
    shelf = SurveyShelf(store)
    made = [keep_survey(shelf, f"Games {number}") for number in range(5)]
    assert shelf.list(after=made[1].number, limit=2) == made[2:4]


def test_programs_that_keep_one_name_at_once_leave_one_survey(store: Store) -> None:
    shelf, failed = SurveyShelf(store), []
    start = threading.Barrier(4)

    def keep() -> None:
        start.wait()
        try:
            keep_survey(shelf)
        except StoreBusy as error:
            failed.append(error)

    threads = [threading.Thread(target=keep) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    (kept,) = shelf.list()
    assert kept.revision == 4 - len(failed) and rows_left(store) == 1 + 11


def test_a_copy_carries_surveys_and_what_is_beside_them(
    store: Store, new_url: Callable[[], str], tmp_path: Path
) -> None:
    shelf, repertoire = SurveyShelf(store), course(store)
    kept = keep_survey(shelf, "One", beside(repertoire.id, repertoire.upload))
    facts = back_up(store, tmp_path / "one.zip")
    assert (facts.rows["surveys"], facts.rows["survey_tables"]) == (1, 11)
    assert (facts.rows["survey_besides"], facts.rows["survey_beside_tables"]) == (1, 5)
    for url in (new_url(), f"sqlite:///{tmp_path / 'other.sqlite'}"):
        other = open_store(url)
        before = other.counter("surveys")
        restore(other, tmp_path / "one.zip")
        there = SurveyShelf(other)
        assert there.list() == [kept] and there.besides() == shelf.besides()
        for name in TABLES:
            assert there.table(kept.id, name) == shelf.table(kept.id, name)
        assert other.counter("surveys") > before
        assert keep_survey(there, "Next").number > kept.number
        other.close()
