"""Where the games of a PGN text begin, and where their headers' values stand.

One compiled pass over the bytes. It knows comments, variations and results, so
that a header-like line inside a comment begins no game. It judges nothing:
a game with anything unusual in it is marked `ODD`, for a careful reader.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from pawnlore.service.survey.compiled import Array, compiled

ODD = 1
"""Flag of a game whose text is not plain movetext and headers."""

WHITE_WINS, BLACK_WINS, DRAW, OPEN = 1, 2, 3, 4
"""Results as the movetext tells them; 0 where it tells none."""

_PLAIN = b"abcdefghKQRBNO0123456789+#=.!?$ \t"
_SPACE, _WORD, _SPECIAL, _STRANGE = 0, 1, 2, 3


def _kinds() -> npt.NDArray[np.uint8]:
    kinds = np.full(256, _STRANGE, dtype=np.uint8)
    kinds[list(_PLAIN)] = _WORD
    kinds[list(b" \t")] = _SPACE
    kinds[list(b"{}();*-/x\r\n")] = _SPECIAL
    return kinds


_KINDS = _kinds()

_ONE, _TWO, _THREE, _FOUR, _FIVE, _SIX, _SEVEN, _EIGHT = (np.uint64(n) for n in range(1, 9))
"""Steps without a sign: of a place with one, numba asks each time whether it counts from the end,
and the scan takes a quarter longer."""


class Scanned(NamedTuple):
    """G games of one text.

    ``begins`` (G + 1,) are byte offsets; the last one tells where the text is
    used up: what stands behind it is the beginning of a game that goes on.
    ``moves`` (G,) tells where each game's movetext begins, the game's end where it
    has none. ``flags`` and ``results`` are (G,); ``values`` is ``int32`` (G, H, 2), from
    where to where each wanted header's value goes, without its quotes, or -1.
    ``escaped`` (G,) tells that some wanted value has a backslash.
    """

    begins: npt.NDArray[np.int64]
    moves: npt.NDArray[np.int64]
    flags: npt.NDArray[np.uint8]
    results: npt.NDArray[np.uint8]
    values: npt.NDArray[np.int32]
    escaped: npt.NDArray[np.bool_]

    def __len__(self) -> int:
        return int(self.flags.shape[0])


def header_hashes(names: tuple[str, ...]) -> npt.NDArray[np.uint64]:
    """What `scan` knows header names by."""
    found = []
    for name in names:
        value = 14695981039346656037
        for byte in name.encode():
            value = (value ^ byte) * 1099511628211 % (1 << 64)
        found.append(value)
    return np.array(found, dtype=np.uint64)


def scan(text: bytes, wanted: npt.NDArray[np.uint64], *, final: bool) -> Scanned:
    r"""Find the games of a text; ``final`` where nothing follows it.

    >>> names = header_hashes(("Event", "Result"))
    >>> text = b'[Event "a"]\n\n1. e4 1-0\n\n[Event "b"]\n\n1. d4 *'
    >>> found = scan(text, names, final=True)
    >>> found.begins.tolist(), found.results.tolist()
    ([0, 24, 44], [1, 4])
    >>> text[slice(*found.values[1, 0])], text[found.moves[1] :]
    (b'b', b'1. d4 *')
    """
    data = np.frombuffer(text, dtype=np.uint8)
    room = max(16, len(text) // 256)
    while True:
        begins = np.zeros(room + 1, dtype=np.int64)
        moves = np.full(room, -1, dtype=np.int64)
        flags = np.zeros(room, dtype=np.uint8)
        results = np.zeros(room, dtype=np.uint8)
        escaped = np.zeros(room, dtype=np.bool_)
        values = np.full((room, wanted.shape[0], 2), -1, dtype=np.int32)
        count = _scan(data, final, wanted, _KINDS, begins, moves, flags, results, values, escaped)
        if count >= 0:
            break
        room *= 4
    begins, moves = begins[: count + 1], moves[:count]
    return Scanned(
        begins,
        np.where(moves < 0, begins[1:], moves),
        flags[:count],
        results[:count],
        values[:count],
        escaped[:count],
    )


@compiled
def _scan(
    data: Array,
    final: bool,
    wanted: Array,
    kinds: Array,
    begins: Array,
    moves_at: Array,
    flags: Array,
    results: Array,
    values: Array,
    escaped: Array,
) -> int:
    end: Any = np.uint64(data.shape[0])
    room = flags.shape[0]
    game = -1
    moves = comment = blank = ended = event = False
    depth = 0
    at: Any = np.uint64(0)
    while at < end:
        # At the beginning of a line.
        first = data[at]
        if first == 10 or first == 13:
            blank = True
            at += _ONE
            if first == 13 and at < end and data[at] == 10:
                at += _ONE
            continue
        header = False
        if first == 91 and at + _ONE < end:  # [
            after = data[at + _ONE]
            header = (
                48 <= after <= 57
                or 65 <= after <= 90
                or 97 <= after <= 122
                or after == 95
                or after == 32
            )
        is_event = (
            header
            and at + _EIGHT < end
            and data[at + _ONE] == 69
            and data[at + _TWO] == 118
            and data[at + _THREE] == 101
            and data[at + _FOUR] == 110
            and data[at + _FIVE] == 116
            and (data[at + _SIX] == 32 or data[at + _SIX] == 9)
        )
        if header and comment:
            # A comment that was never closed ends before the next game.
            quote = at + _SEVEN
            while quote < end and (data[quote] == 32 or data[quote] == 9):
                quote += _ONE
            header = is_event and quote < end and data[quote] == 34
        if header:
            if game < 0 or moves or (is_event and event):
                if game >= 0 and (comment or depth != 0):
                    flags[game] |= 1
                game += 1
                if game >= room:
                    return -1
                begins[game] = at
                moves = comment = ended = event = False
                depth = 0
            elif blank:
                # Headers in two pieces may be those of two games, the first without moves.
                flags[game] |= 1
            blank = False
            event = event or is_event
            # The header itself: [Name "value"]
            at += _ONE
            name = np.uint64(14695981039346656037)
            while at < end and data[at] > 34 and data[at] != 93:
                name = (name ^ np.uint64(data[at])) * np.uint64(1099511628211)
                at += _ONE
            while at < end and (data[at] == 32 or data[at] == 9):
                at += _ONE
            good = at < end and data[at] == 34 and data[at - _ONE] <= 32
            if good:
                at += _ONE
                begin = at
                slash = False
                while at < end and data[at] != 34 and data[at] != 10 and data[at] != 13:
                    if data[at] == 92:
                        slash = True
                        at += _ONE
                    at += _ONE
                good = at < end and data[at] == 34
                stop = min(at, end)
                if good:
                    for index in range(wanted.shape[0]):
                        if wanted[index] == name:
                            values[game, index, 0] = begin
                            values[game, index, 1] = stop
                            if slash:
                                escaped[game] = True
                            break
                    at += _ONE
                    while at < end and (data[at] == 32 or data[at] == 9):
                        at += _ONE
                    good = at < end and data[at] == 93
                    if good:
                        at += _ONE
                        while at < end and (data[at] == 32 or data[at] == 9):
                            at += _ONE
                        good = at >= end or (data[at] == 10 or data[at] == 13)
            if not good:
                flags[game] |= 1
            while at < end and data[at] != 10 and data[at] != 13:
                at += _ONE
            if at < end:
                if data[at] == 13 and at + _ONE < end and data[at + _ONE] == 10:
                    at += _ONE
                at += _ONE
            continue
        # A line of movetext, or _ONE that holds nothing.
        begin = at
        while at < end and (data[at] == 32 or data[at] == 9):
            at += _ONE
        if at < end and (data[at] == 10 or data[at] == 13) and not comment:
            continue
        if game < 0 or (moves and ended and blank and not comment):
            if game >= 0 and depth != 0:
                flags[game] |= 1
            game += 1
            if game >= room:
                return -1
            begins[game] = begin
            comment = ended = event = False
            depth = 0
        elif moves and blank and not comment:
            # Movetext with a blank line in it may be a game that lacks its result.
            flags[game] |= 1
        if moves_at[game] < 0:
            moves_at[game] = begin
        moves = True
        blank = False
        if first == 37 and not comment:  # %
            flags[game] |= 1
            while at < end and data[at] != 10 and data[at] != 13:
                at += _ONE
        while at < end:
            if comment:
                while at < end and data[at] != 125 and data[at] != 10 and data[at] != 13:
                    at += _ONE
                if at >= end:
                    break
                byte = data[at]
                at += _ONE
                if byte == 125:
                    comment = False
                    continue
                if byte == 13 and at < end and data[at] == 10:
                    at += _ONE
                break
            byte = data[at]
            kind = kinds[byte]
            if kind == 0:
                at += _ONE
                continue
            if kind == 1:
                at += _ONE
                if ended:
                    flags[game] |= 1
                    continue
                while at < end and kinds[data[at]] < 2:
                    at += _ONE
                continue
            if kind == 3:
                flags[game] |= 1
                at += _ONE
                continue
            at += _ONE
            if byte == 10 or byte == 13:
                if byte == 13 and at < end and data[at] == 10:
                    at += _ONE
                break
            if byte == 123:
                comment = True
            elif byte == 120:
                # A capture names what takes; "xd5" alone is for the careful reader.
                before = data[at - _TWO] if at >= _TWO else np.uint8(32)
                if ended or not (49 <= before <= 104) or kinds[before] != 1:
                    flags[game] |= 1
            elif byte == 125 or byte == 59:
                flags[game] |= 1
                if byte == 59:
                    while at < end and data[at] != 10 and data[at] != 13:
                        at += _ONE
            elif byte == 40:
                depth += 1
                if ended:
                    flags[game] |= 1
            elif byte == 41:
                depth -= 1
                if depth < 0:
                    depth = 0
                    flags[game] |= 1
            elif byte == 42:
                if depth == 0:
                    if ended:
                        flags[game] |= 1
                    ended = True
                    results[game] = 4
            elif at >= _TWO and at < end:
                before, after = data[at - _TWO], data[at]
                token = at < _THREE or data[at - _THREE] in (32, 9, 10, 13, 125, 41, 46)
                result = 0
                skip = _ONE
                if byte == 45:
                    if before == 49 and after == 48:
                        result = 1
                    elif before == 48 and after == 49:
                        result = 2
                elif byte == 47 and before == 49 and after == 50:
                    result = 3
                    if (
                        at + _FOUR < end
                        and data[at + _ONE] == 45
                        and data[at + _TWO] == 49
                        and data[at + _THREE] == 47
                        and data[at + _FOUR] == 50
                    ):
                        skip = _FIVE
                goes_on = at + skip < end and kinds[data[at + skip]] == 1
                if result and (goes_on or not token):
                    # A part of something else, or a result with a glyph.
                    result = 0
                    flags[game] |= 1
                if result:
                    if depth == 0:
                        ended = True
                        results[game] = result
                    at += skip
                elif byte == 47 or ended:
                    flags[game] |= 1
            else:
                flags[game] |= 1
    if game < 0:
        begins[0] = end if final else 0
        return 0
    if final:
        if comment or depth != 0:
            flags[game] |= 1
        begins[game + 1] = end
        return game + 1
    return game
