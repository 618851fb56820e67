"""The Host header: which names this service answers for.

A page elsewhere can let its own name point to 127.0.0.1 (DNS rebinding) and so
become, in the browser's eyes, of one origin with a service on loopback. What
gives it away is the Host header, which holds that page's name.
"""

from __future__ import annotations

import ipaddress
import re

from pawnlore.service.settings import Settings, is_loopback

_HOST = re.compile(r"(\[[0-9a-f:.]+\]|[a-z0-9_.-]+)(?::\d{1,5})?")


def name_in(header: str) -> str | None:
    """The name in a Host header without its port, in small letters; none where it is malformed.

    >>> name_in("Study.Example:8719"), name_in("[::1]:8719"), name_in("a b")
    ('study.example', '[::1]', None)
    """
    found = _HOST.fullmatch(header.lower())
    return found[1].rstrip(".") if found else None


def answers_for(name: str, settings: Settings) -> bool:
    """Whether the service answers under a host name.

    A literal address cannot be rebound, so where the service listens on more
    than loopback every address is good; names must have been given.

    >>> from pathlib import Path
    >>> local = Settings(Path("home"), "sqlite://")
    >>> [answers_for(name, local) for name in ("localhost", "[::1]", "192.0.2.7", "evil.example")]
    [True, True, False, False]
    """
    if name in settings.names:
        return True
    if is_loopback(name):
        return True
    if is_loopback(settings.host):
        return False
    if name == settings.host.lower():
        return True
    try:
        ipaddress.ip_address(name.strip("[]"))
    except ValueError:
        return False
    return True
