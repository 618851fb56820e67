"""A folder of plan notes is read and written unchanged; bad files cost no others."""

from __future__ import annotations

from importlib.resources import as_file, files
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.service.notes_folder import (
    FolderError,
    read_notes_folder,
    write_notes_folder,
)
from pawnlore.structures.plan_note import NOTE_LENGTH, parse_note

GOOD = '+++\nstructure = "carlsbad"\nholder = "white"\nside = "holder"\ntitle = "{}"\n+++\nWords.\n'


def test_the_demo_notes_go_out_and_come_back_byte_for_byte(tmp_path: Path) -> None:
    with as_file(files("pawnlore.labelled_demo").joinpath("notes")) as folder:
        read = read_notes_folder(folder)
        assert read.problems == () and len(read.notes) == 17
        assert [note.name for note in read.notes] == sorted(note.name for note in read.notes)
        written = write_notes_folder(read.notes, tmp_path / "out" / "notes")
        assert {p.name: p.read_bytes() for p in written} == {
            p.name: p.read_bytes() for p in Path(folder).glob("*.md")
        }
    assert read_notes_folder(tmp_path / "out" / "notes") == read


def test_bad_files_are_named_and_cost_no_others(tmp_path: Path) -> None:
    (tmp_path / "good.md").write_bytes(GOOD.format("Good").replace("\n", "\r\n").encode())
    (tmp_path / "bad.md").write_text(GOOD.format("Bad").replace("white", "grey"))
    (tmp_path / "latin.md").write_bytes(GOOD.format("Grünfeld").encode("latin-1"))
    (tmp_path / "long.md").write_bytes(b"x" * (4 * NOTE_LENGTH + 1))
    (tmp_path / "gone.md").symlink_to(tmp_path / "nowhere")
    (tmp_path / ".hidden.md").write_text("no note")
    (tmp_path / "other.txt").write_text("no note")
    (tmp_path / "folder.md").mkdir()
    read = read_notes_folder(tmp_path)
    assert [note.name for note in read.notes] == ["good.md"]
    assert "\r\n" in read.notes[0].text
    told = {Path(problem.file).name: problem.message for problem in read.problems}
    assert set(told) == {"bad.md", "latin.md", "long.md", "gone.md"}
    assert "holder must be" in told["bad.md"]
    assert "line 5 is not UTF-8" in told["latin.md"]
    assert "too long" in told["long.md"]
    assert "cannot be read" in told["gone.md"]
    assert str(read.problems[0]).startswith(str(tmp_path / "bad.md") + ": ")


@pytest.mark.parametrize("name", ["missing", "file.md", "a\0b"])
def test_a_folder_that_is_none(tmp_path: Path, name: str) -> None:
    (tmp_path / "file.md").write_text("x")
    with pytest.raises(FolderError) as caught:
        read_notes_folder(tmp_path / name)
    assert "notes" in str(caught.value) or "name of a folder" in str(caught.value)


def test_names_from_titles_never_clash_nor_leave_the_folder(tmp_path: Path) -> None:
    titles = ["Grünfeld: d5!", "Grünfeld: d5", "../../x", "???"]
    names = ["", "", "../evil.md", "a/b.md"]
    notes = [parse_note(GOOD.format(t), name=n) for t, n in zip(titles, names, strict=True)]
    (tmp_path / "note.md").write_text("somebody's own file")
    written = write_notes_folder(notes, tmp_path)
    assert [path.name for path in written] == [
        "grünfeld-d5.md", "grünfeld-d5-2.md", "x.md", "note-2.md",
    ]  # fmt: skip
    assert (tmp_path / "note.md").read_text() == "somebody's own file"
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(
        ["note.md", *(path.name for path in written)]
    )


@given(names=st.lists(st.text(max_size=12).map(lambda s: s + ".md"), max_size=6))
def test_every_note_gets_a_file_of_its_own(
    tmp_path_factory: pytest.TempPathFactory, names: list[str]
) -> None:
    folder = tmp_path_factory.mktemp("notes")
    notes = [parse_note(GOOD.format(f"Note {i}"), name=n) for i, n in enumerate(names)]
    written = write_notes_folder(notes, folder)
    assert len({path.name for path in written}) == len(notes)
    assert all(path.parent == folder for path in written)
    assert sorted(note.text for note in read_notes_folder(folder).notes) == sorted(
        note.text for note in notes
    )
