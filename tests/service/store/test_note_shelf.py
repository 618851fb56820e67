"""Notes in the store: kept word for word, with every revision."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from postgres_server import PostgresServer

from pawnlore.service.notes_folder import read_notes_folder, write_notes_folder
from pawnlore.service.store.errors import NotFound, Refused, Stale
from pawnlore.service.store.note_shelf import MOST_SET_ASIDE, NoteShelf, StoredNote
from pawnlore.service.store.store import Store, open_store
from pawnlore.structures.plan_note import NoteError, PlanNote

HEADER = '+++\nstructure = "carlsbad"\nholder = "white"\nside = "holder"\ntitle = "{}"\n+++\n'


def text(title: str = "Minority attack", body: str = "The b-pawn walks to b5.\n") -> str:
    return HEADER.format(title) + body


@pytest.fixture
def shelf(store: Store) -> NoteShelf:
    return NoteShelf(store)


def test_a_note_comes_back_word_for_word(shelf: NoteShelf) -> None:
    words = text(body="Zeilen\r\nmit \tRest  \r\n♙ é \u2028 \x7f 𝄞\n\n")
    made = shelf.create(words, name="plan.md", author="Ada")
    assert shelf.get(made.id) == made
    assert (made.text, made.name, made.revision, made.author) == (words, "plan.md", 1, "Ada")
    assert made.note().title == "Minority attack"
    assert made.created.utcoffset() is not None and made.created == made.changed


def test_every_revision_stays(shelf: NoteShelf) -> None:
    made = shelf.create(text(body="one\n"))
    shelf.change(made.id, text("Other title", "two\n"), expected_revision=1)
    shelf.delete(made.id, expected_revision=2)
    with pytest.raises(NotFound):
        shelf.get(made.id)
    assert shelf.list() == [] and [n.id for n in shelf.list(deleted=True)] == [made.id]
    back = shelf.restore(made.id)
    assert (back.revision, back.deleted, back.title) == (4, None, "Other title")
    first = shelf.restore(made.id, revision=1, expected_revision=4)
    assert (first.revision, first.text) == (5, text(body="one\n"))
    told = [(old.revision, old.what, old.text[-4:]) for old in shelf.revisions(made.id)]
    assert told == [
        (1, "created", "one\n"),
        (2, "changed", "two\n"),
        (3, "deleted", "two\n"),
        (4, "restored", "two\n"),
        (5, "restored", "one\n"),
    ]
    moments = [old.made for old in shelf.revisions(made.id)]
    assert moments == sorted(set(moments))


def test_the_second_of_two_authors_is_refused_and_both_texts_stay(shelf: NoteShelf) -> None:
    made = shelf.create(text())
    shelf.change(made.id, text(body="Ada's words\n"), expected_revision=1, author="Ada")
    with pytest.raises(Stale) as refused:
        shelf.change(made.id, text(body="Ben's words\n"), expected_revision=1, author="Ben")
    assert refused.value.current.text == text(body="Ada's words\n")
    assert refused.value.offered == text(body="Ben's words\n")
    assert shelf.get(made.id).text == text(body="Ada's words\n")
    (kept,) = shelf.set_aside(made.id)
    assert (kept.text, kept.author, kept.expected) == (text(body="Ben's words\n"), "Ben", 1)


def test_two_authors_at_the_very_same_time(url: str, store: Store) -> None:
    made = NoteShelf(store).create(text())
    start = threading.Barrier(2)
    outcomes: dict[str, str] = {}

    def edit(author: str) -> None:
        own = open_store(url)
        start.wait()
        try:
            NoteShelf(own).change(made.id, text(body=f"{author}\n"), expected_revision=1)
            outcomes[author] = "taken"
        except Stale:
            outcomes[author] = "refused"
        finally:
            own.close()

    threads = [threading.Thread(target=edit, args=(author,)) for author in ("Ada", "Ben")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(60)
    assert sorted(outcomes.values()) == ["refused", "taken"]
    shelf = NoteShelf(store)
    texts = {shelf.get(made.id).text, *(aside.text for aside in shelf.set_aside(made.id))}
    assert texts == {text(body="Ada\n"), text(body="Ben\n")}
    assert [old.revision for old in shelf.revisions(made.id)] == [1, 2]


def test_texts_set_aside_are_bounded_and_kept_once(shelf: NoteShelf) -> None:
    made = shelf.create(text())
    for number in (*range(MOST_SET_ASIDE + 2), MOST_SET_ASIDE + 1):
        with pytest.raises(Stale):
            shelf.change(made.id, text(body=f"{number}\n"), expected_revision=9)
    kept = shelf.set_aside(made.id)
    assert len(kept) == MOST_SET_ASIDE
    assert kept[0].text == text(body="2\n")


def test_search_finds_all_words_in_any_case(shelf: NoteShelf) -> None:
    shelf.create(text("Ärger auf b5", "The 100% plan_x.\n"), name="one.md")
    shelf.create(text("Second", "Straße, and the plan too.\n"), name="two.md")

    def found(words: str) -> list[str]:
        return [note.name for note in shelf.list(search=words)]

    assert found("ÄRGER") == ["one.md"]
    assert found("plan THE") == ["one.md", "two.md"]
    assert found("plan straße") == found("STRASSE") == ["two.md"]
    # Signs with a meaning in patterns are plain signs here.
    assert found("100%") == found("n_x") == ["one.md"]
    assert found("0%x") == found("\\") == found("\ud800") == []
    assert found("plan\0%") == ["one.md"]
    assert found("Two.MD") == ["two.md"]
    with pytest.raises(Refused):
        shelf.list(search="x" * 1000)


def test_pages_and_filters(shelf: NoteShelf) -> None:
    for number in range(5):
        shelf.create(text(f"Note {number}"), published=number != 3)
    first = shelf.list(limit=2)
    rest = shelf.list(after=first[-1].number)
    assert [n.title[-1] for n in first + rest] == list("01234")
    assert [n.title[-1] for n in shelf.list(published=False)] == ["3"]
    assert shelf.list(structure="hedgehog") == []
    assert (shelf.count(), shelf.count(deleted=True)) == (5, 0)


def test_the_state_tells_of_every_change(shelf: NoteShelf) -> None:
    states = [shelf.state()]
    made = shelf.create(text())
    states.append(shelf.state())
    shelf.change(made.id, text(body="x\n"), expected_revision=1)
    states.append(shelf.state())
    shelf.delete(made.id, expected_revision=2)
    states.append(shelf.state())
    shelf.restore(made.id)
    states.append(shelf.state())
    shelf.list()
    assert states == sorted(set(states)) and shelf.state() == states[-1]


def test_what_is_no_note_changes_nothing(shelf: NoteShelf) -> None:
    made = shelf.create(text())
    state = shelf.state()
    with pytest.raises(NoteError):
        shelf.create("no header")
    with pytest.raises(NoteError):
        shelf.change(made.id, text(body="a\0b\n"), expected_revision=1)
    with pytest.raises(NotFound):
        shelf.restore(made.id, revision=7)
    for id in ("", "nothing", "\0", "\ud800", "x" * 5000, "' OR 1=1 --"):
        with pytest.raises(NotFound):
            shelf.get(id)
    with pytest.raises(Refused):
        shelf.create(text(), author="two\nlines")
    assert shelf.state() == state


def test_names_are_file_names_and_differ(shelf: NoteShelf) -> None:
    names = ["a.md", "A.md", "../../etc/passwd", "", "con:.md"]
    made = [shelf.create(text("The plan"), name=name).name for name in names]
    assert made[:2] == ["a.md", "A.md"] and made[4] == "con:.md"
    assert len(set(made)) == len(names)
    assert all("/" not in name and name.endswith(".md") for name in made)


def test_a_folder_goes_in_and_comes_out_unchanged(
    shelf: NoteShelf, repository: Path, tmp_path: Path
) -> None:
    folder = repository / "labelled_demo" / "notes"
    notes = read_notes_folder(folder).notes
    done = shelf.take_in(notes)
    assert {how: len(which) for how, which in done.items()} == {
        "created": len(notes),
        "changed": 0,
        "unchanged": 0,
    }
    write_notes_folder(shelf.plan_notes(), tmp_path / "out")
    before = {path.name: path.read_bytes() for path in folder.glob("*.md")}
    assert {path.name: path.read_bytes() for path in (tmp_path / "out").iterdir()} == before
    again = shelf.take_in(read_notes_folder(tmp_path / "out").notes)
    assert len(again["unchanged"]) == len(notes) == shelf.count()


def test_taking_in_again_makes_revisions_and_no_copies(shelf: NoteShelf) -> None:
    def note(name: str, body: str) -> PlanNote:
        words = text(body=body)
        return PlanNote(words, "carlsbad", "white", "holder", "T", body, name=name)

    odd = [note("what?.md", "odd\n"), note("A.md", "large\n"), note("a.md", "small\n")]
    assert len(shelf.take_in(odd)["created"]) == 3
    again = shelf.take_in([*odd[:1], odd[1], note("a.md", "small again\n")])
    # 'a.md' is taken by 'A.md' on systems that do not tell them apart.
    assert len(again["unchanged"]) == 2
    assert len(again["created"]) + len(again["changed"]) == 1


def test_all_of_a_folder_or_nothing(shelf: NoteShelf) -> None:
    good = PlanNote(text(), "carlsbad", "white", "holder", "T", "b", name="good.md")

    def notes() -> Iterator[PlanNote]:
        yield good
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        shelf.take_in(notes())
    assert shelf.count() == 0 and shelf.state() == 0


# What a note may hold and a text column might not.
BODIES = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1, max_size=200
).filter(str.strip)


@settings(max_examples=40)
@given(bodies=st.lists(BODIES, min_size=1, max_size=4))
def test_any_text_comes_back_from_a_file_database(
    tmp_path_factory: pytest.TempPathFactory, bodies: list[str]
) -> None:
    folder = tmp_path_factory.mktemp("notes")
    store = open_store(f"sqlite:///{folder / 'store.sqlite'}")
    _round_trip(NoteShelf(store), folder, bodies)
    store.close()


@settings(max_examples=20)
@given(bodies=st.lists(BODIES, min_size=1, max_size=4))
def test_any_text_comes_back_from_the_store(
    _shared: NoteShelf, tmp_path_factory: pytest.TempPathFactory, bodies: list[str]
) -> None:
    _round_trip(_shared, tmp_path_factory.mktemp("notes"), bodies)


@pytest.fixture(scope="module", params=[pytest.param("pg", marks=pytest.mark.postgres)])
def _shared(server: Callable[[], PostgresServer]) -> NoteShelf:
    return NoteShelf(open_store(server().new_database()))


def _round_trip(shelf: NoteShelf, folder: Path, bodies: list[str]) -> None:
    """Create, change to each text in turn, write to files, read and take in again."""
    made = shelf.create(text(body=bodies[0]))
    last: StoredNote = made
    for body in bodies[1:]:
        last = shelf.change(made.id, text(body=body), expected_revision=last.revision)
    assert [old.text for old in shelf.revisions(made.id)] == [text(body=b) for b in bodies]
    paths = write_notes_folder([last.note()], folder / "out")
    assert [path.read_bytes() for path in paths] == [text(body=bodies[-1]).encode()]
    (read,) = read_notes_folder(folder / "out").notes
    assert read.text == shelf.get(made.id).text
    shelf.delete(made.id, expected_revision=last.revision)
