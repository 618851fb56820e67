"""Teaching through crashes, two authors at once and files of others; on both databases."""

from __future__ import annotations

import http.client
import io
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pawnlore.models.classifier import shipped_classifier
from pawnlore.models.label_sets import shipped_label_sets
from pawnlore.models.taught_classifier import taught_bytes, with_families
from pawnlore.service.model_in_use import ModelInUse
from pawnlore.service.store.family_shelf import FamilyShelf, GivenExample
from pawnlore.service.store.job_shelf import JobShelf
from pawnlore.service.store.label_shelf import GivenLabel, LabelShelf
from pawnlore.service.store.model_shelf import ModelShelf
from pawnlore.service.store.schema import ModelVersionRow
from pawnlore.service.store.store import Store, open_store
from pawnlore.service.taught_at_hand import classifier_with_labels
from pawnlore.service.teaching_desk import TeachingDesk, UnusableModel
from pawnlore.structures.position_check import skeleton_of_line
from pawnlore.structures.verdict import HOLDERS

# The bind with the a-pawn on a4, from common practice; no source.
CLAMP = (
    "8/pp2pp1p/3p2p1/8/P1P1P3/8/1P3PPP/8",
    "8/pp2p2p/3p1pp1/8/P1P1P3/1P6/5PPP/8",
    "8/1p2pp1p/p2p2p1/8/P1P1P3/8/1P3PPP/8",
    "8/pp1ppp1p/6p1/8/P1P1P3/5P2/1P4PP/8",
)
RUN = (sys.executable, "-c", "from pawnlore.service.cli import main; raise SystemExit(main())")
LONG = 120.0  # seconds for a step on a busy machine


def taught_clamp(store: Store) -> None:
    FamilyShelf(store).add("own/clamp", "Clamp", parent="maroczy-bind")
    given = [GivenExample(skeleton_of_line(fen), "white", fen) for fen in CLAMP]
    FamilyShelf(store).put_examples("own/clamp", given, author="Ada")


def rated(count: int, start: int = 0) -> list[GivenLabel]:
    """Labels that raters gave to positions of games."""
    base = shipped_classifier()
    given = shipped_label_sets(base.catalogue).calibration
    rows = range(start, len(given), len(given) // count)
    return [
        GivenLabel(
            (int(given.masks[row, 0]), int(given.masks[row, 1])),
            "unsettled" if given.family[row] < 0 else base.catalogue.ids[given.family[row]],
            HOLDERS[given.holder[row]],
            author="Ada",
        )
        for row in rows
    ][:count]


def everything(store: Store) -> list[Any]:
    return [
        LabelShelf(store).list(),
        FamilyShelf(store).list(),
        ModelShelf(store).list(),
        ModelShelf(store).choices(),
    ]


def begun(words: list[str], url: str, log: Path) -> subprocess.Popen[bytes]:
    environment = {**os.environ, "PAWNLORE_DATABASE": url, "PAWNLORE_HOME": str(log.parent)}
    with log.open("wb") as out:
        return subprocess.Popen(
            [*RUN, *words], env=environment, stdout=out, stderr=subprocess.STDOUT
        )


def wait_for(condition: Callable[[], Any], what: str) -> Any:
    end = time.monotonic() + LONG
    while time.monotonic() < end:
        found = condition()
        if found:
            return found
        time.sleep(0.02)
    raise AssertionError(what)


@pytest.mark.slow
def test_a_service_that_is_killed_while_it_teaches_teaches_once(url: str, tmp_path: Path) -> None:
    store = open_store(url)
    taught_clamp(store)
    LabelShelf(store).put_all(rated(6))
    before = everything(store)
    log = tmp_path / "serve.log"

    def serve() -> tuple[subprocess.Popen[bytes], int]:
        process = begun(["serve", "--port", "0"], url, log)
        told = wait_for(
            lambda: re.search(rb"127\.0\.0\.1:(\d+)/ ", log.read_bytes()), "it does not listen"
        )
        return process, int(told[1])

    process, port = serve()
    try:
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=LONG)
        connection.request("POST", "/api/teaching/retrain", headers={"Content-Length": "0"})
        answer = connection.getresponse()
        job = json.loads(answer.read())["job"]["id"]
        assert answer.status == 202
        jobs = JobShelf(store)
        wait_for(lambda: jobs.get(job).done > 2, "teaching makes no progress")
        process.send_signal(signal.SIGKILL)
        process.wait(LONG)
        killed = jobs.get(job)
        assert killed.state == "running" and 2 < killed.done < killed.total
        assert everything(store) == before, "nothing is kept before all of it is done"
        process, _ = serve()
        wait_for(lambda: jobs.get(job).state in ("done", "failed"), "it is not taken up again")
        done = jobs.get(job)
        assert (done.state, done.attempts) == ("done", 2)
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(LONG)
    (version,) = ModelShelf(store).list()
    assert (version.number, version.state) == (done.result["model_version"], "proposed")
    assert everything(store)[:2] == before[:2] and ModelShelf(store).in_use().version == 0
    report = TeachingDesk(store).report(version.number)
    assert report is not None and report.learnt_from.families[0].examples == len(CLAMP)
    store.close()


