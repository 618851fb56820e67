"""The survey's three tables, as Arrow: games, structures and breaks.

``games`` has a row for each game: where it stands, some headers, its result,
the structures that it passed and the codes of its first half-moves, two bytes
each, the low one first (`pawnlore.service.survey.game_batch`).
``structures`` has a row for each structure that a game holds, with its first
skeleton. ``breaks`` has a row for each pawn push that brings two pawns into
contact, and each pawn that takes a pawn, while a structure stands.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from pawnlore.service.survey.compiled import Array, compiled
from pawnlore.service.survey.game_batch import GameBatch
from pawnlore.service.survey.game_keys import IDENTITY
from pawnlore.service.survey.game_paths import CAPTURE, GamePaths, game_paths
from pawnlore.service.survey.read_games import GameTexts
from pawnlore.service.survey.skeleton_verdicts import SkeletonVerdicts
from pawnlore.structures import pawn_levers
from pawnlore.structures.pawn_levers import SIDES, PawnBreak
from pawnlore.structures.verdict import HOLDERS

TABLES = ("games", "structures", "breaks")

RESULTS = ("1-0", "0-1", "1/2-1/2", "*")

MOVES_KEPT = 40
"""Half-moves of each game whose codes are kept, unless another number is chosen."""

_READ = ("Event", "Date", "UTCDate", "ECO", "Opening", "WhiteElo", "BlackElo", *IDENTITY)


@dataclass(frozen=True)
class Columns:
    """What of a game is kept: extra ``headers``, the ``players``, how many ``moves``."""

    headers: tuple[str, ...] = ()
    players: bool = False
    moves: int = MOVES_KEPT

    @property
    def wanted(self) -> tuple[str, ...]:
        """Every header whose value is looked for."""
        return tuple(dict.fromkeys((*_READ, *self.headers)))

    @property
    def texts(self) -> dict[str, str]:
        """The headers that become text columns, by the columns' names."""
        chosen = {"eco": "ECO", "opening": "Opening", "start": "FEN"}
        if self.players:
            chosen |= {"white": "White", "black": "Black"}
        return chosen | {f"header_{name.lower()}": name for name in self.headers}


@lru_cache(maxsize=16)
def schemas(columns: Columns) -> dict[str, Any]:
    """The Arrow schema of each table."""
    import pyarrow as pa

    name = pa.dictionary(pa.int16(), pa.string())

    def always(column: str, kind: Any) -> Any:
        """A column in which no value is ever missing; saying so saves a tenth of the writing."""
        return pa.field(column, kind, nullable=False)

    span = pa.struct(
        [
            always("structure", name),
            always("holder", name),
            always("ply", pa.int32()),
            always("half_moves", pa.int32()),
            always("held", pa.bool_()),
        ]
    )
    structure = [always("structure", name), always("holder", name)]
    games = [
        always("game", pa.int64()),
        always("file", name),
        always("offset", pa.int64()),
        *((column, pa.string()) for column in columns.texts),
        ("year", pa.int16()),
        ("white_elo", pa.int16()),
        ("black_elo", pa.int16()),
        always("result", name),
        always("first_ply", pa.int32()),
        always("plies", pa.int32()),
        always("whole", pa.bool_()),
        always("path", pa.list_(pa.field("item", span, nullable=False))),
        always("moves", pa.binary()),
    ]
    return {
        "games": pa.schema(games),
        "structures": pa.schema(
            [
                always("game", pa.int64()),
                *structure,
                always("ply", pa.int32()),
                always("half_moves", pa.int32()),
                always("middlegame", pa.bool_()),
                always("ending", pa.bool_()),
                always("probability", pa.float64()),
                always("core", pa.bool_()),
                always("white_pawns", pa.uint64()),
                always("black_pawns", pa.uint64()),
            ]
        ),
        "breaks": pa.schema(
            [
                always("game", pa.int64()),
                always("ply", pa.int32()),
                *structure,
                always("side", name),
                always("kind", name),
                always("move", name),
            ]
        ),
    }


