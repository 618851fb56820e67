"""Five hundred ugly notes go from a folder into the store and out again, byte for byte."""

from __future__ import annotations

import random
import unicodedata
from collections.abc import Callable
from pathlib import Path

import pytest

from pawnlore.service.cli import main
from pawnlore.service.notes_folder import NAME_BYTES, read_notes_folder, write_notes_folder
from pawnlore.service.store.backup import back_up, restore
from pawnlore.service.store.note_shelf import NoteShelf
from pawnlore.service.store.store import Store, open_store

COUNT = 500
BOM = "\ufeff"
BODIES = (
    "Plain words.",
    "Trailing space   \t ",
    "A tab\there,\fa form feed,\va vertical one.",
    "Line\u2028separator, paragraph\u2029separator, next\u0085line.",
    "e\u0301 and \u00e9, \ufb01 and fi, \u212b and \u00c5",
    "\u05d0\u05d1 right to left \u202e and back \u202c, \U0001f9e9 \u265e\ufe0e",
    "```\n+++\nnot a header\n+++\n```",
    "<b onclick='x'>no</b> &amp; \\* [a](javascript:b)",
    "\u200bzero width\u200d",
    "\n\n\n   indented\n\n\n",
    "percent %s {braces} 'quotes' \"double\" ; DROP TABLE notes; --",
    "\ufffd\ufffe\uffff not characters",
)
NAMES = (
    "Plan.md",
    "plan.md",
    "PLAN.md",
    "pLAN.MD",
    "Straße.md",
    "STRASSE.md",
    "strasse.md",
    unicodedata.normalize("NFC", "café.md"),
    unicodedata.normalize("NFD", "café.md"),
    "İstanbul.md",
    "ıstanbul.md",
    "what now?.md",
    "b5: when <early> | late*.md",
    'the "quiet" lever.md',
    " leading space.md",
    "trailing space .md",
    "two..dots.md",
    "-minus.md",
    "~tilde.md",
    "%41 100%.md",
    "\U0001f9e9 ♞ 象棋.md",
    "CON.md",
    "no.md.md",
    "x" * (NAME_BYTES - 3) + ".md",
    "é" * ((NAME_BYTES - 3) // 2) + ".md",
)


def note(number: int, draw: random.Random) -> bytes:
    """One note: its line ends, its mark at the start and its end are anybody's."""
    structure = draw.choice(("carlsbad", "own/étude"))
    lines = ["+++", f'structure = "{structure}"', 'holder = "white"', 'side = "holder"']
    sign = draw.choice(("é", "e\u0301", "♞", "x" * 90))
    lines += [f'title = "Note {number} {sign}"']
    lines += ["# a comment", "+++", *draw.choice(BODIES).split("\n"), f"Number {number}."]
    kind = draw.randrange(3)
    ends = [("\n", "\r\n", draw.choice(("\n", "\r\n")))[kind] for _ in lines]
    if draw.random() < 0.4:
        ends[-1] = ""
    text = "".join(line + end for line, end in zip(lines, ends, strict=True))
    return ((BOM if draw.random() < 0.3 else "") + text).encode()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The folder; skips where the system takes some of the names for the same."""
    place = tmp_path / "notes"
    place.mkdir()
    draw = random.Random(20)
    for number in range(COUNT):
        name = NAMES[number] if number < len(NAMES) else f"Note {number} ß{number % 7}.md"
        (place / name).write_bytes(note(number, draw))
    if len(list(place.iterdir())) != COUNT:
        pytest.skip("this file system does not keep these names apart")
    return place


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


def test_five_hundred_ugly_notes_go_in_and_out(
    store: Store, new_url: Callable[[], str], folder: Path, tmp_path: Path
) -> None:
    read = read_notes_folder(folder)
    assert read.problems == () and len(read.notes) == COUNT
    shelf = NoteShelf(store)
    assert len(shelf.take_in(read.notes)["created"]) == COUNT
    write_notes_folder(shelf.plan_notes(), tmp_path / "out")
    assert contents(tmp_path / "out") == contents(folder)
    # In again, and nothing is new.
    again = shelf.take_in(read_notes_folder(tmp_path / "out").notes)
    assert {how: len(notes) for how, notes in again.items()} == {
        "created": 0,
        "changed": 0,
        "unchanged": COUNT,
    }
    # By way of a backup in another store.
    back_up(store, tmp_path / "copy.zip")
    other = open_store(new_url())
    restore(other, tmp_path / "copy.zip")
    write_notes_folder(NoteShelf(other).plan_notes(), tmp_path / "other")
    assert contents(tmp_path / "other") == contents(folder)
    other.close()


def test_the_commands_do_the_same(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PAWNLORE_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("PAWNLORE_DATABASE", raising=False)
    assert main(["notes", "import", str(folder)]) == 0
    assert main(["notes", "export", str(tmp_path / "out")]) == 0
    assert contents(tmp_path / "out") == contents(folder)


def test_a_system_that_takes_two_names_for_one_loses_neither(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As on systems that know no case: the second of two such names is found to be there."""
    found = read_notes_folder(_two(tmp_path / "in")).notes
    from pawnlore.service import notes_folder

    real = notes_folder._identity
    monkeypatch.setattr(
        notes_folder,
        "_identity",
        lambda path: next(
            (
                real(one)
                for one in path.parent.iterdir()
                if one.name.lower() == path.name.lower() and real(one) is not None
            ),
            None,
        ),
    )
    written = write_notes_folder(found, tmp_path / "out")
    assert len({path.name.lower() for path in written}) == 2
    assert {path.read_bytes() for path in written} == set(contents(tmp_path / "in").values())


def _two(folder: Path) -> Path:
    folder.mkdir()
    draw = random.Random(1)
    for number, name in enumerate(("Plan.md", "plan.md")):
        (folder / name).write_bytes(note(number, draw))
    return folder
