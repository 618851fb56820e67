"""A folder of plan notes: one file a note, read and written unchanged."""

from __future__ import annotations

import os
from collections.abc import Container, Iterable
from dataclasses import dataclass
from pathlib import Path

from pawnlore.structures.plan_note import NOTE_LENGTH, NoteError, PlanNote, parse_note

MOST_NOTES = 10_000
"""Notes that are read from one folder."""

NAME_BYTES = 250
"""Bytes in a note's file name, as UTF-8; hardly any system takes more than 255."""

SUFFIX = ".md"
"""How the name of a note's file ends; files of other names are no notes."""


@dataclass(frozen=True, slots=True)
class NoteProblem:
    """One thing that was wrong with a note's file, for people."""

    file: str
    message: str

    def __str__(self) -> str:
        return f"{self.file}: {self.message}"


@dataclass(frozen=True)
class NotesFolder:
    """The notes that could be read, by file name, and what was wrong with others."""

    notes: tuple[PlanNote, ...]
    problems: tuple[NoteProblem, ...] = ()


class FolderError(Exception):
    """A folder that cannot be used at all; the message says why."""


def read_notes_folder(
    folder: str | os.PathLike[str], *, structures: Iterable[str] | None = None
) -> NotesFolder:
    """Read every note of a folder.

    A note's ``name`` is its file name. A note that cannot be used is named
    with every reason and costs none of the others. Files whose names begin
    with a dot, and folders inside the folder, are passed over. ``structures``
    are the family ids that may be named (`parse_note`). Raises `FolderError`
    where there is no such folder or it cannot be listed.
    """
    path = Path(folder)
    try:
        names = sorted(
            entry.name
            for entry in path.iterdir()
            if entry.suffix.lower() == SUFFIX and entry.name[0] != "." and not entry.is_dir()
        )
    except OSError as error:
        reason = error.strerror or str(error)
        raise FolderError(f"the notes in {path} cannot be read: {reason}") from None
    except ValueError as error:  # a null character in the name
        raise FolderError(f"{str(folder)!r} is no name of a folder: {error}") from None
    known = None if structures is None else tuple(structures)
    notes: list[PlanNote] = []
    problems: list[NoteProblem] = []
    for name in names[:MOST_NOTES]:
        try:
            notes.append(parse_note(read_note_text(path / name), name=name, structures=known))
        except NoteError as error:
            problems += [NoteProblem(str(path / name), message) for message in error.messages]
    if len(names) > MOST_NOTES:
        left = len(names) - MOST_NOTES
        problems.append(
            NoteProblem(str(path), f"{left:,} notes beyond the first {MOST_NOTES:,} were left out")
        )
    return NotesFolder(tuple(notes), tuple(problems))


def write_notes_folder(notes: Iterable[PlanNote], folder: str | os.PathLike[str]) -> list[Path]:
    """Write notes into a folder, each text unchanged; the paths, in order.

    The folder is made where it is missing. A file that is there already is
    replaced only by the note of that name. Notes without a name, or with one
    that another note has or that this system cannot hold, get one from their
    title; names that differ in case alone are kept where the folder keeps them
    apart.
    """
    path = Path(folder)
    path.mkdir(parents=True, exist_ok=True)
    listed = list(notes)
    wanted = [note.name if _can_be_written(note.name) else "" for note in listed]
    taken = {name.lower() for name in wanted if name}
    written: list[Path] = []
    ours: set[tuple[int, int]] = set()
    part = path / ".note.part"
    for note, name in zip(listed, wanted, strict=True):
        # Some systems take two names that differ in case or accents for one.
        if not name or _identity(path / name) in ours:
            name = free_note_name(note.title, taken, path)
            taken.add(name.lower())
        target = path / name
        # Complete or not at all: what had the name before stays until then.
        part.write_bytes(note.text.encode("utf-8"))
        os.replace(part, target)
        written.append(target)
        found = _identity(target)
        if found is not None:
            ours.add(found)
    return written


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        facts = path.lstat()
    except OSError:
        return None
    return facts.st_dev, facts.st_ino


def _can_be_written(name: str) -> bool:
    """Whether this system can hold a file of this name."""
    forbidden = ':*?"<>|' if os.name == "nt" else ""
    return is_note_name(name) and not any(sign in forbidden for sign in name)


def is_note_name(name: str) -> bool:
    """Whether a note's file may have this name; it stays in its folder then.

    >>> is_note_name("carlsbad.md"), is_note_name("../carlsbad.md")
    (True, False)
    """
    return (
        name.lower().endswith(SUFFIX)
        and name[0] != "."
        and len(name.encode("utf-8", "replace")) <= NAME_BYTES
        and not any(sign in "/\\" or ord(sign) < 32 for sign in name)
        # Half of a character pair, as a name in no encoding is read.
        and not any("\ud800" <= sign <= "\udfff" for sign in name)
    )


def free_note_name(title: str, taken: Container[str], folder: Path | None = None) -> str:
    """A file name made from a title, that no other note has.

    ``taken`` are names in lower case; a file in ``folder`` keeps its name.

    >>> free_note_name("Minority attack", {"minority-attack.md"})
    'minority-attack-2.md'
    """
    words = "".join(sign if sign.isalnum() else " " for sign in title.lower()).split()
    stem = "-".join(words)[:40].strip("-") or "note"
    name, number = f"{stem}{SUFFIX}", 1
    while name.lower() in taken or (folder is not None and (folder / name).exists()):
        number += 1
        name = f"{stem}-{number}{SUFFIX}"
    return name


def read_note_text(path: Path) -> str:
    """A note's text with its line ends as they are; its limit holds for reading too.

    Raises `NoteError` where the file cannot be read as a note's.
    """
    try:
        with path.open("rb") as file:
            # A character takes at most four bytes.
            data = file.read(4 * NOTE_LENGTH + 1)
    except OSError as error:
        raise NoteError([f"cannot be read: {error.strerror or error}"]) from None
    if len(data) > 4 * NOTE_LENGTH:
        raise NoteError([f"the file is too long for a note: at most {NOTE_LENGTH:,} characters"])
    try:
        return data.decode("utf-8")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise NoteError(
            [f"line {line} is not UTF-8; save the note in that encoding and try again"]
        ) from None
