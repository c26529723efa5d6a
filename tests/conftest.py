"""Fixtures that several test modules share."""

import os
import shutil

import pytest

CHROMIUM_ARGUMENTS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
)  # fmt: skip

# Modules whose tests take longest, dearest first: whoever starts one of them last waits for it alone.
LONGEST = (
    "test_review.py",
    "hostile/test_hostile_delivery.py",
    "test_report_browser.py",
    "test_season.py",
    "test_findings_faults.py",
    "test_measures_sharpness.py",
    "test_report_page.py",
    "test_report_whole.py",
    "test_originals.py",
    "test_report_pairs.py",
    "test_delivery_names.py",
    "test_statistics_identity.py",
    "test_examples.py",
    "test_placing.py",
    "test_notebooks.py",
    "test_accuracy.py",
    "test_measures_specks.py",
    "test_statistics_misfiling.py",
)


def pytest_collection_modifyitems(items):
    """The longest modules come first, all else in its own order; pytest.ini keeps this order when processes share the work."""
    place = {module: index for index, module in enumerate(LONGEST)}
    items.sort(key=lambda item: place.get(item.nodeid.partition("::")[0], len(LONGEST)))


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
