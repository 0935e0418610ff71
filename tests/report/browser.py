"""A headless Chromium for tests of pages; tests that ask for it are skipped where there is none."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome")
QUIET = (
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--autoplay-policy=no-user-gesture-required",
)  # fmt: skip


def executable() -> str | None:
    """Chromium of the system, None where there is none."""
    return next((path for name in NAMES if (path := shutil.which(name))), None)


@contextmanager
def chromium() -> Iterator[Any]:
    """A browser; the test is skipped where playwright or a browser is missing."""
    playwright = pytest.importorskip(
        "playwright.sync_api", reason="playwright is not installed: pip install -e .[test]"
    )
    with playwright.sync_playwright() as driver:
        try:
            browser = driver.chromium.launch(executable_path=executable(), args=list(QUIET))
        except playwright.Error as error:
            pytest.skip(f"no Chromium here (apt-get install chromium): {str(error)[:80]}")
        yield browser
        browser.close()


class Tab:
    """A page in the browser that remembers what it asked the network for and what went wrong."""

    def __init__(self, browser: Any, path: Path, hash_: str = "", **context: Any) -> None:
        self.context = browser.new_context(**context)
        self.page = self.context.new_page()
        self.errors: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", self._heard)
        self.page.on("pageerror", lambda error: self.errors.append(str(error)))
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.page.goto(f"{path.as_uri()}{hash_}")

    def _heard(self, message: Any) -> None:
        if message.type in ("error", "warning"):
            self.errors.append(message.text)

    def clean(self) -> None:
        """Fail where the page logged an error or asked for anything but files."""
        assert self.errors == []
        assert [url for url in self.asked if not url.startswith(("file:", "data:"))] == []

    def close(self) -> None:
        self.context.close()


def serious(page: Any) -> list[str]:
    """Serious and critical findings of axe-core, each with what it found."""
    package = pytest.importorskip(
        "axe_playwright_python", reason="axe-playwright-python is not installed: .[test]"
    )
    script = Path(package.__file__).with_name("axe.min.js").read_text("utf-8")
    # Added by the test, not by the page; a page from disk has no policy against it.
    page.evaluate(script)
    found = page.evaluate("axe.run({resultTypes: ['violations']})")["violations"]
    return [
        f"{item['id']}: {node['target']} {node.get('failureSummary', '')[:300]}"
        for item in found if item["impact"] in ("serious", "critical")
        for node in item["nodes"][:3]
    ]
