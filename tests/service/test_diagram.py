"""Diagrams: what is drawn where, read back from the drawing.

python-chess says what stands where; the standard library's XML parser reads the
drawing. That a1 is dark is in the FIDE Laws of Chess, article 2.1.
"""

from __future__ import annotations

import colorsys
import random
import re
import xml.etree.ElementTree as ET
from pathlib import Path

import chess
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pawnlore.service.diagram import (
    board_svg,
    diagram_parts,
    position_in_words,
    skeleton_svg,
)
from pawnlore.service.diagram_grid import SQUARE
from pawnlore.service.diagram_marks import SHAPES, Arrow, Mark, legend_html
from pawnlore.structures.skeleton import Skeleton

NS = "{http://www.w3.org/2000/svg}"
PIECE = re.compile(r"#pl-(l?)([wb])([pnbrqk])$")


def parsed(picture: str) -> ET.Element:
    return ET.fromstring(picture)


def square_at(x: float, y: float, orientation: str) -> int:
    file, rank = int(x // SQUARE), 7 - int(y // SQUARE)
    return chess.square(file, rank) if orientation == "white" else chess.square(7 - file, 7 - rank)


def pieces_of(picture: str, orientation: str = "white") -> dict[int, tuple[str, bool]]:
    """Each square's piece and whether it is drawn light."""
    found = {}
    for use in parsed(picture).iter(f"{NS}use"):
        match = PIECE.match(use.get("href", ""))
        if match:
            square = square_at(float(use.get("x", "")), float(use.get("y", "")), orientation)
            symbol = match[3].upper() if match[2] == "w" else match[3]
            assert square not in found
            found[square] = (symbol, bool(match[1]))
    return found


boards = st.integers(0, 2**32 - 1).map(lambda seed: _board(random.Random(seed)))


def _board(dice: random.Random) -> chess.Board:
    board = chess.Board()
    for _ in range(dice.randint(0, 80)):
        moves = list(board.legal_moves)
        if not moves:
            break
        board.push(dice.choice(moves))
    return board


@given(boards, st.sampled_from(["white", "black"]), st.booleans())
def test_every_piece_stands_where_the_board_has_it(
    board: chess.Board, orientation: str, light: bool
) -> None:
    view = "skeleton" if light else "position"
    picture = board_svg(board.fen(), orientation=orientation, view=view)
    expected = {
        square: (piece.symbol(), light and piece.piece_type != chess.PAWN)
        for square, piece in board.piece_map().items()
    }
    assert pieces_of(picture, orientation) == expected


@given(boards, st.sampled_from(["position", "skeleton"]))
def test_a_diagram_alone_holds_all_its_parts_and_a_page_can_share_them(
    board: chess.Board, view: str
) -> None:
    alone = parsed(board_svg(board.fen(), view=view))
    names = {one.get("id") for one in alone.iter() if one.get("id")}
    assert {use.get("href", "")[1:] for use in alone.iter(f"{NS}use")} <= names

    shared = parsed(board_svg(board.fen(), view=view, standalone=False))
    parts = [one.get("id") for one in parsed(diagram_parts()).iter() if one.get("id")]
    assert len(parts) == len(set(parts))
    assert not [one for one in shared.iter() if one.get("id")]
    assert {use.get("href", "")[1:] for use in shared.iter(f"{NS}use")} <= set(parts)


@pytest.mark.parametrize("name", ["board", "stamp"])
def test_exactly_the_dark_squares_are_hatched(name: str) -> None:
    root = parsed(diagram_parts())
    (rank,) = (one for one in root.iter(f"{NS}g") if one.get("id") == f"pl-{name}-rank")
    (board,) = (one for one in root.iter(f"{NS}g") if one.get("id") == f"pl-{name}")
    hatched = 0
    for row in board.iter(f"{NS}use"):
        for place in rank.iter(f"{NS}use"):
            x = float(row.get("x", "0")) + float(place.get("x", "0"))
            hatched |= 1 << square_at(x, float(row.get("y", "0")), "white")
    assert hatched == chess.BB_DARK_SQUARES
    assert hatched & chess.BB_A1


@pytest.mark.parametrize("name", ["board", "stamp"])
def test_the_hatching_stays_inside_its_square(name: str) -> None:
    paths = parsed(diagram_parts()).iter(f"{NS}path")
    (dark,) = (path for path in paths if path.get("id") == f"pl-{name}-dark")
    numbers = [int(number) for number in re.findall(r"\d+", dark.get("d", ""))]
    assert len(numbers) >= 32 and min(numbers) == 0 and max(numbers) == SQUARE


@pytest.mark.parametrize("orientation", ["white", "black"])
def test_coordinates_stand_beside_their_files_and_ranks(orientation: str) -> None:
    root = parsed(board_svg("8/8/8/8/8/8/8/8", orientation=orientation))
    texts = {t.text: (float(t.get("x", "")), float(t.get("y", ""))) for t in root.iter(f"{NS}text")}
    assert set(texts) == set("abcdefgh12345678")
    files = sorted("abcdefgh", key=lambda name: texts[name][0])
    ranks = sorted("12345678", key=lambda name: -texts[name][1])
    turned = orientation == "black"
    assert files == sorted("abcdefgh", reverse=turned)
    assert ranks == sorted("12345678", reverse=turned)


def test_marks_differ_in_shape_and_nothing_is_told_by_colour() -> None:
    drawings = {
        shape: board_svg("8/8/8/8/8/8/8/8", marks=[Mark(chess.E4, shape)]) for shape in SHAPES
    }
    blank = board_svg("8/8/8/8/8/8/8/8")
    kinds = {shape: _shapes(picture) - _shapes(blank) for shape, picture in drawings.items()}
    assert all(kinds.values())
    assert len({frozenset(kind) for kind in kinds.values()}) == len(SHAPES)
    for picture in (*drawings.values(), diagram_parts()):
        for colour in re.findall(r"#[0-9a-f]{6}\b", picture):
            red, green, blue = (int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5))
            hue, light, saturation = colorsys.rgb_to_hls(red, green, blue)
            assert max(red, green, blue) - min(red, green, blue) < 0.06, (colour, hue, saturation)
            assert light < 0.15 or light > 0.5, f"{colour} is neither ink nor light"


