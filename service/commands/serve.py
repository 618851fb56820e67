"""``pawnlore serve``: the HTTP service."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from pawnlore.service import models_at_hand
from pawnlore.service.cli import CannotStart
from pawnlore.service.models_at_hand import add_model_option

if TYPE_CHECKING:
    from pawnlore.service.settings import Settings
    from pawnlore.service.store.access_shelf import AccessShelf

HELP = "serve notes, repertoires and verdicts over HTTP"

THREADS = 8
_MOST_THREADS = 64

_TURN_SECONDS = 0.001
"""How long one thread may compute while another waits; Python's own is five times as long.

An upload that is read and judged would make each lookup meanwhile wait so long
for its turn, several times over: with this, half as many again are answered.
"""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the command's options."""
    parser.add_argument(
        "--host",
        default="127.0.0.1",
        metavar="ADDRESS",
        help="where to listen; anything but loopback needs access to be set up first",
    )
    parser.add_argument("--port", type=int, default=None, help="the port; 8719 is the default")
    parser.add_argument(
        "--name",
        action="append",
        default=[],
        metavar="HOST",
        help="a host name under which others reach the service; may be given several times",
    )
    parser.add_argument(
        "--trusted-proxy",
        default="",
        metavar="ADDRESS",
        help="the address from which the reverse proxy in front comes, such as 127.0.0.1",
    )
    parser.add_argument(
        "--sign-in", action="store_true", help="ask for a sign-in on this machine too"
    )
    parser.add_argument(
        "--threads", type=int, default=THREADS, metavar="N", help="requests answered at one time"
    )
    add_model_option(parser)


def run(args: argparse.Namespace) -> int:
    """Serve until a signal ends it."""
    try:
        import flask  # noqa: F401
        import sqlalchemy  # noqa: F401
        import waitress  # noqa: F401
    except ImportError as error:
        raise CannotStart(
            f"serving needs the extra 'serve' (pip install 'pawnlore[serve]'): {error}"
        ) from None
    from pawnlore.service.api.repertoires_at_hand import repertoires_of
    from pawnlore.service.app import create_app
    from pawnlore.service.logs import start_logs, tell
    from pawnlore.service.running import parts_of
    from pawnlore.service.store.access_shelf import AccessShelf
    from pawnlore.service.store.errors import StoreError
    from pawnlore.service.store.store import open_store
    from pawnlore.service.web_server import WebServer, stop_on_signals

    settings = _settings(args)
    classifier = models_at_hand.chosen_classifier(args)
    try:
        store = open_store(settings.database)
        shelf = AccessShelf(store)
        _check_access(settings, shelf)
    except StoreError as error:
        raise CannotStart(str(error)) from None
    start_logs()
    try:
        app = create_app(settings, store, classifier)
        server = WebServer(app, settings, threads=args.threads)
    except OSError as error:
        store.close()
        raise CannotStart(f"{settings.host} port {settings.port}: {_reason(error)}") from None
    except ValueError:
        store.close()
        raise CannotStart(f"{settings.host}: no address of this machine") from None
    stop_on_signals(server)
    runner = repertoires_of(app).runner
    runner.watch()
    for address in server.addresses:
        every = "://0.0.0.0" in address or "://[::]" in address
        where = ", at every address of this machine" if every else ""
        print(f"Pawnlore is at {address}{where} (Ctrl-C stops it)", flush=True)
        tell("listening", address=address, sign_in=settings.needs_sign_in)

    def stopping() -> None:
        parts_of(app).stopping.set()
        tell("stopping")

    sys.setswitchinterval(_TURN_SECONDS)
    given_up = server.run(stopping)
    # What a job had not done yet, the next service does.
    runner.close()
    store.close()
    tell("stopped", given_up=given_up)
    return 1 if given_up else 0


def _settings(args: argparse.Namespace) -> Settings:
    import ipaddress
    from dataclasses import replace

    from pawnlore.service.settings import PORT, is_host_name, settings_from_environment

    port = PORT if args.port is None else args.port
    if not 0 <= port <= 65535:
        raise CannotStart(f"--port {port}: ports go up to 65535")
    if not 1 <= args.threads <= _MOST_THREADS:
        raise CannotStart(f"--threads {args.threads}: between 1 and {_MOST_THREADS}")
    for name in args.name:
        if not is_host_name(name):
            raise CannotStart(
                f"--name {name}: no host name; give it without scheme and port, as in study.example"
            )
    if args.trusted_proxy:
        try:
            ipaddress.ip_address(args.trusted_proxy)
        except ValueError:
            raise CannotStart(
                f"--trusted-proxy {args.trusted_proxy}: no IP address; 127.0.0.1 is that of a "
                "proxy on this machine"
            ) from None
    return replace(
        settings_from_environment(),
        host=args.host,
        port=port,
        names=tuple(name.lower().rstrip(".") for name in args.name),
        trusted_proxy=args.trusted_proxy,
        sign_in=args.sign_in,
    )


def _check_access(settings: Settings, shelf: AccessShelf) -> None:
    """Refuse to open the door before anybody has a key."""
    if not settings.needs_sign_in or shelf.tokens():
        return
    raise CannotStart(
        "others could reach this service, and nobody has access to it yet. Set up access first: "
        "'pawnlore access token add NAME' makes a token to sign in with. To serve this machine "
        "alone, leave out --host, --name, --trusted-proxy and --sign-in"
    )


def _reason(error: OSError) -> str:
    import errno

    if error.errno == errno.EADDRINUSE:
        return "another program listens there; choose another --port"
    return error.strerror or str(error)
