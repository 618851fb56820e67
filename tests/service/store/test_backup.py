"""Copies of a store: the same content, byte for byte, in whatever database."""

from __future__ import annotations

import io
import json
import random
import threading
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from kept_surveys import beside, keep_survey
from repertoires import by_cores, read
from test_migrations import check_first, fill_first

from pawnlore.service.store import backup
from pawnlore.service.store.access_shelf import AccessShelf
from pawnlore.service.store.backup import back_up, is_empty, restore
from pawnlore.service.store.errors import OtherVersion, Refused, Stale
from pawnlore.service.store.job_shelf import JobShelf
from pawnlore.service.store.label_shelf import LabelShelf
from pawnlore.service.store.note_shelf import NoteShelf
from pawnlore.service.store.repertoire_shelf import Changes, RepertoireShelf
from pawnlore.service.store.store import Store, open_store
from pawnlore.service.store.survey_shelf import SurveyShelf
from pawnlore.structures.distinct_verdicts import distinct_verdicts

NOTE = (
    '+++\nstructure = "carlsbad"\nholder = "white"\nside = "holder"\ntitle = "{}"\n+++\nPlan.\r\n'
)


def fill(store: Store) -> str:
    """Something of everything; the id of the repertoire."""
    notes = NoteShelf(store)
    for number in range(7):
        note = notes.create(NOTE.format(f"Note {number} é ♞"), published=number % 2 == 0)
    notes.change(note.id, NOTE.format("Changed"), expected_revision=1)
    with pytest.raises(Stale):
        notes.change(note.id, NOTE.format("Too late"), expected_revision=1)
    notes.delete(note.id, expected_revision=2)
    book = read("1. d4 d5 {A comment} *")
    files = [("a.pgn", bytes(range(256)) * 9), ("b.pgn", b"")]
    judged = distinct_verdicts(book, by_cores)
    kept, _ = RepertoireShelf(store).put("Course", files, book, judged, model="m")
    LabelShelf(store).put((1 << 63, 1 << 62), "own/x", "white", reason="two\nlines")
    AccessShelf(store).add_token("Laptop", "a" * 64, "write")
    AccessShelf(store).add_link(kept.id, "b" * 64)
    JobShelf(store).finish(JobShelf(store).add("upload").id, [1, {"a": None}])
    JobShelf(store).add("upload", task={"name": "x"}, files=[("c.pgn", io.BytesIO(b"\0\xff"))])
    other = distinct_verdicts(book, by_cores)
    now = RepertoireShelf(store).judge_anew(kept, book, other, Changes(moved=2), model="m2")
    keep_survey(SurveyShelf(store), "Games é", beside(now.id, now.upload))
    return kept.id


def everything(store: Store) -> dict[str, object]:
    """What people see of a store: drafts, revisions, what was deleted, set aside or begun."""
    notes, jobs, access = NoteShelf(store), JobShelf(store), AccessShelf(store)
    listed = notes.list() + notes.list(deleted=True)
    assert {note.published for note in listed} == {True, False}
    repertoires = RepertoireShelf(store).list()
    return {
        "notes": listed,
        "revisions": [notes.revisions(note.id) for note in listed],
        "set aside": [notes.set_aside(note.id) for note in listed],
        "repertoires": repertoires,
        "changes": [RepertoireShelf(store).changes(kept.id) for kept in repertoires],
        "labels": LabelShelf(store).list(),
        "tokens": access.tokens(),
        "links": access.links(),
        "surveys": SurveyShelf(store).list(),
        "besides": SurveyShelf(store).besides(),
        "jobs": jobs.list(),
        "uploads": [[file.read() for _, file in jobs.files(job.id)] for job in jobs.list()],
    }


