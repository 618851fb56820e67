"""Figures of taught versions without teaching, which takes seconds."""

from __future__ import annotations

from dataclasses import replace
from hashlib import sha256
from typing import Any

from pawnlore.models.classifier import shipped_classifier
from pawnlore.models.exam_figures import CalibrationBin, ClassFigures, Confusion, shipped_figures
from pawnlore.models.taught_figures import (
    STATEMENTS,
    FamilyLearnt,
    LabelsLearnt,
    LearntFrom,
    NamedCount,
    OwnFigures,
    StatementFigures,
    TaughtReport,
    report_value,
)


def made_report(content: bytes, *, families: int = 2, name: str = "Clamp") -> TaughtReport:
    """A report on a version with this content, as if an author had taught so many families."""
    ids = [f"own/f{number}" for number in range(families)]
    shipped = shipped_figures(shipped_classifier())
    said = [ClassFigures.of(id, "white", 6, 5, 5) for id in ids]
    said += [
        ClassFigures.of("carlsbad", "white", 4, 3, 3),
        ClassFigures.of("unsettled", "both", 0, 1, 0),
    ]
    wrong = [Confusion(STATEMENTS, f"{id} white", "maroczy-bind white", 1) for id in ids]
    wrong.append(Confusion(STATEMENTS, "carlsbad white", "unsettled", 1))
    beside = (NamedCount("maroczy-bind", 31), NamedCount("hedgehog", 2))
    return TaughtReport(
        replace(shipped, digest=sha256(content).hexdigest()),
        3,
        tuple(OwnFigures(id, 6, 6, 5, 9, 8, 1, 4167, 300, beside) for id in ids),
        StatementFigures(
            6 * families + 4,
            5 * families + 3,
            4,
            4,
            tuple(said),
            tuple(wrong),
            0.125,
            40,
            (CalibrationBin(0.9, 1.0, 40, 0.95, 0.5),),
        ),
        LearntFrom(
            shipped.digest,
            7,
            (
                LabelsLearnt("Ada", "carlsbad", 3),
                LabelsLearnt("Bo <b>", "carlsbad", 1),
                LabelsLearnt("", "own/f0", 2),
            ),
            tuple(
                FamilyLearnt(id, name, "maroczy-bind", 6, 2, "Ada", "must have own a4")
                for id in ids
            ),
        ),
    )


def made_figures(content: bytes, **how: Any) -> dict[str, Any]:
    """What is kept with such a version."""
    return {
        "exam": {"count": 240, "old": 0.85, "new": 0.86, "changed": 4},
        "labels": {"count": 4, "old": 2, "new": 3},
        "families": [],
        "contradictions": [],
        "misfits": [],
        "nodes_changed": 0,
        "changed": [],
        "without_examples": [],
        "report": report_value(made_report(content, **how)),
    }
