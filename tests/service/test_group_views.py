"""The views of ``pawnlore groups``: joins, move order, reminders and load.

Outside source: python-chess plays the moves that are written, and counts the
moves to remember again on its own trees.
"""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from types import SimpleNamespace

import chess
import chess.pgn
import pytest
from repertoires import by_cores, read

from pawnlore import labelled_demo
from pawnlore.service import cli, models_at_hand
from pawnlore.service.commands.groups import VIEWS
from pawnlore.service.exports import join_table, load_table, move_order_table, reminder_table
from pawnlore.structures.move_path import MOST_MOVES, PathProblem, nodes_after
from pawnlore.structures.pointer_remark import only_points_elsewhere
from pawnlore.structures.repertoire import Comment

DEMO = sorted(str(p) for p in (Path(labelled_demo.__file__).parent / "repertoire").glob("*.pgn"))
COLUMNS = {
    "joins": join_table.COLUMNS,
    "move-order": move_order_table.COLUMNS,
    "reminders": reminder_table.COLUMNS,
    "load": load_table.COLUMNS,
}

CLASH = """\
[Event "First"]

1. d4 d5 2. c4 e6 (2... c6 3. Nf3 Nf6 4. Nc3 {The knights first.}) 3. Nc3 Nf6 4. cxd5 exd5 *

[Event "Second"]

1. d4 Nf6 2. c4 e6 (2... c6 3. Nf3 d5 4. Nc3 {Another move order.} 4... e6 5. e3) 3. Nc3 d5
4. Bg5 (4. cxd5 exd5) 4... Be7 *

[Event "Third"]

1. d4 d5 2. c4 c6 3. Nf3 Nf6 4. Nc3 {Quite another explanation.} 4... dxc4 5. a4
(5. e3?! b5) *
"""


@pytest.fixture(autouse=True)
def stand_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """Cores alone decide, so that these tests do not change with a trained model."""
    chosen = SimpleNamespace(classify=by_cores)
    monkeypatch.setattr(models_at_hand, "chosen_classifier", lambda args: chosen)


@pytest.fixture
def clash(tmp_path: Path) -> str:
    path = tmp_path / "clash.pgn"
    path.write_text(CLASH)
    return str(path)


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str, str]:
    status = cli.main(["groups", *arguments])
    out, err = capsys.readouterr()
    return status, out, err


def table(capsys: pytest.CaptureFixture[str], *arguments: str) -> list[dict[str, str]]:
    _, out, _ = run(capsys, *arguments, "--format", "csv", "--side", "white")
    return list(csv.DictReader(io.StringIO(out)))


def objects(capsys: pytest.CaptureFixture[str], *arguments: str) -> list[dict[str, object]]:
    _, out, _ = run(capsys, *arguments, "--format", "jsonl", "--side", "white")
    return [json.loads(line) for line in out.splitlines()]


def played(moves: str) -> chess.Board:
    """The position after moves, by python-chess."""
    game = chess.pgn.read_game(io.StringIO(moves + " *"))
    assert game is not None
    assert not game.errors
    return game.end().board()