@pytest.mark.slow
def test_of_two_who_teach_at_once_neither_loses_anything(url: str) -> None:
    first = open_store(url)
    given = {"Ada": rated(6), "Bo": rated(6, start=5)}
    failed: list[BaseException] = []
    gate = threading.Barrier(2)
    made: dict[str, int] = {}

    def work(author: str) -> None:
        store = open_store(url)
        try:
            gate.wait()
            for label in given[author]:
                LabelShelf(store).put(label.skeleton, label.structure, label.holder, author=author)
            made[author] = TeachingDesk(store).retrain(author=author).number
        except BaseException as error:
            failed.append(error)
        finally:
            store.close()

    threads = [threading.Thread(target=work, args=(author,)) for author in given]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == [] and sorted(made.values()) == [1, 2]
    labels = LabelShelf(first).list()
    assert len(labels) == 12 and {label.author for label in labels} == {"Ada", "Bo"}
    for author, number in made.items():
        version = ModelShelf(first).get(number)
        assert version.author == author and version.taught_from["labels"] >= 6
        TeachingDesk(first).version(number, stored=True)
    # Both were compared with the shipped model; only one of them may replace it.
    assert {ModelShelf(first).get(n).taught_from["choice"] for n in made.values()} == {0}
    assert TeachingDesk(first).retrain().taught_from["labels"] == 12
    first.close()


@pytest.mark.slow
def test_a_wrong_label_is_found_undone_and_leaves_no_trace(store: Store) -> None:
    shelf, desk = LabelShelf(store), TeachingDesk(store)
    shelf.put_all(rated(30))
    without = desk.retrain()
    right = shelf.list()[7]
    assert right.structure != "stonewall"
    shelf.put(right.skeleton, "stonewall", "white", reason="a slip", expected_revision=1)
    wrong = desk.retrain()
    assert wrong.digest != without.digest
    (found, *others) = wrong.figures["misfits"]
    assert tuple(found["skeleton"]) == right.skeleton and found["structure"] == "stonewall"
    assert not {tuple(one["skeleton"]) for one in others} & {right.skeleton}
    slip = shelf.of(right.skeleton)
    assert slip is not None and slip.reason == "a slip"
    shelf.put(right.skeleton, right.structure, right.holder, expected_revision=2)
    assert desk.retrain().digest == without.digest


@pytest.mark.slow
def test_labels_that_contradict_one_another_are_shown_and_neither_is_learnt(
    tmp_path: Path,
) -> None:
    store = open_store(f"sqlite:///{tmp_path / 'store.sqlite'}")
    taught_clamp(store)
    fen = CLAMP[0]
    # The label says of an example's pawns that they are something else.
    LabelShelf(store).put(skeleton_of_line(fen), "hedgehog", "black", fen=fen)
    made = TeachingDesk(store).retrain()
    (told,) = made.figures["contradictions"]
    # Both are told of the canonical one of the pawns and their mirror.
    assert {told["one"].partition(",")[0], told["other"].partition(",")[0]} == {
        "a label hedgehog",
        "an example of own/clamp",
    }
    (family,) = TeachingDesk(store).version(made.number).own  # type: ignore[attr-defined]
    assert family.examples == len(CLAMP) - 1
    store.close()


def pickled() -> bytes:
    stream = io.BytesIO()
    np.savez(stream, format=np.array(print, dtype=object), allow_pickle=True)
    return stream.getvalue()


FOREIGN = {
    "no archive": b"numbers",
    "cut off": b"",
    "code": pickled(),
    "another archive": b"PK\x05\x06" + bytes(18),
}


@pytest.mark.parametrize("signed", [False, True], ids=["as it is", "with its digest changed too"])
@pytest.mark.parametrize("name", FOREIGN)
def test_numbers_that_are_not_ours_are_never_loaded(store: Store, name: str, signed: bool) -> None:
    content = taught_bytes(with_families(shipped_classifier(), ()))
    shelf = ModelShelf(store)
    number = shelf.add(content, base="", taught_from={"labels": 0}, figures={}).number
    other = shelf.add(content, base="", taught_from={"labels": 0}, figures={}).number
    shelf.choose(number)
    foreign = FOREIGN[name] or content[:-40]
    values: dict[str, Any] = {"content": foreign}
    if signed:
        values["digest"] = sha256(foreign).hexdigest()
    with store.writing() as connection:
        connection.execute(
            ModelVersionRow.__table__.update()
            .where(ModelVersionRow.number == number)
            .values(**values)
        )
    desk = TeachingDesk(store)
    with pytest.raises(UnusableModel):
        desk.version(number)
    # A service and a command go on with the shipped model, and the other version is whole.
    base = shipped_classifier()
    assert ModelInUse(store, base).now() is base
    _, fault = classifier_with_labels(store, base)
    assert f"version {number} cannot be used" in fault
    assert desk.version(other).digest == sha256(content).hexdigest()
    assert shelf.choose(other).version == other and ModelInUse(store, base).now() is not base


@pytest.mark.slow
def test_a_version_of_an_earlier_release_is_left_aside_and_replaced_by_retraining(
    store: Store,
) -> None:
    """It told families by other traits; the author's labels and examples are as they were."""
    with np.load(io.BytesIO(taught_bytes(with_families(shipped_classifier(), ())))) as arrays:
        earlier = {**arrays, "traits": arrays["traits"][:-1]}
    stream = io.BytesIO()
    np.savez(stream, **earlier)
    desk = TeachingDesk(store)
    shelf = desk.models
    old = shelf.add(stream.getvalue(), base="", taught_from={"labels": 0}, figures={}).number
    shelf.choose(old)
    with pytest.raises(UnusableModel, match="another version"):
        desk.in_use()
    base = shipped_classifier()
    assert ModelInUse(store, base).now() is base and desk.judging() is desk.base
    taught_clamp(store)
    new = desk.retrain()
    assert desk.compare(new.number)["nodes_changed"] == 0
    shelf.choose(new.number)
    assert ModelInUse(store, base).now().digest == new.digest
