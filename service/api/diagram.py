"""``/api/diagram.svg``: a position as a diagram of a printed book."""

from __future__ import annotations

import hashlib

from flask import Blueprint, Response, request

from pawnlore.service.access.needs import READ, needs, students_may
from pawnlore.service.api.classify import FEN
from pawnlore.service.api.describe import Answer, Operation, described, query
from pawnlore.service.api.etags import IF_NONE_MATCH, conditional
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.request_values import flag, invalid, query_values
from pawnlore.service.diagram import VIEWS
from pawnlore.service.diagram_request import (
    LARGEST,
    SMALLEST,
    DiagramError,
    DiagramRequest,
    requested_svg,
)

resources = Blueprint("api-diagram", __name__)

SVG = "image/svg+xml"

_LIST_LENGTH = 600
_VIEW = query(
    "view",
    {"enum": list(VIEWS), "default": "position"},
    "'skeleton' draws the pawns strong and the pieces light.",
)
_SIDE = query(
    "side", {"enum": ["white", "black"], "default": "white"}, "Whose view it is: the side below."
)
_LIST = {"type": "string", "maxLength": _LIST_LENGTH}
_PLACES = {**_LIST, "pattern": "^([a-h][1-8]( [a-h][1-8]){0,63})?$"}
_SQUARES = query("squares", _PLACES, "Squares of that side's plan, with spaces between: rings.")
_MOVES = query(
    "moves",
    _LIST,
    "Moves of that side's plan in SAN, one after the other, with spaces between: arrows.",
)
_THEIR_SQUARES = query("their_squares", _PLACES, "Squares of the other side's plan: frames.")
_THEIR_MOVES = query("their_moves", _LIST, "Moves of the other side's plan: dashed arrows.")
_SMALL = query(
    "small", {"type": "boolean", "default": False}, "For the size of a stamp: no coordinates."
)
_WIDTH = query(
    "width",
    {"type": "integer", "minimum": SMALLEST, "maximum": LARGEST},
    "In pixels; without it the drawing takes the room that it is given.",
)
_PARAMETERS = (
    FEN,
    _VIEW,
    _SIDE,
    _SQUARES,
    _MOVES,
    _THEIR_SQUARES,
    _THEIR_MOVES,
    _SMALL,
    _WIDTH,
)


@resources.get("/api/diagram.svg")
@students_may()
@needs(READ)
@described(
    Operation(
        "drawDiagram",
        "diagrams",
        "A position as a diagram of a printed book",
        {
            200: Answer(
                "The drawing, which needs nothing from elsewhere.",
                {SVG: {"type": "string"}},
                {"ETag": "A digest of the drawing."},
            ),
            304: Answer("It is still the one that you have."),
        },
        words="The position in words stands in the drawing, for those who cannot see it.",
        parameters=(*_PARAMETERS, IF_NONE_MATCH),
        problems=(406, 412, 422),
    )
)
def draw_diagram() -> Response:
    """One diagram."""
    values = query_values(*_PARAMETERS)
    if "Accept" in request.headers and not request.accept_mimetypes.best_match([SVG]):
        raise Problem(406, f"A diagram is given as {SVG} alone; accept that.")
    wanted = DiagramRequest(
        values["fen"],
        view=_one_of(values, "view", VIEWS),
        side=_one_of(values, "side", ("white", "black")),
        squares=values.get("squares", "").split(),
        moves=values.get("moves", "").split(),
        their_squares=values.get("their_squares", "").split(),
        their_moves=values.get("their_moves", "").split(),
        small=flag(values, "small"),
        width=_width(values),
    )
    try:
        drawn = requested_svg(wanted)
    except DiagramError as error:
        invalid([*error.messages], 422)
    response = Response(drawn, content_type=f"{SVG}; charset=utf-8")
    response.set_etag(hashlib.sha256(drawn.encode()).hexdigest()[:32])
    # The same address always gives the same drawing, as long as the style is the same.
    response.headers["Cache-Control"] = "private, max-age=86400"
    return conditional(response)


def _one_of(values: dict[str, str], name: str, choices: tuple[str, ...]) -> str:
    value = values.get(name, choices[0])
    if value not in choices:
        invalid([f"{name} must be {' or '.join(choices)}, not {value[:60]!r}"])
    return value


def _width(values: dict[str, str]) -> int | None:
    text = values.get("width")
    if text is None:
        return None
    if text.isascii() and text.isdigit() and len(text) < 6 and SMALLEST <= int(text) <= LARGEST:
        return int(text)
    invalid([f"width must be a whole number from {SMALLEST} to {LARGEST:,}, not {text[:60]!r}"])
