"""Kills the served process at random moments while people work with it; nothing may be lost.

One command::

    .venv/bin/python tests/campaigns/kill_service.py --kills 300 --write
    .venv/bin/python tests/campaigns/kill_service.py --kills 100 --postgresql --write

``pawnlore serve`` runs as a process of its own. Over HTTP two authors create,
change (If-Match), delete and restore notes, and a third uploads repertoires,
uploads them again, has them judged anew and deletes them, now and then without
waiting for the job before. The process is killed (SIGKILL) at a random moment,
every tenth time while it starts; only a job that was begun three times is let
come to its end first, for after the fifth time it would be given up. Then the store is opened, and:

- every answered change of a note is there word for word, each revision too;
- what was sent and not answered is there whole or not at all;
- every upload that was taken (202) has its job, and where that is not done, the
  uploaded files byte for byte, so that the next service does it;
- every job that was told to be done has its repertoire with the exact bytes;
- no job was done twice: a repertoire has as many versions as uploads;
- every repertoire that can be seen is whole, its nodes and verdicts are those
  of its file, and nothing is left that belongs to no repertoire and no job.

At the end the service is started once more and does what is left to be done.
The same store is used for the whole campaign.
"""

from __future__ import annotations

import argparse
import http.client
import json
import multiprocessing
import os
import random
import sys
import tempfile
import threading
import time
from contextlib import ExitStack, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parent.parent / "service" / "store"))

from kill_store import CONTENTS, NODES, RESULTS, note_text

from pawnlore.service.job_runner import MOST_ATTEMPTS
from pawnlore.service.store.job_shelf import JobShelf
from pawnlore.service.store.note_shelf import NoteShelf
from pawnlore.service.store.repertoire_shelf import RepertoireShelf
from pawnlore.service.store.store import Store, open_store

LONGEST = 0.8  # seconds from the clients' beginning to the kill
STARTING = 1.5  # seconds in which a starting process is killed
AUTHORS = 2
MOST_NOTES = 12  # that one author works on
MOST_REPERTOIRES = 5
NEARLY_GIVEN_UP = 3  # attempts after which a job is let come to its end
LOCK = threading.Lock()  # on the account, which several clients write


@dataclass
class Note:
    """What is known of one note; ``sent`` is what was asked for and not answered yet."""

    author: int
    texts: dict[int, str]
    revision: int = 1
    deleted: bool = False
    sent: tuple[str, str] | None = None


@dataclass
class Book:
    """What is known of one repertoire: its content and how many uploads were done."""

    which: int
    version: int
    sent_delete: bool = False
    deleted: bool = False


@dataclass
class Taken:
    """One job that was taken; ``which`` is the content it uploads, -1 where it judges."""

    which: int
    replaces: str | None
    done: bool = False


@dataclass
class Account:
    """What was acknowledged so far, and what was counted."""

    notes: dict[str, Note] = field(default_factory=dict)
    creating: dict[str, int] = field(default_factory=dict)
    books: dict[str, Book] = field(default_factory=dict)
    jobs: dict[str, Taken] = field(default_factory=dict)
    kills: int = 0
    kills_while_starting: int = 0
    in_the_middle: int = 0
    writes: int = 0
    uploads: int = 0
    begun_again: int = 0
    kept_unanswered: int = 0
    given_up: int = 0
    seconds_to_start: list[float] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


def serve(url: str, home: str, out: str, log: str) -> None:
    """Run ``pawnlore serve`` in this process, as it is run from a shell."""
    for stream, name in ((1, out), (2, log)):
        os.dup2(os.open(name, os.O_WRONLY | os.O_CREAT | os.O_TRUNC), stream)
    os.environ["PAWNLORE_HOME"], os.environ["PAWNLORE_DATABASE"] = home, url
    from pawnlore.service.cli import main

    sys.exit(main(["serve", "--port", "0"]))


