"""The fast reader: the compiled library's boards, turned into events.

``rust_pgn_reader_python_binding`` replays main lines and hands back a board of
64 bytes and a half-move clock for every position. The clock is 0 after a pawn
move or a capture, so only those moves are looked at, and the skeleton is
carried along from one to the next. The boards are 5 kB a game, so they are hardly
looked at: the skeleton tells which moves are a pawn's.
"""

from __future__ import annotations

from functools import cache
from importlib.util import find_spec
from typing import Any

import numpy as np
import numpy.typing as npt

from pawnlore.service.survey.compiled import Array, compiled
from pawnlore.service.survey.game_batch import GameBatch, joined
from pawnlore.service.survey.text_scan import Scanned

LIBRARY = "rust_pgn_reader_python_binding"

READ_BYTES = 2 << 20
"""Text that the library gets at a time.

Smaller pieces would keep its boards, nine times as long, in the cache; but it works
in a thread of its own, which has to wait for a core at every piece where other
workers have them: with half a MiB two workers were 1.55 times as fast as one.
"""

_WHITE_START, _BLACK_START = 0xFF00, 0xFF_0000_0000_0000


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

    if not numbers.shape[0]:
        return _nothing(), numbers
    data = np.frombuffer(text, dtype=np.uint8)
    begins = np.where(with_headers, scanned.begins[:-1], scanned.moves)
    ends = scanned.begins[1:]
    batches, unsure = [], []
    first = 0
    while first < numbers.shape[0]:
        limit = scanned.begins[numbers[first]] + READ_BYTES
        last = max(first + 1, int(np.searchsorted(scanned.begins[numbers], limit)))
        part = numbers[first:last]
        first = last
        offsets = np.empty(part.shape[0] + 1, dtype=np.int32)
        wanted = np.empty(int((ends[part] - begins[part]).sum()), dtype=np.uint8)
        _copy(data, begins, ends, part, wanted, offsets)
        texts = pa.StringArray.from_buffers(
            part.shape[0], pa.py_buffer(offsets), pa.py_buffer(wanted)
        )
        batch, valid = _read(texts, part, scanned.results[part], with_headers[part])
        if not valid.all():
            unsure.append(part[~valid])
        if batch is not None:
            batches.append(batch)
    return (
        joined(batches) if batches else _nothing(),
        np.concatenate(unsure) if unsure else numbers[:0],
    )


@compiled
def _copy(
    data: Array, begins: Array, ends: Array, numbers: Array, texts: Array, offsets: Array
) -> None:
    """The texts of some games one behind the other: Arrow's own way takes ten times as long."""
    offsets[0] = at = 0
    for row in range(numbers.shape[0]):
        begin = begins[numbers[row]]
        length = ends[numbers[row]] - begin
        # Slices first: compilers copy them as a whole, and single places byte by byte.
        copied, source = texts[at : at + length], data[begin : begin + length]
        for place in range(length):
            copied[place] = source[place]
        at += length
        offsets[row + 1] = at


def _read(
    texts: Any,
    numbers: npt.NDArray[np.int64],
    results: npt.NDArray[np.uint8],
    own_start: npt.NDArray[np.bool_],
) -> tuple[GameBatch | None, npt.NDArray[np.bool_]]:
    """The games of one piece that the library could read, and which these are.

    Nothing of the library's outlives this, so that the next piece finds the same memory.
    """
    import pyarrow as pa
    import rust_pgn_reader_python_binding as library

    none = np.zeros(len(texts), dtype=np.bool_)
    try:
        parsed = library.parse_games(pa.chunked_array([texts]), num_threads=1)
    except Exception:
        return None, none
    except BaseException as error:
        # A panic of the library is no Exception; its games are read carefully instead.
        if type(error).__name__ != "PanicException":
            raise
        return None, none
    chunks = parsed.chunks
    if len(chunks) != 1 or chunks[0].num_games != len(texts):
        return None, none
    valid = np.array(chunks[0].valid)
    batch = _events(chunks[0], numbers, results, own_start)
    return batch if valid.all() else kept_games(batch, valid), valid


