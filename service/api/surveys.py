"""``/api/surveys``: answers of surveys that are kept, and what they are beside repertoires."""

from __future__ import annotations

import hashlib
from typing import Any

from flask import Blueprint, Response, request

from pawnlore.service.access.needs import READ, WRITE, needs
from pawnlore.service.api.answers import as_json, csv_text, json_answer, table_answer
from pawnlore.service.api.describe import (
    FORMAT,
    JSON,
    Answer,
    Operation,
    Schema,
    described,
    path,
    query,
    ref,
    table,
)
from pawnlore.service.api.etags import IF_NONE_MATCH, conditional
from pawnlore.service.api.problems import Problem
from pawnlore.service.api.repertoires_at_hand import provide_repertoires, repertoires
from pawnlore.service.api.request_values import (
    PAGING,
    invalid,
    no_body,
    page_of_json,
    query_values,
)
from pawnlore.service.api.schemas import HOLDER, NUMBER, TEXT, TRUTH
from pawnlore.service.api.tables import LONG_PAGING, LongTable, long_schema, long_table_answer
from pawnlore.service.api.values import moment
from pawnlore.service.running import running
from pawnlore.service.store.errors import NotFound
from pawnlore.service.store.survey_shelf import (
    BESIDE_TABLES,
    TABLES,
    KeptSurvey,
    KeptTable,
    SurveyShelf,
)
from pawnlore.service.survey.kept_figures import PLOTS, kept_figure
from pawnlore.structures.verdict import HOLDERS

resources = Blueprint("api-surveys", __name__)
resources.record(provide_repertoires)

SVG = "image/svg+xml"

COLUMNS = ("id", "name", "games", "revision", "made")

_BESIDE_COLUMNS = (
    "survey",
    "survey_name",
    "repertoire",
    "version",
    "current",
    "side",
    "games",
    "followed",
)

_ID = path("id", "The survey's id.")
_REPERTOIRE = path("id", "The repertoire's id.")
_TABLE = path("table", "Which table.", {"enum": list(TABLES)})
_BESIDE = path("table", "Which table.", {"enum": list(BESIDE_TABLES)})
_PLOT = path("plot", "Which plot.", {"enum": list(PLOTS)})
_STRUCTURE = query(
    "structure",
    {"type": "string", "maxLength": 200},
    "Only rows on this structure: a family's id, or 'unsettled'.",
)
_DRAWN = query(
    "structure",
    {"type": "string", "maxLength": 200},
    "Draw this structure alone: how often by half-move, or its score by rating.",
)
_HOLDER = query(
    "holder", {"enum": list(HOLDERS)}, "With a structure: whose it is; else the more frequent."
)
_SURVEY = query(
    "survey", {"type": "string", "maxLength": 40}, "The id of a survey; else the one kept last."
)

_UNKNOWN_SHARE: Schema = {"type": ["number", "null"], "minimum": 0, "maximum": 1}
_ROW_TYPES: dict[str, Schema] = {
    "structure": TEXT,
    "holder": HOLDER,
    "games": NUMBER,
    "decided": NUMBER,
    **dict.fromkeys(("score", "score_low", "score_high"), _UNKNOWN_SHARE),
    **dict.fromkeys(("draws", "draws_low", "draws_high"), _UNKNOWN_SHARE),
}
"""What the rows of most tables have; each has more columns of its own."""

_WORDS = (
    "Shares and scores lie between 0 and 1, each with the bounds of Wilson's interval of 95 per "
    "cent (_low, _high). Scores are White's; a break's are of the side that plays it. "
    "'decided' counts the games with a result."
)


def survey_value(kept: KeptSurvey) -> dict[str, Any]:
    """A survey as plain values, with the keys of `COLUMNS`."""
    return {
        "id": kept.id,
        "name": kept.name,
        "games": kept.games,
        "revision": kept.revision,
        "made": moment(kept.made),
    }


@resources.get("/api/surveys")
@needs(READ)
@described(
    Operation(
        "listSurveys",
        "surveys",
        "Surveys in the order in which they came",
        {200: Answer("A page of surveys.", table(ref("Surveys")))},
        words="As CSV or JSON Lines all surveys are given, in one piece.",
        parameters=(FORMAT, *PAGING),
        problems=(406,),
    )
)
def list_surveys() -> Response:
    """A page of surveys."""
    wanted = page_of_json(query_values(FORMAT, *PAGING))
    shelf = _shelf()
    after = None
    if wanted is None:
        found = shelf.list()
    else:
        found = shelf.list(after=wanted.after, limit=wanted.limit + 1)
        if len(found) > wanted.limit:
            found = found[: wanted.limit]
            after = str(found[-1].number)
    return table_answer(COLUMNS, map(survey_value, found), more={"next": after})


@resources.get("/api/surveys/<id>")
@needs(READ)
@described(
    Operation(
        "readSurvey",
        "surveys",
        "What is known of a survey: what was surveyed, and its tables with their rows",
        {
            200: Answer("The survey.", {JSON: ref("Survey")}, {"ETag": "A digest of it."}),
            304: Answer("It is still the one that you have."),
        },
        parameters=(_ID, IF_NONE_MATCH),
        problems=(404, 406, 412),
    )
)
def read_survey(id: str) -> Response:
    """One survey."""
    query_values()
    shelf = _shelf()
    kept = shelf.get(id)
    value = {
        **survey_value(kept),
        "described": kept.described,
        "tables": shelf.sizes(kept.id),
        "repertoires": [one.repertoire for one in shelf.besides(survey=kept.id)],
    }
    return _tagged(json_answer(value))


