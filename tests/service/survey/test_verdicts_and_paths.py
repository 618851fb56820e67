"""The survey's verdicts are the classifier's, and its paths those of `structure_paths`."""

from __future__ import annotations

import csv
import io
import random
from dataclasses import replace

import numpy as np
import pytest
from survey_games import pgn, random_game, random_games, random_skeletons

from pawnlore.models.classifier import Classifier, shipped_classifier
from pawnlore.models.definitions import Definitions
from pawnlore.models.own_family import LearntFamily
from pawnlore.models.sampling import game_skeletons
from pawnlore.models.taught_classifier import with_families
from pawnlore.models.traits import CODES, traits
from pawnlore.service.cli import main
from pawnlore.service.survey.game_paths import CAPTURE, LEVER, game_paths
from pawnlore.service.survey.quick_model import quick_model
from pawnlore.service.survey.read_games import find_games, read_games
from pawnlore.service.survey.skeleton_verdicts import SkeletonVerdicts
from pawnlore.service.survey.skipped import Account
from pawnlore.structures.distinct_verdicts import distinct_verdicts
from pawnlore.structures.pawn_levers import lever_squares
from pawnlore.structures.pgn_reader import read_repertoire
from pawnlore.structures.skeleton import Masks, mirror_batch
from pawnlore.structures.structure_paths import carry_exchanges, structure_codes, structure_paths
from pawnlore.structures.verdict import HOLDERS


def assert_same(verdicts: SkeletonVerdicts, masks: Masks, classifier: Classifier) -> None:
    white, black = (np.ascontiguousarray(masks[:, side]) for side in (0, 1))
    wanted = classifier.classify(masks)
    assert np.array_equal(verdicts.codes(white, black), structure_codes(wanted))
    probability, core = verdicts.in_full(white, black)
    assert np.array_equal(core, wanted.core)
    # A row has the same chances in any batch but for a step in the last decimal.
    assert abs(probability - wanted.probability).max() < 1.5e-5


def test_verdicts_are_the_classifiers() -> None:
    classifier = shipped_classifier()
    game = game_skeletons().masks[::3]
    own_mirror = np.stack([game[:500, 0], mirror_batch(game[:500])[:, 0] * np.uint64(0)], axis=1)
    own_mirror[:, 1] = mirror_batch(np.stack([own_mirror[:, 1], game[:500, 0]], axis=1))[:, 0]
    overlap = own_mirror[:, 0] & own_mirror[:, 1]
    own_mirror = own_mirror[overlap == 0]
    masks = np.concatenate([game, mirror_batch(game), random_skeletons(3000, 5), own_mirror])
    verdicts = SkeletonVerdicts(classifier)
    assert_same(verdicts, masks, classifier)
    # The compiled verdict must have decided nearly all of them itself.
    assert verdicts.in_doubt < 0.05 * verdicts.judged


@pytest.mark.parametrize("slots", [16, 64, 1024])
def test_a_table_that_is_too_small_only_costs_time(slots: int) -> None:
    classifier = shipped_classifier()
    masks = game_skeletons().masks[:600]
    verdicts = SkeletonVerdicts(classifier, slots=slots)
    assert_same(verdicts, masks, classifier)
    assert_same(verdicts, masks, classifier)
    assert verdicts.emptied > 0
    assert verdicts.known().shape[0] <= slots


def test_a_model_of_other_numbers_is_left_to_the_classifier() -> None:
    classifier = shipped_classifier()
    other = replace(classifier, output=classifier.output * np.float32(1.0001))
    assert quick_model(classifier).numbers[3] == 1
    assert quick_model(other).numbers[3] == 0
    for odd in ({"threshold": 0.0}, {"threshold": 1.0}, {"sharpness": 1e-9}):
        assert quick_model(replace(classifier, **odd)).numbers[3] == 0
    verdicts = SkeletonVerdicts(other)
    assert_same(verdicts, game_skeletons().masks[:500], other)
    assert verdicts.in_doubt == verdicts.judged


def test_the_own_families_of_a_taught_model_are_named() -> None:
    """A family of an author's: a pawn on d4 and none on the e-file."""
    tables = np.full((len(traits()), CODES), (1 << 64) - 1, dtype=np.uint64)
    tables[3] = tables[4] = 0
    tables[3, 1 << 2] = tables[4, 0] = (1 << 64) - 1
    family = LearntFamily("own/d4", "d4", "", False, 0.2, 5, Definitions(tables))
    taught = with_families(shipped_classifier(), (family,))
    masks = game_skeletons().masks[:1500]
    found = taught.classify(masks)
    assert (found.family == len(taught.catalogue)).sum() > 20
    verdicts = SkeletonVerdicts(taught)
    assert_same(verdicts, masks, taught)
    white, black = (np.ascontiguousarray(masks[:, side]) for side in (0, 1))
    best = int(structure_codes(found).max()) // len(HOLDERS)
    assert verdicts.codes(white, black).max() // len(HOLDERS) == best
    assert taught.names[best] == "own/d4"


