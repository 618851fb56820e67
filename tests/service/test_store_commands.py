"""The commands on the store: notes, backup and restore."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest

from pawnlore.service.cli import main
from pawnlore.service.store.note_shelf import NoteShelf
from pawnlore.service.store.store import open_store

NOTE = (
    '+++\nstructure = "carlsbad"\nholder = "white"\nside = "holder"\ntitle = "Plan"\n+++\nText.\r\n'
)


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("PAWNLORE_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("PAWNLORE_DATABASE", raising=False)
    return tmp_path


def test_a_folder_of_notes_goes_in_and_out(
    home: Path, repository: Path, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    folder = repository / "labelled_demo" / "notes"
    before = {path.name: path.read_bytes() for path in folder.glob("*.md")}
    assert main(["notes", "import", str(folder), "--author", "Ada"]) == 0
    assert f"{len(before)} created".encode() in capfdbinary.readouterr().err
    assert main(["notes", "export", str(home / "out")]) == 0
    assert {path.name: path.read_bytes() for path in (home / "out").iterdir()} == before
    assert main(["notes", "import", str(home / "out")]) == 0
    assert f"{len(before)} unchanged".encode() in capfdbinary.readouterr().err
    name = min(before)
    assert main(["notes", "show", name]) == 0
    assert capfdbinary.readouterr().out == before[name]


def test_add_list_show(home: Path, capfdbinary: pytest.CaptureFixture[bytes]) -> None:
    (home / "plan.md").write_bytes(NOTE.encode())
    assert main(["notes", "add", str(home / "plan.md"), "--draft"]) == 0
    id = capfdbinary.readouterr().out.decode().strip()
    assert main(["notes", "show", id]) == 0
    assert capfdbinary.readouterr().out == NOTE.encode()
    assert main(["notes", "list", "--format", "csv", "--search", "TEXT"]) == 0
    (row,) = csv.DictReader(io.StringIO(capfdbinary.readouterr().out.decode()))
    assert (row["id"], row["name"], row["revision"]) == (id, "plan.md", "1")
    assert main(["notes", "list", "--format", "jsonl", "--structure", "carlsbad"]) == 0
    assert json.loads(capfdbinary.readouterr().out)["title"] == "Plan"
    assert main(["notes", "list", "--structure", "hedgehog"]) == 0
    assert capfdbinary.readouterr().out == b""
    (home / "plan.md").write_bytes(NOTE.encode() + b"More.\n")
    assert main(["notes", "import", str(home)]) == 0
    capfdbinary.readouterr()
    assert main(["notes", "show", id, "--revision", "1"]) == 0
    assert capfdbinary.readouterr().out == NOTE.encode()
    store = open_store(f"sqlite:///{home / 'home' / 'pawnlore.sqlite'}")
    assert not NoteShelf(store).get(id).published
    store.close()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["notes", "show"], "NAME"),
        (["notes", "list", "x"], "NAME"),
        (["notes", "show", "nothing"], "no such note"),
        (["notes", "import", "nowhere"], "nowhere"),
        (["notes", "add", "nowhere.md"], "nowhere.md"),
        (["notes", "list", "--database", "mysql://a:secret@b/c"], "sqlite:///FILE"),
        (["backup", "-o", "no/such/folder/x"], "folder"),
        (["restore", "nothing.zip"], "nothing.zip"),
    ],
)
def test_what_cannot_be_done_is_told(
    arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == 2
    told = capsys.readouterr().err
    assert said in told and "secret" not in told and "Traceback" not in told


def test_a_bad_note_costs_no_good_one(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = home / "notes"
    folder.mkdir()
    (folder / "good.md").write_bytes(NOTE.encode())
    (folder / "bad.md").write_bytes(b"no header\n")
    assert main(["notes", "import", str(folder)]) == 1
    told = capsys.readouterr().err
    assert "bad.md" in told and "1 created" in told


def test_backup_and_restore(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (home / "plan.md").write_bytes(NOTE.encode())
    assert main(["notes", "add", str(home / "plan.md")]) == 0
    one, two = home / "one.zip", home / "two.zip"
    # Another program has the store open all the while.
    store = open_store(f"sqlite:///{home / 'home' / 'pawnlore.sqlite'}")
    shelf = NoteShelf(store)
    state = shelf.state()
    assert main(["backup", "-o", str(one)]) == 0
    later = shelf.create(NOTE + "Later.\n")
    assert main(["restore", str(one)]) == 2
    assert "--replace" in capsys.readouterr().err
    assert shelf.get(later.id) == later
    assert main(["restore", str(one), "--replace"]) == 0
    assert [note.name for note in shelf.list()] == ["plan.md"] and shelf.state() > state + 1
    other = f"sqlite:///{home / 'other.sqlite'}"
    assert main(["restore", str(one), "--database", other]) == 0
    assert main(["backup", "-o", str(two), "--database", other]) == 0
    assert two.read_bytes() == one.read_bytes()
    store.close()


def test_a_note_is_changed_deleted_and_restored(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    first, second = NOTE, NOTE.replace("+++\n", "+++\n# mine\n", 1)
    (home / "plan.md").write_text(first, encoding="utf-8")
    (home / "new.md").write_text(second, encoding="utf-8")
    assert main(["notes", "add", str(home / "plan.md"), "--draft"]) == 0
    id = capsys.readouterr().out.strip()
    assert main(["notes", "change", "plan.md", str(home / "new.md"), "--publish"]) == 0
    assert main(["notes", "change", id, str(home / "plan.md"), "--expect", "1"]) == 2
    assert "it is at revision 2 now" in capsys.readouterr().err
    assert main(["notes", "show", id]) == 0
    assert capsys.readouterr().out == second
    assert main(["notes", "delete", id, "--expect", "1"]) == 2
    assert main(["notes", "delete", id]) == 0
    assert main(["notes", "show", id]) == 2
    assert main(["notes", "restore", id, "--revision", "1", "--author", "Ada"]) == 0
    capsys.readouterr()
    assert main(["notes", "revisions", id]) == 0
    rows = [row.split() for row in capsys.readouterr().out.splitlines()]
    assert [(row[0], row[1], row[3]) for row in rows] == [
        ("1", "created", "draft"),
        ("2", "changed", "published"),
        ("3", "deleted", "published"),
        ("4", "restored", "published"),
    ]
    assert rows[-1][-1] == "Ada"
    assert main(["notes", "show", id]) == 0
    assert capsys.readouterr().out == first
    for wrong in (["change", id], ["delete", id, "x"], ["change", id, "nowhere.md"]):
        assert main(["notes", *wrong]) == 2
