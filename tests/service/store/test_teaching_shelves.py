"""The shelves of teaching: own families, versions of the model, what was passed over."""

from __future__ import annotations

import threading
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path

import pytest

from pawnlore.service.store.asked_shelf import AskedShelf
from pawnlore.service.store.backup import back_up, restore
from pawnlore.service.store.errors import NotFound, Refused
from pawnlore.service.store.family_shelf import FamilyShelf, GivenExample, StaleFamily
from pawnlore.service.store.label_shelf import GivenLabel, LabelShelf
from pawnlore.service.store.model_shelf import SHIPPED, ModelShelf, StaleChoice
from pawnlore.service.store.store import Store, open_store
from pawnlore.structures.skeleton import Skeleton

ONE = Skeleton(1 << 27, 1 << 51)
OTHER = Skeleton(1 << 26, 1 << 51)


def test_a_family_is_kept_with_its_examples_and_corrections(store: Store) -> None:
    shelf = FamilyShelf(store)
    before = shelf.state()
    made = shelf.add("own/clamp", " wing clamp ", parent="maroczy-bind", author="Ada")
    assert (made.name, made.parent, made.revision, made.examples) == (
        "wing clamp",
        "maroczy-bind",
        1,
        (),
    )
    put = shelf.put_examples(
        "own/clamp",
        [GivenExample(ONE, "white", "a fen"), GivenExample(OTHER, counter=True)],
        author="Ada",
        expected_revision=1,
    )
    assert [(e.counter, e.fen, e.author) for e in put.examples] == [
        (False, "a fen", "Ada"),
        (True, "", "Ada"),
    ]
    # The mirror is the same example, with the other holder.
    again = shelf.put_examples("own/clamp", [GivenExample(ONE.mirrored(), "black")])
    assert len(again.examples) == 2
    assert {e.holder for e in again.examples if not e.counter} == {
        e.holder for e in put.examples if not e.counter
    }
    changed = shelf.change("own/clamp", must=["own a4|a5"], free=["own h"])
    assert (changed.must, changed.free, changed.revision) == (("own a4|a5",), ("own h",), 4)
    assert shelf.remove_example("own/clamp", OTHER.mirrored()).revision == 5
    with pytest.raises(NotFound):
        shelf.remove_example("own/clamp", OTHER)
    assert shelf.list() == [shelf.get("own/clamp")]
    assert shelf.state() > before
    shelf.delete("own/clamp", expected_revision=5)
    with pytest.raises(NotFound):
        shelf.get("own/clamp")


def test_what_cannot_be_a_family_is_refused_and_changes_nothing(store: Store) -> None:
    shelf = FamilyShelf(store)
    shelf.add("own/x", "X")
    for id, parent in (("x", ""), ("own/X", ""), ("own/x", ""), ("own/y", "own/x")):
        with pytest.raises(Refused):
            shelf.add(id, "name", parent=parent)
    with pytest.raises(Refused, match="d9"):
        shelf.change("own/x", must=["own d9"])
    with pytest.raises(Refused):
        shelf.put_examples("own/x", [GivenExample(ONE, "white"), GivenExample(OTHER, "nobody")])
    # Two that contradict each other: neither has the last word.
    for other in (GivenExample(ONE, "black"), GivenExample(ONE.mirrored(), counter=True)):
        with pytest.raises(Refused, match="same pawns"):
            shelf.put_examples("own/x", [GivenExample(ONE, "white"), other])
    assert shelf.get("own/x").revision == 1 and shelf.get("own/x").examples == ()
    with pytest.raises(NotFound):
        shelf.get("own/" + "\0" * 3)


def test_who_comes_second_is_told_and_overwrites_nothing(store: Store) -> None:
    shelf = FamilyShelf(store)
    shelf.add("own/x", "X")
    shelf.change("own/x", name="mine", expected_revision=1)
    for act in (
        lambda: shelf.change("own/x", name="theirs", expected_revision=1),
        lambda: shelf.put_examples("own/x", [GivenExample(ONE, "white")], expected_revision=1),
        lambda: shelf.delete("own/x", expected_revision=1),
    ):
        with pytest.raises(StaleFamily) as told:
            act()
        assert told.value.current.name == "mine"
    assert shelf.get("own/x").name == "mine" and shelf.get("own/x").examples == ()


