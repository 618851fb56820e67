"""``/repertoires/<id>/nodes/<node>``: a position of a line, with its board, path and moves."""

from __future__ import annotations

import chess
from flask import Blueprint, Response, request

from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import READ, WRITE, needs, students_may
from pawnlore.service.api.lookups import lookups
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.readers import readers_notes
from pawnlore.service.api.repertoires_at_hand import provide_repertoires, repertoires
from pawnlore.service.lookup import Lookup, lookup
from pawnlore.service.pages.finer_form import finer_form
from pawnlore.service.pages.group_keys import HOLDERS, heading
from pawnlore.service.pages.layout import page
from pawnlore.service.pages.line_view import LineView, line_view
from pawnlore.service.pages.plan_view import plan_view
from pawnlore.service.pages.teach_labels import form_for
from pawnlore.service.study_position import study_position
from pawnlore.structures.skeleton import placement
from pawnlore.structures.verdict import Verdict

pages = Blueprint("lines", __name__)
pages.record(provide_repertoires)

_MOST_DIGITS = 9
_PLANS = 14_000  # bytes of plans, beside a line with all its comments


@pages.get("/repertoires/<id>/nodes/<int:node>")
@needs(READ)
@students_may("id")
def position(id: str, node: int) -> Response:
    """One position, on the line that ``line`` names by its last node."""
    opened = repertoires().desk.open(id)
    work = opened.work
    if node >= len(work.book):
        raise Problem(
            404,
            f"The repertoire has {len(work.book):,} positions, so there is none of this number. "
            "It may have been uploaded anew.",
        )
    asked = request.args.get("line", "")
    is_number = asked.isascii() and asked.isdecimal() and len(asked) <= _MOST_DIGITS
    view = line_view(work, node, int(asked) if is_number else None)
    drawn = view.fen or placement(view.skeleton)
    found = _looked_up(view, work.book.game_of(node).chapter)
    return page(
        "repertoires/line.html",
        stored=opened.stored,
        view=view,
        words=_words(view.verdict),
        plans=plan_view(found, chess.BaseBoard(drawn.split()[0]), view.side, room=_PLANS),
        drawn=drawn,
        student=caller().student,
        may_write=caller().may(WRITE),
        finer=None
        if caller().student or view.verdict.finer is None
        else finer_form(*view.verdict.finer, view.verdict.structure),
        labelling=form_for(
            drawn,
            view.skeleton,
            view.verdict.structure,
            view.verdict.holder,
            f"/repertoires/{id}/nodes/{node}?line={view.leaf}#label",
        ),
    )


def _looked_up(view: LineView, chapter: str) -> Lookup:
    """The plans here; the verdict is the one that is kept with the node."""
    asked = study_position(view.fen or placement(view.skeleton))
    known = lookups()
    held, parents = known.memory(view.skeleton), known.parents()
    return lookup(
        asked, lambda _: view.verdict, readers_notes(), chapter, held=held, parents=parents
    )


def _words(verdict: Verdict) -> str:
    """What stands, and whose it is."""
    if not verdict.settled:
        return "No structure stands here"
    return f"{heading(verdict.structure)}, {HOLDERS[verdict.holder]}"
