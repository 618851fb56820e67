"""The figures of a taught version on pages, over HTTP and in words, or why there are none."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from hashlib import sha256
from pathlib import Path
from typing import Any

import pytest
from flask.testing import FlaskClient
from running_services import TestService, make_service
from taught_reports import made_figures, made_report

from pawnlore.models.classifier import shipped_classifier
from pawnlore.models.taught_classifier import taught_bytes, with_families
from pawnlore.models.taught_figures import report_value
from pawnlore.service.exports.taught_words import taught_lines
from pawnlore.service.learnt_from import MOST_ROWS, learnt_from
from pawnlore.service.pages.taught_view import own_weaknesses
from pawnlore.service.store.family_shelf import FamilyShelf
from pawnlore.service.store.label_shelf import GivenLabel, LabelShelf
from pawnlore.service.store.model_shelf import ModelShelf

MOST_BYTES = 100_000
HOSTILE = "<script>alert('&')</script> {{ 7*7 }}"
BROWSER = {"Accept": "text/html"}


@pytest.fixture
def service(tmp_path: Path) -> Iterator[TestService]:
    made = make_service(tmp_path)
    yield made
    made.store.close()


@pytest.fixture
def client(service: TestService) -> FlaskClient:
    return service.client()


def keep(service: TestService, content: bytes = b"numbers", **figures: Any) -> int:
    return (
        ModelShelf(service.store)
        .add(
            content,
            base=shipped_classifier().digest,
            taught_from={"labels": 6, "families": []},
            figures={**made_figures(content), **figures},
            author="Ada",
        )
        .number
    )


def plain(text: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())


def test_every_figure_of_a_version_is_on_its_page(
    service: TestService, client: FlaskClient
) -> None:
    FamilyShelf(service.store).add("own/f0", "Wing <clamp>")
    number = keep(service)
    answer = client.get(f"/teach/model/{number}/figures")
    page = plain(answer.text)
    assert answer.status_code == 200 and len(answer.data) < MOST_BYTES
    for told in (
        f"Figures of version {number}",
        "Your labels and examples, each judged by what the others taught 16 13",
        "Wing <clamp> 6 5 9 8 1 300 of 4,167",
        "The expected calibration error is 0.125",
        "Wing <clamp> 6 5 0 1 Maróczy bind",
        "by Ada , with the seed 7",
        "Bo <b> : 1",
        "must have own a4",
        "of which 3 of the raters’ positions got the name",
    ):
        assert told in page, told
    # Where it is weak is told in words, with what was measured.
    for told in (
        "Of examples, each judged by what the others taught, it found",
        "It is named on 300 of 4167 positions of games",
        "Wing <clamp> on 2 of Hedgehog",
        "between 90 and 100 % it is too sure: 50 % of 40 verdicts were right",
    ):
        assert told.casefold() in page.casefold(), told
    # Its parent's core is where a finer family belongs.
    assert "on 31 of Maróczy bind" not in page
    assert "<clamp>" not in answer.text and f'href="/teach/model/{number}"' in answer.text


def test_families_told_next_to_a_core_are_told_with_what_would_change(
    service: TestService, client: FlaskClient
) -> None:
    FamilyShelf(service.store).add("own/f0", "Wing <clamp>")
    group = {
        "repertoire": "r",
        "name": "Course",
        "structure": "maroczy-bind",
        "holder": "black",
        "own": "own/f0",
        "own_holder": "black",
        "nodes": 1_234,
    }
    # Its numbers cannot be used, so that what was measured before is shown.
    gone = {**group, "own": "", "own_holder": "", "before": "own/f0", "before_holder": "black"}
    number = keep(service, nodes_beside=1_234, beside=[group, {**gone, "nodes": 2}])
    answer = client.get(f"/teach/model/{number}")
    page = plain(answer.text)
    assert "Wing <clamp>, Black’s , next to Maróczy bind, Black’s : 1,234 in Course" in page
    assert "No longer Wing <clamp>, Black’s , next to Maróczy bind, Black’s : 2 in Course" in page
    assert "keeps its verdict" not in page and "<clamp>" not in answer.text
    plainly = plain(client.get(f"/teach/model/{keep(service, b'others')}").text)
    assert "Nothing: every position keeps its verdict." in plainly and "next to" not in plainly


def test_the_page_of_the_model_has_the_figures_of_the_version_in_use(
    service: TestService, client: FlaskClient
) -> None:
    content = taught_bytes(with_families(shipped_classifier(), ()))
    number = keep(service, content)
    assert "What it takes for what, on what you said" not in client.get("/model").text
    ModelShelf(service.store).choose(number)
    page = client.get("/model").text
    assert "What it takes for what, on what you said" in page
    assert '<a href="/teach/model/0/figures">' in page
    shipped = client.get("/teach/model/0/figures").text
    assert "Figures of the model that ships" in shipped and "on what you said" not in shipped
    # Programs are told of the same.
    digest = sha256(content).hexdigest()
    assert client.get("/api/model").json["examined"] is True  # type: ignore[index]
    assert client.get("/api/model/figures").json["digest"] == digest  # type: ignore[index]
    whole = client.get(f"/api/teaching/versions/{number}/figures").json
    assert whole == report_value(made_report(content))


def test_a_page_stays_small_with_as_much_as_there_can_be(
    service: TestService, client: FlaskClient
) -> None:
    content = b"many"
    families = FamilyShelf(service.store)
    for number in range(200):
        families.add(f"own/f{number}", "&" * 200)
    figures = made_figures(content, families=200, name="&" * 200)
    number = keep(service, content, **figures)
    first = client.get(f"/teach/model/{number}/figures")
    assert first.status_code == 200 and len(first.data) < MOST_BYTES
    last = client.get(f"/teach/model/{number}/figures?own_page=8&page=3")
    assert "Page 8 of 8" in last.text and "Page 3 of 3" in last.text
    assert 'href="/teach/model/' in last.text and "own_page=8&amp;page=2" in last.text
    assert "page=3&amp;own_page=7" in last.text
    assert "And 176 more, which programs find at" in plain(first.text)
    assert len(client.get("/teach/model").data) < MOST_BYTES


def test_what_an_author_wrote_is_shown_as_it_is(service: TestService, client: FlaskClient) -> None:
    content = b"hostile"
    figures = made_figures(content, name=HOSTILE)
    learnt = figures["report"]["learnt_from"]
    learnt["labels"][0]["author"] = HOSTILE
    learnt["families"][0].update(authors=HOSTILE, corrections=HOSTILE, parent=HOSTILE)
    number = keep(service, content, **figures)
    page = client.get(f"/teach/model/{number}/figures").text
    assert "<script>alert" not in page and page.count("&lt;script&gt;") >= 4


@pytest.mark.parametrize(
    ("report", "told"),
    [
        (None, "taught before"),
        ({}, "cannot be"),
        ({"report": 1}, "cannot be"),
        ("other", "those of another model"),
    ],
)
def test_figures_that_are_not_there_or_not_its_own_are_told(
    service: TestService, client: FlaskClient, report: Any, told: str
) -> None:
    content = taught_bytes(with_families(shipped_classifier(), ()))
    figures = made_figures(content)
    if report is None:
        del figures["report"]
    else:
        figures["report"] = report_value(made_report(b"x")) if report == "other" else report
    number = (
        ModelShelf(service.store)
        .add(content, base="", taught_from={"labels": 0, "families": []}, figures=figures)
        .number
    )
    page = client.get(f"/teach/model/{number}/figures")
    assert (
        page.status_code == 200
        and told in page.text
        and "retrain" in page.text.casefold() + ("retrain" if report == "other" else "")
    )
    answer = client.get(f"/api/teaching/versions/{number}/figures")
    assert answer.status_code == (404 if report is None else 422)
    ModelShelf(service.store).choose(number)
    model = client.get("/model")
    assert (
        model.status_code == 200 and "which you taught" in model.text and "macro-F1" in model.text
    )
    assert client.get("/api/model/figures").status_code == 404
    assert client.get("/teach/model/99/figures", headers=BROWSER).status_code == 404
    assert client.get("/api/teaching/versions/99/figures").status_code == 404


def test_the_words_on_the_terminal_tell_the_same() -> None:
    report = made_report(b"x")
    told = "\n".join(taught_lines(report, shipped_classifier().catalogue))
    for title, text in own_weaknesses(report):
        assert title in told and text in told
    for part in (
        "13 of 16 right",
        "own/f0: 5 of 6 examples found, 8 of 9 kept out that are not of it, 1 taken",
        "expected calibration error 0.125",
        "own/f0: 5 of 6 right; else Maróczy bind ×1",
        "3 labels by Ada: Carlsbad structure ×3",
        "2 labels by nobody named",
        "you said: must have own a4",
        "with seed 7",
    ):
        assert part in told, part


def test_what_was_learnt_is_counted_by_author_and_structure(service: TestService) -> None:
    labels = LabelShelf(service.store)
    given = [
        GivenLabel((1 << 8 | number << 16, 1 << 52), structure, "white", author=author)
        for number, (structure, author) in enumerate(
            [("carlsbad", "Ada"), ("carlsbad", "Bo"), ("hedgehog", "Ada"), ("carlsbad", "Ada")]
        )
    ]
    labels.put_all(given)
    FamilyShelf(service.store).add("own/x", "X", parent="maroczy-bind")
    found = learnt_from(labels.list(), FamilyShelf(service.store).list(), base="b", seed=2)
    assert [(one.author, one.structure, one.count) for one in found.labels] == [
        ("Ada", "carlsbad", 2),
        ("Ada", "hedgehog", 1),
        ("Bo", "carlsbad", 1),
    ]
    assert (found.base, found.seed, found.families[0].parent) == ("b", 2, "maroczy-bind")
    many = [
        GivenLabel((1 << 9 | number << 16, 1 << 53), "carlsbad", "white", author=f"a{number}")
        for number in range(MOST_ROWS + 7)
    ]
    labels.put_all(many)
    found = learnt_from(labels.list(), [], base="b", seed=2)
    assert len(found.labels) == MOST_ROWS + 1
    assert sum(one.count for one in found.labels) == len(many) + len(given)


def test_a_list_of_versions_does_not_carry_their_figures(service: TestService) -> None:
    number = keep(service)
    (listed,) = ModelShelf(service.store).list()
    assert listed.figures == {} and ModelShelf(service.store).get(number).figures["exam"]
