"""Motifs against plain definitions, one pawn at a time, and in the mirror."""

from __future__ import annotations

from collections.abc import Callable

import chess
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.structures import chains, file_states, holes, majorities, motifs
from pawnlore.structures.bits import file_squares
from pawnlore.structures.drawing import (
    batch_from_drawings,
    both_in_words,
    draw,
    skeleton_from_drawing,
)
from pawnlore.structures.skeleton import Skeleton, SkeletonError, mirror_batch, pack

skeletons = st.from_type(Skeleton)
batches = st.lists(skeletons, min_size=1, max_size=6).map(pack)

Pawn = tuple[int, int]
"""File and rank, both from 0, in the coordinates of the pawn's own side."""

Pawns = frozenset[Pawn]


def _guards(pawn: Pawn) -> set[Pawn]:
    file, rank = pawn
    return {(f, rank + 1) for f in (file - 1, file + 1) if 0 <= f < 8}


def _can_ever_guard(pawn: Pawn, square: Pawn) -> bool:
    return abs(pawn[0] - square[0]) == 1 and pawn[1] < square[1]


def _foe_guards(foe: Pawns, square: Pawn) -> bool:
    return any((square[0] + side, square[1] + 1) in foe for side in (-1, 1))


def _isolated(pawn: Pawn, own: Pawns, foe: Pawns) -> bool:
    return not any(abs(other[0] - pawn[0]) == 1 for other in own)


def _doubled(pawn: Pawn, own: Pawns, foe: Pawns) -> bool:
    return sum(other[0] == pawn[0] for other in own) > 1


def _backward(pawn: Pawn, own: Pawns, foe: Pawns) -> bool:
    stop = (pawn[0], pawn[1] + 1)
    return (
        not _isolated(pawn, own, foe)
        and not any(_can_ever_guard(other, stop) for other in own)
        and _foe_guards(foe, stop)
    )


def _passed(pawn: Pawn, own: Pawns, foe: Pawns) -> bool:
    return not any(abs(f - pawn[0]) <= 1 and r > pawn[1] for f, r in foe)


def _duo(pawn: Pawn, own: Pawns, foe: Pawns) -> bool:
    return any((pawn[0] + side, pawn[1]) in own for side in (-1, 1))


def _ram(pawn: Pawn, own: Pawns, foe: Pawns) -> bool:
    return (pawn[0], pawn[1] + 1) in foe


def _lever(pawn: Pawn, own: Pawns, foe: Pawns) -> bool:
    return bool(_guards(pawn) & foe)


def _island_partner(pawn: Pawn, own: Pawns, foe: Pawns) -> Pawn | None:
    """The only other pawn of the pawn's island, if the island is a central lone pair."""
    files = {f for f, _ in own}
    low = high = pawn[0]
    while low - 1 in files:
        low -= 1
    while high + 1 in files:
        high += 1
    island = [p for p in own if low <= p[0] <= high]
    if high - low != 1 or len(island) != 2 or low == 0 or high == 7:
        return None
    if any(f in (low, high) for f, _ in foe):
        return None
    return next(p for p in island if p != pawn)


def _hanging(pawn: Pawn, own: Pawns, foe: Pawns) -> bool:
    partner = _island_partner(pawn, own, foe)
    return partner is not None and partner[1] == pawn[1]


def _couple(pawn: Pawn, own: Pawns, foe: Pawns) -> bool:
    partner = _island_partner(pawn, own, foe)
    return partner is not None and abs(partner[1] - pawn[1]) == 1


def _guarding(pawn: Pawn, own: Pawns) -> bool:
    return bool(_guards(pawn) & own)


def _guarded(pawn: Pawn, own: Pawns) -> bool:
    return any(pawn in _guards(other) for other in own)


def _chain(pawn: Pawn, own: Pawns, foe: Pawns) -> bool:
    return _guarding(pawn, own) or _guarded(pawn, own)


def _base(pawn: Pawn, own: Pawns, foe: Pawns) -> bool:
    return _guarding(pawn, own) and not _guarded(pawn, own)


def _head(pawn: Pawn, own: Pawns, foe: Pawns) -> bool:
    return _guarded(pawn, own) and not _guarding(pawn, own)


def _among_rams(scalar: Callable[[Pawn, Pawns, Pawns], bool]) -> Callable[..., bool]:
    def locked(pawn: Pawn, own: Pawns, foe: Pawns) -> bool:
        rams = frozenset(p for p in own if _ram(p, own, foe))
        return pawn in rams and scalar(pawn, rams, foe)

    return locked


