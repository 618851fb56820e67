"""Jobs outlive the program that took them: kept with their files, done once, given up at last."""

from __future__ import annotations

import io
import random
import subprocess
import sys
import threading
import time
from collections.abc import Callable

import pytest
from sqlalchemy import func, select

from pawnlore.service.job_runner import MOST_ATTEMPTS, Attempt, CannotBeDone, JobRunner
from pawnlore.service.store import job_file, job_shelf
from pawnlore.service.store.errors import ClaimLost, StoreUnavailable, TooManyJobs
from pawnlore.service.store.job_shelf import INTERRUPTED, MOST_WAITING, Job, JobShelf
from pawnlore.service.store.schema import JobPieceRow
from pawnlore.service.store.sole_runner import SoleRunner
from pawnlore.service.store.store import Store, open_store


@pytest.fixture
def jobs(store: Store) -> JobShelf:
    return JobShelf(store)


def pieces(store: Store) -> int:
    with store.reading() as connection:
        return int(connection.execute(select(func.count()).select_from(JobPieceRow)).scalar_one())


def finish(jobs: JobShelf, job: Job, result: object = None) -> None:
    with jobs.store.writing() as connection:
        jobs.finish_claimed(connection, job, result)


def runner_of(
    jobs: JobShelf, work: Callable[[Attempt], None], stopping: threading.Event | None = None
) -> JobRunner:
    return JobRunner(jobs, {"x": work}, seconds=60, stopping=stopping or threading.Event())


