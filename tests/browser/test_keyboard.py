"""The keyboard alone is enough."""

import re

from playwright.sync_api import expect

from .plant import password

FOCUS = "document.activeElement.textContent.trim()"


def tab_to(page, wanted, most=60):
    """Press Tab until something whose text starts so has the focus, and see that the focus shows."""
    for _ in range(most):
        page.keyboard.press("Tab")
        text = page.evaluate(f"{FOCUS} || document.activeElement.getAttribute('aria-label') || ''")
        if re.match(wanted, text):
            style = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
            assert style == "solid", f"no outline on {text}"
            return
    raise AssertionError(f"Tab never reached {wanted}")


def test_the_first_tab_offers_to_skip_to_the_content(sign_in):
    page = sign_in(path="/")
    page.keyboard.press("Tab")
    assert page.evaluate(FOCUS) == "Skip to the content"
    assert page.locator(".skip").bounding_box()["width"] > 100
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.closest('main') !== null")


def test_signing_in_opening_and_acknowledging_need_no_pointer(desk, browser, shoot):
    context = browser.new_context(base_url=desk.url)
    page = context.new_page()
    page.goto("/login")
    expect(page.locator("#name")).to_be_focused()  # given some moments after the page is loaded
    page.keyboard.type("olga")
    page.keyboard.press("Tab")
    page.keyboard.type(password("olga"))
    page.keyboard.press("Enter")
    page.wait_for_selector(".alerts")
    tab_to(page, "Harbour East")
    shoot(page, "keyboard-focus", whole=False)
    page.keyboard.press("Enter")
    page.wait_for_url("**/alerts/*")
    page.locator("#ack-note").wait_for()
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.id") == "ack-note":
            break
    page.keyboard.type("The neighbour is being looked at")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator(".notice[role=status]")).to_have_text("Acknowledged.")
    context.close()


def test_the_chart_is_moved_and_zoomed_with_buttons(sign_in):
    page = sign_in(path="/stations/quarry_hill")
    expect(page.locator("#series")).to_have_attribute("data-drawn", re.compile(r"\d{3}"))
    tab_to(page, "Closer")
    with page.expect_response(re.compile("/series")):
        page.keyboard.press("Enter")
    expect(page.locator("#series figcaption")).not_to_contain_text("being drawn")
    assert page.evaluate(FOCUS) == "Closer"  # the focus stays where it was


def test_a_forms_disclosure_opens_with_the_keyboard(desk, sign_in):
    page = sign_in(path=f"/alerts/{desk.alerts['quarry_hill']}")
    tab_to(page, "Shelve")
    page.keyboard.press("Enter")
    expect(page.locator("#shelve-why")).to_be_visible()


def test_nothing_that_can_be_focused_is_hidden_from_sight(desk, sign_in):
    page = sign_in("egon")
    for path in ("/", f"/alerts/{desk.alerts['quarry_hill']}", "/stations/quarry_hill"):
        page.goto(path)
        if path != "/":  # a chart that is being drawn has nothing to stop at yet
            expect(page.locator("#series")).to_have_attribute("data-drawn", re.compile(r"\d{3}"))
        for _ in range(30):
            page.keyboard.press("Tab")
            box = page.evaluate("(r => [r.width, r.height])(document.activeElement.getBoundingClientRect())")
            assert min(box) > 0
