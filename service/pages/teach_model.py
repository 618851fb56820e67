"""``/teach/model``: retrain, compare, accept, and go back."""

from __future__ import annotations

from typing import Any

from flask import Blueprint, Response, redirect, request
from werkzeug.wrappers import Response as AnyResponse

from pawnlore.models.exam_figures import FiguresError
from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import READ, WRITE, needs
from pawnlore.service.api.repertoires_at_hand import provide_repertoires, repertoires
from pawnlore.service.judging_jobs import KIND as JUDGING
from pawnlore.service.model_figures import model_figures
from pawnlore.service.pages.figures_page import figures_values, taught_values
from pawnlore.service.pages.layout import page
from pawnlore.service.pages.own_names import own_names
from pawnlore.service.pages.paging import page_number, paging
from pawnlore.service.pages.version_view import beside_rows, changed_rows, doubts
from pawnlore.service.running import running
from pawnlore.service.store.errors import NotFound, Refused
from pawnlore.service.store.job_shelf import Job
from pawnlore.service.store.model_shelf import SHIPPED, StaleChoice
from pawnlore.service.teaching_desk import TeachingDesk
from pawnlore.service.teaching_jobs import KIND as TEACHING

pages = Blueprint("teach-model", __name__)
pages.record(provide_repertoires)

ROWS = 40
"""Groups of changed nodes on one page."""

VERSIONS = 40
"""Versions on one page, the newest first."""

_MOST_JOBS = 20


def _desk() -> TeachingDesk:
    return running().model.desk


@pages.get("/teach/model")
@needs(READ)
def versions() -> AnyResponse:
    """What is in use, what is going on, and every version."""
    return _versions()


@pages.post("/teach/model")
@needs(WRITE)
def retrain() -> AnyResponse:
    """Begin to retrain."""
    desk = _desk()
    if not desk.labels.list(limit=1) and not own_names():
        return _versions("There is nothing to learn from yet: label a position, or give a family.")
    job = repertoires().teaching.add(author=caller().name)
    repertoires().runner.wake()
    return redirect(f"/teach/model/jobs/{job.id}", 303)


@pages.get("/teach/model/jobs/<job>")
@needs(READ)
def progress(job: str) -> AnyResponse:
    """How far retraining is; when it is done this leads on to the new version."""
    found = repertoires().jobs.get(job)
    if found.kind != TEACHING:
        raise NotFound("there is no such retraining")
    if found.state == "done":
        return redirect(f"/teach/model/{found.result['model_version']}", 303)
    response = page("teach/progress.html", job=found, percent=_percent(found))
    response.headers["Cache-Control"] = "no-store"
    return response


@pages.get("/teach/model/<int:number>")
@needs(READ)
def version(number: int) -> Response:
    """One version against what is in use."""
    return _version(number)


@pages.get("/teach/model/<int:number>/figures")
@needs(READ)
def figures(number: int) -> Response:
    """What was measured of a version, as the page of the model shows it; 0 is the shipped one."""
    desk = _desk()
    address = f"/teach/model/{number}/figures"
    shown: dict[str, Any] = {
        "taught": None,
        "version": number,
        "name": f"version {number}" if number else "the model that ships",
        "seed": desk.base.facts.get("plan", {}).get("seed"),
        "own": None,
        "refused": "",
    }
    if number == SHIPPED:
        found = model_figures(desk.base)
        if found.report is None:
            told = f"None were measured on this model: {found.refused}."
            return page("teach/figures.html", **{**shown, "report": None, "refused": told})
        values = figures_values(found.report, desk.base.catalogue, address)
        return page("teach/figures.html", **{**shown, **values})
    shown["taught"] = desk.models.get(number)
    try:
        report = desk.report(number)
    except FiguresError as error:
        told = f"What was measured of this version cannot be shown: {error}."
        return page("teach/figures.html", **{**shown, "report": None, "refused": told})
    if report is None:
        told = "This version was taught before its figures were kept: retrain to have them."
        return page("teach/figures.html", **{**shown, "report": None, "refused": told})
    values = taught_values(report, desk.base.catalogue, address)
    return page("teach/figures.html", **{**shown, **values})


