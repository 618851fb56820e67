"""The labelled demo positions: well formed, varied, complete and true to the cores."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import chess
import pytest

from pawnlore.structures.catalogue import UNSETTLED, shipped_catalogue
from pawnlore.structures.matcher import CoreMatch, shipped_matcher
from pawnlore.structures.skeleton import Skeleton, skeleton_from_board, skeletons_from_boards
from pawnlore.structures.verdict import HOLDERS, NONE

KINDS = ("core", "near", "mid-air", "none")
OPCODES = ("id", "c0", "c1", "c2", "c3")


@dataclass(frozen=True)
class Labelled:
    """One line of the file, as the tests need it."""

    line: int
    board: chess.Board
    name: str
    family: str
    holder: str
    reason: str
    kind: str

    @property
    def skeleton(self) -> Skeleton:
        return skeleton_from_board(self.board)


@cache
def lines() -> tuple[str, ...]:
    text = (files("pawnlore.labelled_demo") / "positions.epd").read_text(encoding="utf-8")
    return tuple(text.splitlines())


@cache
def labelled() -> tuple[Labelled, ...]:
    rows = []
    for number, line in enumerate(lines(), 1):
        board, operations = chess.Board().from_epd(line)
        assert sorted(operations) == sorted(OPCODES), f"line {number}: {sorted(operations)}"
        name, family, holder, reason, kind = (str(operations[key]) for key in OPCODES)
        rows.append(Labelled(number, board, name, family, holder, reason, kind))
    return tuple(rows)


@cache
def core_match() -> CoreMatch:
    return shipped_matcher().match(skeletons_from_boards(row.board for row in labelled()))


def of_kind(*kinds: str) -> list[Labelled]:
    return [row for row in labelled() if row.kind in kinds]


def test_every_line_is_an_epd_of_four_fields_and_five_string_operations() -> None:
    # Extended Position Description, section 16.2 of the PGN Specification and
    # Implementation Guide (1994), cited from memory: placement, side to move,
    # castling, en passant, then operations, each ended by a semicolon;
    # ``c0`` to ``c9`` are comments and ``id`` names the position.
    operation = r'{} "[^";]+";'
    form = re.compile(
        r"[1-8KQRBNPkqrbnp]+(?:/[1-8KQRBNPkqrbnp]+){7} [wb] (?:-|K?Q?k?q?) (?:-|[a-h][36]) "
        + " ".join(operation.format(opcode) for opcode in OPCODES)
        + r"\Z"
    )
    bad = [number for number, line in enumerate(lines(), 1) if not form.match(line)]
    assert bad == []


def test_names_number_the_lines_in_order() -> None:
    assert [row.name for row in labelled()] == [f"demo-{row.line:04d}" for row in labelled()]


def test_every_position_is_legal() -> None:
    # python-chess is the reference for what a legal position is.
    bad = [(row.line, row.board.status()) for row in labelled() if not row.board.is_valid()]
    assert bad == []


def test_pawns_could_have_reached_their_files() -> None:
    # A rule of the game: a pawn changes its file only by a capture, so the
    # files that a side's pawns have shifted cannot outnumber the foe's losses.
    for row in labelled():
        for colour in chess.COLORS:
            lost = 16 - chess.popcount(row.board.occupied_co[not colour])
            found = sorted(chess.square_file(square) for square in row.board.pieces(1, colour))
            assert least_shift(found) <= lost, f"line {row.line}: {row.board.epd()}"


def least_shift(found: list[int]) -> int:
    """The fewest file changes that bring pawns from distinct files to these files."""
    best = [0] * 9
    for target in found:
        following = [99] * 9
        for origin in range(8):
            following[origin + 1] = min(following[origin], best[origin] + abs(target - origin))
        best = following
    return best[8]


@pytest.mark.parametrize(("found", "shift"), [([0, 1, 2], 0), ([2, 2], 1), ([7, 7, 7], 3)])
def test_least_shift(found: list[int], shift: int) -> None:
    # Counted by hand: b takes c, or d takes c; g and f take to the h-file.
    assert least_shift(found) == shift


def test_no_skeleton_comes_twice_not_even_mirrored() -> None:
    seen: dict[Skeleton, int] = {}
    for row in labelled():
        key, _ = row.skeleton.canonical()
        assert key not in seen, f"lines {seen[key]} and {row.line} have the same pawns"
        seen[key] = row.line


def test_labels_come_from_the_catalogue_and_reasons_are_given() -> None:
    ids = set(shipped_catalogue().ids)
    for row in labelled():
        where = f"line {row.line}"
        assert row.kind in KINDS, where
        assert row.holder in HOLDERS, where
        assert len(row.reason.split()) >= 2, where
        if row.kind in ("core", "near"):
            assert row.family in ids, where
        else:
            assert (row.family, row.holder) == (UNSETTLED, "both"), where


def test_every_family_is_shown_with_every_holder() -> None:
    shown = {(row.family, row.holder) for row in of_kind("core")}
    wanted = {
        (family.id, holder)
        for family in shipped_catalogue().families
        for holder in (["both"] if family.shared else ["white", "black"])
    }
    assert wanted - shown == set()


def test_core_labels_are_what_the_matcher_says() -> None:
    match, ids = core_match(), shipped_catalogue().ids
    for row in of_kind("core"):
        index = int(match.family[row.line - 1])
        assert index != NONE, f"line {row.line} meets no core"
        found = ids[index], HOLDERS[match.holder[row.line - 1]]
        assert found == (row.family, row.holder), f"line {row.line}"


def test_all_other_positions_meet_no_core() -> None:
    family = core_match().family
    assert [r.line for r in of_kind("near", "mid-air", "none") if family[r.line - 1] != NONE] == []


def test_a_near_position_is_one_condition_off_its_own_core() -> None:
    by_id = {family.id: family for family in shipped_catalogue().families}
    for row in of_kind("near"):
        core = by_id[row.family].core
        sides = {"white": [row.skeleton], "black": [row.skeleton.mirrored()]}
        held_by = sides.get(row.holder, [row.skeleton, row.skeleton.mirrored()])
        missed = min(
            sum(not c.met(own) for c in core.own) + sum(not c.met(foe) for c in core.foe)
            for own, foe in held_by
        )
        assert missed == 1, f"line {row.line}"


def test_a_shared_family_has_both_holders_and_another_one_holder() -> None:
    by_id = {family.id: family for family in shipped_catalogue().families}
    for row in of_kind("near"):
        assert (row.holder == "both") == by_id[row.family].shared, f"line {row.line}"


def material(board: chess.Board, colour: chess.Color) -> int:
    """One side's material by the usual count: 1, 3, 3, 5, 9 (common practice, no source)."""
    counted = zip((1, 3, 3, 5, 9), chess.PIECE_TYPES[:5], strict=True)
    return sum(value * len(board.pieces(kind, colour)) for value, kind in counted)


def test_in_mid_air_the_side_to_move_has_something_to_take_back() -> None:
    for row in of_kind("mid-air"):
        mover = row.board.turn
        assert material(row.board, mover) < material(row.board, not mover), f"line {row.line}"


def test_there_is_enough_of_every_kind() -> None:
    count = Counter(row.kind for row in labelled())
    assert len(labelled()) >= 380
    assert count["core"] >= 129
    assert count["near"] >= 130
    assert count["mid-air"] >= 40
    assert count["none"] >= 80
    near = of_kind("near")
    assert len({row.family for row in near}) >= 50
    assert {row.holder for row in near} == set(HOLDERS)