class Service:
    """One served process. What it imports is there before: hundreds are started."""

    def __init__(self, url: str, home: str) -> None:
        context = multiprocessing.get_context("forkserver")
        context.set_forkserver_preload(
            ["pawnlore.service.app", "pawnlore.service.web_server", "pawnlore.service.logs"]
        )
        self._out, self._log = Path(home, "served.out"), Path(home, "served.log")
        self._out.unlink(missing_ok=True)
        self.begun = time.monotonic()
        self.process = context.Process(
            target=serve, args=(url, home, str(self._out), str(self._log)), daemon=True
        )
        self.process.start()

    def port(self) -> int:
        """Wait until it listens."""
        ends = time.monotonic() + 120
        while time.monotonic() < ends and self.process.is_alive():
            line = self._out.read_text() if self._out.exists() else ""
            if line.endswith("\n"):
                return int(line.split("http://")[1].split("/")[0].rpartition(":")[2])
            time.sleep(0.01)
        raise RuntimeError(f"the service does not start: {self._log.read_text()}")

    def kill(self) -> list[str]:
        """End it as a crash does; the faults that it logged."""
        self.process.kill()
        self.process.join()
        log = self._log.read_text().splitlines() if self._log.exists() else []
        return [line[:500] for line in log if '"level": "error"' in line.lower()]


class Gone(Exception):
    """The service was killed before it answered."""


class Client:
    """One connection that asks, and is told when the service is gone."""

    def __init__(self, port: int) -> None:
        self.connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)

    def ask(
        self, method: str, path: str, body: bytes | None = None, **headers: str
    ) -> tuple[int, Any, str]:
        """Status, body and ETag; raises `Gone`."""
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        try:
            self.connection.request(method, path, body, named)
            answer = self.connection.getresponse()
            text = answer.read()
        except (OSError, http.client.HTTPException):
            raise Gone from None
        return answer.status, json.loads(text) if text else None, answer.headers.get("ETag", "")


class Author(threading.Thread):
    """Works on notes of its own until the service is gone."""

    def __init__(self, number: int, port: int, account: Account, seed: int) -> None:
        super().__init__(daemon=True)
        self.number = number
        self.client = Client(port)
        self.account = account
        self.draw = random.Random(f"{seed} {number}")

    def run(self) -> None:
        with suppress(Gone):
            while True:
                self.step()

    def step(self) -> None:
        """One change of one note."""
        account, draw = self.account, self.draw
        mine = [id for id, note in account.notes.items() if note.author == self.number]
        here = [id for id in mine if not account.notes[id].deleted]
        words = note_text(f"{self.number} {draw.random()}")
        if len(here) < 2 or (len(mine) < MOST_NOTES and draw.random() < 0.2):
            with LOCK:
                account.creating[words] = self.number
            body = json.dumps({"text": words}).encode()
            status, made, _ = self.client.ask(
                "POST", "/api/notes", body, Content_Type="application/json"
            )
            with LOCK:
                if self.expect(status, 201, "create", made):
                    del account.creating[words]
                    account.notes[made["id"]] = Note(self.number, {1: words})
            return
        id = draw.choice(mine)
        note = account.notes[id]
        tag = {"If_Match": f'"r{note.revision}"'}
        if note.deleted:
            last = max(revision for revision, text in note.texts.items() if text)
            note.sent = ("restore", note.texts[last])
            answer = self.client.ask(
                "POST",
                f"/api/notes/{id}/restore",
                json.dumps({"revision": last}).encode(),
                Content_Type="application/json",
                **tag,
            )
        elif draw.random() < 0.2:
            note.sent = ("delete", note.texts[note.revision])
            answer = self.client.ask("DELETE", f"/api/notes/{id}", None, **tag)
        else:
            note.sent = ("change", words)
            answer = self.client.ask(
                "PUT",
                f"/api/notes/{id}",
                json.dumps({"text": words}).encode(),
                Content_Type="application/json",
                **tag,
            )
        with LOCK:
            if self.expect(answer[0], 200, note.sent[0], answer):
                settle(note)

    def expect(self, status: int, wanted: int, what: str, answer: Any) -> bool:
        if status == wanted:
            self.account.writes += 1
            return True
        self.account.faults.append(f"{what}: {status} {str(answer)[:300]}")
        return False


