"""Training: from cores, games and hand-labelled positions to a classifier.

The network learns from skeletons that meet a core, from skeletons of games and
from neighbours of both. What no core names gets the label that a trainer would
likely give (`pawnlore.models.judgement`), or none. Nothing that is kept for
calibration or examination, nor its mirror, is ever among them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, replace

import numpy as np
import numpy.typing as npt
from joblib import cpu_count
from sklearn.neural_network import MLPClassifier

from pawnlore.models.calibration import calibrate
from pawnlore.models.classes import NO_FAMILY, Classes, classes_of
from pawnlore.models.classifier import (
    HIDDEN_STEP,
    OUTPUT_STEP,
    UNIT_STEP,
    Classifier,
    whole_steps,
)
from pawnlore.models.judgement import TrainerJudgement
from pawnlore.models.label_sets import LabelSets, shipped_label_sets
from pawnlore.models.network_input import network_input
from pawnlore.models.sampling import (
    captures_in_mid_air,
    game_skeletons,
    sample_cores,
    sample_neighbours,
)
from pawnlore.models.split import TRAINING, part_of, skeleton_keys
from pawnlore.structures.matcher import CoreMatcher, shipped_matcher
from pawnlore.structures.skeleton import Masks, mirror_batch
from pawnlore.structures.verdict import BOTH, NONE

Say = Callable[[str], None]

_CENTRAL_HOMES = (np.uint64(0x1C << 8), np.uint64(0x1C << 48))
_TOO_EARLY = 0.2
"""How much of a family's chance is left where the opening has hardly begun. The raters judged
positions from the twelfth half-move on, where such a skeleton means more than on the third."""

_CERTAIN = 0.08
"""A label with less doubt than this is learnt as it is, which halves the rows."""


@dataclass(frozen=True)
class TrainingPlan:
    """How much of what to learn from, and with how large a network."""

    seed: int = 7
    cores_each: int = 600
    neighbours_of_games: int = 16
    neighbours_of_cores: int = 1
    far_share: float = 0.5
    units: int = 192
    rounds: int = 12
    label_weight: float = 1.0


def quick_plan() -> TrainingPlan:
    """A plan that trains in seconds, to try things out and for the tests."""
    return TrainingPlan(cores_each=70, neighbours_of_games=1, far_share=0.3, units=64, rounds=8)


@dataclass(frozen=True)
class TrainingSet:
    """N skeletons with soft labels: a family's class with ``chance``, else none."""

    masks: Masks
    number: npt.NDArray[np.int16]
    chance: npt.NDArray[np.float64]
    weight: npt.NDArray[np.float64]


def train(plan: TrainingPlan | None = None, say: Say = lambda text: None) -> Classifier:
    """Train a classifier; the same plan gives the same classifier.

    ``say`` is told each step in words.
    """
    matcher = shipped_matcher()
    sets = shipped_label_sets(matcher.catalogue)
    return train_for(matcher, sets, plan or TrainingPlan(), say)


def train_for(
    matcher: CoreMatcher, sets: LabelSets, plan: TrainingPlan, say: Say = lambda text: None
) -> Classifier:
    """The same for a catalogue and labels that are given."""
    rng = np.random.default_rng(plan.seed)
    say("learning how trainers judge positions off the core")
    judgement = learn_judgement(matcher, sets)
    say("making skeletons to learn from")
    made, classes = build_training_set(plan, matcher, judgement, sets, rng)
    say(f"training the network on {made.masks.shape[0]} skeletons and their mirrors")
    network = _fit_network(plan, made, classes, say)
    say("calibrating on positions that were not learnt from")
    steps = (HIDDEN_STEP, HIDDEN_STEP, OUTPUT_STEP, UNIT_STEP * OUTPUT_STEP)
    hidden, hidden_bias, output, output_bias = (
        whole_steps(weights, step) for weights, step in zip(network, steps, strict=True)
    )
    rough = Classifier(
        matcher.catalogue,
        classes,
        hidden,
        hidden_bias,
        output,
        output_bias,
        sharpness=1.0,
        none_shift=0.0,
        threshold=0.5,
    )
    fitted = calibrate(rough, sets.calibration)
    facts = {"plan": asdict(plan), "skeletons": int(made.masks.shape[0])}
    return replace(
        rough,
        sharpness=fitted.sharpness,
        none_shift=fitted.none_shift,
        threshold=fitted.threshold,
        facts=facts,
    )


def learn_judgement(matcher: CoreMatcher, sets: LabelSets) -> TrainerJudgement:
    """The judgement off the core, from the labels that may be learnt from."""
    labels = sets.training
    off_core = np.flatnonzero(matcher.match(labels.masks).family == NONE)
    chosen = labels.take(off_core)
    # Positions made to show a point are not as common as those met in play.
    made = np.array([label.startswith("demo-") for label in chosen.ids])
    weight = np.where(made, 0.5, 1.0)
    return TrainerJudgement(matcher).fit(chosen.masks, chosen.family, chosen.holder, weight)


