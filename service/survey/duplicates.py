"""Games that came twice, found on disk whatever their number, and taken out again.

Every part left the keys of its games in a file. They are dealt out to buckets
by their first bits, so that equal ones meet in one bucket and each bucket fits
into memory; of equal keys the game that was read first stays. What a key says
is in `pawnlore.service.survey.game_keys`.
"""

from __future__ import annotations

import io
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from pawnlore.service.survey.place import Place
from pawnlore.service.survey.tables import TABLES

_ROW = 24
BUCKET_BYTES = 8 << 20
"""Keys that are looked at together."""


def repeated_games(
    place: Place, parts: Sequence[str], *, bucket_bytes: int = BUCKET_BYTES
) -> npt.NDArray[np.uint64]:
    """The numbers of all games that an earlier one equals, sorted.

    At most about three times ``bucket_bytes`` are in memory at a time, and eight
    bytes for every game found.
    """
    sizes = [len(_keys(place, part)) for part in parts]
    buckets = 1
    while sum(sizes) * _ROW > buckets * bucket_bytes:
        buckets *= 2
    found: list[npt.NDArray[np.uint64]] = []
    if buckets == 1:
        found.append(_later_ones(np.concatenate([_keys(place, p) for p in parts] or [_NONE])))
    else:
        with tempfile.TemporaryDirectory(dir=place.local) as folder:
            _deal_out(place, parts, Path(folder), buckets)
            for bucket in sorted(Path(folder).iterdir()):
                rows = np.fromfile(bucket, dtype=np.uint64).reshape(-1, 3)
                found.append(_later_ones(rows))
    return np.sort(np.concatenate(found))


_NONE = np.empty((0, 3), dtype=np.uint64)


def _keys(place: Place, part: str) -> npt.NDArray[np.uint64]:
    name = f"work/{part}.keys"
    if not place.exists(name):
        return _NONE
    return np.frombuffer(place.read(name), dtype=np.uint64).reshape(-1, 3)


def _deal_out(place: Place, parts: Sequence[str], folder: Path, buckets: int) -> None:
    bits = np.uint64(64 - (buckets - 1).bit_length())
    for part in parts:
        keys = _keys(place, part)
        bucket = keys[:, 0] >> bits
        order = np.argsort(bucket, kind="stable")
        ends = np.cumsum(np.bincount(bucket.astype(np.intp), minlength=buckets))
        begin = 0
        for index, end in enumerate(ends.tolist()):
            if end > begin:
                with (folder / f"{index:06d}").open("ab") as stream:
                    stream.write(keys[order[begin:end]].tobytes())
            begin = end


def _later_ones(rows: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    order = np.lexsort((rows[:, 2], rows[:, 1], rows[:, 0]))
    rows = rows[order]
    again = np.zeros(rows.shape[0], dtype=np.bool_)
    again[1:] = (rows[1:, :2] == rows[:-1, :2]).all(axis=1)
    games: npt.NDArray[np.uint64] = rows[again, 2]
    return games


def take_out(
    place: Place,
    parts: Sequence[str],
    games: npt.NDArray[np.uint64],
    told: Callable[[int], None] = lambda count: None,
) -> None:
    """Write every part anew that holds one of these games, without it.

    It can be done again after it was interrupted: what is out stays out.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    wanted = games.astype(np.int64)
    for part in parts:
        keys = _keys(place, part)
        if keys.shape[0]:
            inside = np.isin(keys[:, 2].astype(np.int64), wanted)
            if inside.any():
                for table in TABLES:
                    name = f"{table}/{part}.parquet"
                    if place.exists(name):
                        data: Any = pq.read_table(pa.BufferReader(place.read(name)))
                        out = np.isin(data.column("game").to_numpy(), wanted)
                        stream = io.BytesIO()
                        kept = data.filter(pa.array(~out))
                        pq.write_table(kept, stream, compression="zstd")
                        place.write(name, stream.getbuffer())
        told(1)
