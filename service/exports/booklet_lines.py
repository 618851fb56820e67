"""The lines of one middlegame type in print: moves, glyphs and comments.

The first line of a chapter stands whole; a later one begins where it leaves the
line before it. Every line has a label, such as 3.2, to which others refer.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from pawnlore.service.comment_words import comment_words
from pawnlore.service.html_text import html_text
from pawnlore.service.workbook import Workbook
from pawnlore.structures.groups import Group
from pawnlore.structures.line_text import numbered
from pawnlore.structures.repertoire import Comment, Repertoire

GLYPHS = {
    1: "!", 2: "?", 3: "!!", 4: "??", 5: "!?", 6: "?!", 7: "(only move)", 8: "(only move)",
    10: "=", 13: "(unclear)", 14: "+/=", 15: "=/+", 16: "+/−", 17: "−/+", 18: "+−", 19: "−+",
    146: "N",
}  # fmt: skip
"""Glyphs as books print them: numbers of the PGN standard (1994, section 10), from memory.

Only signs that every reader's fonts have.
"""

SETTLES = "◆"
"""Stands before the move with which the line's structure settles."""


class LineLabels:
    """Names for lines: the type's number and the line's place in it."""

    def __init__(self, work: Workbook, order: Sequence[Group]) -> None:
        self.book = work.book
        self._labels: dict[int, str] = {}
        for number, group in enumerate(order, 1):
            for place, leaf in enumerate(by_chapter(work, group), 1):
                self._labels[leaf] = f"{number}.{place}"

    def of_leaf(self, leaf: int) -> str:
        """The label of the line that ends there."""
        return self._labels[leaf]

    def through(self, node: int) -> str:
        """The label of the main line that goes on from a node."""
        return self._labels[main_end(self.book, node)]

    def link(self, node: int) -> str:
        """A reference to the main line that goes on from a node, as HTML."""
        label = self.through(node)
        return f'<a href="#{anchor(label)}">line {label}</a>'


def by_chapter(work: Workbook, group: Group) -> list[int]:
    """The last nodes of a group's lines, in the order in which they are printed."""
    return sorted(group.lines)


def main_end(book: Repertoire, node: int) -> int:
    """Where the main line goes that continues from a node."""
    while below := book.children(node):
        node = below[0]
    return node


def anchor(label: str) -> str:
    """Where a line stands in the page."""
    return f"line-{label.replace('.', '-')}"


def lines_html(
    work: Workbook, group: Group, labels: LineLabels, onward: dict[int, int]
) -> Iterator[str]:
    """A group's lines, chapter by chapter. ``onward`` tells where move orders lead."""
    book = work.book
    leaves = by_chapter(work, group)
    for route in sorted(group.chapters, key=lambda route: route.game):
        nodes = book.games[route.game].nodes
        inside = [leaf for leaf in leaves if leaf in nodes]
        many = f"{len(inside)} line{'' if len(inside) == 1 else 's'}"
        yield f'<h4><bdi>{html_text(route.chapter)}</bdi> <span class="count">{many}</span></h4>\n'
        shown: set[int] = set()
        for leaf in inside:
            yield _line(work, group, leaf, shown, labels, onward)


def _line(
    work: Workbook,
    group: Group,
    leaf: int,
    shown: set[int],
    labels: LineLabels,
    onward: dict[int, int],
) -> str:
    book, index = work.book, work.paths.index(leaf)
    path = book.line(leaf)
    new = [node for node in path if node not in shown]
    shown.update(new)
    settles = int(work.paths.settles_at[index])
    label = labels.of_leaf(leaf)
    words = [f'<span class="label">{label}</span>']
    if new[0] != path[0]:
        words.append('<span class="leaves" aria-label="instead">…</span>')
    number_next = True
    for node in new:
        comments = [_said(comment) for comment in book.comments.get(node, ()) if comment.before]
        words += comments
        if book.parent[node] >= 0:
            mark = f'<span class="settles">{SETTLES}</span>' if node == settles else ""
            move = _move(book, node, with_number=number_next or any(comments))
            words.append(f"{mark}{move}")
        after = [_said(comment) for comment in book.comments.get(node, ()) if not comment.before]
        words += after
        number_next = any(after)
    words.append(_end(work, group, leaf, labels, onward))
    text = " ".join(word for word in words if word)
    return f'<p class="line" id="{anchor(label)}">{text}</p>\n'


def _move(book: Repertoire, node: int, *, with_number: bool) -> str:
    black = book.ply[book.parent[node]] % 2
    text = numbered(book, node) if with_number or not black else book.moves[node]
    glyphs = [GLYPHS.get(glyph, f" ${glyph}") for glyph in book.glyphs.get(node, ()) if glyph]
    close = [glyph for glyph in glyphs if set(glyph) <= set("!?")]
    apart = [glyph for glyph in glyphs if glyph not in close]
    return f'<span class="move">{html_text("".join([text, *close]))}</span>' + "".join(
        f" {html_text(glyph.strip())}" for glyph in apart
    )


def _said(comment: Comment) -> str:
    text = comment_words(comment)
    return f'<span class="said">{html_text(text)}</span>' if text else ""


def _end(
    work: Workbook, group: Group, leaf: int, labels: LineLabels, onward: dict[int, int]
) -> str:
    """What becomes of a line after its last move."""
    book = work.book
    if leaf in onward:
        target = onward[leaf]
        chapter = book.game_of(target).chapter
        other = "" if book.game_of(leaf) is book.game_of(target) else f" of “{chapter}”"
        after = "the starting position" if book.parent[target] < 0 else numbered(book, target)
        return (
            f'<span class="end">→ goes on as {labels.link(target)} after '
            f"{html_text(after)}<bdi>{html_text(other)}</bdi></span>"
        )
    path = work.paths.path(work.paths.index(leaf))
    if path.middlegame is None:
        passed = ", ".join(work.name_of(one) for one in path.passed)
        told = f"passes {passed}" if passed else "no structure on the way"
        return f'<span class="end">({html_text(told)})</span>'
    if path.ending is not None and path.ending != path.middlegame:
        whose = {"white": ", White’s", "black": ", Black’s", "both": ""}[path.ending.holder]
        told = f"ends in: {work.name_of(path.ending.structure)}{whose}"
        return f'<span class="end">({html_text(told)})</span>'
    return ""
