"""Kills a program at random moments while it writes to the store; nothing may be lost.

One command::

    .venv/bin/python tests/campaigns/kill_store.py --kills 300 --write
    .venv/bin/python tests/campaigns/kill_store.py --kills 100 --postgresql --write

A program of its own changes notes and uploads repertoires, and says of each
write that it was acknowledged only after the store gave it back. It is killed
(SIGKILL) at a random moment. Then the store is opened anew, and:

- every acknowledged note, revision and deletion is there, word for word;
- every repertoire that can be seen is whole: its files are one of the two
  contents that are uploaded, byte for byte, and its nodes and verdicts are
  those of that very content; no acknowledged upload is missing or older;
- no piece of an upload is left that belongs to no repertoire.

What was begun and not acknowledged may be there whole or not at all. The same
store is used for the whole campaign, so that one kill follows upon another.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import random
import sys
import tempfile
import time
from contextlib import ExitStack
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent))
sys.path.insert(0, str(Path(__file__).parent.parent / "service" / "store"))

from pawnlore.service.store.note_shelf import NoteShelf
from pawnlore.service.store.repertoire_shelf import RepertoireShelf
from pawnlore.service.store.store import open_store

RESULTS = Path(__file__).parent / "results"
LONGEST = 0.6  # seconds from the first acknowledged write to the kill


def note_text(words: str) -> str:
    return (
        '+++\nstructure = "carlsbad"\nholder = "white"\nside = "holder"\n'
        f'title = "Note {words[:40]}"\n+++\n{words}\n' + "The b-pawn walks. " * 200
    )


def pgn(games: int) -> bytes:
    """A file of games that differ in a comment; large enough for several pieces."""
    moves = "1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 Be7 6. e3 O-O 7. Bd3 c6"
    return "".join(
        f'[Event "Chapter {number}"]\n\n{moves} {{{number} {"w" * 3000}}} *\n\n'
        for number in range(games)
    ).encode()


CONTENTS = (pgn(40), pgn(380))
"""The two files that are uploaded in turn; the second takes more than one piece."""

NODES = (40 * 15, 380 * 15)


def work(url: str, seed: int, known: dict[str, Any], told: Connection) -> None:
    """Write until killed, and tell of every acknowledged write."""
    from repertoires import by_cores, read

    from pawnlore.structures.distinct_verdicts import distinct_verdicts

    draw = random.Random(seed)
    store = open_store(url)
    notes, repertoires = NoteShelf(store), RepertoireShelf(store)
    books_read = [read(content.decode()) for content in CONTENTS]
    contents = [(book, distinct_verdicts(book, by_cores)) for book in books_read]
    here = dict(known["notes"])
    books = dict(known["repertoires"])
    told.send(("ready",))
    for step in range(1 << 30):
        words = f"{seed} {step} {draw.random()}"
        choice = draw.random()
        if choice < 0.25 or not here:
            told.send(("begun",))
            note = notes.create(note_text(words))
            here[note.id] = note.revision
            told.send(("note", note.id, note.revision, note.text, False))
        elif choice < 0.6:
            id = draw.choice(sorted(here))
            told.send(("begun",))
            note = notes.change(id, note_text(words), expected_revision=here[id])
            here[id] = note.revision
            told.send(("note", id, note.revision, note.text, False))
        elif choice < 0.65:
            id = draw.choice(sorted(here))
            told.send(("begun",))
            note = notes.delete(id, expected_revision=here.pop(id))
            told.send(("note", id, note.revision, note.text, True))
        else:
            again = len(books) > 3 or draw.random() < 0.6
            old = draw.choice(sorted(books)) if books and again else None
            which = draw.randrange(2)
            told.send(("begun",))
            kept, _ = repertoires.put(
                words, [("book.pgn", CONTENTS[which])], *contents[which], model="core", id=old
            )
            books[kept.id] = kept.version
            told.send(("repertoire", kept.id, kept.version, which))


@dataclass
class Account:
    """What was acknowledged so far, and what was counted."""

    notes: dict[str, dict[int, str]] = field(default_factory=dict)
    deleted: dict[str, int] = field(default_factory=dict)
    repertoires: dict[str, tuple[int, int]] = field(default_factory=dict)
    kills: int = 0
    writes: int = 0
    uploads: int = 0
    in_the_middle: int = 0
    kept_unacknowledged: int = 0
    faults: list[str] = field(default_factory=list)


def one_kill(url: str, account: Account, draw: random.Random, seed: int) -> None:
    """Start a program that writes, kill it, and look at what is left."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(
        ["pawnlore.service.store.note_shelf", "pawnlore.service.store.repertoire_shelf"]
    )
    store = open_store(url)
    known = {
        "notes": {note.id: note.revision for note in NoteShelf(store).list()},
        "repertoires": {kept.id: kept.version for kept in RepertoireShelf(store).list()},
    }
    store.close()
    heard, told = context.Pipe(duplex=False)
    program = context.Process(target=work, args=(url, seed, known, told), daemon=True)
    program.start()
    told.close()
    begun, end = False, None
    try:
        while end is None or time.monotonic() < end:
            wait = 120 if end is None else max(0.0, end - time.monotonic())
            if not heard.poll(wait):
                if end is None:
                    raise RuntimeError("the program that writes does not start")
                break
            message = heard.recv()
            if message[0] == "ready":
                end = time.monotonic() + draw.random() * LONGEST
            else:
                begun = message[0] == "begun"
                note_down(account, message)
    except EOFError:
        account.faults.append(f"kill {account.kills + 1}: the program ended by itself")
    program.kill()  # SIGKILL
    program.join()
    # What it said before it died counts as acknowledged too.
    try:
        while heard.poll():
            message = heard.recv()
            begun = message[0] == "begun"
            note_down(account, message)
    except (EOFError, OSError):
        pass
    account.kills += 1
    account.in_the_middle += begun
    account.faults += [f"kill {account.kills}: {fault}" for fault in look(url, account)]


