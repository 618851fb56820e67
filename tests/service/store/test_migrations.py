"""Stores of every older version are brought up to date with what is in them."""

from __future__ import annotations

import io
import threading
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from alembic.autogenerate import compare_metadata
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from kept_surveys import beside, keep_survey
from repertoires import by_cores, read
from sqlalchemy import MetaData, inspect

from pawnlore.service.rejudging import rejudge
from pawnlore.service.store.access_shelf import AccessShelf
from pawnlore.service.store.asked_shelf import AskedShelf
from pawnlore.service.store.errors import OtherVersion, Stale
from pawnlore.service.store.family_shelf import FamilyShelf, GivenExample
from pawnlore.service.store.job_shelf import INTERRUPTED, JobShelf
from pawnlore.service.store.label_shelf import LabelShelf
from pawnlore.service.store.model_shelf import SHIPPED, ModelShelf
from pawnlore.service.store.note_shelf import NoteShelf
from pawnlore.service.store.repertoire_columns import packed
from pawnlore.service.store.repertoire_shelf import Changes, RepertoireShelf
from pawnlore.service.store.schema import Base
from pawnlore.service.store.store import Store, open_store
from pawnlore.service.store.survey_shelf import SurveyShelf
from pawnlore.service.store.upgrade import NEWEST, VERSIONS, migration_settings, version_of
from pawnlore.structures.distinct_verdicts import distinct_verdicts
from pawnlore.structures.skeleton import Masks
from pawnlore.structures.verdict import Verdicts

NOTE = (
    '+++\nstructure = "carlsbad"\nholder = "white"\nside = "holder"\ntitle = "Ärger"\n+++\nPlan.\n'
)
THEN = "2024-02-29T12:00:00.000000Z"
PGN = '[Event "One"]\n\n1. d4 d5 2. c4 e6 *\n'


def fill_first(store: Store) -> None:
    """Rows in every table of the first version, written as that version's tables are."""
    book = read(PGN)
    columns = packed(book, distinct_verdicts(book, by_cores))
    note = {"structure": "carlsbad", "holder": "white", "side": "holder", "title": "Ärger"}
    piece = {"upload": "u1", "piece": 0}
    rows: dict[str, list[dict[str, Any]]] = {
        "notes": [
            {
                **note,
                "id": id,
                "revision": revision,
                "name": f"{id}.md",
                "text": NOTE,
                "author": "Ada",
                "published": True,
                "created": THEN,
                "changed": THEN,
                "deleted": deleted,
            }
            for id, revision, deleted in (("n1", 2, None), ("n2", 1, THEN))
        ],
        "note_revisions": [
            {
                "note": id,
                "revision": revision,
                "what": "created",
                "name": f"{id}.md",
                "text": NOTE,
                "published": True,
                "author": "Ada",
                "made": THEN,
            }
            for id, revision in (("n1", 1), ("n1", 2), ("n2", 1))
        ],
        "repertoires": [
            {
                "id": "r1",
                "name": "Course",
                "side": "white",
                "upload": "u1",
                "created": THEN,
                "changed": THEN,
            }
        ],
        "uploads": [
            {
                "id": "u1",
                "repertoire": "r1",
                "version": 1,
                "digest": "d" * 64,
                "size": len(PGN),
                "games": 1,
                "nodes": len(book),
                "model": "m1",
                "made": THEN,
                "changes": '{"added": 0, "gone": 0, "moved": 0, "rows": []}',
            }
        ],
        "pieces": [
            {**piece, "kind": "file", "place": 0, "name": "a.pgn", "content": PGN.encode()},
            *(
                {**piece, "kind": "column", "place": place, "name": name, "content": content}
                for place, (name, content) in enumerate(columns.items())
            ),
        ],
        "labels": [
            {
                "id": "l1",
                "skeleton": "0" * 16 + "0008000000000000",
                "structure": "own/x",
                "holder": "black",
                "fen": "",
                "reason": "seen",
                "author": "Ada",
                "revision": 1,
                "created": THEN,
                "changed": THEN,
            }
        ],
        "tokens": [
            {
                "id": "t1",
                "name": "Laptop",
                "digest": "a" * 64,
                "rights": "read",
                "created": THEN,
                "revoked": None,
            }
        ],
        "student_links": [
            {
                "id": "s1",
                "repertoire": "r1",
                "name": "",
                "digest": "b" * 64,
                "created": THEN,
                "revoked": None,
            }
        ],
        "jobs": [
            {
                "id": "j1",
                "kind": "upload",
                "state": "running",
                "done": 1,
                "total": 2,
                "message": "",
                "result": "null",
                "created": THEN,
                "changed": THEN,
            }
        ],
    }
    with store.writing() as connection:
        tables = MetaData()
        tables.reflect(connection)
        for name, entries in rows.items():
            connection.execute(tables.tables[name].insert(), entries)
        assert set(tables.tables) - set(rows) == {"counters", "alembic_version"}


