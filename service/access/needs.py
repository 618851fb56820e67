"""What a view asks of its caller, declared at the view.

Undeclared, a view that only reads (GET, HEAD, OPTIONS) needs the right to read
and any other the right to write, and no student may use it. So a forgotten
declaration closes a door and opens none.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

READ, WRITE = "read", "write"
"""What a token may be good for; who may write may read as well."""

NOTHING = "nothing"
"""The right that everybody has."""

SAFE = frozenset(("GET", "HEAD", "OPTIONS"))
"""Methods that change nothing (RFC 9110, section 9.2.1)."""

View = TypeVar("View", bound=Callable[..., Any])

_RIGHT, _STUDENTS, _BODY = "pawnlore_right", "pawnlore_students", "pawnlore_body"


@dataclass(frozen=True)
class Needs:
    """What one view asks for.

    ``students`` tells whether a student may use it, and ``argument`` which part
    of its address names the repertoire, where one does.
    """

    right: str
    students: bool = False
    argument: str | None = None
    upload: bool = False


def needs(right: str) -> Callable[[View], View]:
    """Declare the right that a view needs: ``read``, ``write`` or `NOTHING`.

    Stands below the route, above nothing that hides the function's attributes.
    """
    if right not in (READ, WRITE, NOTHING):
        raise ValueError(f"there is no right {right!r}")

    def mark(view: View) -> View:
        setattr(view, _RIGHT, right)
        return view

    return mark


def students_may(repertoire: str | None = None) -> Callable[[View], View]:
    """Declare that a student may use a view.

    ``repertoire`` is the name of the view's argument that holds a repertoire's
    id; another one than the student's is then not found. Where there is no such
    argument the view itself must look at `pawnlore.service.access.caller.caller`.
    """

    def mark(view: View) -> View:
        setattr(view, _STUDENTS, (repertoire,))
        return view

    return mark


def takes_upload(view: View) -> View:
    """Declare that a view takes a PGN upload, whose body may be larger than others."""
    setattr(view, _BODY, True)
    return view


def needs_of(view: Callable[..., Any], method: str) -> Needs:
    """What a view asks for when it is called with a method.

    >>> @students_may()
    ... @needs("read")
    ... def classify(): ...
    >>> needs_of(classify, "POST")
    Needs(right='read', students=True, argument=None, upload=False)
    >>> needs_of(lambda: None, "POST").right
    'write'
    """
    right = getattr(view, _RIGHT, READ if method in SAFE else WRITE)
    students: tuple[str | None] | None = getattr(view, _STUDENTS, None)
    return Needs(
        right,
        students is not None,
        students[0] if students else None,
        bool(getattr(view, _BODY, False)),
    )