class Uploader(threading.Thread):
    """Uploads, judges and deletes repertoires until the service is gone."""

    def __init__(self, port: int, account: Account, seed: int) -> None:
        super().__init__(daemon=True)
        self.client = Client(port)
        self.account = account
        self.draw = random.Random(f"{seed} uploads")

    def run(self) -> None:
        with suppress(Gone):
            while True:
                self.step()

    def step(self) -> None:
        """One upload, judging or deletion; and most times wait for what was begun."""
        account, draw = self.account, self.draw
        busy = {job.replaces for job in account.jobs.values() if not job.done}
        books = [id for id, book in account.books.items() if not book.deleted]
        free = sorted(set(books) - busy)
        waiting = sum(not job.done for job in account.jobs.values())
        choice = draw.random()
        if waiting < 4:
            if free and len(books) >= MOST_REPERTOIRES:
                self.delete(draw.choice(free))
            elif free and choice < 0.15:
                self.begin("POST", f"/api/repertoires/{(id := draw.choice(free))}/judge", -1, id)
            elif free and choice < 0.55:
                id = draw.choice(free)
                self.begin("PUT", f"/api/repertoires/{id}/pgn", draw.randrange(2), id)
            elif len(books) + waiting < MOST_REPERTOIRES:
                self.begin("POST", "/api/repertoires?name=Course", draw.randrange(2), None)
            if draw.random() < 0.3:
                return
        for id in [id for id, job in account.jobs.items() if not job.done]:
            self.follow(id)

    def delete(self, id: str) -> None:
        book = self.account.books[id]
        book.sent_delete = True
        status, answer, _ = self.client.ask("DELETE", f"/api/repertoires/{id}")
        with LOCK:
            if status == 204:
                book.deleted = True
                self.account.writes += 1
            else:
                self.account.faults.append(f"delete repertoire: {status} {answer}")

    def begin(self, method: str, path: str, which: int, replaces: str | None) -> None:
        content = {"Content_Type": "application/vnd.chess-pgn"} if which >= 0 else {}
        body = CONTENTS[which] if which >= 0 else None
        status, answer, _ = self.client.ask(method, path, body, **content)
        with LOCK:
            if status == 202:
                self.account.jobs[answer["job"]["id"]] = Taken(which, replaces)
                self.account.writes += 1
                self.account.uploads += which >= 0
            else:
                self.account.faults.append(f"{method} {path}: {status} {answer}")

    def follow(self, id: str) -> None:
        """Wait until a job is done; what it says then is acknowledged."""
        while True:
            status, job, _ = self.client.ask("GET", f"/api/jobs/{id}")
            with LOCK:
                if status != 200:
                    self.account.faults.append(f"job {id}: {status} {job}")
                    self.account.jobs[id].done = True
                    return
                if job["state"] in ("done", "failed"):
                    end(self.account, id, job["state"], job["result"], job["attempts"])
                    return
            time.sleep(0.02)


def settle(note: Note) -> None:
    """What was sent is there: the next revision."""
    assert note.sent is not None
    note.revision += 1
    note.texts[note.revision] = note.sent[1]
    note.deleted = note.sent[0] == "delete"
    note.sent = None


def end(account: Account, id: str, state: str, result: Any, attempts: int) -> None:
    """Note that a job has ended, once."""
    job = account.jobs[id]
    if job.done:
        return
    job.done = True
    account.begun_again += attempts > 1
    if state == "failed":
        account.given_up += 1
        if attempts <= MOST_ATTEMPTS:
            account.faults.append(f"job {id}: failed at attempt {attempts}")
        return
    if job.which < 0:
        return
    book = account.books.get(result["repertoire"])
    if job.replaces is None:
        if book is not None:
            account.faults.append(f"job {id}: its repertoire is that of another job")
        account.books[result["repertoire"]] = Book(job.which, 1)
    elif book is not None:
        book.version += 1
        book.which = job.which


def let_finish(port: int, account: Account) -> None:
    """Wait for jobs that were begun so often that they are nearly given up.

    What ends the service here is no upload of theirs, and no service is killed
    so often in practice.
    """
    uploader = Uploader(port, account, 0)
    for id in [id for id, job in account.jobs.items() if not job.done]:
        if uploader.client.ask("GET", f"/api/jobs/{id}")[1]["attempts"] >= NEARLY_GIVEN_UP:
            uploader.follow(id)


def one_kill(url: str, home: str, account: Account, draw: random.Random, seed: int) -> None:
    """Start the service, let people work, kill it, and look at what is left."""
    service = Service(url, home)
    threads: list[threading.Thread] = []
    try:
        if draw.random() < 0.1:
            account.kills_while_starting += 1
            time.sleep(draw.random() * STARTING)
        else:
            port = service.port()
            account.seconds_to_start.append(time.monotonic() - service.begun)
            let_finish(port, account)
            threads += [Author(number, port, account, seed) for number in range(AUTHORS)]
            threads.append(Uploader(port, account, seed))
            before = account.writes
            for thread in threads:
                thread.start()
            # On a busy machine nothing may have been answered so soon.
            ends = time.monotonic() + (20 if draw.random() < 0.8 else 0)
            while account.writes < before + len(threads) and time.monotonic() < ends:
                time.sleep(0.01)
            time.sleep(draw.random() * LONGEST)
            if not service.process.is_alive():
                account.faults.append(f"kill {account.kills + 1}: the service ended by itself")
    finally:
        logged = service.kill()
    for thread in threads:
        thread.join(90)
    account.kills += 1
    account.in_the_middle += any(note.sent for note in account.notes.values()) or any(
        not job.done for job in account.jobs.values()
    )
    found = logged + look(url, account)
    account.faults += [f"kill {account.kills}: {fault}" for fault in found]


