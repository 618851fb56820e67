"""The caller: who sends a request, as far as the service can tell."""

from __future__ import annotations

from dataclasses import dataclass

from flask import g

from pawnlore.service.access.needs import READ, WRITE


@dataclass(frozen=True)
class Caller:
    """Who sends a request, and what for.

    ``name`` is a token's name, or says which kind of caller it is. ``right`` is
    ``read`` or ``write``. ``repertoire`` is set for a student: the only one
    that the link opens. ``cookie`` tells whether the browser vouches for the
    caller without having been asked.
    """

    name: str
    right: str
    repertoire: str | None = None
    cookie: bool = False

    @property
    def student(self) -> bool:
        """Whether only published things may be shown."""
        return self.repertoire is not None

    def may(self, right: str) -> bool:
        """Whether the caller has a right.

        >>> Caller("bot", "read").may("write"), AUTHOR.may("read")
        (False, True)
        """
        return right in (READ, self.right)


AUTHOR = Caller("this machine", WRITE)
"""The single author at the machine itself, who needs no sign-in."""


def caller() -> Caller:
    """The caller of the request at hand. Only where access was checked."""
    found = g.caller
    assert isinstance(found, Caller)
    return found
