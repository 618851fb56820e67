"""``pawnlore judge``: stored repertoires judged anew, and what moved."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np
import pytest
from repertoires import by_cores, demo, read

from pawnlore.models.classifier import shipped_classifier
from pawnlore.service.cli import main
from pawnlore.service.rejudging import rejudge
from pawnlore.service.store.errors import NotFound
from pawnlore.service.store.repertoire_shelf import Changes, RepertoireShelf
from pawnlore.service.store.store import Store, open_store
from pawnlore.structures.distinct_verdicts import distinct_verdicts
from pawnlore.structures.skeleton import Masks
from pawnlore.structures.verdict import NONE, Verdicts

ONE = '[Event "Exchange"]\n\n1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5 5. Bg5 c6 6. e3 Be7 *\n'


@pytest.fixture
def store(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Store:
    monkeypatch.setenv("PAWNLORE_HOME", str(tmp_path))
    monkeypatch.delenv("PAWNLORE_DATABASE", raising=False)
    return open_store(f"sqlite:///{tmp_path / 'pawnlore.sqlite'}")


def unsettled(masks: Masks) -> Verdicts:
    found = by_cores(masks)
    found.family[:] = NONE
    found.holder[:] = 0
    return found


def test_what_another_model_judged_is_judged_anew(
    store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    shelf = RepertoireShelf(store)
    book = read(ONE)
    old, _ = shelf.put(
        "Old", [("a.pgn", ONE.encode())], book, distinct_verdicts(book, unsettled), model="old"
    )
    used = shipped_classifier()
    judged = distinct_verdicts(book, used.classify)
    new, _ = shelf.put("New", [("b.pgn", ONE.encode())], book, judged, model=used.digest)
    assert main(["judge", "--list"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert ["another model" in line for line in lines] == [True, False]
    assert main(["judge", "--format", "csv"]) == 0
    told = capsys.readouterr()
    rows = list(csv.DictReader(io.StringIO(told.out)))
    settled = [judged.every_node().structure(node) for node in range(len(book))]
    moved = [structure for structure in settled if structure != "unsettled"]
    assert [row["structure"] for row in rows] == moved and moved
    assert {row["structure_before"] for row in rows} == {"unsettled"}
    assert {row["repertoire"] for row in rows} == {old.id}
    assert f"{len(moved)} moved" in told.err and "New" not in told.err
    assert shelf.get(old.id).model == used.digest and shelf.get(new.id).judged is None
    kept = shelf.content(old.id)
    assert (kept.distinct.verdicts.family == judged.verdicts.family).all()
    assert main(["judge"]) == 0 and "nothing to do" in capsys.readouterr().err
    # One that is named is judged in any case.
    assert main(["judge", new.id, "none"]) == 1
    told = capsys.readouterr()
    assert "0 moved" in told.err and "none: there is no such repertoire" in told.err
    assert main(["judge", "--model", "nowhere.npz"]) == 2
    store.close()


def test_progress_is_told_and_can_end_it(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pawnlore.service.rejudging._AT_ONCE", 7)
    shelf, book = RepertoireShelf(store), demo()
    kept, _ = shelf.put(
        "Demo", [("a.pgn", b"")], book, distinct_verdicts(book, unsettled), model="old"
    )
    seen: list[tuple[int, int]] = []

    class Cores:
        digest = "cores"
        classify = staticmethod(by_cores)

    def give_up(done: int, total: int) -> None:
        if done > 20:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        rejudge(store, Cores(), kept.id, give_up)
    assert shelf.get(kept.id) == kept and shelf.changes(kept.id) == Changes()
    done = rejudge(store, Cores(), kept.id, lambda *step: seen.append(step))
    whole = distinct_verdicts(book, by_cores)
    assert seen[0] == (0, len(whole.masks)) and seen[-1] == (len(whole.masks),) * 2
    assert len(seen) > 3 and done.skeletons == len(whole.masks)
    found = shelf.content(kept.id).distinct.verdicts
    assert found.names == whole.verdicts.names
    assert (found.family == whole.verdicts.family).all()
    assert np.array_equal(found.probability, whole.verdicts.probability)
    with pytest.raises(NotFound):
        rejudge(store, Cores(), "none")
    store.close()


def test_a_repertoire_without_nodes(store: Store) -> None:
    shelf, book = RepertoireShelf(store), read("")
    kept, _ = shelf.put(
        "Empty", [("a.pgn", b"")], book, distinct_verdicts(book, by_cores), model=""
    )
    assert rejudge(store, shipped_classifier(), kept.id).changes == Changes()
    store.close()
