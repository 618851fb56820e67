"""Keys that tell whether two games are the same game.

Two games are the same where players, date, round, result, start and moves all
are. A key is two independent 64-bit mixtures of these: among a billion
different games the chance that any two share a key is below one in 10^20. The
mixtures are no secret, so somebody could construct two games with one key.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pawnlore.service.survey.compiled import Array, compiled
from pawnlore.service.survey.game_batch import GameBatch
from pawnlore.service.survey.read_games import GameTexts

IDENTITY = ("White", "Black", "Date", "Round", "Result", "UTCTime", "FEN")
"""The headers that belong to a game's identity, besides its moves."""


def game_keys(texts: GameTexts, batch: GameBatch) -> npt.NDArray[np.uint64]:
    """The keys (G, 2) of a batch that was read from these texts."""
    columns = np.array([texts.names.index(name) for name in IDENTITY])
    keys = np.empty((len(batch), 2), dtype=np.uint64)
    data = np.frombuffer(texts.text, dtype=np.uint8)
    _mix(
        data, texts.scanned.values, columns, batch.number, batch.move_offsets, batch.moves, keys
    )  # fmt: skip
    return keys


@compiled
def _mix(
    data: Array,
    values: Array,
    columns: Array,
    numbers: Array,
    offsets: Array,
    moves: Array,
    keys: Array,
) -> None:
    for game in range(keys.shape[0]):
        one, two = np.uint64(0x243F6A8885A308D3), np.uint64(0x13198A2E03707344)
        for column in columns:
            begin, end = values[numbers[game], column, 0], values[numbers[game], column, 1]
            # Values are told apart by where they end, and a missing one from an empty one.
            one = (one ^ np.uint64(end - begin + 2)) * np.uint64(0x9E3779B97F4A7C15)
            two = (two + np.uint64(end - begin + 2)) * np.uint64(0xC2B2AE3D27D4EB4F)
            for at in range(begin, end):
                one = (one ^ np.uint64(data[at])) * np.uint64(0x9E3779B97F4A7C15)
                one ^= one >> np.uint64(32)
                two = (two + np.uint64(data[at])) * np.uint64(0xC2B2AE3D27D4EB4F)
                two ^= two >> np.uint64(29)
        # Three moves of 16 bits at a time, each with a mark that it is there.
        played = moves[offsets[game] : offsets[game + 1]]
        for at in range(0, played.shape[0], 3):
            code = np.uint64(played[at]) + np.uint64(1)
            if at + 1 < played.shape[0]:
                code |= (np.uint64(played[at + 1]) + np.uint64(1)) << np.uint64(20)
            if at + 2 < played.shape[0]:
                code |= (np.uint64(played[at + 2]) + np.uint64(1)) << np.uint64(40)
            one = (one ^ code) * np.uint64(0x9E3779B97F4A7C15)
            one ^= one >> np.uint64(32)
            two = (two + code) * np.uint64(0xC2B2AE3D27D4EB4F)
            two ^= two >> np.uint64(29)
        one *= np.uint64(0xFF51AFD7ED558CCD)
        keys[game, 0] = one ^ (one >> np.uint64(33))
        two *= np.uint64(0xC4CEB9FE1A85EC53)
        keys[game, 1] = two ^ (two >> np.uint64(31))
