"""The pages of accounts and tokens: an administrator's work, done with the keyboard and the mouse."""

import httpx
import pytest
from playwright.sync_api import expect

from .plant import password
from .test_every_page import complaints

OWN = "seven boats in the harbour at dusk"


def one_act(page, summary, button):
    """Open a form by the keyboard, give the own password and send it."""
    part = page.locator("details.act", has=page.locator(f"summary:text-is('{summary}')"))
    part.locator("summary").press("Enter")
    part.locator("[name=own_password]").fill(password("ada"))
    part.locator(f"button:has-text('{button}')").press("Enter")


def arrive(page, name, secret):
    page.goto("/login")
    page.fill("#name", name)
    page.fill("#password", secret)
    page.press("#password", "Enter")


def test_an_administrator_makes_an_operator_who_then_signs_in(desk, sign_in, browser, shoot):
    page = sign_in("ada", path="/")
    page.click("nav a:has-text('Accounts')")
    expect(page.locator("h1")).to_have_text("Accounts")
    page.locator("summary:has-text('Make an account')").press("Enter")
    page.fill("#new-name", "kim & co")
    page.select_option("#new-role", "operator")
    page.fill("#new-own", "not my password at all")
    page.press("#new-own", "Enter")
    expect(page.locator("#new-own-fault")).to_contain_text("This is not your password")
    expect(page.locator("#new-own")).to_be_focused()
    page.fill("#new-own", password("ada"))
    page.press("#new-own", "Enter")
    expect(page.locator("#new-name-fault")).to_contain_text('"kim & co" cannot name an account; use up to 64')
    expect(page.locator("#new-name")).to_have_attribute("aria-describedby", "new-name-fault")
    expect(page.locator("#new-role")).to_have_value("operator")
    expect(page.locator("#new-own")).to_have_value("")
    page.wait_for_load_state()
    assert complaints(page) == []
    shoot(page, "accounts-fault")
    page.fill("#new-name", "Ada")
    page.fill("#new-own", password("ada"))
    page.press("#new-own", "Enter")
    expect(page.locator("#new-name-fault")).to_contain_text('There is an account "Ada" already')
    page.fill("#new-name", "kim")
    page.fill("#new-own", password("ada"))
    page.press("#new-own", "Enter")
    first = page.locator(".once").text_content()
    assert len(first) == 19
    expect(page.locator("main [role=status]")).to_contain_text("shown this once")
    expect(page.locator("tr", has_text="kim")).to_contain_text("first password, to be changed by")
    shoot(page, "accounts-made")
    page.goto("/accounts")
    assert first not in page.content()

    context = browser.new_context(base_url=desk.url)
    theirs = context.new_page()
    arrive(theirs, "kim", first)
    expect(theirs.locator("h1")).to_have_text("Choose a password of your own")
    theirs.fill("#old", first)
    theirs.fill("#new", OWN)
    theirs.press("#new", "Enter")
    arrive(theirs, "kim", OWN)
    expect(theirs.locator("nav")).to_be_visible()
    theirs.wait_for_load_state()
    assert theirs.locator("nav a:has-text('Accounts')").count() == 0

    page.goto("/accounts")
    page.click("a:text-is('kim')")
    expect(page.locator(".facts")).to_contain_text("in 1 place")
    part = page.locator("details.act", has=page.locator("summary:text-is('Role')"))
    part.locator("summary").press("Enter")
    part.locator("select").select_option("engineer")
    part.locator("[name=own_password]").fill(password("ada"))
    part.locator("button").press("Enter")
    expect(page.locator("[role=status]:has-text('The role is changed.')")).to_be_visible()
    theirs.goto("/load")
    expect(theirs.locator("h1")).to_have_text("Sign in")  # a change signs out
    arrive(theirs, "kim", OWN)
    expect(theirs.locator("nav")).to_be_visible()
    page.reload()
    one_act(page, "Sessions", "Sign out everywhere")
    expect(page.locator(".facts")).to_contain_text("nowhere")
    one_act(page, "New first password", "Set a first password")
    expect(page.locator(".once")).not_to_have_text(first)
    one_act(page, "Disable", "Disable the account")
    expect(page.locator(".facts")).to_contain_text("disabled")
    shoot(page, "account-disabled")
    arrive(theirs, "kim", OWN)
    expect(theirs.locator("[role=alert]")).to_contain_text("Not signed in.")
    one_act(page, "Enable", "Enable the account")
    expect(page.locator(".facts")).not_to_contain_text("disabled")
    context.close()


def test_the_last_administrator_is_kept_and_told_why(sign_in):
    page = sign_in("ada", path="/accounts/ada")
    assert page.locator("summary:text-is('New first password')").count() == 0  # that is on one's own page
    one_act(page, "Disable", "Disable the account")
    expect(page.locator("#disable-fault")).to_contain_text('"ada" is the only administrator left')
    part = page.locator("details.act", has=page.locator("summary:text-is('Role')"))
    part.locator("summary").press("Enter")
    part.locator("select").select_option("viewer")
    part.locator("[name=own_password]").fill(password("ada"))
    part.locator("button").press("Enter")
    expect(page.locator("#role-role-fault")).to_contain_text('"ada" is the only administrator left')
    page.wait_for_load_state()
    assert complaints(page) == []


def test_a_token_is_made_shown_once_and_revoked(desk, sign_in, shoot):
    page = sign_in("ada", path="/accounts")
    page.locator("summary:has-text('Make a token')").press("Enter")
    page.fill("#token-name", "control room screen")
    page.select_option("#token-life", "none")
    page.fill("#token-own", password("ada"))
    page.press("#token-own", "Enter")
    secret = page.locator(".once").text_content()
    headers = {"Authorization": f"Bearer {secret}"}
    assert httpx.get(f"{desk.url}/api/v1/me", headers=headers).json()["scope"] == "read"
    shoot(page, "token-made")
    page.goto("/accounts")
    assert secret not in page.content()
    row = page.locator("tr", has_text="control room screen")
    expect(row).to_contain_text("never")
    row.locator("button").press("Enter")
    expect(page.locator("[role=status]:has-text('The token is revoked.')")).to_be_visible()
    expect(row).to_contain_text("revoked")
    assert httpx.get(f"{desk.url}/api/v1/me", headers=headers).status_code == 401


@pytest.mark.parametrize("path", ["/accounts", "/accounts/ada"])
def test_who_is_no_administrator_is_refused_and_offered_no_link(sign_in, path):
    page = sign_in("egon", path="/")
    assert page.locator("a[href^='/accounts']").count() == 0
    assert page.goto(path).status == 403
    expect(page.locator("h1")).to_have_text("Not allowed")
    expect(page.locator("main")).to_contain_text("role administrator")


@pytest.mark.parametrize(("look", "width"), [("light", 1280), ("dark", 390)])
@pytest.mark.parametrize("path", ["/accounts", "/accounts/egon"])
def test_the_pages_keep_the_rules_and_fit_the_window(sign_in, shoot, path, look, width):
    page = sign_in("ada", width=width, height=800, look=look, path=path)
    for summary in page.locator("summary").all():
        summary.press("Enter")
    page.evaluate("scrollTo(0, 0)")  # further down the strip at the top half covers what is passing under it
    assert complaints(page) == []
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    if width == 1280:
        assert page.evaluate("document.querySelector('header.top').offsetHeight") < 60
    shoot(page, f"account{'s' if path == '/accounts' else ''}-{look}-{width}")
