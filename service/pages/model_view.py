"""What the page of the model tells of its figures: by structure, in tables and in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from pawnlore.models.exam_figures import (
    CORES,
    FAR,
    OFF_CORE,
    CalibrationBin,
    ClassFigures,
    Confusion,
    Report,
)
from pawnlore.service.pages.group_keys import HOLDERS, heading
from pawnlore.service.survey.intervals import share
from pawnlore.structures.catalogue import UNSETTLED, Catalogue

_MOST_NAMED = 5


@dataclass(frozen=True, slots=True)
class PaperRow:
    """One structure in one paper: asked for, answered, and answered right; and its F1."""

    count: int = 0
    given: int = 0
    right: int = 0

    @property
    def faults(self) -> int:
        """Answers that were missed and answers that were wrong."""
        return self.count + self.given - 2 * self.right

    @property
    def f1(self) -> float | None:
        """The harmonic mean of precision and recall; none where it never came up."""
        total = self.count + self.given
        return 2 * self.right / total if total else None


@dataclass(frozen=True, slots=True)
class FamilyRow:
    """The results of one structure, whoever holds it."""

    id: str
    name: str
    cores: PaperRow
    off_core: PaperRow


@dataclass(frozen=True, slots=True)
class MixRow:
    """What became of the positions off the core that the raters gave one name.

    ``wrong`` counts those that got another name, and ``called`` says which.
    """

    name: str
    count: int
    right: int
    silent: int
    wrong: int
    called: tuple[tuple[str, int], ...]


def family_rows(report: Report, catalogue: Catalogue) -> list[FamilyRow]:
    """A row for each structure, those with the most faults first."""
    cores, off_core = _by_family(report.cores.classes), _by_family(report.off_core.classes)
    rows = [
        FamilyRow(id, heading(id), cores.get(id, PaperRow()), off_core.get(id, PaperRow()))
        for id in catalogue.ids
    ]
    rows.sort(key=lambda row: (-row.off_core.faults, -row.cores.faults, row.name.casefold()))
    return rows


def _by_family(classes: Iterable[ClassFigures]) -> dict[str, PaperRow]:
    found: dict[str, PaperRow] = {}
    for one in classes:
        had = found.get(one.structure, PaperRow())
        found[one.structure] = PaperRow(
            had.count + one.count, had.given + one.given, had.right + one.right
        )
    return found


def mix_rows(report: Report) -> list[MixRow]:
    """What was confused off the core, by the raters' names; what they left unnamed comes last."""
    pairs = (pair for pair in report.confusions if pair.paper == OFF_CORE)
    return mixed(report.off_core.classes, pairs)


def mixed(classes: Iterable[ClassFigures], pairs: Iterable[Confusion]) -> list[MixRow]:
    """What was confused in one paper, by the right names; those without one come last."""
    asked = Counter[str]()
    right = Counter[str]()
    for one in classes:
        asked[one.structure] += one.count
        right[one.structure] += one.right
    called: dict[str, Counter[str]] = {}
    for pair in pairs:
        truth, answer = _structure(pair.truth), pair.answer
        # That the holder alone is wrong can be seen only with the holder.
        told = told_class(answer) if _structure(answer) == truth else _told(_structure(answer))
        called.setdefault(truth, Counter())[told] += pair.count
    rows = []
    for structure, count in asked.items():
        if count:
            there = called.get(structure, Counter())
            silent = there.pop(_told(UNSETTLED), 0)
            ordered = sorted(there.items(), key=lambda pair: (-pair[1], pair[0]))
            wrong = sum(there.values())
            name = _told(structure)
            rows.append(MixRow(name, count, right[structure], silent, wrong, tuple(ordered)))
    rows.sort(key=lambda row: (row.name == _told(UNSETTLED), -(row.count - row.right), row.name))
    return rows


def agreed_on(rows: Sequence[MixRow]) -> list[MixRow]:
    """Those of `mix_rows` that are without a fault, the most frequent first."""
    return sorted(
        (row for row in rows if row.right == row.count), key=lambda row: (-row.count, row.name)
    )


def told_class(name: str) -> str:
    """A class of the figures for reading.

    >>> told_class("carlsbad white"), told_class("unsettled")
    ('Carlsbad structure, White’s', 'no name')
    """
    structure, _, holder = name.partition(" ")
    return f"{heading(structure)}, {HOLDERS[holder]}" if holder in HOLDERS else _told(structure)


def core_confusions(report: Report) -> list[tuple[str, str, int]]:
    """What was confused on cores and far off: right, called, how often."""
    return [
        (
            told_class(pair.truth) if pair.paper == CORES else "far from every core",
            told_class(pair.answer),
            pair.count,
        )
        for pair in report.confusions
        if pair.paper in (CORES, FAR)
    ]


