"""Fixtures that several test modules share."""

import os
import shutil

import pytest

CHROMIUM_ARGUMENTS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip


@pytest.fixture(scope="session")
def chromium_path():
    """Path of a Chromium on this machine; the test is skipped, and says so, where there is none."""
    path = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.skip("no Chromium on this machine: install the package 'chromium' or set CHROMIUM to its path")
    return path


@pytest.fixture(scope="session")
def browser(chromium_path):
    """A headless Chromium driven by Playwright."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="Playwright for Python is not installed")
    with sync_api.sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=chromium_path, args=list(CHROMIUM_ARGUMENTS))
        yield opened
        opened.close()
