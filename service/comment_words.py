"""What a comment of a PGN says to people."""

from __future__ import annotations

import re

from pawnlore.service.exports.tag_comments import is_tag
from pawnlore.structures.repertoire import Comment

# Commands to other programs stand in comments as [%name …].
_COMMAND = re.compile(r"\[%[A-Za-z]\w{0,30}[^\]]{0,10000}\]")


def comment_words(comment: Comment) -> str:
    r"""The author's words on one line; empty for a tag of ours and for commands to programs.

    >>> comment_words(Comment("the plan [%csl Gd4]\n is ...b5"))
    'the plan is ...b5'
    >>> comment_words(Comment("Pawnlore: no settled structure, probability 0.83."))
    ''
    """
    return "" if is_tag(comment) else " ".join(_COMMAND.sub(" ", comment.text).split())
