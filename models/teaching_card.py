"""The results of the examination of teaching, as Markdown."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from pawnlore.models.teaching_exam import (
    EXAMPLE_COUNTS,
    FamilyFigures,
    TeachingExam,
    examine_teaching,
    taught_method,
)
from pawnlore.models.teaching_rivals import RIVALS

OURS = "definitions weighed (shipped)"

RIVALS_EVERY = 3
"""The other methods are tried on every third of the families examined."""

_INTRODUCTION = """\
# How well teaching works

Written by `pawnlore teach examine`; every figure is measured by that command, with {samplings}
{draws} of the examples for each family.

Each shipped family is taken away altogether - its core, its training data, what its core says
about how families are defined - and then taught by a few positions of one holder. It is asked for
on {held:,} held-out skeletons: of games, and made to meet each family's core; no skeleton that is
examined, nor its mirror, was learnt from. F1 counts a position as right only with its holder. In
*clear*, positions that miss the family's core by one condition are left out, for trainers call some
of them the family and others not; in *strict*, those of games all count as not the family.
*Others* is by how much the macro-F1 of all other families falls where the cores are switched off.
With the cores on, as in use, no position that meets a core loses its name.
"""


def teaching_card(
    *,
    samplings: int,
    every: int,
    say: Callable[[str], None] = lambda text: None,
    rivals: bool = True,
) -> str:
    """Sit all papers of teaching; takes long. ``every`` takes only each Nth family."""
    exam = TeachingExam()
    ranks = range(0, len(exam.matcher.catalogue), every)
    ours = examine_teaching(exam, taught_method, ranks, samplings=samplings, say=say)
    say("the same without the family's positions among those of games")
    few = ranks[::RIVALS_EVERY]
    hidden = examine_teaching(
        exam, taught_method, few, samplings=samplings, unlabelled=False, say=say
    )
    compared: dict[str, list[FamilyFigures]] = {}
    if rivals:
        for name, method in RIVALS.items():
            say(f"examining {name}")
            compared[name] = examine_teaching(exam, method, few, samplings=1, say=say)
    draws = "draw" if samplings == 1 else "draws"
    parts = [
        _INTRODUCTION.format(samplings=samplings, draws=draws, held=exam.paper.masks.shape[0]),
        f"## All {len(ranks)} families\n\n" + _summary({OURS: ours}),
    ]
    chosen = {exam.matcher.catalogue.ids[rank] for rank in few}
    same = [row for row in ours if row.structure in chosen]
    parts.append(
        f"## Beside other methods, on {len(few)} of the families\n\n"
        "The other methods had one draw of the examples. *Not among the games* is ours where the\n"
        "family's positions are also taken out of the unlabelled positions of games.\n\n"
        + _summary({OURS: same, "the same, not among the games": hidden, **compared})
    )
    parts.append("## Each family\n\n" + _families(ours))
    return "\n".join(parts)


def _summary(methods: dict[str, list[FamilyFigures]]) -> str:
    lines = [
        "| method | examples | clear, mean | clear, worst | strict, mean | strict, worst "
        "| others, mean | others, worst |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for name, figures in methods.items():
        for count in EXAMPLE_COUNTS:
            rows = [row for row in figures if row.examples == count]
            clear, strict, fall = (
                np.array([getattr(row, column) for row in rows])
                for column in ("clear", "strict", "others_fall")
            )
            lines.append(
                f"| {name} | {count} | {clear.mean():.4f} | {clear.min():.3f} "
                f"| {strict.mean():.4f} | {strict.min():.3f} "
                f"| {fall.mean():.5f} | {fall.max():.5f} |"
            )
    return "\n".join(lines) + "\n"


def _families(figures: Sequence[FamilyFigures]) -> str:
    lines = ["| family | examples | clear | strict | others |", "|---|---|---|---|---|"]
    lines += [
        f"| {row.structure} | {row.examples} | {row.clear:.3f} | {row.strict:.3f} "
        f"| {row.others_fall:.5f} |"
        for row in figures
    ]
    return "\n".join(lines) + "\n"