def build_training_set(
    plan: TrainingPlan,
    matcher: CoreMatcher,
    judgement: TrainerJudgement,
    sets: LabelSets,
    rng: np.random.Generator,
) -> tuple[TrainingSet, Classes]:
    """Everything that the network learns from, and the classes that occur in it."""
    games = game_skeletons().masks
    jobs = cpu_count() or 1
    cores = sample_cores(matcher, rng, each=plan.cores_each, base=games, jobs=jobs)
    near_games = np.repeat(games, plan.neighbours_of_games, axis=0)
    near_cores = np.repeat(cores, plan.neighbours_of_cores, axis=0)
    far = near_cores[rng.random(near_cores.shape[0]) < plan.far_share]
    half_done = captures_in_mid_air(np.concatenate([games, cores]))
    pool = np.concatenate(
        [
            games,
            cores,
            half_done,
            sample_neighbours(near_games, rng, jobs=jobs),
            sample_neighbours(near_cores, rng, jobs=jobs),
            sample_neighbours(far, rng, edits=3, jobs=jobs),
        ]
    )
    pool = distinct_skeletons(pool)
    kept = (part_of(pool) == TRAINING) & ~np.isin(skeleton_keys(pool), sets.reserved_keys())
    pool = pool[kept]
    match = matcher.match(pool)
    family, holder, chance = judgement.judge(pool)
    # Half an exchange is unsettled by definition, whatever the pawns look like.
    chance = np.where(np.isin(skeleton_keys(pool), skeleton_keys(half_done)), 0.0, chance)
    chance = np.where(hardly_begun(pool), chance * _TOO_EARLY, chance)
    core = match.family != NONE
    family = np.where(core, match.family, family).astype(np.int16)
    holder = np.where(core, match.holder, holder).astype(np.int8)
    chance = np.where(core, 1.0, chance)
    also_both = set(match.family[core & (match.holder == BOTH)].tolist())
    shared = {f.rank for f in matcher.catalogue.families if f.shared}
    classes = classes_of(matcher.catalogue, also_both - shared)
    labels = sets.training
    masks = np.concatenate([pool, labels.masks])
    number = np.concatenate(
        [classes.number(family, holder), classes.number(labels.family, labels.holder)]
    )
    chance = np.concatenate([chance, np.ones(len(labels))])
    weight = np.concatenate([np.ones(pool.shape[0]), np.full(len(labels), plan.label_weight)])
    return TrainingSet(masks, number, chance, weight), classes


def hardly_begun(masks: Masks) -> npt.NDArray[np.bool_]:
    """Where no pawn is gone and at most two of the six c-, d- and e-pawns have moved, (N,).

    >>> two_and_three = [[0x0CF300, 0xFF << 48], [0x1CE300, 0xFF << 48]]
    >>> hardly_begun(np.array(two_and_three, dtype=np.uint64)).tolist()
    [True, False]
    """
    at_home = np.bitwise_count(masks & np.array(_CENTRAL_HOMES)).sum(axis=1)
    early: npt.NDArray[np.bool_] = (np.bitwise_count(masks).sum(axis=1) == 16) & (at_home >= 4)
    return early


def distinct_skeletons(masks: Masks) -> Masks:
    """One of each skeleton and its mirror, in a fixed order."""
    _, first = np.unique(skeleton_keys(masks), return_index=True)
    return masks[np.sort(first)]


def _fit_network(
    plan: TrainingPlan, made: TrainingSet, classes: Classes, say: Say
) -> tuple[npt.NDArray[np.float64], ...]:
    """Both orientations of everything, so that what is learnt for White holds for Black."""
    masks = np.concatenate([made.masks, mirror_batch(made.masks)])
    number = np.concatenate([made.number, classes.mirror[made.number]])
    chance, weight = np.tile(made.chance, 2), np.tile(made.weight, 2)
    named = np.flatnonzero((number != NO_FAMILY) & (chance > _CERTAIN))
    none = np.flatnonzero((number == NO_FAMILY) | (chance < 1 - _CERTAIN))
    rows = np.concatenate([named, none])
    target = np.concatenate([number[named], np.full(none.size, NO_FAMILY)])
    share = np.where(number == NO_FAMILY, 0.0, chance)
    worth = np.concatenate([weight[named] * share[named], weight[none] * (1 - share[none])])
    network = MLPClassifier(
        hidden_layer_sizes=(plan.units,),
        batch_size=512,
        learning_rate_init=1.5e-3,
        alpha=1e-6,
        random_state=plan.seed,
    )
    inputs = network_input(masks[rows])
    for done in range(plan.rounds):
        network.partial_fit(inputs, target, classes=np.arange(len(classes)), sample_weight=worth)
        say(f"round {done + 1} of {plan.rounds}, loss {network.loss_:.4f}")
    unseen = len(classes) - np.unique(target).size
    if unseen:
        raise ValueError(f"{unseen} classes have no skeleton to learn from; sample more of each")
    hidden, output = network.coefs_
    hidden_bias, output_bias = network.intercepts_
    return hidden, hidden_bias, output, output_bias