def weaknesses(report: Report, catalogue: Catalogue) -> list[tuple[str, str]]:
    """Where the model is weak: a few words, and what was measured, in a sentence or two."""
    return [
        *_off_core_words(report),
        *_calibration_words(report),
        *_core_words(report),
        *_unknown_words(report, catalogue),
    ]


def not_examined(report: Report, catalogue: Catalogue) -> list[str]:
    """The structures that no rater named off the core, so that nothing is known of them there."""
    asked = {one.structure for one in report.off_core.classes if one.count}
    return [heading(id) for id in catalogue.ids if id not in asked]


def _off_core_words(report: Report) -> Iterator[tuple[str, str]]:
    pairs = [pair for pair in report.confusions if pair.paper == OFF_CORE]
    missed = [pair for pair in pairs if _structure(pair.truth) != UNSETTLED]
    left = [pair for pair in missed if _structure(pair.answer) == UNSETTLED]
    mixed = [pair for pair in missed if _structure(pair.answer) != UNSETTLED]
    bold = [pair for pair in pairs if _structure(pair.truth) == UNSETTLED]
    named = report.off_core.named
    right = round(report.off_core.named_agreement * named)
    if left:
        most = _most((_structure(pair.truth), pair.count) for pair in left)
        yield (
            "It says nothing where a name is due.",
            f"The raters named {named} of {report.off_core.count} positions that miss a core; it "
            f"named {right} of them alike and left {_sum(left)} without a name: {most}.",
        )
    if bold:
        most = _most((_structure(pair.answer), pair.count) for pair in bold)
        yield (
            "It names where the raters did not.",
            f"Of the {report.off_core.count - named} positions that they left without a name it "
            f"named {_sum(bold)}: {most}.",
        )
    if mixed:
        ordered = sorted(mixed, key=lambda pair: (-pair.count, pair.truth))[:_MOST_NAMED]
        told = "; ".join(
            f"{told_class(p.truth)}, was called {told_class(p.answer)} ×{p.count}" for p in ordered
        )
        yield "It takes one for another.", f"{told}."


def off_the_line(bins: Iterable[CalibrationBin]) -> str:
    """Where verdicts are too sure, or not sure enough, in a sentence; empty where nowhere."""
    off = []
    for b in bins:
        _, low, high = share(b.right * b.count, b.count)
        if not low <= b.mean <= high:
            fault = "too sure" if b.mean > high else "not sure enough"
            off.append(
                f"between {100 * b.low:.0f} and {100 * b.high:.0f} % it is {fault}: "
                f"{100 * b.right:.0f} % of {b.count} verdicts were right"
            )
    told = "; ".join(off)
    return f"{told[:1].upper()}{told[1:]}." if told else ""


def _calibration_words(report: Report) -> Iterator[tuple[str, str]]:
    told = off_the_line(report.calibration)
    if told:
        yield "It is not as sure as it should be.", told


def _core_words(report: Report) -> Iterator[tuple[str, str]]:
    weak = sorted(report.cores.classes, key=lambda one: (one.f1, one.structure))
    weak = [one for one in weak if one.f1 < 1][:_MOST_NAMED]
    if weak:
        told = "; ".join(
            f"{told_class(f'{one.structure} {one.holder}')}: {one.right} of {one.count}"
            for one in weak
        )
        yield (
            "Cores that it would miss.",
            f"With the core switched off, the network alone named right: {told}. Where a core is "
            "met, the core decides.",
        )


def _unknown_words(report: Report, catalogue: Catalogue) -> Iterator[tuple[str, str]]:
    missing = not_examined(report, catalogue)
    if missing:
        yield (
            "It was not examined off the core everywhere.",
            f"No rater named {len(missing)} of its {len(catalogue)} structures in the examination; "
            "how it does there, off the core, is not known. They are listed below the "
            "table of structures.",
        )
    yield (
        "It sees the pawns alone.",
        "Pieces, the move and tactics are hidden from it: an exchange in mid-air that shows only "
        "in the pieces looks like a pawn lost. The raters saw the whole position, and two of them "
        f"agreed on {100 * report.off_core.raters:.0f} %.",
    )


def _most(counts: Iterable[tuple[str, int]]) -> str:
    """The most frequent structures with how often, the others counted."""
    summed = Counter[str]()
    for structure, count in counts:
        summed[structure] += count
    ordered = sorted(summed.items(), key=lambda pair: (-pair[1], pair[0]))
    told = [f"{heading(structure)} ×{count}" for structure, count in ordered[:_MOST_NAMED]]
    if len(ordered) > _MOST_NAMED:
        told.append(f"others ×{sum(count for _, count in ordered[_MOST_NAMED:])}")
    return ", ".join(told)


def _sum(pairs: Sequence[Confusion]) -> int:
    return sum(pair.count for pair in pairs)


def _structure(name: str) -> str:
    return name.partition(" ")[0]


def _told(structure: str) -> str:
    return "no name" if structure == UNSETTLED else heading(structure)
