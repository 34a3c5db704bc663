"""One server and one browser for all browser tests; a fresh window for each."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from steadyhead import service
from steadyhead.store.profiles import load_profile

from .plant import PEOPLE, ROOT, Served, password, served

CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or "/usr/bin/chromium"
ARGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip
SCREENS = ROOT / "out" / "screens"
LIMIT_MS = 20_000  # what a test waits for at most; the machine may be busy with others


@pytest.fixture(scope="session")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    with served(tmp_path_factory.mktemp("room")) as found:
        yield found


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    expect.set_options(timeout=LIMIT_MS)
    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGS)
        yield found
        found.close()


@pytest.fixture
def shoot() -> Callable[..., Path]:
    SCREENS.mkdir(parents=True, exist_ok=True)

    def save(page: Page, name: str, *, whole: bool = True) -> Path:
        path = SCREENS / f"{name}.png"
        page.screenshot(path=path, full_page=whole)
        return path

    return save


@pytest.fixture(scope="session")
def signed_in(desk: Served, browser: Browser) -> dict[str, object]:
    """The cookies of each person, from one sign-in through the form."""
    found: dict[str, object] = {}
    for name in PEOPLE:
        context = browser.new_context(base_url=desk.url)
        page = context.new_page()
        page.goto("/login")
        page.fill("#name", name)
        page.fill("#password", password(name))
        page.press("#password", "Enter")
        page.wait_for_selector("nav")
        found[name] = context.storage_state()
        context.close()
    return found


@pytest.fixture
def sign_in(desk: Served, browser: Browser, signed_in: dict[str, object]) -> Iterator[Callable[..., Page]]:
    """A window of a person, on the page at ``path``. At the end nothing may have gone wrong in it."""
    contexts = []
    faults: list[str] = []

    def open_window(
        name: str = "olga",
        width: int = 1280,
        height: int = 900,
        look: str = "light",
        path: str = "/",
        **more: object,
    ) -> Page:
        context = browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme=look,
            base_url=desk.url,
            storage_state=signed_in[name],
            **more,
        )
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(LIMIT_MS)
        page.on("pageerror", lambda error: faults.append(f"{page.url}: {error}"))
        page.on("console", lambda message: faults.append(message.text) if is_fault(message) else None)
        page.goto(path)
        return page

    yield open_window
    for context in contexts:
        context.close()
    assert faults == []


def wait_until(page: Page, claim: str, limit_s: float = LIMIT_MS / 1000) -> None:
    """Until an expression is true; the library's own way has the page evaluate text, which is forbidden."""
    end = time.monotonic() + limit_s
    while not page.evaluate(claim):
        assert time.monotonic() < end, f"not true after {limit_s:.0f} s: {claim}"
        page.wait_for_timeout(50)


def is_fault(message: object) -> bool:
    kind, text = message.type, message.text  # type: ignore[attr-defined]
    return kind in ("error", "warning") and "Failed to load resource" not in text


@pytest.fixture(scope="module")
def verdict(desk):
    """A true verdict, to be raised at other stations: what the engine finds at Quarry Hill."""
    log = desk.logs["quarry_hill"]
    profile = load_profile(desk.room.profiles, "quarry_hill", log.step_s)
    found = service.scan_station(log, profile, desk.room.registry.settings.units)
    return replace(found[0], ended_s=None)


@pytest.fixture
def flood(desk, verdict):
    """Raises alerts at silent stations on demand; all are ended and acknowledged afterwards."""
    raised = []

    def raise_at(first, n, priority="high"):
        for number in range(first, first + n):
            alert = desk.room.desk.raised(
                replace(verdict, station=f"reach_{number:04d}", raised_s=int(desk.room.clock()))
            )
            raised.append(alert.alert_id)
        return raised[-n:]

    yield raise_at
    for alert_id in raised:
        view = desk.room.desk.alert(alert_id)
        if "unshelve" in view.may:
            desk.room.desk.unshelve(alert_id, "olga")
        desk.room.desk.cleared(alert_id, int(desk.room.clock()))
        if "acknowledge" in desk.room.desk.alert(alert_id).may:
            desk.room.desk.acknowledge(alert_id, "olga")


def heard(*pages: Page) -> None:
    """Until each window has had its first word from the service: what is open by then is not news to it."""
    for page in pages:
        page.wait_for_function("sessionStorage.getItem('seen') !== null")
