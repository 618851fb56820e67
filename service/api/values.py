"""Verdicts, lookups, structures and notes as plain values, for JSON."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

from pawnlore.service.lookup import AppliedNote, CatalogueText, Lookup, NextBest
from pawnlore.service.store.label_shelf import FormerLabel, StoredLabel
from pawnlore.service.store.note_shelf import NoteRevision, StoredNote
from pawnlore.service.store.repertoire_shelf import StoredRepertoire
from pawnlore.structures.catalogue import Family
from pawnlore.structures.plan_texts import SECTIONS, plan_texts
from pawnlore.structures.skeleton import Skeleton, placement, skeleton_from_fen
from pawnlore.structures.verdict import SWAPPED, Verdict

VERDICT_COLUMNS = (
    "fen",
    "structure",
    "holder",
    "probability",
    "core",
    "second",
    "second_holder",
    "second_probability",
    "error",
)
"""Columns of a table of verdicts, the same as those of ``pawnlore classify``."""

STUDENT_VERDICT_COLUMNS = ("fen", "structure", "holder", "error")
"""Columns of a table of verdicts for students; see `pawnlore.service.api.readers`."""

STRUCTURE_COLUMNS = ("id", "name", "rank", "own", "foe", "holder", "definition")
"""Columns of the table of structures."""

NOTE_COLUMNS = (
    "id",
    "revision",
    "name",
    "title",
    "structure",
    "holder",
    "side",
    "published",
    "author",
    "created",
    "changed",
)
"""Columns of the table of notes."""

REVISION_COLUMNS = ("note", "revision", "what", "name", "published", "author", "made")
"""Columns of the table of a note's revisions."""


LABEL_COLUMNS = (
    "id",
    "revision",
    "fen",
    "structure",
    "holder",
    "reason",
    "author",
    "created",
    "changed",
)
"""Columns of the table of labels."""

FORMER_LABEL_COLUMNS = (
    "number",
    "label",
    "revision",
    "fen",
    "structure",
    "holder",
    "reason",
    "author",
    "changed",
    "replaced",
    "ended",
    "ended_by",
)
"""Columns of the table of former labels."""


def moment(value: datetime) -> str:
    """A moment as RFC 3339 has it, in UTC.

    >>> moment(datetime(2026, 1, 31, 12, tzinfo=UTC))
    '2026-01-31T12:00:00.000000Z'
    """
    return value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def verdict_value(verdict: Verdict, by: str = "") -> dict[str, Any]:
    """A verdict; ``by`` says who decided.

    Without it, nothing is told beside the verdict itself.

    >>> verdict = Verdict("carlsbad", "white", 0.9, False, "unsettled", "both", 0.1)
    >>> verdict_value(verdict)
    {'structure': 'carlsbad', 'holder': 'white'}
    >>> list(verdict_value(verdict, "classifier"))[2:]
    ['probability', 'core', 'second', 'second_holder', 'second_probability', 'decided_by']
    """
    value: dict[str, Any] = {"structure": verdict.structure, "holder": verdict.holder}
    if not by:
        return value
    return {
        **value,
        "probability": round(verdict.probability, 4),
        "core": verdict.core,
        "second": verdict.second,
        "second_holder": verdict.second_holder,
        "second_probability": round(verdict.second_probability, 4),
        "decided_by": by,
    }


def lookup_value(found: Lookup, by: str = "") -> dict[str, Any]:
    """A lookup: the verdict, the author's notes that apply, and the next best."""
    return {
        "verdict": verdict_value(found.verdict, by),
        "notes": [_applied_value(applied, authors=True) for applied in found.notes],
        "next_best": [_next_best_value(best) for best in found.next_best],
    }


def _applied_value(applied: AppliedNote, *, authors: bool) -> dict[str, Any]:
    return {
        "authors": authors,
        "reason": applied.reason,
        "plan_of": applied.plan_of,
        **applied.known.value,
    }


def _next_best_value(best: NextBest) -> dict[str, Any]:
    value: dict[str, Any] = {"kind": best.kind, "authors": best.authors, "reason": best.reason}
    if best.applied is not None:
        value["note"] = _applied_value(best.applied, authors=best.authors)
    if best.text is not None:
        value["text"] = _text_value(best.text)
    return value


