"""Where a core that is met stands on the board: its pawns, and the files that it wants empty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import chess

from pawnlore.structures.core import Condition, Core, file_pattern
from pawnlore.structures.skeleton import Skeleton


@dataclass(frozen=True, slots=True)
class CoreSquares:
    """What a core asks for, as it stands.

    ``pawns`` are the squares of the pawns. ``empty`` has, for each file on which
    a side must have no pawn, the square that this side's pawn began on.
    """

    pawns: tuple[chess.Square, ...]
    empty: tuple[chess.Square, ...]


def core_squares(core: Core, skeleton: Skeleton, holder: str) -> CoreSquares | None:
    """The squares of a core; none where the pawns do not meet it.

    ``holder`` is ``white``, ``black`` or ``both``; with ``both``, White's reading
    is taken where it is met.

    >>> from pawnlore.structures.catalogue import shipped_catalogue
    >>> from pawnlore.structures.skeleton import skeleton_from_fen
    >>> pawns = skeleton_from_fen("8/ppp2ppp/8/3p4/3P4/8/PP2PPPP/8")
    >>> found = core_squares(shipped_catalogue()["carlsbad"].core, pawns, "white")
    >>> [chess.square_name(square) for square in found.pawns]
    ['e2', 'd4', 'd5', 'c7']
    >>> [chess.square_name(square) for square in found.empty]
    ['c2', 'e7']
    """
    for black in {"white": (False,), "black": (True,)}.get(holder, (False, True)):
        own, foe = skeleton.white, skeleton.black
        if black:
            own, foe = chess.flip_vertical(foe), chess.flip_vertical(own)
        if not core.met(own, foe):
            continue
        pawns: set[chess.Square] = set()
        empty: set[chess.Square] = set()
        for conditions, mask, home in ((core.own, own, 1), (core.foe, foe, 6)):
            _add(conditions, mask, home, pawns, empty)
        turn = chess.square_mirror if black else int
        return CoreSquares(
            tuple(sorted(turn(square) for square in pawns)),
            tuple(sorted(turn(square) for square in empty)),
        )
    return None


def _add(
    conditions: Sequence[Condition],
    mask: int,
    home: int,
    pawns: set[chess.Square],
    empty: set[chess.Square],
) -> None:
    for condition in conditions:
        word, _, rest = condition.text.partition(" ")
        if word == "on":
            # Whatever else is on the file is not asked for.
            pawns.add(chess.parse_square(rest.strip()))
            continue
        for one in condition.alternatives:
            pattern = file_pattern(mask, one.file)
            if not (one.allowed >> pattern) & 1:
                continue
            if not pattern:
                empty.add(chess.square(one.file, home))
            pawns.update(chess.scan_forward(mask & chess.BB_FILES[one.file]))
