"""Notes, labels and repertoires through sequences of changes, against a model of what must hold.

Two authors work at once: one always sends the newest ETag, the other an older
one. Whatever they do, what is read is what was last acknowledged, and of two
texts for one note both are kept.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from described_api import NUMBERS, PGN, Author, bare_pawns, json_of, note, served
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    consumes,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

BODIES = st.sampled_from(["One.", "Two *words*.", "É ü 🙂", "Three\r\nlines\r\n", "x" * 3_000]).map(
    lambda text: f"{text}\n"
)
STRUCTURES = st.sampled_from(["carlsbad", "own/x", "hedgehog"])
GAMES = {
    "one": b"1. d4 d5 2. c4 e6 3. Nc3 Nf6 *\n",
    "two": b"1. d4 d5 2. c4 c6 3. cxd5 cxd5 4. Nc3 *\n\n1. d4 Nf6 2. c4 e6 *\n",
    "bad move": b"1. d4 d5 2. Qxh7 e6 *\n",
}
NO_GAME = b"no game at all"


@dataclass
class KnownNote:
    """What must be there of one note."""

    texts: list[str]
    published: bool = True
    deleted: bool = False
    aside: list[str] = field(default_factory=list)


class Sequences(RuleBasedStateMachine):
    """The rules; `author` is put in by the test, one for all runs."""

    author: Author

    notes = Bundle("notes")
    labels = Bundle("labels")
    repertoires = Bundle("repertoires")

    def __init__(self) -> None:
        super().__init__()
        self.known: dict[str, KnownNote] = {}
        self.labelled: dict[str, dict[str, Any]] = {}
        self.uploaded: dict[str, dict[str, Any]] = {}

    def ask(self, method: str, path: str, status: int, **more: Any) -> Any:
        return self.author.send(method, path, status, **more)

    # Notes -----------------------------------------------------------------

    @rule(target=notes, body=BODIES, published=st.booleans(), structure=STRUCTURES)
    def create_note(self, body: str, published: bool, structure: str) -> str:
        text = note(body=body, structure=structure)
        answer = self.ask("POST", "/api/notes", 201, json={"text": text, "published": published})
        found = json_of(answer)
        assert answer.headers["ETag"] == '"r1"' and found["text"] == text
        self.known[found["id"]] = KnownNote([text], published)
        return str(found["id"])

    @rule(id=notes, body=BODIES)
    def change_note(self, id: str, body: str) -> None:
        known, text = self.known[id], note("Changed", body)
        tag = {"If-Match": f'"r{len(known.texts)}"'}
        if known.deleted:
            self.ask("PUT", f"/api/notes/{id}", 404, json={"text": text}, headers=tag)
            return
        answer = self.ask("PUT", f"/api/notes/{id}", 200, json={"text": text}, headers=tag)
        known.texts.append(text)
        assert answer.headers["ETag"] == f'"r{len(known.texts)}"'

    @precondition(lambda self: any(len(one.texts) > 1 for one in self.known.values()))
    @rule(id=notes, body=BODIES, data=st.data())
    def change_note_too_late(self, id: str, body: str, data: st.DataObject) -> None:
        known, text = self.known[id], note("Too late", body)
        if known.deleted or len(known.texts) < 2:
            return
        old = data.draw(st.integers(1, len(known.texts) - 1))
        tag = {"If-Match": f'"r{old}"'}
        answer = self.ask("PUT", f"/api/notes/{id}", 412, json={"text": text}, headers=tag)
        found = json_of(answer)
        # Both texts are in the answer, and stay with the note.
        assert found["yours"] == text and found["theirs"]["text"] == known.texts[-1]
        assert answer.headers["ETag"] == f'"r{len(known.texts)}"'
        if text not in known.aside:
            known.aside.append(text)

    @rule(id=notes)
    def delete_note(self, id: str) -> None:
        known = self.known[id]
        tag = {"If-Match": f'"r{len(known.texts)}"'}
        self.ask("DELETE", f"/api/notes/{id}", 404 if known.deleted else 200, headers=tag)
        if not known.deleted:
            known.texts.append(known.texts[-1])
            known.deleted = True

    @rule(id=notes, data=st.data())
    def restore_note(self, id: str, data: st.DataObject) -> None:
        known = self.known[id]
        revision = data.draw(st.integers(1, len(known.texts)))
        tag = {"If-Match": f'"r{len(known.texts)}"'}
        path = f"/api/notes/{id}/restore"
        found = json_of(self.ask("POST", path, 200, json={"revision": revision}, headers=tag))
        known.texts.append(known.texts[revision - 1])
        known.deleted = False
        known.published = found["published"]
        assert found["text"] == known.texts[-1] and found["revision"] == len(known.texts)

    @rule(id=notes)
    def read_note(self, id: str) -> None:
        known = self.known[id]
        if known.deleted:
            self.ask("GET", f"/api/notes/{id}", 404)
        else:
            answer = self.ask("GET", f"/api/notes/{id}", 200)
            found = json_of(answer)
            assert (found["text"], found["published"]) == (known.texts[-1], known.published)
            tag = {"If-None-Match": answer.headers["ETag"]}
            self.ask("GET", f"/api/notes/{id}", 304, headers=tag)
        rows = json_of(self.ask("GET", f"/api/notes/{id}/revisions", 200))["items"]
        assert [row["text"] for row in rows] == known.texts
        aside = json_of(self.ask("GET", f"/api/notes/{id}/set-aside", 200))["items"]
        assert [row["text"] for row in aside] == known.aside

    # Labels ----------------------------------------------------------------

    @rule(target=labels, structure=STRUCTURES, holder=st.sampled_from(["white", "black", "both"]))
    def create_label(self, structure: str, holder: str) -> str:
        fen = bare_pawns(next(NUMBERS))
        value = {"structure": structure, "holder": holder, "reason": "why"}
        answer = self.ask("POST", "/api/labels", 201, json={"fen": fen, **value})
        found = json_of(answer)
        self.labelled[found["id"]] = {**value, "fen": fen, "revision": 1}
        again = self.ask("POST", "/api/labels", 409, json={"fen": fen, **value})
        assert again.headers["Location"] == f"/api/labels/{found['id']}"
        return str(found["id"])

    @rule(id=labels, structure=STRUCTURES, holder=st.sampled_from(["white", "black", "both"]))
    def change_label(self, id: str, structure: str, holder: str) -> None:
        known = self.labelled[id]
        value = {"structure": structure, "holder": holder, "reason": "other"}
        tag = {"If-Match": f'"r{known["revision"]}"'}
        self.ask("PUT", f"/api/labels/{id}", 200, json=value, headers=tag)
        known.update(value, revision=known["revision"] + 1)
        late = {"structure": "own/late", "holder": "both"}
        answer = self.ask("PUT", f"/api/labels/{id}", 412, json=late, headers=tag)
        current = json_of(answer)["current"]
        assert {name: current[name] for name in known} == known

    @rule(id=consumes(labels))
    def delete_label(self, id: str) -> None:
        known = self.labelled.pop(id)
        old = {"If-Match": f'"r{known["revision"] + 1}"'}
        self.ask("DELETE", f"/api/labels/{id}", 412, headers=old)
        tag = {"If-Match": f'"r{known["revision"]}"'}
        self.ask("DELETE", f"/api/labels/{id}", 204, headers=tag)
        self.ask("GET", f"/api/labels/{id}", 404)
        self.ask("DELETE", f"/api/labels/{id}", 404, headers=tag)

    @invariant()
    def labels_are_as_they_were_left(self) -> None:
        for id, known in self.labelled.items():
            found = json_of(self.ask("GET", f"/api/labels/{id}", 200))
            assert {name: found[name] for name in known} == known

    # Repertoires -----------------------------------------------------------

    @rule(target=repertoires, game=st.sampled_from(sorted(GAMES)), name=st.sampled_from(["A", "é"]))
    def upload(self, game: str, name: str) -> Any:
        sent = {"data": GAMES[game], "content_type": PGN, "query_string": {"name": name}}
        job = self.author.ended(self.ask("POST", "/api/repertoires", 202, **sent))
        assert job["state"] == "done", job
        id = job["result"]["repertoire"]
        self.uploaded[id] = {"name": name, "version": 1, "raw": GAMES[game]}
        return id

    @rule(id=repertoires, game=st.sampled_from(sorted(GAMES)))
    def upload_again(self, id: str, game: str) -> None:
        sent = {"data": GAMES[game], "content_type": PGN}
        job = self.author.ended(self.ask("PUT", f"/api/repertoires/{id}/pgn", 202, **sent))
        assert job["state"] == "done" and job["result"]["repertoire"] == id
        known = self.uploaded[id]
        known.update(version=known["version"] + 1, raw=GAMES[game])
        rows = json_of(self.ask("GET", f"/api/repertoires/{id}/changes?limit=1000", 200))
        result = job["result"]
        assert rows["total"] == result["added"] + result["gone"] + result["moved"]

    @rule(id=repertoires)
    def upload_what_is_no_game(self, id: str) -> None:
        sent = {"data": NO_GAME, "content_type": PGN}
        job = self.author.ended(self.ask("PUT", f"/api/repertoires/{id}/pgn", 202, **sent))
        assert job["state"] == "failed" and job["message"]

    @rule(id=repertoires, name=st.sampled_from(["B", "Ñ"]))
    def rename(self, id: str, name: str) -> None:
        self.ask("PATCH", f"/api/repertoires/{id}", 200, json={"name": name})
        self.uploaded[id]["name"] = name

    @rule(id=consumes(repertoires))
    def delete_repertoire(self, id: str) -> None:
        del self.uploaded[id]
        self.ask("DELETE", f"/api/repertoires/{id}", 204)
        for part in ("", "/pgn", "/lines", "/changes"):
            self.ask("GET", f"/api/repertoires/{id}{part}", 404)
        self.ask("DELETE", f"/api/repertoires/{id}", 404)

    @invariant()
    def repertoires_are_as_they_were_left(self) -> None:
        for id, known in self.uploaded.items():
            found = json_of(self.ask("GET", f"/api/repertoires/{id}", 200))
            assert (found["name"], found["version"]) == (known["name"], known["version"])
            assert self.ask("GET", f"/api/repertoires/{id}/pgn", 200).get_data() == known["raw"]

    def teardown(self) -> None:
        for id in self.known:
            self.read_note_once(id)

    def read_note_once(self, id: str) -> None:
        """What was acknowledged is there at the end, deleted or not."""
        rows = json_of(self.author.send("GET", f"/api/notes/{id}/revisions", 200))["items"]
        assert [row["text"] for row in rows] == self.known[id].texts


@pytest.mark.slow
def test_sequences_of_changes(tmp_path: Path, database: str) -> None:
    with ExitStack() as stack:
        service = stack.enter_context(served(tmp_path, database=database))
        made: Callable[[], RuleBasedStateMachine] = type(
            "Bound", (Sequences,), {"author": Author(service)}
        )
        run_state_machine_as_test(
            made,
            settings=settings(
                max_examples=10 if database.startswith("sqlite") else 4,
                stateful_step_count=20,
                deadline=None,
                derandomize=True,
                suppress_health_check=list(HealthCheck),
            ),
        )