def test_files_of_a_job_are_kept_byte_for_byte(
    jobs: JobShelf, url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(job_file, "PIECE", 1000)
    monkeypatch.setattr(job_shelf, "PIECE", 1000)
    draw = random.Random(3)
    contents = [draw.randbytes(size) for size in (0, 1, 999, 1000, 1001, 3000, 4321)]
    files = [(f"é {len(one)}.pgn", io.BytesIO(one)) for one in contents]
    job = jobs.add("x", task={"a": [1]}, files=files)
    jobs.store.close()
    after = open_store(url)
    again = JobShelf(after)
    assert again.get(job.id).task == {"a": [1]}
    found = again.files(job.id)
    assert [name for name, _ in found] == [name for name, _ in files]
    for content, (_, stream) in zip(contents, found, strict=True):
        assert stream.read() == content
        for _ in range(20):
            start = draw.randrange(len(content) + 1)
            assert stream.seek(start) == start
            count = draw.randrange(2500)
            assert stream.read(count) == content[start : start + count]
        assert stream.seek(0, io.SEEK_END) == len(content)
    after.close()


def test_jobs_are_claimed_in_order_and_again_after_an_interruption(jobs: JobShelf) -> None:
    jobs.add("other", task=1)
    first, second = jobs.add("x", task=1), jobs.add("x", task=2)
    claimed = jobs.claim(("x",))
    assert claimed is not None and claimed.id == first.id
    assert (claimed.state, claimed.attempts) == ("running", 1)
    jobs.progress(first.id, 7)
    # Whoever did it is gone; whoever comes next begins again.
    again = jobs.claim(("x",))
    assert again is not None and again.id == first.id
    assert (again.attempts, again.done) == (2, 0)
    with pytest.raises(ClaimLost), jobs.store.writing() as connection:
        jobs.finish_claimed(connection, claimed, "twice")
    finish(jobs, again, "once")
    assert (jobs.get(first.id).state, jobs.get(first.id).result) == ("done", "once")
    with pytest.raises(ClaimLost):
        finish(jobs, again, "twice")
    after = jobs.claim(("x",))
    assert after is not None and after.id == second.id
    jobs.give_back(after)
    assert (jobs.get(second.id).state, jobs.get(second.id).attempts) == ("waiting", 0)
    jobs.fail(second.id, "no")
    assert jobs.claim(("x",)) is None


def test_a_claim_that_was_lost_keeps_nothing_of_what_it_wrote(jobs: JobShelf) -> None:
    jobs.add("x", task=1)
    slow = jobs.claim(("x",))
    quick = jobs.claim(("x",))
    assert slow is not None and quick is not None
    finish(jobs, quick)
    before = jobs.store.counters()
    with pytest.raises(ClaimLost), jobs.store.writing() as connection:
        connection.exec_driver_sql("DELETE FROM counters")
        jobs.finish_claimed(connection, slow, None)
    assert before and jobs.store.counters() == before


def test_uploads_that_wait_are_bounded_and_their_files_go(jobs: JobShelf) -> None:
    def add() -> Job:
        return jobs.add("x", task=1, files=[("a", io.BytesIO(b"a"))])

    made = [add() for _ in range(MOST_WAITING)]
    with pytest.raises(TooManyJobs):
        add()
    # A job without files takes no room.
    jobs.add("x", task=1)
    jobs.fail(made[0].id, "no")
    add()
    with pytest.raises(TooManyJobs):
        add()
    while (job := jobs.claim(("x",))) is not None:
        finish(jobs, job)
    assert pieces(jobs.store) == 0


def test_an_upload_that_ends_the_program_is_given_up(jobs: JobShelf) -> None:
    job = jobs.add("x", task=1, files=[("a", io.BytesIO(b"a"))])
    good = jobs.add("x", task="good")
    for number in range(MOST_ATTEMPTS):
        claimed = jobs.claim(("x",))  # and then the program is gone
        assert claimed is not None and claimed.id == job.id and claimed.attempts == number + 1
    done: list[object] = []

    def work(attempt: Attempt) -> None:
        done.append(attempt.job.task)
        finish(jobs, attempt.job)

    runner = runner_of(jobs, work)
    runner.resume()
    runner.wait()
    assert done == ["good"]
    given_up = jobs.get(job.id)
    assert given_up.state == "failed" and "5 times" in given_up.message
    assert jobs.get(good.id).state == "done"
    assert pieces(jobs.store) == 0


def test_a_job_is_begun_again_when_the_store_was_away(
    jobs: JobShelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("pawnlore.service.job_runner._PAUSE", 0.01)
    away = [3]

    def work(attempt: Attempt) -> None:
        if away[0]:
            away[0] -= 1
            raise StoreUnavailable("the disk is full")
        finish(jobs, attempt.job)

    runner = runner_of(jobs, work)
    job = jobs.add("x", task=1)
    runner.wake()
    runner.wait()
    assert (jobs.get(job.id).state, jobs.get(job.id).attempts) == ("done", 4)
    away[0] = 100
    job = jobs.add("x", task=1)
    runner.wake()
    runner.wait()
    assert jobs.get(job.id).state == "failed" and "disk is full" in jobs.get(job.id).message


def test_what_cannot_be_done_fails_at_once_and_costs_no_other(jobs: JobShelf) -> None:
    def work(attempt: Attempt) -> None:
        if attempt.job.task == "bad":
            raise CannotBeDone("there is nothing in it")
        if attempt.job.task == "fault":
            raise ZeroDivisionError
        finish(jobs, attempt.job)

    made = [jobs.add("x", task=task) for task in ("bad", "fault", "good")]
    runner = runner_of(jobs, work)
    runner.wake()
    runner.wait()
    found = [jobs.get(job.id) for job in made]
    assert [(job.state, job.attempts) for job in found] == [
        ("failed", 1),
        ("failed", 1),
        ("done", 1),
    ]
    assert found[0].message == "There is nothing in it" and "log" in found[1].message


def test_each_kind_may_take_its_own_time(jobs: JobShelf) -> None:
    def work(attempt: Attempt) -> None:
        time.sleep(0.02)
        attempt.go_on()
        finish(jobs, attempt.job)

    short, long = jobs.add("short", task=1), jobs.add("long", task=1)
    runner = JobRunner(
        jobs,
        {"short": work, "long": work},
        seconds=0.001,
        seconds_of={"long": 60},
        stopping=threading.Event(),
    )
    runner.wake()
    runner.wait()
    ended = jobs.get(short.id)
    assert ended.state == "failed" and "0.001 seconds" in ended.message
    assert jobs.get(long.id).state == "done"


def test_a_stop_gives_the_job_back(jobs: JobShelf) -> None:
    begun, stopping = threading.Event(), threading.Event()

    def work(attempt: Attempt) -> None:
        begun.set()
        while True:
            attempt.go_on()
            time.sleep(0.01)

    runner = runner_of(jobs, work, stopping)
    job, other = jobs.add("x", task=1), jobs.add("x", task=2)
    runner.wake()
    assert begun.wait(30)
    runner.close()
    for one in (job, other):
        assert (jobs.get(one.id).state, jobs.get(one.id).attempts) == ("waiting", 0)


def test_jobs_that_cannot_be_taken_up_are_ended_by_the_service_that_is_alone(
    jobs: JobShelf, url: str
) -> None:
    left = jobs.add("training")
    other = open_store(url)
    runner = SoleRunner(other)
    assert runner.take()
    late = runner_of(jobs, lambda attempt: None)
    late.watch()
    time.sleep(0.3)
    # Another service runs; it may be the one that does this job.
    assert jobs.get(left.id).state == "waiting"
    late.close()
    runner.release()
    alone = runner_of(jobs, lambda attempt: None)
    alone.watch()
    ends = time.monotonic() + 30
    while jobs.get(left.id).state == "waiting" and time.monotonic() < ends:
        time.sleep(0.02)
    alone.close()
    assert (jobs.get(left.id).state, jobs.get(left.id).message) == ("failed", INTERRUPTED)
    other.close()


def test_one_program_does_the_jobs_and_lets_go_when_it_is_killed(store: Store, url: str) -> None:
    one = SoleRunner(store)
    assert one.take() and one.take()
    program = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sys, time\n"
            "from pawnlore.service.store.store import open_store\n"
            "from pawnlore.service.store.sole_runner import SoleRunner\n"
            f"runner = SoleRunner(open_store({url!r}))\n"
            "print(runner.take(), flush=True)\n"
            "sys.stdin.readline()\n"
            "print(runner.take(), flush=True)\n"
            "time.sleep(600)",
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert program.stdin is not None and program.stdout is not None
    try:
        assert program.stdout.readline() == "False\n"
        one.release()
        program.stdin.write("\n")
        program.stdin.flush()
        assert program.stdout.readline() == "True\n"
        assert not one.take()
    finally:
        program.kill()
        program.communicate()
    ends = time.monotonic() + 10
    while not one.take():
        # PostgreSQL must find out that the session is gone.
        assert time.monotonic() < ends
        time.sleep(0.01)
    one.release()


def test_two_services_do_each_job_once(url: str) -> None:
    stores = [open_store(url) for _ in range(2)]
    done: list[object] = []
    runners = []
    for store in stores:
        shelf = JobShelf(store)

        def work(attempt: Attempt) -> None:
            time.sleep(0.01)
            finish(attempt.jobs, attempt.job)
            done.append(attempt.job.task)

        runners.append(runner_of(shelf, work))
    for number in range(20):
        JobShelf(stores[number % 2]).add("x", task=number)
        runners[number % 2].wake()
    for runner in runners:
        runner.wait()
    assert sorted(done, key=str) == sorted(range(20), key=str)
    assert {job.attempts for job in JobShelf(stores[0]).list()} == {1}
    for store in stores:
        store.close()
