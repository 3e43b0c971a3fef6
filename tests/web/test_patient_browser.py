"""The patient's page in a real browser: small screens, large letters, no JavaScript, and one tap to help."""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest
from builders import a_person, a_service, a_visit, an_ear, some_settings, the_catalogs, the_pack
from playwright.sync_api import Browser, Page
from web.following import follow
from werkzeug.serving import make_server

from service.planning.aftercare import give, live_link
from service.planning.approving import approve_language
from service.services import Services
from service.web.app import create_app
from service.wording.pseudo import TAG, with_pseudo

PATHS = ("", "?q=swim", "?q=bleeding", "/change", "/stop")
LEAST = 44
"""The least height and width of a patient's button, CSS pixels."""

# What a screen reader would miss: fields without a name, headings out of order, buttons too small, double ids.
CHECKS = """() => {
  const faults = [];
  const seen = (e) => e.getClientRects().length > 0;
  const name = (e) => (e.labels && [...e.labels].map((l) => l.innerText).join('').trim())
    || e.getAttribute('aria-label') || e.innerText.trim();
  for (const e of document.querySelectorAll('input:not([type=hidden]), select, textarea, button, a[href]'))
    if (!name(e) && !e.textContent.trim()) faults.push('no name: ' + e.outerHTML);
  if (document.querySelectorAll('h1').length !== 1) faults.push('not one h1');
  let level = 0;
  for (const e of document.querySelectorAll('h1, h2, h3, h4')) {
    const next = Number(e.tagName[1]);
    if (next > level + 1) faults.push('heading skips a level: ' + e.innerText);
    level = next;
  }
  const targets = 'button, .button, .help-bar a, main a.number, .options label, select, summary, input[type=time], input[type=search]';
  for (const e of document.querySelectorAll(targets)) {
    const box = e.getBoundingClientRect();
    const small = box.height < LEAST || box.width < LEAST;
    if (seen(e) && small) faults.push(`${box.width} x ${box.height}: ${e.outerHTML}`);
  }
  const ids = [...document.querySelectorAll('[id]')].map((e) => e.id);
  for (const id of new Set(ids)) if (ids.filter((each) => each === id).length > 1) faults.push('double id: ' + id);
  for (const e of document.querySelectorAll('[aria-describedby], [aria-labelledby]'))
    for (const id of (e.getAttribute('aria-describedby') || e.getAttribute('aria-labelledby')).split(' '))
      if (!document.getElementById(id)) faults.push('points nowhere: ' + id);
  for (const e of document.querySelectorAll('svg'))
    if (!e.closest('[aria-hidden=true]')) faults.push('a picture is read aloud');
  for (const tag of ['main', 'nav', 'header'])
    if (document.querySelectorAll(tag).length !== 1) faults.push('not one ' + tag);
  if (!document.documentElement.lang || !document.documentElement.dir) faults.push('no lang or dir');
  return faults;
}""".replace("LEAST", str(LEAST))

# Text and background of everything that holds text, against WCAG 2.2, 1.4.3.
CONTRAST = """() => {
  const rgb = (text) => text.match(/[\\d.]+/g).map(Number);
  const light = (c) => c.slice(0, 3).map((v) => v / 255)
    .map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const under = (e) => { for (let at = e; at; at = at.parentElement) {
      const c = rgb(getComputedStyle(at).backgroundColor);
      if (c.length < 4 || c[3] === 1) return c;
    }
    return [255, 255, 255];
  };
  const faults = [];
  for (const e of document.querySelectorAll('body *')) {
    const own = [...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim());
    if (!own || !e.getClientRects().length) continue;
    const a = light(rgb(getComputedStyle(e).color)), b = light(under(e));
    const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    if (ratio < 4.5) faults.push(ratio.toFixed(2) + ': ' + e.textContent.trim());
  }
  return faults;
}"""


