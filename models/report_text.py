"""Reports of an examination as tables for people."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pawnlore.models.exam_figures import Report
    from pawnlore.models.report import ComparedModel

_WORST = 12


def report_text(report: Report) -> str:
    """The report of one classifier, the weakest classes first."""
    cores, off = report.cores, report.off_core
    lines = [
        f"model {report.digest[:12] or '(not saved)'}, threshold {report.threshold:.2f}",
        "",
        "On cores, with the core switched off (no skeleton or mirror was trained on)",
        f"  skeletons {sum(row.count for row in cores.classes)}, classes {len(cores.classes)}",
        f"  named right {cores.accuracy:.4f}; macro-averaged {cores.macro_recall:.4f};"
        f" macro-F1 {cores.macro_f1:.4f}",
        "  weakest classes: structure, holder, skeletons, precision, recall, F1",
    ]
    weakest = sorted(cores.classes, key=lambda row: row.f1)[:_WORST]
    lines += [
        f"    {row.structure:26} {row.holder:6} {row.count:5}"
        f" {row.precision:6.3f} {row.recall:6.3f} {row.f1:6.3f}"
        for row in weakest
    ]
    lines += [
        "",
        "Off the core, against the majority of raters",
        f"  positions {off.count}; agreement {off.agreement:.3f}"
        f" (saying unsettled to all: {off.all_unsettled:.3f};"
        f" two of the raters: {off.raters:.3f})",
        f"  of the {off.named} that the majority names: {off.named_agreement:.3f};"
        f" named by the model: {off.named_share:.3f} of all",
        f"  expected calibration error {report.off_core_calibration_error:.3f}"
        f" (on {report.off_core_calibration_count} positions)",
        "",
        f"Far off every core: {report.far_unsettled:.4f} of {report.far_count} unsettled",
        "",
        "Off the core by threshold: threshold, agreement, of the named, named by the model",
    ]
    lines += [
        f"    {p.threshold:.2f}  {p.agreement:.3f}  {p.named_agreement:.3f}  {p.named_share:.3f}"
        for p in report.thresholds[::3]
    ]
    lines += ["", "Most frequent confusions"]
    lines += [
        f"    {c.count:3}  {c.paper:12}  {c.truth} called {c.answer}"
        for c in sorted(report.confusions, key=lambda c: -c.count)[:_WORST]
    ]
    return "\n".join(lines)


def comparison_table(rows: Sequence[ComparedModel]) -> str:
    """Compared models, a line each."""
    head = f"{'model':20} {'cores':>7} {'core F1':>8} {'off core':>9} {'of named':>9} {'far':>7}"
    return "\n".join(
        [
            head,
            *(
                f"{row.name:20} {row.cores_macro_recall:7.4f} {row.cores_macro_f1:8.4f}"
                f" {row.off_core_agreement:9.3f} {row.off_core_named_agreement:9.3f}"
                f" {row.far_unsettled:7.4f}"
                for row in rows
            ),
        ]
    )
