"""What is asked of a page that is open in a browser."""

import time

from axe_playwright_python.sync_playwright import Axe


def until(page, condition, *, seconds=40):
    """Wait for a condition; the page's own policy forbids the library's way of waiting."""
    deadline = time.monotonic() + seconds
    while not page.evaluate(condition):
        assert time.monotonic() < deadline, f"never came true: {condition}"
        page.wait_for_timeout(50)


def barriers(page):
    """Serious and critical findings of axe-core (Deque Systems), rules of WCAG 2, on the page that is open."""
    found = Axe().run(page).response["violations"]
    return [(v["id"], v["nodes"][0]["html"][:120]) for v in found if v["impact"] in ("serious", "critical")]
