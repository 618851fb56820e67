"""The shelf of what authors were asked and passed over, so that it is not asked again."""

from __future__ import annotations

from sqlalchemy import delete, insert, select

from pawnlore.service.store.schema import AskedRow
from pawnlore.service.store.skeleton_key import skeleton_key, skeleton_of_key
from pawnlore.service.store.store import Store
from pawnlore.service.store.values import one_line


class AskedShelf:
    """Skeletons that were passed over."""

    def __init__(self, store: Store) -> None:
        self.store = store

    def skeletons(self) -> list[tuple[int, int]]:
        """All of them, as canonical skeletons."""
        with self.store.reading() as connection:
            rows = connection.execute(select(AskedRow.skeleton).order_by(AskedRow.skeleton))
            return [skeleton_of_key(key) for (key,) in rows]

    def pass_over(self, skeleton: tuple[int, int], *, author: str = "") -> None:
        """Do not ask about these pawns again."""
        author = one_line(author, "the author's name", needed=False)
        key, _ = skeleton_key(skeleton)
        with self.store.writing() as connection:
            connection.execute(delete(AskedRow).where(AskedRow.skeleton == key))
            connection.execute(
                insert(AskedRow).values(skeleton=key, author=author, made=self.store.clock())
            )
