"""The structure paths of whole games, by the rules of `pawnlore.structures.structure_paths`.

A game is one line, so the rules become a walk along its events: in the middle
of an exchange the last structure is carried across, a run of positions with
one structure is a span, and a span is held where it lasts for `HELD`
half-moves or to the game's end. Here they are compiled; a test holds them to
the original on random games.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from pawnlore.service.survey.compiled import Array, compiled
from pawnlore.service.survey.game_batch import GameBatch
from pawnlore.structures.structure_paths import HELD, NO_STRUCTURE

LEVER, CAPTURE = 0, 1
"""Kinds of breaks: a push that brings two pawns into contact, and a pawn that takes a pawn."""

_HELD, _NONE = HELD, NO_STRUCTURE
_FILE_A, _FILE_H = 0x0101_0101_0101_0101, 0x8080_8080_8080_8080


@dataclass(frozen=True)
class GamePaths:
    """What became of the structures of G games.

    *Spans* are every structure that stood for a while, in order: game, code,
    ply where it begins, half-moves that it lasts, and whether it is held.
    *Structures* are the distinct ones that a game holds, in the order first
    held: ply of the first span held, half-moves in all its held spans, the
    event that brought it about, and whether it is the middlegame's or the
    ending's. *Breaks* are what pawns did while a structure stood: the ply, the
    structure before it, the side (0 White, 1 Black), kind and squares.
    """

    span_offsets: npt.NDArray[np.int64]
    span_code: npt.NDArray[np.int32]
    span_ply: npt.NDArray[np.int32]
    span_length: npt.NDArray[np.int32]
    span_held: npt.NDArray[np.bool_]

    structure_game: npt.NDArray[np.int64]
    structure_code: npt.NDArray[np.int32]
    structure_ply: npt.NDArray[np.int32]
    structure_length: npt.NDArray[np.int32]
    structure_event: npt.NDArray[np.int64]
    structure_middlegame: npt.NDArray[np.bool_]
    structure_ending: npt.NDArray[np.bool_]

    break_game: npt.NDArray[np.int64]
    break_ply: npt.NDArray[np.int32]
    break_code: npt.NDArray[np.int32]
    break_side: npt.NDArray[np.int8]
    break_kind: npt.NDArray[np.int8]
    break_start: npt.NDArray[np.int8]
    break_end: npt.NDArray[np.int8]


def game_paths(batch: GameBatch, codes: npt.NDArray[np.int32]) -> GamePaths:
    """The paths of a batch; ``codes`` (E,) are the structure codes of its events."""
    events, games = codes.shape[0], len(batch)
    span_offsets = np.zeros(games + 1, dtype=np.int64)
    # An exchange can part a span in two at its event, so there may be two an event.
    spans = 2 * events + games
    span_code, span_ply, span_length = (np.empty(spans, dtype=np.int32) for _ in range(3))
    span_event = np.empty(spans, dtype=np.int64)
    span_held = np.empty(spans, dtype=np.bool_)
    game = np.empty(spans, dtype=np.int64)
    code, ply, length = (np.empty(spans, dtype=np.int32) for _ in range(3))
    event = np.empty(spans, dtype=np.int64)
    middlegame, ending = np.empty(spans, dtype=np.bool_), np.empty(spans, dtype=np.bool_)
    break_game = np.empty(events, dtype=np.int64)
    break_ply, break_code = (np.empty(events, dtype=np.int32) for _ in range(2))
    side, kind, start, end = (np.empty(events, dtype=np.int8) for _ in range(4))
    found, held, broken = _walk(
        batch.event_offsets, batch.plies, batch.ply, batch.white, batch.black, batch.taken,
        batch.start, batch.end, codes,
        span_offsets, span_code, span_ply, span_length, span_event, span_held,
        game, code, ply, length, event, middlegame, ending,
        break_game, break_ply, break_code, side, kind, start, end,
    )  # fmt: skip
    return GamePaths(
        span_offsets,
        *(column[:found] for column in (span_code, span_ply, span_length, span_held)),
        *(column[:held] for column in (game, code, ply, length, event, middlegame, ending)),
        *(column[:broken] for column in (break_game, break_ply, break_code)),
        *(column[:broken] for column in (side, kind, start, end)),
    )


@compiled
def _walk(
    event_offsets: Array,
    plies: Array,
    event_ply: Array,
    white: Array,
    black: Array,
    taken: Array,
    pawn_start: Array,
    pawn_end: Array,
    codes: Array,
    span_offsets: Array,
    span_code: Array,
    span_ply: Array,
    span_length: Array,
    span_event: Array,
    span_held: Array,
    held_game: Array,
    held_code: Array,
    held_ply: Array,
    held_length: Array,
    held_event: Array,
    held_middlegame: Array,
    held_ending: Array,
    break_game: Array,
    break_ply: Array,
    break_code: Array,
    break_side: Array,
    break_kind: Array,
    break_start: Array,
    break_end: Array,
) -> tuple[int, int, int]:
    one = np.uint64(1)
    none: Any = np.uint64(0)
    spans = held = broken = none
    for game in range(plies.shape[0]):
        span_offsets[game] = spans
        first, last = event_offsets[game], event_offsets[game + 1]
        total = plies[game]
        # Runs of one carried code; -1 is kept out of the spans only at the end.
        current, since, since_event = codes[first], 0, first
        first_span = spans
        for number in range(first + 1, last):
            # Without a sign, because numba asks of others whether they count from the end.
            event, last_event = np.uint64(number), np.uint64(number - 1)
            next_event = np.uint64(number + 1)
            ply = event_ply[event]
            raw = codes[event]
            before = codes[last_event]
            square = taken[event]
            carried = False
            if square >= 0:
                back = (
                    number + 1 < last
                    and event_ply[next_event] == ply + 1
                    and taken[next_event] == square
                    and codes[next_event] != raw
                )
                # Where a capture is itself what takes back, it counts.
                takes_back = event_ply[last_event] == ply - 1 and taken[last_event] == square
                carried = back or (raw < 0 and not takes_back)
            # What stood before this half-move: its own code, or what is carried.
            if event_ply[last_event] != ply - 1:
                # The position between has the skeleton of the event before, and counts.
                now = before
                if now != current:
                    if current >= 0:
                        span_code[spans], span_ply[spans] = current, since
                        span_event[spans] = since_event
                        span_length[spans] = event_ply[last_event] + 1 - since
                        spans += one
                    current, since, since_event = now, event_ply[last_event] + 1, number - 1
            standing = current
            begin, to = pawn_start[event], pawn_end[event]
            if begin >= 0 and standing >= 0:
                by_white = (white[last_event] >> np.uint64(begin)) & one
                foe_before = black[last_event] if by_white else white[last_event]
                foe_now = black[event] if by_white else white[event]
                own_now = white[event] if by_white else black[event]
                landed = one << np.uint64(to)
                kind = -1
                if square >= 0:
                    if foe_before != foe_now:
                        kind = 1
                elif own_now & landed:
                    beside = ((landed & ~np.uint64(_FILE_A)) >> one) | (
                        (landed & ~np.uint64(_FILE_H)) << one
                    )
                    hits = beside << np.uint64(8) if by_white else beside >> np.uint64(8)
                    if hits & foe_now:
                        kind = 0
                if kind >= 0:
                    break_game[broken], break_ply[broken] = game, ply
                    break_code[broken] = standing
                    break_side[broken] = 0 if by_white else 1
                    break_kind[broken] = kind
                    break_start[broken], break_end[broken] = begin, to
                    broken += one
            if not carried and raw != current:
                if current >= 0:
                    span_code[spans], span_ply[spans] = current, since
                    span_event[spans], span_length[spans] = since_event, ply - since
                    spans += one
                current, since, since_event = raw, ply, number
        # After the last event its own skeleton stands, whatever was carried.
        after = event_ply[last - 1] + 1
        if after <= total and codes[last - 1] != current:
            if current >= 0:
                span_code[spans], span_ply[spans] = current, since
                span_event[spans], span_length[spans] = since_event, after - since
                spans += one
            current, since, since_event = codes[last - 1], after, last - 1
        if current >= 0:
            span_code[spans], span_ply[spans] = current, since
            span_event[spans], span_length[spans] = since_event, total + 1 - since
            spans += one
        first_held = held
        last_code = -1
        for span in range(first_span, spans):
            ends = span_ply[span] + span_length[span] == total + 1
            counts = span_length[span] >= _HELD or ends
            span_held[span] = counts
            if not counts:
                continue
            last_code = span_code[span]
            place = first_held
            while place < held and held_code[place] != last_code:
                place += one
            if place == held:
                held_game[held], held_code[held] = game, last_code
                held_ply[held], held_length[held] = span_ply[span], 0
                held_event[held] = span_event[span]
                held += one
            held_length[place] += span_length[span]
        best = first_held
        for place in range(first_held, held):
            if held_length[place] > held_length[best]:
                best = place
            held_middlegame[place] = False
            held_ending[place] = held_code[place] == last_code
        if held > first_held:
            held_middlegame[best] = True
    span_offsets[plies.shape[0]] = spans
    return int(spans), int(held), int(broken)