def test_examples_of_two_authors_at_once_are_all_kept(store: Store) -> None:
    FamilyShelf(store).add("own/x", "X")
    failed: list[BaseException] = []

    def put(file: int) -> None:
        try:
            for rank in range(1, 6):
                example = GivenExample((1 << (8 * rank + file), 0), "white")
                while True:
                    try:
                        FamilyShelf(store).put_examples("own/x", [example], author=str(file))
                        break
                    except StaleFamily:
                        continue
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=put, args=(file,)) for file in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert len(FamilyShelf(store).get("own/x").examples) == 15


def version(shelf: ModelShelf, content: bytes = b"numbers") -> int:
    return shelf.add(
        content, base="b" * 64, taught_from={"labels": 1}, figures={"exam": {}}, author="Ada"
    ).number


def test_versions_are_kept_chosen_and_come_back_to(store: Store) -> None:
    shelf = ModelShelf(store)
    assert shelf.in_use().version == SHIPPED
    first, second = version(shelf), version(shelf, b"other")
    kept = shelf.get(first)
    assert (kept.state, kept.digest) == ("proposed", sha256(b"numbers").hexdigest())
    assert shelf.content(first) == b"numbers"
    assert shelf.choose(first, expected_choice=0).version == first
    assert shelf.reject(second).state == "rejected"
    with pytest.raises(Refused):
        shelf.reject(first)
    choice = shelf.choose(second, author="Bo")
    assert (choice.version, choice.author) == (second, "Bo")
    assert shelf.choose(SHIPPED).version == SHIPPED
    assert [c.version for c in shelf.choices()] == [first, second, SHIPPED]
    assert [v.state for v in shelf.list()] == ["accepted", "accepted"]
    for missing in (0, 99, -1, 1 << 40):
        with pytest.raises(NotFound):
            shelf.get(missing)
        with pytest.raises(NotFound):
            shelf.content(missing)


def test_of_two_who_choose_at_once_one_is_told(store: Store) -> None:
    shelf = ModelShelf(store)
    numbers = [version(shelf) for _ in range(4)]
    start = threading.Barrier(4)
    done: list[int] = []
    late: list[StaleChoice] = []
    failed: list[BaseException] = []

    def choose(number: int) -> None:
        start.wait()
        try:
            done.append(ModelShelf(store).choose(number, expected_choice=0).version)
        except StaleChoice as error:
            late.append(error)
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=choose, args=(number,)) for number in numbers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == [] and len(done) == 1 and len(late) == 3
    assert shelf.in_use().version == done[0]
    assert {error.current.version for error in late} == {done[0]}


def test_what_was_passed_over_is_remembered_once(store: Store) -> None:
    shelf = AskedShelf(store)
    shelf.pass_over(ONE)
    shelf.pass_over(ONE.mirrored(), author="Bo")
    assert shelf.skeletons() == [tuple(ONE.canonical()[0])]


def test_many_labels_come_in_at_once_or_not_at_all(store: Store) -> None:
    shelf = LabelShelf(store)
    first = shelf.put(ONE, "carlsbad", "white", reason="seen")
    given = [
        GivenLabel(ONE.mirrored(), "carlsbad", "black", reason="seen"),
        GivenLabel(OTHER, "unsettled", "both", author="Bo"),
    ]
    assert shelf.put_all(given, author="Ada") == (1, 0)
    assert shelf.get(first.id).revision == 1
    other = shelf.of(OTHER)
    assert other is not None and (other.structure, other.author) == ("unsettled", "Bo")
    state = shelf.state()
    with pytest.raises(Refused):
        shelf.put_all([GivenLabel(ONE, "hedgehog", "white"), GivenLabel(OTHER, "x", "nobody")])
    assert shelf.get(first.id).structure == "carlsbad" and shelf.state() == state
    assert shelf.put_all([GivenLabel(ONE, "hedgehog", "white")]) == (0, 1)
    assert shelf.get(first.id).revision == 2


def test_teaching_goes_into_a_backup_and_out_of_it(
    store: Store, tmp_path: Path, new_url: Callable[[], str]
) -> None:
    FamilyShelf(store).add("own/x", "X")
    FamilyShelf(store).put_examples("own/x", [GivenExample(ONE, "white", "fen")])
    number = version(ModelShelf(store), bytes(range(256)))
    ModelShelf(store).choose(number)
    AskedShelf(store).pass_over(OTHER)
    back_up(store, tmp_path / "copy.zip")
    other = open_store(new_url())
    restore(other, tmp_path / "copy.zip")
    assert FamilyShelf(other).list() == FamilyShelf(store).list()
    assert ModelShelf(other).content(number) == bytes(range(256))
    assert ModelShelf(other).in_use() == ModelShelf(store).in_use()
    assert AskedShelf(other).skeletons() == AskedShelf(store).skeletons()
    other.close()
