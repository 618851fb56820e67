"""Secrets: random texts that stand for a right, and the digests that are kept of them.

A secret has 256 random bits, so nobody can try them out, and a plain SHA-256
is enough to keep it by: a slow password hash makes up for guessable words only.

A secret that is shown is never compared as it is: its digest is looked up. How
long that takes may tell something about a digest, but nobody can choose a
secret to have a wanted digest, so it tells nothing about any secret.
"""

from __future__ import annotations

import hashlib
import re
import secrets

TOKEN = "plt_"
"""What an access token begins with, so that scanners for leaked secrets can find it."""

LINK = "pls_"
"""What the secret of a student link begins with."""

_BYTES = 32
_FORM = re.compile(r"pl[ts]_[A-Za-z0-9_-]{43}")


def new_secret(prefix: str) -> str:
    """A new secret, from the system's source of randomness.

    >>> len(new_secret(TOKEN)), is_secret(new_secret(LINK))
    (47, True)
    """
    return prefix + secrets.token_urlsafe(_BYTES)


def is_secret(text: str) -> bool:
    """Whether a text has the form of a secret; anything else need not be looked up."""
    return _FORM.fullmatch(text) is not None


def digest_of(secret: str) -> str:
    """What is kept of a secret: its SHA-256, in hexadecimal.

    The example is the first one of FIPS 180-2, appendix B.1.

    >>> digest_of("abc")
    'ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad'
    """
    return hashlib.sha256(secret.encode()).hexdigest()
