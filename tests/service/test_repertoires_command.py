"""``pawnlore repertoires``: the store's repertoires from a terminal, beside a running service."""

from __future__ import annotations

import csv
import http.client
import io
import json
import sys
import time
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "campaigns"))

from kill_service import Service

from pawnlore.models.classifier import shipped_classifier
from pawnlore.service.cli import main
from pawnlore.service.store.repertoire_shelf import RepertoireShelf
from pawnlore.service.store.store import Store, open_store
from pawnlore.structures.distinct_verdicts import distinct_verdicts
from pawnlore.structures.verdict import NONE

FIRST = (
    '[Event "Exchange"]\r\n\r\n'
    "1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 c6 6. e3 Be7 7. Bd3 {caf\u00e9} *\r\n"
).encode("latin-1")
# The last two moves are gone, and three others are new.
SECOND = (
    b'[Event "Exchange"]\n\n'
    b"1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 c6 6. e3 Bd6 7. Bd3 O-O *\n"
)


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("PAWNLORE_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("PAWNLORE_DATABASE", raising=False)
    (tmp_path / "first.pgn").write_bytes(FIRST)
    (tmp_path / "second.pgn").write_bytes(SECOND)
    return tmp_path


class Terminal:
    """Runs the command; keeps what it said."""

    def __init__(self, capture: pytest.CaptureFixture[bytes]) -> None:
        self._capture = capture
        self.raw, self.told = b"", ""

    def __call__(self, *arguments: str | Path, status: int = 0) -> str:
        ended = main(["repertoires", *map(str, arguments)])
        self.raw, told = self._capture.readouterr()
        self.told = told.decode()
        assert ended == status, self.told
        assert "Traceback" not in self.told
        return self.raw.decode("latin-1").strip()


@pytest.fixture
def terminal(capfdbinary: pytest.CaptureFixture[bytes]) -> Terminal:
    return Terminal(capfdbinary)


def opened(home: Path) -> Store:
    return open_store(f"sqlite:///{home / 'home' / 'pawnlore.sqlite'}")


def test_add_twice_gives_two_repertoires(home: Path, terminal: Terminal) -> None:
    ids = [terminal("add", home / "first.pgn") for _ in range(2)]
    ids.append(terminal("add", home / "first.pgn", "--name", "Mine", "--side", "white"))
    assert "Mine: 1 games, 14 nodes" in terminal.told
    rows = list(csv.DictReader(io.StringIO(terminal("list", "--format", "csv"))))
    assert [row["id"] for row in rows] == ids and len(set(ids)) == 3
    assert [row["name"] for row in rows] == ["first", "first", "Mine"]
    assert [row["side"] for row in rows] == ["", "", "white"]
    assert {row["model_in_use"] for row in rows} == {"True"}
    lines = [json.loads(line) for line in terminal("list", "--format", "jsonl").splitlines()]
    assert [line["id"] for line in lines] == ids and {line["nodes"] for line in lines} == {14}
    assert "Mine" in terminal("list").splitlines()[2] and "3 repertoires" in terminal.told


def test_update_tells_what_was_added_gone_and_moved(home: Path, terminal: Terminal) -> None:
    store = opened(home)
    shelf, used = RepertoireShelf(store), shipped_classifier()
    id = terminal("add", home / "first.pgn", "--name", "Mine", "--side", "white")
    content = shelf.content(id)
    # The verdicts of the tool are those of the classifier on the same nodes.
    again = distinct_verdicts(content.book, used.classify)
    assert (content.distinct.verdicts.family == again.verdicts.family).all()
    assert content.model == used.digest
    # As if another model had called every node unsettled.
    settled = [again.every_node().structure(node) != "unsettled" for node in range(14)]
    again.verdicts.family[:] = NONE
    again.verdicts.holder[:] = 0
    shelf.put("", [("first.pgn", FIRST)], content.book, again, model="old", id=id)
    # Nodes 12 and 13 are the two moves that are gone.
    moved = sum(settled[:12])
    assert moved > 0
    assert terminal("update", id, home / "second.pgn") == f"3 added, 2 gone, {moved} moved"
    assert "Mine is at version 3" in terminal.told
    kept = shelf.get(id)
    assert (kept.name, kept.side, kept.version, kept.model) == ("Mine", "white", 3, used.digest)
    rows = list(csv.DictReader(io.StringIO(terminal("changes", id, "--format", "csv"))))
    whats = [row["what"] for row in rows]
    assert whats == ["added"] * 3 + ["gone"] * 2 + ["moved"] * moved
    assert rows[0]["moves"].endswith("e3 Bd6") and rows[3]["moves"].endswith("e3 Be7")
    assert {row["structure_before"] for row in rows[5:]} == {"unsettled"}
    assert f"3 added, 2 gone, {moved} moved" in terminal.told
    assert "unsettled (both) is now " in terminal("changes", id, "--of", "upload")
    assert terminal("changes", id, "--of", "judging", "--format", "jsonl") == ""
    store.close()


def test_the_files_come_back_byte_for_byte(home: Path, terminal: Terminal) -> None:
    id = terminal("add", home / "first.pgn", home / "second.pgn")
    assert terminal("pgn", id, status=2) == "" and "1 first.pgn, 2 second.pgn" in terminal.told
    assert terminal("pgn", id, "--file", "3", status=2) == ""
    terminal("pgn", id, "--file", "1")
    assert terminal.raw == FIRST
    out = home / "out.pgn"
    out.write_bytes(b"what was there")
    terminal("pgn", id, "--file", "2", "-o", out)
    assert out.read_bytes() == SECOND
    terminal("pgn", id, "--file", "2", "-o", home / "none" / "out.pgn", status=2)
    assert sorted(path.name for path in home.iterdir()) == [
        "first.pgn",
        "home",
        "out.pgn",
        "second.pgn",
    ]
    shown = json.loads(terminal("show", id, "--format", "json"))
    assert shown["files"] == ["first.pgn", "second.pgn"] and shown["games"] == 2
    assert "file 2        second.pgn" in terminal("show", id)


def test_rename_and_delete(home: Path, terminal: Terminal) -> None:
    id = terminal("add", home / "first.pgn")
    store = opened(home)
    shelf = RepertoireShelf(store)
    terminal("rename", id, "Caf\u00e9", "--side", "black")
    assert (shelf.get(id).name, shelf.get(id).side) == ("Caf\u00e9", "black")
    terminal("rename", id, "--side", "inferred")
    assert (shelf.get(id).name, shelf.get(id).side) == ("Caf\u00e9", "")
    terminal("rename", id, status=2)
    assert "NAME" in terminal.told
    terminal("rename", id, "two\nlines", status=2)
    terminal("delete", id)
    for action in ("show", "pgn", "changes", "delete"):
        assert terminal(action, id, status=2) == ""
        assert "there is no such repertoire" in terminal.told
    terminal("update", id, home / "first.pgn", status=2)
    assert shelf.list() == []
    store.close()


def test_bad_pgn_is_named_and_costs_no_other(home: Path, terminal: Terminal) -> None:
    (home / "bad.pgn").write_bytes(FIRST + b'\n[Event "Bad"]\n\n1. e4 Qxh7 *\n')
    id = terminal("add", home / "bad.pgn", status=1)
    assert "bad.pgn, game 2, line 7, move 1" in terminal.told
    # What holds nothing changes nothing.
    (home / "empty.pgn").write_bytes(b"")
    for name in ("empty.pgn", "missing.pgn", "home"):
        for arguments in (["add"], ["update", id]):
            assert terminal(*arguments, home / name, status=2) == ""
            assert name in terminal.told and "nothing was kept" in terminal.told
    # One that is missing among others would take its lines out of the repertoire.
    terminal("update", id, home / "first.pgn", home / "missing.pgn", status=2)
    assert json.loads(terminal("show", id, "--format", "json"))["version"] == 1
    assert len(terminal("list").splitlines()) == 1


@pytest.mark.parametrize(
    "rubbish",
    [
        b'rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR w KQkq - id "no game";\n',
        b"Dear students,\n\nthe files follow on Friday.\n",
        b"\x89PNG\r\n\x1a\n" + bytes(range(256)),
    ],
    ids=["epd", "letter", "picture"],
)
def test_what_is_no_pgn_takes_no_repertoires_place(
    home: Path, terminal: Terminal, rubbish: bytes
) -> None:
    known = terminal("add", home / "first.pgn")
    (home / "rubbish.pgn").write_bytes(rubbish)
    terminal("update", known, home / "rubbish.pgn", status=2)
    assert "that can be read" in terminal.told
    terminal("pgn", known)
    assert terminal.raw == FIRST


def test_positions_without_moves_are_kept(home: Path, terminal: Terminal) -> None:
    (home / "bare.pgn").write_bytes(
        b'[Event "To study"]\n[SetUp "1"]\n'
        b'[FEN "4k3/pp3ppp/4p3/8/3P4/8/PP3PPP/4K3 w - - 0 1"]\n\n*\n'
    )
    terminal("add", home / "bare.pgn")
    assert "1 games, 1 nodes" in terminal.told


def test_the_limits_are_those_of_the_service(
    home: Path, terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    from pawnlore.service import settings

    small = settings.ServiceLimits(pgn_bytes=len(FIRST) + len(SECOND), nodes=10)
    monkeypatch.setattr(settings, "ServiceLimits", lambda: small)
    id = terminal("add", home / "first.pgn", home / "second.pgn", status=1)
    assert json.loads(terminal("show", id, "--format", "json"))["nodes"] == 10
    first = home / "first.pgn"
    terminal("add", first, home / "second.pgn", first, status=2)
    assert "MiB" in terminal.told
    terminal("add", *[first] * 101, status=2)
    assert "100 files" in terminal.told
    terminal("add", "-", "-", status=2)
    # Nothing is left of what was taken in.
    assert not list((home / "home").glob("upload-*"))


def test_standard_input_is_a_file(
    home: Path, terminal: Terminal, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(io.BytesIO(FIRST)))
    id = terminal("add", "-")
    terminal("pgn", id)
    assert terminal.raw == FIRST


@pytest.mark.slow
def test_an_accepted_version_judges_here_as_in_the_service(
    home: Path, terminal: Terminal, capfdbinary: pytest.CaptureFixture[bytes]
) -> None:
    fens = [
        "8/pp2pp1p/3p2p1/8/P1P1P3/8/1P3PPP/8",
        "8/pp2p2p/3p1pp1/8/P1P1P3/1P6/5PPP/8",
        "8/1p2pp1p/p2p2p1/8/P1P1P3/8/1P3PPP/8",
    ]
    assert main(["teach", "add-family", "own/clamp", "--name", "bind with a4"]) == 0
    assert main(["teach", "example", "own/clamp", *fens, "--holder", "white"]) == 0
    assert main(["teach", "retrain"]) == 0
    assert main(["teach", "accept", "1"]) == 0
    # Looking a position up has it as well.
    fen = "8/pp2pp1p/3p2p1/8/P1P1P3/1P6/5PPP/8"
    capfdbinary.readouterr()
    assert main(["plans", fen, "--format", "json"]) == 0
    assert json.loads(capfdbinary.readouterr().out)["verdict"]["second"] == "own/clamp"
    shipped = str(files("pawnlore.models") / "shipped" / "classifier.npz")
    assert main(["plans", fen, "--format", "json", "--model", shipped]) == 0
    assert json.loads(capfdbinary.readouterr().out)["verdict"]["second"] != "own/clamp"
    id = terminal("add", home / "first.pgn")
    store = opened(home)
    assert RepertoireShelf(store).get(id).model != shipped_classifier().digest
    store.close()
    assert json.loads(terminal("show", id, "--format", "json"))["model_in_use"] is True
    # The command that judges anew has the same model, so there is nothing to do.
    assert main(["judge"]) == 0
    terminal("list")
    assert json.loads(terminal("show", id, "--format", "json"))["judged"] is None


def asked(port: int, method: str, path: str, body: bytes = b"") -> Any:
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    kind = {"Content-Type": "application/vnd.chess-pgn"} if body else {}
    connection.request(method, path, body or None, kind)
    answer = connection.getresponse()
    content = answer.read()
    connection.close()
    return answer.status, content


@pytest.mark.slow
def test_beside_a_running_service(home: Path, terminal: Terminal) -> None:
    (home / "home").mkdir()
    service = Service(f"sqlite:///{home / 'home' / 'pawnlore.sqlite'}", str(home / "home"))
    try:
        port = service.port()
        id = terminal("add", home / "first.pgn", "--name", "Mine")
        assert asked(port, "GET", f"/api/repertoires/{id}/pgn") == (200, FIRST)
        groups = json.loads(asked(port, "GET", f"/api/repertoires/{id}/groups")[1])
        assert [group["structure"] for group in groups["items"]] == ["carlsbad"]
        page = asked(port, "GET", f"/repertoires/{id}")
        assert page[0] == 200 and b"Mine" in page[1]
        # What the service takes in has the same verdicts.
        status, begun = asked(port, "POST", "/api/repertoires?name=Theirs&file=first.pgn", FIRST)
        job = json.loads(begun)["job"]
        ends = time.monotonic() + 60
        while job["state"] in ("waiting", "running"):
            assert time.monotonic() < ends
            time.sleep(0.02)
            job = json.loads(asked(port, "GET", f"/api/jobs/{job['id']}")[1])
        other = job["result"]["repertoire"]
        tables = [
            asked(port, "GET", f"/api/repertoires/{one}/nodes?format=csv")[1] for one in (id, other)
        ]
        assert status == 202 and tables[0] == tables[1] and b"carlsbad" in tables[0]
        assert [line.split()[0] for line in terminal("list").splitlines()] == [id, other]
        # What the command changes is seen at the next request, also in what is kept in memory.
        assert terminal("update", id, home / "second.pgn").startswith("3 added, 2 gone")
        now = asked(port, "GET", f"/api/repertoires/{id}/nodes?format=csv")[1]
        assert now != tables[0] and len(now.splitlines()) == len(tables[0].splitlines()) + 1
        changes = json.loads(asked(port, "GET", f"/api/repertoires/{id}/changes")[1])["items"]
        rows = [
            json.loads(row) for row in terminal("changes", id, "--format", "jsonl").splitlines()
        ]
        assert rows == changes and len(rows) == 5
        terminal("delete", id)
        assert asked(port, "GET", f"/api/repertoires/{id}")[0] == 404
    finally:
        service.kill()
