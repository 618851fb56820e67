"""The JSON Schemas of what the API takes and gives, by name (JSON Schema 2020-12)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from pawnlore.service.api.describe import Schema, ref
from pawnlore.service.api.formats import formatted, kept_text
from pawnlore.service.settings import ServiceLimits
from pawnlore.service.store.label_shelf import REASON_LENGTH
from pawnlore.structures.catalogue import UNSETTLED, shipped_catalogue
from pawnlore.structures.plan_note import NOTE_LENGTH

OWN_LENGTH = 200
"""Characters in the name of an author's own structure."""

EXAMPLE_FEN = "r1bq1rk1/pp1nbppp/2p2n2/3p2B1/3P4/2NBPN2/PPQ2PPP/R4RK1 w - - 3 10"
"""The position that the description shows."""

EXAMPLE_NOTE = (
    '+++\nstructure = "carlsbad"\nholder = "white"\nside = "holder"\n'
    'title = "The minority attack"\n+++\nThe b-pawn walks to b5.\n'
)
"""The note that the description shows."""

TEXT: Schema = {"type": "string"}
NUMBER: Schema = {"type": "integer", "minimum": 0}
TRUTH: Schema = {"type": "boolean"}
TEXTS: Schema = {"type": "array", "items": TEXT}
CHANCE: Schema = {"type": "number", "minimum": 0, "maximum": 1}
HOLDER: Schema = {"enum": ["white", "black", "both"]}
MOMENT: Schema = {"type": "string", "format": "date-time"}


def thing(
    needed: Mapping[str, Schema], free: Mapping[str, Schema] | None = None, words: str = ""
) -> Schema:
    """An object with fields that are always there, others that may be, and no more.

    >>> thing({"a": TEXT})["required"]
    ['a']
    """
    schema: dict[str, Any] = {
        "type": "object",
        "properties": {**needed, **(free or {})},
        "required": list(needed),
        "additionalProperties": False,
    }
    if words:
        schema["description"] = words
    return schema


def listed(item: Schema, *, paged: bool = False) -> Schema:
    """A list in an object; ``next`` is where the page after this one begins."""
    fields: dict[str, Schema] = {"items": {"type": "array", "items": item}}
    if paged:
        fields["next"] = {
            "type": ["string", "null"],
            "description": "What to give as 'cursor' for the page after this one; null at the end.",
        }
    return thing(fields)


def _rows(item: Schema) -> Schema:
    return {"type": "array", "items": item}


def _choice(values: Sequence[str]) -> Schema:
    return {"enum": list(values)}


