"""A real browser before a real server: Debian's chromium, driven by Playwright."""

from __future__ import annotations

import contextlib
import os
import shutil
import threading
from collections.abc import Iterator
from typing import Any

import pytest

from gainkit.bench.serve import Running, ServeOptions, opened

FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--autoplay-policy=no-user-gesture-required",
]
SIZES = {"phone": (390, 844), "laptop": (1280, 800), "small": (360, 640)}


PATIENCE_MS = 600_000
"""How long a page is waited for, however busy the machine is [ms]: only what never comes fails."""


@contextlib.contextmanager
def served(asked: ServeOptions) -> Iterator[Running]:
    """A bench on a free port of this machine."""
    with opened(asked) as running:
        thread = threading.Thread(target=running.serve, daemon=True)
        thread.start()
        try:
            yield running
        finally:
            running.stop()
            thread.join()


@contextlib.contextmanager
def chromium() -> Iterator[Any]:
    """The browser; the test is skipped where there is none."""
    sync = pytest.importorskip("playwright.sync_api")
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        if os.environ.get("GAINKIT_REQUIRE_ORACLES") == "1":
            pytest.fail("chromium is needed")
        pytest.skip("chromium is not installed")
    with sync.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=path, args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()


def screen_of(browser: Any, running: Running, size: str, **more: Any) -> Any:
    """A page that was let in, at a size; `faults` holds any fault of the page's own."""
    key = running.bench.keys.fresh()
    return entered(browser, f"http://127.0.0.1:{running.addresses.port}/open?key={key}", size, **more)


def entered(browser: Any, address: str, size: str, **more: Any) -> Any:
    """A page of its own browser window, let in by an address."""
    width, height = SIZES[size]
    context = browser.new_context(viewport={"width": width, "height": height}, **more)
    context.set_default_timeout(PATIENCE_MS)
    page = context.new_page()
    faults: list[str] = []
    page.on("pageerror", lambda fault: faults.append(str(fault)))
    page.on("console", lambda told: faults.append(told.text) if told.type == "error" else None)
    page.faults = faults
    page.goto(address)
    page.wait_for_selector("#now")
    until(page, "document.getElementById('line').textContent !== ''")
    return page


def until(page: Any, expression: str, argument: Any = None) -> None:
    """Wait for something on the page; Playwright's own way needs an eval, which the page forbids."""
    for _ in range(PATIENCE_MS // 50):
        if page.evaluate(expression, argument):
            return
        page.wait_for_timeout(50)
    pytest.fail(f"it never came: {expression}; the page says: {page.inner_text('main')[:300]}")
