"""The results of the examination of teaching, as Markdown."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from pawnlore.models.teaching_exam import (
    EXAMPLE_COUNTS,
    FamilyFigures,
    Method,
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
examined, nor its mirror, was learnt from. F1 counts a position as right only with its holder.

- *families*: among the positions that some family's core names;
- *clear*: among all, also those of games that are no family's; only those that miss the family's
  core by one condition are left out, for trainers call some of them the family and others not;
- *strict*: those of games that miss it by one condition all count as not the family;
- *others*: by how much the macro-F1 of all other families falls where the cores are switched off.
  With the cores on, as in use, no position that meets a core loses its name.

*As in use* is the same, but the family's positions are left among those of games that the examples
are compared with, without a label, as an author's own family would be there. The worst is the worst
family, as the mean of its draws. What is aimed at is 0.97 in the mean and 0.85 for the worst with
five examples, 0.99 and 0.95 with twenty, and that the others fall by at most 0.002.
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

    def sit(method: Method, ranks: range, samplings: int, unlabelled: bool) -> list[FamilyFigures]:
        return examine_teaching(
            exam, method, ranks, samplings=samplings, unlabelled=unlabelled, say=say
        )

    ours = sit(taught_method, ranks, samplings, False)
    say("the same as in use, the family's positions among those of games")
    in_use = sit(taught_method, ranks, samplings, True)
    few = ranks[::RIVALS_EVERY]
    compared: dict[str, list[FamilyFigures]] = {}
    if rivals:
        compared[OURS] = sit(taught_method, few, 1, False)
        for name, method in RIVALS.items():
            say(f"examining {name}")
            compared[name] = sit(method, few, 1, False)
    draws = "draw" if samplings == 1 else "draws"
    parts = [
        _INTRODUCTION.format(samplings=samplings, draws=draws, held=exam.paper.masks.shape[0]),
        f"## All {len(ranks)} families\n\n" + _summary({OURS: ours, "the same, as in use": in_use}),
    ]
    if rivals:
        parts.append(
            f"## Beside other methods, on {len(few)} of the families\n\n"
            "All with the same single draw of the examples.\n\n" + _summary(compared)
        )
    parts.append("## Each family\n\n" + _families(ours))
    parts.append("## Each family, as in use\n\n" + _families(in_use))
    return "\n".join(parts)


def _summary(methods: dict[str, list[FamilyFigures]]) -> str:
    columns = ("families", "clear", "strict")
    lines = [
        "| method | examples |"
        + "".join(f" {column}, mean | {column}, worst |" for column in columns)
        + " others, mean | others, worst |",
        "|---|---|" + "---|---|" * (len(columns) + 1),
    ]
    for name, figures in methods.items():
        for count in EXAMPLE_COUNTS:
            rows = [row for row in figures if row.examples == count]
            line = f"| {name} | {count} |"
            for column in columns:
                values = np.array([getattr(row, column) for row in rows])
                line += f" {values.mean():.4f} | {values.min():.3f} |"
            falls = np.array([row.others_fall for row in rows])
            lines.append(line + f" {falls.mean():.5f} | {falls.max():.5f} |")
    return "\n".join(lines) + "\n"


def _families(figures: Sequence[FamilyFigures]) -> str:
    lines = [
        "| family | examples | families | clear | strict | others |",
        "|---|---|---|---|---|---|",
    ]
    lines += [
        f"| {row.structure} | {row.examples} | {row.families:.3f} | {row.clear:.3f} "
        f"| {row.strict:.3f} | {row.others_fall:.5f} |"
        for row in figures
    ]
    return "\n".join(lines) + "\n"