@pytest.mark.parametrize("view", sorted(COLUMNS))
def test_csv_and_jsonl_say_the_same(view: str, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, _ = run(capsys, *DEMO, "--show", view, "--format", "csv", "--side", "white")
    assert status == 0
    assert out.splitlines()[0] == ",".join(COLUMNS[view])
    rows, found = table(capsys, *DEMO, "--show", view), objects(capsys, *DEMO, "--show", view)
    assert len(rows) > 10
    for row, one in zip(rows, found, strict=True):
        assert set(COLUMNS[view]) == set(one)
        for name, value in one.items():
            if value is None:
                assert row[name] == ""
            elif isinstance(value, bool):
                assert row[name] == ("yes" if value else "no")
            elif isinstance(value, list):
                assert row[name].count("; ") == max(0, len(value) - 1)
            else:
                assert row[name] == str(value)


@pytest.mark.parametrize("view", VIEWS)
def test_the_first_screen_of_the_demo(view: str, capsys: pytest.CaptureFixture[str]) -> None:
    status, out, err = run(capsys, *DEMO, "--show", view)
    assert status == 0
    assert "repertoire for White" in err
    lines = out.splitlines()
    assert all(line == line.rstrip() for line in lines)
    assert max(len(line) for line in lines[:45]) <= 110
    screen = "\n".join(lines[:45])
    for told in {
        "groups": ["75 lines in 18 chapters", "Carlsbad structure"],
        "joins": [
            "20 of 75 lines stop where another line goes on, 1 of them with us to move",
            "4.Nf3  The Hedgehog evening              (3 lines)",
            "4.d5   Modern Benoni: the classical way  (1 line)",
            "> add 10.Bg5, from the same chapter",
            "Modern Benoni: the classical way            King's Indian: the chain",
        ],
        "move-order": [
            "orders have to be remembered",
            "4.cxd5 first, only then 5.e4: e4 at once allows",
            "Semi-Tarrasch: the central duo, after 1.d4 d5 2.c4 e6 3.Nc3 Nf6 (4 lines)",
        ],
        "reminders": [
            "18 orders of moves to keep to, 0 other reminders, 5 moves marked as bad",
            "7.Bd3       This move first, only then the queen: on d3 the bishop stops ...Bf5.",
        ],
        "load": [
            "445 moves of ours to remember in 75 lines",
            "4.d5       1      4    1               0  the cheapest",
            "1...Nf6     32",
        ],
    }[view]:
        assert told in screen


def test_both_ways_of_a_join_lead_to_one_position(capsys: pytest.CaptureFixture[str]) -> None:
    rows = [
        row for row in table(capsys, *DEMO, "--show", "joins") if "exercises" not in row["file"]
    ]
    by_kind = {kind: [row for row in rows if row["kind"] == kind] for kind in join_table.KINDS}
    assert {kind: len(found) for kind, found in by_kind.items()} == {
        "joins": 19,
        "stops-short": 20,
        "two-answers": 1,
        "alternatives": 0,
        "two-comments": 10,
    }
    for kind in ("joins", "stops-short", "two-comments"):
        for row in by_kind[kind]:
            one, other = played(row["moves"]), played(row["other_moves"])
            assert one._transposition_key() == other._transposition_key()
            assert row["moves"] != row["other_moves"] or row["chapter"] != row["other_chapter"]
            assert row["to_move"] == ("ours" if one.turn else "theirs")
    for row in by_kind["two-answers"]:
        one, other = played(row["moves"]), played(row["other_moves"])
        one.pop()
        other.pop()
        assert one._transposition_key() == other._transposition_key()
        assert row["move"] != row["other_move"]
    assert {row["ends"] for row in by_kind["stops-short"]} == {"yes"}


def test_what_is_wrong_is_told_first(clash: str, capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, clash, "--show", "joins", "--side", "white")
    lines = [line.strip() for line in out.splitlines()]
    place = lines.index("after 1.d4 d5 2.c4 e6 3.Nc3 Nf6")
    assert lines[place - 1] == "Two answers of ours in one position: choose one"
    assert lines[place + 1] == "4.cxd5  First and 1 other  (2 lines)"
    assert lines[place + 2] == "4.Bg5   Second             (1 line)"
    # The move that is marked as dubious is shown, not recommended.
    assert "5.e3?!" not in out
    assert "First: “The knights first.”" in lines
    assert "Third: “Quite another explanation.”" in lines
    assert "Another move order." not in out
    kinds = [row["kind"] for row in table(capsys, clash, "--show", "joins")]
    assert kinds.count("two-answers") == 1
    # CSV leaves out neither the marked alternative nor the remark.
    assert kinds.count("alternatives") == 1
    assert kinds.count("two-comments") == 2


@pytest.mark.parametrize(
    ("text", "points"),
    [
        ("Only another move order into the minority attack.", True),
        (" This is only\n another move order ", True),
        ("Another move order, nothing more.", True),
        ("Another move order into the main line, but b5 now fails.", False),
        ("Another move order where b5 fails.", False),
        ("Only another move order. Go to the main line.", False),
        ("We exchange at once.", False),
        ("Another move order to " + "very " * 500, False),
        ("", False),
    ],
)
def test_a_remark_that_says_more_is_kept(text: str, points: bool) -> None:
    assert only_points_elsewhere(Comment(text)) is points


def test_swaps_can_be_played_where_it_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    found = objects(capsys, *DEMO, "--show", "move-order")
    assert len(found) == 459
    told = [one for one in found if one["matters"] and "exercises" not in str(one["file"])]
    assert len(told) > 30
    for one in told:
        board = played(str(one["moves"]))
        for _ in range(3):
            board.pop()
        board.push_san(str(one["other"]))
        allowed = one["allows"]
        assert isinstance(allowed, list)
        assert allowed or one["structure"]
        for reply in allowed:
            assert board.parse_san(reply["move"].lstrip(".")) in board.legal_moves
    free = [one for one in found if one["kind"] == "transposes" and one["first"] == "1.d4"]
    assert free
    assert "can be played in either order" in str(free[0]["words"])


def test_a_pinned_reminder_is_set_beside_its_order(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "pinned.pgn"
    text = "1. d4 d5 2. c4 e6 3. Nc3 {First: the knight} 3... Nf6 4. cxd5 exd5 5. Bg5 *"
    path.write_text(text)
    _, out, _ = run(capsys, str(path), "--show", "move-order", "--side", "white")
    assert "1 of them has a reminder of yours; 0 have none." in out
    assert "reminder: the knight" in out
    path.write_text(text.replace("{First: the knight} 3... ", ""))
    _, out, _ = run(capsys, str(path), "--show", "move-order", "--side", "white")
    assert "None of them has a reminder of yours; 1 has none." in out


def test_reminders_warnings_and_only_moves(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "marked.pgn"
    path.write_text(
        '[Event "Marked"]\n\n1. d4 {Remember: the centre. First: c4} d5 2. c4 e6 3. Nc3 '
        "(3. Bg5?? Qxg5) (3. h4?) 3... Nf6 $7 4. Bg5 h5?! 5. Bxf6 *\n"
    )
    rows = table(capsys, str(path), "--show", "reminders")
    assert [
        (row["kind"], row["move"], row["whose"], row["mark"], row["text"], row["refutation"])
        for row in rows
    ] == [
        ("remember", "1.d4", "", "", "the centre.", ""),
        ("first", "1.d4", "", "", "c4", ""),
        ("warning", "3.Bg5", "ours", "??", "", "3...Qxg5"),
        ("warning", "3.h4", "ours", "?", "", ""),
        ("only-move", "3...Nf6", "theirs", "", "forced, all other moves lose", ""),
        ("warning", "4...h5", "theirs", "?!", "", "5.Bxf6"),
    ]
    _, out, _ = run(capsys, str(path), "--show", "reminders", "--side", "white")
    order = [
        "No refutation is shown for 3.h4? in “Marked”.",
        "In this order",
        "Remember at this move",
        "Bad moves for us",
        "3.Bg5??     3...Qxg5",
        "Bad moves of the opponent's",
        "4...h5?!    5.Bxf6",
        "Only moves",
    ]
    places = [out.index(text) for text in order]
    assert places == sorted(places)


def test_loads_add_up(capsys: pytest.CaptureFixture[str]) -> None:
    rows = table(capsys, *DEMO, "--show", "load")
    parts = {part: [row for row in rows if row["part"] == part] for part in load_table.PARTS}
    (whole,) = parts["whole"]
    assert len(parts["chapter"]) == 18
    for part in ("chapter", "group"):
        for name in ("new_to_remember", "lines", "new_structure_count"):
            total = sum(int(row[name]) for row in parts[part])
            whole_name = {"new_to_remember": "to_remember", "lines": "lines"}.get(
                name, "structure_count"
            )
            assert total == int(whole[whole_name]), (part, name)
    # Counted again by python-chess: positions with White to move that have an answer.
    asked = set()
    for name in DEMO:
        with open(name, encoding="utf-8") as file:
            while (game := chess.pgn.read_game(file)) is not None:
                pending: list[chess.pgn.GameNode] = [game]
                while pending:
                    node = pending.pop()
                    pending.extend(node.variations)
                    board = node.board()
                    if node.variations and board.turn == chess.WHITE:
                        asked.add(board._transposition_key())
    assert len(asked) == int(whole["to_remember"]) == int(whole["new_to_remember"])


def test_alternatives_side_by_side(capsys: pytest.CaptureFixture[str]) -> None:
    where = "1. d4 Nf6 2. c4 e6 3. Nc3 c5"
    options = ("--show", "load", "--compare", where)
    _, out, _ = run(capsys, *DEMO, *options)
    lines = out.splitlines()
    assert lines[0] == "After 1.d4 Nf6 2.c4 e6 3.Nc3 c5, our move:"
    assert lines[2].split() == ["4.Nf3", "4.d5"]
    assert ["new", "moves", "21", "1"] in [line.split() for line in lines]
    assert "3 of its 4 moves stand in the rest of the repertoire anyway" in out
    assert "The cheapest to teach is 4.d5: 1 new move, no new structure, next to" in out
    rows = table(capsys, *DEMO, *options)
    assert [(row["move"], row["whose"], row["cheapest"]) for row in rows] == [
        ("4.Nf3", "ours", "no"),
        ("4.d5", "ours", "yes"),
    ]
    # By another order of moves the position is the same one.
    turned = ("--show", "load", "--compare", "1.d4 c5 2.d5 e6 3.c4 Nf6 4.Nc3")
    straight = ("--show", "load", "--compare", "1.d4 Nf6 2.c4 c5 3.d5 e6! 4. Nc3")
    assert table(capsys, *DEMO, *turned) == table(capsys, *DEMO, *straight)


def test_the_opponents_moves_are_added_up_over_all_chapters(
    capsys: pytest.CaptureFixture[str],
) -> None:
    _, out, _ = run(capsys, *DEMO, "--show", "load", "--compare", "1. d4 d5 2. c4")
    assert "The opponent chooses here, so all of them have to be taught." in out
    rows = table(capsys, *DEMO, "--show", "load", "--compare", "1. d4")
    lines = table(capsys, *DEMO, "--lines")
    for row in rows:
        answer = row["move"].removeprefix("1...")
        there = [one for one in lines if one["moves"].startswith(f"1.d4 {answer} ")]
        assert int(row["lines"]) == len(there)


def test_a_branch_that_leans_on_another(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "leans.pgn"
    path.write_text("1. d4 (1. Nf3 d5 2. d4) 1... d5 2. Nf3 Nf6 3. c4 e6 4. Nc3 *")
    _, out, _ = run(capsys, str(path), "--show", "load", "--compare", "", "--side", "white")
    assert out.startswith("At the start, our move:")
    assert "1 line of it stops where 1.d4 goes on, so it needs that one too" in out


def test_without_a_side_nothing_is_counted_and_that_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "mixed.pgn"
    path.write_text("1. e4 (1. d4 d5) 1... e5 (1... c5 2. Nf3) 2. Nf3 *")
    for view in ("load", "joins"):
        status, out, _ = run(capsys, str(path), "--show", view, "--side", "mixed")
        assert status == 0
        if view == "load":
            assert out.startswith("Nobody knows whose side 1 chapter takes")
    _, out, _ = run(capsys, str(path), "--show", "load", "--compare", "1. e4", "--side", "mixed")
    assert "Nobody knows whose side it is" in out


@pytest.mark.parametrize(
    ("moves", "why"),
    [
        ("1. d4 d5 2. Ke4", "'Ke4' is no move after 1.d4 d5"),
        ("1. d4 d5 2. Nf3", "no line plays 2.Nf3 after 1.d4 d5; there is 2.c4"),
        ("1. e4", "no line plays 1.e4 at the start; there is 1.d4"),
        ("1. d4 d5 2. c4 e6 3. Nc3 Nf6 4. cxd5 exd5", "only 5.Bg5 is played"),
        ("\x1b[31m", "'\\x1b[31m' is no move at the start"),
        ("x" * 200, "… is no move".removeprefix("… ")),
        ("d4 " * 1001, "is the most"),
        ("d" * 20_000, "are longer than"),
    ],
)
def test_a_path_that_leads_nowhere(
    moves: str, why: str, capsys: pytest.CaptureFixture[str]
) -> None:
    status, out, err = run(capsys, *DEMO, "--show", "load", "--compare", moves)
    assert (status, out) == (2, "")
    assert why in err
    assert "\x1b" not in err
    assert max(len(line) for line in err.splitlines()) < 200


def test_a_path_may_start_where_a_game_does() -> None:
    fen = "rnr3k1/p3qpp1/1p2b2p/2pp4/3P4/Q3PN2/PP3PPP/2R1KB1R w K - 2 14"
    text = f'[SetUp "1"]\n[FEN "{fen}"]\n\n14. Be2 a5 (14... Nd7) 15. O-O *\n'
    book = read("1. d4 d5 *", text)
    (node,) = nodes_after(book, "14. Be2 Nd7")
    assert book.moves[node] == "Nd7"
    assert book.moves[nodes_after(book, "1. d4")[0]] == "d4"
    assert nodes_after(book, "") == [0]
    with pytest.raises(PathProblem, match=r"no line plays 14\.\.\.h5 after 14\.Be2; there is"):
        nodes_after(book, "14. Be2 h5")
    with pytest.raises(PathProblem, match=f"{MOST_MOVES:,} is the most"):
        nodes_after(book, "d4 " * (MOST_MOVES + 1))


def test_options_that_do_not_go_together(clash: str, capsys: pytest.CaptureFixture[str]) -> None:
    for options, why in (
        (("--show", "joins", "--compare", "1. d4"), "--compare goes with --show load"),
        (("--compare", "1. d4"), "--compare goes with --show load"),
        (("--show", "load", "--lines", "--format", "csv"), "--lines goes with --show groups"),
    ):
        status, out, err = run(capsys, clash, *options)
        assert (status, out) == (2, "")
        assert why in err


HOSTILE = (
    '[Event "=1+1,\\"<script>\x1b[31m"]\n\n1. d4 {Remember: \x1b[2J=cmd, "x"\n</td>} d5 2. c4 e6 '
    "(2... c6 3. Nf3?) 3. Nc3 *\n\n"
    '[Event "@other\x9b31m"]\n\n1. c4 e6 2. d4 {Else\x07where} d5 3. Nc3 Nf6 '
    "4. Bg5 h6? 5. Bh4 *\n\n"
    '[Event "third"]\n\n1. c4 e6 2. d4 {-1; said\x0e} d5 3. Nf3 *\n'
)


@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("form", ["table", "csv", "jsonl"])
def test_hostile_text_is_shown_as_text(
    view: str, form: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "hostile.pgn"
    path.write_text(HOSTILE, encoding="utf-8")
    _, out, _ = run(capsys, str(path), "--show", view, "--format", form, "--side", "white")
    assert not set(out) & set(map(chr, [*range(9), *range(11, 32), 127]))
    if form == "table":
        assert "\x9b" not in out
    if form == "csv":
        rows = list(csv.reader(io.StringIO(out)))
        assert {len(row) for row in rows} == {len(rows[0])}
    if view == "reminders" and form != "table":
        rows = table(capsys, str(path), "--show", view)
        assert rows[0]["text"] == '\N{REPLACEMENT CHARACTER}[2J=cmd, "x" </td>'
        found = objects(capsys, str(path), "--show", view)
        assert found[0]["text"] == '\x1b[2J=cmd, "x" </td>'
        assert found[0]["chapter"] == '=1+1,"<script>\x1b[31m'


@pytest.mark.parametrize("text", ["", '[Event "Empty"]\n\n*\n', "1. a3 *\n"])
@pytest.mark.parametrize("view", VIEWS)
@pytest.mark.parametrize("form", ["table", "csv", "jsonl"])
def test_small_input(
    text: str, view: str, form: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "small.pgn"
    path.write_text(text)
    status, out, err = run(capsys, str(path), "--show", view, "--format", form)
    assert status == (0 if text else 1)
    assert "Traceback" not in err
    if form == "table":
        assert out


def test_output_goes_to_a_file_and_bad_input_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path, out = tmp_path / "bad.pgn", tmp_path / "out.csv"
    path.write_text(CLASH.replace("5. a4", "5. a9"))
    for view in VIEWS:
        options = (str(path), "--show", view, "--format", "csv")
        status, shown, err = run(capsys, *options)
        assert status == 1
        assert "a9" in err
        assert run(capsys, *options, "-o", str(out))[:2] == (1, "")
        assert out.read_text() == shown
