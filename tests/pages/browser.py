"""A real browser without a window, where one is installed. Chromium is a system package: nothing
is downloaded for the tests."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome")
# Not even the browser itself is to call home.
QUIET = [
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


def chromium() -> str | None:
    found = (shutil.which(name) for name in NAMES)
    return next((path for path in found if path and _starts(path)), None)


def _starts(path: str) -> bool:
    """Some systems have a stand-in of that name, which only says how to get one."""
    told = subprocess.run([path, "--version"], capture_output=True, timeout=60, check=False)
    return told.returncode == 0


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    path = chromium()
    if path is None:
        pytest.skip("no Chromium is installed: pages are not looked at in a real browser")
    root = hasattr(os, "geteuid") and os.geteuid() == 0
    with sync_playwright() as player:
        # Its sandbox refuses to work for root, as in many containers.
        options = [*QUIET, "--no-sandbox"] if root else QUIET
        running = player.chromium.launch(executable_path=path, args=options)
        yield running
        running.close()


@contextmanager
def opened(browser: Browser, path: Path, width: int = 1200, **about: Any) -> Iterator[Page]:
    """The page, seen in full. Whatever it asks for beside itself, and whatever is said on its
    console, fails the test."""
    context = browser.new_context(viewport={"width": width, "height": 900}, **about)
    page = context.new_page()
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    try:
        page.goto(path.as_uri())
        yield page
        assert asked == [path.as_uri()]
        assert said == []
    finally:
        context.close()
