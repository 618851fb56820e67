"""The desk: repertoires of the store that are being worked with, kept in memory for a while."""

from __future__ import annotations

import io
from collections import OrderedDict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property
from hashlib import sha256
from threading import Lock
from zlib import crc32

import numpy as np

from pawnlore.service.labelled_repertoire import with_labels
from pawnlore.service.labelled_verdicts import OwnLabels
from pawnlore.service.position_places import PositionPlaces
from pawnlore.service.store.errors import StoreUnavailable
from pawnlore.service.store.repertoire_shelf import RepertoireShelf, StoredRepertoire
from pawnlore.service.workbook import Workbook
from pawnlore.structures.distinct_verdicts import DistinctVerdicts, distinct_skeletons
from pawnlore.structures.line_text import NO_NAMES
from pawnlore.structures.pgn_limits import Limits
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.repertoire_side import RepertoireSide, given_side, infer_side
from pawnlore.structures.similar import SimilarIndex
from pawnlore.structures.skeleton import Masks
from pawnlore.structures.verdict import Classify, Verdicts

MOST_NODES = 2_000_000
"""Nodes of all repertoires on the desk together; one of them may be larger by itself."""


@dataclass
class OpenRepertoire:
    """A repertoire on the desk; what is computed on it is kept with it.

    ``tag`` is another text whenever its content, its verdicts or the names of own
    families are others.
    """

    stored: StoredRepertoire
    tag: str
    work: Workbook
    _rows: dict[str, tuple[str, ...]] = field(default_factory=dict, repr=False)
    _tags: dict[str, str] = field(default_factory=dict, repr=False)

    def rows(
        self, name: str, lines: Callable[[], Iterable[str]], check: Callable[[], None]
    ) -> tuple[str, ...]:
        """The rows of a table by its name, made once; ``check`` is called at every row."""
        held = self._rows.get(name)
        if held is None:
            made = []
            for line in lines():
                check()
                made.append(line)
            held = self._rows[name] = tuple(made)
        return held

    def shown_tag(self, name: str) -> str:
        """Another text whenever the rows of a table are others; ``name`` must have been made.

        `tag` also tells of labels that change no row, and so is not for everybody.
        """
        held = self._tags.get(name)
        if held is None:
            digest = sha256()
            for row in self._rows[name]:
                digest.update(row.encode("utf-8", "replace"))
            held = self._tags[name] = digest.hexdigest()[:20]
        return held

    @cached_property
    def similar(self) -> SimilarIndex:
        """Its distinct skeletons, ready to be asked."""
        return SimilarIndex(self.work.book)

    @cached_property
    def places(self) -> PositionPlaces:
        """Where it has a position, ready to be asked."""
        return PositionPlaces(self.work.book)