def check_first(store: Store) -> None:
    """All that `fill_first` wrote is there and can be worked with."""
    notes = NoteShelf(store)
    (note,) = notes.list(search="ÄRGER n1.md")
    assert (note.id, note.revision, note.text, note.author) == ("n1", 2, NOTE, "Ada")
    assert note.created.isoformat() == "2024-02-29T12:00:00+00:00"
    assert [old.revision for old in notes.revisions("n1")] == [1, 2]
    assert [gone.id for gone in notes.list(deleted=True)] == ["n2"]
    assert notes.set_aside("n1") == []
    assert notes.restore("n2").revision == 2
    assert notes.change("n1", NOTE + "More.\n", expected_revision=2).revision == 3
    repertoires = RepertoireShelf(store)
    assert repertoires.files("r1") == [("a.pgn", PGN.encode())]
    assert repertoires.content("r1").book.moves == ["", "d4", "d5", "c4", "e6"]
    assert LabelShelf(store).get("l1").reason == "seen"
    access = AccessShelf(store)
    assert [token.name for token in access.tokens()] == ["Laptop"]
    assert access.link_of("b" * 64) is not None
    check_second(store)
    check_third(store)
    check_fourth(store)
    check_fifth(store)
    check_sixth(store)


def check_second(store: Store) -> None:
    """What came with the second version works on what was there before."""
    notes = NoteShelf(store)
    assert [note.id for note in notes.list(search="more PLAN")] == ["n1"]
    with pytest.raises(Stale):
        notes.change("n1", NOTE + "Too late.\n", expected_revision=2)
    assert [late.text for late in notes.set_aside("n1")] == [NOTE + "Too late.\n"]


def check_third(store: Store) -> None:
    """What came with the third version works on what was there before."""
    jobs, repertoires = JobShelf(store), RepertoireShelf(store)
    # A job of before has nothing left to work on: it is not begun again.
    old = jobs.get("j1")
    assert (old.state, old.done, old.attempts, old.task) == ("running", 1, 0, None)
    assert jobs.claim(("upload",)) is None
    assert jobs.recover() == 1 and jobs.get("j1").message == INTERRUPTED
    new = jobs.add("upload", task={"name": "x"}, files=[("b.pgn", io.BytesIO(PGN.encode()))])
    claimed = jobs.claim(("upload",))
    assert claimed is not None and (claimed.id, claimed.attempts) == (new.id, 1)
    assert [stream.read() for _, stream in jobs.files(new.id)] == [PGN.encode()]
    jobs.fail(new.id, "no")
    assert jobs.files(new.id) == []
    # A repertoire of before was never judged anew, and can be.
    before = repertoires.get("r1")
    assert before.judged is None and before.model == "m1"
    assert repertoires.changes("r1", of="judging") == Changes()
    done = rejudge(store, SimpleNamespace(classify=everywhere, digest="m2"), "r1")
    assert done.model_before == "m1" and done.repertoire.judged is not None
    assert done.changes.moved > 0 and repertoires.changes("r1") == done.changes
    assert repertoires.changes("r1", of="upload") == Changes()
    assert repertoires.files("r1") == [("a.pgn", PGN.encode())]
    assert (done.repertoire.version, done.repertoire.digest) == (1, before.digest)


def check_fourth(store: Store) -> None:
    """What came with the fourth version works on what was there before."""
    families, models, before = FamilyShelf(store), ModelShelf(store), store.counters()
    assert families.list() == [] and models.list() == [] and AskedShelf(store).skeletons() == []
    assert models.in_use().version == SHIPPED
    families.add("own/x", "X")
    found = families.put_examples("own/x", [GivenExample((1 << 27, 0), "white")])
    assert [example.holder for example in found.examples] == ["black"]
    now = store.counters()
    assert (now["families"], now["models"]) == (before["families"] + 2, before["models"])


