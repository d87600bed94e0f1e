"""A real browser for pages: in CI it must be there; elsewhere, where it is not, its tests are left out with a word."""

import os
import shutil

import pytest
from playwright.sync_api import sync_playwright

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
QUIET = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--autoplay-policy=no-user-gesture-required",
]  # fmt: skip


@pytest.fixture(scope="module")
def browser():
    if CHROMIUM is None:
        if os.environ.get("CI"):
            pytest.fail("no Chromium; install the package chromium")
        pytest.skip("no Chromium on this machine: install it to try the pages")
    with sync_playwright() as playwright:
        running = playwright.chromium.launch(executable_path=CHROMIUM, args=QUIET)
        yield running
        running.close()


@pytest.fixture
def page(browser):
    context = browser.new_context(viewport={"width": 1200, "height": 900}, accept_downloads=True)
    opened = context.new_page()
    opened.problems = []
    opened.fetched = []
    opened.on("console", lambda m: opened.problems.append(m.text) if m.type in ("error", "warning") else None)
    opened.on("pageerror", lambda error: opened.problems.append(str(error)))
    opened.on(
        "request", lambda r: None if r.url.startswith(("file:", "data:", "blob:")) else opened.fetched.append(r.url)
    )
    yield opened
    context.close()
