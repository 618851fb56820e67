"""Options may stand anywhere among the arguments of every command."""

from __future__ import annotations

import pytest

from pawnlore.service.cli import build_parser


@pytest.mark.parametrize(
    "arguments",
    [
        "notes show minority.md --revision 2",
        "notes change minority.md new.md --expect 2 --draft",
        "teach label 8/8/8/8/8/8/8/8 --structure carlsbad --holder white",
        "teach example own/clamp one two three --holder white",
        "repertoires rename ID NAME --side white",
        "repertoires update ID a.pgn b.pgn - --name Mine",
        "breaks FEN a.pgn --format csv",
        "judge one two --format csv",
        "tag a.pgn b.pgn --fen -o out.csv",
        "plans FEN --moves e4 --repertoire a.pgn",
        "access link add REPERTOIRE --name group",
    ],
)
def test_options_stand_anywhere(arguments: str) -> None:
    words = arguments.split()
    first = next(place for place, word in enumerate(words) if word.startswith("-") and word != "-")
    commands = 3 if words[0] == "access" else 2 if words[0] == "repertoires" else 1
    expected = vars(build_parser().parse_args(words))
    options, positionals = words[first:], words[commands:first]
    for place in range(len(positionals) + 1):
        mixed = [*words[:commands], *positionals[:place], *options, *positionals[place:]]
        assert vars(build_parser().parse_args(mixed)) == expected, mixed


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        ("tag", "the following arguments are required: PGN"),
        ("tag a.pgn --nothing", "unrecognized arguments: --nothing"),
        ("notes nothing", "invalid choice: 'nothing'"),
        ("notes change a b c", "unrecognized arguments: c"),
        ("notes change a b --draft --publish", "not allowed with argument"),
        ("repertoires add --side white", "the following arguments are required: PGN"),
        ("", "the following arguments are required: COMMAND"),
    ],
)
def test_what_is_wrong_is_still_told(
    arguments: str, said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        build_parser().parse_args(arguments.split())
    assert ended.value.code == 2
    assert said in capsys.readouterr().err


def test_what_follows_two_dashes_is_no_option() -> None:
    assert build_parser().parse_args(["tag", "--fen", "--", "--odd.pgn"]).pgn == ["--odd.pgn"]
