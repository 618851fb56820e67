"""The figures of an examination, as plain values that can be kept beside a model.

`pawnlore evaluate --format json` writes them; whoever shows them needs nothing
that examining needs.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass, fields
from functools import cache
from importlib.resources import files
from typing import Any, TypeVar, cast

from pawnlore.models.classifier import Classifier

SHIPPED = "figures.json"
"""The file with the figures of the shipped model, beside it."""

CORES, OFF_CORE, FAR = "cores", "off the core", "far off"
"""The names of the three papers."""

_MOST_CHARACTERS = 4 << 20
_MOST_ROWS = 100_000

Part = TypeVar("Part")


class FiguresError(ValueError):
    """Figures that cannot be used; the message says why."""


@dataclass(frozen=True)
class ClassFigures:
    """One class in a paper.

    ``count`` questions have it as their answer, ``given`` is how often it was
    answered, ``right`` how often that was right.
    """

    structure: str
    holder: str
    count: int
    given: int
    right: int
    precision: float
    recall: float
    f1: float

    @classmethod
    def of(cls, structure: str, holder: str, count: int, given: int, right: int) -> ClassFigures:
        """The figures that follow from the counts; 0 where there is nothing to divide by.

        >>> ClassFigures.of("carlsbad", "white", 10, 8, 6).f1
        0.6666666666666666
        """
        return cls(
            structure,
            holder,
            count,
            given,
            right,
            right / given if given else 0.0,
            right / count if count else 0.0,
            2 * right / (count + given) if count + given else 0.0,
        )


@dataclass(frozen=True)
class CorePaper:
    """The paper on cores: ``macro_recall`` is the mean share of a class that is named right."""

    classes: tuple[ClassFigures, ...]
    accuracy: float
    macro_recall: float
    macro_f1: float


@dataclass(frozen=True)
class OffCorePaper:
    """The paper off the core.

    ``agreement`` with the majority over all, ``named_agreement`` over those
    that the majority names, ``all_unsettled`` what saying unsettled to all
    would reach, ``raters`` how often two of the raters agree. ``classes`` are
    those that the majority or the model names, and unsettled.
    """

    count: int
    agreement: float
    named: int
    named_agreement: float
    named_share: float
    all_unsettled: float
    raters: float
    classes: tuple[ClassFigures, ...]


@dataclass(frozen=True)
class CalibrationBin:
    """Some verdicts of like probability: the range, the mean, and the share that is right."""

    low: float
    high: float
    count: int
    mean: float
    right: float


@dataclass(frozen=True)
class ThresholdPoint:
    """How the answers off the core change with the threshold."""

    threshold: float
    agreement: float
    named_agreement: float
    named_share: float


@dataclass(frozen=True)
class Confusion:
    """One pair of answers that differ: how often ``truth`` was called ``answer``."""

    paper: str
    truth: str
    answer: str
    count: int


@dataclass(frozen=True)
class LabelCounts:
    """How many labelled positions serve learning, calibration and examination."""

    training: int
    calibration: int
    exam: int


@dataclass(frozen=True)
class Report:
    """All papers of one classifier."""

    digest: str
    units: int
    classes: int
    skeletons: int
    threshold: float
    labels: LabelCounts
    cores: CorePaper
    off_core: OffCorePaper
    off_core_calibration_error: float
    off_core_calibration_count: int
    calibration: tuple[CalibrationBin, ...]
    far_count: int
    far_unsettled: float
    thresholds: tuple[ThresholdPoint, ...]
    confusions: tuple[Confusion, ...]


def report_json(report: Report) -> str:
    """A report as JSON, for programs and for `read_report`."""
    return json.dumps(asdict(report), indent=1) + "\n"


def read_report(text: str) -> Report:
    """Read what `report_json` wrote; raises `FiguresError` where anything of it does not fit."""
    if len(text) > _MOST_CHARACTERS:
        raise FiguresError("the figures are longer than those of any model")
    try:
        value = json.loads(text)
    except (ValueError, RecursionError):
        raise FiguresError("the figures are no JSON") from None
    return read_part(Report, value, "the figures")


def figures_of(text: str, classifier: Classifier) -> Report:
    """Figures that are those of a classifier; raises `FiguresError` where they are another's."""
    return _checked(read_report(text), classifier)


def _checked(report: Report, classifier: Classifier) -> Report:
    if not classifier.digest or report.digest != classifier.digest:
        raise FiguresError(
            f"the figures are those of model {report.digest[:12]}, and this is model "
            f"{classifier.digest[:12] or '(not saved)'}"
        )
    return report


def shipped_figures(classifier: Classifier) -> Report:
    """The figures beside the shipped model; raises `FiguresError` for any other classifier."""
    return _checked(_shipped(), classifier)


@cache
def _shipped() -> Report:
    try:
        text = files("pawnlore.models").joinpath("shipped", SHIPPED).read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise FiguresError(f"the figures of the shipped model cannot be read ({error})") from None
    return read_report(text)


def read_part(kind: type[Part], value: Any, where: str) -> Part:
    """A dataclass of figures from its JSON object; raises `FiguresError` where it does not fit."""
    if not isinstance(value, Mapping):
        raise FiguresError(f"{where} must be an object")
    names = [one.name for one in fields(cast(Any, kind))]
    if set(value) != set(names):
        odd = sorted(set(map(str, value)) ^ set(names))[:5]
        raise FiguresError(f"{where} lack or have too many fields: {', '.join(odd)[:200]}")
    kinds = {one.name: str(one.type) for one in fields(cast(Any, kind))}
    return kind(**{name: _value(kinds[name], value[name], f"{where}: {name}") for name in names})


def _value(kind: str, value: Any, where: str) -> Any:
    if kind.startswith("tuple["):
        part = _PARTS[kind.removeprefix("tuple[").removesuffix(", ...]")]
        if not isinstance(value, list) or len(value) > _MOST_ROWS:
            raise FiguresError(f"{where} must be a list")
        return tuple(read_part(part, one, where) for one in value)
    if kind in _PARTS:
        return read_part(_PARTS[kind], value, where)
    if kind == "str" and isinstance(value, str):
        return value
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if kind == "int" and number and isinstance(value, int) and 0 <= value < 1 << 53:
        return value
    if kind == "float" and number and 0 <= value <= 1:
        return float(value)
    raise FiguresError(f"{where} is not what it should be")


def _named(parts: Iterable[type]) -> dict[str, type]:
    return {part.__name__: part for part in parts}


_PARTS = _named(
    (
        ClassFigures,
        CorePaper,
        OffCorePaper,
        CalibrationBin,
        ThresholdPoint,
        Confusion,
        LabelCounts,
    )
)


def also_read(*kinds: type) -> None:
    """Let `read_part` know more dataclasses that are fields of others."""
    _PARTS.update(_named(kinds))
