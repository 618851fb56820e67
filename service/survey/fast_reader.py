"""The fast reader: the compiled library's boards, turned into events.

``rust_pgn_reader_python_binding`` replays main lines and hands back a board of
64 bytes and a half-move clock for every position. The clock is 0 after a pawn
move or a capture, so only those moves are looked at, and the skeleton is
carried along from one to the next.
"""

from __future__ import annotations

from functools import cache
from importlib.util import find_spec
from typing import Any

import numpy as np
import numpy.typing as npt

from pawnlore.service.survey.compiled import Array, compiled
from pawnlore.service.survey.game_batch import GameBatch
from pawnlore.service.survey.text_scan import Scanned

LIBRARY = "rust_pgn_reader_python_binding"


@cache
def fast_reader_at_hand() -> bool:
    """Whether the compiled library is installed."""
    return find_spec(LIBRARY) is not None


def read_fast(
    text: bytes,
    scanned: Scanned,
    numbers: npt.NDArray[np.int64],
    with_headers: npt.NDArray[np.bool_],
) -> tuple[GameBatch, npt.NDArray[np.int64]]:
    """Read the games of a text that are wanted: ``numbers`` (K,).

    ``with_headers`` (G,) marks those with a header that matters to their moves;
    from the others only the movetext is read. Gives the batch, and the numbers
    of those which the library could not read to the end; these are not in it.
    The text must be UTF-8.
    """
    import pyarrow as pa

    chunk = _parsed(pa, text, scanned, numbers, with_headers)
    if chunk is None:
        return _nothing(), numbers
    valid = np.asarray(chunk.valid)
    batch = _events(chunk, numbers, scanned.results[numbers])
    if valid.all():
        return batch, numbers[:0]
    return kept_games(batch, valid), numbers[~valid]


def _parsed(
    pa: Any,
    text: bytes,
    scanned: Scanned,
    numbers: npt.NDArray[np.int64],
    with_headers: npt.NDArray[np.bool_],
) -> Any:
    import rust_pgn_reader_python_binding as library

    if not numbers.shape[0]:
        return None
    # Headers and movetexts in turns, of which the latter are taken.
    offsets = np.empty(2 * len(scanned) + 1, dtype=np.int32)
    offsets[::2] = scanned.begins
    offsets[1::2] = np.where(with_headers, scanned.begins[:-1], scanned.moves)
    pieces = pa.StringArray.from_buffers(
        offsets.shape[0] - 1, pa.py_buffer(offsets), pa.py_buffer(text)
    )
    games = pieces.take(pa.array(2 * numbers + 1))
    try:
        parsed = library.parse_games(pa.chunked_array([games]), num_threads=1)
    except Exception:
        return None
    except BaseException as error:
        # A panic of the library is no Exception; its games are read carefully instead.
        if type(error).__name__ != "PanicException":
            raise
        return None
    chunks = parsed.chunks
    if len(chunks) != 1 or chunks[0].num_games != numbers.shape[0]:
        return None
    return chunks[0]


def _nothing() -> GameBatch:
    from pawnlore.service.survey.careful_reader import read_carefully
    from pawnlore.service.survey.skipped import Account

    return read_carefully([], Account())


def _events(chunk: Any, numbers: npt.NDArray[np.int64], result: npt.NDArray[np.uint8]) -> GameBatch:
    boards = np.asarray(chunk.boards).reshape(-1, 64)
    clock = np.asarray(chunk.halfmove_clock)
    start, end = np.asarray(chunk.from_squares), np.asarray(chunk.to_squares)
    promotions = np.asarray(chunk.promotions)
    move_offsets = np.asarray(chunk.move_offsets).astype(np.int64)
    position_offsets = np.asarray(chunk.position_offsets).astype(np.int64)
    games = numbers.shape[0]
    room = int(np.count_nonzero(clock == 0)) + games
    moves = np.empty(start.shape[0], dtype=np.uint16)
    event_offsets = np.zeros(games + 1, dtype=np.int64)
    ply = np.empty(room, dtype=np.int32)
    white, black = np.empty(room, dtype=np.uint64), np.empty(room, dtype=np.uint64)
    taken, pawn_start, pawn_end = (np.empty(room, dtype=np.int8) for _ in range(3))
    count = _extract(
        boards, clock, start, end, promotions, move_offsets, position_offsets,
        moves, event_offsets, ply, white, black, taken, pawn_start, pawn_end,
    )  # fmt: skip
    return GameBatch(
        numbers,
        np.zeros(games, dtype=np.int32),
        np.ones(games, dtype=np.bool_),
        result,
        move_offsets,
        moves,
        event_offsets,
        ply[:count],
        white[:count],
        black[:count],
        taken[:count],
        pawn_start[:count],
        pawn_end[:count],
    )


