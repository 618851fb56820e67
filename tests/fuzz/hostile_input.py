"""Hostile input for the readers, and what must hold whatever they are given.

Each `Target` draws input for one reader and checks what came of it: nothing is
raised but the reader's own error, the result is consistent, and processor time
and memory stay within bounds that grow with the input and no faster.
"""

from __future__ import annotations

import signal
import time
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.resources import files
from io import BytesIO, StringIO
from types import FrameType
from typing import Any

import chess
from hostile_collections import PACKERS, check_collection, check_packed, prepared
from hypothesis import strategies as st

from pawnlore.models.labels import LabelError, read_labels
from pawnlore.service.position_lines import LINE_LIMIT, read_position_lines
from pawnlore.structures.catalogue import shipped_catalogue
from pawnlore.structures.pgn_limits import Limits
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.plan_note import NoteError, parse_note
from pawnlore.structures.position_check import skeleton_of_line
from pawnlore.structures.skeleton import SkeletonError, check_masks, pack

LARGEST = 40_000
"""Bytes of the largest input that is drawn; more tells nothing new of growth."""

SECONDS = 10.0
"""Processor seconds for one input: a hundred times what the largest one takes."""

MEMORY = (8 << 20, 600)
"""Bytes that one input may take at the peak: so many, and so many a byte of it."""


class Hang(Exception):
    """An input kept its reader busy beyond all measure."""


class Hunger(Exception):
    """An input made its reader take memory out of proportion."""


@dataclass
class Usage:
    """The most that any one input took."""

    inputs: int = 0
    size: int = 0
    seconds: float = 0.0
    memory: int = 0


def _stop(number: int, frame: FrameType | None) -> None:
    raise Hang(f"one input took more than {SECONDS} s of processor time")


@contextmanager
def bounded(size: int, usage: Usage | None = None) -> Iterator[None]:
    """Raise `Hang` or `Hunger` where the body takes too long or too much."""
    before = signal.signal(signal.SIGVTALRM, _stop)
    tracing = tracemalloc.is_tracing()
    if not tracing:
        tracemalloc.start()
    tracemalloc.reset_peak()
    held, _ = tracemalloc.get_traced_memory()
    begun = time.process_time()
    signal.setitimer(signal.ITIMER_VIRTUAL, SECONDS)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0)
        signal.signal(signal.SIGVTALRM, before)
        taken = time.process_time() - begun
        peak = tracemalloc.get_traced_memory()[1] - held
        if not tracing:
            tracemalloc.stop()
    if usage is not None:
        usage.inputs += 1
        usage.size = max(usage.size, size)
        usage.seconds = max(usage.seconds, taken)
        usage.memory = max(usage.memory, peak)
    if peak > MEMORY[0] + MEMORY[1] * size:
        raise Hunger(f"{peak:,} bytes for an input of {size:,}")


# What is drawn --------------------------------------------------------------------------


def _text(*fragments: str) -> st.SearchStrategy[str]:
    """Fragments in any order with any text between them, and some of them very often.

    The last kind finds what takes time out of proportion.
    """
    fragment = st.sampled_from(fragments)
    mixed = st.lists(fragment | fragment | fragment | st.text(max_size=6), max_size=80)
    piece = st.lists(fragment, min_size=1, max_size=4).map("".join)
    repeated = st.builds(
        lambda head, unit, times, tail: (head + unit * times)[:LARGEST] + tail,
        piece,
        piece,
        st.sampled_from([3, 50, 1100, 20_000]),
        piece,
    )
    return mixed.map("".join) | mixed.map("".join) | mixed.map("".join) | repeated


@st.composite
def _spoilt(draw: st.DrawFn, good: tuple[str, ...], fragments: tuple[str, ...]) -> str:
    """A good text with a few places cut, doubled, exchanged or filled with something else."""
    text = draw(st.sampled_from(good))
    for _ in range(draw(st.integers(1, 6))):
        start = draw(st.integers(0, len(text)))
        end = min(len(text), start + draw(st.integers(0, 12)))
        middle = draw(
            st.sampled_from(fragments) | st.text(max_size=4) | st.just(text[start:end] * 2)
        )
        text = text[:start] + middle + text[end:]
    return text


def _encoded(text: str, encoding: str) -> bytes:
    return text.encode(encoding, "surrogatepass" if encoding.startswith("utf") else "replace")


