"""The hand-over page in a real browser: nothing fetched, nothing broken, readable and accessible."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from donorfit.edge.documents import write_html
from donorfit.stages.hand_over import hand_over

_ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
_VIEWS = ((360, 740), (1280, 900))
_SMALLEST_TEXT_PX = 8.0

# Every visible text of the page with the size that it really has
_READ_TEXTS = """
() => [...document.querySelectorAll('h1,h2,p,td,th,li,a,caption,figcaption')]
  .filter(each => each.textContent.trim() && each.offsetParent)
  .map(each => ({tag: each.tagName, size: parseFloat(getComputedStyle(each).fontSize)}))
"""


@pytest.fixture(scope="module")
def browser(browser_path: str) -> Iterator[Any]:
    """The browser, started once."""
    playwright = pytest.importorskip("playwright.sync_api", reason="needs a playwright")
    with playwright.sync_playwright() as started:
        running = started.chromium.launch(executable_path=browser_path, args=_ARGUMENTS)
        yield running
        running.close()


@pytest.fixture(scope="module")
def record(job: Any, tmp_path_factory: pytest.TempPathFactory) -> Path:
    names = ("pack", "survey", "bench", "report", "plan", "preparation", "change", "proof")
    file = tmp_path_factory.mktemp("record") / "record.html"
    file.write_bytes(write_html(hand_over(*(getattr(job, name) for name in names))))
    return file


class Watch:
    """A page with everything that it asked for and complained about."""

    def __init__(self, page: Any, record: Path) -> None:
        self.page = page
        self.asked: list[str] = []
        self.said: list[str] = []
        page.on("request", lambda request: self.asked.append(request.url))
        page.on("console", lambda message: self.said.append(f"{message.type}: {message.text}"))
        page.on("pageerror", lambda error: self.said.append(str(error)))
        page.goto(record.as_uri())


@pytest.fixture(params=_VIEWS, ids=lambda view: f"{view[0]} px")
def watch(request: pytest.FixtureRequest, browser: Any, record: Path) -> Iterator[Watch]:
    width, height = request.param
    context = browser.new_context(viewport={"width": width, "height": height})
    yield Watch(context.new_page(), record)
    context.close()


def test_nothing_is_fetched_and_nothing_is_complained_about(watch: Watch, record: Path) -> None:
    watch.page.wait_for_load_state("networkidle")
    assert watch.asked == [record.as_uri()]
    assert watch.said == []


def test_headings_and_pictures_have_names(watch: Watch) -> None:
    page = watch.page
    assert page.get_by_role("heading", level=1).count() == 1
    assert page.get_by_role("heading", level=2).count() == 18  # 17 sections and the contents
    pictures = page.locator("svg[role=img]")
    assert pictures.count() >= 11
    for place in range(pictures.count()):
        name = pictures.nth(place).get_attribute("aria-labelledby")
        assert name is not None
        for part in name.split():
            assert page.locator(f"[id='{part}']").text_content()
    for name in ("Summary", "Fault codes", "How to go back", "Recipe for the next car"):
        assert page.get_by_role("heading", name=name, exact=True).is_visible()


def test_the_page_itself_never_scrolls_sideways(watch: Watch) -> None:
    wide = watch.page.evaluate("document.documentElement.scrollWidth")
    assert wide <= watch.page.viewport_size["width"]


def test_texts_are_large_enough(watch: Watch) -> None:
    texts = watch.page.evaluate(_READ_TEXTS)
    assert len(texts) > 200
    assert min(each["size"] for each in texts) >= 12.0
    shown = watch.page.evaluate(
        """() => [...document.querySelectorAll('svg.picture')].map(
             each => each.getBoundingClientRect().width / each.viewBox.baseVal.width)"""
    )
    assert min(shown) * 9.5 >= _SMALLEST_TEXT_PX


def test_letters_in_pictures_stay_on_their_sheets(watch: Watch) -> None:
    """The real browser's face, not our table: no text may leave its picture."""
    leaving = watch.page.evaluate(
        """() => [...document.querySelectorAll('svg.picture text')].filter(text => {
             const own = text.getBoundingClientRect();
             const sheet = text.ownerSVGElement.getBoundingClientRect();
             return own.left < sheet.left - 1 || own.right > sheet.right + 1 ||
                    own.top < sheet.top - 1 || own.bottom > sheet.bottom + 1;
           }).map(text => text.textContent)"""
    )
    assert leaving == []


def test_wide_parts_are_reached_by_keyboard(watch: Watch) -> None:
    page = watch.page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    reachable = page.locator(".wide[tabindex='0']")
    assert reachable.count() > 20
    for place in range(reachable.count()):
        part = reachable.nth(place)
        assert part.get_attribute("aria-label") or part.get_attribute("aria-labelledby")


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing(browser: Any, record: Path, scheme: str) -> None:
    """axe-core (independent): the rules of WCAG 2.2 A and AA, contrast among them."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    context = browser.new_context(
        viewport={"width": 1280, "height": 900}, color_scheme=scheme, bypass_csp=True
    )
    page = context.new_page()
    page.goto(record.as_uri())
    rules = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    found = axe.Axe().run(page, options={"runOnly": {"type": "tag", "values": rules}})
    context.close()
    said = [(each["id"], each["nodes"][0]["html"][:120]) for each in found.response["violations"]]
    assert said == []


def test_dark_page_is_dark(browser: Any, record: Path) -> None:
    context = browser.new_context(color_scheme="dark")
    page = context.new_page()
    page.goto(record.as_uri())
    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    ink = page.evaluate("getComputedStyle(document.querySelector('svg .f-ink')).fill")
    context.close()
    assert ground == "rgb(20, 19, 26)"
    assert ink == "rgb(242, 240, 247)"


def test_it_prints_on_a4(browser: Any, record: Path) -> None:
    page = browser.new_page()
    page.goto(record.as_uri())
    pdf = page.pdf(format="A4")
    page.close()
    assert pdf.startswith(b"%PDF")