# Words of the help bar that stand on two lines (a hyphen may end one), and links that reach out of the screen or of
# their own box.
BROKEN = """() => {
  const faults = [];
  for (const link of document.querySelectorAll('.help-bar a')) {
    const box = link.getBoundingClientRect();
    if (box.left < -0.5 || box.right > innerWidth + 0.5 || link.scrollWidth > link.clientWidth + 1)
      faults.push('out of its place: ' + link.innerText);
    const words = link.querySelector('.words');
    if (words.getBoundingClientRect().width < 2) continue;  // only signs, on a very narrow screen
    const walk = document.createTreeWalker(words, NodeFilter.SHOW_TEXT);
    while (walk.nextNode()) {
      const text = walk.currentNode;
      if (text.parentElement.closest('.number')) continue;
      for (const word of text.textContent.matchAll(/[^\\s-]+-?/g)) {
        const range = document.createRange();
        range.setStart(text, word.index);
        range.setEnd(text, word.index + word[0].length);
        const lines = new Set([...range.getClientRects()].map((each) => Math.round(each.top)));
        if (lines.size > 1) faults.push('broken: ' + word[0]);
      }
    }
  }
  const room = parseFloat(getComputedStyle(document.body).paddingBottom);
  const high = document.querySelector('.help-bar').getBoundingClientRect().height;
  if (high > room) faults.push(`the bar is ${high} high and hides the end of the page, which leaves ${room}`);
  return faults;
}"""


@dataclass
class Site:
    """A running server over one clinic, and the address of each person's page."""

    services: Services
    base: str

    def person(self, person_id: str, *findings: str, **contact: object) -> str:
        """A new person with a plan; returns the address of the page."""
        a_person(self.services, person_id, **contact)
        give(self.services, person_id, a_visit(right=an_ear(*(findings or ("wax-left",)))), "Dr Wren Halloway")
        with self.services.open_work() as work:
            token = live_link(self.services, work, person_id, self.services.clock.now())
            work.commit()
        return f"{self.base}/p/{token}"


@contextmanager
def running(folder: Path, **parts: object) -> Iterator[Site]:
    """A server over a new clinic."""
    services, _ = a_service(f"sqlite:///{folder / 'clinic.sqlite'}", **parts)  # type: ignore[arg-type]
    server = make_server("127.0.0.1", 0, create_app(services, some_settings(folder)), threaded=True)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield Site(services=services, base=f"http://127.0.0.1:{server.port}")
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    with running(tmp_path_factory.mktemp("patient-pages")) as found:
        yield found


Opener = Callable[..., Page]


@pytest.fixture
def open_page(chromium: Browser) -> Iterator[Opener]:
    """Opens an address on a screen of this width, without JavaScript unless asked for; fails on any outside call."""
    contexts = []

    def open_it(url: str, width: int = 390, height: int = 760, *, scripts: bool = False) -> Page:
        context = chromium.new_context(viewport={"width": width, "height": height}, java_script_enabled=scripts)
        contexts.append(context)
        page = context.new_page()
        outside: list[str] = []
        page.on(
            "request",
            lambda asked: None if asked.url.startswith(("http://127.0.0.1", "data:")) else outside.append(asked.url),
        )
        page.goto(url)
        assert outside == []
        return page

    yield open_it
    for context in contexts:
        context.close()


@contextmanager
def large_letters(page: Page) -> Iterator[None]:
    page.evaluate("document.documentElement.style.fontSize = '225%'")
    yield
    page.evaluate("document.documentElement.style.fontSize = ''")


def sideways(page: Page) -> int:
    """How far the page can be scrolled sideways, CSS pixels."""
    return int(page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))


@pytest.fixture(scope="module")
def maud(site: Site) -> str:
    return site.person("maud", "wax-left")


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize("width", [195, 320, 390, 1280])
def test_nothing_scrolls_sideways_on_any_screen(maud: str, open_page: Opener, width: int, path: str) -> None:
    assert sideways(open_page(maud + path, width, scripts=True)) <= 0


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize("width", [195, 240, 320, 390])
def test_letters_of_twice_the_size_do_not_scroll_sideways(maud: str, open_page: Opener, width: int, path: str) -> None:
    """195 CSS pixels: a small phone at 400 % zoom, beside the largest letters of the phone itself."""
    page = open_page(maud + path, width, scripts=True)
    with large_letters(page):
        assert sideways(page) <= 0


@pytest.mark.parametrize("path", PATHS)
@pytest.mark.parametrize("width", [320, 1280])
def test_every_field_has_its_name_and_every_button_its_size(
    maud: str, open_page: Opener, width: int, path: str
) -> None:
    assert open_page(maud + path, width, scripts=True).evaluate(CHECKS) == []


@pytest.mark.parametrize("path", PATHS)
def test_every_word_stands_out_from_its_ground(maud: str, open_page: Opener, path: str) -> None:
    assert open_page(maud + path, scripts=True).evaluate(CONTRAST) == []


def test_the_page_of_an_urgent_plan_holds_to_the_same_rules(site: Site, open_page: Opener) -> None:
    page = open_page(site.person("urgent", "battery-in-ear"), 320, scripts=True)
    assert (page.evaluate(CHECKS), page.evaluate(CONTRAST), sideways(page)) == ([], [], 0)


