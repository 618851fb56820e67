"""``/repertoires``: the list, uploads by a form, files to keep, names and sides, deleting."""

from __future__ import annotations

from flask import Blueprint, Response, redirect, request, url_for
from werkzeug.wrappers import Response as AnyResponse

from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import READ, WRITE, needs, takes_upload
from pawnlore.service.api.repertoires import begin_upload, uploaded_files
from pawnlore.service.api.repertoires_at_hand import provide_repertoires, repertoires
from pawnlore.service.pages.layout import page
from pawnlore.service.pages.paging import page_number
from pawnlore.service.store.errors import Refused
from pawnlore.service.store.repertoire_shelf import StoredRepertoire
from pawnlore.service.store.values import one_line
from pawnlore.service.upload_jobs import KIND
from pawnlore.structures.repertoire_side import SIDES

pages = Blueprint("repertoires", __name__)
pages.record(provide_repertoires)

LISTED = 40
"""Repertoires on one page of the list."""

_MOST_RUNNING = 20
_FILES = "pgn"
_NAME_LENGTH = 200


@pages.get("/repertoires")
@needs(READ)
def listed() -> Response:
    """The repertoires, and where a new one is uploaded."""
    return _list()


@pages.post("/repertoires")
@needs(WRITE)
@takes_upload
def upload() -> AnyResponse:
    """Begin with a new repertoire."""
    fault = _fault()
    return _list(fault) if fault else _begun(None)


@pages.get("/repertoires/<id>/files")
@needs(READ)
def files(id: str) -> Response:
    """What can be kept of a repertoire as files."""
    shelf = repertoires().shelf
    return page("repertoires/files.html", stored=shelf.get(id), files=shelf.file_names(id))


@pages.get("/repertoires/<id>/manage")
@needs(WRITE)
def manage(id: str) -> Response:
    """Where a repertoire gets another name, side or content."""
    return _manage(repertoires().shelf.get(id))


@pages.post("/repertoires/<id>/manage")
@needs(WRITE)
def rename(id: str) -> AnyResponse:
    """Another name or side."""
    shelf = repertoires().shelf
    stored = shelf.get(id)
    name, side = request.form.get("name", "").strip(), request.form.get("side", "")
    if not name:
        return _manage(stored, name_fault="Give it a name.", status=422)
    try:
        name = one_line(name, "the name", _NAME_LENGTH)
    except Refused as error:
        fault = str(error)
        return _manage(stored, name_fault=f"{fault[:1].upper()}{fault[1:]}.", status=422)
    # A side that is not offered is refused by the shelf.
    shelf.rename(id, name=name, side=side)
    return redirect(url_for("groups.overview", id=id), 303)


@pages.post("/repertoires/<id>/pgn")
@needs(WRITE)
@takes_upload
def replace(id: str) -> AnyResponse:
    """Begin with a new content for a repertoire."""
    stored = repertoires().shelf.get(id)
    fault = _fault()
    return _manage(stored, fault=fault, status=422) if fault else _begun(stored)


@pages.get("/repertoires/<id>/delete")
@needs(WRITE)
def ask_to_delete(id: str) -> Response:
    """Ask whether it is meant."""
    return page("repertoires/delete.html", stored=repertoires().shelf.get(id))


@pages.post("/repertoires/<id>/delete")
@needs(WRITE)
def delete(id: str) -> AnyResponse:
    """Delete a repertoire."""
    repertoires().shelf.delete(id)
    return redirect(url_for("repertoires.listed"), 303)


def _list(fault: str = "") -> Response:
    parts = repertoires()
    after = page_number(request.args.get("after")) if "after" in request.args else 0
    found = parts.shelf.list(after=after, limit=LISTED + 1)
    going = [
        job
        for state in ("running", "waiting")
        for job in parts.jobs.list(state=state, limit=_MOST_RUNNING)
        if job.kind == KIND
    ]
    return page(
        "repertoires/list.html",
        422 if fault else 200,
        repertoires=found[:LISTED],
        after=found[LISTED - 1].number if len(found) > LISTED else None,
        first=not after,
        going=going,
        sides=SIDES,
        fault=fault,
        may_write=caller().may(WRITE),
    )


def _manage(
    stored: StoredRepertoire, *, fault: str = "", name_fault: str = "", status: int = 200
) -> Response:
    return page(
        "repertoires/manage.html",
        status,
        stored=stored,
        sides=SIDES,
        fault=fault,
        name_fault=name_fault,
        name=request.form.get("name", stored.name) if name_fault else stored.name,
    )


def _fault() -> str:
    """What is missing in the form of an upload."""
    if any(part.filename for part in request.files.getlist(_FILES)):
        return ""
    return "Choose at least one PGN file."


def _begun(before: StoredRepertoire | None) -> AnyResponse:
    name = one_line(request.form.get("name", ""), "the name", _NAME_LENGTH, needed=False)
    job = begin_upload(before, name, request.form.get("side", ""), uploaded_files())
    return redirect(url_for("uploads.upload", job=job.id), 303)