def _bytes(texts: st.SearchStrategy[str]) -> st.SearchStrategy[bytes]:
    encodings = st.sampled_from(["utf-8"] * 6 + ["utf-8-sig", "utf-16", "latin-1"])
    encoded = st.builds(_encoded, texts, encodings)
    return encoded | encoded | encoded | encoded | st.binary(max_size=400)


def _demo(*path: str) -> str:
    return files("pawnlore.labelled_demo").joinpath(*path).read_text(encoding="utf-8")


def _blocks(text: str, separator: str, most: int) -> tuple[str, ...]:
    return tuple(block for block in text.split(separator) if block.strip())[:most]


_FIELDS = (
    "rnbqkbnr/pppppppp/8/8/8/8/PPPPPPPP/RNBQKBNR", "8/pp3ppp/4p3/8/3P4/8/PP3PPP/8",
    "8/8/8/8/8/8/8/8", "4k3/8/8/2pP4/8/8/8/4K3", "K7/8/k7/44/8/8/8/8", "8/8/8/8/8/8/8/Kk6", "/",
    "8", "44", "p", "P", "k", "K", "Q", "9", "0", "x", "~", " ", "\t", "  ", "\n", "\r\n", "\x0b",
    "\0", "\ufeff", "\u2028", "é", "８", "\x1b[2J", " w", " b", " -", " KQkq", " KQkq -", " e3",
    " c6", " 0 1", " -1", " 99999999999999999999", ";", '"', "\\",
)  # fmt: skip
_OPCODES = (
    *_FIELDS, ' id "x";', ' c0 "unsettled";', ' c0 "carlsbad";', " c0 carlsbad;", ' c1 "both";',
    ' c1 "white";', " c1;", ' c2 "why";', " bm e5;", " bm Qxf7#;", " am e9;", " pv e4 e5;",
    " sv ;", " ce 12;", " acn 1e999;", " acd nan;", " hmvc -1;", " fmvn 0;", ' id "', " id",
    " c0", '"";', "#", "\n#\n", " 9" * 20, "9" * 5000,
)  # fmt: skip
_PGN = (
    "1.", "2...", " ", "\n", "\n\n", "\r", "e4", "e5", "Nf3", "d4", "O-O", "0-0", "--", "Nf9",
    "Nf3 Nf6 Ng1 Ng8 ", "(", ")", "((", "))", "{", "}", "{}", ";", "%", "$", "$3", "$99999999999",
    "!?", "???", "*", "1-0", "1/2", "[", "]", '"', "\\", '[Event "x"]', '[Event "x"]\n\n',
    '[FEN "8/8/8/8/8/8/8/Kk6 w - - 0 1"]\n\n', '[FEN "',
    '[FEN "4k3/8/8/8/8/8/8/4K2R w K - 0 9999"]\n\n', '[Variant "Chess960"]\n', "[Variant",
    "[" * 50, "\0", "\ufeff", "é", "=", "N", "word", "\x1b[2J", "\x1be9", "exd5", "e8=Q", "e8=K",
    "Z0", "1. e4 e5 (1... c5 2. Nf3) 2. Nf3 *\n\n", "P@e4", "e.p.", "9" * 50, ". . .", "…",
    "\u2028", "x" * 300, "1-0 0-1 ", "{a}{b}", "a" * 41,
)  # fmt: skip
_NOTE = (
    "+++\n", "+++", "\n", "\r\n", 'structure = "carlsbad"\n', 'holder = "white"\n',
    'side = "holder"\n', 'title = "T"\n', 'title = 3\n', 'when = { queens = "on" }\n',
    "when = [1]\n", 'squares = ["d5"]\n', 'squares = ["i9"]\n', 'moves = ["b4"]\n',
    'model_line = "1. d4 d5"\n', 'model_line = "1. e5"\n', "x = 1\n", "x = 1979-05-27\n",
    "a.b.c = 1\n", "[", "[[t]]\n", "{", "=", '"', '"""', "'''", "\\", "\0", "# c\n", "text\n",
    'structure = "own/x"\n', "chapter = \"c\"\n", "\x1b[2J", "0x", "1e999", "inf", "é", "\ufeff",
    "x = " + "[" * 300 + "\n",
)  # fmt: skip