def survey_batch(
    texts: GameTexts,
    batch: GameBatch,
    verdicts: SkeletonVerdicts,
    columns: Columns,
    *,
    file: str,
    begins: npt.NDArray[np.int64],
    first_game: int,
) -> dict[str, Any]:
    """The rows of one batch, a record batch for each table.

    ``begins`` is where each game of the text begins in its file, ``first_game`` the number
    that the first game of the text has in the survey.
    """
    import pyarrow as pa

    paths = game_paths(batch, verdicts.codes(batch.white, batch.black))
    event = paths.structure_event
    probability, core = verdicts.in_full(batch.white[event], batch.black[event])
    names = _words(verdicts.classifier.names)
    numbers = first_game + batch.number
    shapes = schemas(columns)

    def rows(table: str, *arrays: Any) -> Any:
        return pa.RecordBatch.from_arrays(list(arrays), schema=shapes[table])

    return {
        "games": rows(
            "games", *_game_columns(texts, batch, paths, columns, names, file, begins, numbers)
        ),
        "structures": rows(
            "structures",
            pa.array(numbers[paths.structure_game]),
            *_structure(paths.structure_code, names),
            pa.array(paths.structure_ply),
            pa.array(paths.structure_length),
            pa.array(paths.structure_middlegame),
            pa.array(paths.structure_ending),
            pa.array(probability),
            pa.array(core),
            pa.array(batch.white[event]),
            pa.array(batch.black[event]),
        ),
        "breaks": rows(
            "breaks",
            pa.array(numbers[paths.break_game]),
            pa.array(paths.break_ply),
            *_structure(paths.break_code, names),
            _dictionary(paths.break_side, SIDES),
            _dictionary(paths.break_kind, (pawn_levers.LEVER, pawn_levers.CAPTURE)),
            _break_texts(paths),
        ),
    }


def _game_columns(
    texts: GameTexts,
    batch: GameBatch,
    paths: GamePaths,
    columns: Columns,
    names: Any,
    file: str,
    begins: npt.NDArray[np.int64],
    numbers: npt.NDArray[np.int64],
) -> list[Any]:
    import pyarrow as pa

    pick = pa.array(batch.number)
    year = _whole_numbers(texts, batch, "Date", year=True)
    other = _whole_numbers(texts, batch, "UTCDate", year=True)
    year = np.where(year >= 0, year, other)
    structure, holder = _structure(paths.span_code, names)
    path = pa.StructArray.from_arrays(
        [
            structure,
            holder,
            pa.array(paths.span_ply),
            pa.array(paths.span_length),
            pa.array(paths.span_held),
        ],
        fields=list(schemas(columns)["games"].field("path").type.value_type),
    )
    return [
        pa.array(numbers),
        _dictionary(np.zeros(len(batch), dtype=np.int16), (file,)),
        pa.array(begins[batch.number]),
        *(texts.column(header).take(pick) for header in columns.texts.values()),
        _or_null(year),
        _or_null(_whole_numbers(texts, batch, "WhiteElo")),
        _or_null(_whole_numbers(texts, batch, "BlackElo")),
        _dictionary(_results(texts, batch), RESULTS),
        pa.array(batch.first_ply),
        pa.array(batch.plies.astype(np.int32)),
        pa.array(batch.whole),
        pa.ListArray.from_arrays(
            pa.array(paths.span_offsets.astype(np.int32)),
            path,
            type=schemas(columns)["games"].field("path").type,
        ),
        _first_moves(batch, columns.moves),
    ]


def _first_moves(batch: GameBatch, most: int) -> Any:
    """The first moves' codes, two bytes each: a list would take ten times as long to write."""
    import pyarrow as pa

    counts = np.minimum(batch.plies, most)
    offsets = np.concatenate([[0], np.cumsum(counts)])
    codes = np.empty(int(offsets[-1]), dtype=np.uint16)
    _copy_beginnings(batch.moves, batch.move_offsets, offsets, codes)
    return pa.Array.from_buffers(
        pa.binary(),
        len(batch),
        [None, pa.py_buffer((2 * offsets).astype(np.int32)), pa.py_buffer(codes.astype("<u2"))],
    )


@compiled
def _copy_beginnings(moves: Array, offsets: Array, kept_offsets: Array, kept: Array) -> None:
    for game in range(kept_offsets.shape[0] - 1):
        # Slices first: compilers copy them as a whole.
        copied = kept[kept_offsets[game] : kept_offsets[game + 1]]
        played = moves[offsets[game] : offsets[game] + copied.shape[0]]
        for place in range(copied.shape[0]):
            copied[place] = played[place]


