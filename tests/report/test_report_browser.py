"""The pages in a real browser: drawn, quiet, alone, reachable by keyboard, readable.

Needs a browser, playwright's own or Debian's `chromium` (`.ci/run` installs it), and the packages
playwright and axe-playwright-python; without them these tests skip. axe-core judges by WCAG 2.2 AA.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from grown import Garden, make
from lacking import NO_LIBRARY, lacking
from once import made_once
from wakewell.cli import main
from wakewell.shipped import CAFE

playwright = pytest.importorskip("playwright.sync_api", reason=NO_LIBRARY)
axe_module = pytest.importorskip("axe_playwright_python.sync_playwright", reason=NO_LIBRARY)
FLAGS = (
    *("--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
)
MOST_MS = 600_000  # for what a busy computer takes long to do; a page that never draws ends too
AT = "http://192.168.4.1/"  # a pot's own page
OWN = ("file:", AT)
WIDTHS = {"wide": 1200, "phone": 390, "small": 360}
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}


@pytest.fixture(scope="session")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The pages of a few pots: well, leaking with a gap, undated with a pulled probe."""

    def make_site(folder: Path) -> None:
        make(folder / "fern", Garden(days=60))
        make(folder / "mint", Garden(days=90, away=(20, 30), leak_ml_day=(60, 12.0), seed=2))
        make(folder / "basil", Garden(days=50, clock=0, unplugged=(45, 50), seed=3))
        out = folder / "out"
        for pot in ("fern", "mint", "basil"):
            shutil.copytree(folder / pot, folder / "pots" / pot)
        main(["report", str(folder / "pots"), "--out", str(out), "--timezone", "Europe/Brussels"])
        main(["report", str(folder / "fern"), "--out", str(out), "--wake", "4"])
        main(["report", str(folder / "pots"), "--out", str(out)])

    return made_once(tmp_path_factory, "site", make_site) / "out"


# Each state of a pot, at its height: (garden, the day the page speaks of, mark, first task)
HELP, BY_HAND = "needs help now", "Water it by hand now, about "
STATES = {
    "well": (Garden(days=60), "2026-04-30", "well", ""),
    "due": (Garden(days=65, tank_ml=3000), "2026-05-05", "due", "Fill the tank"),
    "silent": (Garden(days=60), "2027-09-28", "no news", "Look at the plant"),
    "hose": (Garden(days=90, hose_off=60), "2026-05-30", HELP, BY_HAND),
    "clogged": (Garden(days=100, clog=85), "2026-06-09", HELP, BY_HAND),
    "empty": (Garden(days=90, tank_ml=3000), "2026-05-30", HELP, BY_HAND),
    "probe": (Garden(days=90, unplugged=(80, 90)), "2026-05-30", HELP, "Feel the soil."),
    "leak": (Garden(days=60, leak_ml_day=(30, 12.0)), "2026-04-30", HELP, BY_HAND),
    "flat": (Garden(days=150, drain=0.007, refill=(60,)), "2026-07-29", HELP, BY_HAND),
}  # fmt: skip

# axe judges one state of each mark, and one task of each kind: the rest differ in their words
JUDGED = ("well", "due", "silent", "hose", "probe")


