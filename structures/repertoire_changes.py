"""What changed between two versions of a repertoire: nodes added, gone, and judged anew.

A node is known again by the moves that lead to it from its game's start, first
in a chapter of the same name, then anywhere. So moving a line to another
chapter, or reordering variations, changes nothing here.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.verdict import NONE, Verdicts

_Places = npt.NDArray[np.intp]


@dataclass(frozen=True)
class RepertoireChanges:
    """The old place of every new node, and what follows from it.

    ``old_of`` is (N,) for the N new nodes: a place in the old columns, or -1.
    ``added`` are places in the new columns and ``gone`` in the old ones, both
    in reading order.
    """

    old_of: _Places
    added: _Places
    gone: _Places

    @property
    def kept(self) -> int:
        """How many nodes are in both versions."""
        return len(self.old_of) - len(self.added)

    def moved(self, old: Verdicts, new: Verdicts) -> tuple[_Places, _Places]:
        """The nodes in both versions whose structure or holder is another one now.

        Their old places and their new ones, in the new reading order; the
        verdicts have one row a node.
        """
        here = np.flatnonzero(self.old_of >= 0)
        before = self.old_of[here]
        other = _families(old, new)[before] != new.family[here]
        other |= old.holder[before] != new.holder[here]
        return before[other], here[other]


def repertoire_changes(old: Repertoire, new: Repertoire) -> RepertoireChanges:
    """Compare two versions of a repertoire. Linear in the nodes.

    >>> import io
    >>> from pawnlore.structures.pgn_reader import read_repertoire
    >>> old = read_repertoire([io.StringIO("1. d4 d5 (1... f5) 2. c4 *")])
    >>> new = read_repertoire([io.StringIO("1. d4 d5 2. c4 e6 *")])
    >>> found = repertoire_changes(old, new)
    >>> [new.moves[node] for node in found.added], [old.moves[node] for node in found.gone]
    (['e6'], ['f5'])
    """
    known: dict[tuple[int, str], int] = {}
    starts: dict[str, int] = {}
    old_paths, new_paths = _paths(old, known, starts), _paths(new, known, starts)
    old_of = np.full(len(new), -1, dtype=np.intp)
    taken = np.zeros(len(old), dtype=bool)
    # In the same chapter first; what was moved to another one is found after that.
    _match(
        zip(_chapters(old), old_paths, strict=True),
        zip(_chapters(new), new_paths, strict=True),
        old_of,
        taken,
    )
    _match(old_paths, new_paths, old_of, taken)
    return RepertoireChanges(old_of, np.flatnonzero(old_of < 0), np.flatnonzero(~taken))


def _paths(
    book: Repertoire, known: dict[tuple[int, str], int], starts: dict[str, int]
) -> list[int]:
    """A number for each node; equal numbers are equal moves from equal starting positions."""
    fens = {game.first: game.fen for game in book.games}
    numbers: list[int] = []
    for node, (above, move) in enumerate(zip(book.parent, book.moves, strict=True)):
        if above < 0:
            # Below zero, so that no start is taken for a move.
            numbers.append(-1 - starts.setdefault(fens[node], len(starts)))
        else:
            numbers.append(known.setdefault((numbers[above], move), len(known)))
    return numbers


def _chapters(book: Repertoire) -> Iterable[str]:
    for game in book.games:
        for _ in range(game.count):
            yield game.chapter


def _match(
    old: Iterable[Hashable],
    new: Iterable[Hashable],
    old_of: _Places,
    taken: npt.NDArray[np.bool_],
) -> None:
    """Pair those not yet paired that have equal keys, in reading order."""
    waiting: dict[Hashable, list[int]] = defaultdict(list)
    done = taken.tolist()
    for node, key in enumerate(old):
        if not done[node]:
            waiting[key].append(node)
    for nodes in waiting.values():
        nodes.reverse()
    paired = old_of.tolist()
    for node, key in enumerate(new):
        if paired[node] < 0 and waiting.get(key):
            before = waiting[key].pop()
            old_of[node] = before
            taken[before] = True


def _families(old: Verdicts, new: Verdicts) -> npt.NDArray[np.int64]:
    """The old family column in the new one's numbers; -2 for a family that is no more."""
    place = {name: number for number, name in enumerate(new.names)}
    numbers = np.array([*(place.get(name, -2) for name in old.names), NONE], dtype=np.int64)
    # The last entry stands for no family, whose index is -1.
    found: npt.NDArray[np.int64] = numbers[old.family]
    return found
