"""A browser to open reports in, and reports written to memory."""

from __future__ import annotations

import io
import shutil
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from typing import Any

import pytest

from hardenprobe.model import Review
from hardenprobe.reports import FORMATS
from hardenprobe.reports.source import Source

Written = Callable[[str, Review | Source], bytes]


@pytest.fixture
def written() -> Written:
    """Return a function that writes a report."""

    def write(kind: str, what: Review | Source) -> bytes:
        out = io.BytesIO()
        FORMATS[kind](what, out)
        return out.getvalue()  # fails where a writer closed what is not its own

    return write


class Opened:
    """A page in a browser.

    Attributes:
        page: The library's page.
        left: Addresses of requests that would have left the file; none was let through.
        said: What scripts wrote to the console, dialogs that opened, errors that nobody caught.
    """

    def __init__(self, page: Any) -> None:
        self.page = page
        self.left: list[str] = []
        self.said: list[str] = []


@pytest.fixture(scope="module")
def browser() -> Iterator[Callable[..., AbstractContextManager[Opened]]]:
    """Return a function that opens a file in Chromium, once the page has drawn itself."""
    from playwright.sync_api import sync_playwright

    program = shutil.which("chromium")
    if program is None:
        pytest.skip("needs the Debian package chromium")
    with sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=program, args=["--no-sandbox", "--disable-gpu"])

        @contextmanager
        def opened(
            file: Path,
            fragment: str = "",
            *,
            theme: str = "light",
            width: int = 1280,
            ready: bool = True,
            **more: Any,
        ) -> Iterator[Opened]:
            context = chromium.new_context(
                color_scheme=theme, viewport={"width": width, "height": 900}, **more
            )
            found = Opened(context.new_page())

            def gate(route: Any) -> None:
                if route.request.url.startswith(file.as_uri()):
                    route.continue_()
                else:
                    found.left.append(route.request.url)
                    route.abort()

            def dialog(shown: Any) -> None:
                found.said.append(f"dialog: {shown.message}")
                shown.dismiss()

            found.page.route("**/*", gate)
            found.page.on("dialog", dialog)
            found.page.on("console", lambda line: found.said.append(f"console: {line.text}"))
            found.page.on("pageerror", lambda error: found.said.append(f"error: {error}"))
            found.page.goto(file.as_uri() + fragment)
            if ready:
                found.page.wait_for_selector("html[data-ready]", timeout=30_000)
            yield found
            context.close()

        yield opened
        chromium.close()