DEFINITIONS: dict[str, tuple[Callable[..., np.ndarray], Callable[[Pawn, Pawns, Pawns], bool]]] = {
    "isolated": (motifs.isolated, _isolated),
    "doubled": (motifs.doubled, _doubled),
    "backward": (motifs.backward, _backward),
    "passed": (motifs.passed, _passed),
    "duo": (motifs.duos, _duo),
    "ram": (motifs.rams, _ram),
    "lever": (motifs.levers, _lever),
    "hanging pawns": (motifs.hanging_pawns, _hanging),
    "isolated couple": (motifs.isolated_couples, _couple),
    "chain": (chains.chains, _chain),
    "base": (chains.chain_bases, _base),
    "head": (chains.chain_heads, _head),
    "locked chain": (lambda m: chains.chains(m, locked=True), _among_rams(_chain)),
    "locked base": (lambda m: chains.chain_bases(m, locked=True), _among_rams(_base)),
    "locked head": (lambda m: chains.chain_heads(m, locked=True), _among_rams(_head)),
}
MASK_MOTIFS = {name: motif for name, (motif, _) in DEFINITIONS.items()} | {
    "holes": holes.holes,
    "camp holes": holes.camp_holes,
}


def _pawns(mask: int, turned: bool) -> Pawns:
    if turned:
        mask = chess.flip_vertical(mask)
    return frozenset((chess.square_file(s), chess.square_rank(s)) for s in chess.scan_forward(mask))


def _mask(pawns: Pawns, turned: bool) -> int:
    mask = sum(1 << chess.square(*pawn) for pawn in pawns)
    return chess.flip_vertical(mask) if turned else mask


def _views(skeleton: Skeleton) -> list[tuple[Pawns, Pawns, bool]]:
    return [
        (_pawns(skeleton[side], turned), _pawns(skeleton[1 - side], turned), turned)
        for side, turned in ((0, False), (1, True))
    ]


@pytest.mark.parametrize("name", DEFINITIONS)
@given(skeleton=skeletons)
def test_a_motif_is_what_its_definition_says(name: str, skeleton: Skeleton) -> None:
    motif, scalar = DEFINITIONS[name]
    expected = [
        _mask(frozenset(p for p in own if scalar(p, own, foe)), turned)
        for own, foe, turned in _views(skeleton)
    ]
    assert motif(pack([skeleton]))[0].tolist() == expected, draw(skeleton)


@pytest.mark.parametrize("step", [0, 1, -1])
@pytest.mark.parametrize("west", range(7))
def test_lone_pairs_by_file(west: int, step: int) -> None:
    """Random skeletons seldom hold a lone pair at the edge, so every file is tried here."""
    pair = (1 << chess.square(west, 3)) | (1 << chess.square(west + 1, 3 + step))
    away_from_the_edge = 0 < west < 6
    motif, other = motifs.hanging_pawns, motifs.isolated_couples
    if step:
        motif, other = other, motif
    alone = Skeleton(pair, 0)
    for skeleton in (alone, alone.mirrored()):
        masks = pack([skeleton])
        assert np.array_equal(motif(masks), masks if away_from_the_edge else 0 * masks)
        assert not np.any(other(masks))
    for file in (west - 1, west + 2):
        if 0 <= file < 8:
            assert not np.any(motif(pack([(pair | 1 << chess.square(file, 1), 0)])))
    for file in (west, west + 1):
        assert not np.any(motif(pack([(pair, 1 << chess.square(file, 6))]))), "not half-open"
        assert not np.any(motif(pack([(pair | 1 << chess.square(file, 1), 0)]))), "doubled"


@pytest.mark.parametrize("name", MASK_MOTIFS)
@given(masks=batches)
def test_the_mirror_shows_the_mirrored_motif(name: str, masks: np.ndarray) -> None:
    motif = MASK_MOTIFS[name]
    before = masks.copy()
    assert np.array_equal(motif(mirror_batch(masks)), mirror_batch(motif(masks)))
    assert np.array_equal(masks, before), "the batch that was handed in has changed"


@pytest.mark.parametrize("name", MASK_MOTIFS)
def test_an_empty_batch_gives_an_empty_answer(name: str) -> None:
    assert MASK_MOTIFS[name](pack([])).shape == (0, 2)


@given(skeletons)
def test_holes_are_the_squares_that_no_pawn_can_ever_guard(skeleton: Skeleton) -> None:
    found = holes.holes(pack([skeleton]))[0].tolist()
    camp = holes.camp_holes(pack([skeleton]))[0].tolist()
    for side, (own, _, turned) in enumerate(_views(skeleton)):
        lost = frozenset(
            (file, rank)
            for file in range(8)
            for rank in range(2, 8)
            if not any(_can_ever_guard(pawn, (file, rank)) for pawn in own)
        )
        assert found[side] == _mask(lost, turned)
        assert camp[side] == _mask(frozenset(s for s in lost if s[1] < 4), turned)


