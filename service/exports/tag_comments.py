"""Tags as comments in plain words, which can be told from the author's.

A tag is a comment of its own in braces, such as ``{Pawnlore: hanging pawns,
held by White, probability 0.97, core met.}``; a finer form of the author's own
follows the core (``core met, finer form own/clamp``), with its holder where that is
not the structure's. It is known again by its whole text, from the name at its head
to the full stop at its end, so that a comment in which an author says more, or less,
stays the author's.
"""

from __future__ import annotations

import re

from pawnlore.structures.catalogue import Catalogue, shipped_catalogue
from pawnlore.structures.distinct_verdicts import DistinctVerdicts
from pawnlore.structures.repertoire import Comment, Repertoire
from pawnlore.structures.structure_paths import finer_codes
from pawnlore.structures.verdict import Verdict

_TAG = re.compile(
    r"Pawnlore: (?:no settled structure|[^\n]+, held by (?:White|Black|both sides)), "
    r"probability [01]\.\d\d(?:, core met"
    r"(?:, finer form own/[a-z0-9-]+(?:, held by (?:White|Black|both sides))?)?)?\."
)
_HOLDERS = {"white": "White", "black": "Black", "both": "both sides"}


def is_tag(comment: Comment) -> bool:
    """Whether a comment is one of our tags, not the author's.

    >>> is_tag(Comment("Pawnlore: no settled structure, probability 0.83."))
    True
    >>> is_tag(Comment("Pawnlore: no settled structure, probability 0.83. I disagree."))
    False
    """
    return not comment.semicolon and _TAG.fullmatch(comment.text) is not None


def tag_text(verdict: Verdict, catalogue: Catalogue) -> str:
    """A verdict in plain words."""
    if verdict.settled:
        try:
            name = catalogue[verdict.structure].name
        except KeyError:  # a family of the author's own
            name = verdict.structure
        what = f"{name}, held by {_HOLDERS[verdict.holder]}"
    else:
        what = "no settled structure"
    core = ", core met" if verdict.core else ""
    finer = ""
    if verdict.finer is not None:
        own, holder = verdict.finer
        whose = "" if holder == verdict.holder else f", held by {_HOLDERS[holder]}"
        finer = f", finer form {own}{whose}"
    return f"Pawnlore: {what}, probability {verdict.probability:.2f}{core}{finer}."


def without_tags(book: Repertoire) -> dict[int, list[Comment]]:
    """The author's own comments, by node."""
    kept = {}
    for node, comments in book.comments.items():
        own = [comment for comment in comments if not is_tag(comment)]
        if own:
            kept[node] = own
    return kept


def with_tags(
    book: Repertoire,
    verdicts: DistinctVerdicts,
    *,
    every: bool = False,
    catalogue: Catalogue | None = None,
) -> dict[int, list[Comment]]:
    """The author's comments, and a tag where the structure, holder or finer form changes.

    With ``every``, each node has a tag. Tags of an earlier run are replaced.
    """
    catalogue = catalogue if catalogue is not None else shipped_catalogue()
    found = verdicts.verdicts
    tags = [Comment(tag_text(found[row], catalogue)) for row in range(len(found))]
    finer = finer_codes(found).tolist()
    what = list(zip(found.family.tolist(), found.holder.tolist(), finer, strict=True))
    settled = [found[row].settled for row in range(len(found))]
    kinds = verdicts.inverse.tolist()
    comments = without_tags(book)
    for node, (kind, above) in enumerate(zip(kinds, book.parent, strict=True)):
        if every or (settled[kind] if above < 0 else what[kind] != what[kinds[above]]):
            comments[node] = [tags[kind], *comments.get(node, ())]
    return comments
