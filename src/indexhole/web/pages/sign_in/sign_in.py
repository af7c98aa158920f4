"""Addresses for signing in and out. They are there only when the page has a password."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter
from pydantic import BaseModel, ConfigDict, Field
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from indexhole.web.access.sessions import IDLE_S, LONGEST_PASSWORD, LONGEST_S
from indexhole.web.drawing.view import Page, render
from indexhole.web.forms.posted import Posted
from indexhole.web.serving.guard import SignIn, cookie_name, inside, secrets_of
from indexhole.wording import count_of

# a line of tries that is full has moved on by then
CROWDED_S = 3.0
_WRONG = "That is not the password."


@dataclass(frozen=True, kw_only=True)
class SignInPage(Page):
    """The form that asks for the password; `onward` is where it leads."""

    fault: str
    onward: str


class Password(BaseModel):
    """What a script sends to sign in."""

    model_config = ConfigDict(extra="forbid")
    password: Annotated[str, Field(min_length=1, max_length=LONGEST_PASSWORD)]


class Ticket(BaseModel):
    """What a script sends along afterwards, as `Authorization: Bearer TOKEN`."""

    token: str
    idle_s: float = Field(description="how long it lasts unused, seconds")
    longest_s: float = Field(description="how long it lasts at most, seconds")


def _address(request: Request) -> str:
    return request.client.host if request.client else ""


def _later(what: str, wait_s: float) -> HTTPException:
    wait = math.ceil(wait_s)
    return HTTPException(429, f"{what}; wait {count_of(wait, 'second')}", {"Retry-After": str(wait)})


async def _tried(signing_in: SignIn, address: str, password: str) -> bool:
    """Whether the password is right. Raises HTTPException (429) for one try too many, by one sender or by all."""
    if signing_in.lock.crowded:
        raise _later("many sign in at this moment", CROWDED_S)
    wait_s = signing_in.throttle.wait_s(address)
    if wait_s > 0:
        raise _later("the password was tried too often", wait_s)
    if not await signing_in.lock.tried(password):
        return False
    signing_in.throttle.forgive(address)
    return True


def _page(onward: str, fault: str = "") -> Response:
    page = SignInPage(title="Sign in", bare=True, fault=fault, onward=onward)
    return render("sign_in.html", page, 401 if fault else 200)


def routes(signing_in: SignIn) -> APIRouter:
    """The addresses of the form."""
    router = APIRouter()

    @router.get("/sign-in")
    def ask(onward: str = "/") -> Response:
        return _page(inside(onward))

    @router.post("/sign-in")
    async def sign_in(request: Request, sent: Posted) -> Response:
        onward, password = inside(str(sent.get("onward", "/"))), sent.get("password")
        if not isinstance(password, str) or not await _tried(signing_in, _address(request), password):
            return _page(onward, _WRONG)
        answer = RedirectResponse(onward, 303)
        answer.set_cookie(
            cookie_name(request.scope),
            signing_in.sessions.begin(),
            max_age=int(LONGEST_S),
            httponly=True,
            samesite="strict",
            secure=request.url.scheme == "https",
        )
        return answer

    @router.post("/sign-out")
    def sign_out(request: Request, sent: Posted) -> Response:
        for secret in secrets_of(request.scope):
            signing_in.sessions.end(secret)
        answer = RedirectResponse("/sign-in", 303)
        answer.delete_cookie(cookie_name(request.scope), httponly=True, samesite="strict")
        return answer

    return router


def api_routes(signing_in: SignIn) -> APIRouter:
    """The same for scripts."""
    router = APIRouter()

    @router.post("/api/sign-in", tags=["signing in"], summary="A token for the password")
    async def sign_in(request: Request, sent: Password) -> Ticket:
        if not await _tried(signing_in, _address(request), sent.password):
            raise HTTPException(401, "that is not the password")
        return Ticket(token=signing_in.sessions.begin(), idle_s=IDLE_S, longest_s=LONGEST_S)

    return router