@compiled
def _extract(
    boards: Array,
    clock: Array,
    start: Array,
    end: Array,
    promotions: Array,
    move_offsets: Array,
    position_offsets: Array,
    moves: Array,
    event_offsets: Array,
    ply: Array,
    white: Array,
    black: Array,
    taken: Array,
    pawn_start: Array,
    pawn_end: Array,
) -> int:
    # The library's pieces: 0 empty, 1 to 6 White's and 7 to 12 Black's, pawns first.
    one = np.uint64(1)
    count = 0
    for game in range(event_offsets.shape[0] - 1):
        event_offsets[game] = count
        first_move, last_move = move_offsets[game], move_offsets[game + 1]
        position = position_offsets[game]
        if position == position_offsets[game + 1]:
            # The start itself could not be read.
            ply[count] = 0
            white[count] = black[count] = np.uint64(0)
            taken[count] = pawn_start[count] = pawn_end[count] = -1
            count += 1
            continue
        own = foe = np.uint64(0)
        for square in range(64):
            if boards[position, square] == 1:
                own |= one << np.uint64(square)
            elif boards[position, square] == 7:
                foe |= one << np.uint64(square)
        ply[count] = 0
        white[count], black[count] = own, foe
        taken[count] = pawn_start[count] = pawn_end[count] = -1
        count += 1
        for move in range(first_move, last_move):
            position += 1
            begin, to, promotion = start[move], end[move], promotions[move]
            code = np.uint16(begin) | np.uint16(to) << np.uint16(6)
            if promotion > 0:
                code |= np.uint16(promotion) << np.uint16(12)
            moves[move] = code
            if clock[position] != 0:
                continue
            piece, target = boards[position - 1, begin], boards[position - 1, to]
            is_pawn = piece == 1 or piece == 7
            by_white = piece <= 6
            took = target != 0 and (target <= 6) != by_white
            if not is_pawn and not took:
                continue  # the clock has gone round
            ply[count] = position - position_offsets[game]
            taken[count] = to if took else -1
            pawn_start[count] = pawn_end[count] = -1
            gone = one << np.uint64(to)
            if took:
                if target == 1:
                    own &= ~gone
                elif target == 7:
                    foe &= ~gone
            if is_pawn:
                pawn_start[count], pawn_end[count] = begin, to
                here = one << np.uint64(begin)
                if not took and (begin & 7) != (to & 7):
                    passed = one << np.uint64((begin & 56) | (to & 7))
                    taken[count] = to
                    if by_white:
                        foe &= ~passed
                    else:
                        own &= ~passed
                come = gone if promotion <= 0 else np.uint64(0)
                if by_white:
                    own = (own & ~here) | come
                else:
                    foe = (foe & ~here) | come
            white[count], black[count] = own, foe
            count += 1
    event_offsets[event_offsets.shape[0] - 1] = count
    return count


def kept_games(batch: GameBatch, keep: npt.NDArray[np.bool_]) -> GameBatch:
    """The games of a batch that are kept."""

    def offsets(old: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
        return np.concatenate([[0], np.cumsum(np.diff(old)[keep])]).astype(np.int64)

    move_offsets, event_offsets = offsets(batch.move_offsets), offsets(batch.event_offsets)

    def rows(name: str) -> npt.NDArray[Any]:
        values = getattr(batch, name)
        old, new = batch.event_offsets, event_offsets
        if name == "moves":
            old, new = batch.move_offsets, move_offsets
        out = np.empty(int(new[-1]), dtype=values.dtype)
        _copy_kept(values, old, keep, out)
        return out

    return GameBatch(
        batch.number[keep],
        batch.first_ply[keep],
        batch.whole[keep],
        batch.result[keep],
        move_offsets,
        rows("moves"),
        event_offsets,
        *(rows(name) for name in ("ply", "white", "black", "taken", "start", "end")),
    )


@compiled
def _copy_kept(values: Array, offsets: Array, keep: Array, out: Array) -> None:
    count = 0
    for game in range(keep.shape[0]):
        if keep[game]:
            for at in range(offsets[game], offsets[game + 1]):
                out[count] = values[at]
                count += 1
