"""Does the jobs of a store one after the other, and takes up those of a program that is gone.

A job that was begun and not finished, whatever ended the program that did it,
is begun again from its start; after `MOST_ATTEMPTS` it has failed, so that one
that brings the program down cannot do so for ever. Of several programs on one
store, one does the jobs (`SoleRunner`).
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Mapping

from pawnlore.service.deadline import Deadline, OutOfTime
from pawnlore.service.store.errors import ClaimLost, NotFound, StoreError, StoreUnavailable
from pawnlore.service.store.job_shelf import Job, JobShelf
from pawnlore.service.store.sole_runner import SoleRunner

MOST_ATTEMPTS = 5
"""How often a job is begun."""

_POLL = 1.0  # seconds between two looks for jobs that other programs added
_PAUSE = 1.0  # seconds before the second attempt; each further one waits twice as long
_PACE = 0.25  # seconds between two notes of a job's progress

_log = logging.getLogger("pawnlore.service")


class Stopped(Exception):
    """The service was told to stop."""


class CannotBeDone(Exception):
    """A job comes to nothing, however often it is begun; the message is for people."""


class Attempt:
    """One attempt at a job: how far it is, and whether it should go on."""

    def __init__(
        self, jobs: JobShelf, job: Job, deadline: Deadline, stopping: threading.Event
    ) -> None:
        self.jobs = jobs
        self.job = job
        self._deadline = deadline
        self._stopping = stopping
        self._told = time.monotonic()
        self._total = job.total

    def go_on(self) -> None:
        """Raise `Stopped` or `OutOfTime` where it should end."""
        if self._stopping.is_set():
            raise Stopped
        self._deadline.check()

    def reached(self, done: int, total: int | None = None) -> None:
        """Tell how far it is, now and again, and see whether it should go on."""
        self.go_on()
        now = time.monotonic()
        if now - self._told >= _PACE or (total or self._total) != self._total:
            self._told, self._total = now, total or self._total
            self.jobs.progress(self.job.id, done, total=self._total)


Work = Callable[[Attempt], None]
"""Does a job: it ends with `JobShelf.finish_claimed`, or raises."""


class JobRunner:
    """Does jobs in a thread of its own, which is there while there are any.

    ``does`` gives the work for each kind of job. An attempt may take
    ``seconds``, or what ``seconds_of`` says of its kind. Once ``stopping`` is
    set, no job is begun, and the one that runs waits for the next program.
    """

    def __init__(
        self,
        jobs: JobShelf,
        does: Mapping[str, Work],
        *,
        seconds: float,
        seconds_of: Mapping[str, float] | None = None,
        stopping: threading.Event,
    ) -> None:
        self.jobs = jobs
        self.kinds = tuple(does)
        self._does = dict(does)
        self._seconds = {kind: seconds for kind in does} | dict(seconds_of or {})
        self._stopping = stopping
        self._wake = threading.Event()
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._watching = False
        self._first = True

    def wake(self) -> None:
        """Begin with the jobs that wait; call it when one was added."""
        with self._lock:
            self._wake.set()
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, name="jobs", daemon=True)
                self._thread.start()

    def resume(self) -> None:
        """Take up what an earlier program left, if it left anything. Raises `StoreError`."""
        if self.jobs.open_jobs(self.kinds):
            self.wake()

    def watch(self) -> None:
        """From now on look for the jobs of other programs too, until `close`."""
        self._watching = True
        self.wake()

    def wait(self) -> None:
        """Wait until no job is left to be done."""
        self._watching = False
        self._join()

    def close(self) -> None:
        """Stop; the job that runs is given back, and is taken up again later."""
        self._stopping.set()
        self._join()

    def _join(self) -> None:
        thread = self._thread
        self._wake.set()
        if thread is not None:
            thread.join()

    def _run(self) -> None:
        runner, told = SoleRunner(self.jobs.store), False
        try:
            while not self._stopping.is_set():
                self._wake.clear()
                try:
                    went_on = self._step(runner)
                    told = False
                except StoreError as error:
                    if not told:
                        _log.error("the jobs must wait: %s", error)
                    told, went_on = True, None
                if went_on is False and self._idle():
                    return
                if not went_on:
                    self._wake.wait(_POLL)
        except BaseException:
            _log.exception("fault among the jobs")
            raise
        finally:
            runner.release()
            with self._lock:
                if self._thread is threading.current_thread():
                    self._thread = None

    def _idle(self) -> bool:
        """Whether the thread may end; it counts as ended then."""
        with self._lock:
            if self._watching or self._wake.is_set():
                return False
            self._thread = None
            return True

    def _step(self, runner: SoleRunner) -> bool | None:
        """Do one job: true. False where there is none, none where it cannot be done now."""
        # Who watches stays the one who does the jobs; others let go of it.
        if self._watching:
            first, self._first = self._first, False
            if not runner.take():
                return None
            if first:
                # No other service runs, so nobody does these.
                self.jobs.recover()
        if not self.jobs.open_jobs(self.kinds):
            return False
        if not runner.take():
            return None
        job = self.jobs.claim(self.kinds)
        if job is None:
            return False
        self._do(job)
        return True

    def _do(self, job: Job) -> None:
        if job.attempts > MOST_ATTEMPTS:
            self._fail(
                job,
                f"This was begun {MOST_ATTEMPTS} times, and each time the service ended before "
                "it was done. Nothing of it was kept; try it in smaller parts",
            )
            return
        seconds = self._seconds[job.kind]
        attempt = Attempt(self.jobs, job, Deadline.after(seconds), self._stopping)
        try:
            self._does[job.kind](attempt)
        except Stopped:
            self._give_back(job)
        except OutOfTime:
            self._fail(
                job,
                f"This took longer than the {seconds:g} seconds that it may take. Nothing of it "
                "was kept; try it in smaller parts",
            )
        except ClaimLost:
            _log.error("a job was taken up by somebody else")
        except StoreUnavailable as error:
            if job.attempts >= MOST_ATTEMPTS:
                self._fail(job, _sentence(error))
            else:
                # It still counts as begun, so it is claimed again.
                self._stopping.wait(_PAUSE * 2 ** (job.attempts - 1))
        except (CannotBeDone, StoreError) as error:
            self._fail(job, _sentence(error))
        except Exception:
            _log.exception("fault in a job")
            self._fail(
                job,
                "Something went wrong inside the service. Nothing of it was kept; its log tells",
            )

    def _fail(self, job: Job, message: str) -> None:
        try:
            self.jobs.fail(job.id, message)
        except NotFound:
            pass
        except StoreError as error:
            # It is claimed again when the store answers again.
            _log.error("a job's end could not be kept: %s", error)
            self._stopping.wait(_PAUSE)

    def _give_back(self, job: Job) -> None:
        try:
            self.jobs.give_back(job)
        except StoreError as error:
            _log.error("a job could not be given back: %s", error)


def _sentence(error: Exception) -> str:
    text = str(error)
    return f"{text[:1].upper()}{text[1:]}"