def _text_value(text: CatalogueText) -> dict[str, Any]:
    return {
        "plan_of": text.plan_of,
        "summary": text.summary,
        "sections": [{"section": name, "text": told} for name, told in text.sections],
    }


def structure_value(family: Family) -> dict[str, Any]:
    """A structure as it stands in the list of them."""
    return {
        "id": family.id,
        "name": family.name,
        "rank": family.rank,
        "own": family.own,
        "foe": family.foe,
        "holder": family.holder,
        "definition": _plain(family.definition),
        "openings": list(family.openings),
    }


def full_structure_value(family: Family) -> dict[str, Any]:
    """A structure with the catalogue's plans, told as if White held it."""
    texts = plan_texts(family.id)
    holder, foe = (texts.holder, texts.foe) if texts else ({}, {})
    return {
        **structure_value(family),
        "model": _plain(family.model),
        "model_line": _plain(texts.model_line) if texts else "",
        "plans": {
            "holder": _plan_value(family.plan_holder, holder),
            "foe": _plan_value(family.plan_foe, foe),
        },
    }


def _plan_value(summary: str, told: dict[str, str]) -> dict[str, Any]:
    sections = [{"section": name, "text": _plain(told[name])} for name in SECTIONS if name in told]
    return {"summary": _plain(summary), "sections": sections}


def note_value(stored: StoredNote, *, text: bool = True) -> dict[str, Any]:
    """A note as it stands in the store."""
    value: dict[str, Any] = {
        "id": stored.id,
        "revision": stored.revision,
        "name": stored.name,
        "title": stored.title,
        "structure": stored.structure,
        "holder": stored.holder,
        "side": stored.side,
        "published": stored.published,
        "author": stored.author,
        "created": moment(stored.created),
        "changed": moment(stored.changed),
        "deleted": None if stored.deleted is None else moment(stored.deleted),
    }
    if text:
        value["text"] = stored.text
    return value


def revision_value(revision: NoteRevision) -> dict[str, Any]:
    """One revision of a note."""
    return {
        "note": revision.note,
        "revision": revision.revision,
        "what": revision.what,
        "name": revision.name,
        "published": revision.published,
        "author": revision.author,
        "made": moment(revision.made),
        "text": revision.text,
    }


def label_value(stored: StoredLabel) -> dict[str, Any]:
    """A label, with the holder in the position that the author gave.

    Where none was given, it is that of the skeleton as it is kept.
    """
    canonical = Skeleton(*stored.skeleton)
    fen = stored.fen or placement(canonical)
    turned = skeleton_from_fen(fen).canonical()[1]
    return {
        "id": stored.id,
        "revision": stored.revision,
        "fen": fen,
        "structure": stored.structure,
        "holder": SWAPPED[stored.holder] if turned else stored.holder,
        "reason": stored.reason,
        "author": stored.author,
        "created": moment(stored.created),
        "changed": moment(stored.changed),
    }


def former_label_value(former: FormerLabel) -> dict[str, Any]:
    """What a label said until it was replaced or taken away."""
    value = label_value(former.label)
    del value["created"]
    return {
        "number": former.number,
        "label": value.pop("id"),
        **value,
        "replaced": former.replaced,
        "ended": moment(former.ended),
        "ended_by": former.ended_by,
    }


def stored_repertoire_value(stored: StoredRepertoire, in_use: str) -> dict[str, Any]:
    """A repertoire; ``in_use`` is the digest of the model in use.

    ``model`` is the digest of the model that gave its verdicts, and
    ``model_in_use`` tells whether that is the one in use; ``judged`` is when
    they were given, if not at the last upload.
    """
    return {
        "id": stored.id,
        "name": stored.name,
        "side": stored.side,
        "version": stored.version,
        "games": stored.games,
        "nodes": stored.nodes,
        "size": stored.size,
        "digest": stored.digest,
        "model": stored.model,
        "model_in_use": stored.model == in_use,
        "created": moment(stored.created),
        "changed": moment(stored.changed),
        "judged": None if stored.judged is None else moment(stored.judged),
    }


def _plain(text: str) -> str:
    return " ".join(text.split())
