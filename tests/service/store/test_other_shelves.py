"""Labels, access and jobs in the store."""

from __future__ import annotations

import hashlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from repertoires import by_cores, read

from pawnlore.service.store.access_shelf import AccessShelf
from pawnlore.service.store.errors import NotFound, Refused
from pawnlore.service.store.job_shelf import INTERRUPTED, MOST_FINISHED, JobShelf
from pawnlore.service.store.label_shelf import GivenLabel, LabelShelf, StaleLabel
from pawnlore.service.store.repertoire_shelf import RepertoireShelf
from pawnlore.service.store.store import Store, open_store
from pawnlore.structures.distinct_verdicts import distinct_verdicts
from pawnlore.structures.skeleton import skeleton_from_fen

ISOLANI = "8/pp3ppp/4p3/8/3P4/8/PP3PPP/8"
ITS_MIRROR = "8/pp3ppp/8/3p4/8/4P3/PP3PPP/8"


def digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def masks(placement: str) -> tuple[int, int]:
    found = skeleton_from_fen(placement)
    return (int(found[0]), int(found[1]))


def test_a_label_holds_for_the_mirror_too(store: Store) -> None:
    labels = LabelShelf(store)
    made = labels.put(masks(ISOLANI), "isolated-queen-pawn", "white", fen=ISOLANI, reason="known")
    assert labels.of(masks(ITS_MIRROR)) == labels.of(masks(ISOLANI)) == made
    again = labels.put(masks(ITS_MIRROR), "isolated-queen-pawn", "black", expected_revision=1)
    # The same verdict, told of the mirror.
    assert (again.id, again.holder, again.revision) == (made.id, made.holder, 2)
    assert labels.list() == [again]


def test_labels_are_not_overwritten_unseen(store: Store) -> None:
    labels = LabelShelf(store)
    state = labels.state()
    made = labels.put(masks(ISOLANI), "own/quiet", "white", expected_revision=0)
    with pytest.raises(StaleLabel) as stale:
        labels.put(masks(ISOLANI), "hedgehog", "white", expected_revision=0)
    assert stale.value.current == made
    with pytest.raises(StaleLabel):
        labels.delete(made.id, expected_revision=9)
    labels.delete(made.id, expected_revision=1)
    with pytest.raises(NotFound):
        labels.get(made.id)
    with pytest.raises(NotFound):
        labels.put(masks(ISOLANI), "hedgehog", "white", expected_revision=3)
    assert labels.of(masks(ISOLANI)) is None and labels.state() == state + 2
    for structure, holder in (("unsettled", "white"), ("hedgehog", "any"), ("", "both")):
        with pytest.raises(Refused):
            labels.put(masks(ISOLANI), structure, holder)


def test_what_a_label_said_is_kept_when_it_is_replaced_or_taken_away(store: Store) -> None:
    labels = LabelShelf(store)
    given = {"fen": ISOLANI, "reason": "known"}
    first = labels.put(masks(ISOLANI), "isolated-queen-pawn", "white", author="Ada", **given)
    labels.put(masks(ISOLANI), "isolated-queen-pawn", "white", author="Bo", **given)
    assert labels.former() == [], "said once more is not replaced"
    labels.put(masks(ITS_MIRROR), "hedgehog", "black", fen=ITS_MIRROR, author="Bo")
    (was,) = labels.former()
    assert (was.label.id, was.label.structure, was.label.reason) == (
        first.id,
        "isolated-queen-pawn",
        "known",
    )
    assert (was.label.fen, was.label.holder, was.label.revision) == (ISOLANI, first.holder, 2)
    assert was.replaced and was.ended_by == "Bo" and was.label.created == first.created
    labels.delete(first.id, author="Cy")
    gone, still = labels.former(skeleton=masks(ISOLANI))
    assert still == was and labels.former(skeleton=masks(ITS_MIRROR)) == [gone, was]
    assert (gone.label.structure, gone.replaced, gone.ended_by) == ("hedgehog", False, "Cy")
    assert labels.former(limit=1) == [gone] and labels.former(before=gone.number) == [was]
    assert labels.former(skeleton=(1 << 27, 0)) == [] and labels.count_former() == 2


def test_a_file_of_labels_loses_none_that_stood(store: Store) -> None:
    labels = LabelShelf(store)
    squares = [1 << place for place in range(8, 28)]
    for mask in squares:
        labels.put((mask, 0), "own/a", "white", reason=f"of {mask}")
    given = [
        GivenLabel((mask, 0), "own/b" if place % 2 else "own/a", "white", reason=f"of {mask}")
        for place, mask in enumerate(squares)
    ]
    assert labels.put_all(given, author="Bo") == (0, 10)
    former = labels.former()
    assert {one.label.structure for one in former} == {"own/a"} and len(former) == 10
    assert {one.label.reason for one in former} == {f"of {mask}" for mask in squares[1::2]}
    with pytest.raises(Refused):
        labels.put_all([*given, GivenLabel((7 << 40, 0), "own/c", "none")])
    assert labels.former() == former


