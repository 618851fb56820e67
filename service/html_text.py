"""Text that others wrote, made safe to stand in HTML."""

from __future__ import annotations

import re
from html import escape

# Characters that HTML does not allow, halves of character pairs, and marks that
# turn the direction of all that follows.
_NOT_ALLOWED = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef\ufffe\uffff\u202a-\u202e\u2066-\u2069]"
)


def clean(text: str) -> str:
    r"""The text with ``\ufffd`` for every character that HTML does not allow.

    >>> clean("a\0b") == "a\ufffdb"
    True
    """
    return _NOT_ALLOWED.sub("\ufffd", text)


def html_text(text: str) -> str:
    """The text to stand between tags or in a quoted attribute.

    >>> html_text('<script>"')
    '&lt;script&gt;&quot;'
    """
    return escape(clean(text), quote=True)
