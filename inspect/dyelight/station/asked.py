"""What requests ask for in JSON, checked before anything is done with it."""

from __future__ import annotations

import asyncio
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError
from starlette.requests import Request

from .limits import Limits
from .refusals import Refusal, header


class Body(BaseModel):
    """Anything that is asked for: unknown names and other types are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)


class Nothing(Body):
    """A change that needs no more words."""


Asked = TypeVar("Asked", bound=Body)


async def asked_body(request: Request, kind: type[Asked]) -> Asked:
    """The body of a request; raises Refusal where it is too much, too slow or not understood."""
    limits: Limits = request.app.state.limits
    if header(request.scope, "content-type").partition(";")[0].strip() != "application/json":
        raise Refusal(415, "This is sent as JSON.")
    data = b""
    try:
        async with asyncio.timeout(limits.slow_seconds):
            async for chunk in request.stream():
                data += chunk
                if len(data) > limits.text_bytes:
                    raise Refusal(413, "That is too much text.")
    except TimeoutError:
        raise Refusal(408, "That came too slowly.") from None
    try:
        return kind.model_validate_json(data)
    except ValidationError as failure:
        raise Refusal(400, f"This was not understood: {_first(failure)}.") from None


def _first(failure: ValidationError) -> str:
    details = failure.errors()[0]
    return f"{'.'.join(str(part) for part in details['loc'])} {details['msg']}".strip()[:200]
