"""The model card speaks of the model that is shipped, and its words follow its tables."""

from __future__ import annotations

import re
from pathlib import Path

from pawnlore.models.classifier import shipped_classifier
from pawnlore.models.examination import BASELINES, COMPARED_ON
from pawnlore.models.model_card import comparison
from pawnlore.models.report import ComparedModel

CARD = (Path(__file__).resolve().parents[2] / "models" / "MODEL_CARD.md").read_text("utf-8")


def test_the_card_is_that_of_the_shipped_model() -> None:
    shipped = shipped_classifier()
    words = " ".join(CARD.split())
    assert f"{shipped.facts['skeletons']:,} distinct skeletons" in words
    assert f"layer of {shipped.hidden_bias.shape[0]} units" in words
    assert f"over {len(shipped.classes)} classes" in words
    assert f"threshold of {shipped.threshold:.2f}" in words


def test_what_the_card_says_of_other_models_is_what_its_table_says() -> None:
    kept = CARD[CARD.index("## Compared with other models") : CARD.index("## Every class")]
    rows = re.findall(r"^\| ([^|]+?) \| ([01][^|]*(?:\| [01][^|]*){4}) \|$", kept, re.M)
    compared = [ComparedModel(name, *map(float, figures.split("|"))) for name, figures in rows]
    assert len(compared) >= 6
    skeletons = int(shipped_classifier().facts["skeletons"])
    assert comparison(compared, skeletons).strip() == kept.strip()


def test_the_best_model_is_named_by_its_figures() -> None:
    rows = [
        ComparedModel(BASELINES[1], 1.0, 1.0, 0.99, 0.0, 1.0),
        ComparedModel("one", 0.91, 0.9, 0.80, 0.7, 0.9),
        ComparedModel("other", 0.90, 0.9, 0.85, 0.7, 0.9),
    ]
    text = comparison(rows, 1_000)
    assert f"a sample of {COMPARED_ON:,}" in text
    assert "one knows the cores best (0.9100)" in text
    assert "the best agreement is that of other (0.850)" in text
