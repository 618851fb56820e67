"""Same origin: whether a browser sends a request for our own page or for another site's.

Browsers say so in ``Sec-Fetch-Site`` (Fetch Metadata Request Headers, W3C) and
``Origin`` (RFC 6454, and the Fetch standard). A page cannot forge either. A
program that is no browser sends neither.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum

from pawnlore.service.access.needs import SAFE

SENDER_HEADERS = ("Origin", "Sec-Fetch-Site", "Sec-Fetch-Mode", "Sec-Fetch-Dest")
"""The headers that tell for whom a browser sends a request."""


class Sender(Enum):
    """For whom a request is sent."""

    OURS = "our own page, or the user's own hand"
    OTHER = "another site"
    UNKNOWN = "nobody says"


def sender_of(headers: Mapping[str, str], origin: str) -> Sender:
    """For whom a browser sends a request; ``origin`` is our own.

    >>> sender_of({"Origin": "https://evil.example"}, "https://study.example").name
    'OTHER'
    >>> sender_of({"Sec-Fetch-Site": "same-origin"}, "https://study.example").name
    'OURS'
    """
    site = headers.get("Sec-Fetch-Site", "").lower()
    named = headers.get("Origin", "").lower()
    if site and site not in ("same-origin", "none"):
        return Sender.OTHER
    if named and named != origin.lower():
        return Sender.OTHER
    return Sender.OURS if site or named else Sender.UNKNOWN


def is_refused(method: str, headers: Mapping[str, str], origin: str, *, cookie: bool) -> bool:
    """Whether a request is to be refused because of who sends it.

    What another site sends is refused, whether it changes anything or not; a
    link on another site that is followed to a page of ours is not. Where only a
    cookie vouches for a change, it must be known to come from our own page.

    >>> follow = {"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate"}
    >>> ours = "https://study.example"
    >>> is_refused("GET", follow, ours, cookie=True), is_refused("POST", follow, ours, cookie=True)
    (False, True)
    """
    sender = sender_of(headers, origin)
    if method in SAFE:
        followed = (
            headers.get("Sec-Fetch-Mode", "").lower() == "navigate"
            # A page inside another site's page is not a link that was followed.
            and (headers.get("Sec-Fetch-Dest", "").lower() or "document") == "document"
        )
        return sender is Sender.OTHER and not followed
    return sender is Sender.OTHER or (cookie and sender is Sender.UNKNOWN)
