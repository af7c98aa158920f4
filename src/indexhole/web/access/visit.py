"""The visit a request belongs to: its token, which every form carries, and whether it is signed in.

A page of another site can send a form here, but it cannot read our pages, so it cannot know the token. Together
with the Origin check (guard.py) that is two locks, each of which holds alone.
"""

from __future__ import annotations

import hmac
import re
from contextvars import ContextVar
from dataclasses import dataclass
from typing import Any

from jinja2.ext import Extension
from starlette.datastructures import FormData
from starlette.exceptions import HTTPException

FIELD = "token"
_FORM = re.compile(r"""<form\b[^>]*\bmethod="post"[^>]*>""", re.IGNORECASE)


@dataclass(frozen=True)
class Visit:
    """`token` is empty outside a request, and then no form is taken."""

    token: str = ""
    signed_in: bool = False


NOBODY = Visit()
VISIT: ContextVar[Visit] = ContextVar("VISIT", default=NOBODY)


def token() -> str:
    """The token that forms of this visit carry."""
    return VISIT.get().token


def signed_in() -> bool:
    """Whether there is a session that can be ended."""
    return VISIT.get().signed_in


def token_for(key: bytes, session: str) -> str:
    """The token of a session, empty for none: nobody without the key can make it."""
    return hmac.digest(key, b"form\0" + session.encode(), "sha256").hex()


def check_form(posted: FormData) -> None:
    """Raise HTTPException (403) unless the form carries the token of this visit."""
    sent, wanted = posted.get(FIELD), token()
    if not (wanted and isinstance(sent, str) and hmac.compare_digest(sent.encode(), wanted.encode())):
        raise HTTPException(
            403, "this form is from an earlier visit; go back, load its page again and send it once more"
        )


class TokenInForms(Extension):
    """Gives every form that posts its token while the template is read, so that none can forget it."""

    def preprocess(self, source: str, name: str | None, filename: str | None = None) -> str:
        """The template's source with the hidden field behind each such `<form>`."""
        return _FORM.sub(
            lambda found: f'{found[0]}<input type="hidden" name="{FIELD}" value="{{{{ token() }}}}">', source
        )

    def __init__(self, environment: Any) -> None:
        super().__init__(environment)
        environment.globals.update(token=token, signed_in=signed_in)
