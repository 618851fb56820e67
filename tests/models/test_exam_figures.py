"""The figures beside the shipped model: they are its own, were measured, and are read with care."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pawnlore.models.classifier import shipped_classifier
from pawnlore.models.exam_figures import (
    ClassFigures,
    FiguresError,
    Report,
    figures_of,
    read_report,
    report_json,
    shipped_figures,
)
from pawnlore.models.model_card import model_card
from pawnlore.models.report import examine

MODELS = Path(__file__).resolve().parents[2] / "models"
TEXT = (MODELS / "shipped" / "figures.json").read_text("utf-8")


@pytest.fixture(scope="module")
def report() -> Report:
    return shipped_figures(shipped_classifier())


def test_the_figures_are_those_of_the_shipped_model(report: Report) -> None:
    model = shipped_classifier()
    assert report.digest == model.digest and len(report.digest) == 64
    assert report.skeletons == model.facts["skeletons"]
    assert (report.classes, report.threshold) == (len(model.classes), model.threshold)


def test_the_figures_of_another_model_are_refused() -> None:
    model = shipped_classifier()
    for other in (replace(model, digest="0" * 64), replace(model, digest="")):
        with pytest.raises(FiguresError, match="those of model"):
            shipped_figures(other)
    changed = TEXT.replace(model.digest, "0" * 64)
    with pytest.raises(FiguresError, match="those of model 000000000000"):
        figures_of(changed, model)
    with pytest.raises(FiguresError):
        figures_of(TEXT.replace(model.digest, ""), replace(model, digest=""))


def test_they_come_back_as_they_were_written(report: Report) -> None:
    assert report_json(report) == TEXT
    assert read_report(report_json(report)) == report


def test_counts_and_shares_fit_together(report: Report) -> None:
    for paper in (report.cores.classes, report.off_core.classes):
        for one in paper:
            assert one == ClassFigures.of(
                one.structure, one.holder, one.count, one.given, one.right
            )
            assert one.right <= min(one.count, one.given)
    off = report.off_core
    assert sum(one.count for one in off.classes) == sum(one.given for one in off.classes)
    assert sum(one.count for one in off.classes) == off.count
    right = sum(one.right for one in off.classes)
    assert right / off.count == pytest.approx(off.agreement)
    confused = sum(pair.count for pair in report.confusions if pair.paper == "off the core")
    assert confused == off.count - right
    far = sum(pair.count for pair in report.confusions if pair.paper == "far off")
    assert far == round(report.far_count * (1 - report.far_unsettled))
    assert sum(b.count for b in report.calibration) == report.off_core_calibration_count


def test_the_card_tells_the_same_figures(report: Report) -> None:
    card = (MODELS / "MODEL_CARD.md").read_text("utf-8")
    begin, end = card.index("## Compared with other models"), card.index("## Every class")
    assert model_card(report).strip() == (card[:begin] + card[end:]).strip()


@pytest.mark.slow
def test_measured_again_they_are_the_same(report: Report) -> None:
    again, kept = json.loads(report_json(examine(shipped_classifier()))), json.loads(TEXT)
    assert _near(again, kept)


def _near(one: Any, other: Any) -> bool:
    if isinstance(one, dict):
        return one.keys() == other.keys() and all(_near(one[key], other[key]) for key in one)
    if isinstance(one, list):
        return len(one) == len(other) and all(map(_near, one, other))
    return bool(one == (pytest.approx(other, abs=1e-6) if isinstance(one, float) else other))


@pytest.mark.parametrize(
    "text",
    ["", "[]", "null", "{}", '{"digest": "x"}', "[" * 100_000, "\0", '{"a": NaN}', "1" * 5_000],
)
def test_what_is_no_report_is_refused(text: str) -> None:
    with pytest.raises(FiguresError):
        read_report(text)


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_a_report_with_anything_wrong_in_it_is_refused(data: st.DataObject) -> None:
    value = json.loads(TEXT)
    at: Any = value
    while True:
        keys = sorted(at) if isinstance(at, dict) else range(len(at))
        key = data.draw(st.sampled_from(list(keys)))
        if not isinstance(at[key], dict | list) or data.draw(st.booleans()):
            break
        at = at[key]
    was = at[key]
    wrong: list[Any] = [None, True, [1], {"a": 1}, -1, -0.5, float("nan"), float("inf"), 1e99]
    if not isinstance(was, str):
        wrong += ["", "12"]
    at[key] = data.draw(st.sampled_from(wrong))
    with pytest.raises(FiguresError):
        read_report(json.dumps(value))