def look(url: str, account: Account) -> list[str]:
    """Open the store and tell everything in it that should not be so."""
    store = open_store(url)
    try:
        wait_for_sessions(store)
        return [
            *look_at_notes(store, account),
            *look_at_jobs(store, account),
            *look_at_repertoires(store, account),
            *look_for_leftovers(store),
        ]
    finally:
        store.close()


def wait_for_sessions(store: Store) -> None:
    """Let PostgreSQL end what the killed process had sent it, which may still be kept."""
    ends = time.monotonic() + 20
    while store.dialect == "postgresql" and time.monotonic() < ends:
        with store.reading() as connection:
            others = connection.exec_driver_sql(
                "SELECT COUNT(*) FROM pg_stat_activity WHERE datname = current_database() "
                "AND pid <> pg_backend_pid()"
            ).scalar()
        if not others:
            return
        time.sleep(0.02)


def look_at_notes(store: Store, account: Account) -> list[str]:
    """Every revision of every note, and what was sent and not answered."""
    faults: list[str] = []
    shelf = NoteShelf(store)
    for kept in shelf.list() + shelf.list(deleted=True):
        if kept.id in account.notes:
            continue
        author = account.creating.pop(kept.text, None)
        if author is None or kept.revision != 1:
            faults.append(f"note {kept.id}: nobody sent it like this")
            author = author or 0
        account.kept_unanswered += 1
        account.notes[kept.id] = Note(author, {1: kept.text})
    account.creating.clear()
    for id, note in account.notes.items():
        try:
            now = shelf.get(id, deleted=True)
            revisions = {old.revision: old.text for old in shelf.revisions(id)}
        except Exception as error:
            faults.append(f"note {id}: {error}")
            continue
        if note.sent is not None and now.revision == note.revision + 1:
            account.kept_unanswered += 1
            settle(note)
        note.sent = None
        if now.revision != note.revision or now.text != note.texts[note.revision]:
            faults.append(f"note {id}: revision {note.revision} is not what it was told to be")
        if (now.deleted is not None) != note.deleted:
            faults.append(f"note {id}: deleted or not is not what it was told to be")
        if revisions != note.texts:
            faults.append(f"note {id}: its revisions are not those that were answered")
    return faults


def look_at_jobs(store: Store, account: Account) -> list[str]:
    """Every job that was taken is there, done or with all that it needs."""
    faults: list[str] = []
    shelf = JobShelf(store)
    jobs = {job.id: job for job in shelf.list()}
    for id, job in jobs.items():
        if id not in account.jobs:
            # It was sent and not answered; what it is about, it says itself.
            account.kept_unanswered += 1
            task = job.task
            which = -1
            if job.kind == "upload":
                sizes = [len(content) for content in CONTENTS]
                which = sizes.index(job.total) if job.total in sizes else 0
            account.jobs[id] = Taken(which, task.get("replaces") or task.get("repertoire"))
    for id, known in account.jobs.items():
        if known.done:
            continue
        if id not in jobs:
            faults.append(f"job {id} is lost")
            known.done = True
            continue
        job = jobs[id]
        if job.state in ("done", "failed"):
            end(account, id, job.state, job.result, job.attempts)
        elif known.which >= 0:
            files = [stream.read() for _, stream in shelf.files(id)]
            if files != [CONTENTS[known.which]]:
                faults.append(f"job {id}: what was uploaded is not there whole")
    return faults


