"""The accounts of a workbook: nothing of a repertoire is lost, and nothing is invented.

Random repertoires transpose, nest their variations and hold null moves. What is
counted here is counted a second time by python-chess, which reads the same text
with code of its own.
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections import Counter

import chess.pgn
from hypothesis import given, settings
from hypothesis import strategies as st
from repertoires import by_cores, demo, random_texts, read

from pawnlore.service.exports import group_table, node_table, owed_table
from pawnlore.service.exports.pgn import write_repertoire
from pawnlore.service.exports.split import split_files
from pawnlore.service.exports.tag_comments import with_tags
from pawnlore.service.workbook import Workbook, make_workbook
from pawnlore.structures.merged_tree import merged_tree
from pawnlore.structures.owed import owed
from pawnlore.structures.repertoire import Repertoire
from pawnlore.structures.repertoire_side import SIDES, given_side

Line = tuple[str, ...]
SAID = re.compile(r"only a move order|\bthere\b|\bhere\b")
"""All that the comments of the drawn repertoires say."""


class Account(Counter[tuple[str, ...]]):
    """What a text holds: lines, and comments and glyphs by the line that they stand on."""


def python_chess_account(text: str) -> tuple[int, Account, Account, Account]:
    """Nodes, and each line, comment and glyph with how often it is there."""
    nodes, lines, comments, glyphs = 0, Account(), Account(), Account()
    handle = io.StringIO(text)
    while (game := chess.pgn.read_game(handle)) is not None:
        assert not game.errors
        stack: list[tuple[chess.pgn.GameNode, Line]] = [(game, ())]
        while stack:
            node, line = stack.pop()
            nodes += 1
            # It joins the comments of one move, so they are told by their words.
            for words in SAID.findall(" ".join(node.comment.split())):
                comments[(*line, words)] += 1
            for glyph in node.nags:
                glyphs[(*line, str(glyph))] += 1
            if not node.variations:
                lines[line] += 1
            stack += [(below, (*line, below.san())) for below in node.variations]
    return nodes, lines, comments, glyphs


def our_account(book: Repertoire) -> tuple[int, Account, Account, Account]:
    """The same, of a repertoire that our own reader has read."""
    lines, comments, glyphs = Account(), Account(), Account()
    paths = {node: tuple(book.moves[step] for step in book.line(node)[1:]) for node in _told(book)}
    for leaf in book.leaves.tolist():
        lines[paths[leaf]] += 1
    for node, said in book.comments.items():
        for comment in said:
            for words in SAID.findall(" ".join(comment.text.split())):
                comments[(*paths[node], words)] += 1
    for node, found in book.glyphs.items():
        for glyph in found:
            glyphs[(*paths[node], str(glyph))] += 1
    return len(book), lines, comments, glyphs


def _told(book: Repertoire) -> set[int]:
    return {*book.leaves.tolist(), *book.comments, *book.glyphs}


GLYPHS = ("$1", "$2", "$5", "$6", "$14")


@st.composite
def marked_texts(draw: st.DrawFn) -> str:
    """Random repertoires with glyphs at some of their moves."""
    words = draw(random_texts).split(" ")
    dice = draw(st.randoms(use_true_random=False))
    out = []
    for word in words:
        out.append(word)
        # A word of its own that begins with a piece or a file is a move.
        if word[:1] in tuple("abcdefghNBRQKO") and dice.random() < 0.2 and _is_move(word):
            out.append(dice.choice(GLYPHS))
    return " ".join(out)


def _is_move(word: str) -> bool:
    return any(sign.isdigit() for sign in word) or word.startswith("O-O")


def work_of(text: str, side: str) -> Workbook:
    book = read(text)
    assert not book.problems
    return make_workbook(book, by_cores, given_side(book, side))


@given(marked_texts(), st.sampled_from(SIDES))
def test_groups_hold_every_line_exactly_once(text: str, side: str) -> None:
    work = work_of(text, side)
    _, lines, _, _ = python_chess_account(text)
    placed = [leaf for group in work.groups.groups for leaf in group.lines]
    assert sorted(placed) == work.book.leaves.tolist() and len(set(placed)) == len(placed)
    assert len(placed) == sum(lines.values()) == len(work.paths)
    for group in work.groups.groups:
        assert sum(route.lines for route in group.chapters) == len(group.lines)
        assert set(group.move_orders) <= set(group.lines) and group.model_line in group.lines
    table = list(csv.DictReader(io.StringIO("".join(group_table.line_csv_rows(work)))))
    assert len(table) == len(placed)
    whole = [json.loads(row) for row in group_table.json_lines(work)]
    told = [(end["file"], end["game"], end["node"]) for row in whole for end in row["line_ends"]]
    assert len(told) == len(set(told)) == len(placed)


@given(marked_texts())
def test_tags_lose_nothing_and_invent_nothing(text: str) -> None:
    work = work_of(text, "white")
    book = work.book
    before = python_chess_account(text)
    assert our_account(book) == before
    rows = list(csv.DictReader(io.StringIO("".join(node_table.csv_rows(book, work.distinct)))))
    assert len(rows) == before[0]
    tagged = "".join(write_repertoire(book, with_tags(book, work.distinct, every=True)))
    assert python_chess_account(tagged) == our_account(read(tagged)) == before
    assert tagged.count("Pawnlore:") == before[0]


@settings(deadline=None)
@given(marked_texts(), st.sampled_from(SIDES))
def test_a_split_has_every_line_comment_and_glyph_and_no_others(text: str, side: str) -> None:
    work = work_of(text, side)
    _, lines, comments, glyphs = python_chess_account(text)
    files = list(split_files(work))
    assert len(files) == len(work.groups) and len({file.name for file in files}) == len(files)
    owner: dict[Line, set[int]] = {}
    for place, group in enumerate(work.groups.groups):
        for leaf in group.lines:
            line = tuple(work.book.moves[node] for node in work.book.line(leaf)[1:])
            owner.setdefault(line, set()).add(place)
    seen_comments: set[tuple[str, ...]] = set()
    seen_glyphs: set[tuple[str, ...]] = set()
    for place, file in enumerate(files):
        nodes, here, said, marked = python_chess_account(file.text)
        assert nodes == file.nodes
        # Equal lines are merged, and one that another goes on from is a part of it.
        whole = {line for line, places in owner.items() if place in places}
        assert set(here) <= whole and max(here.values()) == 1
        assert all(any(end[: len(line)] == line for end in here) for line in whole)
        seen_comments |= set(said)
        seen_glyphs |= set(marked)
    assert seen_comments == set(comments)
    assert seen_glyphs == set(glyphs)
    assert sum(file.lines for file in files) == sum(lines.values())


@given(marked_texts())
def test_a_merge_of_all_lines_has_every_node_once(text: str) -> None:
    book = read(text)
    _, lines, comments, glyphs = python_chess_account(text)
    merged = merged_tree(book, book.leaves.tolist(), [("Event", "All")])
    written = "".join(write_repertoire(merged.book))
    nodes, here, said, marked = python_chess_account(written)
    prefixes = {line[:end] for line in lines for end in range(len(line) + 1)}
    assert nodes == len(prefixes) == len(merged.book)
    assert set(here) == {line for line in lines if not _goes_on(line, lines)}
    assert set(said) == set(comments) and set(marked) == set(glyphs)


def _goes_on(line: Line, lines: Account) -> bool:
    return any(len(other) > len(line) and other[: len(line)] == line for other in lines)


@given(marked_texts(), st.sampled_from(SIDES))
def test_what_is_owed_is_told_alike_in_every_format(text: str, side: str) -> None:
    work = work_of(text, side)
    debts = owed(work.book, work.verdicts, work.paths, work.groups, work.side, ())
    rows = list(csv.DictReader(io.StringIO("".join(owed_table.csv_rows(work, debts)))))
    objects = [json.loads(line) for line in owed_table.json_lines(work, debts)]
    assert len(rows) == len(objects) == len(debts)
    for row, told in zip(rows, objects, strict=True):
        assert row == {key: "" if value is None else str(value) for key, value in told.items()}
    page = "".join(owed_table.digest(work, debts, 0, every=True))
    squeezed = " ".join(page.split())
    for debt in debts:
        assert " ".join(debt.what.split()) in squeezed
        assert " ".join(debt.closes.split()) in squeezed
    # A line that ends nowhere near a structure owes one, unless another takes it further.
    short = {debt.node for debt in debts if debt.kind == "no-structure"}
    loose = {leaf for group in work.groups.groups if not group.settled for leaf in group.lines}
    assert short <= loose


def test_the_invented_course_adds_up() -> None:
    book = demo()
    work = make_workbook(book, by_cores, given_side(book, "white"))
    files = list(split_files(work))
    lines = {
        tuple(book.moves[node] for node in book.line(leaf)[1:]) for leaf in book.leaves.tolist()
    }
    written = Counter(line for file in files for line in python_chess_account(file.text)[1])
    exercise = [game for game in book.games if game.fen]
    assert len(exercise) == 1 and len(lines) == 75
    assert all(any(line[: len(one)] == one for line in written) for one in lines)
    assert sum(file.lines for file in files) == 75
