import pytest
from pydantic import ValidationError

from steadyhead.errors import NotifyError
from steadyhead.notify.secret import BLOT, Secret, blotted


def test_a_secret_is_the_first_line_of_its_file_as_it_is_now(tmp_path):
    path = tmp_path / "key"
    path.write_text("  first-key \nnot this\n")
    secret = Secret(file=path)
    assert secret.read() == "first-key"
    path.write_text("second-key")
    assert secret.read() == "second-key"


def test_a_secret_comes_from_the_environment(monkeypatch):
    monkeypatch.setenv("HOOK_KEY", "from-environment")
    assert Secret(env="HOOK_KEY").read() == "from-environment"


@pytest.mark.parametrize("content", [None, b"", b"  \nx", b"\xff\xfe\x00 secret-bytes", b"x" * 20_000])
def test_what_cannot_be_a_secret_is_named_by_its_place_and_never_quoted(tmp_path, content):
    path = tmp_path / "key"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(NotifyError, match="key") as caught:
        Secret(file=path).read()
    assert "secret-bytes" not in str(caught.value)
    assert "xxx" not in str(caught.value)


def test_a_missing_variable_is_named(monkeypatch):
    monkeypatch.delenv("HOOK_KEY", raising=False)
    with pytest.raises(NotifyError, match="environment variable HOOK_KEY"):
        Secret(env="HOOK_KEY").read()


@pytest.mark.parametrize("places", [{}, {"file": "a", "env": "B"}])
def test_a_secret_has_one_place(places):
    with pytest.raises(ValidationError, match=r"either file: or env:"):
        Secret.model_validate(places)


def test_secrets_are_blotted_out_of_texts_the_longest_first():
    assert blotted("at /hook/abcd1234 with abcd", ("abcd", "/hook/abcd1234")) == f"at {BLOT} with {BLOT}"
    assert blotted("a b c", ("a", "")) == "a b c"  # too short to be one; would blot out words
