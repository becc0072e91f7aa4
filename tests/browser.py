"""Debian's Chromium for the tests of the page: headless, software drawing, nothing from outside."""

import json
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--hide-scrollbars",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
)


class Browser:
    """One open browser; `visit` opens a page and forgets what the page before it said."""

    def __init__(self, driver: Any) -> None:
        self.driver = driver

    def visit(self, path: Path, size: tuple[int, int] = (1300, 850), *, touch: bool = False) -> None:
        """Open a file in a screen of `size`, with or without a touch screen."""
        width, height = size
        self.cdp(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=touch,
        )
        self.cdp("Emulation.setTouchEmulationEnabled", enabled=touch)
        self.driver.get_log("browser")
        self.driver.get_log("performance")
        self.driver.get(path.resolve().as_uri())

    def cdp(self, command: str, **settings: Any) -> Any:
        """Send a command of the DevTools protocol."""
        return self.driver.execute_cdp_cmd(command, settings)

    def ask(self, script: str, *values: Any) -> Any:
        """Return what a script in the page returns."""
        return self.driver.execute_script(script, *values)

    def text(self, element: str) -> str:
        """Return the text of the element with this id."""
        return str(self.ask("return document.getElementById(arguments[0]).textContent", element))

    def press(self, selector: str) -> None:
        """Click the first element of a CSS selector."""
        self.ask(
            "const e = document.querySelector(arguments[0]);"
            "for (let d = e.closest('details'); d; d = d.parentElement.closest('details')) d.open = true;"
            "e.scrollIntoView({block: 'center'}); e.click()",
            selector,
        )

    def complaints(self) -> list[str]:
        """Return what the console says, less the software renderer's notes on its own speed."""
        return [
            entry["message"]
            for entry in self.driver.get_log("browser")
            if "GL Driver Message" not in entry["message"]
        ]

    def requests(self) -> list[str]:
        """Return the addresses the page asked for since it was opened."""
        found = []
        for entry in self.driver.get_log("performance"):
            message = json.loads(entry["message"])["message"]
            if message["method"] == "Network.requestWillBeSent":
                found.append(message["params"]["request"]["url"])
        return found


@contextmanager
def opened(*flags: str) -> Iterator[Browser]:
    """Open a browser with a fresh profile and close it, its driver and its profile again.

    Skips the test where Chromium, its driver or selenium is not installed.
    """
    selenium = pytest.importorskip("selenium.webdriver", reason="selenium is not installed")
    from selenium.webdriver.chrome.service import Service

    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    driver_path = shutil.which("chromedriver")
    if not chromium or not driver_path:
        pytest.skip("Chromium and its driver are not installed (apt-get install chromium chromium-driver)")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        options = selenium.ChromeOptions()
        options.binary_location = chromium
        for flag in (*FLAGS, *flags, f"--user-data-dir={profile}"):
            options.add_argument(flag)
        options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
        driver = selenium.Chrome(options=options, service=Service(driver_path))
        try:
            yield Browser(driver)
        finally:
            driver.quit()