_VERDICT: dict[str, Schema] = {
    "structure": {**TEXT, "description": "A structure's id, or 'unsettled'."},
    "holder": HOLDER,
}
_BY: dict[str, Schema] = {
    "probability": CHANCE,
    "core": TRUTH,
    "second": {
        **TEXT,
        "description": "The next likely structure; where 'core' is true and this is one of the "
        "author's own ('own/…'), it is a finer form that stands here too.",
    },
    "second_holder": HOLDER,
    "second_probability": CHANCE,
    "decided_by": _choice(("label", "core", "classifier")),
}
_SAID_OF_PAWNS: dict[str, Schema] = {
    "revision": {"type": "integer", "minimum": 1},
    "fen": TEXT,
    "structure": TEXT,
    "holder": HOLDER,
    "reason": TEXT,
    "author": TEXT,
    "changed": MOMENT,
}
_TO_AUTHORS = "Only 'structure' and 'holder' are told to students."
_NOTE: dict[str, Schema] = {
    "id": TEXT,
    "revision": {"type": "integer", "minimum": 1},
    "name": {**TEXT, "description": "The name of the note's file."},
    "title": TEXT,
    "structure": TEXT,
    "holder": _choice(("white", "black", "any")),
    "side": _choice(("holder", "foe")),
    "published": {**TRUTH, "description": "Whether students may read it."},
    "author": TEXT,
    "created": MOMENT,
    "changed": MOMENT,
    "deleted": {"type": ["string", "null"], "format": "date-time"},
}
_CLASS_FIGURES: Schema = _rows(
    thing(
        {
            "structure": TEXT,
            "holder": HOLDER,
            "count": {**NUMBER, "description": "Questions with this answer."},
            "given": {**NUMBER, "description": "How often it was answered."},
            "right": NUMBER,
            "precision": CHANCE,
            "recall": CHANCE,
            "f1": CHANCE,
        }
    )
)
_FIGURES: Schema = thing(
    {
        "digest": {**TEXT, "description": "The model that they were measured on."},
        "units": NUMBER,
        "classes": NUMBER,
        "skeletons": NUMBER,
        "threshold": CHANCE,
        "labels": thing({"training": NUMBER, "calibration": NUMBER, "exam": NUMBER}),
        "cores": thing(
            {
                "classes": _CLASS_FIGURES,
                "accuracy": CHANCE,
                "macro_recall": CHANCE,
                "macro_f1": CHANCE,
            },
            words="Skeletons that meet a core, with the core switched off.",
        ),
        "off_core": thing(
            {
                "count": NUMBER,
                "agreement": CHANCE,
                "named": NUMBER,
                "named_agreement": CHANCE,
                "named_share": CHANCE,
                "all_unsettled": CHANCE,
                "raters": CHANCE,
                "classes": _CLASS_FIGURES,
            },
            words="Positions near a core, against the majority of three raters.",
        ),
        "off_core_calibration_error": CHANCE,
        "off_core_calibration_count": NUMBER,
        "calibration": _rows(
            thing({"low": CHANCE, "high": CHANCE, "count": NUMBER, "mean": CHANCE, "right": CHANCE})
        ),
        "far_count": NUMBER,
        "far_unsettled": CHANCE,
        "thresholds": _rows(
            thing(
                {
                    "threshold": CHANCE,
                    "agreement": CHANCE,
                    "named_agreement": CHANCE,
                    "named_share": CHANCE,
                }
            )
        ),
        "confusions": _rows(thing({"paper": TEXT, "truth": TEXT, "answer": TEXT, "count": NUMBER})),
    }
)
_NOTE_TEXT: Schema = formatted(
    "plan-note",
    least=1,
    most=NOTE_LENGTH,
    description="The whole note: a TOML header between two lines '+++', then CommonMark.",
    examples=[EXAMPLE_NOTE],
)
_SECTIONS: Schema = {"type": "array", "items": thing({"section": TEXT, "text": TEXT})}
_STRUCTURE: dict[str, Schema] = {
    "id": TEXT,
    "name": TEXT,
    "rank": NUMBER,
    "own": {**TEXT, "description": "The core: the holder's pawns, seen from White."},
    "foe": {**TEXT, "description": "The core: the other side's pawns."},
    "holder": {**TEXT, "description": "The rule that says whose it is."},
    "definition": TEXT,
    "openings": TEXTS,
}
_PLAN: Schema = thing({"summary": TEXT, "sections": _SECTIONS})
_LABELLED: Schema = {
    "description": "A structure's id, or one of the author's own, 'own/…'.",
    "examples": ["carlsbad"],
    "anyOf": [
        {"enum": [*shipped_catalogue().ids]},
        formatted("own-structure", most=OWN_LENGTH, pattern=r"^own/\S"),
    ],
}
_REASON: Schema = kept_text(REASON_LENGTH)
_LABELLED_FEN: Schema = formatted("position", least=1, most=200, examples=[EXAMPLE_FEN])


def _label(more: Mapping[str, Schema]) -> Schema:
    """A label as it is sent: what is unsettled is nobody's."""
    return {
        "anyOf": [
            thing({**more, "structure": _LABELLED, "holder": HOLDER}, {"reason": _REASON}),
            thing(
                {**more, "structure": {"const": UNSETTLED}, "holder": {"const": "both"}},
                {"reason": _REASON},
            ),
        ]
    }


_VOICES: Schema = {
    "type": "array",
    "items": thing({"side": TEXT, "square": TEXT, "weight": {"type": "number"}}),
}

_SURVEY: dict[str, Schema] = {
    "id": TEXT,
    "name": TEXT,
    "games": NUMBER,
    "revision": {"type": "integer", "minimum": 1},
    "made": MOMENT,
}

