"""Take one picture off the wire into a file that we name, and stop at the first bound it breaks."""

from __future__ import annotations

import asyncio
import os
import secrets
import time
from pathlib import Path
from typing import BinaryIO

from starlette.types import Receive, Scope

from ..intake.formats import sniff
from .limits import Limits
from .refusals import Refusal, SenderGoneError, header

_HEAD_BYTES = 1024
_ACCEPTED = "Take a JPEG, PNG, WebP, TIFF or HEIC photo."


def check_head(scope: Scope, limits: Limits) -> None:
    """Refuse what the request's head gives away already; raises Refusal."""
    kind = header(scope, "content-type").partition(";")[0].strip().lower()
    if kind != "application/octet-stream":
        # what a plain form of another page can send is none of these
        raise Refusal(415, "Photos are sent as bytes here.", "Use the station's own page.")
    told = header(scope, "content-length")
    if told and not told.isdigit():
        raise Refusal(400, "The length of the photo is no number.")
    if told and int(told) > limits.photo_bytes:
        raise too_large(limits)
    if told == "0":
        raise empty()


def too_large(limits: Limits) -> Refusal:
    """The refusal of a file with too many bytes."""
    return Refusal(
        413,
        f"The photo holds over {limits.photo_bytes // 2**20} MB.",
        "Take it with fewer megapixels.",
    )


def empty() -> Refusal:
    """The refusal of a file without any bytes."""
    return Refusal(400, "The photo is empty.", "Take it again.")


async def receive_picture(scope: Scope, receive: Receive, folder: Path, limits: Limits) -> Path:
    """Write the request's body to a new file in `folder`; its path, with a name of our own.

    The file is gone again where anything is refused. Raises Refusal and SenderGoneError.
    """
    check_head(scope, limits)
    path = folder / f"{secrets.token_hex(16)}.part"
    kept = False
    try:
        with path.open("xb") as file:
            await _receive(receive, file, limits)
            await asyncio.to_thread(_settle, file)
        kept = True
        return path
    except OSError as trouble:
        raise Refusal(
            507,
            f"The station's disk does not take the photo ({trouble.strerror or trouble}).",
            "Free some space on it, then send the photo again.",
        ) from trouble
    finally:
        if not kept:
            path.unlink(missing_ok=True)


def _settle(file: BinaryIO) -> None:
    file.flush()
    os.fsync(file.fileno())


async def _receive(receive: Receive, file: BinaryIO, limits: Limits) -> None:
    began = window = time.monotonic()
    taken = window_bytes = 0
    head = b""
    known = False
    while True:
        now = time.monotonic()
        left = min(window + limits.slow_seconds, began + limits.upload_seconds) - now
        try:
            message = await asyncio.wait_for(receive(), max(left, 0.0))
        except TimeoutError:
            raise _too_slow() from None
        if message["type"] != "http.request":
            raise SenderGoneError
        body: bytes = message.get("body", b"")
        more = message.get("more_body", False)
        taken += len(body)
        window_bytes += len(body)
        if taken > limits.photo_bytes:
            raise too_large(limits)
        if not known:
            head += body[: _HEAD_BYTES - len(head)]
            if len(head) == _HEAD_BYTES or not more:
                _check_kind(head)
                known = True
        file.write(body)
        if not more:
            return
        now = time.monotonic()
        if now - window >= limits.slow_seconds:
            if window_bytes < limits.slow_bytes:
                raise _too_slow()
            window, window_bytes = now, 0


def _too_slow() -> Refusal:
    return Refusal(408, "The photo came too slowly.", "Move closer to the radio, then try again.")


def _check_kind(head: bytes) -> None:
    if not head:
        raise empty()
    kind = sniff(head)
    if kind == "PDF":
        raise Refusal(415, "This is a PDF, not a photo.", _ACCEPTED)
    if not kind:
        raise Refusal(415, "This is no photo that can be read.", _ACCEPTED)
