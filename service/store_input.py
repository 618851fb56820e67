"""How a command opens the store: its option, and what is said where that fails."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from pawnlore.service.cli import CannotStart
from pawnlore.service.settings import data_folder, database_url

if TYPE_CHECKING:
    from pawnlore.service.store.store import Store


def add_database_option(parser: argparse.ArgumentParser) -> None:
    """Which store a command works on, as ``args.database``."""
    parser.add_argument(
        "--database",
        metavar="URL",
        help="the store to use, as sqlite:///FILE or postgresql://USER@HOST/DATABASE; else "
        "PAWNLORE_DATABASE, else the one in the data folder",
    )


@contextmanager
def store_from_args(args: argparse.Namespace) -> Iterator[Store]:
    """The store that the arguments or the environment name, open inside the block.

    What goes wrong with it there raises `CannotStart`.
    """
    try:
        from pawnlore.service.store.errors import StoreError
        from pawnlore.service.store.store import open_store
    except ImportError as error:
        raise CannotStart(
            f"the store needs the extra 'serve' (pip install 'pawnlore[serve]'): {error}"
        ) from None
    try:
        store = open_store(args.database or database_url(data_folder()))
        try:
            yield store
        finally:
            store.close()
    except StoreError as error:
        raise CannotStart(str(error)) from None
