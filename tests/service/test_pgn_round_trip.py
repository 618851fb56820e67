"""What survives reading a repertoire and writing it back."""

from __future__ import annotations

import io

import chess
import chess.pgn
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from repertoires import by_cores

from pawnlore.service.exports.pgn import COLUMNS, write_repertoire
from pawnlore.service.exports.tag_comments import is_tag, with_tags, without_tags
from pawnlore.structures.distinct_verdicts import distinct_verdicts
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.repertoire import Comment, Repertoire


def read(text: str) -> Repertoire:
    return read_repertoire([io.StringIO(text)])


def written(book: Repertoire) -> str:
    return "".join(write_repertoire(book))


# Texts that are made of everything an author may write --------------------------------

_WORDS = st.text(
    st.characters(codec="utf-8", exclude_characters="}\0\r\ufeff", exclude_categories=["Cs"]),
    max_size=30,
).filter(lambda text: "[Event" not in text)
_LINES = st.text(
    st.characters(codec="utf-8", exclude_characters="\0\r\n\ufeff", exclude_categories=["Cs"]),
    max_size=20,
)
_HEADER = st.tuples(st.sampled_from(["Event", "Site", "White", "Annotator"]), _LINES)


@st.composite
def comments(draw: st.DrawFn) -> str:
    if draw(st.booleans()):
        return "{" + draw(_WORDS) + "}"
    return ";" + draw(_LINES) + "\n"


@st.composite
def after_move(draw: st.DrawFn) -> list[str]:
    glyphs = draw(st.lists(st.integers(0, 255), max_size=2))
    return [f"${glyph}" for glyph in glyphs] + draw(st.lists(comments(), max_size=2))


@st.composite
def lines(draw: st.DrawFn, board: chess.Board, depth: int) -> list[str]:
    words: list[str] = []
    for _ in range(draw(st.integers(1, 4))):
        moves = sorted(board.legal_moves, key=str)
        if not moves:
            break
        move = draw(st.sampled_from(moves))
        words.append(board.san(move))
        words += draw(after_move())
        if depth:
            for _ in range(draw(st.integers(0, 2))):
                words.append("(")
                words += draw(st.lists(comments(), max_size=1))
                words += draw(lines(board.copy(), depth - 1))
                words.append(")")
                words += draw(st.lists(comments(), max_size=1))
        board.push(move)
    return words


@st.composite
def games(draw: st.DrawFn) -> str:
    named = {name: value for name, value in draw(st.lists(_HEADER, min_size=1, max_size=4))}
    headers = "".join(
        f'[{name} "' + value.replace("\\", "\\\\").replace('"', '\\"') + '"]\n'
        for name, value in named.items()
    )
    words = draw(st.lists(comments(), max_size=2)) + draw(lines(chess.Board(), 2))
    result = draw(st.sampled_from(["1-0", "0-1", "1/2-1/2", "*"]))
    return headers + "\n" + " ".join([*words, result]) + "\n\n"


texts = st.lists(games(), min_size=1, max_size=2).map("".join)

few = settings(max_examples=40, suppress_health_check=[HealthCheck.too_slow])
"""Whole games are slow to make."""


def same(one: Repertoire, other: Repertoire) -> None:
    assert other.parent == one.parent
    assert other.ply == one.ply
    assert other.moves == one.moves
    assert other.pawns == one.pawns
    assert other.comments == one.comments
    assert other.glyphs == one.glyphs
    assert other.varies == one.varies
    assert [game.headers for game in other.games] == [game.headers for game in one.games]
    assert [game.result for game in other.games] == [game.result for game in one.games]
    assert [game.preamble for game in other.games] == [game.preamble for game in one.games]


@few
@given(texts)
def test_reading_writing_and_reading_again(text: str) -> None:
    book = read(text)
    assert book.problems == []
    again = written(book)
    same(book, read(again))
    assert written(read(again)) == again