def test_a_change_that_comes_too_late_leaves_nothing_behind(store: Store) -> None:
    labels = LabelShelf(store)
    made = labels.put(masks(ISOLANI), "own/a", "white")
    with pytest.raises(StaleLabel):
        labels.put(masks(ISOLANI), "own/b", "white", expected_revision=7)
    with pytest.raises(StaleLabel):
        labels.delete(made.id, expected_revision=7)
    assert labels.former() == []


@settings(max_examples=20)
@given(white=st.integers(0, (1 << 64) - 1), black=st.integers(0, (1 << 64) - 1))
def test_any_masks_can_be_labelled(
    tmp_path_factory: pytest.TempPathFactory, white: int, black: int
) -> None:
    store = open_store(f"sqlite:///{tmp_path_factory.mktemp('labels') / 'store.sqlite'}")
    made = LabelShelf(store).put((white, black), "own/x", "both")
    assert LabelShelf(store).of((white, black)) == made
    store.close()


def test_tokens(store: Store) -> None:
    access = AccessShelf(store)
    made = access.add_token("Laptop", digest("secret"), "write")
    assert access.token_of(digest("secret")) == made
    assert access.token_of(digest("other")) is access.token_of("secret") is None
    for name, secret, rights in (
        ("Laptop", "new", "read"),
        ("Phone", "secret", "read"),
        ("Phone", "new", "all"),
        ("", "new", "read"),
    ):
        with pytest.raises(Refused):
            access.add_token(name, digest(secret), rights)
    with pytest.raises(Refused):
        access.add_token("Phone", "secret", "read")
    assert access.revoke_token("Laptop").revoked is not None
    assert access.token_of(digest("secret")) is None
    assert access.tokens() == [] and len(access.tokens(revoked=True)) == 1
    with pytest.raises(NotFound):
        access.revoke_token("Laptop")
    # The name is free again, the secret is not.
    assert access.add_token("Laptop", digest("new"), "read").rights == "read"


def test_student_links_go_with_their_repertoire(store: Store) -> None:
    access, repertoires = AccessShelf(store), RepertoireShelf(store)
    book = read("1. d4 *")
    files = [("a.pgn", b"1. d4 *")]
    judged = distinct_verdicts(book, by_cores)
    kept, _ = repertoires.put("Course", files, book, judged, model="m")
    link = access.add_link(kept.id, digest("link"), name="Tuesday group")
    second = access.add_link(kept.id, digest("two"))
    repertoires.put("", files, book, judged, model="m", id=kept.id)
    assert access.link_of(digest("link")) == link
    assert access.links(repertoire=kept.id) == [link, second]
    access.revoke_link(second.id)
    assert access.link_of(digest("two")) is None and access.links() == [link]
    with pytest.raises(NotFound):
        access.revoke_link(second.id)
    with pytest.raises(NotFound):
        access.add_link("nothing", digest("three"))
    repertoires.delete(kept.id)
    assert access.link_of(digest("link")) is None and access.links(revoked=True) == []


def test_jobs_tell_how_far_they_are(store: Store) -> None:
    jobs = JobShelf(store)
    job = jobs.add("upload", total=10)
    assert (job.state, job.done, job.total, job.result) == ("waiting", 0, 10, None)
    jobs.progress(job.id, 4, total=12)
    assert (jobs.get(job.id).state, jobs.get(job.id).done, jobs.get(job.id).total) == (
        "running",
        4,
        12,
    )
    jobs.finish(job.id, {"repertoire": "x"})
    jobs.progress(job.id, 5)  # comes too late
    assert (jobs.get(job.id).state, jobs.get(job.id).result) == ("done", {"repertoire": "x"})
    bad = jobs.add("upload")
    jobs.fail(bad.id, "no PGN \ud800\0")
    assert jobs.get(bad.id).message == "no PGN ?"
    assert [job.id for job in jobs.list(state="failed")] == [bad.id]
    with pytest.raises(NotFound):
        jobs.get("\0")


def test_jobs_of_a_service_that_is_gone_have_failed(url: str, store: Store) -> None:
    running, waiting = JobShelf(store).add("upload"), JobShelf(store).add("upload")
    JobShelf(store).progress(running.id, 3)
    store.close()
    after = open_store(url)
    jobs = JobShelf(after)
    assert jobs.recover() == 2 and jobs.recover() == 0
    for job in (running, waiting):
        assert (jobs.get(job.id).state, jobs.get(job.id).message) == ("failed", INTERRUPTED)
    after.close()


def test_finished_jobs_are_bounded(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pawnlore.service.store.job_shelf.MOST_FINISHED", 3)
    jobs = JobShelf(store)
    made = [jobs.add("upload") for _ in range(6)]
    for job in made[1:]:
        jobs.finish(job.id)
    jobs.add("upload")
    left = {job.id for job in jobs.list()}
    # The one that still waits stays, however old it is.
    assert made[0].id in left and made[1].id not in left and made[-1].id in left
    assert MOST_FINISHED > 3
