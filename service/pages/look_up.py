"""``/look-up``: a position from a FEN or from moves, and everything that follows from it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any
from urllib.parse import quote

import chess
import numpy as np
from flask import Blueprint, Response, redirect, request
from werkzeug.wrappers import Response as AnyResponse

from pawnlore.models.explanation import explain
from pawnlore.service.access.caller import caller
from pawnlore.service.access.needs import READ, WRITE, needs, students_may
from pawnlore.service.api.lookups import lookups
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.readers import look_up as readers_look_up
from pawnlore.service.api.repertoires_at_hand import provide_repertoires, repertoires
from pawnlore.service.labelled_repertoire import with_labels
from pawnlore.service.lookups_at_hand import Lookups
from pawnlore.service.note_index import KnownNote, NoteIndex
from pawnlore.service.pages.break_view import SideBreaks, break_view
from pawnlore.service.pages.layout import page
from pawnlore.service.pages.look_up_view import (
    here_in,
    lines_with,
    middlegames_of,
    similar_in,
)
from pawnlore.service.pages.plan_view import plan_view
from pawnlore.service.pages.teach_labels import form_for
from pawnlore.service.pages.verdict_view import verdict_view
from pawnlore.service.played_line import MOVES_LENGTH, PlayedLine, play_line
from pawnlore.service.position_lines import LINE_LIMIT
from pawnlore.service.repertoire_desk import OpenRepertoire
from pawnlore.service.store.repertoire_shelf import StoredRepertoire
from pawnlore.structures.breaks import break_tree
from pawnlore.structures.distinct_verdicts import DistinctVerdicts
from pawnlore.structures.query_position import QueryPosition
from pawnlore.structures.skeleton import Masks, SkeletonError, placement
from pawnlore.structures.verdict import Classify, Verdict, Verdicts

pages = Blueprint("look-up", __name__)
pages.record(provide_repertoires)

MOST_REPERTOIRES = 6
"""Repertoires that are looked through for the structure; the page says where there are more."""

_MOST_DIGITS = 3


@dataclass(frozen=True)
class Asked:
    """What the address asks for.

    ``fen`` and ``moves`` are the line so far, ``play`` is to be added to it, and
    ``back`` is how many moves are to be kept. ``side`` is at the bottom of the
    board, and ours. ``repertoire`` is the one that is walked.
    """

    fen: str = ""
    moves: str = ""
    play: str = ""
    back: int | None = None
    repertoire: str = ""
    side: str = ""

    @property
    def begin(self) -> str:
        """The address of a game's beginning, for the same reader."""
        return replace(self, fen="", moves="").address()

    def address(self, *, moves: str | None = None, side: str | None = None) -> str:
        """The address of a line from the same start."""
        given = {
            "fen": self.fen,
            "moves": self.moves if moves is None else moves,
            "repertoire": self.repertoire,
            "side": self.side if side is None else side,
        }
        query = "&".join(
            f"{name}={quote(text, safe='/,:-').replace('%20', '+')}"
            for name, text in given.items()
            if text
        )
        return f"/look-up?{query}" if query else "/look-up"


@pages.get("/look-up")
@students_may()
@needs(READ)
def look_up() -> AnyResponse:
    """The page; a move that is to be played leads on to the address of the line with it."""
    asked = _asked()
    try:
        line = play_line(asked.fen, asked.moves, asked.play)
    except SkeletonError as error:
        return _no_position(asked, str(error))
    if asked.back is not None:
        return redirect(asked.address(moves=" ".join(line.moves[: asked.back])), 303)
    if asked.play and not line.fault:
        return redirect(asked.address(moves=" ".join(line.moves)), 303)
    # What was played is what the address of every link goes on from.
    return look_up_page(replace(asked, moves=" ".join(line.moves)), line)