def test_a_link_that_opens_nothing_holds_to_the_same_rules(site: Site, open_page: Opener) -> None:
    page = open_page(f"{site.base}/p/nothing", 320, scripts=True)
    assert (page.evaluate(CHECKS), page.evaluate(CONTRAST), sideways(page)) == ([], [], 0)


def test_what_to_do_today_is_on_the_first_screen(maud: str, open_page: Opener) -> None:
    page = open_page(maud, 320, 568)
    box = page.locator(".dose .amount").first.bounding_box()
    bar = page.locator(".help-bar").bounding_box()
    assert box is not None
    assert bar is not None
    assert box["y"] + box["height"] < bar["y"]


@pytest.mark.parametrize("language", ["en", "cy", "es", "fr", "pl", "ro", "uk", "ur", TAG])
def test_no_word_of_the_help_bar_is_broken_in_any_language(tmp_path: Path, open_page: Opener, language: str) -> None:
    """Not Chinese, whose words have no spaces between them."""
    parts = {"catalogs": with_pseudo(the_pack(), the_catalogs()), "approve": ("en", language)}
    with running(tmp_path, **parts) as site:
        url = site.person("pam", "wax-left", language=language)
        for width in (195, 320, 360, 640):
            page = open_page(url, width, 568, scripts=True)
            assert (page.evaluate("document.documentElement.lang"), sideways(page)) == (language, 0)
            assert (width, page.evaluate(BROKEN)) == (width, [])


@pytest.mark.parametrize("where", ["top", "middle", "end"])
def test_help_is_on_the_screen_wherever_the_reader_is_and_takes_one_tap(
    maud: str, open_page: Opener, where: str
) -> None:
    page = open_page(maud, 320, 568, scripts=True)
    share = {"top": "0", "middle": "0.5", "end": "1"}[where]
    page.evaluate(f"scrollTo(0, document.documentElement.scrollHeight * {share})")
    for link in page.locator(".help-bar a").all():
        box = link.bounding_box()
        assert box is not None
        assert 0 <= box["y"] <= 568 - box["height"]
    assert page.locator('.help-bar a[href="tel:02079460123"]').count() == 1
    assert page.locator('.help-bar a[href="tel:999"]').count() == 1
    page.locator(".help-bar .signs").click()
    top = page.locator("#help").bounding_box()
    assert top is not None
    assert 0 <= top["y"] < 200


def test_a_focused_control_is_never_under_the_bar(maud: str, open_page: Opener) -> None:
    page = open_page(maud + "/change", 320, 568, scripts=True)
    hidden = []
    for _ in range(60):
        page.keyboard.press("Tab")
        covered = page.evaluate(
            """() => { const e = document.activeElement, bar = document.querySelector('.help-bar');
            if (!e || e === document.body || bar.contains(e)) return null;
            return e.getBoundingClientRect().bottom > bar.getBoundingClientRect().top ? e.outerHTML : null; }"""
        )
        hidden += [covered] if covered else []
    assert hidden == []


def test_a_dose_is_marked_and_unmarked_without_javascript(site: Site, open_page: Opener) -> None:
    page = open_page(site.person("dora"))
    waiting = page.get_by_role("button", name="Done", exact=True).count()
    assert waiting > 0
    follow(page.get_by_role("button", name="Done", exact=True).first)
    assert page.get_by_role("status").inner_text() == "Marked as done."
    assert page.get_by_role("button", name="Done", exact=True).count() == waiting - 1
    follow(page.get_by_role("button", name="Not done yet"))
    assert page.get_by_role("button", name="Done", exact=True).count() == waiting


def test_a_mistake_in_the_times_is_told_and_what_was_typed_stays(site: Site, open_page: Opener) -> None:
    page = open_page(site.person("edna") + "/change")
    page.get_by_label("Morning").fill("19:00")
    follow(page.locator("#times button"))
    assert "Each time must be later" in page.get_by_role("alert").inner_text()
    assert page.get_by_label("Morning").input_value() == "19:00"
    page.get_by_label("Morning").fill("07:15")
    follow(page.locator("#times button"))
    assert page.get_by_role("status").inner_text() == "Your change is saved."
    assert page.get_by_label("Morning").input_value() == "07:15"


