"""``--taught``: commands judge as the pages of a service on the same store do."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import numpy as np
import pytest
from running_services import TestService, make_service

from pawnlore.models.classifier import shipped_classifier
from pawnlore.models.family_teaching import learn_family
from pawnlore.models.own_family import OwnFamily
from pawnlore.models.sampling import game_skeletons
from pawnlore.models.taught_classifier import taught_bytes, with_families
from pawnlore.models.teaching_reference import shipped_reference
from pawnlore.service.cli import main
from pawnlore.service.store.family_shelf import FamilyShelf
from pawnlore.service.store.label_shelf import LabelShelf
from pawnlore.service.store.model_shelf import ModelShelf
from pawnlore.service.store.schema import ModelVersionRow
from pawnlore.structures.position_check import skeleton_of_line
from pawnlore.structures.skeleton import (
    Skeleton,
    mirror_batch,
    pack,
    placement,
    skeletons_from_fens,
)

# Both sides have doubled the e-pawns: no shipped family speaks of it.
PILLARS = (
    "8/ppp2ppp/4p3/4p3/4P3/4P3/PPP2PPP/8",
    "8/1pp2ppp/4p3/4p3/4P3/4P3/PPP2PP1/8",
    "8/p1p2ppp/4p3/4p3/4P3/4P3/PPP2PPP/8",
)
LABELLED = "8/pp3ppp/2p1p3/8/3P4/4P3/PP3PPP/8"
PGN = (
    "1. e4 e5 2. Bc4 Bc5 3. d3 d6 4. Be3 Bxe3 5. fxe3 Be6 6. Bxe6 fxe6 7. d4 d5 8. dxe5 dxe4 "
    "9. Nd2 Nd7 10. Nxe4 Nxe5 *\n"
)


@pytest.fixture(scope="module")
def content() -> bytes:
    masks = skeletons_from_fens(PILLARS)
    nothing = np.empty((0, 2), dtype=np.uint64)
    family = OwnFamily("own/pillars", "Pillars", masks, np.zeros(3, dtype=np.int8), nothing)
    learnt = learn_family(family, shipped_reference())
    return taught_bytes(with_families(shipped_classifier(), (learnt,)))


@pytest.fixture
def service(tmp_path: Path, content: bytes, monkeypatch: pytest.MonkeyPatch) -> TestService:
    """A service in whose store a version was accepted, and one label given."""
    made = make_service(tmp_path)
    number = ModelShelf(made.store).add(content, base="", taught_from={}, figures={}).number
    ModelShelf(made.store).choose(number)
    FamilyShelf(made.store).add("own/pillars", "The two pillars")
    LabelShelf(made.store).put(skeleton_of_line(LABELLED), "own/quiet", "black", fen=LABELLED)
    monkeypatch.setenv("PAWNLORE_DATABASE", made.settings.database)
    return made


def lines(tmp_path: Path) -> Path:
    """Positions of games, the ones that were taught, and the mirror of the labelled one."""
    some = game_skeletons().masks[::900]
    mirrored = mirror_batch(pack([skeleton_of_line(LABELLED)]))
    masks = np.concatenate([some, skeletons_from_fens(PILLARS), mirrored])
    fens = [placement(Skeleton(*map(int, row))) for row in masks]
    path = tmp_path / "positions.fen"
    path.write_text("".join(f"{fen} w - - 0 1\n" for fen in [*fens, LABELLED]))
    return path


def test_a_command_says_what_the_service_says(
    service: TestService, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = lines(tmp_path)
    assert main(["classify", "--taught", "--format", "jsonl", str(path)]) == 0
    told = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    client = service.client()
    assert len(told) > 30
    for row in told:
        found = client.get("/api/classify", query_string={"fen": row["fen"]}).json
        assert found is not None
        assert (row["structure"], row["holder"]) == (found["structure"], found["holder"])
        assert row["probability"] == pytest.approx(found["probability"], abs=1e-4)
        assert row.get("second", "unsettled") == found["second"]
    assert [row["structure"] for row in told[-5:]] == ["own/pillars"] * 3 + ["own/quiet"] * 2
    assert [row["holder"] for row in told[-2:]] == ["white", "black"], (
        "a label is of its mirror too"
    )
    assert main(["classify", "--format", "jsonl", str(path)]) == 0
    assert "own/" not in capsys.readouterr().out


def test_names_and_who_decided_are_told(
    service: TestService, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = lines(tmp_path)
    assert main(["classify", "--taught", str(path)]) == 0
    assert "The two pillars" in capsys.readouterr().out
    assert main(["classify", "--taught", "--explain", str(path)]) == 0
    told = capsys.readouterr().out
    assert told.count("your label decides") == 2
    assert "own/quiet, Black's: your label decides" in told


def test_a_repertoire_is_tagged_as_the_service_tags_it(
    service: TestService, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "course.pgn"
    path.write_text(PGN)
    assert main(["tag", "--format", "csv", "--taught", str(path)]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    assert "own/pillars" in {row["structure"] for row in rows[-5:]}
    for command in ("groups", "split", "owed", "booklet"):
        extra = ["-o", str(tmp_path / f"{command}.out")] if command in ("split", "booklet") else []
        assert main([command, "--taught", *extra, str(path)]) in (0, 1), command
    fen = f"{PILLARS[0]} w - - 0 1"
    for command in ("breaks", "similar"):
        assert main([command, "--taught", fen, str(path)]) == 0
        assert "The two pillars" in capsys.readouterr().out


def test_a_version_that_was_changed_is_left_aside_and_told(
    service: TestService, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with service.store.writing() as connection:
        connection.execute(ModelVersionRow.__table__.update().values(content=b"PK" + bytes(90)))
    assert main(["classify", "--taught", "--format", "csv", str(lines(tmp_path))]) == 0
    out = capsys.readouterr()
    assert "version 1 cannot be used" in out.err and "left aside" in out.err
    assert "own/pillars" not in out.out and "own/quiet" in out.out, "labels hold all the same"


def test_where_nothing_was_taught_that_is_told(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("PAWNLORE_DATABASE", raising=False)
    url = f"sqlite:///{tmp_path / 'empty.sqlite'}"
    path = str(lines(tmp_path))
    assert main(["classify", "--taught", "--database", url, path]) == 0
    assert "nothing was taught in this store" in capsys.readouterr().err
    assert main(["classify", "--database", url, path]) == 2
    assert "--database goes with --taught" in capsys.readouterr().err
    assert main(["tag", "--taught", "--database", "nonsense://x", path]) == 2