_COLLECTION = (
    *_PGN, "\n[Event \"", '[Event "x"]\n[Event "y"]\n', '[Result "1-0"]\n', '[Result "2-0"]\n',
    '[Date "1999.??.??"]\n', '[Date "99999.01.01"]\n', '[WhiteElo "2500"]\n', '[WhiteElo "-1"]\n',
    '[WhiteElo "99999"]\n', '[White "\\"]\n', '[White "\\"\\""]\n', "[Site \"\x1b[2J\"]\n",
    '[Variant "\x1b[2J"]\n', '[Variant "Atomic"]\n', '[FEN "\x07"]\n', " 1/2-1/2\n\n",
    " 1/2-1/2\n", "1-0\n\n1. d4 d5 0-1\n\n", "\n\n1. e4 e5", "\r\n\r\n", "\n \n", "\n%x\n", "xd5",
    "1-0!", "01-0", "--", "Z0", "e8=Q+", "{\n[Event \"in\"]\n}", '{\n[Event "out', "1.e4e5", "1...",
)  # fmt: skip
_LINES = tuple(
    line for line in _demo("positions.epd").splitlines() if line and not line.startswith("#")
)[::40]
_FENS = tuple(line.split(" id ")[0] + " 0 1" for line in _LINES)
_COLLECTIONS = (
    "".join(
        f"[Event{game}\n\n" for game in _demo("repertoire", "05-exercises.pgn").split("[Event")[1:4]
    ),
    '[Event "a"]\n[White "A"]\n[Result "1-0"]\n[ECO "C40"]\n\n1. e4 e5 2. Nf3 d6 3. d4 exd4 1-0\n\n'
    '[Event "b"]\n[FEN "8/P6k/8/3pP3/8/8/p6K/8 w - d6 0 40"]\n[SetUp "1"]\n\n40. exd6 a1=Q '
    '41. a8=R *\n\n[Event "c"]\n\n1. d4 {x} (1. c4 c5) d5 2. c4 dxc4 1/2-1/2\n\n',
    '[Event "d"]\r\n\r\n1.d4 d5 2.c4 e6 3.Nc3 Nf6 4.cxd5 exd5 5.Bg5\r\nc6 6.e3 Be7 1/2-1/2\r\n\r\n'
    '[Event "e"]\r\n\r\n1.e4 c5 2.Nf3 d6 3.d4 cxd4 4.Nxd4 Nf6 5.Nc3 e6 0-1\r\n',
)
_GAMES = _blocks(_demo("repertoire", "02-slav-and-accepted.pgn"), "\n\n[Event", 12)
_NOTES = tuple(
    _demo("notes", name)
    for name in (
        "carlsbad-minority-attack.md",
        "benko-with-the-extra-pawn.md",
        "hedgehog-from-the-outside.md",
    )
)


# What must hold -------------------------------------------------------------------------


def check_position_line(text: str) -> None:
    """`skeleton_of_line` gives a valid skeleton or its own error in words."""
    try:
        skeleton = skeleton_of_line(text)
    except SkeletonError as error:
        assert str(error).isprintable()
        assert 0 < len(str(error)) < 500
    else:
        check_masks(pack([skeleton]))


def check_position_stream(data: bytes) -> None:
    """Every line gives one value in order, and what is wrong is said in print."""
    found = list(read_position_lines(BytesIO(data)))
    assert len(found) == len(BytesIO(data).readlines())
    for number, line in enumerate(found, 1):
        assert line.number == number
        assert (line.skeleton is None) == bool(line.error)
        assert len(line.text) <= LINE_LIMIT
        assert line.text.replace("\t", "").isprintable()
        if not line.error:
            check_masks(pack([line.skeleton or (0, 0)]))


def check_labels(text: str) -> None:
    """A label file is taken whole, with valid skeletons, or refused in words."""
    try:
        labels = read_labels(text, shipped_catalogue())
    except LabelError as error:
        messages = str(error).split("\n")
        assert all(message.startswith("labels, line ") for message in messages)
        assert all(message.isprintable() for message in messages)
    else:
        check_masks(labels.masks)
        assert len(labels) == labels.masks.shape[0] == len(labels.epd)


SMALL = Limits(
    line=200, pieces=5, comment=40, depth=3, headers=3, game_nodes=20, nodes=60, problems=5
)


