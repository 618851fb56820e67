"""What the resources of repertoires work with: shelves, the desk and long jobs."""

from __future__ import annotations

import logging
from dataclasses import dataclass

from flask import Flask, current_app
from flask.blueprints import BlueprintSetupState

from pawnlore.service import judging_jobs, teaching_jobs, upload_jobs
from pawnlore.service.api.lookups import lookups, provide_lookups
from pawnlore.service.job_runner import JobRunner
from pawnlore.service.judging_jobs import JudgingJobs
from pawnlore.service.kept_by_state import KeptByState
from pawnlore.service.repertoire_desk import RepertoireDesk
from pawnlore.service.repertoire_upload import reading_limits
from pawnlore.service.running import parts_of
from pawnlore.service.store.errors import StoreError
from pawnlore.service.store.family_shelf import FamilyShelf
from pawnlore.service.store.job_shelf import JobShelf
from pawnlore.service.store.repertoire_shelf import RepertoireShelf
from pawnlore.service.teaching_jobs import TeachingJobs
from pawnlore.service.upload_jobs import UploadJobs

_NAME = "pawnlore_repertoires"

_log = logging.getLogger("pawnlore.service")


@dataclass(frozen=True)
class Repertoires:
    """The parts that the resources of repertoires share."""

    shelf: RepertoireShelf
    desk: RepertoireDesk
    jobs: JobShelf
    uploads: UploadJobs
    judging: JudgingJobs
    teaching: TeachingJobs
    runner: JobRunner


def provide_repertoires(state: BlueprintSetupState) -> None:
    """Give an application these parts, once; for `Blueprint.record`."""
    app = state.app
    assert isinstance(app, Flask)
    if _NAME in app.extensions:
        return
    provide_lookups(state)
    parts = parts_of(app)
    with app.app_context():
        known = lookups()
    shelf, jobs = RepertoireShelf(parts.store), JobShelf(parts.store)
    families, limits = FamilyShelf(parts.store), parts.settings.limits
    desk = RepertoireDesk(
        shelf,
        lambda masks: parts.classifier.classify(masks),
        known.labels,
        own_names=KeptByState(families.state, families.names),
        limits=reading_limits(limits),
    )
    uploads = UploadJobs(shelf, jobs, lambda: parts.classifier, limits)
    judging = JudgingJobs(shelf, jobs, lambda: parts.classifier)
    teaching = TeachingJobs(parts.model.desk, jobs)
    runner = JobRunner(
        jobs,
        {
            upload_jobs.KIND: uploads.do,
            judging_jobs.KIND: judging.do,
            teaching_jobs.KIND: teaching.do,
        },
        seconds=limits.seconds,
        seconds_of={teaching_jobs.KIND: limits.teaching_seconds},
        stopping=parts.stopping,
    )
    try:
        # What an earlier service did not finish is finished now.
        runner.resume()
    except StoreError as error:
        _log.error("jobs of an earlier run could not be taken up: %s", error)
    app.extensions[_NAME] = Repertoires(shelf, desk, jobs, uploads, judging, teaching, runner)


def repertoires() -> Repertoires:
    """The parts of the application at hand."""
    return repertoires_of(current_app)


def repertoires_of(app: Flask) -> Repertoires:
    """The parts of an application."""
    found = app.extensions[_NAME]
    assert isinstance(found, Repertoires)
    return found