def note_down(account: Account, message: tuple[Any, ...]) -> None:
    if message[0] == "note":
        _, id, revision, text, deleted = message
        account.notes.setdefault(id, {})[revision] = text
        if deleted:
            account.deleted[id] = revision
        account.writes += 1
    elif message[0] == "repertoire":
        account.repertoires[message[1]] = (message[2], message[3])
        account.writes += 1
        account.uploads += 1


def look(url: str, account: Account) -> list[str]:
    """Open the store and tell everything in it that should not be so."""
    from sqlalchemy import text

    faults: list[str] = []
    store = open_store(url)
    notes, repertoires = NoteShelf(store), RepertoireShelf(store)
    acknowledged = {id: dict(texts) for id, texts in account.notes.items()}
    for id, texts in acknowledged.items():
        try:
            kept = {old.revision: old for old in notes.revisions(id)}
            now = notes.get(id, deleted=True)
        except Exception as error:
            faults.append(f"note {id}: {error}")
            continue
        for revision, words in texts.items():
            if revision not in kept or kept[revision].text != words:
                faults.append(f"note {id}: revision {revision} is lost")
        if sorted(kept) != list(range(1, now.revision + 1)):
            faults.append(f"note {id}: its revisions have a gap")
        if now.revision not in kept or kept[now.revision].text != now.text:
            faults.append(f"note {id}: the newest revision is not the note's text")
        if id in account.deleted and now.deleted is None:
            faults.append(f"note {id}: it was deleted and is there")
        if now.revision > max(texts):
            account.kept_unacknowledged += 1
            account.notes[id][now.revision] = now.text
            if now.deleted is not None:
                account.deleted[id] = now.revision
    for note in notes.list() + notes.list(deleted=True):
        if note.id not in account.notes:
            account.kept_unacknowledged += 1
            account.notes[note.id] = {note.revision: note.text}
    seen = {kept.id: kept for kept in repertoires.list()}
    for id, (version, which) in list(account.repertoires.items()):
        if id not in seen or seen[id].version < version:
            faults.append(f"repertoire {id}: upload {version} is lost")
        elif seen[id].version == version and repertoires.files(id)[0][1] != CONTENTS[which]:
            faults.append(f"repertoire {id}: its file is another one")
    for kept in seen.values():
        files = [content for _, content in repertoires.files(kept.id)]
        if len(files) != 1 or files[0] not in CONTENTS:
            faults.append(f"repertoire {kept.id}: a file is there in part")
            continue
        which = CONTENTS.index(files[0])
        content = repertoires.content(kept.id)
        if len(content.book) != NODES[which] or kept.nodes != NODES[which]:
            faults.append(f"repertoire {kept.id}: nodes of another content")
        if account.repertoires.get(kept.id, (0, 0))[0] < kept.version:
            account.kept_unacknowledged += 1
        account.repertoires[kept.id] = (kept.version, which)
    with store.reading() as connection:
        loose = connection.execute(
            text("SELECT COUNT(*) FROM uploads WHERE id NOT IN (SELECT upload FROM repertoires)")
        ).scalar()
        pieces = connection.execute(
            text("SELECT COUNT(*) FROM pieces WHERE upload NOT IN (SELECT id FROM uploads)")
        ).scalar()
        if loose or pieces:
            faults.append(f"{loose} uploads and {pieces} pieces belong to nothing")
        if store.dialect == "sqlite":
            sound = connection.execute(text("PRAGMA integrity_check")).scalar()
            if sound != "ok":
                faults.append(f"SQLite finds the file damaged: {sound}")
    store.close()
    return faults


def campaign(url: str, kills: int, seed: int, *, show: bool = False) -> Account:
    """Kill as often as asked; the account of it."""
    draw = random.Random(seed)
    account = Account()
    for number in range(kills):
        one_kill(url, account, draw, seed * 1_000_000 + number)
        if show:
            print(f"\r{number + 1} of {kills}, {len(account.faults)} faults", end="", flush=True)
    if show:
        print()
    return account


def told_account(account: Account, database: str, seed: int, seconds: float) -> str:
    return json.dumps(
        {
            "database": database,
            "seed": seed,
            "kills": account.kills,
            "kills_in_the_middle_of_a_write": account.in_the_middle,
            "acknowledged_writes": account.writes,
            "of_these_uploads": account.uploads,
            "unacknowledged_writes_that_were_kept_whole": account.kept_unacknowledged,
            "seconds": round(seconds),
            "faults": account.faults,
        },
        indent=2,
    )


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--postgresql", action="store_true", help="on a server started for it")
    parser.add_argument("--write", action="store_true", help="keep the account in results/")
    args = parser.parse_args()
    with ExitStack() as stack:
        if args.postgresql:
            from postgres_server import postgres_server

            url = stack.enter_context(postgres_server()).new_database()
        else:
            folder = stack.enter_context(tempfile.TemporaryDirectory(prefix="pawnlore-kills-"))
            url = f"sqlite:///{folder}/store.sqlite"
        begun = time.monotonic()
        account = campaign(url, args.kills, args.seed, show=True)
        seconds = time.monotonic() - begun
    database = "postgresql" if args.postgresql else "sqlite"
    text = told_account(account, database, args.seed, seconds)
    print(text)
    if args.write:
        RESULTS.mkdir(exist_ok=True)
        (RESULTS / f"kill_store_{database}.json").write_text(text + "\n", encoding="utf-8")
    return 1 if account.faults else 0


if __name__ == "__main__":
    sys.exit(main())