@pytest.fixture(scope="session")
def states(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a pot in each state."""

    def make_states(folder: Path) -> None:
        for name, (garden, day, _, _) in STATES.items():
            make(folder / name, garden)
            words = ["report", str(folder / name), "--out", str(folder / "out"), "--as-of", day]
            main([*words, "--timezone", "UTC"])

    return made_once(tmp_path_factory, "states", make_states) / "out"


# The words of pictures that leave their picture or what they are clipped to, or are cut short
CUT_OFF = """Array.from(document.querySelectorAll("#pictures svg text")).filter((text) => {
    const own = text.getBoundingClientRect();
    const clipped = text.closest("[clip-path]");
    let {left, right} = text.ownerSVGElement.getBoundingClientRect();
    if (clipped) {
        const id = clipped.getAttribute("clip-path").match(/#([^)"]+)/)[1];
        const box = document.getElementById(id).firstElementChild.getBBox();
        const {a, e} = clipped.getScreenCTM();
        [left, right] = [e + a * box.x, e + a * (box.x + box.width)];
    }
    const shown = own.width && own.right > left && own.left < right
        && text.getAttribute("opacity") !== "0";
    return shown && (own.right > right + 1 || own.left < left - 1
        || text.textContent.includes("…"));
}).map((text) => text.textContent)"""


@pytest.mark.parametrize("spoken", ["de", "es"])
def test_other_languages_fit_a_small_phone(tab: Any, spoken: str, tmp_path: Path) -> None:
    folder = tmp_path / "mint"
    shutil.copytree(CAFE / "mint", folder)
    about = folder / "pot.toml"
    about.write_text(f'language = "{spoken}"\n' + about.read_text())
    main(["report", str(folder), "--out", str(tmp_path / "out"), "--as-of", "2025-06-05"])
    page = tab(360, 780)
    page.goto((tmp_path / "out" / "mint.html").as_uri())
    page.wait_for_selector("body[data-drawn]", state="attached")
    assert page.evaluate("document.documentElement.lang") == spoken
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert page.evaluate(CUT_OFF) == []


@pytest.mark.parametrize("name", STATES)
def test_ten_seconds_and_a_phone(tab: Any, states: Path, name: str) -> None:
    """How it is and the first thing to do are on the first screen, in light and dark alike."""
    _, _, mark, task = STATES[name]
    page = tab()
    for width, scheme in ((390, "light"), (360, "dark")):
        page.set_viewport_size({"width": width, "height": 780})
        page.emulate_media(color_scheme=scheme)
        page.goto((states / f"{name}.html").as_uri())
        page.wait_for_selector("body[data-drawn]", state="attached")
        assert page.inner_text(".stamp").lower() == mark
        first = page.locator(".todo li strong").first
        assert first.count() == bool(task)
        seen = first if task else page.locator(".lead")
        assert task in seen.inner_text()
        box = seen.bounding_box()
        assert box["y"] + box["height"] < 780
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
        assert page.evaluate(CUT_OFF) == []
        if scheme == "dark" and name in JUDGED:
            # Wakes are alike in every state, and judged, unfolded, in the pages of fern and mint
            found = axe_module.Axe().run(page, {"exclude": [["details.wake"]]}, options=RULES)
            assert found.response["violations"] == [], found.generate_report()


@pytest.fixture(scope="module", autouse=True)
def browser() -> Iterator[Any]:
    """For every test at once, so that none makes pages first where there is no browser."""
    with playwright.sync_playwright() as started:
        own = started.chromium.executable_path
        others = shutil.which("chromium") or shutil.which("chromium-browser")
        path = own if Path(own).exists() else others
        if path is None:
            pytest.skip(lacking("chromium"))
        found = started.chromium.launch(executable_path=path, args=list(FLAGS))
        yield found
        found.close()


@pytest.fixture(scope="module")
def idle(browser: Any) -> list[Any]:
    """Tabs that no test uses. A new one starts a process, which costs more than what it shows."""
    return []


@pytest.fixture
def tab(browser: Any, idle: list[Any]) -> Iterator[Any]:
    """A function that gives a tab of that size; options: a new one, as they have it."""
    used: list[Any] = []
    own: list[Any] = []

    def give(width: int = 1200, height: int = 800, scheme: str = "light", **options: Any) -> Any:
        page = browser.new_page(**options) if options or not idle else idle.pop()
        (own if options else used).append(page)
        page.set_default_timeout(MOST_MS)
        page.set_viewport_size({"width": width, "height": height})
        page.emulate_media(media="screen", color_scheme=scheme)
        page.mouse.move(0, 0)
        return page

    yield give
    for page in own:
        page.close()
    for page in used:
        page.unroute_all()
    idle.extend(used)


@pytest.fixture
def heard(tab: Any) -> Iterator[Any]:
    """As `tab`; when the test ends, whatever a page said or fetched from elsewhere is a failure."""
    noise: list[str] = []
    begun: list[tuple[Any, str, Any]] = []
    listeners = (
        ("console", lambda message: noise.append(message.text)),
        ("pageerror", lambda error: noise.append(str(error))),
        ("request", lambda r: noise.extend([] if r.url.startswith(OWN) else [r.url])),
    )

    def give(*size: Any, **options: Any) -> Any:
        page = tab(*size, **options)
        for event, listener in listeners:
            page.on(event, listener)
            begun.append((page, event, listener))
        return page

    yield give
    for page, event, listener in begun:
        page.remove_listener(event, listener)
    assert noise == []


@pytest.fixture
def opened(heard: Any, site: Path) -> Any:
    """A function that opens a page of the site."""

    def open_page(name: str, width: str = "wide", scheme: str = "light", **options: Any) -> Any:
        page = heard(WIDTHS[width], 800, scheme, **options)
        page.goto((site / name).as_uri())
        if name not in ("round.html", "safety.html"):
            page.wait_for_selector("body[data-drawn]", state="attached")
        return page

    return open_page


@pytest.mark.parametrize("name", ["fern.html", "mint.html", "basil.html"])
def test_every_picture_is_drawn(opened: Any, name: str) -> None:
    page = opened(name)
    for key in ("soil", "doses", "tank", "battery", "events"):
        assert page.locator(f"#chart-{key} svg path, #chart-{key} svg line").count() > 3
        box = page.locator(f"#chart-{key} svg").bounding_box()
        assert box["width"] > 600
    line = page.locator("#chart-soil svg .mark-line path[stroke='var(--soil)']").get_attribute("d")
    assert line.count("M") == (2 if name == "mint.html" else 1)  # the gap parts the line


@pytest.mark.parametrize(
    ("name", "width", "scheme"),
    [
        ("fern.html", "wide", "light"),
        ("mint.html", "phone", "dark"),
        ("round.html", "wide", "dark"),
        ("round.html", "phone", "light"),
        ("round.html", "small", "dark"),
        ("safety.html", "small", "light"),
        ("fern-wake-4.html", "wide", "dark"),
        ("fern-wake-4.html", "phone", "light"),
    ],
)
def test_wcag_and_nothing_wider_than_the_screen(
    opened: Any, name: str, width: str, scheme: str
) -> None:
    page = opened(name, width, scheme)
    page.evaluate("""() => {  // all that folds, but only two of the many wakes alike
        document.querySelectorAll("details").forEach((d) => { d.open = true; });
        document.querySelectorAll("details.wake").forEach((d, i) => { d.open = i < 2; });
    }""")
    page.wait_for_timeout(200)
    found = axe_module.Axe().run(page, options=RULES)
    assert found.response["violations"] == [], found.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def test_text_in_pictures_stands_out(opened: Any) -> None:
    # WCAG 2.2, 1.4.3: 4.5 to 1 for text; 1.4.11: 3 to 1 for what carries meaning
    script = """(names) => names.map((name) => {
      const probe = document.createElement("span");
      probe.style.color = `var(--${name})`;
      document.body.append(probe);
      return getComputedStyle(probe).color.match(/[0-9.]+/g).slice(0, 3).map(Number);
    })"""
    for scheme in ("light", "dark"):
        page = opened("fern.html", scheme=scheme)
        names = ["paper", "ink", "faint", "soil", "water", "alarm", "band", "gap"]
        light = dict(zip(names, map(luminance, page.evaluate(script, names)), strict=True))
        for ground in ("paper", "band", "gap"):
            assert contrast(light["ink"], light[ground]) >= 4.5
            for name in ("soil", "water", "alarm"):
                assert contrast(light[name], light[ground]) >= 3
        assert contrast(light["faint"], light["paper"]) >= 4.5


def luminance(rgb: list[float]) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    parts = [c / 255 for c in rgb]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: float, two: float) -> float:
    """Contrast ratio as WCAG 2.2 defines it."""
    return (max(one, two) + 0.05) / (min(one, two) + 0.05)


def test_the_keyboard_reaches_every_control(opened: Any) -> None:
    page = opened("fern.html")
    wanted = page.evaluate(
        """() => Array.from(document.querySelectorAll("a, button, summary, [tabindex]"))
             .filter((e) => e.checkVisibility()).length"""
    )
    reached = set()
    for _ in range(wanted + 5):
        page.keyboard.press("Tab")
        reached.add(
            page.evaluate(
                """() => { const all = Array.from(document.querySelectorAll("*"));
                           return all.indexOf(document.activeElement); }"""
            )
        )
    # Past the last control the focus is nowhere, or on the page itself
    body = page.evaluate("Array.from(document.querySelectorAll('*')).indexOf(document.body)")
    page_parts = {-1, 0, body}
    assert len(reached - page_parts) == wanted


def test_arrows_read_a_picture_off(opened: Any) -> None:
    page = opened("fern.html")
    page.focus("#chart-soil")
    page.keyboard.press("ArrowLeft")
    last = page.inner_text("#read-soil")
    assert "% by volume" in last
    page.keyboard.press("ArrowLeft")
    assert page.inner_text("#read-soil") != last
    before = page.inner_text("#shown")
    page.keyboard.press("+")
    assert page.inner_text("#shown") != before
    page.keyboard.press("0")
    assert page.inner_text("#shown") == before


def test_pointer_reads_and_drags(opened: Any) -> None:
    page = opened("mint.html")
    page.click("button[data-days='30']")
    before = page.inner_text("#shown")
    page.locator("#chart-tank").scroll_into_view_if_needed()
    box = page.locator("#chart-tank").bounding_box()
    middle = (box["x"] + box["width"] / 2, box["y"] + 60)
    page.mouse.move(*middle)
    assert "litres" in page.inner_text("#read-tank")
    page.mouse.down()
    page.mouse.move(middle[0] + 200, middle[1], steps=4)
    page.mouse.up()
    assert page.inner_text("#shown") != before
    page.click("button[data-days='0']")
    page.locator("#chart-soil").scroll_into_view_if_needed()
    gap = page.evaluate("""() => { const r = document.querySelector("#chart-soil")
        .querySelector("path.background[fill='var(--paper)']").getBoundingClientRect();
        return [r.x + r.width / 2, r.y + r.height / 2]; }""")
    page.mouse.move(*gap)
    assert page.inner_text("#read-soil").endswith("no record")


def test_a_long_record_opens_at_its_last_90_days_with_an_overview(tab: Any, tmp_path: Path) -> None:
    make(tmp_path / "old", Garden(days=430, away=(200, 230)))
    main(["report", str(tmp_path / "old"), "--out", str(tmp_path / "out"), "--timezone", "UTC"])
    for width in (1200, 360):
        page = tab(width)
        page.goto((tmp_path / "out" / "old.html").as_uri())
        page.wait_for_selector("body[data-drawn]", state="attached")
        opened_at = page.inner_text("#shown")
        days = opened_at.removeprefix("Shown: ").split(" to ")
        assert [day.split(" ", 1)[1] for day in days] == ["3 February 2027", "4 May 2027"]
        box = page.locator("#overview").bounding_box()
        assert box["width"] <= width
        assert page.locator("#overview svg").bounding_box()["width"] <= box["width"]
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
        page.focus("#chart-doses")
        page.keyboard.press("ArrowLeft")
        assert "ml delivered" in page.inner_text("#read-doses")
        page.mouse.click(box["x"] + box["width"] / 4, box["y"] + 20)
        assert page.inner_text("#shown") != opened_at
        page.click("button[data-days='0']")
        page.focus("#chart-doses")
        page.keyboard.press("ArrowLeft")
        sum_of_a_week = r"Week from .+: \d+ ml, waterings: \d+"  # where days run together
        assert bool(re.search(sum_of_a_week, page.inner_text("#read-doses"))) == (width == 360)


def test_times_are_the_pots_and_not_the_browsers(opened: Any) -> None:
    page = opened("fern.html", timezone_id="Pacific/Auckland")
    page.focus("#chart-doses")
    page.keyboard.press("ArrowLeft")
    readout = page.inner_text("#read-doses")
    page.click("summary:has-text('Water given')")
    newest = page.locator("#chart-doses ~ details th[scope=row]").first.inner_text()
    assert readout.startswith(newest)


def test_an_undated_pot_counts_days(opened: Any) -> None:
    page = opened("basil.html")
    assert "day 50" in page.inner_text("dl.facts")
    page.focus("#chart-soil")
    page.keyboard.press("ArrowLeft")
    assert page.inner_text("#read-soil").startswith("day ")
    assert page.locator("#chart-soil svg text:has-text('day ')").count() >= 2


def test_the_magnifier_draws_the_run(opened: Any) -> None:
    page = opened("fern.html")
    page.locator("details.dose").first.locator("summary").first.click()
    watered = page.locator("details.wake:has(.run)").first
    watered.locator("summary").first.click()
    watered.locator(".run svg").first.wait_for()
    assert watered.locator(".run svg").count() >= 2


def test_a_tap_reads_a_value_that_stays(tab: Any, site: Path) -> None:
    page = tab(390, has_touch=True, is_mobile=True)
    page.goto((site / "fern.html").as_uri())
    page.wait_for_selector("body[data-drawn]", state="attached")
    page.locator("#chart-soil").scroll_into_view_if_needed()
    box = page.locator("#chart-soil").bounding_box()
    page.touchscreen.tap(box["x"] + box["width"] / 2, box["y"] + 60)
    first = page.inner_text("#read-soil")
    assert "% by volume" in first
    page.touchscreen.tap(box["x"] + box["width"] / 3, box["y"] + 60)
    assert page.inner_text("#read-soil") not in ("", first)


def test_a_pictures_role_and_label_survive_drawing(opened: Any) -> None:
    page = opened("fern.html")
    page.locator("details.dose").first.locator("summary").first.click()
    page.locator("details.wake:has(.run)").first.locator("summary").first.click()
    page.locator(".run svg").first.wait_for()
    said = """(all) => all.map((e) => [e.getAttribute("role"), e.getAttribute("aria-label"),
        e.getAttribute("aria-roledescription")])"""
    for role, label, other in page.locator(".chart").evaluate_all(said):
        assert (role, other) == ("img", None)
        assert re.match(r"[A-Z].+\. From .+ to .+\.", label)
    page.wait_for_function("document.querySelector('.run:has(svg)').getAttribute('role') == 'img'")
    role, label, _ = page.locator(".run:has(svg)").first.evaluate_all(said)[0]
    assert " in " in label


def test_numbers_stand_below_one_another_and_dates_on_one_line(opened: Any) -> None:
    page = opened("fern.html", "small")
    page.evaluate(
        "document.querySelectorAll('#pictures details').forEach((d) => { d.open = true; })"
    )
    cells = page.locator("#chart-doses ~ details td").evaluate_all(
        "(all) => all.slice(0, 5).map((e) => [e.textContent, getComputedStyle(e).textAlign])"
    )
    assert [align for _, align in cells] == ["start", "right", "right", "right", "start"]
    lines = """(all) => all.map((e) => { const range = document.createRange();
        range.selectNodeContents(e); return range.getClientRects().length; })"""
    assert set(page.locator("#pictures tbody th").evaluate_all(lines)) == {1}


def test_the_mark_of_the_condition_looks_the_same_on_both_pages(opened: Any) -> None:
    looks = """(e) => { const s = getComputedStyle(e); return ["fontStyle", "color", "fontSize",
        "border", "outline", "backgroundColor", "letterSpacing"].map((n) => s[n]); }"""
    pots = ("fern", "mint", "basil")
    pages = {name: opened(f"{name}.html") for name in (*pots, "round")}
    for scheme in ("light", "dark"):
        for page in pages.values():
            page.emulate_media(color_scheme=scheme)
        for name in pots:
            own = pages[name].locator(".stamp").evaluate(looks)
            row = pages["round"].locator(f"tr:has(a[href='{name}.html']) .stamp").evaluate(looks)
            assert own == row


def test_what_is_closed_is_not_printed(opened: Any) -> None:
    page = opened("fern.html")
    page.emulate_media(media="print")
    shown = page.locator("details").evaluate_all(
        "(all) => all.filter((e) => e.checkVisibility()).length"
    )
    assert shown == 0
    heading = page.get_by_role("heading", name="Wakes in detail")
    assert not heading.is_visible(), "nor what stands over it"
    page.evaluate("document.querySelector('#pictures details').open = true")
    assert page.locator("#pictures details").first.is_visible()


def test_it_prints_in_light(opened: Any) -> None:
    page = opened("fern.html", scheme="dark")
    page.emulate_media(media="print")
    assert page.evaluate("getComputedStyle(document.documentElement).backgroundColor") == (
        "rgb(251, 247, 238)"
    )
    assert len(page.pdf()) > 20_000


def test_the_card_is_one_printed_side_in_large_type(tab: Any, tmp_path: Path) -> None:
    from wakewell.pot import pot_folder, private
    from wakewell.radio import card

    folder = tmp_path / "pot"
    shutil.copytree(CAFE / "strawberry", folder, ignore=shutil.ignore_patterns("logs"))
    private.make(folder)
    made = card.write(pot_folder.load(folder), private.read(folder))
    for width in (1200, 360):
        page = tab(width)
        page.goto(made.as_uri())
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
        found = axe_module.Axe().run(page, options=RULES)
        assert found.response["violations"] == [], found.generate_report()
        page.emulate_media(media="print")
        points = page.evaluate(
            "parseFloat(getComputedStyle(document.querySelector('li')).fontSize)"
        )
        assert points * 0.75 >= 14
        assert len(re.findall(rb"/Type\s*/Page\b", page.pdf(format="A4"))) == 1


def test_the_build_sheet_fits_a_phone_and_paper(heard: Any, tmp_path: Path) -> None:
    """That of a pot with a panel, which has the most on it."""
    shutil.copytree(CAFE / "basil", tmp_path / "basil", ignore=shutil.ignore_patterns("logs"))
    with (tmp_path / "basil" / "pot.toml").open("a", encoding="utf-8") as file:
        file.write("\n[panel]\ntilt_deg = 60\nfacing_deg = 180\npeak_mw = 500\n")
    assert main(["sheet", str(tmp_path / "basil"), "--out", str(tmp_path)]) == 0
    page = heard(360, 780, "dark")
    page.goto((tmp_path / "basil-sheet.html").as_uri())
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert page.evaluate("document.querySelector('figure img').naturalWidth > 100")
    assert page.get_by_text("Cover the panel while its leads are in your hand").count() == 3
    found = axe_module.Axe().run(page, options=RULES)
    assert found.response["violations"] == [], found.generate_report()
    page.emulate_media(media="print")
    pdf = page.pdf(format="A4")
    assert 3 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 12


def served(headers: dict[str, str], body: str) -> Any:
    """A server's answer, for the browser's route."""
    return lambda route: route.fulfill(headers=headers, body=body)


@pytest.mark.parametrize(("scheme", "spoken"), [("light", "en"), ("dark", "de"), ("light", "es")])
def test_the_pots_own_page_for_a_wifi(heard: Any, scheme: str, spoken: str, tmp_path: Path) -> None:
    """As a phone shows it under the headers that the board sends; 44 px: WCAG 2.1, 2.5.5."""
    from wakeboard import entry
    from wakewell.pot import private

    (tmp_path / "entry.json").write_bytes(private.entry_texts(spoken))
    texts = entry.texts(str(tmp_path))
    wrong = b"POST / HTTP/1.1\r\nContent-Length: 6\r\n\r\ncode=x"
    page = heard(360, 700, scheme)
    for asked in (b"GET / HTTP/1.1\r\n\r\n", wrong):
        answer = bytes(entry.Page("k7mp2xqdw9fh", texts).answer(bytearray(asked)) or b"")
        head, _, body = answer.decode().partition("\r\n\r\n")
        headers = dict(row.split(": ", 1) for row in head.split("\r\n")[1:])
        page.unroute_all()
        page.route(AT, served(headers, body))
        page.goto(AT)
        assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
        sizes = page.locator("input, button").evaluate_all(
            "(all) => all.map((e) => e.offsetHeight)"
        )
        assert (len(sizes), min(sizes) >= 44) == (4, True)
        for name in ("name", "password", "code"):
            assert page.get_by_label(texts[name]).count() == 1
        found = axe_module.Axe().run(page, options=RULES)
        assert found.response["violations"] == [], found.generate_report()
        ground = page.evaluate("getComputedStyle(document.querySelector('button')).colorScheme")
        assert ground in ("normal", "light dark")


def test_without_scripts_the_tables_are_there(tab: Any, site: Path) -> None:
    page = tab(java_script_enabled=False)
    page.goto((site / "fern.html").as_uri())
    assert "does not run scripts" in page.inner_text("body")
    page.click("summary:has-text('Water in the soil')")
    assert page.locator("#pictures table tbody tr").first.is_visible()
