"""Files of a repertoire: its PGN as uploaded, tagged, split by middlegame type; the booklet."""

from __future__ import annotations

import tempfile
import zipfile
from collections.abc import Iterator
from typing import IO

from flask import Blueprint, Response

from pawnlore.service.access.needs import READ, needs
from pawnlore.service.api.describe import Answer, Operation, Schema, described, query
from pawnlore.service.api.lookups import lookups
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.repertoires import ID, PGN
from pawnlore.service.api.repertoires_at_hand import provide_repertoires, repertoires
from pawnlore.service.api.request_values import flag, query_values
from pawnlore.service.api.tables import streamed, whole_number
from pawnlore.service.deadline import Deadline
from pawnlore.service.exports.booklet import booklet
from pawnlore.service.exports.pgn import write_repertoire
from pawnlore.service.exports.split import split_files
from pawnlore.service.exports.tag_comments import with_tags
from pawnlore.service.running import running

resources = Blueprint("api-repertoire-exports", __name__)
resources.record(provide_repertoires)

ZIP, HTML = "application/zip", "text/html"

_MOST_FILES = 100
_PIECE = 64 * 1024
_TEXT: Schema = {"type": "string"}
_FILE = query(
    "file",
    {"type": "integer", "minimum": 1, "maximum": _MOST_FILES, "default": 1},
    "Which of the uploaded files, counted from 1.",
)
_EVERY = query(
    "every",
    {"type": "boolean", "default": False},
    "Whether every node has a tag, and not only those where the structure changes.",
)
_TITLE = query(
    "title", {"type": "string", "maxLength": 200}, "What stands on the first page; else its name."
)
_OWED = query(
    "owed",
    {"type": "boolean", "default": False},
    "Whether it tells what the author still owes; not for a booklet that students get.",
)


@resources.get("/api/repertoires/<id>/pgn")
@needs(READ)
@described(
    Operation(
        "getPgn",
        "repertoires",
        "A file of a repertoire as it was uploaded, byte for byte",
        {200: Answer("The file.", {PGN: _TEXT})},
        parameters=(ID, _FILE),
        problems=(404,),
    )
)
def pgn(id: str) -> Response:
    """A file as it was uploaded."""
    place = whole_number(query_values(_FILE), "file", 1, most=_MOST_FILES)
    files = repertoires().shelf.files(id)
    if place > len(files):
        raise Problem(404, f"The repertoire has {len(files)} files, so there is no file {place}.")
    name, content = files[place - 1]
    response = Response(content, content_type=PGN)
    response.headers.set("Content-Disposition", "attachment", filename=name)
    return response


@resources.get("/api/repertoires/<id>/tagged.pgn")
@needs(READ)
@described(
    Operation(
        "getTaggedPgn",
        "repertoires",
        "The repertoire as PGN with its structures as comments",
        {200: Answer("The file.", {PGN: _TEXT})},
        parameters=(ID, _EVERY),
        problems=(404,),
    )
)
def tagged(id: str) -> Response:
    """The repertoire with its structures as comments."""
    every = flag(query_values(_EVERY), "every")
    work = repertoires().desk.open(id).work
    pages = write_repertoire(work.book, with_tags(work.book, work.distinct, every=every))
    return streamed(pages, PGN, "tagged.pgn")


@resources.get("/api/repertoires/<id>/split.zip")
@needs(READ)
@described(
    Operation(
        "getSplit",
        "repertoires",
        "One PGN file for each middlegame type, with the plan notes as comments, in a ZIP file",
        {200: Answer("The file.", {ZIP: {"type": "string", "format": "binary"}})},
        parameters=(ID,),
        problems=(404, 413),
    )
)
def split(id: str) -> Response:
    """One PGN file for each middlegame type."""
    query_values()
    deadline = Deadline.after(running().settings.limits.work_seconds)
    desk = repertoires().desk
    opened, notes = desk.open(id), [known.note for known in lookups().notes()]
    # Only conditions of notes look at more than the moves.
    work = desk.with_fens(opened) if any(note.when for note in notes) else opened.work
    deadline.check()
    # Small ones stay in memory. It is closed when it has been sent.
    made = tempfile.SpooledTemporaryFile(max_size=1 << 20)  # noqa: SIM115
    try:
        with zipfile.ZipFile(made, "w", zipfile.ZIP_DEFLATED) as archive:
            for file in split_files(work, notes):
                deadline.check()
                # The same content gives the same bytes, whenever it is made.
                entry = zipfile.ZipInfo(file.name)
                entry.compress_type = zipfile.ZIP_DEFLATED
                archive.writestr(entry, file.text.encode("utf-8", "surrogateescape"))
    except BaseException:
        made.close()
        raise
    response = Response(_pieces(made), content_type=ZIP)
    response.headers.set("Content-Disposition", "attachment", filename="split.zip")
    return response


@resources.get("/api/repertoires/<id>/booklet.html")
@needs(READ)
@described(
    Operation(
        "getBooklet",
        "repertoires",
        "The study booklet: one HTML file that prints well",
        {200: Answer("The file.", {HTML: _TEXT})},
        parameters=(ID, _TITLE, _OWED),
        problems=(404, 413),
    )
)
def study_booklet(id: str) -> Response:
    """The study booklet."""
    values = query_values(_TITLE, _OWED)
    with_owed = flag(values, "owed")
    deadline = Deadline.after(running().settings.limits.work_seconds)
    desk = repertoires().desk
    opened = desk.open(id)
    work = desk.with_fens(opened)
    pages = []
    index = lookups().notes()
    known = index if with_owed else index.published
    for page in booklet(
        work,
        work.classify,
        [one.note for one in known],
        title=values.get("title", "").strip() or opened.stored.name,
        with_owed=with_owed,
    ):
        deadline.check()
        pages.append(page)
    response = streamed(pages, f"{HTML}; charset=utf-8", "booklet.html")
    # It holds its own style, and nothing that runs.
    response.headers["Content-Security-Policy"] = (
        "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; "
        "frame-ancestors 'none'"
    )
    return response


def _pieces(stream: IO[bytes]) -> Iterator[bytes]:
    with stream:
        stream.seek(0)
        while piece := stream.read(_PIECE):
            yield piece