def look_at_repertoires(store: Store, account: Account) -> list[str]:
    """Every repertoire that should be there is, whole, and no other one."""
    faults: list[str] = []
    shelf = RepertoireShelf(store)
    seen = {kept.id: kept for kept in shelf.list()}
    for id, book in account.books.items():
        if book.sent_delete and id not in seen:
            book.deleted = True
        book.sent_delete = False
        if book.deleted != (id not in seen):
            faults.append(f"repertoire {id}: it is {'there' if book.deleted else 'lost'}")
    for id, kept in seen.items():
        known = account.books.get(id)
        if known is None:
            faults.append(f"repertoire {id}: it comes from no job")
            continue
        if kept.version != known.version:
            faults.append(f"repertoire {id}: {kept.version} versions of {known.version} uploads")
        if [content for _, content in shelf.files(id)] != [CONTENTS[known.which]]:
            faults.append(f"repertoire {id}: its file is another one or there in part")
        content = shelf.content(id)
        if len(content.book) != NODES[known.which] or kept.nodes != NODES[known.which]:
            faults.append(f"repertoire {id}: nodes of another content")
    return faults


def look_for_leftovers(store: Store) -> list[str]:
    """Nothing belongs to nothing, and SQLite finds its file sound."""
    faults: list[str] = []
    with store.reading() as connection:
        for what, query in {
            "uploads": "FROM uploads WHERE id NOT IN (SELECT upload FROM repertoires)",
            "pieces": "FROM pieces WHERE upload NOT IN (SELECT id FROM uploads)",
            "files of jobs": "FROM job_pieces WHERE job NOT IN "
            "(SELECT id FROM jobs WHERE state IN ('waiting', 'running'))",
        }.items():
            count = connection.exec_driver_sql(f"SELECT COUNT(*) {query}").scalar()
            if count:
                faults.append(f"{count} {what} belong to nothing")
        if store.dialect == "sqlite":
            sound = connection.exec_driver_sql("PRAGMA integrity_check").scalar()
            if sound != "ok":
                faults.append(f"SQLite finds the file damaged: {sound}")
    return faults


def finish(url: str, home: str, account: Account) -> None:
    """Let one more service do what is left, and look once more."""
    service = Service(url, home)
    try:
        uploader = Uploader(service.port(), account, 0)
        ends = time.monotonic() + 120
        for id in [id for id, job in account.jobs.items() if not job.done]:
            uploader.follow(id)
            if time.monotonic() > ends:
                account.faults.append("at the end: the jobs do not come to an end")
                break
    finally:
        logged = service.kill()
    account.faults += [f"at the end: {fault}" for fault in logged + look(url, account)]
    lost = [id for id, job in account.jobs.items() if not job.done]
    account.faults += [f"at the end: job {id} is not done" for id in lost]


def campaign(url: str, home: str, kills: int, seed: int, *, show: bool = False) -> Account:
    """Kill as often as asked; the account of it."""
    draw = random.Random(seed)
    account = Account()
    for number in range(kills):
        one_kill(url, home, account, draw, seed * 1_000_000 + number)
        if show:
            print(f"\r{number + 1} of {kills}, {len(account.faults)} faults", end="", flush=True)
    finish(url, home, account)
    if show:
        print()
    return account


def told_account(account: Account, database: str, seed: int, seconds: float) -> str:
    starts = sorted(account.seconds_to_start) or [0.0]
    return json.dumps(
        {
            "database": database,
            "seed": seed,
            "kills": account.kills,
            "kills_while_starting": account.kills_while_starting,
            "kills_in_the_middle_of_a_write_or_job": account.in_the_middle,
            "acknowledged_writes": account.writes,
            "of_these_uploads": account.uploads,
            "jobs_begun_again": account.begun_again,
            "jobs_given_up": account.given_up,
            "unanswered_writes_that_were_kept_whole": account.kept_unanswered,
            "median_seconds_to_start": round(starts[len(starts) // 2], 2),
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
        home = stack.enter_context(tempfile.TemporaryDirectory(prefix="pawnlore-kills-"))
        if args.postgresql:
            from postgres_server import postgres_server

            url = stack.enter_context(postgres_server()).new_database()
        else:
            url = f"sqlite:///{home}/store.sqlite"
        begun = time.monotonic()
        account = campaign(url, home, args.kills, args.seed, show=True)
        seconds = time.monotonic() - begun
    database = "postgresql" if args.postgresql else "sqlite"
    text = told_account(account, database, args.seed, seconds)
    print(text)
    if args.write:
        RESULTS.mkdir(exist_ok=True)
        (RESULTS / f"kill_service_{database}.json").write_text(text + "\n", encoding="utf-8")
    return 1 if account.faults else 0


if __name__ == "__main__":
    sys.exit(main())
