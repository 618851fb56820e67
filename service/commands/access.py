"""``pawnlore access``: who may use the service, by token or student link."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

from pawnlore.service.cli import CannotStart

if TYPE_CHECKING:
    from datetime import datetime

    from pawnlore.service.store.access_shelf import AccessShelf

HELP = "make, list and revoke access tokens and student links"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    kinds = parser.add_subparsers(
        dest="kind", metavar="KIND", required=True, help="token for authors, link for students"
    )
    token = _actions(kinds.add_parser("token", help="tokens, with which authors sign in"))
    add = token.add_parser("add", help="make a token and show it, once")
    add.add_argument("name", metavar="NAME", help="what to call it, such as 'laptop'")
    add.add_argument(
        "--right", choices=("read", "write"), default="write", help="what it is good for"
    )
    add.set_defaults(act=_add_token)
    _add_list(token, _list_tokens)
    revoke = token.add_parser("revoke", help="make a token worthless, at once")
    revoke.add_argument("name", metavar="NAME", help="the token's name or id")
    revoke.set_defaults(act=_revoke_token)

    link = _actions(kinds.add_parser("link", help="links, with which students read a repertoire"))
    add = link.add_parser("add", help="make a link and show it, once")
    add.add_argument("repertoire", metavar="REPERTOIRE", help="the id of the one repertoire")
    add.add_argument("--name", default="", help="whom it is for, for your own list")
    add.add_argument(
        "--url",
        default="http://127.0.0.1:8719/",
        help="the address under which students reach the service",
    )
    add.set_defaults(act=_add_link)
    _add_list(link, _list_links)
    revoke = link.add_parser("revoke", help="make a link worthless, at once")
    revoke.add_argument("id", metavar="ID", help="the link's id")
    revoke.set_defaults(act=_revoke_link)


def run(args: argparse.Namespace) -> int:
    """Change or show who has access."""
    try:
        import sqlalchemy  # noqa: F401
    except ImportError as error:
        raise CannotStart(
            f"access needs the extra 'serve' (pip install 'pawnlore[serve]'): {error}"
        ) from None
    from pawnlore.service.settings import settings_from_environment
    from pawnlore.service.store.access_shelf import AccessShelf
    from pawnlore.service.store.errors import StoreError
    from pawnlore.service.store.store import open_store

    try:
        store = open_store(settings_from_environment().database)
        try:
            args.act(AccessShelf(store), args)
        finally:
            store.close()
    except StoreError as error:
        raise CannotStart(str(error)) from None
    return 0


def _actions(
    parser: argparse.ArgumentParser,
) -> argparse._SubParsersAction[argparse.ArgumentParser]:
    return parser.add_subparsers(dest="action", metavar="ACTION", required=True)


def _add_list(actions: argparse._SubParsersAction[argparse.ArgumentParser], act: object) -> None:
    parser = actions.add_parser("list", help="show them, without their secrets")
    parser.add_argument("--all", action="store_true", help="the revoked ones too")
    parser.set_defaults(act=act)


def _add_token(shelf: AccessShelf, args: argparse.Namespace) -> None:
    from pawnlore.service.access.secrets import TOKEN, digest_of, new_secret

    secret = new_secret(TOKEN)
    token = shelf.add_token(args.name, digest_of(secret), args.right)
    print(f"The token {token.name!r}, to {token.rights}. It is shown this once:")
    print(secret)


def _list_tokens(shelf: AccessShelf, args: argparse.Namespace) -> None:
    rows = [
        (token.name, token.rights, _moment(token.created), _moment(token.revoked))
        for token in shelf.tokens(revoked=args.all)
    ]
    _print_table(("name", "right", "created", "revoked"), rows)


def _revoke_token(shelf: AccessShelf, args: argparse.Namespace) -> None:
    print(f"The token {shelf.revoke_token(args.name).name!r} is revoked.")


def _add_link(shelf: AccessShelf, args: argparse.Namespace) -> None:
    from urllib.parse import urljoin

    from pawnlore.service.access.secrets import LINK, digest_of, new_secret

    secret = new_secret(LINK)
    link = shelf.add_link(args.repertoire, digest_of(secret), name=args.name)
    print(
        f"The student link {link.id}, to read the repertoire {link.repertoire}. "
        "It is shown this once:"
    )
    print(urljoin(args.url, f"/study/{secret}"))


def _list_links(shelf: AccessShelf, args: argparse.Namespace) -> None:
    rows = [
        (link.id, link.repertoire, link.name, _moment(link.created), _moment(link.revoked))
        for link in shelf.links(revoked=args.all)
    ]
    _print_table(("id", "repertoire", "name", "created", "revoked"), rows)


def _revoke_link(shelf: AccessShelf, args: argparse.Namespace) -> None:
    print(f"The student link {shelf.revoke_link(args.id).id} is revoked.")


def _moment(moment: datetime | None) -> str:
    return "" if moment is None else moment.strftime("%Y-%m-%d %H:%M UTC")


def _print_table(heads: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> None:
    widths = [max(len(row[place]) for row in (heads, *rows)) for place in range(len(heads))]
    for row in (heads, *rows):
        cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        print("  ".join(cells).rstrip())