SCHEMAS: dict[str, Schema] = {
    "Verdict": thing(_VERDICT, _BY, _TO_AUTHORS),
    "ExplainedVerdict": thing(
        {"fen": TEXT, **_VERDICT}, {**_BY, "explanation": ref("Explanation")}
    ),
    "Explanation": thing(
        {
            "for": _VOICES,
            "against": _VOICES,
            "missed": {
                "type": "array",
                "items": thing({"structure": TEXT, "holder": HOLDER, "gap": TEXT, "change": TEXT}),
            },
            "nearest": {
                "oneOf": [
                    {"type": "null"},
                    thing(
                        {
                            "id": TEXT,
                            "structure": TEXT,
                            "holder": HOLDER,
                            "reason": TEXT,
                            "distance": {"type": "number"},
                            "mirrored": TRUTH,
                        }
                    ),
                ]
            },
        },
        words="The pawns for and against the verdict, cores that are missed by one condition, "
        "and the nearest labelled position.",
    ),
    "Positions": thing(
        {
            "fens": {
                "type": "array",
                "maxItems": ServiceLimits().batch_rows,
                "items": kept_text(),
                "examples": [[EXAMPLE_FEN]],
            }
        }
    ),
    "Verdicts": listed(
        {"anyOf": [thing({"fen": TEXT, **_VERDICT}, _BY), thing({"fen": TEXT, "error": TEXT})]}
    ),
    "AppliedNote": thing(
        {
            "authors": {**TRUTH, "description": "Whether the author says this of this position."},
            "reason": TEXT,
            "plan_of": HOLDER,
            "id": TEXT,
            "revision": NUMBER,
            "title": TEXT,
            "structure": TEXT,
            "holder": _choice(("white", "black", "any")),
            "side": _choice(("holder", "foe")),
            "when": TEXTS,
            "squares": TEXTS,
            "moves": TEXTS,
            "model_line": TEXTS,
            "chapter": TEXT,
            "markdown": TEXT,
            "html": {**TEXT, "description": "The text as HTML that may stand in a page."},
        }
    ),
    "NextBest": thing(
        {
            "kind": _choice(("colours-reversed", "catalogue", "near")),
            "authors": {"const": False},
            "reason": TEXT,
        },
        {
            "note": ref("AppliedNote"),
            "text": thing(
                {
                    "plan_of": HOLDER,
                    "summary": TEXT,
                    "sections": _SECTIONS,
                }
            ),
        },
    ),
    "Lookup": thing(
        {
            "verdict": ref("Verdict"),
            "notes": {"type": "array", "items": ref("AppliedNote")},
            "next_best": {"type": "array", "items": ref("NextBest")},
        }
    ),
    "Structure": thing(_STRUCTURE),
    "Structures": listed(ref("Structure")),
    "FullStructure": thing(
        {
            **_STRUCTURE,
            "model": TEXT,
            "model_line": TEXT,
            "plans": thing({"holder": _PLAN, "foe": _PLAN}),
        }
    ),
    "ListedNote": thing(_NOTE),
    "Notes": listed(ref("ListedNote"), paged=True),
    "Note": thing({**_NOTE, "text": TEXT}),
    "NewNote": thing(
        {"text": _NOTE_TEXT},
        {"name": kept_text(200), "published": TRUTH},
    ),
    "ChangedNote": thing({"text": _NOTE_TEXT}, {"published": TRUTH}),
    "Restore": thing({}, {"revision": {"type": "integer", "minimum": 1, "maximum": 2**31 - 1}}),
    "Revision": thing(
        {
            "note": TEXT,
            "revision": {"type": "integer", "minimum": 1},
            "what": _choice(("created", "changed", "deleted", "restored")),
            "name": TEXT,
            "published": TRUTH,
            "author": TEXT,
            "made": MOMENT,
            "text": TEXT,
        }
    ),
    "Revisions": listed(ref("Revision"), paged=True),
    "SetAside": listed(
        thing({"note": TEXT, "expected": NUMBER, "author": TEXT, "made": MOMENT, "text": TEXT})
    ),
    "Label": thing({"id": TEXT, **_SAID_OF_PAWNS, "created": MOMENT}),
    "Labels": listed(ref("Label"), paged=True),
    "FormerLabel": thing(
        {
            "number": {"type": "integer", "minimum": 1},
            "label": {**TEXT, "description": "The id of the label that said so."},
            **_SAID_OF_PAWNS,
            "replaced": {**TRUTH, "description": "Or else it was taken away."},
            "ended": MOMENT,
            "ended_by": TEXT,
        }
    ),
    "FormerLabels": listed(ref("FormerLabel"), paged=True),
    "NewLabel": _label({"fen": _LABELLED_FEN}),
    "ChangedLabel": _label({}),
    "Surveys": listed(thing(_SURVEY), paged=True),
    "Survey": thing(
        {
            **_SURVEY,
            "described": {
                "type": "object",
                "description": "What was surveyed: names of files, the model, what was skipped.",
            },
            "tables": {
                "type": "object",
                "description": "How many rows each table has.",
                "additionalProperties": NUMBER,
            },
            "repertoires": {**TEXTS, "description": "Ids of those that it was set beside."},
        }
    ),
    "Model": thing(
        {
            "digest": {**TEXT, "description": "SHA-256 of the model's file."},
            "structures": NUMBER,
            "threshold": CHANCE,
            "made": {"type": "object", "description": "How it was made."},
            "examined": {**TRUTH, "description": "Whether its figures are known."},
            "asked": NUMBER,
            "remembered": NUMBER,
        }
    ),
    "ModelFigures": _FIGURES,
    "Problem": {
        "type": "object",
        "description": "What went wrong, after RFC 9457.",
        "properties": {
            "type": TEXT,
            "title": TEXT,
            "status": {"type": "integer", "minimum": 400, "maximum": 599},
            "detail": TEXT,
            "instance": TEXT,
            "errors": TEXTS,
            "yours": {**TEXT, "description": "At 412: the text that was not taken."},
            "theirs": ref("Note"),
            "current": ref("Label"),
        },
        "required": ["type", "title", "status", "detail"],
    },
}
"""Every schema of the API."""