def _nothing() -> GameBatch:
    from pawnlore.service.survey.careful_reader import read_carefully
    from pawnlore.service.survey.skipped import Account

    return read_carefully([], Account())


def _events(
    chunk: Any,
    numbers: npt.NDArray[np.int64],
    result: npt.NDArray[np.uint8],
    own_start: npt.NDArray[np.bool_],
) -> GameBatch:
    boards = np.asarray(chunk.boards).reshape(-1, 64)
    clock, passed = np.asarray(chunk.halfmove_clock), np.asarray(chunk.en_passant)
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
        boards, clock, passed, start, end, promotions, move_offsets, position_offsets, own_start,
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
    passed: Array,
    start: Array,
    end: Array,
    promotions: Array,
    move_offsets: Array,
    position_offsets: Array,
    own_start: Array,
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
    none: Any = np.uint64(0)
    for move in range(moves.shape[0]):
        promotion = max(promotions[move], 0)
        moves[move] = (
            np.uint16(start[move])
            | np.uint16(end[move]) << np.uint16(6)
            | np.uint16(promotion) << np.uint16(12)
        )
    count, longest = none, 0
    for game in range(event_offsets.shape[0] - 1):
        longest = max(longest, move_offsets[game + 1] - move_offsets[game])
    found = np.empty(longest + 1, dtype=np.int64)
    for game in range(event_offsets.shape[0] - 1):
        event_offsets[game] = count
        first_move, last_move = move_offsets[game], move_offsets[game + 1]
        position = position_offsets[game]
        ply[count] = 0
        taken[count] = pawn_start[count] = pawn_end[count] = -1
        if position == position_offsets[game + 1]:
            # The start itself could not be read.
            white[count] = black[count] = none
            count += one
            continue
        own, foe = np.uint64(_WHITE_START), np.uint64(_BLACK_START)
        if own_start[game]:
            own = foe = none
            for square in range(64):
                own |= np.uint64(boards[position, square] == 1) << np.uint64(square)
                foe |= np.uint64(boards[position, square] == 7) << np.uint64(square)
        white[count], black[count] = own, foe
        count += one
        # First which moves may be events: with nothing to guess, the processor goes on.
        events = 0
        after = clock[position + 1 : position + 1 + last_move - first_move]
        for move in range(after.shape[0]):
            found[events] = move
            events += after[move] == 0
        for event in range(events):
            # Without a sign, because numba asks of others whether they count from the end.
            now = np.uint64(first_move + found[event])
            before = np.uint64(position + found[event])
            begin, to = np.uint64(start[now]), np.uint64(end[now])
            here, gone = one << begin, one << to
            by_white, by_black = own & here, foe & here
            is_pawn = (by_white | by_black) != none
            aslant = ((begin ^ to) & np.uint64(7)) != none
            if not is_pawn and clock[before] == 255 and boards[before, to] == 0:
                continue  # the clock has gone round
            took = aslant or not is_pawn
            lost = gone
            if (
                is_pawn
                and aslant
                and np.int64(passed[before]) == np.int64(to & np.uint64(7))
                and boards[before, to] == 0
            ):
                if by_white != none and (to >> np.uint64(3)) == np.uint64(5):
                    lost = gone >> np.uint64(8)
                elif by_black != none and (to >> np.uint64(3)) == np.uint64(2):
                    lost = gone << np.uint64(8)
            if took:
                own &= ~lost
                foe &= ~lost
            ply[count] = found[event] + 1
            taken[count] = np.int8(to) if took else np.int8(-1)
            pawn_start[count] = np.int8(begin) if is_pawn else np.int8(-1)
            pawn_end[count] = np.int8(to) if is_pawn else np.int8(-1)
            come = gone if promotions[now] <= 0 else none
            own = (own & ~here) | (come if by_white != none else none)
            foe = (foe & ~here) | (come if by_black != none else none)
            white[count], black[count] = own, foe
            count += one
    event_offsets[event_offsets.shape[0] - 1] = count
    return int(count)


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