def look_up_page(asked: Asked, line: PlayedLine) -> Response:
    """The page of a line; status 422 where some of it could not be played."""
    student = caller().student
    known = lookups()
    stored, more = _stored(asked)
    walked = next((one for one in stored if one.id == asked.repertoire), None)
    opened = {one.id: repertoires().desk.open(one.id) for one in stored}
    book = opened.get(walked.id) if walked else None
    here = here_in(book, line) if book else None
    begins = not line.start and not line.moves
    position = line.position
    found, by = readers_look_up(position, here.chapter if here else "")
    # Told to no student: it would give away where a label stands instead.
    silent = student or begins
    told = None if silent else explain(known.classifier, position.skeleton, known.examples)
    side = asked.side or (_side_of(book) if book else "")
    board = line.board or chess.BaseBoard(_drawn(line).split(None, 1)[0])
    notes = known.notes()
    return page(
        "look_up.html",
        422 if line.fault else 200,
        asked=asked,
        line=line,
        drawn=_drawn(line),
        side=side,
        orientation=side or "white",
        verdict=verdict_view(
            found.verdict, by, told, known.classifier.catalogue, position.skeleton
        ),
        skeleton=position.skeleton,
        plans=plan_view(found, board, side),
        # Of a game's first position nothing is worth telling.
        breaks=() if begins else _breaks(position, None if student else book),
        walked=walked,
        here=here,
        middlegames=middlegames_of(book) if book and begins else (),
        similar=similar_in(book, position.skeleton) if book else (),
        same=lines_with(opened.values(), found.verdict),
        repertoires=stored,
        more_repertoires=more,
        student=student,
        may_write=caller().may(WRITE) and not student,
        labelling=None
        if begins
        else form_for(
            line.fen if line.board else placement(position.skeleton),
            position.skeleton,
            found.verdict.structure,
            found.verdict.holder,
            f"{asked.address()}#label",
        ),
        ended=_ended(line.board),
        begins=begins,
        written=len(notes),
        elsewhere=() if student or found.notes else _elsewhere(notes, found.verdict),
    )


def _elsewhere(notes: NoteIndex, verdict: Verdict) -> tuple[KnownNote, ...]:
    """The notes on what stands here, a finer form's first, whether they apply or not."""
    return tuple(known for structure, _ in verdict.held for known in notes.on(structure))


def _breaks(position: QueryPosition, book: OpenRepertoire | None) -> tuple[SideBreaks, ...]:
    """The breaks, with how often a repertoire plays them where one is given."""
    if book is None:
        return break_view(break_tree(position, _with_own_labels(lookups())))
    work = book.work
    return break_view(break_tree(position, work.classify, work.book, work.distinct))


def _with_own_labels(known: Lookups) -> Classify:
    """The classifier, but the author's own verdict where there is one, as in a lookup."""
    labels = known.labels()

    def classify(masks: Masks) -> Verdicts:
        rows = np.arange(len(masks))
        found = DistinctVerdicts(masks, known.classifier.classify(masks), rows)
        return with_labels(found, labels).verdicts

    return classify


def _asked() -> Asked:
    """What the address asks for; what does not fit is left out or cut, and never a fault."""
    given: dict[str, Any] = {
        "fen": " ".join(request.args.get("fen", "")[: LINE_LIMIT + 1].split()),
        "moves": request.args.get("moves", "")[:MOVES_LENGTH],
        "play": request.args.get("play", "").strip()[:MOVES_LENGTH],
        "repertoire": request.args.get("repertoire", "")[:100],
    }
    side = request.args.get("side", "")
    back = request.args.get("back", "")
    if back.isascii() and back.isdecimal() and len(back) <= _MOST_DIGITS:
        given["back"] = int(back)
    known = caller()
    if known.repertoire is not None:
        if given["repertoire"] not in ("", known.repertoire):
            raise Problem(404, "There is no such repertoire.")
        given["repertoire"] = known.repertoire
    return Asked(side=side if side in chess.COLOR_NAMES else "", **given)


def _stored(asked: Asked) -> tuple[list[StoredRepertoire], bool]:
    """The repertoires to look through, the one that is walked among them; and if there are more."""
    shelf = repertoires().shelf
    if caller().student:
        return [shelf.get(asked.repertoire)], False
    found = shelf.list(limit=MOST_REPERTOIRES + 1)
    more = len(found) > MOST_REPERTOIRES
    found = found[:MOST_REPERTOIRES]
    if asked.repertoire and all(one.id != asked.repertoire for one in found):
        found.insert(0, shelf.get(asked.repertoire))
    return found, more


def _side_of(opened: OpenRepertoire) -> str:
    side = opened.work.side.side
    return side if side in chess.COLOR_NAMES else ""


def _drawn(line: PlayedLine) -> str:
    """What the diagram shows: the position, or its placement where no move can be played."""
    if line.board is not None:
        return line.fen
    return line.start or placement(line.first.skeleton)


def _ended(board: chess.Board | None) -> str:
    if board is None or any(board.legal_moves):
        return ""
    return "Checkmate." if board.is_check() else "Stalemate: there is no move."


def _no_position(asked: Asked, reason: str) -> Response:
    return page("look_up_problem.html", 422, asked=asked, reason=reason)
