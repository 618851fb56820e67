"""From a position to what it is, whose it is, and what to do.

The command line, the HTTP API and the pages all ask here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace

from pawnlore.service.note_index import KnownNote, NoteIndex
from pawnlore.structures.catalogue import UNSETTLED, Family, shipped_catalogue
from pawnlore.structures.plan_note import applies
from pawnlore.structures.plan_texts import plan_texts
from pawnlore.structures.prose_mirror import told_for
from pawnlore.structures.query_position import QueryPosition
from pawnlore.structures.skeleton import Skeleton
from pawnlore.structures.verdict import Verdict

Judge = Callable[[Skeleton], Verdict]
"""Anything that gives the verdict on one skeleton, such as a `VerdictMemory`."""

COLOURS_REVERSED = "colours-reversed"
"""A note of the author's that would apply if the colours were reversed."""

CATALOGUE = "catalogue"
"""What the catalogue itself says."""

NEAR = "near"
"""What is said of the structure that unsettled pawns are nearest to."""

NEAR_PROBABILITY = 0.1
"""What the runner-up of an unsettled position needs, to be worth reading about.

Of the unsettled skeletons in the shipped games about one in six has one; with
less, the name is noise.
"""

NO_PARENTS: Mapping[str, str] = {}
"""Where no own family is a finer form of a shipped one."""

_OTHER = {"white": "black", "black": "white"}


@dataclass(frozen=True, slots=True)
class AppliedNote:
    """A note of the author's that applies.

    ``reason`` says why. ``plan_of`` says whose plan it is here: ``white``,
    ``black`` or ``both``.
    """

    known: KnownNote
    reason: str
    plan_of: str


@dataclass(frozen=True, slots=True)
class CatalogueText:
    """What the catalogue says of one side's plan; ``summary`` comes first, ``sections`` are more.

    The catalogue is written as if White held the structure; where Black does,
    this is told with colours reversed.
    """

    plan_of: str
    summary: str
    sections: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class NextBest:
    """What may help where no note applies. It is never the author's word on this position.

    ``kind`` is `COLOURS_REVERSED`, with a note, `CATALOGUE`, with a text, or
    `NEAR`, with either of them; ``near`` then says to what.
    """

    kind: str
    reason: str
    applied: AppliedNote | None = None
    text: CatalogueText | None = None
    near: str = ""

    @property
    def authors(self) -> bool:
        """Whether the author says this of this position: never."""
        return False


@dataclass(frozen=True, slots=True)
class Lookup:
    """The answer.

    ``notes`` has the most specific first, those on a finer family of the
    author's before those on the structure that it is a form of; ``next_best``
    is empty unless there are none.
    """

    verdict: Verdict
    notes: tuple[AppliedNote, ...]
    next_best: tuple[NextBest, ...]


def lookup(
    position: QueryPosition,
    judge: Judge,
    notes: NoteIndex,
    chapter: str | None = None,
    *,
    held: Verdict | None = None,
    parents: Mapping[str, str] = NO_PARENTS,
) -> Lookup:
    """Look a position up.

    ``held`` is what the classifier holds where somebody else decided; what
    unsettled pawns are near to is told by it. ``parents`` tells of the author's
    own families which shipped one they are a finer form of: where a label names
    one on pawns that meet its parent's core, what is said of the parent is true
    there too.

    ``chapter`` is where in the repertoire the reader stands, if anywhere. A
    note that asks for more than the pawns applies only where the position has
    a board; see `study_position`.

    >>> from pawnlore.models.classifier import shipped_classifier
    >>> from pawnlore.service.study_position import study_position
    >>> from pawnlore.service.verdict_memory import VerdictMemory
    >>> judge = VerdictMemory(shipped_classifier().classify)
    >>> isolani = study_position("8/pp3ppp/4p3/8/3P4/8/PP3PPP/8")
    >>> found = lookup(isolani, judge, NoteIndex(()))
    >>> found.verdict.structure, [(best.kind, best.text.plan_of) for best in found.next_best]
    ('isolated-queen-pawn', [('catalogue', 'white'), ('catalogue', 'black')])
    """
    verdict = judge(position.skeleton)
    if verdict.structure == UNSETTLED:
        return Lookup(verdict, (), tuple(_near(position, held or verdict, notes, chapter or "")))
    asked = _as_finer(verdict, held, parents)
    found = tuple(_applied(position, asked, notes, chapter or ""))
    if found:
        return Lookup(verdict, found, ())
    best = (*_reversed(position, asked, notes, chapter or ""), *_catalogue(asked))
    return Lookup(verdict, (), best)


