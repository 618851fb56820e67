"""The figures of a taught version in lines of words, for the terminal."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from pawnlore.models.exam_figures import CalibrationBin
from pawnlore.models.taught_figures import TaughtReport
from pawnlore.service.pages.group_keys import heading
from pawnlore.service.pages.model_view import MixRow, family_rows, mix_rows, weaknesses
from pawnlore.service.pages.taught_view import (
    author_rows,
    learnt_rows,
    own_rows,
    own_weaknesses,
    statement_rows,
)
from pawnlore.structures.catalogue import Catalogue

_MOST_MIXED = 20


def taught_lines(report: TaughtReport, catalogue: Catalogue) -> Iterator[str]:
    """What was measured of a version, where it is weak, and what it was taught from."""
    measured, said = report.report, report.statements
    right = sum(one.right for one in measured.cores.classes)
    count = sum(one.count for one in measured.cores.classes)
    yield "Results, on what nothing was learnt from:"
    yield (
        f"  skeletons that meet a core, by the network alone: {right:,} of {count:,} right, "
        f"macro-F1 {measured.cores.macro_f1:.4f}"
    )
    yield (
        f"  positions that raters named: {measured.off_core.agreement:.1%} of "
        f"{measured.off_core.count} as they did; of the {measured.off_core.named} with a name "
        f"{measured.off_core.named_agreement:.1%}"
    )
    if report.own_named:
        yield f"    {report.own_named} got the name of a family of yours, which no rater knew"
    yield (
        f"  far from every core: {measured.far_unsettled:.1%} of {measured.far_count} left "
        "without a name"
    )
    if said.count:
        drawn = ""
        if said.labels > said.drawn:
            drawn = f" ({said.drawn:,} of {said.labels:,} labels were drawn)"
        yield (
            f"  your labels and examples, each judged by what the others taught: {said.right:,} "
            f"of {said.count:,} right{drawn}"
        )
    yield from _own(report)
    yield from _calibration(
        "How sure, and how often right, off the cores",
        measured.calibration,
        measured.off_core_calibration_error,
    )
    if said.calibration:
        yield from _calibration(
            "How sure, and how often right, on what you said",
            said.calibration,
            said.calibration_error,
        )
    yield from _mixed("What it takes for what, by the raters' names", mix_rows(measured))
    yield from _mixed("What it takes for what, by what you said", statement_rows(report))
    yield "Shipped structures with faults (core: right of asked; off the core: F1):"
    for row in family_rows(measured, catalogue):
        if row.cores.faults or row.off_core.faults:
            f1 = "-" if row.off_core.f1 is None else f"{row.off_core.f1:.3f}"
            yield f"  {row.name}: {row.cores.right} of {row.cores.count}; {f1}"
    yield "Where it is weak:"
    for title, text in (*own_weaknesses(report), *weaknesses(measured, catalogue)):
        yield f"  {title} {text}"
    yield from _learnt(report)


def _own(report: TaughtReport) -> Iterator[str]:
    if report.own:
        yield "Your families, each statement judged by what the others taught:"
    for one in own_rows(report):
        if one.examples:
            yield (
                f"  {heading(one.id)}: {one.found} of {one.examples} examples found, "
                f"{one.kept_out} of {one.counter} kept out that are not of it, {one.taken} taken "
                f"from others; named on {one.of_games} of {one.games:,} positions of games"
            )
        else:
            yield (
                f"  {heading(one.id)}: too few examples to be judged ({one.learnt}); named on "
                f"{one.of_games} of {one.games:,} positions of games"
            )


def _calibration(title: str, bins: Sequence[CalibrationBin], error: float) -> Iterator[str]:
    yield f"{title} (expected calibration error {error:.3f}):"
    for one in bins:
        yield (
            f"  {one.low:4.0%} to {one.high:4.0%}: {one.count:5,} verdicts, said {one.mean:6.1%}, "
            f"right {one.right:6.1%}"
        )


def _mixed(title: str, rows: Iterable[MixRow]) -> Iterator[str]:
    wrong = [row for row in rows if row.right < row.count]
    if wrong:
        yield f"{title}:"
    for row in wrong[:_MOST_MIXED]:
        called = "; ".join(f"{name} ×{count}" for name, count in row.called[:5])
        silent = f"no name ×{row.silent}" if row.silent else ""
        told = "; ".join(part for part in (silent, called) if part)
        yield f"  {row.name}: {row.right} of {row.count} right; else {told}"
    if len(wrong) > _MOST_MIXED:
        yield f"  and {len(wrong) - _MOST_MIXED} more, as 'pawnlore teach show N --format json' has"


def _learnt(report: TaughtReport) -> Iterator[str]:
    learnt = report.learnt_from
    yield f"What it was taught from: model {learnt.base[:12]}, which ships, with seed {learnt.seed}"
    for row in author_rows(report):
        most = "; ".join(f"{name} ×{count}" for name, count in row.structures)
        others = f"; others ×{row.others}" if row.others else ""
        yield f"  {row.count:,} labels by {row.author or 'nobody named'}: {most}{others}"
    for one in learnt_rows(report):
        finer = f", a finer {one.parent}" if one.parent else ""
        by = f", by {one.authors}" if one.authors else ""
        given = f"{one.examples} examples, {one.counter} counter-examples{by}"
        yield f"  {one.id} ({one.name}){finer}: {given}"
        if one.corrections:
            yield f"    you said: {one.corrections}"
