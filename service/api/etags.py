"""ETags and If-Match (RFC 9110, sections 8.8.3 and 13.1.1): nobody's change is lost."""

from __future__ import annotations

import re

from flask import Response, request

from pawnlore.service.api.describe import Parameter, header
from pawnlore.service.api.problems import Problem

_ONE = r'(W/)?"[!#-~]*"'

IF_MATCH = Parameter(
    "If-Match",
    "header",
    {
        "type": "string",
        # What is taken beyond that, such as empty places in the list, is nothing to send.
        "pattern": rf"^(\*|{_ONE}(, ?{_ONE})*)$",
        "maxLength": 1000,
        "examples": ['"r1"'],
    },
    "The ETag that was read: the change is made only where it is still the newest.",
    needed=True,
)
"""The header that every change must bring."""

IF_NONE_MATCH = header("If-None-Match", "An ETag; where it is still the newest, 304 is answered.")

_TAG = re.compile(r'(W/)?"([\x21\x23-\x7e\x80-\xff]*)"')
_LIST = re.compile(rf"[ \t]*(?:{_TAG.pattern})?(?:[ \t]*,[ \t]*(?:{_TAG.pattern})?)*[ \t]*")
_NO_REVISION = 0


def etag(revision: int) -> str:
    """The ETag of a revision.

    >>> etag(3)
    '"r3"'
    """
    return f'"r{revision}"'


def conditional(response: Response) -> Response:
    """The answer to the request at hand, or 304 where the caller has it already.

    Raises `Problem` 412 where the caller wants another one than there is
    (RFC 9110, section 13.1.1, which holds for reading as well).
    """
    response.make_conditional(request)
    if response.status_code == 412:
        raise Problem(412, "It is another one now than the header If-Match asks for.")
    return response


def expected_revision(current: int) -> int:
    """The revision that the request at hand means to change.

    ``current`` is the newest one, which ``*`` stands for. A tag of another kind
    gives 0, which no revision has. Raises `Problem`: 428 without the header
    If-Match, 400 where it is no list of ETags.
    """
    text = ", ".join(request.headers.getlist("If-Match"))
    if not text.strip():
        raise Problem(
            428,
            "Send the ETag that you read in the header If-Match.",
            kind="precondition-required",
        )
    return matched_revision(text, current)


def matched_revision(text: str, current: int) -> int:
    """The revision that an If-Match header means; see `expected_revision`.

    >>> matched_revision('"r2", "r3"', 3), matched_revision('W/"r3"', 3), matched_revision("*", 7)
    (3, 0, 7)
    """
    if text.strip() == "*":
        return current
    if len(text) > 1000 or not _LIST.fullmatch(text):
        raise Problem(400, 'The header If-Match must hold an ETag such as "r3", in quotes, or *.')
    # If-Match compares strongly (RFC 9110, section 13.1.1): a weak tag never matches.
    tags = [found[2] for found in _TAG.finditer(text) if not found[1]]
    if f"r{current}" in tags:
        return current
    for tag in tags:
        if re.fullmatch(r"r[0-9]{1,9}", tag):
            return int(tag[1:])
    return _NO_REVISION
