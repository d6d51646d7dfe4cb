"""The page in a real browser: phone to wide and print, no request, no script, accessible, text shown as typed."""

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from analysis.review.changes import changes_between
from analysis.review.outcome import StoredOutcome
from analysis.review.page import LARGEST_PAGE, build_page, build_wall_sheet
from tests.notebooks import invented_review

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed")

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
pytestmark = [
    pytest.mark.browser,
    pytest.mark.timeout(120),
    pytest.mark.skipif(CHROMIUM is None, reason="Chromium is not installed on this machine"),
]
WIDTHS = (360, 768, 1440)
HOSTILE = (
    '<script>alert(1)</script></style></title>{{ 7*7 }} "quoted" \u202eRTL <img src=x onerror=alert(2)> =1+1 '
    + "long" * 300
)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with sync_api.sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield running
        running.close()


def build(root: Path, decisions: dict[str, Any]) -> tuple[Path, Path]:
    season = invented_review.season_folder(root)
    invented_review.store(season, root / "out", decisions)
    outcome = StoredOutcome(season, invented_review.MONTH, root / "out")
    changes = changes_between(None, root / "out", decisions)
    return build_page(outcome, changes), build_wall_sheet(outcome)


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    page, wall = build(tmp_path_factory.mktemp("page"), invented_review.invented_decisions())
    return {"page": page, "wall": wall}


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    decisions = invented_review.invented_decisions()
    decisions["dairy"] = HOSTILE
    decisions["flags"] = [{"code": "x", "severity": "warning", "where": HOSTILE, "text": HOSTILE}] * 5
    decisions["next_tests"][0]["why"] = HOSTILE
    decisions["label_action"][0]["why"] = HOSTILE
    decisions["claims"][0]["claim"] = HOSTILE
    page, wall = build(tmp_path_factory.mktemp("hostile"), decisions)
    return {"page": page, "wall": wall}


class Watched:
    """A browser page that keeps what it asked for, complained of and popped up."""

    def __init__(self, browser: Any, path: Path, width: int) -> None:
        self.page = browser.new_page(viewport={"width": width, "height": 900})
        self.requests: list[str] = []
        self.complaints: list[str] = []
        self.dialogs: list[str] = []
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("dialog", lambda dialog: (self.dialogs.append(dialog.message), dialog.dismiss()))
        self.page.goto(path.as_uri())

    @property
    def beyond_the_file(self) -> list[str]:
        return [url for url in self.requests[1:] if not url.startswith("data:")]


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("which", ["page", "wall"])
@pytest.mark.parametrize("kind", ["pages", "hostile"])
def test_fits_asks_for_nothing_and_says_nothing(
    browser: Any, request: pytest.FixtureRequest, kind: str, which: str, width: int
) -> None:
    watched = Watched(browser, request.getfixturevalue(kind)[which], width)
    overflow = watched.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert overflow <= 0
    assert (watched.beyond_the_file, watched.complaints, watched.dialogs) == ([], [], [])
    watched.page.close()


@pytest.mark.parametrize("width", [360, 1440])
@pytest.mark.parametrize("which", ["page", "wall"])
def test_axe_finds_no_violation(browser: Any, pages: dict[str, Path], which: str, width: int) -> None:
    page = browser.new_page(viewport={"width": width, "height": 900}, bypass_csp=True)
    page.goto(pages[which].as_uri())
    found = axe.Axe().run(page)
    assert found.violations_count == 0, found.generate_report()
    page.close()


def test_hostile_text_is_shown_as_typed(browser: Any, hostile: dict[str, Path]) -> None:
    watched = Watched(browser, hostile["page"], 768)
    assert (
        watched.page.locator("h1")
        .inner_text()
        .startswith('<script>alert(1)</script></style></title>{{ 7*7 }} "quoted"')
    )
    assert watched.page.locator("script").count() == 0
    watched.page.close()


def test_opens_as_a_letter_with_three_numbered_points(browser: Any, pages: dict[str, Path]) -> None:
    watched = Watched(browser, pages["page"], 768)
    points = watched.page.locator("ol.letter > li")
    assert points.count() == 3
    heads = watched.page.locator("h2").all_inner_texts()
    assert heads[:2] == ["What to do now", "What changed"]
    assert heads[-2:] == ["How good earlier forecasts were", "What else was noticed"]
    for text in points.all_inner_texts():
        assert "in 100" in text
    watched.page.close()


def test_every_figure_has_words_and_a_phone_gets_its_own_drawing(browser: Any, pages: dict[str, Path]) -> None:
    wide, phone = Watched(browser, pages["page"], 1440), Watched(browser, pages["page"], 360)
    pictures = (
        "[...document.querySelectorAll('figure img')].map(i => [i.alt.length, i.naturalWidth, i.currentSrc.length])"
    )
    for (words, width, _), (_, narrow, _) in zip(
        wide.page.evaluate(pictures), phone.page.evaluate(pictures), strict=True
    ):
        assert words > 40
        assert 0 < narrow < width
    assert (
        wide.page.locator("figcaption", has_text="How to read it.").count() == wide.page.locator("figure").count() > 9
    )
    wide.page.close()
    phone.page.close()


def test_works_by_keyboard(browser: Any, pages: dict[str, Path]) -> None:
    watched = Watched(browser, pages["page"], 768)
    watched.page.keyboard.press("Tab")
    assert watched.page.evaluate("document.activeElement.textContent") == "Skip to the evidence"
    watched.page.keyboard.press("Enter")
    assert watched.page.evaluate("document.activeElement.id") == "evidence"
    watched.page.locator("summary").first.focus()
    watched.page.keyboard.press("Enter")
    assert watched.page.locator("details[open]").count() == 1
    watched.page.close()


def test_prints_on_a4_without_cut_figures(browser: Any, pages: dict[str, Path]) -> None:
    # 297 mm less the margins of 17 mm, at 96 dots an inch.
    printable = (297 - 2 * 17) / 25.4 * 96
    page = browser.new_page(viewport={"width": 672, "height": 994})
    page.goto(pages["page"].as_uri())
    page.emulate_media(media="print")
    figures = page.evaluate(
        "[...document.querySelectorAll('figure')]"
        ".map(f => [f.getBoundingClientRect().height, getComputedStyle(f).breakInside])"
    )
    assert figures
    assert all(height < printable and rule == "avoid" for height, rule in figures)
    assert page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0
    page.close()


def test_the_wall_sheet_is_one_page_and_says_what_matters(browser: Any, pages: dict[str, Path], tmp_path: Path) -> None:
    page = browser.new_page()
    page.goto(pages["wall"].as_uri())
    page.pdf(path=tmp_path / "wall.pdf", format="A4", prefer_css_page_size=True)
    pdfium = pytest.importorskip("pypdfium2")
    assert len(pdfium.PdfDocument(tmp_path / "wall.pdf")) == 1
    text = page.locator("main").inner_text()
    assert "Check the pH before cooling: 4.6 or lower." in text
    assert "Hold the vat and go by the hygiene plan." in text
    assert "3 h 21 min" in text
    page.close()


def test_the_page_is_small_and_soon_ready(browser: Any, pages: dict[str, Path]) -> None:
    assert pages["page"].stat().st_size < LARGEST_PAGE
    watched = Watched(browser, pages["page"], 768)
    ready = watched.page.evaluate("performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd")
    assert ready < 3000  # a second on a machine at rest; the tests may share theirs
    watched.page.close()