@pages.post("/teach/model/<int:number>")
@needs(WRITE)
def decide(number: int) -> AnyResponse:
    """Accept a version, return to it, or put it aside; 0 is the shipped model."""
    desk, shared = _desk(), repertoires()
    try:
        if request.form.get("act") == "reject":
            desk.models.reject(number)
            return redirect(f"/teach/model/{number}", 303)
        desk.version(number)  # refused here where it cannot be used
        text = request.form.get("expected", "")
        given = text.isascii() and text.isdecimal() and len(text) < 10
        desk.models.choose(
            number, author=caller().name, expected_choice=int(text) if given else None
        )
    except StaleChoice:
        fault = (
            "Somebody chose another version in the meantime, so that this comparison was with "
            "another one than is in use now. Look again, and choose once more."
        )
        return _version(number, fault) if number else _versions(fault)
    except Refused as error:
        return _version(number, _sentence(error)) if number else _versions(_sentence(error))
    for stored in desk.repertoires.list():
        shared.judging.add(stored.id)
    shared.runner.wake()
    return redirect("/teach/model", 303)


def _versions(fault: str = "") -> Response:
    desk, shared = _desk(), repertoires()
    choice = desk.models.in_use()
    listed = desk.models.list()[::-1]
    part = paging(len(listed), page_number(request.args.get("page")), VERSIONS)
    jobs = [
        job
        for state in ("running", "waiting")
        for job in shared.jobs.list(state=state, limit=_MOST_JOBS)
        if job.kind in (TEACHING, JUDGING)
    ]
    names = {one.id: one.name for one in desk.repertoires.list()}
    newest = listed[0] if listed else None
    states = {name: desk.store.counter(name) for name in ("labels", "families")}
    response = page(
        "teach/versions.html",
        422 if fault else 200,
        fault=fault,
        choice=choice,
        newest=newest,
        changed=newest is None or newest.taught_from.get("states") != states,
        labels=len(desk.labels.list()),
        families=len(own_names()),
        versions=listed[part.start : part.end],
        part=part,
        jobs=[
            (job, _percent(job), names.get(str((job.task or {}).get("repertoire", "")), ""))
            for job in jobs
        ],
        teaching=TEACHING,
        shipped=SHIPPED,
        may_write=caller().may(WRITE),
    )
    if jobs:
        response.headers["Cache-Control"] = "no-store"
    return response


def _version(number: int, fault: str = "") -> Response:
    desk = _desk()
    kept = desk.models.get(number)
    choice = desk.models.in_use()
    names = own_names()
    unusable = ""
    figures: dict[str, Any] = {**kept.figures, "newer": False}
    if choice.version != number:
        try:
            figures = desk.compare(number)
        except Refused as error:
            unusable = _sentence(error)
    rows = changed_rows(figures["changed"], names)
    part = paging(len(rows), page_number(request.args.get("page")), ROWS)
    return page(
        "teach/version.html",
        422 if fault else 200,
        fault=fault,
        unusable=unusable,
        kept=kept,
        choice=choice,
        figures=figures,
        checks=[
            (one, names.get(one["id"], one["id"])) for one in figures["families"] if one["examples"]
        ],
        few=[names.get(one["id"], one["id"]) for one in figures["families"] if not one["examples"]],
        doubts=doubts(figures, names),
        rows=rows[part.start : part.end],
        part=part,
        beside=beside_rows(figures.get("beside", ())[:ROWS], names),
        nodes_beside=figures.get("nodes_beside", 0),
        in_use=choice.version == number,
        may_write=caller().may(WRITE),
    )


def _percent(job: Job) -> int:
    return min(99, 100 * job.done // max(1, job.total))


def _sentence(error: Exception) -> str:
    text = str(error)
    return f"{text[:1].upper()}{text[1:]}" + ("" if text.endswith(".") else ".")