@few
@given(texts, st.booleans())
def test_tags_come_out_again(text: str, every: bool) -> None:
    book = read(text)
    plain = written(book)
    tags = with_tags(book, distinct_verdicts(book, by_cores), every=every)
    tagged_text = "".join(write_repertoire(book, tags))
    tagged = read(tagged_text)
    assert "".join(write_repertoire(tagged, without_tags(tagged))) == plain
    # Tagging a tagged repertoire changes nothing.
    again = with_tags(tagged, distinct_verdicts(tagged, by_cores), every=every)
    assert "".join(write_repertoire(tagged, again)) == tagged_text
    if every:
        count = sum(is_tag(c) for said in tagged.comments.values() for c in said)
        assert count == len(tagged)


# Single cases --------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "1. e4 (1. d4 (1. c4 c5) {x} 1... d5) (1. Nf3) {after two} 1... e5 *",
        "{intro} 1. e4 {a } {b} 1... e5 ({start} 1... c5 $1 $1) 2. Nf3 1-0",
        '[Event "A \\"B\\" \\\\"]\n[Site "a"]\n[Site "twice"]\n\n1. e4 *',
        '[FEN "4k3/8/8/8/8/8/4P3/4K3 b - - 0 12"]\n\n12... Kd7 13. e4 -- 14. Kf2 *',
        "1. e4 ;semi } colon\n1... e5 (1... c5 ;end\n) *",
        '; before\n[Event "A"]\n\n*',
    ],
)
def test_texts_that_come_back_as_they_were(text: str) -> None:
    assert written(read(text)) == text + "\n\n"


def test_lines_are_filled_to_80_columns_and_no_more() -> None:
    # Source: Edwards (1994), section 8.2.1: movetext of the export format has
    # lines of fewer than 80 printing characters; here 80 with the last.
    moves = " ".join(["Nf3 Nf6 Ng1 Ng8"] * 60)
    deep = "1. e4 " + "(1. d4 " * 90 + ")" * 90
    for text in (moves, deep):
        widths = [len(line) for line in written(read(text)).splitlines()]
        assert max(widths) <= COLUMNS
        assert min(widths[:-2]) > COLUMNS - 12


def test_a_comment_is_not_wrapped() -> None:
    comment = "a long story " * 40
    text = written(read("1. e4 {" + comment + "} e5 *"))
    assert comment in text


def test_a_comment_with_a_closing_brace_becomes_the_other_kind() -> None:
    book = read("1. e4 e5 *")
    text = "".join(write_repertoire(book, {1: [Comment("a } b")]}))
    assert text == "1. e4 ;a } b\n1... e5 *\n\n"


def test_a_missing_result_is_taken_from_the_header() -> None:
    assert written(read('[Result "0-1"]\n\n1. e4')).endswith("1. e4 0-1\n\n")
    assert written(read("1. e4")).endswith("1. e4 *\n\n")


@few
@given(texts)
def test_python_chess_reads_what_we_write(text: str) -> None:
    book = read(text)
    # python-chess drops comments after a semicolon, whatever stands in them.
    handle = io.StringIO("".join(write_repertoire(book, {})))
    for game in book.games:
        other = chess.pgn.read_game(handle)
        assert other is not None
        assert other.errors == []
        count, todo = 0, [other.root()]
        while todo:
            node = todo.pop()
            count += 1
            todo.extend(node.variations)
        # It joins variations that begin with the same move; we keep them apart.
        assert count <= game.count


def test_an_authors_comment_is_not_taken_for_a_tag() -> None:
    for text in (
        "Pawnlore: a nice word",
        "hanging pawns, held by White, probability 0.97.",
        "Pawnlore: hanging pawns, held by White, probability 0.97, I think.",
        " Pawnlore: no settled structure, probability 0.97.",
    ):
        assert not is_tag(Comment(text))
    assert not is_tag(Comment("Pawnlore: no settled structure, probability 0.97.", semicolon=True))
