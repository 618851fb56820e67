"""Checks of short texts before they are kept, the same for every database."""

from __future__ import annotations

from pawnlore.service.store.errors import Refused


def one_line(value: str, what: str, longest: int = 200, *, needed: bool = True) -> str:
    """A text of one line that every database can hold, without space at its ends.

    Raises `Refused`.

    >>> one_line("  Study group ", "the name")
    'Study group'
    """
    kept = value.strip()
    if not kept and needed:
        raise Refused(f"{what} is missing")
    if len(kept) > longest:
        raise Refused(f"{what} has {len(kept):,} characters; at most {longest} fit")
    if any(not sign.isprintable() for sign in kept):
        raise Refused(f"{what} holds a sign that cannot be shown, such as a line break")
    return kept


def any_text(value: str, what: str, longest: int) -> str:
    """A text of any number of lines that every database can hold.

    Raises `Refused`.
    """
    if len(value) > longest:
        raise Refused(f"{what} has {len(value):,} characters; at most {longest:,} fit")
    if "\0" in value:
        raise Refused(f"{what} holds a null character")
    try:
        value.encode()
    except UnicodeEncodeError:
        raise Refused(f"{what} holds half of a character pair") from None
    return value
