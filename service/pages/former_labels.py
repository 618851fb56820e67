"""``/teach/labels/former``: what labels said until they were replaced or taken away."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

from flask import Blueprint, Response, request

from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import READ, WRITE, needs
from pawnlore.service.api.values import label_value
from pawnlore.service.pages.label_form import told_verdict
from pawnlore.service.pages.layout import page
from pawnlore.service.pages.own_names import own_names
from pawnlore.service.pages.paging import page_number, paging
from pawnlore.service.running import running
from pawnlore.service.store.label_shelf import FormerLabel, LabelShelf, StoredLabel
from pawnlore.structures.skeleton import Skeleton, skeleton_from_fen

pages = Blueprint("former-labels", __name__)

ROWS = 40
_MOST_ON_ONE = 10


@dataclass(frozen=True, slots=True)
class FormerRow:
    """A former label, with the position that it was given for and whose it was there.

    ``stands`` tells whether the label on these pawns says the same now;
    ``revision`` is that label's, 0 where there is none.
    """

    number: int
    fen: str
    skeleton: Skeleton
    told: str
    reason: str
    author: str
    replaced: bool
    ended: datetime
    ended_by: str
    stands: bool
    revision: int
    may_write: bool


@pages.get("/teach/labels/former")
@needs(READ)
def former() -> Response:
    """All of them, the latest first."""
    shelf = LabelShelf(running().store)
    part = paging(shelf.count_former(), page_number(request.args.get("page")), ROWS)
    found = shelf.former(limit=part.end)[part.start :]
    standing = {one.skeleton: one for one in shelf.list()}
    return page(
        "teach/former.html",
        rows=list(_rows(found, standing)),
        part=part,
        may_write=caller().may(WRITE),
    )


def former_rows(shelf: LabelShelf, skeleton: Skeleton) -> list[FormerRow]:
    """What was said of some pawns before, the latest first."""
    masks = (skeleton.white, skeleton.black)
    found = shelf.former(skeleton=masks, limit=_MOST_ON_ONE)
    stands = shelf.of(masks)
    return list(_rows(found, {} if stands is None else {stands.skeleton: stands}))


def former_said(shelf: LabelShelf, skeleton: Skeleton, number: str) -> dict[str, str] | None:
    """What the former label of a number said of some pawns; none where there is no such."""
    for one in shelf.former(skeleton=(skeleton.white, skeleton.black)):
        if str(one.number) == number:
            value = label_value(one.label)
            return {name: str(value[name]) for name in ("fen", "structure", "holder", "reason")}
    return None


def _rows(
    found: Iterable[FormerLabel], standing: dict[tuple[int, int], StoredLabel]
) -> Iterable[FormerRow]:
    names, may_write = own_names(), caller().may(WRITE)
    for one in found:
        was, now = one.label, standing.get(one.label.skeleton)
        value = label_value(was)
        said = (was.structure, was.holder, was.reason)
        yield FormerRow(
            one.number,
            value["fen"],
            skeleton_from_fen(value["fen"]),
            told_verdict(was.structure, value["holder"], names),
            was.reason,
            was.author,
            one.replaced,
            one.ended,
            one.ended_by,
            now is not None and (now.structure, now.holder, now.reason) == said,
            0 if now is None else now.revision,
            may_write,
        )
