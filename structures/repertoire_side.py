"""Whose repertoire it is: the side that answers with one move.

An author gives one answer of their own to each of several moves of the
opponent's. So the side that has alternatives less often is the author's. Where
games hardly branch, as in a file with a line a game, all games are laid over
one another first. Where that tells nothing either, the last moves do: lines
tend to end with the author's answer.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pawnlore.structures.repertoire import Repertoire

SIDES = ("white", "black", "mixed")
"""Whose a repertoire can be."""

_SLIPS = 0.1
"""The share of the branching that may point the other way (contradictions do)."""
_ENDS = 0.75
"""The share of lines that must end with one side's move for that to tell."""
_MORE = 2
"""By how many moves one side must lead in alternatives for games laid over one another to tell."""


@dataclass(frozen=True, slots=True)
class RepertoireSide:
    """Whose repertoire it is (``white``, ``black`` or ``mixed``) and why we think so.

    ``games`` has a side for every game: the repertoire's, or in a mixed one the
    game's own, which is ``mixed`` again where nothing tells.
    """

    side: str
    reason: str
    games: tuple[str, ...] = ()

    def of_game(self, index: int) -> str:
        """The author's side in a game, by the game's place in the repertoire."""
        return self.games[index] if self.games else self.side


def given_side(book: Repertoire, side: str) -> RepertoireSide:
    """The side that somebody named.

    ``mixed`` leaves it open for the repertoire, and each game tells for itself.
    """
    if side not in SIDES:
        raise ValueError(f"no side: {side!r}; sides are {', '.join(SIDES)}")
    games = (side,) * len(book.games)
    if side == "mixed":
        games = tuple(_game_sides(*_branchings(book), _last_moves(book)))
    return RepertoireSide(side, "as asked for", games)


def infer_side(book: Repertoire) -> RepertoireSide:
    """Find out whose repertoire it is.

    >>> import io
    >>> from pawnlore.structures.pgn_reader import read_repertoire
    >>> book = read_repertoire([io.StringIO("1. d4 d5 (1... Nf6 2. c4) (1... f5 2. c4) 2. c4 *")])
    >>> infer_side(book).side
    'white'
    """
    if len(book) == len(book.games):
        return RepertoireSide("mixed", "there are no moves", ("mixed",) * len(book.games))
    white, black = _branchings(book)
    last = _last_moves(book)
    games = _game_sides(white, black, last)
    branches = int(white.sum() + black.sum())
    # What the games say against each other: slips, or two repertoires in one.
    says = np.array(games)
    both = white + black
    for_white = int(both[says == "white"].sum())
    for_black = int(both[says == "black"].sum())
    if min(for_white, for_black) > _SLIPS * branches:
        counts = (
            f"{int((says == 'white').sum())} for White, {int((says == 'black').sum())} for Black"
        )
        return RepertoireSide("mixed", f"the chapters differ: {counts}", tuple(games))
    one, other = int(white.sum()), int(black.sum())
    if one + other < len(games):
        over, under = _surplus_moves(book)
        side = _clear(over, under) if abs(over - under) >= _MORE else ""
        if side:
            few, many = sorted((over, under))
            name, foe = ("White", "Black") if side == "white" else ("Black", "White")
            reason = (
                f"over all games {foe} has {many:,} moves besides the first ones, "
                f"{name} {f'{few:,}' if few else 'none'}"
            )
            return RepertoireSide(side, reason, (side,) * len(games))
    side = _clear(one, other)
    if side:
        few, many = min(one, other), max(one, other)
        name, foe = ("White", "Black") if side == "white" else ("Black", "White")
        reason = f"{foe} has alternatives in {_places(many)}, {name} in {few or 'none'}"
        return RepertoireSide(side, reason, (side,) * len(games))
    ends = last.sum(axis=0)
    share = ends / max(1, ends.sum())
    for code, (side, name) in enumerate((("white", "White"), ("black", "Black"))):
        if share[code] >= _ENDS:
            reason = f"{int(ends[code]):,} of {int(ends.sum()):,} lines end with {name}'s move"
            return RepertoireSide(side, reason, (side,) * len(games))
    reason = "both sides have alternatives and lines end with either side's move"
    return RepertoireSide("mixed", reason, tuple(games))


def _branchings(book: Repertoire) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """For each game, the nodes where White has several moves, and those where Black has."""
    parents = book.parents
    children = np.bincount(parents[parents >= 0], minlength=len(book))
    several = np.flatnonzero(children > 1)
    ply = np.frombuffer(book.ply, dtype=np.int32) if len(book) else np.empty(0, dtype=np.int32)
    black = ply[several] % 2 == 1
    owner = _game_index(book, several)
    count = len(book.games)
    return (
        np.bincount(owner[~black], minlength=count).astype(np.int64),
        np.bincount(owner[black], minlength=count).astype(np.int64),
    )


def _surplus_moves(book: Repertoire) -> tuple[int, int]:
    """White's and Black's moves beyond the first in a place, with all games as one tree."""
    places: dict[tuple[int, str], int] = {}
    place_of: list[int] = []
    starts = {game.first: game.fen for game in book.games}
    moves: Counter[int] = Counter()
    ply_of: dict[int, int] = {}
    for node, (above, move) in enumerate(zip(book.parent, book.moves, strict=True)):
        key = (-1, starts[node]) if above < 0 else (place_of[above], move)
        place = places.get(key)
        if place is None:
            place = places[key] = len(places)
            if above >= 0:
                moves[key[0]] += 1
                ply_of[key[0]] = book.ply[above]
        place_of.append(place)
    surplus = [0, 0]
    for place, count in moves.items():
        surplus[ply_of[place] % 2] += count - 1
    return surplus[0], surplus[1]


def _last_moves(book: Repertoire) -> npt.NDArray[np.int64]:
    """For each game, the lines that end with White's move and with Black's; (games, 2)."""
    leaves = book.leaves
    leaves = leaves[book.parents[leaves] >= 0]
    ply = np.frombuffer(book.ply, dtype=np.int32) if len(book) else np.empty(0, dtype=np.int32)
    out = np.zeros((len(book.games), 2), dtype=np.int64)
    np.add.at(out, (_game_index(book, leaves), 1 - ply[leaves] % 2), 1)
    return out


def _game_index(book: Repertoire, nodes: npt.NDArray[np.intp]) -> npt.NDArray[np.intp]:
    firsts = np.array([game.first for game in book.games], dtype=np.intp)
    return np.searchsorted(firsts, nodes, side="right") - 1


def _clear(white: int, black: int) -> str:
    if black > 2 * white:
        return "white"
    if white > 2 * black:
        return "black"
    return ""


def _game_sides(
    white: npt.NDArray[np.int64], black: npt.NDArray[np.int64], last: npt.NDArray[np.int64]
) -> list[str]:
    sides = []
    for one, other, (by_white, by_black) in zip(
        white.tolist(), black.tolist(), last.tolist(), strict=True
    ):
        side = _clear(one, other)
        if not side and not one and not other:
            side = "white" if by_white > by_black else "black" if by_black > by_white else ""
        sides.append(side or "mixed")
    return sides


def _places(count: int) -> str:
    return f"{count:,} place{'' if count == 1 else 's'}"
