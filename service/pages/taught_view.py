"""What is told of a taught version's figures: own families, the author's statements, in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from pawnlore.models.own_family import PREFIX
from pawnlore.models.taught_figures import OwnFigures, TaughtReport
from pawnlore.service.pages.group_keys import heading
from pawnlore.service.pages.model_view import MixRow, mixed, off_the_line, told_class

WIDE = 0.05
"""A family that is named on more than this share of positions of games may be too wide."""

_MOST_TOLD = 5
_LONGEST_NAME = 60


@dataclass(frozen=True, slots=True)
class LearntRow:
    """What an own family was learnt from."""

    id: str
    name: str
    parent: str
    examples: int
    counter: int
    authors: str
    corrections: str


@dataclass(frozen=True, slots=True)
class AuthorRow:
    """The labels of one author: how many, and on which structures most."""

    author: str
    count: int
    structures: tuple[tuple[str, int], ...]
    others: int


def called(structure: str) -> str:
    """A structure's name, cut where an author gave it a very long one: pages are bounded."""
    return _cut(heading(structure))


def _cut(name: str) -> str:
    return name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 1]}…"


def own_rows(report: TaughtReport) -> list[OwnFigures]:
    """The own families' figures, those with the most faults first."""
    return sorted(report.own, key=lambda one: (-own_faults(one), heading(one.id).casefold()))


def own_faults(one: OwnFigures) -> int:
    """Examples that were not found again, and what was taken in that does not belong."""
    return one.examples - one.found + one.counter - one.kept_out + one.taken


def statement_rows(report: TaughtReport) -> list[MixRow]:
    """What became of the author's labels and examples, by what the author said."""
    rows = mixed(report.statements.classes, report.statements.confusions)
    return [replace(row, name=_cut(row.name)) for row in rows]


def learnt_rows(report: TaughtReport) -> list[LearntRow]:
    """What each own family was learnt from, in the order in which they were made."""
    return [
        LearntRow(
            one.id,
            called(one.id) if heading(one.id) != one.id else one.name,
            heading(one.parent) if one.parent else "",
            one.examples,
            one.counter,
            one.authors,
            one.corrections,
        )
        for one in report.learnt_from.families
    ]


def author_rows(report: TaughtReport) -> list[AuthorRow]:
    """The labels by author, who gave the most first."""
    counted: dict[str, Counter[str]] = {}
    for one in report.learnt_from.labels:
        counted.setdefault(one.author, Counter())[one.structure] += one.count
    rows = []
    for author, structures in counted.items():
        ordered = sorted(structures.items(), key=lambda pair: (-pair[1], pair[0]))
        told = tuple((_called(id), count) for id, count in ordered[:_MOST_TOLD])
        left = sum(count for _, count in ordered[_MOST_TOLD:])
        rows.append(AuthorRow(author, structures.total(), told, left))
    return sorted(rows, key=lambda row: (-row.count, row.author))


def own_weaknesses(report: TaughtReport) -> list[tuple[str, str]]:
    """Where what was taught is weak: a few words, and what was measured."""
    return [
        *_missed_words(report),
        *_taken_words(report),
        *_label_words(report),
        *_wide_words(report),
        *_beside_words(report),
        *_sure_words(report),
        *_few_words(report),
    ]


def _missed_words(report: TaughtReport) -> Iterator[tuple[str, str]]:
    weak = sorted(
        (one for one in report.own if one.found < one.examples),
        key=lambda one: (one.found / one.examples, one.id),
    )
    if weak:
        told = "; ".join(
            f"{called(one.id)}: {one.found} of {one.examples}" for one in weak[:_MOST_TOLD]
        )
        yield (
            "It would miss positions of your families.",
            f"Of examples, each judged by what the others taught, it found {told}{_more(weak)}. "
            "More examples that differ from those that you gave help most.",
        )


def _taken_words(report: TaughtReport) -> Iterator[tuple[str, str]]:
    weak = sorted(
        (one for one in report.own if one.kept_out < one.counter or one.taken),
        key=lambda one: (one.kept_out - one.counter - one.taken, one.id),
    )
    if weak:
        told = "; ".join(
            f"{called(one.id)}: {one.counter - one.kept_out + one.taken} that you gave to "
            f"something else or kept out"
            for one in weak[:_MOST_TOLD]
        )
        yield "Your families take in too much.", f"{told}{_more(weak)}."


def _label_words(report: TaughtReport) -> Iterator[tuple[str, str]]:
    pairs = [pair for pair in report.statements.confusions if not pair.truth.startswith(PREFIX)]
    if pairs:
        count = sum(
            one.count for one in report.statements.classes if not one.structure.startswith(PREFIX)
        )
        told = "; ".join(
            f"{told_class(pair.truth)}: {told_class(pair.answer)} ×{pair.count}"
            for pair in pairs[:_MOST_TOLD]
        )
        yield (
            "It does not follow all of your labels by itself.",
            f"Of {count} labels on shipped structures or on none, each judged by what the others "
            f"taught, {sum(pair.count for pair in pairs)} got another verdict: {told}"
            f"{_more(pairs)}. On the labelled pawns themselves your label decides.",
        )


def _wide_words(report: TaughtReport) -> Iterator[tuple[str, str]]:
    wide = [one for one in report.own if one.games and one.of_games / one.games > WIDE]
    for one in sorted(wide, key=lambda one: (-one.of_games, one.id))[:_MOST_TOLD]:
        yield (
            f"{called(one.id)} is wide.",
            f"It is named on {one.of_games} of {one.games} positions of games that meet no core. "
            "If that is more than you mean, counter-examples or a correction make it narrower.",
        )


def _beside_words(report: TaughtReport) -> Iterator[tuple[str, str]]:
    parents = {one.id: one.parent for one in report.learnt_from.families}
    told = []
    for one in report.own:
        for beside in one.beside:
            if beside.structure != parents.get(one.id):
                told.append((beside.count, called(one.id), called(beside.structure)))
    told.sort(reverse=True)
    if told:
        names = "; ".join(f"{own} on {count} of {core}" for count, own, core in told[:_MOST_TOLD])
        yield (
            "Textbook structures keep their names.",
            "Where a core is met, your family is told as the second one only. Of the "
            f"examination's skeletons: {names}{_more(told)}.",
        )


def _sure_words(report: TaughtReport) -> Iterator[tuple[str, str]]:
    told = off_the_line(report.statements.calibration)
    if told:
        yield "On your statements it is not as sure as it should be.", told


def _few_words(report: TaughtReport) -> Iterator[tuple[str, str]]:
    few = [called(one.id) for one in report.own if not one.examples]
    if few:
        yield (
            "Not everything could be examined.",
            f"Too few examples to be judged by one another: {', '.join(few[:_MOST_TOLD])}"
            f"{_more(few)}.",
        )


def _more(rows: Sequence[object]) -> str:
    left = len(rows) - _MOST_TOLD
    return f"; and {left} more" if left > 0 else ""


def _called(structure: str) -> str:
    if not structure:
        return "others"
    return "no structure" if structure == "unsettled" else called(structure)
