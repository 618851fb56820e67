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
    for move in range(moves.shape[0]):
        promotion = max(promotions[move], 0)
        moves[move] = (
            np.uint16(start[move])
            | np.uint16(end[move]) << np.uint16(6)
            | np.uint16(promotion) << np.uint16(12)
        )
    count = longest = 0
    for game in range(event_offsets.shape[0] - 1):
        longest = max(longest, move_offsets[game + 1] - move_offsets[game])
    found = np.empty(longest + 1, dtype=np.int64)
    pieces, targets = np.empty(longest, dtype=np.uint8), np.empty(longest, dtype=np.uint8)
    for game in range(event_offsets.shape[0] - 1):
        event_offsets[game] = count
        first_move, last_move = move_offsets[game], move_offsets[game + 1]
        position = position_offsets[game]
        ply[count] = 0
        taken[count] = pawn_start[count] = pawn_end[count] = -1
        if position == position_offsets[game + 1]:
            # The start itself could not be read.
            white[count] = black[count] = np.uint64(0)
            count += 1
            continue
        own = foe = np.uint64(0)
        for square in range(64):
            own |= np.uint64(boards[position, square] == 1) << np.uint64(square)
            foe |= np.uint64(boards[position, square] == 7) << np.uint64(square)
        white[count], black[count] = own, foe
        count += 1
        # First which moves may be events, then the boards before them: memory is slow,
        # but answers many at a time.
        events = 0
        for move in range(first_move, last_move):
            found[events] = move
            events += clock[position + 1 + move - first_move] == 0
        for event in range(events):
            move = found[event]
            pieces[event] = boards[position + move - first_move, start[move]]
            targets[event] = boards[position + move - first_move, end[move]]
        for event in range(events):
            move = found[event]
            begin, to, promotion = start[move], end[move], promotions[move]
            piece, target = pieces[event], targets[event]
            is_pawn = piece == 1 or piece == 7
            by_white = piece <= 6
            took = target != 0 and (target <= 6) != by_white
            if not is_pawn and not took:
                continue  # the clock has gone round
            ply[count] = move - first_move + 1
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

    # Whole runs of games that are kept are copied at once.
    edges = np.flatnonzero(np.diff(np.concatenate([[False], keep, [False]]).astype(np.int8)))
    runs = edges.reshape(-1, 2).tolist()

    def rows(name: str) -> npt.NDArray[Any]:
        values = getattr(batch, name)
        old = batch.move_offsets if name == "moves" else batch.event_offsets
        return np.concatenate([values[:0], *(values[old[a] : old[b]] for a, b in runs)])

    return GameBatch(
        batch.number[keep],
        batch.first_ply[keep],
        batch.whole[keep],
        batch.result[keep],
        offsets(batch.move_offsets),
        rows("moves"),
        offsets(batch.event_offsets),
        *(rows(name) for name in ("ply", "white", "black", "taken", "start", "end")),
    )
