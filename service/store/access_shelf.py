"""The shelf of access: named tokens, and links for students to read one repertoire.

Only digests of secrets are kept. Secrets are made and digested elsewhere.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import insert, select, update
from sqlalchemy.exc import IntegrityError

from pawnlore.service.store.errors import NotFound, Refused
from pawnlore.service.store.schema import RepertoireRow, StudentLinkRow, TokenRow
from pawnlore.service.store.store import Store
from pawnlore.service.store.values import one_line

RIGHTS = ("read", "write")
"""What a token allows; ``write`` allows reading too."""

_DIGEST = re.compile(r"[0-9a-f]{64}")


@dataclass(frozen=True, slots=True)
class Token:
    """A named token; ``rights`` is one of `RIGHTS`."""

    id: str
    name: str
    rights: str
    created: datetime
    revoked: datetime | None


@dataclass(frozen=True, slots=True)
class StudentLink:
    """A link to read one repertoire, with a name for the author."""

    id: str
    repertoire: str
    name: str
    created: datetime
    revoked: datetime | None


class AccessShelf:
    """The tokens and student links of a store; ``digest`` is 64 hexadecimal digits."""

    def __init__(self, store: Store) -> None:
        self.store = store

    def add_token(self, name: str, digest: str, rights: str) -> Token:
        """Keep a token; raises `Refused` where a valid one has the name already."""
        name = one_line(name, "the token's name")
        if rights not in RIGHTS:
            raise Refused("a token allows either read or write")
        _check(digest)
        with self.store.writing() as connection:
            taken = connection.execute(
                select(TokenRow.id).where(TokenRow.name == name, TokenRow.revoked.is_(None))
            ).first()
            if taken is not None:
                raise Refused(f"there is a token named {name!r}; revoke it or choose another name")
            id = self.store.new_id()
            try:
                connection.execute(
                    insert(TokenRow).values(
                        id=id,
                        name=name,
                        digest=digest,
                        rights=rights,
                        created=self.store.clock(),
                        revoked=None,
                    )
                )
            except IntegrityError:
                raise Refused("there is a token with that secret already") from None
            return Token(*connection.execute(_tokens().where(TokenRow.id == id)).one())

    def tokens(self, *, revoked: bool = False) -> list[Token]:
        """The valid tokens, with ``revoked`` the others too, in the order they came."""
        query = _tokens().order_by(TokenRow.number)
        if not revoked:
            query = query.where(TokenRow.revoked.is_(None))
        with self.store.reading() as connection:
            return [Token(*row) for row in connection.execute(query)]

    def token_of(self, digest: str) -> Token | None:
        """The valid token whose secret has this digest, if there is one."""
        if not _DIGEST.fullmatch(digest):
            return None
        query = _tokens().where(TokenRow.digest == digest, TokenRow.revoked.is_(None))
        with self.store.reading() as connection:
            row = connection.execute(query).one_or_none()
        return None if row is None else Token(*row)

    def revoke_token(self, name: str) -> Token:
        """Revoke the valid token of a name or an id; raises `NotFound`."""
        with self.store.writing() as connection:
            row = connection.execute(
                _tokens().where(
                    (TokenRow.name == name.strip()) | (TokenRow.id == name),
                    TokenRow.revoked.is_(None),
                )
            ).first()
            if row is None:
                raise NotFound(f"there is no valid token named {name!r}")
            connection.execute(
                update(TokenRow).where(TokenRow.id == row.id).values(revoked=self.store.clock())
            )
            return Token(*connection.execute(_tokens().where(TokenRow.id == row.id)).one())

    def add_link(self, repertoire: str, digest: str, *, name: str = "") -> StudentLink:
        """Keep a student link; raises `NotFound` where there is no such repertoire."""
        name = one_line(name, "the link's name", needed=False)
        _check(digest)
        with self.store.writing() as connection:
            known = connection.execute(
                select(RepertoireRow.id).where(RepertoireRow.id == repertoire)
            ).first()
            if known is None:
                raise NotFound("there is no such repertoire")
            id = self.store.new_id()
            try:
                connection.execute(
                    insert(StudentLinkRow).values(
                        id=id,
                        repertoire=repertoire,
                        name=name,
                        digest=digest,
                        created=self.store.clock(),
                        revoked=None,
                    )
                )
            except IntegrityError:
                raise Refused("there is a link with that secret already") from None
            return StudentLink(*connection.execute(_links().where(StudentLinkRow.id == id)).one())

    def links(self, *, repertoire: str = "", revoked: bool = False) -> list[StudentLink]:
        """The valid links, with ``revoked`` the others too, in the order they came."""
        query = _links().order_by(StudentLinkRow.number)
        if repertoire:
            query = query.where(StudentLinkRow.repertoire == repertoire)
        if not revoked:
            query = query.where(StudentLinkRow.revoked.is_(None))
        with self.store.reading() as connection:
            return [StudentLink(*row) for row in connection.execute(query)]

    def link_of(self, digest: str) -> StudentLink | None:
        """The valid link whose secret has this digest, if there is one."""
        if not _DIGEST.fullmatch(digest):
            return None
        query = _links().where(StudentLinkRow.digest == digest, StudentLinkRow.revoked.is_(None))
        with self.store.reading() as connection:
            row = connection.execute(query).one_or_none()
        return None if row is None else StudentLink(*row)

    def revoke_link(self, id: str) -> StudentLink:
        """Revoke the valid link of an id; raises `NotFound`."""
        with self.store.writing() as connection:
            done = connection.execute(
                update(StudentLinkRow)
                .where(StudentLinkRow.id == id, StudentLinkRow.revoked.is_(None))
                .values(revoked=self.store.clock())
            )
            if done.rowcount != 1:
                raise NotFound(f"there is no valid student link {id!r}")
            return StudentLink(*connection.execute(_links().where(StudentLinkRow.id == id)).one())


def _check(digest: str) -> None:
    if not _DIGEST.fullmatch(digest):
        raise Refused("a digest is 64 hexadecimal digits")


def _tokens() -> Any:
    return select(TokenRow.id, TokenRow.name, TokenRow.rights, TokenRow.created, TokenRow.revoked)


def _links() -> Any:
    return select(
        StudentLinkRow.id,
        StudentLinkRow.repertoire,
        StudentLinkRow.name,
        StudentLinkRow.created,
        StudentLinkRow.revoked,
    )
