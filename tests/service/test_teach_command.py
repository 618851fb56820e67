"""``pawnlore teach`` on a store: labels, own families, retraining and going back."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest
from repertoires import by_cores, read

from pawnlore.models.taught_classifier import TaughtClassifier
from pawnlore.service.cli import main
from pawnlore.service.commands import teach as command
from pawnlore.service.store.model_shelf import ModelShelf
from pawnlore.service.store.repertoire_shelf import RepertoireShelf
from pawnlore.service.store.schema import ModelVersionRow
from pawnlore.service.store.store import Store, open_store
from pawnlore.service.teaching_desk import TeachingDesk, UnusableModel
from pawnlore.structures.distinct_verdicts import distinct_verdicts

# The bind with the a-pawn on a4, from common practice; no source.
CLAMP = [
    "8/pp2pp1p/3p2p1/8/P1P1P3/8/1P3PPP/8 w - - 0 1",
    "8/pp2p2p/3p1pp1/8/P1P1P3/1P6/5PPP/8 w - - 0 1",
    "8/1p2pp1p/p2p2p1/8/P1P1P3/8/1P3PPP/8 w - - 0 1",
    "8/pp1ppp1p/6p1/8/P1P1P3/5P2/1P4PP/8 w - - 0 1",
]
ISOLANI = "8/pp3ppp/4p3/8/3P4/8/PP3PPP/8 w - - 0 1"


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("PAWNLORE_HOME", str(tmp_path / "home"))
    monkeypatch.delenv("PAWNLORE_DATABASE", raising=False)
    return tmp_path


@pytest.fixture
def store(home: Path) -> Store:
    (home / "home").mkdir(exist_ok=True)
    return open_store(f"sqlite:///{home / 'home' / 'pawnlore.sqlite'}")


def teach(*words: str) -> int:
    return main(["teach", *words])


def test_labels_go_in_and_out_as_epd(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert (
        teach(
            "label",
            ISOLANI,
            "--structure",
            "hedgehog",
            "--holder",
            "black",
            "--reason",
            'so "I" say,\nfor now',
            "--author",
            "Ada",
        )
        == 0
    )
    assert teach("label", CLAMP[0], "--structure", "own/clamp", "--holder", "white") == 0
    assert teach("label", CLAMP[1], "--structure", "unsettled") == 0
    capsys.readouterr()
    assert teach("labels", "--format", "epd") == 0
    epd = capsys.readouterr().out
    assert len(epd.splitlines()) == 3
    assert teach("labels", "--format", "jsonl") == 0
    before = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert before[0]["reason"] == 'so "I" say,\nfor now' and before[0]["author"] == "Ada"
    assert teach("unlabel", *(row["fen"] for row in before)) == 0
    (home / "labels.epd").write_text(epd)
    assert teach("import", str(home / "labels.epd")) == 0
    assert "3 new" in capsys.readouterr().out
    assert teach("import", str(home / "labels.epd")) == 0
    assert "3 as they were" in capsys.readouterr().out
    assert teach("labels", "--format", "csv") == 0
    after = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    same = ("structure", "holder", "reason", "author")
    assert [[row[name] for name in same] for row in after] == [
        [row[name] for name in same] for row in before
    ]
    assert teach("unlabel", ISOLANI, ISOLANI) == 1
    assert "no label" in capsys.readouterr().err


def test_former_labels_are_told_and_taken_in_again(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = ("--structure", "isolated-queen-pawn", "--holder", "white", "--reason", "as in class")
    teach("label", ISOLANI, *said, "--author", "Ada")
    teach("label", ISOLANI, CLAMP[0], "--structure", "unsettled", "--author", "Bo")
    teach("unlabel", CLAMP[0], ISOLANI, "--author", "Bo")
    capsys.readouterr()
    assert teach("former") == 0
    told = capsys.readouterr().out
    assert told.count("taken away") == 2 and told.count("by Bo") == 3
    assert f"isolated-queen-pawn white  {ISOLANI}  as in class\n  replaced " in told
    assert teach("former", ISOLANI, "--format", "jsonl") == 0
    latest, first = (json.loads(line) for line in capsys.readouterr().out.splitlines())
    assert (latest["structure"], first["author"]) == ("unsettled", "Ada")
    assert teach("former", "--format", "csv") == 0
    assert len(list(csv.DictReader(io.StringIO(capsys.readouterr().out)))) == 3
    assert teach("former", "--format", "epd") == 0
    epd = capsys.readouterr().out
    assert len(epd.splitlines()) == 2 and "as in class" not in epd, "the last word on each"
    (home / "former.epd").write_text(epd)
    assert teach("import", str(home / "former.epd")) == 0
    assert "2 new" in capsys.readouterr().out
    assert teach("former", "8/8", "--format", "csv") == 2
    assert teach("former", "--format", "json") == 2


def test_a_label_file_with_errors_is_refused_whole_and_every_error_named(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = [
        '8/8/4p3/3p4/3P4/8/8/8 w - - c0 "carlsbad"; c1 "white";',
        "no position at all",
        '8/8/4p3/3p4/3P4/8/8/8 w - - c0 "carlsbat"; c1 "white";',
        '8/8/4p3/3p4/3P4/8/8/8 w - - c0 "carlsbad"; c1 "green";',
        '8/8/4p3/3p4/3P4/8/8/8 w - - c0 "unsettled"; c1 "white";',
        '8/8/8/3p4/3P4/4P3/8/8 w - - c0 "carlsbad"; c1 "white";',  # the mirror of the first
        'P7/8/8/8/8/8/8/8 w - - c0 "carlsbad"; c1 "white";',
        '8/8/4p3/3p4/3P4/8/8/8 w - - c1 "white";',
        "# a comment",
        "",
    ]
    (home / "bad.epd").write_text("\n".join(lines))
    assert teach("import", str(home / "bad.epd")) == 2
    told = capsys.readouterr().err
    for number in (2, 3, 4, 5, 6, 7, 8):
        assert f"line {number}:" in told
    assert "line 1:" not in told and "line 9:" not in told
    assert teach("labels") == 0
    assert capsys.readouterr().out == ""
    # What is no UTF-8 text is named like any other fault, and hides none behind it.
    mixed = b'8/8/4p3/3p4/3P4/8/8/8 w - - c0 "nope"; c1 "green"; c5 "\x7f";\n'
    (home / "latin.epd").write_bytes(b"# caf\xe9\n" + mixed + b"caf\xe9\n")
    assert teach("import", str(home / "latin.epd")) == 2
    told = capsys.readouterr().err
    assert "line 1: no UTF-8 text" in told and "line 3: no UTF-8 text" in told
    (second,) = (line for line in told.splitlines() if "line 2:" in line)
    for fault in ("'nope' is no family", "'green' is no holder", "the author"):
        assert fault in second
    (home / "long.epd").write_text("nonsense\n" * 3_000)
    assert teach("import", str(home / "long.epd")) == 2
    assert capsys.readouterr().err.count("no position") == 3_000
    assert teach("import", str(home / "missing.epd")) == 2


def test_an_own_family_is_taught_accepted_and_taken_back(
    home: Path, store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    book = read('[Event "One"]\n\n1. d4 d5 2. c4 e6 3. cxd5 exd5 *\n')
    RepertoireShelf(store).put(
        "Course", [("a.pgn", b"x")], book, distinct_verdicts(book, by_cores), model="m"
    )
    assert teach("add-family", "own/clamp", "--name", "wing clamp", "--parent", "maroczy-bind") == 0
    assert teach("retrain") == 2
    assert "nothing to learn from" in capsys.readouterr().err
    assert teach("example", "own/clamp", *CLAMP[:3], "--holder", "white") == 0
    assert teach("counter", "own/clamp", ISOLANI) == 0
    assert teach("forget", "own/clamp", ISOLANI) == 0
    assert teach("correct", "own/clamp", "--must", "own a4|a5", "--free", "foe h") == 0
    assert teach("families") == 0
    assert "3 examples, 0 counter-examples  (a finer maroczy-bind)" in capsys.readouterr().out
    assert teach("family", "own/clamp") == 0
    told = capsys.readouterr().out
    assert "must have own a4|a5" in told and "a pawn on e4, alone on its file" in told
    assert "lack" not in told
    assert teach("retrain", "--author", "Ada") == 0
    assert "version 1 " in capsys.readouterr().out
    assert ModelShelf(store).in_use().version == 0
    assert teach("compare", "1") == 0
    assert "examination of 240 positions" in capsys.readouterr().out
    assert teach("accept", "1") == 0
    told = capsys.readouterr().out
    assert "version 1 is in use" in told and "Course:" in told
    (stored,) = RepertoireShelf(store).list()
    assert stored.model == ModelShelf(store).get(1).digest
    desk = TeachingDesk(store)
    model = desk.in_use()
    assert isinstance(model, TaughtClassifier) and model.own[0].name == "wing clamp"
    assert teach("versions") == 0
    assert "in use" in capsys.readouterr().out
    assert teach("reject", "1") == 2
    assert teach("return", "0") == 0
    assert desk.in_use() is desk.base
    assert RepertoireShelf(store).get(stored.id).model == desk.base.digest
    assert teach("remove-family", "own/clamp") == 0
    # The version is still there, with the family in it.
    assert teach("accept", "1") == 0
    assert isinstance(TeachingDesk(store).in_use(), TaughtClassifier)


def test_nodes_next_to_whose_core_a_finer_family_is_told_are_counted(
    store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    # The core of the bind names the last position before and after.
    pgn = "1. e4 c5 2. Nf3 Nc6 3. d4 cxd4 4. Nxd4 g6 5. c4 d6 6. a4 *"
    book = read(f'[Event "One"]\n\n{pgn}\n')
    RepertoireShelf(store).put(
        "Course", [("a.pgn", b"x")], book, distinct_verdicts(book, by_cores), model="m"
    )
    assert teach("add-family", "own/clamp", "--parent", "maroczy-bind") == 0
    assert teach("example", "own/clamp", *CLAMP, "--holder", "white") == 0
    assert teach("correct", "own/clamp", "--must", "own a4") == 0
    capsys.readouterr()
    assert teach("retrain") == 0
    wanted = "  1 in Course: own/clamp white, next to maroczy-bind white"
    assert wanted in capsys.readouterr().out
    assert teach("compare", "1") == 0
    assert wanted in capsys.readouterr().out
    assert teach("accept", "1") == 0
    # What had judged it was no model, so it may have called other nodes otherwise.
    assert "verdict, 1 another finer form\n" in capsys.readouterr().out
    # It is told there already.
    assert teach("compare", "1") == 0
    assert "next to" not in capsys.readouterr().out
    # A version without it takes it away again, and the plans for it with it.
    assert teach("remove-family", "own/clamp") == 0
    assert teach("add-family", "own/other") == 0
    assert teach("example", "own/other", "8/p7/8/8/8/8/7P/8", "--holder", "white") == 0
    assert teach("retrain") == 0
    gone = "  1 in Course: no longer own/clamp white, next to maroczy-bind white"
    assert gone in capsys.readouterr().out
    assert teach("compare", "2") == 0
    assert gone in capsys.readouterr().out
    assert teach("accept", "2") == 0
    assert "Course: 0 nodes have another verdict, 1 another finer form\n" in capsys.readouterr().out


def test_positions_are_told_as_they_were_given_and_corrections_are_held_against_them(
    home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # A Carlsbad skeleton with the holder's b-pawn on b4, kept with colours reversed.
    given = "8/pp3pp1/2p4p/3p4/1P1P4/4P3/P4PPP/8"
    assert teach("label", given, "--structure", "own/h-pawn", "--holder", "white") == 0
    assert "no family own/h-pawn yet" in capsys.readouterr().err
    as_black = ("--holder", "black", "--author", "Bo")
    assert teach("label", given, "--structure", "carlsbad", *as_black) == 0
    assert f"instead of own/h-pawn white: {given}" in capsys.readouterr().out
    assert teach("label", given, "--structure", "hedgehog", *as_black) == 0
    assert f"instead of carlsbad black: {given}, by Bo" in capsys.readouterr().out
    assert teach("unlabel", given) == 0
    assert teach("add-family", "own/h-pawn", "--name", "h-pawn moved") == 0
    assert teach("example", "own/h-pawn", given, "--holder", "black", "--author", "Bo") == 0
    assert teach("example", "own/h-pawn", given, "--holder", "black") == 0
    assert "instead of" not in capsys.readouterr().out
    assert teach("counter", "own/h-pawn", given) == 0
    assert f"instead of an example held by black: {given}" in capsys.readouterr().out
    assert teach("example", "own/h-pawn", given, "--holder", "white") == 0
    assert f"instead of a counter-example: {given}" in capsys.readouterr().out
    assert teach("forget", "own/h-pawn", given) == 0
    assert teach("example", "own/h-pawn", given, "--holder", "white") == 0
    assert teach("correct", "own/h-pawn", "--must", "foe h6") == 0
    capsys.readouterr()
    assert teach("family", "own/h-pawn") == 0
    told = capsys.readouterr().out
    assert f"white  {given}" in told and "lack" not in told
    # Both cannot be, so what was said before stays.
    assert teach("correct", "own/h-pawn", "--must", "foe h6", "--must", "foe h7") == 2
    assert "no position has 'foe h7'" in capsys.readouterr().err
    assert teach("correct", "own/h-pawn", "--must", "foe h7") == 0
    assert teach("family", "own/h-pawn") == 0
    assert "but 1 of 1 examples lack foe h7" in capsys.readouterr().out


def test_a_version_that_was_tampered_with_is_not_used_and_nothing_is_lost(
    store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    assert teach("add-family", "own/clamp") == 0
    assert teach("example", "own/clamp", *CLAMP, "--holder", "white") == 0
    assert teach("retrain") == 0 and teach("retrain") == 0
    first, second = ModelShelf(store).list()
    assert first.digest == second.digest, "the same labels and seed teach the same numbers"
    with store.writing() as connection:
        connection.execute(
            ModelVersionRow.__table__.update()
            .where(ModelVersionRow.number == 1)
            .values(content=b"PK" + bytes(500))
        )
    capsys.readouterr()
    assert teach("accept", "1") == 2
    assert "was changed" in capsys.readouterr().err
    assert ModelShelf(store).in_use().version == 0
    with pytest.raises(UnusableModel):
        TeachingDesk(store).version(1)
    assert teach("accept", "2") == 0


def test_of_two_who_choose_at_once_the_second_is_told(
    store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    assert teach("add-family", "own/clamp") == 0
    assert teach("example", "own/clamp", *CLAMP, "--holder", "white") == 0
    # Both are taught from, and compared with, the shipped model.
    assert teach("retrain", "--author", "Ada") == 0
    assert teach("retrain", "--author", "Ben", "--seed", "1") == 0
    assert teach("accept", "1", "--author", "Ada") == 0
    capsys.readouterr()
    assert teach("accept", "2", "--author", "Ben") == 2
    told = capsys.readouterr().err
    assert "version 1 is in use now" in told and "compare with that" in told
    assert ModelShelf(store).in_use().version == 1
    assert ModelShelf(store).get(2).state == "proposed"
    # Having looked again, Ben names the choice that he means to replace.
    assert teach("compare", "2") == 0
    told = capsys.readouterr().out
    seen = ModelShelf(store).in_use().number
    assert f"compared with version 1; 'pawnlore teach accept 2 --expected {seen}'" in told
    assert teach("accept", "2", "--expected", str(seen)) == 0
    assert ModelShelf(store).in_use().version == 2
    # The same holds for going back.
    assert teach("return", "0", "--expected", str(seen)) == 2
    assert teach("return", "0") == 0
    assert ModelShelf(store).in_use().version == 0


def test_labels_alone_teach_and_are_measured_by_folds(
    capsys: pytest.CaptureFixture[str],
) -> None:
    for rank in range(6):
        fen = f"8/pp3ppp/4p3/8/3P4/{rank + 1}P{6 - rank}/PP3PPP/8" if rank else ISOLANI
        assert teach("label", fen, "--structure", "isolated-queen-pawn", "--holder", "white") == 0
    assert teach("retrain") == 0
    told = capsys.readouterr().out
    assert "of 6 followed before" in told


def test_training_that_breaks_off_leaves_everything_as_it_was(store: Store) -> None:
    assert teach("add-family", "own/clamp") == 0
    assert teach("example", "own/clamp", *CLAMP, "--holder", "white") == 0
    desk = TeachingDesk(store)

    def stop(done: int, total: int) -> None:
        if done:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        desk.retrain(progress=stop)
    assert ModelShelf(store).list() == [] and ModelShelf(store).in_use().version == 0
    assert desk.retrain().number == 1


def test_what_to_label_next_is_asked_once(store: Store, capsys: pytest.CaptureFixture[str]) -> None:
    assert teach("next") == 2
    book = read(
        '[Event "One"]\n\n1. e4 c5 2. Nf3 d6 3. d4 cxd4 4. Nxd4 g6 5. c4 Bg7 6. a4 a5 *\n'
        '[Event "Two"]\n\n1. c4 e5 2. g3 f5 3. d3 d6 4. e4 fxe4 5. dxe4 c5 *\n'
    )
    RepertoireShelf(store).put(
        "Course", [("a.pgn", b"x")], book, distinct_verdicts(book, by_cores), model="m"
    )
    capsys.readouterr()
    assert teach("next", "--count", "3") == 0
    asked = [line.split("  ")[0] for line in capsys.readouterr().out.splitlines()]
    assert len(asked) == 3
    assert teach("pass", asked[0]) == 0
    assert teach("label", asked[1], "--structure", "unsettled") == 0
    capsys.readouterr()
    assert teach("next", "--count", "50") == 0
    again = [line.split("  ")[0] for line in capsys.readouterr().out.splitlines()]
    assert not {asked[0], asked[1]} & set(again) and asked[2] in again


@pytest.mark.parametrize(
    "words",
    [
        ("label", ISOLANI),
        ("label", ISOLANI, "--structure", "carlsbad"),
        ("label", ISOLANI, "--structure", "carlsbat", "--holder", "white"),
        ("label", "no fen", "--structure", "unsettled"),
        ("label",),
        ("labels", "x"),
        ("add-family", "clamp"),
        ("example", "own/none", ISOLANI, "--holder", "white"),
        ("family", "own/none"),
        ("accept", "one"),
        ("accept", "7"),
        ("compare", "²"),
    ],
)
def test_what_cannot_be_done_is_said_and_changes_nothing(
    words: tuple[str, ...], store: Store, capsys: pytest.CaptureFixture[str]
) -> None:
    before = store.counters()
    assert teach(*words) == 2
    assert capsys.readouterr().err.startswith("pawnlore teach: ")
    assert store.counters() == before


def test_every_action_is_told_in_the_readme(repository: Path) -> None:
    readme = (repository / "README.md").read_text(encoding="utf-8")
    missing = [name for name in command._DOES if f"teach {name}" not in readme]
    assert not missing