@resources.delete("/api/surveys/<id>")
@needs(WRITE)
@described(
    Operation(
        "deleteSurvey",
        "surveys",
        "Delete a survey with its tables, also those beside repertoires",
        {204: Answer("It is gone.")},
        parameters=(_ID,),
        problems=(404,),
    )
)
def delete_survey(id: str) -> Response:
    """Delete a survey."""
    query_values()
    no_body()
    _shelf().delete(id)
    return Response(status=204)


@resources.get("/api/surveys/<id>/tables/<table>")
@needs(READ)
@described(
    Operation(
        "readSurveyTable",
        "surveys",
        "A table of a survey, or its rows on one structure",
        {200: Answer("A page of rows in JSON, or all rows.", long_schema(_ROW_TYPES))},
        words=_WORDS,
        parameters=(_ID, _TABLE, _STRUCTURE, *LONG_PAGING),
        problems=(404, 406),
    )
)
def read_table(id: str, table: str) -> Response:
    """One table."""
    values = query_values(_STRUCTURE, *LONG_PAGING)
    shelf = _shelf()
    kept = shelf.get(id)
    found = shelf.table(kept.id, table, values.get("structure", ""))
    return _table(found, f"{kept.id}r{kept.revision}", values)


@resources.get("/api/surveys/<id>/plots/<plot>")
@needs(READ)
@described(
    Operation(
        "drawSurvey",
        "surveys",
        "A survey's answers as a plot: how often structures come up, or how they score",
        {
            200: Answer("The drawing.", {SVG: {"type": "string"}}, {"ETag": "A digest of it."}),
            304: Answer("It is still the one that you have."),
        },
        words="The most frequent structures; with a structure named, that one alone.",
        parameters=(_ID, _PLOT, _DRAWN, _HOLDER, IF_NONE_MATCH),
        problems=(404, 406, 412),
    )
)
def draw_survey(id: str, plot: str) -> Response:
    """One plot."""
    values = query_values(_DRAWN, _HOLDER)
    if "Accept" in request.headers and not request.accept_mimetypes.best_match([SVG]):
        raise Problem(406, f"A plot is given as {SVG} alone; accept that.")
    holder, structure = values.get("holder", ""), values.get("structure", "")
    if holder and holder not in HOLDERS:
        invalid([f"holder must be one of {', '.join(HOLDERS)}"])
    shelf = _shelf()
    kept = shelf.get(id)
    drawn = kept_figure(shelf, kept.id, plot, structure, holder)
    return _tagged(Response(drawn, content_type=f"{SVG}; charset=utf-8"))


@resources.get("/api/repertoires/<id>/beside")
@needs(READ)
@described(
    Operation(
        "listBeside",
        "surveys",
        "The surveys that a repertoire was set beside, the newest first",
        {
            200: Answer(
                "A page of rows in JSON, or all rows.",
                long_schema(
                    {
                        **dict.fromkeys(_BESIDE_COLUMNS, TEXT),
                        **dict.fromkeys(("version", "games", "followed"), NUMBER),
                        "current": TRUTH,
                    }
                ),
            )
        },
        words=(
            "'followed' of the 'games' go with the repertoire's side as long as they are in it. "
            "Where 'current' is false, the repertoire has another content or side by now."
        ),
        parameters=(_REPERTOIRE, *LONG_PAGING),
        problems=(404, 406),
    )
)
def list_beside(id: str) -> Response:
    """The surveys beside a repertoire."""
    values = query_values(*LONG_PAGING)
    stored = repertoires().shelf.get(id)
    found = _shelf().besides(repertoire=stored.id)
    rows = [{name: getattr(one, name) for name in _BESIDE_COLUMNS} for one in found]
    tag = hashlib.sha256(repr(rows).encode("utf-8", "replace")).hexdigest()[:20]
    return _table(KeptTable(rows), tag, values, _BESIDE_COLUMNS)


@resources.get("/api/repertoires/<id>/beside/<table>")
@needs(READ)
@described(
    Operation(
        "readBeside",
        "surveys",
        "What a repertoire's students will meet in a survey's games, and what no line answers",
        {200: Answer("A page of rows in JSON, or all rows.", long_schema(_ROW_TYPES))},
        words=(
            f"{_WORDS} Here scores are the repertoire's side's, and 'in_a_hundred' counts among "
            "the games that go with it. 'node' counts from 0 in each game of the file."
        ),
        parameters=(_REPERTOIRE, _BESIDE, _SURVEY, *LONG_PAGING),
        problems=(404, 406),
    )
)
def read_beside(id: str, table: str) -> Response:
    """One table beside a repertoire."""
    values = query_values(_SURVEY, *LONG_PAGING)
    stored = repertoires().shelf.get(id)
    shelf = _shelf()
    survey = values.get("survey", "")
    if not survey:
        found = shelf.besides(repertoire=stored.id)
        if not found:
            raise NotFound("no survey was set beside this repertoire")
        survey = found[0].survey
    kept = shelf.get(survey)
    return _table(
        shelf.beside_table(kept.id, stored.id, table), f"{kept.id}r{kept.revision}", values
    )


def _shelf() -> SurveyShelf:
    return SurveyShelf(running().store)


def _table(
    found: KeptTable, tag: str, values: dict[str, str], columns: tuple[str, ...] = ()
) -> Response:
    rows = found.rows
    columns = columns or (tuple(rows[0]) if rows else ())
    return long_table_answer(
        LongTable(
            tag,
            lambda first: (as_json(row) + "\n" for row in rows[first:]),
            lambda: csv_text(columns, rows),
            len(rows),
        ),
        values,
    )


def _tagged(response: Response) -> Response:
    """With a digest of what it holds as its ETag, or 304 where the caller has it."""
    response.set_etag(hashlib.sha256(response.get_data()).hexdigest()[:32])
    return conditional(response)