def _shapes(picture: str) -> set[str]:
    return {
        f"{one.tag} {one.get('d')} {one.get('r')} {one.get('width')}"
        for one in parsed(picture).iter()
        if one.tag != f"{NS}use"
    }


def test_the_sides_differ_by_fill_in_black_and_white() -> None:
    root = parsed(diagram_parts())
    groups = {one.get("id"): one for one in root.iter(f"{NS}g")}
    for kind in "pnbrqk":
        white, black = (
            [use.get("fill") for use in groups[f"pl-{side}{kind}"].iter(f"{NS}use")][1]
            for side in "wb"
        )
        assert white is not None and black is not None
        assert int(white[1:3], 16) - int(black[1:3], 16) > 200


def test_arrows_end_near_their_squares_and_the_other_sides_is_dashed() -> None:
    picture = board_svg(
        "8/8/8/8/8/8/8/8",
        arrows=[Arrow(chess.D4, chess.D5), Arrow(chess.C6, chess.B4, dashed=True)],
    )
    assert picture.count("stroke-dasharray") == 1
    with pytest.raises(ValueError, match="two different squares"):
        board_svg("8/8/8/8/8/8/8/8", arrows=[Arrow(chess.A1, chess.A1)])


@pytest.mark.parametrize(
    ("fen", "words"),
    [
        ("8/8/8/3p4/3P4/8/8/8", "White pawns d4. Black pawns d5."),
        ("4k3/8/8/8/8/8/8/R3K2R w KQ - 0 1", "White king e1, rooks a1 h1. Black king e8. White to"),
        ("8/8/8/8/8/8/8/8", "An empty board."),
    ],
)
def test_a_screen_reader_hears_the_position(fen: str, words: str) -> None:
    root = parsed(board_svg(fen))
    assert root.get("role") == "img"
    assert root.get("aria-label", "").startswith(words)


def test_a_label_of_ones_own_is_text_and_nothing_else() -> None:
    label = '"/><script>alert(1)</script>'
    root = parsed(board_svg("8/8/8/8/8/8/8/8", label=label))
    assert root.get("aria-label") == label
    assert not list(root.iter(f"{NS}script"))


def test_the_side_to_move_is_told_only_where_it_is_known() -> None:
    bare = parsed(board_svg("8/8/8/3p4/3P4/8/8/8"))
    white, black = (parsed(board_svg(f"8/8/8/3p4/3P4/8/8/8 {turn} - - 0 1")) for turn in "wb")
    count = [len(list(root.iter(f"{NS}rect"))) for root in (bare, white, black)]
    assert count[1] == count[2] == count[0] + 1
    fills = [list(root.iter(f"{NS}rect"))[-1].get("fill") for root in (white, black)]
    assert fills[0] != fills[1]


def test_the_skeleton_holds_pawns_only() -> None:
    skeleton = Skeleton(chess.BB_D4 | chess.BB_A2, chess.BB_E6)
    assert pieces_of(skeleton_svg(skeleton)) == {
        chess.A2: ("P", False),
        chess.D4: ("P", False),
        chess.E6: ("p", False),
    }


@pytest.mark.parametrize("fen", ["", "8/8/8", "9/8/8/8/8/8/8/8", "<svg>"])
def test_what_is_no_position_is_refused(fen: str) -> None:
    with pytest.raises(ValueError):
        board_svg(fen)


def test_unknown_words_are_refused() -> None:
    with pytest.raises(ValueError, match="orientation or view"):
        board_svg("8/8/8/8/8/8/8/8", orientation="left")
    with pytest.raises(ValueError, match="no such shape"):
        board_svg("8/8/8/8/8/8/8/8", marks=[Mark(chess.E4, "star")])


