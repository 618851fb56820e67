"""``/api/labels``: the author's own verdicts on skeletons, which decide before all others."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from flask import Blueprint, Response

from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import READ, WRITE, needs
from pawnlore.service.api.answers import json_answer, table_answer
from pawnlore.service.api.describe import (
    FORMAT,
    JSON,
    Answer,
    Operation,
    described,
    path,
    ref,
    table,
)
from pawnlore.service.api.etags import IF_MATCH, IF_NONE_MATCH, conditional, etag, expected_revision
from pawnlore.service.api.json_body import json_object
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.request_values import (
    PAGING,
    Fields,
    invalid,
    no_body,
    page_of_json,
    query_values,
)
from pawnlore.service.api.schemas import OWN_LENGTH
from pawnlore.service.api.values import (
    FORMER_LABEL_COLUMNS,
    LABEL_COLUMNS,
    former_label_value,
    label_value,
)
from pawnlore.service.running import running
from pawnlore.service.store.label_shelf import (
    REASON_LENGTH,
    LabelShelf,
    StaleLabel,
    StoredLabel,
)
from pawnlore.structures.catalogue import UNSETTLED
from pawnlore.structures.position_check import skeleton_of_line
from pawnlore.structures.skeleton import SkeletonError

resources = Blueprint("api-labels", __name__)

Given = TypeVar("Given")

_HOLDERS = ("white", "black", "both")
_FEN_LENGTH = 200
_ID = path("id", "The label's id.")
_TAGGED = {"ETag": "The revision, for the header If-Match of a change."}


@resources.get("/api/labels")
@needs(READ)
@described(
    Operation(
        "listLabels",
        "labels",
        "The author's labels in the order in which they came",
        {200: Answer("A page of labels.", table(ref("Labels")))},
        words="As CSV or JSON Lines all labels are given, in one piece.",
        parameters=(FORMAT, *PAGING),
        problems=(406,),
    )
)
def list_labels() -> Response:
    """A page of the list of labels."""
    values = query_values(FORMAT, *PAGING)
    wanted = page_of_json(values)
    shelf = LabelShelf(running().store)
    cursor = None
    if wanted is not None:
        found = shelf.list(after=wanted.after, limit=wanted.limit + 1)
        if len(found) > wanted.limit:
            found = found[: wanted.limit]
            cursor = str(found[-1].number)
    else:
        found = shelf.list()
    return table_answer(LABEL_COLUMNS, map(label_value, found), more={"next": cursor})


@resources.get("/api/former-labels")
@needs(READ)
@described(
    Operation(
        "listFormerLabels",
        "labels",
        "What labels said until they were replaced or taken away, the latest first",
        {200: Answer("A page of former labels.", table(ref("FormerLabels")))},
        words=(
            "To have one back, send what it says as a new label, or as a change of the one that "
            "stands. As CSV or JSON Lines all are given, in one piece."
        ),
        parameters=(FORMAT, *PAGING),
        problems=(406,),
    )
)
def list_former_labels() -> Response:
    """A page of the list of former labels."""
    values = query_values(FORMAT, *PAGING)
    wanted = page_of_json(values)
    shelf = LabelShelf(running().store)
    cursor = None
    if wanted is not None:
        found = shelf.former(before=wanted.after or None, limit=wanted.limit + 1)
        if len(found) > wanted.limit:
            found = found[: wanted.limit]
            cursor = str(found[-1].number)
    else:
        found = shelf.former()
    rows = map(former_label_value, found)
    return table_answer(FORMER_LABEL_COLUMNS, rows, more={"next": cursor})


@resources.post("/api/labels")
@needs(WRITE)
@described(
    Operation(
        "createLabel",
        "labels",
        "Label the pawns of a position; the same pawns with colours reversed are labelled too",
        {
            201: Answer(
                "The label.", {JSON: ref("Label")}, {**_TAGGED, "Location": "The label's address."}
            )
        },
        words="Where there is a label on these pawns already, 409 says which one to change.",
        body={JSON: ref("NewLabel")},
        problems=(406, 409, 422),
    )
)
def create_label() -> Response:
    """A new label."""
    query_values()
    fields = Fields(json_object())
    fen = fields.text("fen", needed=True, most=_FEN_LENGTH)
    given = _verdict(fields)
    fields.done()
    try:
        skeleton = skeleton_of_line(fen)
    except SkeletonError as error:
        invalid([f"the position cannot be read: {error}"], 422)
    shelf = LabelShelf(running().store)
    try:
        stored = shelf.put(
            skeleton, **given, fen=fen.strip(), author=caller().name, expected_revision=0
        )
    except StaleLabel as error:
        raise Problem(
            409,
            "There is a label on these pawns already; change that one.",
            headers={"Location": f"/api/labels/{error.current.id}"},
        ) from None
    response = _label_answer(stored, 201)
    response.headers["Location"] = f"/api/labels/{stored.id}"
    return response


@resources.get("/api/labels/<id>")
@needs(READ)
@described(
    Operation(
        "readLabel",
        "labels",
        "One label",
        {
            200: Answer("The label.", {JSON: ref("Label")}, _TAGGED),
            304: Answer("It is still the one that you have."),
        },
        parameters=(_ID, IF_NONE_MATCH),
        problems=(404, 406, 412),
    )
)
def read_label(id: str) -> Response:
    """One label."""
    query_values()
    response = _label_answer(LabelShelf(running().store).get(id))
    return conditional(response)


@resources.put("/api/labels/<id>")
@needs(WRITE)
@described(
    Operation(
        "changeLabel",
        "labels",
        "Give a label another structure, holder or reason",
        {200: Answer("The label as it is now.", {JSON: ref("Label")}, _TAGGED)},
        words="'holder' is that of the position 'fen' of the label.",
        parameters=(_ID, IF_MATCH),
        body={JSON: ref("ChangedLabel")},
        problems=(404, 406, 412, 422, 428),
    )
)
def change_label(id: str) -> Response:
    """The next revision of a label."""
    query_values()
    fields = Fields(json_object())
    given = _verdict(fields)
    fields.done()
    shelf = LabelShelf(running().store)
    current = shelf.get(id)
    expected = expected_revision(current.revision)
    if expected != current.revision:
        raise _stale(current)
    value = label_value(current)
    skeleton = skeleton_of_line(value["fen"])
    return _label_answer(
        _checked(
            lambda: shelf.put(
                skeleton,
                **given,
                fen=value["fen"],
                author=caller().name,
                expected_revision=expected,
            )
        )
    )


@resources.delete("/api/labels/<id>")
@needs(WRITE)
@described(
    Operation(
        "deleteLabel",
        "labels",
        "Take a label away; what it said stays among the former ones",
        {204: Answer("It is gone.")},
        parameters=(_ID, IF_MATCH),
        problems=(404, 412, 428),
    )
)
def delete_label(id: str) -> Response:
    """Take a label away."""
    query_values()
    no_body()
    shelf = LabelShelf(running().store)
    expected = expected_revision(shelf.get(id).revision)
    _checked(lambda: shelf.delete(id, author=caller().name, expected_revision=expected))
    return Response(status=204)


def _verdict(fields: Fields) -> dict[str, str]:
    """Structure, holder and reason of a body."""
    structure = fields.text("structure", needed=True, most=OWN_LENGTH)
    holder = fields.text("holder", needed=True)
    reason = fields.text("reason", most=REASON_LENGTH)
    if holder and holder not in _HOLDERS:
        fields.faults.append(f"holder must be one of {', '.join(_HOLDERS)}")
    known = running().classifier.catalogue.ids
    own = structure.startswith("own/") and len(structure.strip()) > len("own/")
    if structure and not (own or structure == UNSETTLED or structure in known):
        fields.faults.append(
            "structure is none that is known; one of your own begins with own/, and "
            "/api/structures lists the others"
        )
    return {"structure": structure, "holder": holder, "reason": reason}


def _checked(act: Callable[[], Given]) -> Given:
    try:
        return act()
    except StaleLabel as error:
        raise _stale(error.current) from None


def _stale(current: StoredLabel) -> Problem:
    return Problem(
        412,
        f"The label was changed in between: it is at revision {current.revision} now, as 'current' "
        "tells. Look at it, and send the change again with the new ETag.",
        kind="stale",
        headers={"ETag": etag(current.revision)},
        current=label_value(current),
    )


def _label_answer(stored: StoredLabel, status: int = 200) -> Response:
    value: dict[str, Any] = label_value(stored)
    return json_answer(value, status, {"ETag": etag(stored.revision)})
