"""The model card: what the classifier is, how it was examined, and where it is weak."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import TYPE_CHECKING

from pawnlore.models.examination import BASELINES, COMPARED_ON

if TYPE_CHECKING:
    from pawnlore.models.exam_figures import Report
    from pawnlore.models.report import ComparedModel

_INTRODUCTION = """\
# Model card

Written by `pawnlore evaluate --format card`; every figure is measured by that command.

**What it does.** It names the pawn structure family of a skeleton (where the pawns of both sides
stand, and nothing else) and whose it is, or says `unsettled`. Where the core of a family is
met, the core decides and the network is not asked for the name; elsewhere the network decides.

**What it is.** One hidden layer of {units} units on 128 bits (the pawns' squares, and for each
file and side whether it holds no pawn or more than one), a softmax over {classes} classes, a
sharpness and a shift fitted on held-out labels, and a threshold of {threshold:.2f} below which
nothing is named. It sees the canonical one of a skeleton and its mirror. It ships as plain numbers;
prediction needs numpy alone.

**What it learnt from.** {skeletons:,} distinct skeletons: of master games (a public-domain opening
book), sampled to meet each core, and neighbours of both by one to three pawn moves, captures or
losses; and the hand-labelled positions of `labelled_demo/positions.epd` and `off_core.epd`. A
skeleton that no core names has the label that the raters would likely give, learnt
from them by a logistic model on how each core is missed, or none. Seven skeletons in ten may be
learnt from; a hash of the canonical skeleton decides, so that no skeleton that is examined, nor its
mirror, was learnt from.