def test_paths_are_those_of_the_repertoire() -> None:
    """Long and short random games, with exchanges of every kind."""
    dice = random.Random(23)
    boards = random_games(29, 150)
    boards += [random_game(dice, plies=8) for _ in range(50)]
    text = "".join(pgn(board) for board in boards)
    batch = read_games(find_games(text.encode(), (), final=True), Account())
    classifier = shipped_classifier()
    codes = SkeletonVerdicts(classifier).codes(batch.white, batch.black)
    found = game_paths(batch, codes)
    book = read_repertoire([io.StringIO(text)])
    verdicts = distinct_verdicts(book, classifier.classify).every_node()
    paths = structure_paths(book, verdicts)
    assert len(batch) == len(boards) == len(paths)
    spans = held = exchanges = 0
    carried = carry_exchanges(book, structure_codes(verdicts))
    exchanges = int((carried != structure_codes(verdicts)).sum())
    for row in range(len(batch)):
        index = int(batch.number[row])
        path = paths.path(index)
        first = path.nodes[0]
        mine = slice(found.span_offsets[row], found.span_offsets[row + 1])
        told = zip(
            found.span_code[mine].tolist(),
            found.span_ply[mine].tolist(),
            found.span_length[mine].tolist(),
            found.span_held[mine].tolist(),
            strict=True,
        )
        assert list(told) == [
            (paths.code(*span.structure), span.first - first, span.last - span.first + 1, span.held)
            for span in path.spans
        ]
        rows = found.structure_game == row
        assert tuple(found.structure_code[rows].tolist()) == paths.held[index]
        middle = rows & found.structure_middlegame
        ending = rows & found.structure_ending
        assert found.structure_code[ending].tolist() == [c for c in [paths.ending[index]] if c >= 0]
        if paths.middlegame[index] >= 0:
            assert found.structure_code[middle].tolist() == [paths.middlegame[index]]
            assert found.structure_ply[middle].tolist() == [paths.settles_at[index] - first]
            assert found.structure_length[middle].tolist() == [paths.dwell[index]]
        else:
            assert not middle.any()
        spans += len(path.spans)
        held += int(rows.sum())
    assert spans > held > 100 and exchanges > 50


def test_breaks_are_the_levers_that_the_pawns_allow() -> None:
    text = "".join(pgn(board) for board in random_games(31, 150))
    batch = read_games(find_games(text.encode(), (), final=True), Account())
    codes = SkeletonVerdicts(shipped_classifier()).codes(batch.white, batch.black)
    # Structures have no part in it here: let one stand everywhere.
    found = game_paths(batch, np.zeros_like(codes))
    told = {
        (game, ply): (kind, side, start, end)
        for game, ply, kind, side, start, end in zip(
            found.break_game.tolist(),
            found.break_ply.tolist(),
            found.break_kind.tolist(),
            found.break_side.tolist(),
            found.break_start.tolist(),
            found.break_end.tolist(),
            strict=True,
        )
    }
    levers = captures = 0
    for game in range(len(batch)):
        masks = batch.skeletons(game)
        squares = lever_squares(masks).one
        moves = batch.moves[batch.move_offsets[game] : batch.move_offsets[game + 1]].tolist()
        for ply, code in enumerate(moves, start=1):
            start, end, promotion = code & 63, code >> 6 & 63, code >> 12
            before, after = masks[ply - 1].tolist(), masks[ply].tolist()
            side = next((s for s in (0, 1) if before[s] >> start & 1), None)
            wanted = None
            if side is not None and code:
                foe = 1 - side
                if start % 8 != end % 8 and before[foe] != after[foe]:
                    wanted = (CAPTURE, side, start, end)
                    captures += 1
                elif (
                    start % 8 == end % 8
                    and not promotion
                    and int(squares[ply - 1, side]) >> end & 1
                ):
                    wanted = (LEVER, side, start, end)
                    levers += 1
            assert told.get((game, ply)) == wanted, (game, ply)
    assert levers > 50 and captures > 50


def test_verdict_for_verdict_as_the_tagger_has_them(
    tmp_path: pytest.TempPathFactory, capsys: pytest.CaptureFixture[str]
) -> None:
    """What ``pawnlore tag`` prints for every node, on the same games."""
    boards = random_games(37, 60)
    text = "".join(pgn(board) for board in boards)
    path = tmp_path / "games.pgn"  # type: ignore[operator]
    path.write_text(text, encoding="utf-8")
    assert main(["tag", str(path), "--format", "csv"]) == 0
    rows = list(csv.DictReader(io.StringIO(capsys.readouterr().out)))
    batch = read_games(find_games(text.encode(), (), final=True), Account())
    classifier = shipped_classifier()
    verdicts = SkeletonVerdicts(classifier)
    names = classifier.catalogue.ids
    order = np.argsort(batch.number)
    at = 0
    for row in order.tolist():
        masks = batch.skeletons(row)
        white, black = (np.ascontiguousarray(masks[:, side]) for side in (0, 1))
        codes = verdicts.codes(white, black)
        probability, core = verdicts.in_full(white, black)
        for place in range(masks.shape[0]):
            tagged = rows[at]
            at += 1
            structure, holder = "unsettled", "both"
            if codes[place] >= 0:
                structure = names[codes[place] // 3]
                holder = ("both", "white", "black")[codes[place] % 3]
                assert abs(float(tagged["probability"]) - probability[place]) < 7e-5
            assert (tagged["structure"], tagged["holder"]) == (structure, holder)
            assert tagged["core"] == ("yes" if core[place] else "no")
    assert at == len(rows) > 1000