@pytest.mark.parametrize("rows_at_once", [2, 200])
def test_a_copy_of_a_copy_is_the_copy(
    store: Store,
    new_url: Callable[[], str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    rows_at_once: int,
) -> None:
    monkeypatch.setattr(backup, "_ROWS_AT_ONCE", rows_at_once)
    id = fill(store)
    facts = back_up(store, tmp_path / "one.zip")
    assert facts.rows["notes"] == 7 and facts.rows["set_aside_texts"] == 1
    for number, url in enumerate((new_url(), f"sqlite:///{tmp_path / 'other.sqlite'}")):
        other = open_store(url)
        assert is_empty(other)
        before = other.counters()
        assert restore(other, tmp_path / "one.zip") == facts
        # Whoever keeps something in memory is told.
        assert all(now > before[name] for name, now in other.counters().items())
        back_up(other, tmp_path / f"{number}.zip")
        assert (tmp_path / f"{number}.zip").read_bytes() == (tmp_path / "one.zip").read_bytes()
        assert RepertoireShelf(other).files(id) == RepertoireShelf(store).files(id)
        assert everything(other) == everything(store)
        # What comes next is numbered after what was put back.
        last = NoteShelf(other).list()[-1].number
        assert NoteShelf(other).create(NOTE.format("New")).number > last
        other.close()


def test_restoring_replaces_everything(store: Store, tmp_path: Path) -> None:
    fill(store)
    back_up(store, tmp_path / "one.zip")
    NoteShelf(store).create(NOTE.format("Later"))
    fill_again = NoteShelf(store).count()
    restore(store, tmp_path / "one.zip")
    assert NoteShelf(store).count() == fill_again - 1
    back_up(store, tmp_path / "two.zip")
    assert (tmp_path / "two.zip").read_bytes() == (tmp_path / "one.zip").read_bytes()


def test_a_copy_of_the_first_version_is_brought_up_to_date(
    store: Store, new_url: Callable[[], str], tmp_path: Path
) -> None:
    first = open_store(new_url(), version="0001")
    fill_first(first)
    assert back_up(first, tmp_path / "first.zip").version == "0001"
    first.close()
    restore(store, tmp_path / "first.zip")
    check_first(store)


def test_a_copy_is_of_one_moment_while_others_write(store: Store, tmp_path: Path) -> None:
    notes, stop = NoteShelf(store), threading.Event()

    def write() -> None:
        number = 0
        while not stop.is_set() and number < 500:
            note = notes.create(NOTE.format(number))
            notes.change(note.id, NOTE.format("Again"), expected_revision=1)
            number += 1

    writer = threading.Thread(target=write)
    writer.start()
    try:
        for number in range(5):
            back_up(store, tmp_path / f"{number}.zip")
    finally:
        stop.set()
        writer.join(60)
    for number in range(5):
        other = open_store(f"sqlite:///{tmp_path / f'{number}.sqlite'}")
        restore(other, tmp_path / f"{number}.zip")
        for note in NoteShelf(other).list():
            told = NoteShelf(other).revisions(note.id)
            assert [old.revision for old in told] == list(range(1, note.revision + 1))
        other.close()


def test_a_damaged_copy_changes_nothing(store: Store, tmp_path: Path) -> None:
    fill(store)
    back_up(store, tmp_path / "good.zip")
    good = (tmp_path / "good.zip").read_bytes()
    draw, bad = random.Random(5), tmp_path / "bad.zip"
    before = NoteShelf(store).list()
    refused = 0
    for number in range(40):
        raw = bytearray(good)
        if number % 2:
            del raw[draw.randrange(len(raw)) :]
        else:
            raw[draw.randrange(len(raw))] ^= 1 << draw.randrange(8)
        bad.write_bytes(raw)
        try:
            restore(store, bad)
        except (Refused, OtherVersion):
            refused += 1
        # A bit in a date or a permission of the archive harms nothing.
        assert NoteShelf(store).list() == before
    assert refused >= 30


@pytest.mark.parametrize(
    ("table", "line"),
    [
        ("notes", "[]"),
        ("notes", '{"id": 1}'),
        ("notes", "no JSON"),
        (
            "pieces",
            '{"upload": "u", "kind": "file", "place": 0, "piece": 0, "name": "", "content": "%%%"}',
        ),
        (
            "pieces",
            '{"upload": "nobody", "kind": "file", "place": 0, "piece": 0, "name": "", '
            '"content": ""}',
        ),
        ("counters", None),
    ],
)
def test_what_fits_no_table_is_refused(
    store: Store, tmp_path: Path, table: str, line: str | None
) -> None:
    fill(store)
    back_up(store, tmp_path / "good.zip")
    before = NoteShelf(store).list()
    with (
        zipfile.ZipFile(tmp_path / "good.zip") as good,
        zipfile.ZipFile(tmp_path / "bad.zip", "w") as bad,
    ):
        for name in good.namelist():
            if line is None and name == "labels.jsonl":
                continue
            extra = f"{line}\n".encode() if name == f"{table}.jsonl" else b""
            bad.writestr(name, good.read(name) + extra)
    with pytest.raises(Refused):
        restore(store, tmp_path / "bad.zip")
    assert NoteShelf(store).list() == before


def test_other_files_are_refused(store: Store, tmp_path: Path) -> None:
    other = tmp_path / "other"
    for facts in ({"format": "x", "version": "0001"}, {"version": "0001"}, []):
        with zipfile.ZipFile(other, "w") as archive:
            archive.writestr("store.json", json.dumps(facts))
        with pytest.raises(Refused):
            restore(store, other)
    with zipfile.ZipFile(other, "w") as archive:
        facts = {"format": backup.FORMAT, "version": "9999"}
        archive.writestr("store.json", json.dumps(facts))
    with pytest.raises(OtherVersion):
        restore(store, other)
    for path in (tmp_path / "nothing", tmp_path):
        with pytest.raises(Refused):
            restore(store, path)


def test_a_copy_that_cannot_be_written_leaves_the_old_one(
    store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = tmp_path / "copy.zip"
    target.write_bytes(b"old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pawnlore.service.store.backup.os.fsync", full)
    from pawnlore.service.store.errors import StoreFull

    with pytest.raises(StoreFull):
        back_up(store, target)
    assert target.read_bytes() == b"old"
    assert [path.name for path in tmp_path.glob("*copy*")] == ["copy.zip"]