def _as_finer(verdict: Verdict, held: Verdict | None, parents: Mapping[str, str]) -> Verdict:
    """A label that names a finer form on its parent's core, told as the core would tell it."""
    if held is None or not held.core or parents.get(verdict.structure) != held.structure:
        return verdict
    return replace(
        held,
        second=verdict.structure,
        second_holder=verdict.holder,
        second_probability=verdict.probability,
    )


def _applied(
    position: QueryPosition, verdict: Verdict, notes: NoteIndex, chapter: str
) -> Iterator[AppliedNote]:
    for structure, holder in verdict.held:
        for known in notes.on(structure):
            reason = applies(
                known.note, structure, holder, position.board, chapter, position.skeleton
            )
            if reason is not None:
                yield AppliedNote(known, reason, known.note.plan_of(holder))


def _reversed(
    position: QueryPosition, verdict: Verdict, notes: NoteIndex, chapter: str
) -> Iterator[NextBest]:
    """The author's notes on what stands here, with colours reversed."""
    turned = [
        (structure, _OTHER[holder], listed)
        for structure, holder in verdict.held
        if holder in _OTHER and (listed := notes.on(structure))
    ]
    if not turned:
        return
    board = None if position.board is None else position.board.mirror()
    pawns = position.skeleton.mirrored()
    for structure, holder, listed in turned:
        for known in listed:
            reason = applies(known.note, structure, holder, board, chapter, pawns)
            if reason is None:
                continue
            plan_of = _OTHER.get(known.note.plan_of(holder), "both")
            words = (
                "no note of the author’s applies; this one was written for the colours reversed "
                f"({reason}): read the other colour, and count the ranks from the other side"
            )
            yield NextBest(COLOURS_REVERSED, words, applied=AppliedNote(known, reason, plan_of))


def _near(
    position: QueryPosition, held: Verdict, notes: NoteIndex, chapter: str
) -> Iterator[NextBest]:
    """What is said of the structure that is nearest: the author's notes, then the catalogue."""
    structure, holder = held.structure, held.holder
    if not held.settled:
        if held.second_probability < NEAR_PROBABILITY:
            return
        structure, holder = held.second, held.second_holder
    if structure == UNSETTLED:
        return
    near = replace(held, structure=structure, holder=holder)
    family = _family(structure)
    name = family.name if family else structure
    whose = {"white": "held by White", "black": "held by Black"}.get(holder, "held by both")
    place = f"nearest to these pawns is {name}, {whose}"
    for applied in _applied(position, near, notes, chapter):
        words = (
            f"no structure is settled here; {place}, and this note of the author’s was written "
            f"for that ({applied.reason})"
        )
        yield NextBest(NEAR, words, applied=applied, near=place)
    for best in _catalogue(near):
        assert best.text is not None
        words = (
            f"no structure is settled here; {place}; this is the catalogue’s text on that, not "
            "the author’s"
        )
        yield NextBest(NEAR, words, text=best.text, near=place)


def _catalogue(verdict: Verdict) -> Iterator[NextBest]:
    """What the catalogue says, the holder's plan first."""
    family = _family(verdict.structure)
    texts = plan_texts(verdict.structure)
    white_holds = verdict.holder != "black"
    for side, summary, told in (
        ("holder", family.plan_holder if family else "", texts.holder if texts else {}),
        ("foe", family.plan_foe if family else "", texts.foe if texts else {}),
    ):
        if not summary and not told:
            continue
        plan_of = "white" if white_holds == (side == "holder") else "black"
        sections = tuple((name, told_for(text, verdict.holder)) for name, text in told.items())
        text = CatalogueText(plan_of, told_for(summary, verdict.holder), sections)
        words = "no note of the author’s applies; this is the catalogue’s text, not the author’s"
        yield NextBest(CATALOGUE, words, text=text)


def _family(structure: str) -> Family | None:
    try:
        return shipped_catalogue()[structure]
    except KeyError:
        return None
