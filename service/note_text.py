"""The body of a plan note, which is CommonMark, as HTML and as plain text.

Raw HTML in a note is shown as text. Pictures are not fetched: what stands for
them is shown, so that reading a note asks no other machine for anything. Of
links only web and mail addresses can be followed. What a note can cost is
bounded: beyond `MOST_MARKS` signs of markup its text is shown as it was written.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from typing import TYPE_CHECKING

from markdown_it import MarkdownIt
from markdown_it.rules_core import StateCore
from markdown_it.token import Token

from pawnlore.service.html_text import clean

if TYPE_CHECKING:
    from collections.abc import Sequence

MOST_MARKS = 20_000
"""Signs of markup within the paragraphs of one note that are looked at.

A note of 100,000 signs with a mark at every fifth has as many; each can cost
hundreds of times what a letter does.
"""

_FOLLOWED = ("http://", "https://", "mailto:")
_MARK = re.compile(r"[\[\]*_`<!&\\]")


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
    parser.core.ruler.at("inline", _marked_text)
    parser.validateLink = _may_be_followed  # type: ignore[method-assign]
    return parser


def _marked_text(state: StateCore) -> None:
    """Read the markup of paragraphs, while there are no more signs of it than may be."""
    left = MOST_MARKS
    for token in state.tokens:
        if token.type != "inline":
            continue
        left -= len(_MARK.findall(token.content))
        if left >= 0:
            token.children = []
            state.md.inline.parse(token.content, state.md, state.env, token.children)
        else:
            token.children = [Token("text", "", 0, content=token.content)]


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
