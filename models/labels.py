"""Labelled positions: EPD lines that say which family a position belongs to.

Each line is an EPD position with these opcodes: ``id`` names the line, ``c0``
is the family id or ``unsettled``, ``c1`` the holder (``white``, ``black`` or
``both``), ``c2`` the reason in a few words, ``c3`` the kind of the line. Where
several raters judged a position on their own, ``c4`` holds all their verdicts,
as in ``carlsbad white; unsettled both; carlsbad white``.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable

import chess
import numpy as np
import numpy.typing as npt

from pawnlore.structures.catalogue import UNSETTLED, Catalogue
from pawnlore.structures.skeleton import Masks, pack, skeleton_from_fen
from pawnlore.structures.verdict import HOLDERS, NONE


class LabelError(ValueError):
    """A label file that cannot be used; the message names every bad line."""


@dataclass(frozen=True)
class Labels:
    """N labelled positions.

    ``masks`` (N, 2); ``family`` (N,) indexes the catalogue or is `NONE`;
    ``holder`` (N,); ``ids``, ``reasons``, ``kinds``, ``votes`` and ``epd`` are
    the texts of each line.
    """

    masks: Masks
    family: npt.NDArray[np.int16]
    holder: npt.NDArray[np.int8]
    ids: tuple[str, ...]
    reasons: tuple[str, ...]
    kinds: tuple[str, ...]
    votes: tuple[str, ...]
    epd: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.ids)

    def take(self, rows: npt.NDArray[np.intp]) -> Labels:
        """Some of the lines, in that order."""
        texts = [
            tuple(column[row] for row in rows.tolist())
            for column in (self.ids, self.reasons, self.kinds, self.votes, self.epd)
        ]
        return Labels(self.masks[rows], self.family[rows], self.holder[rows], *texts)


def read_labels(text: str, catalogue: Catalogue, *, source: str = "labels") -> Labels:
    """Read labelled EPD lines; empty lines and lines that begin with # are passed over.

    Raises `LabelError` that names every bad line, so that a file is taken whole
    or not at all.

    >>> from pawnlore.structures.catalogue import shipped_catalogue
    >>> line = '8/8/4p3/3p4/3P4/8/8/8 w - - id "x"; c0 "unsettled"; c1 "both"; c2 "few pawns";'
    >>> read_labels(line, shipped_catalogue()).reasons
    ('few pawns',)
    """
    ranks = {name: rank for rank, name in enumerate(catalogue.ids)}
    ranks[UNSETTLED] = NONE
    rows: list[tuple[tuple[int, int], int, int, str, str, str, str, str]] = []
    problems: list[str] = []
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip() or line.startswith("#"):
            continue
        board = chess.Board(None)
        try:
            operations = board.set_epd(line)
            # python-chess takes pawns that cannot be, such as one on the first rank.
            skeleton = skeleton_from_fen(line)
        except ValueError as error:
            problems.append(f"{source}, line {number}: no EPD ({error})")
            continue
        structure, holder = operations.get("c0"), operations.get("c1")
        if structure not in ranks:
            problems.append(f"{source}, line {number}: {structure!r} is no family (c0)")
        elif holder not in HOLDERS:
            problems.append(f"{source}, line {number}: {holder!r} is no holder (c1)")
        elif structure == UNSETTLED and holder != "both":
            problems.append(f"{source}, line {number}: 'unsettled' goes with 'both', not {holder}")
        else:
            rows.append(
                (
                    skeleton,
                    ranks[structure],
                    HOLDERS.index(holder),
                    str(operations.get("id", "")),
                    str(operations.get("c2", "")),
                    str(operations.get("c3", "")),
                    str(operations.get("c4", "")),
                    line,
                )
            )
    if problems:
        raise LabelError("\n".join(problems))
    columns = list(zip(*rows, strict=True)) if rows else [()] * 8
    return Labels(
        pack(columns[0]),
        np.array(columns[1], dtype=np.int16),
        np.array(columns[2], dtype=np.int8),
        *columns[3:],
    )


LEARNT_FROM = ("positions.epd", "off_core.epd")
"""The label files of the labelled demo that serve learning and as examples."""


def learnt_labels(catalogue: Catalogue) -> Labels:
    """All labels of the files that are `LEARNT_FROM`."""
    return join_labels(*(shipped_labels(name, catalogue) for name in LEARNT_FROM))


def labelled_demo(name: str) -> Traversable:
    """A file of the labelled demo, wherever the package is installed."""
    return files("pawnlore.labelled_demo").joinpath(name)


def shipped_labels(name: str, catalogue: Catalogue) -> Labels:
    """The labels in one file of the labelled demo."""
    return read_labels(labelled_demo(name).read_text(encoding="utf-8"), catalogue, source=name)


def join_labels(*parts: Labels) -> Labels:
    """Several sets of labels as one."""
    return Labels(
        np.concatenate([part.masks for part in parts]),
        np.concatenate([part.family for part in parts]),
        np.concatenate([part.holder for part in parts]),
        *(
            tuple(text for part in parts for text in getattr(part, column))
            for column in ("ids", "reasons", "kinds", "votes", "epd")
        ),
    )
