"""An operator's whole round in a real browser, on phone and tablet, by touch and by keys."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import time
import urllib.request
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from .conftest import PHOTOS

# set where a browser must be there: then its tests fail instead of being left out
REQUIRED = "TESTS_NEED_CHROMIUM"
PHONE, TABLET = (390, 844), (1024, 768)
WAIT_MS = 45_000

Page = Any
Open = Callable[..., Page]


def chromium() -> str | None:
    """Debian's browser, or one on the path."""
    return shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """A headless Chromium."""
    program = chromium()
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        program = None
    if program is None:
        if os.environ.get(REQUIRED):
            pytest.fail("Chromium and playwright are asked for and not installed")
        pytest.skip("not run: Chromium or playwright is not installed")  # a machine may lack it
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        yield opened
        opened.close()


class Served:
    """A station in a process of its own, which can be killed."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        with socket.socket() as asked:
            asked.bind(("127.0.0.1", 0))
            self.port = asked.getsockname()[1]
        self.process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> Served:
        command = [sys.executable, "-m", "dyelight.cli", "station", "--demo"]
        command += ["--port", str(self.port), "--folder", str(self.folder), "--workers", "2"]
        self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        until = time.monotonic() + 60
        while time.monotonic() < until:
            try:
                with urllib.request.urlopen(f"{self.url}/static/icon.svg", timeout=5):
                    return self
            except OSError:
                time.sleep(0.1)
        raise AssertionError("the station did not start")

    def kill(self) -> None:
        assert self.process is not None
        self.process.send_signal(signal.SIGKILL)
        self.process.wait(20)

    def stop(self) -> None:
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(signal.SIGINT)
            self.process.wait(30)

    def counted(self, table: str) -> int:
        """How many rows a table of the station's press log has."""
        log = sqlite3.connect(self.folder / "demo-log.sqlite")
        try:
            return int(log.execute(f"SELECT count(*) FROM {table}").fetchone()[0])
        finally:
            log.close()