def _results(texts: GameTexts, batch: GameBatch) -> npt.NDArray[np.int16]:
    """The index in `RESULTS`: the header's word, or where it says nothing the movetext's."""
    told = np.zeros(len(batch), dtype=np.int16)
    data, column = np.frombuffer(texts.text, dtype=np.uint8), texts.names.index("Result")
    _result_words(data, texts.scanned.values, column, batch.number, told)
    found = np.where((told == 0) | (told == 4), batch.result, told)
    return np.where(found == 0, 3, found - 1).astype(np.int16)


@compiled
def _result_words(data: Array, values: Array, column: int, numbers: Array, told: Array) -> None:
    for row in range(numbers.shape[0]):
        begin = values[numbers[row], column, 0]
        length = values[numbers[row], column, 1] - begin
        if begin < 0 or length < 1:
            continue
        if length == 3 and data[begin + 1] == 45:
            if data[begin] == 49 and data[begin + 2] == 48:
                told[row] = 1
            elif data[begin] == 48 and data[begin + 2] == 49:
                told[row] = 2
        elif length >= 3 and data[begin] == 49 and data[begin + 1] == 47 and data[begin + 2] == 50:
            told[row] = 3
        elif length == 1 and data[begin] == 42:
            told[row] = 4


def _whole_numbers(
    texts: GameTexts, batch: GameBatch, name: str, *, year: bool = False
) -> npt.NDArray[np.int16]:
    """A header as a number of at most four digits; -1 where it is none.

    With ``year``, the four digits that a date begins with.
    """
    out = np.empty(len(batch), dtype=np.int16)
    data, column = np.frombuffer(texts.text, dtype=np.uint8), texts.names.index(name)
    _digits(data, texts.scanned.values, column, batch.number, year, out)
    return out


@compiled
def _digits(
    data: Array, values: Array, column: int, numbers: Array, year: bool, out: Array
) -> None:
    for row in range(numbers.shape[0]):
        begin, end = values[numbers[row], column, 0], values[numbers[row], column, 1]
        out[row] = -1
        if begin < 0:
            continue
        value = count = 0
        for at in range(begin, end):
            byte = data[at]
            if byte < 48 or byte > 57:
                if year and count == 4 and (byte == 46 or byte == 45 or byte == 47):
                    break
                count = -1
                break
            value = 10 * value + (byte - 48)
            count += 1
            if count > 4:
                break
        if 1 <= count <= 4 and (not year or count == 4) and value > 0:
            out[row] = value


def _or_null(values: npt.NDArray[Any]) -> Any:
    import pyarrow as pa

    return pa.array(values.astype(np.int16), mask=values < 0)


@lru_cache(maxsize=64)
def _words(words: tuple[str, ...]) -> Any:
    """An Arrow array of words; made once, because making it takes longer than using it."""
    import pyarrow as pa

    return pa.array(list(words), type=pa.string())


def _structure(codes: npt.NDArray[np.int32], names: Any) -> tuple[Any, Any]:
    import pyarrow as pa

    family, holder = np.divmod(codes, len(HOLDERS))
    return (
        pa.DictionaryArray.from_arrays(pa.array(family.astype(np.int16)), names),
        _dictionary(holder, HOLDERS),
    )


def _dictionary(indices: npt.NDArray[Any], words: tuple[str, ...]) -> Any:
    import pyarrow as pa

    return pa.DictionaryArray.from_arrays(pa.array(indices.astype(np.int16)), _words(words))


def _break_texts(paths: GamePaths) -> Any:
    import pyarrow as pa

    packed = (
        paths.break_side.astype(np.int32) << 13
        | paths.break_kind.astype(np.int32) << 12
        | paths.break_start.astype(np.int32) << 6
        | paths.break_end
    )
    there = np.zeros(1 << 14, dtype=np.bool_)
    there[packed] = True
    words = _words(tuple(_break_text(value) for value in np.flatnonzero(there).tolist()))
    places = np.cumsum(there, dtype=np.int16) - np.int16(1)
    return pa.DictionaryArray.from_arrays(pa.array(places[packed]), words)


@cache
def _break_text(packed: int) -> str:
    capture = (packed >> 12) & 1 == CAPTURE
    kind = pawn_levers.CAPTURE if capture else pawn_levers.LEVER
    side = SIDES[packed >> 13]
    return PawnBreak(side, kind, ((packed >> 6) & 63, packed & 63)).text
