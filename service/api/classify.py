"""``/api/classify``: the structure of one position, or of many."""

from __future__ import annotations

import io
from collections.abc import Iterator, Sequence
from itertools import islice
from typing import Any

from flask import Blueprint, Response, request

from pawnlore.models.explanation import explain
from pawnlore.service.access.needs import READ, needs, students_may
from pawnlore.service.api.answers import json_answer, table_answer
from pawnlore.service.api.describe import (
    FORMAT,
    JSON,
    Answer,
    Operation,
    Schema,
    described,
    query,
    ref,
)
from pawnlore.service.api.describe import table as table_content
from pawnlore.service.api.formats import formatted
from pawnlore.service.api.json_body import json_object, plain_body
from pawnlore.service.api.lookups import lookups, provide_lookups
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.readers import tells_how_sure
from pawnlore.service.api.request_values import Fields, flag, invalid, query_values
from pawnlore.service.api.schemas import EXAMPLE_FEN
from pawnlore.service.api.values import STUDENT_VERDICT_COLUMNS, VERDICT_COLUMNS, verdict_value
from pawnlore.service.exports.explanation_text import explanation_value
from pawnlore.service.labelled_verdicts import own_verdict
from pawnlore.service.lookups_at_hand import Lookups
from pawnlore.service.position_lines import LINE_LIMIT, PositionLine, read_position_lines
from pawnlore.service.running import running
from pawnlore.service.study_position import study_position
from pawnlore.structures.query_position import QueryPosition
from pawnlore.structures.skeleton import SkeletonError, pack

resources = Blueprint("api-classify", __name__)
resources.record(provide_lookups)

FEN = query(
    "fen",
    formatted("position", least=1, most=LINE_LIMIT, examples=[EXAMPLE_FEN]),
    "A FEN, an EPD or a bare piece placement.",
    needed=True,
)
"""The parameter that names a position."""

_EXPLAIN = query("explain", {"type": "boolean", "default": False}, "Whether to say why.")
_LINES: Schema = {"type": "string", "examples": [f"{EXAMPLE_FEN}\n"]}
_BLOCK = 1024


@resources.get("/api/classify")
@students_may()
@needs(READ)
@described(
    Operation(
        "classifyOne",
        "classify",
        "The structure of one position",
        {200: Answer("The verdict.", {JSON: ref("ExplainedVerdict")})},
        words=(
            "A student is told the structure and its holder; how sure that is, what decided it "
            "and why are told to authors only, and 'explain' is refused with 403."
        ),
        parameters=(FEN, _EXPLAIN),
        problems=(406, 422),
    )
)
def classify_one() -> Response:
    """The verdict on one position."""
    values = query_values(FEN, _EXPLAIN)
    wanted = flag(values, "explain")
    if wanted and not tells_how_sure():
        raise Problem(403, "A student link does not reach explanations.", kind="not-allowed")
    position = position_of(values)
    known = lookups()
    verdict, by = known.verdict(position.skeleton)
    value = {"fen": values["fen"].strip(), **verdict_value(verdict, _told(by))}
    if wanted:
        found = explain(known.classifier, position.skeleton, known.examples)
        value["explanation"] = explanation_value(found)
    return json_answer(value)


@resources.post("/api/classify")
@students_may()
@needs(READ)
@described(
    Operation(
        "classifyMany",
        "classify",
        "The structures of many positions",
        {200: Answer("A row for every position, in order.", table_content(ref("Verdicts")))},
        words=(
            "A position that cannot be read gets a row with the reason in 'error', and costs none "
            "of the others. As text/plain, the body holds one FEN or EPD a line."
        ),
        parameters=(FORMAT,),
        body={
            JSON: ref("Positions"),
            "text/plain": {"type": "string", "examples": [f"{EXAMPLE_FEN}\n"]},
        },
        problems=(406,),
    )
)
def classify_many() -> Response:
    """A verdict on every position of a batch, streamed."""
    query_values(FORMAT)
    told = tells_how_sure()
    columns = VERDICT_COLUMNS if told else STUDENT_VERDICT_COLUMNS
    return table_answer(columns, _rows(lookups(), _batch(), told=told))


def position_of(values: dict[str, str]) -> QueryPosition:
    """The position that the parameter `FEN` names; raises `Problem` 422."""
    try:
        return study_position(values["fen"])
    except SkeletonError as error:
        invalid([f"the position cannot be read: {error}"], 422)


def _batch() -> Sequence[PositionLine]:
    """The positions of the body, all of them before the answer begins."""
    most = running().settings.limits.batch_rows
    if request.mimetype == "text/plain":
        plain_body()
        lines = read_position_lines(io.BytesIO(request.get_data(cache=False)))
        batch = list(islice(lines, most + 1))
        if len(batch) > most:
            raise Problem(
                413, f"At most {most:,} lines fit in one batch; send it in parts.", kind="too-large"
            )
        return batch
    if not request.is_json:
        raise Problem(
            415,
            "Send the positions as application/json or as text/plain, one a line.",
            headers={"Accept": "application/json, text/plain"},
        )
    fields = Fields(json_object())
    fens = fields.texts("fens", most)
    fields.done()
    return [_line(number, fen) for number, fen in enumerate(fens, 1)]


def _line(number: int, text: str) -> PositionLine:
    lines = list(islice(read_position_lines(io.BytesIO(text.encode())), 2))
    if len(lines) == 1:
        return lines[0]
    shown = " ".join(text.split())[:120]
    reason = "the entry holds several lines" if lines else "the line is empty"
    return PositionLine(number, shown, None, reason)


def _rows(known: Lookups, batch: Sequence[PositionLine], *, told: bool) -> Iterator[dict[str, Any]]:
    labels = known.labels()
    for start in range(0, len(batch), _BLOCK):
        block = batch[start : start + _BLOCK]
        skeletons = [line.skeleton for line in block if line.skeleton is not None]
        verdicts = known.classifier.classify(pack(skeletons))
        place = 0
        for line in block:
            if line.skeleton is None:
                yield {"fen": line.text, "error": line.error}
                continue
            verdict = verdicts[place]
            place += 1
            own = own_verdict(labels, line.skeleton, verdict)
            by = "label" if own else "core" if verdict.core else "classifier"
            yield {"fen": line.text, **verdict_value(own or verdict, by if told else "")}


def _told(by: str) -> str:
    """Who decided, where the caller is told."""
    return by if tells_how_sure() else ""