def check_fifth(store: Store) -> None:
    """What came with the fifth version works on what was there before."""
    surveys, before = SurveyShelf(store), store.counter("surveys")
    assert surveys.list() == []
    repertoire = RepertoireShelf(store).get("r1")
    kept = keep_survey(surveys, "Games", beside("r1", repertoire.upload))
    assert surveys.table(kept.id, "by_year", "carlsbad").rows
    assert [found.current for found in surveys.besides(repertoire="r1")] == [True]
    assert store.counter("surveys") == before + 1


def check_sixth(store: Store) -> None:
    """What came with the sixth version works on what was there before."""
    labels = LabelShelf(store)
    before = labels.get("l1")
    assert labels.former() == []
    labels.put(before.skeleton, "own/other", "both")
    (was,) = labels.former()
    assert was.label.id == "l1" and was.label.reason == "seen"
    assert was.label.changed == before.changed


def everywhere(masks: Masks) -> Verdicts:
    """A model that sees Carlsbad everywhere."""
    found = by_cores(masks)
    family = np.full_like(found.family, found.names.index("carlsbad"))
    return replace(found, family=family)


@pytest.mark.parametrize("by_way_of", [(), ("0002",)], ids=["at-once", "one-by-one"])
def test_a_store_of_the_first_version_keeps_everything(
    url: str, by_way_of: tuple[str, ...]
) -> None:
    first = open_store(url, version="0001")
    fill_first(first)
    first.close()
    for version in by_way_of:
        between = open_store(url, version=version)
        with between.reading() as connection:
            assert version_of(connection) == version
            assert connection.exec_driver_sql("SELECT COUNT(*) FROM notes").scalar() == 2
            assert "attempts" not in {
                column["name"] for column in inspect(connection).get_columns("jobs")
            }
        between.close()
    now = open_store(url)
    check_first(now)
    now.close()


def test_a_store_of_the_second_version_keeps_what_it_added(url: str) -> None:
    first = open_store(url, version="0001")
    fill_first(first)
    first.close()
    second = open_store(url, version="0002")
    with second.writing() as connection:
        tables = MetaData()
        tables.reflect(connection)
        connection.execute(
            tables.tables["set_aside_texts"].insert(),
            [{"note": "n1", "expected": 1, "text": NOTE + "é", "author": "Bo", "made": THEN}],
        )
    second.close()
    now = open_store(url)
    assert [(late.text, late.author) for late in NoteShelf(now).set_aside("n1")] == [
        (NOTE + "é", "Bo")
    ]
    assert [note.id for note in NoteShelf(now).list(search="ärger")] == ["n1"]
    check_third(now)
    check_fourth(now)
    check_fifth(now)
    check_sixth(now)
    now.close()


def test_the_migrations_make_the_tables_that_the_program_knows(store: Store) -> None:
    with store.reading() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True})
        differences = [
            change
            for change in compare_metadata(context, Base.metadata)
            # How a default that only filled old rows is spelt is no difference.
            if not isinstance(change, list)
        ]
        assert differences == []
        assert version_of(connection) == NEWEST


def test_the_versions_are_those_of_the_package() -> None:
    scripts = ScriptDirectory.from_config(migration_settings())
    found = [script.revision for script in scripts.walk_revisions()]
    assert tuple(reversed(found)) == VERSIONS
    assert scripts.get_current_head() == NEWEST == VERSIONS[-1]


def test_a_migration_that_breaks_off_leaves_the_store_as_it_was(
    url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = open_store(url, version="0001")
    fill_first(first)
    first.close()
    from alembic.operations import Operations

    def fail(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as broken:
        # The index is what the migration makes last.
        broken.setattr(Operations, "create_index", fail, raising=True)
        with pytest.raises(KeyboardInterrupt):
            open_store(url)
    again = open_store(url, version="0001")
    with again.reading() as connection:
        tables = MetaData()
        tables.reflect(connection)
        assert version_of(connection) == "0001"
        assert "set_aside_texts" not in tables.tables
        assert "folded" not in tables.tables["notes"].columns
    again.close()
    now = open_store(url)
    check_first(now)
    now.close()


def test_programs_that_start_at_once_make_one_store(new_url: Callable[[], str]) -> None:
    url = new_url()
    start = threading.Barrier(4)
    failed: list[BaseException] = []

    def begin() -> None:
        start.wait()
        try:
            open_store(url).close()
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=begin) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(120)
    assert failed == []
    store = open_store(url)
    with store.reading() as connection:
        assert version_of(connection) == NEWEST
    store.close()


def test_a_store_of_a_newer_program_is_left_alone(url: str, store: Store) -> None:
    with store.writing() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")
    with pytest.raises(OtherVersion, match="9999"):
        open_store(url)
