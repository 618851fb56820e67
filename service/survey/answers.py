"""Answers from a survey: how often structures come up, how they score, what is played in them.

All of it is counted in one pass over the survey's parts. A structure *stands*
in a game at a half-move where the game's path says so; it is *held* where it
lasts (see `pawnlore.structures.structure_paths`); it is *the middlegame's*
where the game dwells in it longest. Scores are White's unless a column says
otherwise, and leave out games without a result.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from pawnlore.service.survey.intervals import share
from pawnlore.service.survey.place import Place
from pawnlore.service.survey.survey_parts import (
    UNKNOWN,
    SurveyPart,
    column,
    survey_parts,
)

PLIES = (8, 12, 16, 20, 24, 30, 40, 50, 60, 80)
"""Half-moves at which it is counted what stands."""

BAND = 200
"""Width of a rating band, in points of the mean of both ratings."""

Row = dict[str, Any]
_Key = tuple[Any, ...]


@dataclass
class Tally:
    """Games, and how those with a result ended."""

    games: int = 0
    decided: int = 0
    points: float = 0.0
    draws: int = 0

    def add(self, games: int, decided: int, points: float, draws: int) -> None:
        """Count more games."""
        self.games += games
        self.decided += decided
        self.points += points
        self.draws += draws

    def columns(self, *, black: bool = False) -> Row:
        """Score and draw rate with their intervals; of Black where asked for."""
        points = self.decided - self.points if black else self.points
        score, draws = share(points, self.decided), share(self.draws, self.decided)
        return {
            "games": self.games,
            "decided": self.decided,
            "score": score.value,
            "score_low": score.low,
            "score_high": score.high,
            "draws": draws.value,
            "draws_low": draws.low,
            "draws_high": draws.high,
        }


@dataclass
class Answers:
    """The tables of answers, each a list of rows; ``games`` is how many games there are."""

    games: int
    tables: dict[str, list[Row]] = field(default_factory=dict)


class Coded(NamedTuple):
    """A column of words as numbers (N,) and what they stand for."""

    codes: npt.NDArray[np.int64]
    values: Sequence[Any]

    def at(self, rows: npt.NDArray[Any]) -> Coded:
        """Some of the rows, by number or by a mask."""
        return Coded(self.codes[rows], self.values)


class _Counts:
    """Tallies by key, filled from arrays."""

    def __init__(self) -> None:
        self.tallies: dict[_Key, Tally] = defaultdict(Tally)

    def add(
        self,
        keys: Iterable[Coded],
        points: npt.NDArray[np.float64],
        decided: npt.NDArray[np.bool_],
    ) -> None:
        """Count rows: each has a part of its key in every array."""
        count = points.shape[0]
        if not count:
            return
        packed = np.zeros(count, dtype=np.int64)
        values = []
        for part in keys:
            packed = packed * len(part.values) + part.codes
            values.append(part.values)
        kinds, index = np.unique(packed, return_inverse=True)
        games = np.bincount(index)
        with_result = np.bincount(index, weights=decided)
        total = np.bincount(index, weights=points * decided)
        draws = np.bincount(index, weights=(points == 0.5) & decided)
        for row, kind in enumerate(kinds.tolist()):
            key = []
            for words_ in reversed(values):
                kind, place = divmod(kind, len(words_))
                key.append(words_[place])
            self.tallies[tuple(reversed(key))].add(
                int(games[row]), int(with_result[row]), float(total[row]), int(draws[row])
            )


def answers(place: Place, *, plies: tuple[int, ...] = PLIES, band: int = BAND) -> Answers:
    """Every table of answers about a survey.

    Raises `NoSurvey` of `survey_parts`.
    """
    counts: dict[str, _Counts] = defaultdict(_Counts)
    reached = dict.fromkeys(plies, 0)
    every = Tally()
    for part in survey_parts(place):
        _count_part(part, counts, reached, every, plies, band)
    told = Answers(every.games)
    told.tables = {
        "structures": _structures(counts, every),
        "by_ply": _by_ply(counts["ply"], reached),
        "by_rating": _by(counts["rating"], counts["rating all"], "rating"),
        "by_year": _by(counts["year"], counts["year all"], "year"),
        "by_opening": _by(counts["opening"], counts["opening all"], "opening"),
        "breaks": _breaks(counts["break"], counts["held"]),
        "transitions": _transitions(counts["transition"], counts["span"]),
    }
    return told


def _count_part(
    part: SurveyPart,
    counts: dict[str, _Counts],
    reached: dict[int, int],
    every: Tally,
    plies: tuple[int, ...],
    band: int,
) -> None:
    points, decided = part.scores()
    games = part.games.num_rows
    every.add(
        games,
        int(decided.sum()),
        float((points * decided).sum()),
        int(((points == 0.5) & decided).sum()),
    )
    text = {
        "rating": _bands(part.games, band),
        "year": _coded(part.games.column("year").cast("string")),
        "opening": _openings(part.games),
    }
    for name, values in text.items():
        counts[f"{name} all"].add([values], points, decided)

    table = part.structures
    row = part.row(column(table, "game"))
    structure, holder = (_coded(table.column(name)) for name in ("structure", "holder"))
    counts["held"].add([structure, holder], points[row], decided[row])
    middle = column(table, "middlegame").astype(bool)
    here = row[middle]
    key = [structure.at(middle), holder.at(middle)]
    counts["middlegame"].add(key, points[here], decided[here])
    for name, values in text.items():
        counts[name].add([values.at(here), *key], points[here], decided[here])
    ending = column(table, "ending").astype(bool)
    counts["ending"].add(
        [structure.at(ending), holder.at(ending)], points[row[ending]], decided[row[ending]]
    )
    _count_spans(part, counts, reached, plies, points, decided)
    _count_breaks(part, counts, points, decided)


def _count_spans(
    part: SurveyPart,
    counts: dict[str, _Counts],
    reached: dict[int, int],
    plies: tuple[int, ...],
    points: npt.NDArray[np.float64],
    decided: npt.NDArray[np.bool_],
) -> None:
    total = column(part.games, "plies")
    for ply in plies:
        reached[ply] += int((total >= ply).sum())
    lists = part.games.column("path").combine_chunks()
    row = np.asarray(lists.value_parent_indices())
    spans = lists.flatten()
    structure = _coded(spans.field("structure"))
    holder = _coded(spans.field("holder"))
    start = spans.field("ply").to_numpy(zero_copy_only=False)
    length = spans.field("half_moves").to_numpy(zero_copy_only=False)
    held = spans.field("held").to_numpy(zero_copy_only=False).astype(bool)
    for ply in plies:
        stands = (start <= ply) & (ply < start + length)
        at = Coded(np.zeros(int(stands.sum()), dtype=np.int64), [ply])
        here = row[stands]
        counts["ply"].add(
            [at, structure.at(stands), holder.at(stands)], points[here], decided[here]
        )
    # From one held structure to the next one of the same game.
    row, structure, holder = row[held], structure.at(held), holder.at(held)
    counts["span"].add([structure, holder], points[row], decided[row])
    follows = row[1:] == row[:-1]
    if follows.any():
        later = np.flatnonzero(follows) + 1
        keys = [structure.at(later - 1), holder.at(later - 1)]
        keys += [structure.at(later), holder.at(later)]
        counts["transition"].add(keys, points[row[later]], decided[row[later]])


def _count_breaks(
    part: SurveyPart,
    counts: dict[str, _Counts],
    points: npt.NDArray[np.float64],
    decided: npt.NDArray[np.bool_],
) -> None:
    table = part.breaks
    row = part.row(column(table, "game"))
    names = ("structure", "holder", "side", "kind", "move")
    keys = [_coded(table.column(name)) for name in names]
    if not row.shape[0]:
        return
    # A break that a game plays twice in one structure counts once.
    packed = row.astype(np.int64)
    for key in keys:
        packed = packed * len(key.values) + key.codes
    once = np.unique(packed, return_index=True)[1]
    here = row[once]
    counts["break"].add([key.at(once) for key in keys], points[here], decided[here])


def _coded(values: Any) -> Coded:
    """An Arrow column of words."""
    import pyarrow as pa

    if isinstance(values, pa.ChunkedArray):
        values = values.combine_chunks() if values.num_chunks != 1 else values.chunk(0)
    if not pa.types.is_dictionary(values.type):
        values = values.dictionary_encode()
    known = [UNKNOWN if word is None else word for word in values.dictionary.to_pylist()]
    codes = values.indices.fill_null(len(known)).to_numpy(zero_copy_only=False)
    return Coded(codes.astype(np.int64), [*known, UNKNOWN])


def _bands(games: Any, band: int) -> Coded:
    ratings = [games.column(name).cast("float64").to_numpy() for name in ("white_elo", "black_elo")]
    mean = (ratings[0] + ratings[1]) / 2
    low = np.where(np.isnan(mean), -1, mean // band).astype(np.int64)
    found, codes = np.unique(low, return_inverse=True)
    names = [f"{v * band}-{v * band + band - 1}" if v >= 0 else UNKNOWN for v in found.tolist()]
    return Coded(codes, names)


def _openings(games: Any) -> Coded:
    import pyarrow.compute as pc

    return _coded(pc.coalesce(games.column("opening"), games.column("eco")))


def _sorted(rows: list[Row], *first: str) -> list[Row]:
    def order(row: Row) -> tuple[Any, ...]:
        return (*(row[name] for name in first), -row["games"], row["structure"], row["holder"])

    return sorted(rows, key=order)


def _structures(counts: dict[str, _Counts], every: Tally) -> list[Row]:
    rows = []
    for (structure, holder), tally in counts["held"].tallies.items():
        key = (structure, holder)
        found = share(tally.games, every.games)
        rows.append(
            {
                "structure": structure,
                "holder": holder,
                **tally.columns(),
                "share": found.value,
                "share_low": found.low,
                "share_high": found.high,
                "middlegame": counts["middlegame"].tallies[key].games,
                "ending": counts["ending"].tallies[key].games,
            }
        )
    return _sorted(rows)


def _by_ply(counts: _Counts, reached: dict[int, int]) -> list[Row]:
    rows = []
    for (ply, structure, holder), tally in counts.tallies.items():
        found = share(tally.games, reached[ply])
        rows.append(
            {
                "ply": ply,
                "structure": structure,
                "holder": holder,
                **tally.columns(),
                "of": reached[ply],
                "share": found.value,
                "share_low": found.low,
                "share_high": found.high,
            }
        )
    return _sorted(rows, "ply")


def _by(counts: _Counts, all_: _Counts, name: str) -> list[Row]:
    rows = []
    for (value, structure, holder), tally in counts.tallies.items():
        whole = all_.tallies[(value,)].games
        found = share(tally.games, whole)
        rows.append(
            {
                name: value,
                "structure": structure,
                "holder": holder,
                **tally.columns(),
                "of": whole,
                "share": found.value,
                "share_low": found.low,
                "share_high": found.high,
            }
        )
    return _sorted(rows, name)


def _breaks(counts: _Counts, held: _Counts) -> list[Row]:
    rows = []
    for (structure, holder, side, kind, move), tally in counts.tallies.items():
        # Games that held the structure; a break may also be played before it is held.
        whole = held.tallies[structure, holder].games if (structure, holder) in held.tallies else 0
        rows.append(
            {
                "structure": structure,
                "holder": holder,
                "side": side,
                "kind": kind,
                "move": move,
                **tally.columns(black=side == "black"),
                "held": whole,
            }
        )
    return _sorted(rows)


def _transitions(counts: _Counts, spans: _Counts) -> list[Row]:
    rows = []
    for (structure, holder, to, to_holder), tally in counts.tallies.items():
        whole = spans.tallies[structure, holder].games
        found = share(tally.games, whole)
        rows.append(
            {
                "structure": structure,
                "holder": holder,
                "to": to,
                "to_holder": to_holder,
                **tally.columns(),
                "of": whole,
                "share": found.value,
                "share_low": found.low,
                "share_high": found.high,
            }
        )
    return _sorted(rows)