class RepertoireDesk:
    """Opens repertoires; it may be used by several threads.

    ``labels`` gives the author's own verdicts, which come first, and ``own_names``
    what the author calls the own families, by id. ``classify`` is for positions
    that are in no repertoire: the nodes have the verdicts that are kept with them.
    ``limits`` are those that repertoires are read with.
    """

    def __init__(
        self,
        shelf: RepertoireShelf,
        classify: Classify,
        labels: Callable[[], OwnLabels],
        *,
        own_names: Callable[[], Mapping[str, str]] = lambda: NO_NAMES,
        limits: Limits | None = None,
        most_nodes: int = MOST_NODES,
    ) -> None:
        self.shelf = shelf
        self.classify = classify
        self.labels = labels
        self.own_names = own_names
        self.limits = limits or Limits()
        self._most = most_nodes
        self._lock = Lock()
        self._open: OrderedDict[str, tuple[OwnLabels, OpenRepertoire]] = OrderedDict()

    def open(self, id: str) -> OpenRepertoire:
        """The repertoire as it is now; raises `NotFound`."""
        stored, labels, names = self.shelf.get(id), self.labels(), self.own_names()
        with self._lock:
            held = self._open.get(id)
            if held is not None and _current(held, stored, labels):
                self._open.move_to_end(id)
                opened = held[1]
                if opened.work.own_names == names:
                    # Its name may be another one by now.
                    opened.stored = stored
                else:
                    # Texts that hold the old names are let go of; nothing is read anew.
                    tag, work = _tag(stored, labels, names), opened.work.with_names(names)
                    opened = OpenRepertoire(stored, tag, work)
                    self._open[id] = (labels, opened)
                return opened
        # Two that open the same one at the same time do it twice, and wait for nobody.
        found = self._read(stored, labels, names)
        with self._lock:
            self._open[id] = (labels, found)
            self._open.move_to_end(id)
            while len(self._open) > 1 and self._nodes() > self._most:
                self._open.popitem(last=False)
        return found

    def forget(self) -> None:
        """Let go of all that is on the desk; it is opened anew when it is asked for."""
        with self._lock:
            self._open.clear()

    def with_fens(self, opened: OpenRepertoire) -> Workbook:
        """The workbook of an open repertoire with every node's FEN, read from its files anew.

        It is not kept: FENs take more room than all other columns.
        """
        nodes = len(opened.work.book)
        book = read_repertoire(
            [NamedBytes(*file) for file in self.shelf.files(opened.stored.id)],
            with_fen=True,
            with_keys=True,
            limits=replace(self.limits, game_nodes=nodes, nodes=nodes),
        )
        masks, inverse = distinct_skeletons(book.masks)
        distinct = opened.work.distinct
        if masks.shape != distinct.masks.shape or not (masks == distinct.masks).all():
            raise StoreUnavailable(
                "the repertoire was uploaded again in the meantime, or by another version of "
                "the program; upload its PGN again if this stays so"
            )
        work = opened.work
        return Workbook(
            book,
            replace(distinct, inverse=inverse),
            work.side,
            work.classify,
            own_names=work.own_names,
        )

    def _read(
        self, stored: StoredRepertoire, labels: OwnLabels, own_names: Mapping[str, str]
    ) -> OpenRepertoire:
        content = self.shelf.content(stored.id)

        def classify(masks: Masks) -> Verdicts:
            rows = np.arange(len(masks))
            return with_labels(DistinctVerdicts(masks, self.classify(masks), rows), labels).verdicts

        # Whatever a position that is asked about turns out to be, the nodes'
        # verdicts must have a name for it, even if none of them has it.
        nothing = self.classify(np.empty((0, 2), dtype=np.uint64))
        known = content.distinct.verdicts
        names = dict.fromkeys((*known.names, *nothing.names, *(one for one, _ in labels.values())))
        named = replace(content.distinct, verdicts=replace(known, names=tuple(names)))
        distinct = with_labels(named, labels)
        side = side_of(content.book, stored.side)
        work = Workbook(content.book, distinct, side, classify, own_names=own_names)
        return OpenRepertoire(stored, _tag(stored, labels, own_names), work)

    def _nodes(self) -> int:
        return sum(len(opened.work.book) for _, opened in self._open.values())


def side_of(book: Repertoire, side: str) -> RepertoireSide:
    """Whose repertoire it is: as somebody said, or where nobody did, as its lines tell."""
    return given_side(book, side) if side else infer_side(book)


def _tag(stored: StoredRepertoire, labels: OwnLabels, own_names: Mapping[str, str]) -> str:
    own = crc32(repr(sorted(labels.items())).encode()) if labels else 0
    named = f"n{crc32(repr(sorted(own_names.items())).encode())}" if own_names else ""
    return f"{stored.upload}{stored.side}{own}{named}"


def _current(
    held: tuple[OwnLabels, OpenRepertoire], stored: StoredRepertoire, labels: OwnLabels
) -> bool:
    known = held[1].stored
    # Labels are the same object until one of them changes.
    return held[0] is labels and (known.upload, known.side) == (stored.upload, stored.side)


class NamedBytes(io.BytesIO):
    """Bytes that are read like a file of some name."""

    def __init__(self, name: str, content: bytes) -> None:
        super().__init__(content)
        self.name = name
