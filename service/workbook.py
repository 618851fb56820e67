"""A repertoire with all that the author's tables rest on: verdicts, paths, side, groups."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, TypeVar

from pawnlore.service.repertoire_input import check_input, read_from_args, side_from_args
from pawnlore.structures.distinct_verdicts import DistinctVerdicts, distinct_verdicts
from pawnlore.structures.group_skeletons import group_skeletons
from pawnlore.structures.groups import Groups, groups
from pawnlore.structures.line_text import NO_NAMES, family_name
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.repertoire_side import RepertoireSide
from pawnlore.structures.skeleton import Skeleton
from pawnlore.structures.structure_paths import StructurePaths, structure_paths
from pawnlore.structures.teaching_order import Step, teaching_order
from pawnlore.structures.transpositions import pointers
from pawnlore.structures.verdict import Classify, Verdicts

Made = TypeVar("Made")


@dataclass(frozen=True)
class Workbook:
    """A repertoire that was read with position keys, and what was computed on it.

    ``classify`` is what gave the verdicts. ``status`` is 1 where some input was bad.
    ``own_names`` are what the author calls the own families, by id.
    """

    book: Repertoire
    distinct: DistinctVerdicts
    side: RepertoireSide
    classify: Classify
    status: int = 0
    own_names: Mapping[str, str] = field(default_factory=dict)
    _kept: dict[str, Any] = field(default_factory=dict, repr=False, compare=False)

    def once(self, name: str, make: Callable[[], Made]) -> Made:
        """What depends on this workbook alone, made once and kept with it under a name."""
        if name not in self._kept:
            self._kept[name] = make()
        found: Made = self._kept[name]
        return found

    def name_of(self, structure: str) -> str:
        """What a structure is called where a person reads it."""
        return family_name(structure, self.own_names)

    def with_names(self, own_names: Mapping[str, str]) -> Workbook:
        """This repertoire with other names of own families; nothing made of it is taken along."""
        return Workbook(self.book, self.distinct, self.side, self.classify, self.status, own_names)

    @cached_property
    def verdicts(self) -> Verdicts:
        """The verdicts, one row a node."""
        return self.distinct.every_node()

    @cached_property
    def paths(self) -> StructurePaths:
        """The structure path of every line."""
        return structure_paths(self.book, self.verdicts)

    @cached_property
    def groups(self) -> Groups:
        """The lines by middlegame type."""
        return groups(self.book, self.verdicts, self.paths, self.side)

    @cached_property
    def skeletons(self) -> tuple[Skeleton | None, ...]:
        """The pawns that stand for each group; none where no line settles."""
        return group_skeletons(self.book, self.paths, self.groups)

    @cached_property
    def teaching(self) -> list[Step]:
        """The groups that have a structure, in an order to teach them."""
        return teaching_order(self.paths, self.groups)

    @cached_property
    def onward(self) -> dict[int, int]:
        """For every line that stops where another goes on: its last node, and that one's."""
        return pointers(self.book)


def make_workbook(
    book: Repertoire,
    classify: Classify,
    side: RepertoireSide,
    *,
    status: int = 0,
    own_names: Mapping[str, str] = NO_NAMES,
) -> Workbook:
    """A workbook of a repertoire."""
    return Workbook(book, distinct_verdicts(book, classify), side, classify, status, own_names)


def workbook_from_args(args: argparse.Namespace, *, with_fen: bool = False) -> Workbook:
    """Read what a command's arguments name: files, ``--model`` and ``--side``.

    Problems and the side are told on standard error. Raises `CannotStart`.
    """
    from pawnlore.service.models_at_hand import chosen_classifier, own_names

    check_input(args)
    # A model that cannot be used is found out before the long work.
    classifier = chosen_classifier(args)
    book, status = read_from_args(args, with_fen=with_fen, with_keys=True)
    return make_workbook(
        book,
        classifier.classify,
        side_from_args(args, book),
        status=status,
        own_names=own_names(classifier),
    )