def check_pgn(data: bytes) -> None:
    """No file is too bad for the PGN reader, with our limits or with narrow ones."""
    for limits in (Limits(), SMALL):
        _check_book(BytesIO(data), limits)


def check_pgn_text(text: str) -> None:
    """The same for a stream of text, which may hold what no encoding can."""
    _check_book(StringIO(text), Limits())


def _check_book(stream: BytesIO | StringIO, limits: Limits) -> None:
    book = read_repertoire([stream], with_fen=True, with_keys=True, limits=limits)
    count = len(book)
    assert count <= limits.nodes
    assert len(book.problems) <= limits.problems
    assert sum(game.count for game in book.games) == count
    assert len(book.ply) == len(book.moves) == count
    assert len(book.fens or []) == len(book.positions or []) == count
    assert all(above < node for node, above in enumerate(book.parent))
    assert all(0 <= node < count for node in (*book.comments, *book.glyphs, *book.varies))
    check_masks(book.masks)
    # A terminal obeys control characters, so none may come out of a file in a message.
    assert all(str(problem).isprintable() for problem in book.problems)
    assert all(len(str(problem)) < 1000 for problem in book.problems)
    for game in book.games:
        assert len(game.headers) <= limits.headers
        assert game.count <= limits.game_nodes
        assert book.parent[game.first] == -1
    # The columns agree with the rules of chess: each move leads to its node's position.
    for node in range(min(count, 40)):
        if book.fens is not None and book.parent[node] >= 0 and book.moves[node] != "--":
            board = chess.Board(book.fens[book.parent[node]])
            board.push(board.parse_san(book.moves[node]))
            assert board.board_fen() == book.fens[node].split()[0]


def check_note(text: str) -> None:
    """A note is read and kept unchanged, or refused with every reason."""
    try:
        note = parse_note(text)
    except NoteError as error:
        assert error.messages
        assert all(message and message.isprintable() for message in error.messages)
    else:
        assert note.text == text


@st.composite
def _packed(draw: st.DrawFn) -> bytes:
    """A collection, packed or not, and often with some of its bytes spoilt or its end cut off."""
    text = draw(_bytes(_spoilt(_COLLECTIONS, _COLLECTION))) * draw(st.sampled_from([1, 1, 1, 9]))
    data = PACKERS[draw(st.sampled_from(sorted(PACKERS)))](text)
    if draw(st.booleans()):
        data = data[: draw(st.integers(0, len(data)))]
    for _ in range(draw(st.integers(0, 2))):
        at = draw(st.integers(0, len(data)))
        data = data[:at] + draw(st.binary(max_size=3)) + data[at + draw(st.integers(0, 3)) :]
    return data


@dataclass(frozen=True)
class Target:
    """One reader: what it is given and what must hold then.

    ``prepare`` makes, once, what all inputs share.
    """

    name: str
    inputs: st.SearchStrategy[Any]
    check: Callable[[Any], None]
    prepare: Callable[[], object] = lambda: None

    def run(self, data: Any, usage: Usage | None = None) -> None:
        """Check one input within the bounds of time and memory."""
        self.prepare()
        with bounded(len(data), usage):
            self.check(data)


TARGETS = {
    target.name: target
    for target in (
        Target("fen", _spoilt(_FENS, _FIELDS) | _text(*_FIELDS), check_position_line),
        Target("lines", _bytes(_spoilt(_FENS, _FIELDS) | _text(*_FIELDS)), check_position_stream),
        Target("epd", _spoilt(_LINES, _OPCODES) | _text(*_OPCODES, *_LINES), check_labels),
        Target("pgn", _bytes(_spoilt(_GAMES, _PGN) | _text(*_PGN)), check_pgn),
        Target("pgn-text", _spoilt(_GAMES, _PGN) | _text(*_PGN), check_pgn_text),
        Target(
            "collection",
            _bytes(_spoilt(_COLLECTIONS, _COLLECTION) | _text(*_COLLECTION)),
            check_collection,
            prepared,
        ),
        Target("packed", _packed(), check_packed, prepared),
        Target("note", _spoilt(_NOTES, _NOTE) | _text(*_NOTE), check_note),
    )
}
"""Every reader of untrusted text, by name."""
