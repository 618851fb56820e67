"""The body of a plan note, which is CommonMark, as HTML and as plain text.

Raw HTML in a note is shown as text. Pictures are not fetched: what stands for
them is shown, so that reading a note asks no other machine for anything. Of
links only web and mail addresses can be followed.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from typing import TYPE_CHECKING

from markdown_it import MarkdownIt

from pawnlore.service.html_text import clean

if TYPE_CHECKING:
    from collections.abc import Sequence

    from markdown_it.token import Token

_FOLLOWED = ("http://", "https://", "mailto:")


def note_html(body: str, *, heading: int = 4) -> str:
    r"""A note's body as HTML; its largest headings become ``h4``, or ``heading``.

    >>> note_html("The *break* <b>d5</b>.")
    '<p>The <em>break</em> &lt;b&gt;d5&lt;/b&gt;.</p>\n'
    """
    parser = _parser()
    tokens = parser.parse(clean(body))
    for token in tokens:
        if token.type in ("heading_open", "heading_close"):
            token.tag = f"h{min(6, int(token.tag[1:]) - 1 + heading)}"
    return str(parser.renderer.render(tokens, parser.options, {}))


def note_paragraphs(body: str) -> list[str]:
    r"""A note's body as plain text, a line for each paragraph, list item or heading.

    >>> note_paragraphs("Play *d5*.\n\n1. `Rab1` first\n2. then\n   b4")
    ['Play d5.', '1. Rab1 first', '2. then b4']
    """
    return list(_paragraphs(_parser().parse(clean(body))))


@cache
def _parser() -> MarkdownIt:
    parser = MarkdownIt("commonmark", {"html": False, "maxNesting": 20})
    parser.disable("image")
    parser.validateLink = _may_be_followed  # type: ignore[method-assign]
    return parser


def _may_be_followed(url: str) -> bool:
    return url.strip().lower().startswith(_FOLLOWED)


def _paragraphs(tokens: Sequence[Token]) -> Iterator[str]:
    lists: list[int | None] = []
    mark = ""
    for token in tokens:
        if token.type == "ordered_list_open":
            lists.append(int(token.attrGet("start") or 1))
        elif token.type == "bullet_list_open":
            lists.append(None)
        elif token.type in ("ordered_list_close", "bullet_list_close"):
            lists.pop()
        elif token.type == "list_item_open":
            number = lists[-1]
            mark = "- " if number is None else f"{number}. "
            if number is not None:
                lists[-1] = number + 1
        elif token.type in ("inline", "code_block", "fence"):
            words = " ".join(_words(token).split())
            if words:
                yield mark + words
                mark = ""


def _words(token: Token) -> str:
    if token.children is None:
        return token.content
    # A line break between two words is a space.
    return "".join(
        " " if child.type in ("softbreak", "hardbreak") else child.content
        for child in token.children
    )
