"""The page of the model: its figures in tables, words and a plot, for readers but no students."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from dataclasses import replace

import pytest
from browsers import (
    Browser,
    Served,
    accessible,
    complaints,
    phone,
    says,
    scripts,
    see,
    shots,
)
from flask.testing import FlaskClient
from running_services import TestService, bearer, make_service
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from pawnlore.models.classifier import shipped_classifier
from pawnlore.models.exam_figures import (
    CalibrationBin,
    ClassFigures,
    Confusion,
    Report,
    shipped_figures,
)
from pawnlore.service.pages.calibration_plot import calibration_plot
from pawnlore.service.pages.group_keys import heading
from pawnlore.service.pages.model_view import family_rows, mix_rows, weaknesses
from pawnlore.structures.catalogue import shipped_catalogue

MOST_BYTES = 100_000


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestService]:
    made = make_service(tmp_path_factory.mktemp("model"))
    yield made
    made.store.close()


@pytest.fixture
def client(service: TestService) -> FlaskClient:
    return service.client()


@pytest.fixture(scope="module")
def report() -> Report:
    return shipped_figures(shipped_classifier())


def plain(text: str) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", text)).split())


def off_core(report: Report, *classes: ClassFigures, confusions: tuple[Confusion, ...]) -> Report:
    paper = replace(
        report.off_core, classes=classes, count=sum(one.count for one in classes), named=7
    )
    return replace(report, off_core=paper, confusions=confusions)


# --- What is told.


def test_every_figure_is_on_the_page(client: FlaskClient, report: Report) -> None:
    answer = client.get("/model")
    assert answer.status_code == 200 and len(answer.data) < MOST_BYTES
    words = plain(answer.text)
    assert report.digest[:12] in words
    assert f"{report.skeletons:,} skeletons" in words
    assert f"{report.labels.training:,} positions labelled by hand" in words
    for one in report.calibration:
        assert f"{100 * one.low:.0f} to {100 * one.high:.0f} % {one.count}" in words
        assert f"{100 * one.right:.1f} %" in words


def test_every_structure_is_on_one_of_the_pages(client: FlaskClient, report: Report) -> None:
    seen: list[str] = []
    for number in range(1, 10):
        text = client.get(f"/model?page={number}").text
        rows = re.findall(r'<th scope="row"><a href="/structures/([^"]+)">', text)
        if rows[0] in seen:
            break
        seen += rows
    assert sorted(seen) == sorted(shipped_catalogue().ids)
    # A page that there is not is the nearest one.
    for page in ("0", "99999", "x", "-1", "1" * 5000):
        assert client.get(f"/model?page={page}").status_code == 200


def test_rows_add_up_to_the_papers(report: Report) -> None:
    rows = family_rows(report, shipped_catalogue())
    assert sum(row.cores.count for row in rows) == sum(one.count for one in report.cores.classes)
    assert sum(row.off_core.count for row in rows) == report.off_core.named
    faults = [row.off_core.faults for row in rows]
    assert faults == sorted(faults, reverse=True)
    mixed = mix_rows(report)
    assert sum(row.count for row in mixed) == report.off_core.count
    for row in mixed:
        assert row.right + row.silent + row.wrong == row.count
        assert sum(count for _, count in row.called) == row.wrong


def test_a_wrong_holder_alone_is_told_as_such(report: Report) -> None:
    made = off_core(
        report,
        ClassFigures.of("carlsbad", "white", 7, 4, 4),
        ClassFigures.of("carlsbad", "black", 0, 2, 0),
        ClassFigures.of("unsettled", "both", 0, 1, 0),
        confusions=(
            Confusion("off the core", "carlsbad white", "carlsbad black", 2),
            Confusion("off the core", "carlsbad white", "unsettled", 1),
            Confusion("cores", "stonewall white", "unsettled", 5),
        ),
    )
    (row,) = mix_rows(made)
    assert (row.count, row.right, row.silent, row.wrong) == (7, 4, 1, 2)
    assert row.called == (("Carlsbad structure, Black’s", 2),)


def test_weak_places_follow_the_figures(report: Report) -> None:
    catalogue = shipped_catalogue()
    sure = CalibrationBin(0.9, 1.0, 400, 0.95, 0.70)
    shy = CalibrationBin(0.4, 0.5, 400, 0.45, 0.70)
    fair = CalibrationBin(0.7, 0.8, 400, 0.75, 0.74)
    told = dict(weaknesses(replace(report, calibration=(sure, shy, fair)), catalogue))
    words = told["It is not as sure as it should be."].casefold()
    assert "between 90 and 100 % it is too sure: 70 % of 400" in words
    assert "between 40 and 50 % it is not sure enough" in words
    assert "70 and 80" not in words
    perfect = replace(
        report,
        cores=replace(
            report.cores, classes=(ClassFigures.of("carlsbad", "white", 9, 9, 9),), accuracy=1.0
        ),
        calibration=(fair,),
        confusions=(),
    )
    titles = [title for title, _ in weaknesses(perfect, catalogue)]
    assert titles == ["It was not examined off the core everywhere.", "It sees the pawns alone."]


def test_the_names_that_are_told_are_those_of_the_catalogue(report: Report) -> None:
    told = " ".join(text for _, text in weaknesses(report, shipped_catalogue()))
    pairs = (pair for pair in report.confusions if pair.paper == "off the core")
    most = next(pair for pair in pairs if pair.truth == "unsettled")
    assert heading(most.answer.split()[0]) in told


def test_the_plot_puts_each_bin_where_it_belongs() -> None:
    bins = [CalibrationBin(0.2, 0.3, 4, 0.25, 0.5), CalibrationBin(0.9, 1.0, 400, 1.0, 1.0)]
    drawn = str(calibration_plot(bins))
    circles = [
        tuple(map(float, found))
        for found in re.findall(r'cx="([\d.]+)" cy="([\d.]+)" r="([\d.]+)"', drawn)
    ]
    (x, y, r), (right, top, large) = circles
    frame = re.search(r'<rect class="plot-frame" x="(\d+)" y="(\d+)" width="(\d+)"', drawn)
    assert frame is not None
    left, upper, size = map(float, frame.groups())
    assert (x, y) == (left + size / 4, upper + size / 2)
    assert (right, top) == (left + size, upper) and large > 2 * r
    assert "No verdicts" in str(calibration_plot([]))


# --- Who is told, and of which model.


def test_a_model_without_figures_says_so(tmp_path_factory: pytest.TempPathFactory) -> None:
    other = replace(shipped_classifier(), digest="f" * 64)
    made = make_service(tmp_path_factory.mktemp("other"), classifier=other)
    client = made.client()
    page = client.get("/model")
    assert page.status_code == 200
    assert "none were measured on this model" in page.text and "macro-F1" not in page.text
    assert client.get("/api/model").json["examined"] is False  # type: ignore[index]
    answer = client.get("/api/model/figures")
    assert answer.status_code == 404 and "ffffffffffff" in answer.text
    made.store.close()


def test_programs_get_the_same_figures(client: FlaskClient, report: Report) -> None:
    assert client.get("/api/model").json["examined"] is True  # type: ignore[index]
    found = client.get("/api/model/figures").json
    assert found is not None
    assert found["digest"] == report.digest
    assert len(found["cores"]["classes"]) == len(report.cores.classes)


def test_students_are_not_shown_it(served: Served) -> None:
    student = bearer(served.service.link(served.repertoire))
    client = served.service.client()
    assert client.get("/look-up", headers=student).status_code == 200
    teaching = ("/teach/labels", "/teach/labels.epd", "/teach/label", "/teach/families")
    more = ("/teach/next", "/teach/model", "/api/teaching/versions")
    for path in ("/model", "/api/model", "/api/model/figures", *teaching, *more):
        assert client.get(path, headers=student).status_code == 403
    fen = {"fen": "8/pp3ppp/4p3/8/3P4/8/PP3PPP/8"}
    assert "/teach/" not in client.get("/look-up", query_string=fen, headers=student).text
    assert "/teach/" in client.get("/look-up", query_string=fen).text


# --- In a browser.


@pytest.mark.browser
def test_it_is_read_on_both_screens_without_scripts(browser: Browser, served: Served) -> None:
    scripts(browser, on=False)
    browser.get(served.at("/model"))
    says(browser, "Where it is weak")
    scripts(browser, on=True)
    browser.get(served.at("/model"))
    assert see(browser, "nav a[aria-current]").text.casefold() == "model"
    accessible(browser)
    phone(browser)
    accessible(browser)
    shots(browser, "model")
    assert not complaints(browser)


@pytest.mark.browser
def test_keys_alone_open_what_is_folded_and_move_wide_tables(
    browser: Browser, served: Served
) -> None:
    phone(browser)
    browser.get(served.at("/model"))
    for summary in browser.find_elements(By.TAG_NAME, "summary"):
        summary.send_keys(Keys.ENTER)
    opened = browser.find_elements(By.CSS_SELECTOR, "details[open]")
    assert len(opened) == 2
    says(browser, "Gives a name to")
    region = see(browser, '[aria-label="Table: By structure"]')
    region.send_keys(Keys.ARROW_RIGHT)
    assert region.get_attribute("tabindex") == "0"
    see(browser, "a[rel=next]").send_keys(Keys.ENTER)
    says(browser, "Page 2 of 3")
    accessible(browser)