def test_stopping_asks_once_and_can_be_taken_back_without_javascript(site: Site, open_page: Opener) -> None:
    page = open_page(site.person("fay"))
    follow(page.get_by_role("link", name="Change times, language or messages"))
    follow(page.get_by_role("link", name="Stop all messages"))
    follow(page.get_by_role("button", name="Yes, stop all messages"))
    assert page.get_by_role("status").inner_text() == "All messages are stopped."
    follow(page.get_by_role("link", name="Change times, language or messages"))
    follow(page.get_by_role("button", name="Start messages again"))
    assert page.get_by_role("status").inner_text() == "You will get messages again."


def test_one_may_travel_without_javascript(site: Site, open_page: Opener) -> None:
    page = open_page(site.person("gwen") + "/change")
    page.get_by_label("Country and city with your time").select_option(label="Pakistan: Karachi")
    follow(page.locator("#zone button"))
    assert page.locator("#place").input_value() == "Asia/Karachi"


def test_a_question_is_searched_and_opened_without_javascript(site: Site, open_page: Opener) -> None:
    page = open_page(site.person("hope"), 320, 568)
    answer = page.get_by_text("Do not put in extra drops", exact=False)
    assert not answer.is_visible()
    page.get_by_label("Search the questions").fill("missed")
    follow(page.get_by_role("button", name="Search", exact=True))
    assert page.url.endswith("?q=missed#questions")
    assert answer.is_visible()
    follow(page.get_by_role("link", name="Show all questions"))
    assert not answer.is_visible()
    page.locator("summary", has_text="I missed a dose").click()
    assert answer.is_visible()


@pytest.mark.parametrize(
    ("language", "path", "word"),
    [
        ("bn", "", "ফোঁটা"),
        ("bn", "?q=সাঁতার", "সাঁতার"),
        ("bn", "/change", "সময়"),
        ("zh-Hans", "", "滴"),
        ("zh-Hans", "?q=游泳", "游泳"),
        ("zh-Hans", "/change", "时间"),
    ],
)
def test_a_page_in_bengali_or_chinese_holds_to_the_same_rules(
    site: Site, open_page: Opener, language: str, path: str, word: str
) -> None:
    approve_language(site.services, language, "Dr Wren Halloway", reason="for a test, at whatever cost")
    url = site.person(f"{language}-{len(path)}", language=language)
    for width in (195, 320):
        page = open_page(url + path, width, scripts=True)
        assert page.evaluate("document.documentElement.lang") == language
        assert word in page.inner_text("main")
        assert (page.evaluate(CHECKS), page.evaluate(CONTRAST), sideways(page)) == ([], [], 0)


def test_bengali_letters_are_served_with_the_page(site: Site, open_page: Opener) -> None:
    approve_language(site.services, "bn", "Dr Wren Halloway", reason="for a test, at whatever cost")
    page = open_page(site.person("rahima", language="bn"), 320, scripts=True)
    page.wait_for_function("[...document.fonts].some((f) => f.status === 'loaded')")
    page.evaluate("document.fonts.ready.then(() => true)")
    loaded = page.evaluate("[...document.fonts].filter((f) => f.status === 'loaded').map((f) => f.family)")
    assert {family.strip('"') for family in loaded} == {"Hind Siliguri"}


@pytest.mark.parametrize("path", ["", "/change", "/stop"])
def test_a_longer_language_bursts_no_box_and_leaves_no_word_of_ours_in_english(
    tmp_path: Path, open_page: Opener, path: str
) -> None:
    """In the pseudo-language every text of ours stands in brackets and is two fifths longer."""
    parts = {"catalogs": with_pseudo(the_pack(), the_catalogs()), "approve": ("en", TAG)}
    with running(tmp_path, **parts) as site:
        page = open_page(site.person("pam", "wax-left", language=TAG) + path, 320)
        assert sideways(page) == 0
        assert page.evaluate(CHECKS) == []
        page.evaluate("document.querySelectorAll('details').forEach((each) => { each.open = true })")
        names = "select, span[lang]"  # of languages and places: each in its own words
        page.evaluate(f"document.querySelectorAll('{names}').forEach((each) => each.remove())")
        left = str(page.evaluate("document.body.innerText"))
    for own in (site.services.clinic.name, *site.services.clinic.address, "Maud Ellery", "Maud"):
        left = left.replace(own, "")
    while re.search(r"⟦[^⟦⟧]*⟧", left):
        left = re.sub(r"⟦[^⟦⟧]*⟧", "", left)
    assert not re.findall(r"[A-Za-z]{4,}", re.sub(r"\S+@\S+|\d{1,2} \w+ \d{4}", "", left))
