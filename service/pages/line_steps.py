"""The structure path of a line in steps, for the words above its moves."""

from __future__ import annotations

from dataclasses import dataclass

from pawnlore.service.pages.group_keys import HOLDERS, heading
from pawnlore.service.workbook import Workbook
from pawnlore.structures.structure_paths import LinePath

MOST = 30
"""Steps that are shown of one line."""


@dataclass(frozen=True, slots=True)
class Step:
    """A structure on a line, and the move from which it stands.

    ``node`` is where it begins. ``held`` is false where it stands too shortly to
    count; ``here`` is true where it stands at the position that is shown.
    """

    structure: str
    holder: str
    name: str
    whose: str
    move: int
    node: int
    held: bool
    here: bool


def line_steps(work: Workbook, path: LinePath, node: int) -> tuple[tuple[Step, ...], int]:
    """The steps of a line, and how many more there are than are shown.

    Of a very long path those around ``node`` are shown.
    """
    book = work.book
    place = {step: count for count, step in enumerate(path.nodes)}
    at = place[node]
    spans = path.spans
    current = next(
        (count for count, span in enumerate(spans) if place[span.first] <= at <= place[span.last]),
        None,
    )
    start = 0
    if len(spans) > MOST:
        behind = sum(place[span.first] <= at for span in spans)
        start = min(max(0, behind - MOST // 2), len(spans) - MOST)
    steps = []
    for count, span in enumerate(spans[start : start + MOST], start):
        above = book.parent[span.first]
        steps.append(
            Step(
                structure=span.structure.structure,
                holder=span.structure.holder,
                name=heading(span.structure.structure),
                whose=HOLDERS[span.structure.holder],
                move=1 if above < 0 else book.ply[above] // 2 + 1,
                node=span.first,
                held=span.held,
                here=count == current,
            )
        )
    return tuple(steps), len(spans) - len(steps)
