"""Draws the README's pictures from a demo that has been run: ``python tests/pictures.py glideline-demo``.

The overview and one side's page, as the pages show them at 1400 pixels, in 192 colours to stay small.
"""

import shutil
import sys
from io import BytesIO
from pathlib import Path

from PIL import Image
from playwright.sync_api import sync_playwright

PICTURES = Path(__file__).resolve().parent.parent / "demo_corpus" / "pictures"
WIDTH, HEIGHT = 1400, 690
# A page and the place on it at which its picture begins.
PAGES = {"overview": ("index.html", "body"), "side": ("side/owl-1007-a-t1.html", "#picture .key")}


def draw(report: Path) -> None:
    """Write ``demo_corpus/pictures/<name>.png`` from the pages of a report."""
    PICTURES.mkdir(exist_ok=True)
    program = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=program, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": WIDTH, "height": HEIGHT})
        for name, (file, begins) in PAGES.items():
            page.goto((report / file).resolve().as_uri())
            top = page.locator(begins).evaluate("place => place.getBoundingClientRect().top + scrollY")
            taken = page.screenshot(full_page=True, clip={"x": 0, "y": top, "width": WIDTH, "height": HEIGHT})
            shot = Image.open(BytesIO(taken)).convert("RGB").quantize(192, method=Image.Quantize.MAXCOVERAGE)
            shot.save(PICTURES / f"{name}.png", optimize=True)
        browser.close()


if __name__ == "__main__":
    draw(Path(sys.argv[1]) / "derived" / "report")