def test_no_inline_style_and_nothing_from_elsewhere() -> None:
    for picture in (diagram_parts(), board_svg(chess.STARTING_FEN)):
        root = parsed(picture)
        for one in root.iter():
            assert "style" not in one.attrib
            assert not any(name.startswith("on") for name in one.attrib)
            assert one.get("href", "#").startswith("#")


def test_words_name_every_piece() -> None:
    said = position_in_words(chess.Board(), "w")
    named = re.findall(r"\b[a-h][1-8]\b", said)
    assert sorted(named) == sorted(chess.square_name(s) for s in chess.Board().piece_map())


@given(boards, st.sampled_from(["position", "skeleton"]), st.booleans())
def test_a_small_diagram_shows_the_same_in_little_room(
    board: chess.Board, view: str, shared: bool
) -> None:
    small = board_svg(board.fen(), view=view, small=True, standalone=not shared)
    whole = board_svg(board.fen(), view=view)
    assert pieces_of(small) == pieces_of(whole)
    assert not list(parsed(small).iter(f"{NS}text"))
    assert parsed(small).get("aria-label") == parsed(whole).get("aria-label")
    if shared:
        assert len(small.encode()) <= 2500


@given(
    st.text(max_size=60),
    st.lists(st.tuples(st.integers(0, 63), st.sampled_from(SHAPES)), max_size=8),
    st.lists(st.tuples(st.integers(0, 63), st.integers(0, 63)), max_size=8),
)
def test_any_drawing_is_well_formed_and_holds_no_code(
    label: str, marks: list[tuple[int, str]], arrows: list[tuple[int, int]]
) -> None:
    # XML 1.0 knows fewer characters than Python's texts, so a label may not
    # reach the drawing as it is.
    picture = board_svg(
        chess.STARTING_FEN,
        label=label,
        marks=[Mark(*one) for one in marks],
        arrows=[Arrow(*one) for one in arrows if one[0] != one[1]],
    )
    drawn = {one.tag.removeprefix(NS) for one in parsed(picture).iter()}
    assert drawn <= {"svg", "defs", "g", "path", "rect", "circle", "use", "text"}
    for one in parsed(picture).iter():
        assert one.get("href", "#").startswith("#")
        assert not [name for name in one.attrib if name == "style" or name.startswith("on")]
        # Only a label may hold any text; nothing else points anywhere.
        assert not [
            value for name, value in one.attrib.items() if name != "aria-label" and "url(" in value
        ]


def test_an_arrow_spares_the_piece_that_moves_and_ends_on_its_square() -> None:
    picture = board_svg("8/8/8/8/8/8/8/8", arrows=[Arrow(chess.A1, chess.A4)])
    numbers = [
        [float(n) for n in re.findall(r"[\d.]+", path.get("d", ""))]
        for path in parsed(picture).iter(f"{NS}path")
        if path.get("class") in ("pl-edge", "pl-ink")
    ]
    shaft, head = numbers[-2], numbers[-1]
    assert shaft[0] == 20 and shaft[1] < 300 - 12
    assert square_at(head[0], head[1], "white") == chess.A4


def test_the_legend_names_what_is_drawn_and_nothing_else() -> None:
    assert legend_html([], []) == ""
    told = legend_html(
        [Mark(chess.E4), Mark(chess.D4)],
        [Arrow(0, 1, dashed=True)],
        {"ring": "<b>White’s</b> squares"},
    )
    root = ET.fromstring(told)
    rows = ["".join(row.itertext()).strip() for row in root.iter("li")]
    assert rows == ["<b>White’s</b> squares", "a move of their plan"]


CSS = Path(__file__).parents[2] / "service/pages/static/diagram.css"


def test_every_class_of_a_drawing_is_dressed_and_every_rule_is_needed() -> None:
    picture = diagram_parts() + board_svg(
        chess.STARTING_FEN, marks=[Mark(0, shape) for shape in SHAPES], arrows=[Arrow(0, 9)]
    )
    legend = legend_html([Mark(0)], [])
    drawn = {
        name
        for classes in re.findall(r'class="([^"]*)"', picture + legend)
        for name in classes.split()
    }
    assert drawn == set(re.findall(r"\.(pl-[a-z-]+)", CSS.read_text(encoding="utf-8")))


def test_dark_paper_keeps_ink_readable_and_the_hatched_squares_darker() -> None:
    """Contrast after WCAG 2.2, success criteria 1.4.3 and 1.4.11, from its own formula."""
    text = CSS.read_text(encoding="utf-8")
    dark = dict(re.findall(r"--pl-(\w+): (#\w{6});", text.partition("prefers-color-scheme")[2]))
    assert _contrast(dark["ink"], dark["paper"]) >= 4.5
    assert _contrast(dark["hush"], dark["paper"]) >= 3
    assert _luminance(dark["hatch"]) < _luminance(dark["paper"]) < _luminance(dark["ink"])


def _luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _contrast(one: str, other: str) -> float:
    light, dark = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)