**What it is not for.** It does not look at pieces, at whose move it is or at tactics: an exchange
in mid-air that shows only in the pieces looks to it like a pawn lost. It knows the shipped families
only.
"""


def model_card(report: Report, compared: Sequence[ComparedModel] = ()) -> str:
    """The card as Markdown."""
    parts = [
        _INTRODUCTION.format(
            units=report.units,
            classes=report.classes,
            threshold=report.threshold,
            skeletons=report.skeletons,
        ),
        _summary(report),
        _thresholds(report),
        _calibration(report),
        _weaknesses(report),
        _confusions(report),
    ]
    if compared:
        parts.append(comparison(compared, report.skeletons))
    parts.append(_families(report))
    return "\n".join(parts)


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    lines = [f"| {' | '.join(head)} |", f"|{'---|' * len(head)}"]
    return "\n".join([*lines, *(f"| {' | '.join(row)} |" for row in rows)]) + "\n"


def _summary(report: Report) -> str:
    cores, off = report.cores, report.off_core
    rows = [
        ("held-out core skeletons, core switched off", str(sum(c.count for c in cores.classes))),
        ("named right", f"{cores.accuracy:.4f}"),
        ("named right, macro-averaged over the classes", f"{cores.macro_recall:.4f}"),
        ("macro-F1", f"{cores.macro_f1:.4f}"),
        ("positions off the core, named by three raters each", str(off.count)),
        ("agreement with the majority", f"{off.agreement:.3f}"),
        ("of those that the majority names", f"{off.named_agreement:.3f} of {off.named}"),
        ("saying unsettled to all would reach", f"{off.all_unsettled:.3f}"),
        ("two of the raters agree", f"{off.raters:.3f}"),
        (
            "expected calibration error off the core",
            f"{report.off_core_calibration_error:.3f} on {report.off_core_calibration_count}",
        ),
        (
            "skeletons of games far from every core left unsettled",
            f"{report.far_unsettled:.4f} of {report.far_count}",
        ),
    ]
    return "## Figures\n\n" + _table(("what", "measured"), rows)


def _thresholds(report: Report) -> str:
    rows = [
        (
            f"{p.threshold:.2f}",
            f"{p.agreement:.3f}",
            f"{p.named_agreement:.3f}",
            f"{p.named_share:.3f}",
        )
        for p in report.thresholds[::2]
    ]
    head = ("threshold", "agreement", "of those the majority names", "share named by the model")
    return "## How the answers off the core change with the threshold\n\n" + _table(head, rows)


def _calibration(report: Report) -> str:
    rows = [
        (f"{b.low:.2f} to {b.high:.2f}", str(b.count), f"{b.mean:.3f}", f"{b.right:.3f}")
        for b in report.calibration
    ]
    head = ("probabilities", "verdicts", "mean probability", "share right")
    return (
        "## Calibration off the core\n\n"
        "Of every position that the network has not learnt from, by a calibration fitted without"
        " it (five folds), in bins of equal width.\n\n" + _table(head, rows)
    )


def _weaknesses(report: Report) -> str:
    weak = sorted(report.cores.classes, key=lambda c: (c.f1, c.structure))[:8]
    listed = ", ".join(f"{c.structure} {c.holder} ({c.f1:.3f})" for c in weak)
    missed: dict[str, int] = defaultdict(int)
    for confusion in report.confusions:
        if confusion.paper == "off the core" and confusion.answer == "unsettled":
            missed[confusion.truth.split()[0]] += confusion.count
    worst = sorted(missed.items(), key=lambda pair: (-pair[1], pair[0]))[:8]
    left = ", ".join(f"{name} ({count})" for name, count in worst) or "none"
    return (
        "## Where it is weak\n\n"
        f"- Lowest F1 on cores: {listed}.\n"
        f"- Families that the raters named off the core and it left unsettled most often: {left}.\n"
        "- Off the core most labels are the judgement of one rater; two raters differ in some"
        " cases, so agreement has a ceiling below one.\n"
        "- The raters saw the whole position and it sees the pawns alone.\n"
    )


def _confusions(report: Report) -> str:
    ordered = sorted(report.confusions, key=lambda c: (-c.count, c.paper, c.truth, c.answer))[:20]
    rows = [(c.paper, c.truth, c.answer, str(c.count)) for c in ordered]
    head = ("paper", "truth", "called", "times")
    return "## Most frequent confusions\n\n" + _table(head, rows)


def comparison(compared: Sequence[ComparedModel], skeletons: int) -> str:
    """The section on other models; the shipped one learnt from ``skeletons``."""
    rows = [
        (
            row.name,
            f"{row.cores_macro_recall:.4f}",
            f"{row.cores_macro_f1:.4f}",
            f"{row.off_core_agreement:.3f}",
            f"{row.off_core_named_agreement:.3f}",
            f"{row.far_unsettled:.4f}",
        )
        for row in compared
    ]
    head = ("model", "cores, macro", "cores, macro-F1", "off core", "of the named", "far")
    return (
        "## Compared with other models\n\n"
        "All sit the same papers (`pawnlore evaluate --compare`). The network learnt from"
        f" {skeletons:,} skeletons and answers by its threshold; nearest neighbour, linear and"
        f" extra trees learnt from a sample of {COMPARED_ON:,} of them and answer with their"
        f" likeliest class, so they could do better with more. {_leaders(compared)}\n\n"
        + _table(head, rows)
    )


def _leaders(compared: Sequence[ComparedModel]) -> str:
    """Which model that learns does best on each paper, as measured."""
    learnt = [row for row in compared if row.name not in BASELINES]
    cores = max(learnt, key=lambda row: row.cores_macro_recall)
    off = max(round(row.off_core_agreement, 3) for row in learnt)
    best = " and ".join(row.name for row in learnt if round(row.off_core_agreement, 3) == off)
    return (
        f"Of those that learn, {cores.name} knows the cores best ({cores.cores_macro_recall:.4f});"
        f" off the core the best agreement is that of {best} ({off:.3f})."
    )


def _families(report: Report) -> str:
    rows = [
        (
            c.structure,
            c.holder,
            str(c.count),
            f"{c.precision:.3f}",
            f"{c.recall:.3f}",
            f"{c.f1:.3f}",
        )
        for c in report.cores.classes
    ]
    head = ("family", "holder", "skeletons", "precision", "recall", "F1")
    return "## Every class, on held-out cores with the core switched off\n\n" + _table(head, rows)