@given(skeletons)
def test_files_and_islands(skeleton: Skeleton) -> None:
    masks = pack([skeleton])
    white, black = ({f for f, _ in _pawns(mask, False)} for mask in skeleton)
    half_open = file_states.half_open_files(masks)[0].tolist()
    assert half_open == [sum(1 << f for f in black - white), sum(1 << f for f in white - black)]
    opened = set(range(8)) - white - black
    assert file_states.open_files(masks).tolist() == [sum(1 << f for f in opened)]
    for side, files in enumerate((white, black)):
        text = "".join("x" if file in files else " " for file in range(8))
        assert int(file_states.islands(masks)[0, side]) == len(text.split())


@given(batches)
def test_files_islands_and_majorities_swap_sides_in_the_mirror(masks: np.ndarray) -> None:
    mirror = mirror_batch(masks)
    for motif in (file_states.half_open_files, file_states.islands, file_states.pawn_files):
        assert np.array_equal(motif(mirror), motif(masks)[:, ::-1])
    assert np.array_equal(file_states.open_files(mirror), file_states.open_files(masks))
    for halves in (False, True):
        balance = majorities.wing_balance(masks, halves=halves)
        assert np.array_equal(majorities.wing_balance(mirror, halves=halves), -balance)
        had = majorities.majorities(masks, halves=halves)
        assert np.array_equal(majorities.majorities(mirror, halves=halves), had[:, ::-1])


@given(skeletons)
def test_majorities_count_the_pawns_of_each_wing(skeleton: Skeleton) -> None:
    masks = pack([skeleton])
    for halves, cut in ((False, majorities.THREE_WINGS), (True, majorities.TWO_HALVES)):
        assert "".join(cut.values()) == "abcdefgh"
        for column, files in enumerate(cut.values()):
            white, black = (
                sum("abcdefgh"[f] in files for f, _ in _pawns(mask, False)) for mask in skeleton
            )
            assert majorities.wing_counts(masks, files)[0].tolist() == [white, black]
            assert majorities.wing_balance(masks, halves=halves)[0, column] == white - black
            had = majorities.majorities(masks, halves=halves)[0, :, column].tolist()
            assert had == [white > black, black > white]


def test_wing_counts_take_any_files() -> None:
    masks = pack([(chess.BB_A2 | chess.BB_H3, chess.BB_H7)])
    assert majorities.wing_counts(masks, "h")[0].tolist() == [1, 1]


@given(skeletons)
def test_the_motifs_agree_with_one_another(skeleton: Skeleton) -> None:
    masks = pack([skeleton])
    found = {name: motif(masks)[0] for name, motif in MASK_MOTIFS.items()}
    for name, (_, _) in DEFINITIONS.items():
        assert not np.any(found[name] & ~masks[0]), f"{name} names a square without a pawn"
    assert not np.any(found["isolated"] & found["backward"])
    assert not np.any(found["isolated"] & (found["chain"] | found["duo"]))
    assert not np.any(found["passed"] & (found["ram"] | found["lever"]))
    assert not np.any(found["base"] & found["head"])
    assert not np.any(found["locked chain"] & ~(found["chain"] & found["ram"]))
    assert not np.any(found["hanging pawns"] & ~found["duo"])
    assert not np.any(found["isolated couple"] & ~found["chain"])
    assert chess.popcount(int(found["ram"][0])) == chess.popcount(int(found["ram"][1]))
    assert bool(found["lever"][0]) == bool(found["lever"][1])


@given(skeletons)
def test_a_drawing_reads_back(skeleton: Skeleton) -> None:
    assert skeleton_from_drawing(draw(skeleton)) == skeleton


EMPTY_ROW = ". . . . . . . .\n"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (EMPTY_ROW * 8, "not 8"),
        (EMPTY_ROW * 5 + "P . .", "rank 2 of the drawing has 3 squares"),
        (EMPTY_ROW * 5 + "K . . . . . . .", "'K' on rank 2"),
        (EMPTY_ROW * 4 + "PPPPPPPP\nP.......", "White has 9 pawns"),
        ("pppppppp\np.......\n" + EMPTY_ROW * 4, "Black has 9 pawns"),
    ],
)
def test_a_bad_drawing_is_refused_in_words(text: str, says: str) -> None:
    with pytest.raises(SkeletonError, match=says):
        skeleton_from_drawing(text)


def test_words_for_files_and_squares() -> None:
    masks = batch_from_drawings(EMPTY_ROW * 6, "p......P\n" + EMPTY_ROW * 5)
    assert both_in_words(masks) == "White none, Black none"
    assert both_in_words(masks, row=1) == "White h7, Black a7"
    assert file_states.files_in_words(0) == ""
    assert file_states.files_in_words(file_states.half_open_files(masks)[1, 0]) == "a"
    assert file_squares(file_states.half_open_files(masks)[1:, 0]).tolist() == [chess.BB_FILE_A]
