"""Reading the games of one text: the fast reader first, the careful one for the rest."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from pawnlore.service.survey.careful_reader import read_carefully
from pawnlore.service.survey.fast_reader import fast_reader_at_hand, read_fast
from pawnlore.service.survey.game_batch import GameBatch, joined
from pawnlore.service.survey.skipped import BAD_START, CUT_SHORT, NO_MOVES, VARIANT, Account
from pawnlore.service.survey.text_scan import ODD, Scanned, header_hashes, scan
from pawnlore.structures.pgn_headers import BadStart, starting_board, unescape

_RESULTS = {b"1-0": 1, b"0-1": 2, b"1/2-1/2": 3, b"*": 4}
_SORTS = ("Variant", "FEN")


@dataclass(frozen=True)
class GameTexts:
    """One text with its games found: ``scanned`` has the values of ``names``."""

    text: bytes
    scanned: Scanned
    names: tuple[str, ...]

    def value(self, game: int, name: str) -> str | None:
        """One header's value."""
        begin, end = self.scanned.values[game, self.names.index(name)].tolist()
        if begin < 0:
            return None
        return unescape(self.text[begin:end].decode("utf-8", "replace"))

    def game(self, game: int) -> bytes:
        """One game's whole text."""
        return self.text[self.scanned.begins[game] : self.scanned.begins[game + 1]]

    def column(self, name: str) -> Any:
        """A header's values as an Arrow string array (G,), null where it is missing."""
        import pyarrow as pa

        span = self.scanned.values[:, self.names.index(name)]
        there = span[:, 0] >= 0
        if not there.any():
            return pa.nulls(span.shape[0], type=pa.string())
        lengths = np.where(there, span[:, 1] - span[:, 0], 0)
        offsets = np.concatenate([[0], np.cumsum(lengths)])
        data = np.frombuffer(self.text, dtype=np.uint8)
        places = np.repeat(span[:, 0].astype(np.int64) - offsets[:-1], lengths)
        places += np.arange(int(offsets[-1]))
        found = pa.StringArray.from_buffers(
            span.shape[0],
            pa.py_buffer(offsets.astype(np.int32)),
            pa.py_buffer(np.ascontiguousarray(data[places])),
            None if there.all() else pa.array(there).buffers()[1],
        )
        changed = {
            row: unescape(value)
            for row in np.flatnonzero(self.scanned.escaped & there).tolist()
            if "\\" in (value := found[row].as_py())
        }
        if changed:
            values = found.to_pylist()
            for row, value in changed.items():
                values[row] = value
            found = pa.array(values, type=pa.string())
        return found


def find_games(text: bytes, names: tuple[str, ...], *, final: bool) -> GameTexts:
    """Find the games of a text (UTF-8) and the values of these headers."""
    names = (*names, *(name for name in _SORTS if name not in names))
    return GameTexts(text, scan(text, header_hashes(names), final=final), names)


def read_games(
    texts: GameTexts,
    account: Account,
    where: str = "",
    *,
    careful: bool = False,
    begins: npt.NDArray[np.int64] | None = None,
) -> GameBatch:
    """Read all games of a text; those that are left out are counted in ``account``.

    ``careful`` leaves the fast reader out. For examples, ``where`` is the file and
    ``begins`` where each game begins in it.
    """
    scanned = texts.scanned
    count = len(scanned)
    odd = (scanned.flags & ODD) != 0
    keep = np.ones(count, dtype=np.bool_)
    first_ply = np.zeros(count, dtype=np.int32)
    special = _special_starts(texts, account, where, odd, keep, first_ply)
    if careful or not fast_reader_at_hand():
        odd[:] = True
    sure = np.flatnonzero(keep & ~odd)
    batch, unsure = read_fast(texts.text, scanned, sure, special)
    batch = replace(batch, first_ply=first_ply[batch.number])
    rest = np.union1d(np.flatnonzero(keep & odd), unsure)
    if rest.shape[0]:
        account.careful += int(rest.shape[0])
        games = [(number, texts.game(number).decode("utf-8", "replace")) for number in rest]
        places = (scanned.begins if begins is None else begins)[rest].tolist()
        batch = joined([batch, read_carefully(games, account, where, places)])
    return _with_moves(batch, account)


def _special_starts(
    texts: GameTexts,
    account: Account,
    where: str,
    odd: npt.NDArray[np.bool_],
    keep: npt.NDArray[np.bool_],
    first_ply: npt.NDArray[np.int32],
) -> npt.NDArray[np.bool_]:
    """Judge the games that name a variant or a starting position; tells which do (G,)."""
    spans = texts.scanned.values[:, [texts.names.index(name) for name in _SORTS], 0]
    known: dict[tuple[str | None, str | None], tuple[int, str, bool]] = {}
    special: npt.NDArray[np.bool_] = np.any(spans >= 0, axis=1)
    for game in np.flatnonzero(special).tolist():
        variant, fen = texts.value(game, "Variant"), texts.value(game, "FEN")
        told = known.get((variant, fen))
        if told is None:
            headers = [(n, v) for n, v in (("Variant", variant), ("FEN", fen)) if v is not None]
            try:
                board, _, warning = starting_board(headers)
                told = (board.ply(), "", bool(warning))
            except BadStart as error:
                about_variant = "variant" in str(error) or "Chess960" in str(error)
                told = (0, VARIANT if about_variant else BAD_START, False)
            if len(known) < 10_000:
                known[variant, fen] = told
        first_ply[game], reason, doubtful = told
        if doubtful:
            odd[game] = True
        if reason:
            keep[game] = False
            account.skip(reason, f"{where}: {variant or fen}")
    return special


def _with_moves(batch: GameBatch, account: Account) -> GameBatch:
    """Leave out the games without a move, and count what is kept."""
    from pawnlore.service.survey.fast_reader import kept_games

    moved = batch.plies > 0
    if not moved.all():
        account.skip(NO_MOVES, count=int((~moved).sum()))
        batch = kept_games(batch, moved)
    account.games += len(batch)
    account.positions += int(batch.moves.shape[0]) + len(batch)
    cut = int((~batch.whole).sum())
    account.cut_short += cut
    if not cut:
        account.examples.pop(CUT_SHORT, None) if not account.cut_short else None
    return batch
