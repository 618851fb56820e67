"""The figures of a taught version, as plain values that are kept with it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from pawnlore.models.exam_figures import (
    CalibrationBin,
    ClassFigures,
    Confusion,
    Report,
    also_read,
    read_part,
)

STATEMENTS = "your labels and examples"
"""The name of the paper in which each statement of the author's is judged unlearnt."""


@dataclass(frozen=True)
class NamedCount:
    """How often something was a structure."""

    structure: str
    count: int


@dataclass(frozen=True)
class OwnFigures:
    """One own family.

    Of ``examples`` (labels on it are among them) ``found`` were found again, and
    of ``counter`` counter-examples and labels on other structures ``kept_out``
    were kept out, each without having been learnt; 0 of 0 where there are too
    few. It was ``taken`` for another structure's statements so often. It is named
    on ``of_games`` of ``games`` held-out positions of games that meet no core;
    ``beside`` are the structures on whose cores it is told as the second one.
    """

    id: str
    learnt: int
    examples: int
    found: int
    counter: int
    kept_out: int
    taken: int
    games: int
    of_games: int
    beside: tuple[NamedCount, ...]


@dataclass(frozen=True)
class StatementFigures:
    """The author's labels and examples, each judged without having been learnt.

    Of ``labels`` on shipped structures and none, ``drawn`` were asked, fewer where
    there are many. ``calibration`` leaves out what a core decided, and takes in
    counter-examples that an own family took.
    """

    count: int
    right: int
    labels: int
    drawn: int
    classes: tuple[ClassFigures, ...]
    confusions: tuple[Confusion, ...]
    calibration_error: float
    calibration_count: int
    calibration: tuple[CalibrationBin, ...]


@dataclass(frozen=True)
class LabelsLearnt:
    """How many labels on a structure an author gave."""

    author: str
    structure: str
    count: int


@dataclass(frozen=True)
class FamilyLearnt:
    """What an own family was learnt from; ``corrections`` as a text, empty where there are none."""

    id: str
    name: str
    parent: str
    examples: int
    counter: int
    authors: str
    corrections: str


@dataclass(frozen=True)
class LearntFrom:
    """All that a version was taught from. ``base`` is the digest of the model below it."""

    base: str
    seed: int
    labels: tuple[LabelsLearnt, ...]
    families: tuple[FamilyLearnt, ...]


@dataclass(frozen=True)
class TaughtReport:
    """All papers of a taught version.

    ``report`` has those that the shipped model sits too: off the core as in use,
    with own families, and without positions that the author labelled; cores and
    far positions by the network alone. ``own_named`` of the raters' positions
    got the name of an own family, which no rater knew.
    """

    report: Report
    own_named: int
    own: tuple[OwnFigures, ...]
    statements: StatementFigures
    learnt_from: LearntFrom


also_read(
    Report,
    NamedCount,
    OwnFigures,
    StatementFigures,
    LabelsLearnt,
    FamilyLearnt,
    LearntFrom,
)


def report_value(report: TaughtReport) -> dict[str, Any]:
    """The figures as plain values, for the store and for programs."""
    value: dict[str, Any] = json.loads(json.dumps(asdict(report)))
    return value


def taught_report(value: Mapping[str, Any]) -> TaughtReport:
    """Read what `report_value` gave; raises `FiguresError` where anything does not fit."""
    return read_part(TaughtReport, value, "the figures")
