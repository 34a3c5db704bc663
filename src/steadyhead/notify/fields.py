"""Kinds of values the ``notify:`` block may hold."""

from __future__ import annotations

import re
from email.utils import parseaddr
from typing import Annotated, Any
from urllib.parse import urlsplit

from pydantic import AfterValidator, BeforeValidator, Field

from steadyhead.config.fields import Number

_NAME = re.compile(r"[a-z][a-z0-9_-]{0,39}\Z")


def _name(text: str) -> str:
    if not _NAME.match(text):
        raise ValueError(
            f'"{text}" is not a name; start with a small letter, go on with small letters, digits, - and _, '
            "up to 40 in all"
        )
    return text


def _address(text: str) -> str:
    _, address = parseaddr(text)
    local, at, domain = address.rpartition("@")
    if not (at and local and domain) or any(mark in text for mark in "\r\n") or not text.isascii():
        raise ValueError(f'"{text}" is not an e-mail address; write one such as duty@example.org')
    return text


def web_url(text: str) -> str:
    """The URL, if it is an absolute http or https one without a name or password in it; else ValueError."""
    try:
        parts = urlsplit(text)
        parts.port  # noqa: B018  # raises ValueError where it is no number
    except ValueError:
        raise ValueError("is not a URL; write one such as https://example.org/alerts") from None
    if parts.scheme not in ("http", "https") or not parts.hostname or not text.isascii() or " " in text:
        raise ValueError("is not an http or https URL; write one such as https://example.org/alerts")
    if parts.username is not None or parts.password is not None:
        raise ValueError("holds a name or password; give a header with from: {file: ...} instead")
    return text


def some(value: Any) -> Any:
    """One text where a list is wanted is a list of one."""
    return (value,) if isinstance(value, str) else value


Name = Annotated[str, AfterValidator(_name)]
Names = Annotated[tuple[Name, ...], BeforeValidator(some)]
Address = Annotated[str, AfterValidator(_address)]
Addresses = Annotated[tuple[Address, ...], BeforeValidator(some), Field(min_length=1, max_length=50)]
Url = Annotated[str, AfterValidator(web_url)]
Texts = Annotated[tuple[str, ...], BeforeValidator(some)]
Seconds = Annotated[Number, Field(gt=0, le=600)]