@pytest.fixture(scope="module")
def served(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    made = Served(tmp_path_factory.mktemp("browser")).start()
    yield made
    made.stop()


@pytest.fixture
def open_page(browser: Any) -> Iterator[Open]:
    """Opens a page on a device; nothing may go wrong in its scripts."""
    contexts: list[Any] = []
    wrong: list[str] = []

    def open_one(size: tuple[int, int], **more: Any) -> Page:
        context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, has_touch=True, **more
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(WAIT_MS)
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on(
            "console",
            lambda said: wrong.append(said.text) if "Content Security" in said.text else None,
        )
        return page

    yield open_one
    for context in contexts:
        context.close()
    assert wrong == []


def axe_faults(page: Page) -> list[str]:
    """What axe-core finds of serious or critical faults on the page."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    found = axe.Axe().run(page).response["violations"]
    return [
        f"{item['id']}: {[node['html'][:120] for node in item['nodes']]}"
        for item in found
        if item["impact"] in ("serious", "critical")
    ]


def choose_press(page: Page, served: Served, name: str) -> None:
    """The first thing on a new device."""
    page.goto(f"{served.url}/pressing")
    if page.locator("#new-press").is_hidden():
        page.get_by_role("button", name="Another").first.tap()
    page.get_by_label("Name of the press").fill(name)
    with page.expect_navigation():
        page.locator("[data-take-press]").tap()
    page.locator(".tiles").wait_for()


def verdict_of(page: Page) -> str:
    """Wait for the verdict and its picture; the word."""
    page.wait_for_url("**/checks/*")
    page.locator(".verdict:not(.waiting) #word").wait_for()
    page.locator(".picture img").wait_for()
    return str(page.locator("#word").inner_text()).lower()


@pytest.mark.parametrize(
    ("size", "scheme"), [(PHONE, "light"), (TABLET, "dark")], ids=["phone", "tablet"]
)
def test_an_operators_round_by_touch(
    served: Served, open_page: Open, size: tuple[int, int], scheme: str
) -> None:
    """Job, photo, verdict, closer look, a ruling, a missed finding; no serious fault by axe."""
    page = open_page(size, color_scheme=scheme)
    choose_press(page, served, "Anvil")
    assert axe_faults(page) == []
    before = served.counted("pressing") if (served.folder / "demo-log.sqlite").exists() else 0
    page.get_by_role("link", name="Jobs").tap()
    page.get_by_label("Search").fill("fig 2043")
    page.locator("#jobs li").nth(0).wait_for()
    page.wait_for_timeout(400)
    assert page.locator("#jobs li").count() == 1
    assert axe_faults(page) == []
    page.locator("#jobs a").tap()
    photo = page.locator("#photo")
    photo.wait_for(state="attached")
    assert photo.get_attribute("capture") == "environment"
    assert axe_faults(page) == []
    photo.set_input_files(PHOTOS / "MF-2043.jpg")
    assert verdict_of(page) == "remake"
    assert axe_faults(page) == []
    # the word fits the screen and is large: two metres away it is still read
    word = page.locator("#word").bounding_box()
    assert word["x"] >= 0
    assert word["x"] + word["width"] <= size[0]
    assert word["height"] >= 70
    overflow = page.evaluate("document.documentElement.scrollWidth - innerWidth")
    assert overflow <= 0
    for button in page.locator("a.button, button.button, label.button, .ask").all():
        if button.is_visible():
            box = button.bounding_box()
            assert box["height"] >= 48
            assert box["width"] >= 48
    assert "mm from the left" in page.locator(".findings").first.inner_text()
    assert page.get_by_role("heading", name="Likely cause").is_visible()

    page.get_by_role("button", name="Yes, Remake").tap()
    page.locator(".rule .ruled", has_text="Agreed").wait_for()
    page.locator("button.ask").nth(0).tap()
    page.get_by_role("button", name="Nothing is there").tap()
    page.get_by_role("button", name="Write it down").tap()
    assert "Say why" in page.locator("#rule-answer").inner_text()
    page.get_by_label("Why").fill("A drop of water")
    assert axe_faults(page) == []
    page.get_by_role("button", name="Write it down").tap()
    page.locator(".findings .ruled", has_text="A drop of water").wait_for()

    page.get_by_role("link", name="Something was missed").tap()
    page.locator("#stage.adding").wait_for()
    assert axe_faults(page) == []
    box = page.locator("#stage").bounding_box()
    x, y = box["x"] + box["width"] * 0.45, box["y"] + box["height"] * 0.5
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 40, y + 30, steps=4)
    page.mouse.up()
    page.locator("#add-kinds").get_by_role("button", name="Scratch").tap()
    page.locator("#add-save").tap()
    page.locator("#stage-note", has_text="Written down").wait_for()
    assert "M1 Scratch" in page.locator("#places").inner_text()
    page.get_by_role("link", name="Back").tap()
    page.get_by_text("Added by hand: Scratch").wait_for()
    page.get_by_role("link", name="Next panel").tap()
    page.locator("#photo").wait_for(state="attached")
    assert served.counted("pressing") == before + 1


def test_a_changed_fact_takes_three_taps(served: Served, open_page: Open) -> None:
    """From the job: Change's tile, plus, Done; the next pressing has it, and all else stands."""
    page = open_page(PHONE)
    choose_press(page, served, "Anvil")
    page.locator("[data-name=set_c] .face").tap()
    page.locator("[data-name=set_c] [data-more]").tap()
    page.locator("[data-name=set_c].changed").wait_for()
    page.locator("#done").tap()
    page.wait_for_url(f"{served.url}/")
    page.goto(f"{served.url}/pressing")
    held = page.locator("[data-name=set_c] [data-shown]").inner_text()
    page.locator("[data-name=set_c] .face").tap()
    page.locator("[data-name=set_c] [data-more]").tap()
    # at once: what was tapped a moment ago must not be lost
    page.locator("#done").tap()
    page.wait_for_url(f"{served.url}/")
    page.goto(f"{served.url}/pressing")
    now = page.locator("[data-name=set_c] [data-shown]").inner_text()
    assert float(now.split()[0]) == float(held.split()[0]) + 1


def test_the_viewer_by_keys(served: Served, open_page: Open) -> None:
    """Every way of comparing, zoom to single pixels, the outlines, from finding to finding."""
    page = open_page(TABLET)
    page.goto(served.url)
    page.locator("#jobs a", has_text="MF-2042").first.click()
    page.locator("#photo").set_input_files(PHOTOS / "MF-2042.jpg")
    verdict_of(page)
    page.goto(page.url + "/viewer")
    page.locator("#stage-note:empty").wait_for(state="attached")
    scale = page.locator("#scale")
    stage = page.locator("#stage")
    stage.focus()

    def pixels() -> str:
        # the next drawing comes with the next frame of the screen
        page.evaluate("new Promise((done) => requestAnimationFrame(() => setTimeout(done, 60)))")
        return str(page.evaluate("document.getElementById('canvas').toDataURL()"))

    whole = pixels()
    assert scale.inner_text().startswith("Photo ")
    page.keyboard.press("o")
    without = pixels()
    assert without != whole
    page.keyboard.press("o")
    assert pixels() == whole
    page.keyboard.press("e")
    assert pixels() != whole
    assert scale.inner_text().startswith("Expected ")
    page.keyboard.press("p")
    page.keyboard.press("s")
    page.get_by_role("slider").wait_for()
    slid = pixels()
    page.get_by_role("slider").focus()
    page.keyboard.press("ArrowRight")
    assert pixels() != slid
    assert page.get_by_role("slider").get_attribute("aria-valuenow") == "52"
    stage.focus()
    page.keyboard.press("b")
    page.locator("#scale", has_text="Photo, Expected").wait_for()
    page.keyboard.press("n")
    page.locator("#places [aria-pressed=true]").wait_for()
    near = pixels()
    page.keyboard.press("ArrowLeft")
    assert pixels() != near
    for _ in range(12):
        page.keyboard.press("+")
    page.locator("#scale", has_text="2400 %").wait_for()
    page.keyboard.press("0")
    page.keyboard.press("Escape")
    assert pixels() == whole
    page.keyboard.press("t")
    shown = {scale.inner_text().split(" ")[0]}
    until = time.monotonic() + 10
    while len(shown) < 2 and time.monotonic() < until:
        shown.add(scale.inner_text().split(" ")[0])
    assert shown == {"Photo", "Expected"}
    page.get_by_role("button", name="Stop").click()
    still = pixels()
    page.wait_for_timeout(1200)
    assert pixels() == still


def test_nothing_moves_where_less_motion_is_asked_for(served: Served, open_page: Open) -> None:
    """Then pictures change only when somebody says so."""
    page = open_page(PHONE, reduced_motion="reduce")
    page.goto(served.url + "/checks")
    page.locator(".rows a").first.tap()
    page.locator(".picture").tap()
    page.locator("#stage-note:empty").wait_for(state="attached")
    page.get_by_role("button", name="In turns").tap()
    assert "less motion" in page.locator("#stage-note").inner_text()
    assert page.locator("#rate").is_hidden()
    before = page.locator("#scale").inner_text()
    page.wait_for_timeout(1500)
    assert page.locator("#scale").inner_text() == before
    page.get_by_role("button", name="In turns").tap()
    page.locator("#scale", has_text="Expected").wait_for()


def test_two_phones_at_once(served: Served, open_page: Open) -> None:
    """Each gets its own panel's verdict."""
    phones = [open_page(PHONE), open_page(PHONE)]
    names = ["MF-2043", "MF-2044"]
    for page, name in zip(phones, names, strict=True):
        choose_press(page, served, "Anvil")
        page.goto(served.url)
        page.locator("#jobs a", has_text=name).first.tap()
    for page, name in zip(phones, names, strict=True):
        page.locator("#photo").set_input_files(PHOTOS / f"{name}.jpg", no_wait_after=True)
    for page, name in zip(phones, names, strict=True):
        verdict_of(page)
        assert name in page.locator(".foot").inner_text()
    kinds = [page.locator(".findings").first.inner_text() for page in phones]
    assert "Dust speck" in kinds[0]
    assert "Ghosting" in kinds[1]


def test_a_photo_is_sent_again_after_the_station_was_killed(
    open_page: Open, tmp_path: Path
) -> None:
    """Killed in mid-upload, the page says so, keeps the photo, and sends it once it is back."""
    served = Served(tmp_path / "kept").start()
    try:
        page = open_page(PHONE)
        choose_press(page, served, "Anvil")
        page.goto(served.url)
        page.locator("#jobs a", has_text="MF-2042").first.tap()
        page.locator("#photo").wait_for(state="attached")
        # a slow line, so that the photo is under way when the station dies
        line = page.context.new_cdp_session(page)
        line.send("Network.enable")
        slow = {"offline": False, "latency": 20, "downloadThroughput": -1}
        line.send("Network.emulateNetworkConditions", {**slow, "uploadThroughput": 120_000})
        page.locator("#photo").set_input_files(PHOTOS / "MF-2042.jpg", no_wait_after=True)
        page.locator("[data-notice=sending]").wait_for()
        page.wait_for_timeout(700)
        served.kill()
        line.send("Network.emulateNetworkConditions", {**slow, "uploadThroughput": -1})
        page.locator("[data-notice=kept]").wait_for()
        page.locator("[data-notice=gone]").wait_for()
        assert "does not answer" in page.locator("[data-notice=gone]").inner_text()
        assert axe_faults(page) == []
        # the phone may drop the page meanwhile: the photo lies in the browser's own store
        served.start()
        assert verdict_of(page) == "remake"
        assert served.counted("inspection") == 1
        assert served.counted("pressing") == 1
        checks = list((served.folder / "checks").iterdir())
        assert len(checks) == 1
        assert list((served.folder / "incoming").iterdir()) == []
    finally:
        served.stop()


def test_a_photo_outlives_the_page_that_took_it(open_page: Open, tmp_path: Path) -> None:
    """The page is closed while the station is down; the next page sends the photo."""
    served = Served(tmp_path / "kept").start()
    try:
        page = open_page(PHONE)
        page.goto(served.url)
        page.locator("#jobs a", has_text="MF-2042").first.tap()
        page.locator("#photo").wait_for(state="attached")
        page.wait_for_load_state("networkidle")
        served.kill()
        page.locator("#photo").set_input_files(PHOTOS / "MF-2042.jpg", no_wait_after=True)
        page.locator("[data-notice=kept]").wait_for()
        context = page.context
        page.close()
        served.start()
        other = context.new_page()
        other.set_default_timeout(WAIT_MS)
        other.goto(served.url)
        other.locator("[data-notice=late] a").click()
        assert verdict_of(other) == "remake"
        assert len(list((served.folder / "checks").iterdir())) == 1
    finally:
        served.stop()


def test_a_device_types_the_code(browser: Any, open_page: Open, tmp_path: Path) -> None:
    """Beyond the loopback the terminal's code opens the door, by the page's own form."""
    with socket.socket() as asked:
        asked.bind(("127.0.0.1", 0))
        port = asked.getsockname()[1]
    command = [sys.executable, "-u", "-m", "dyelight.cli", "station", "--demo"]
    command += ["--folder", str(tmp_path / "kept"), "--listen", "0.0.0.0", "--port", str(port)]
    command += ["--workers", "1"]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    try:
        assert process.stdout is not None
        while "let in" not in process.stdout.readline():
            assert process.poll() is None
        page = open_page(PHONE)
        page.goto(f"http://127.0.0.1:{port}/")
        assert page.url.endswith("/pair")
        assert axe_faults(page) == []
        shown = process.stdout.readline()
        page.get_by_label("Code").fill("0000 0000")
        page.get_by_role("button", name="Come in").tap()
        page.locator("#pair-answer", has_text="not the code").wait_for()
        page.get_by_label("Code").fill(shown.partition(": ")[2][:9])
        page.get_by_role("button", name="Come in").tap()
        page.get_by_role("heading", name="Which job?").wait_for()
    finally:
        process.send_signal(signal.SIGINT)
        process.wait(30)
        assert process.stdout is not None
        process.stdout.close()
